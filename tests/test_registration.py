"""Registrations: files there and back, what they refuse, and where sites end up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holo.affine import Affine, affine_of, fit_affine
from holo.arrangement import block, from_sites
from holo.errors import InputError, OutputExistsError
from holo.lattice import named_lattice
from holo.registration import (
    Misfit,
    Registration,
    closest_pair,
    parse_registration,
    place,
    read_registration,
    registration_text,
    write_registration,
)

LATTICE = named_lattice("square", 5.0, origin_um=(60.0, 40.0))
TIME = "2025-06-30T14:05:00+02:00"
CAMERA = Affine([[4.9, 0.3], [0.2, -5.1]], [600.0, 450.0], np.diag([1e-6, 1e-6, 2e-6, 2e-6, 1e-3, 2e-3]))
DIGEST = "sha256:" + "0123456789abcdef" * 4


def test_nominal_positions():
    sites = place(from_sites([[0, 0], [2, 1]], target=[1, 0], z_um=[0, -3]), LATTICE)
    np.testing.assert_allclose(sites.xyz_um, [[60, 40, 0], [70, 45, -3]])
    assert sites.bright.tolist() == [True, False]


def test_a_measured_map_overrides_the_nominal_one():
    measured = Affine([[0.0, -5.0], [5.0, 0.0]], [80.0, 30.0])
    sites = place(from_sites([[2, 1]]), LATTICE, Registration(measured, time=TIME))
    np.testing.assert_allclose(sites.xyz_um, [[75, 40, 0]])


def test_the_map_by_way_of_the_camera():
    seen = CAMERA.after(affine_of(LATTICE))
    registration = Registration(plane_to_camera=CAMERA, lattice_to_camera=seen, time=TIME)
    np.testing.assert_allclose(place(from_sites([[2, 1]]), LATTICE, registration).xyz_um, [[70, 45, 0]], atol=1e-9)


def test_the_camera_alone_leaves_the_nominal_lattice():
    registration = Registration(plane_to_camera=CAMERA, time=TIME)
    np.testing.assert_allclose(place(from_sites([[2, 1]]), LATTICE, registration).xyz_um, [[70, 45, 0]])


def test_sites_on_top_of_each_other_are_refused():
    with pytest.raises(InputError, match=r"sites: found \(3, 2\) and \(3, 1.99985\) 0.00075 um apart; allowed: 0.001 um or more"):
        place(block(4, 4) | from_sites([[3, 1.99985]]), LATTICE)
    assert len(place(block(4, 4) | from_sites([[3, 1.9997]]), LATTICE).ij) == 17
    assert len(place(block(1, 1) | block(1, 1).at_depth(0.01), LATTICE).ij) == 2


def test_placed_arrays_cannot_be_changed():
    with pytest.raises(ValueError, match="read-only"):
        place(block(2, 2), LATTICE).xyz_um[0, 0] = 1.0


numbers = st.floats(-1e5, 1e5).map(lambda v: v + 0.0)
names = st.text(st.characters(codec="utf-8"), max_size=12).filter(str.isprintable)


@st.composite
def maps(draw):
    angle, scales = draw(st.floats(-3, 3)), [draw(st.floats(0.1, 50)) for _ in range(2)]
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    parts = np.random.default_rng(draw(st.integers(0, 99))).normal(size=(6, 6))
    return Affine(turn * scales, [draw(numbers), draw(numbers)], parts @ parts.T if draw(st.booleans()) else None)


@given(maps(), st.none() | maps(), st.dictionaries(names, st.just(DIGEST), max_size=3), st.floats(0, 10))
def test_the_text_gives_the_same_numbers_bit_for_bit(one, other, digests, rms):
    original = Registration(one, plane_to_camera=other, time=TIME, misfits={"lattice_to_plane": Misfit(25, rms, rms * 3)}, digests=digests)
    text = registration_text(original)
    read = parse_registration(text, "r.toml")
    assert registration_text(read) == text
    assert (read.time, read.misfits, read.digests) == (original.time, original.misfits, original.digests)
    np.testing.assert_array_equal(read.lattice_to_plane.matrix, one.matrix)
    np.testing.assert_array_equal(read.lattice_to_plane.offset, one.offset)
    assert (read.lattice_to_plane.covariance is None) == (one.covariance is None)
    if one.covariance is not None:
        np.testing.assert_array_equal(read.lattice_to_plane.covariance, one.covariance)
    assert (read.plane_to_camera is None) == (other is None)


def test_what_a_fit_leaves_can_be_written_and_read(tmp_path):
    rng = np.random.default_rng(1)
    source = rng.uniform(-100, 100, (12, 2))
    fit = fit_affine(source, CAMERA.apply(source) + rng.normal(0, 0.05, (12, 2)))
    registration = Registration(plane_to_camera=fit.affine, time=TIME, misfits={"plane_to_camera": Misfit.of(fit)})
    write_registration(tmp_path / "r.toml", registration)
    read = read_registration(tmp_path / "r.toml")
    np.testing.assert_array_equal(read.plane_to_camera.errors(), fit.affine.errors())
    assert read.misfits["plane_to_camera"] == Misfit(12, fit.rms, fit.largest)
    # its inverse must survive too, whatever rounding does to the covariance
    back = Registration(plane_to_camera=fit.affine.inverse(), time=TIME)
    assert parse_registration(registration_text(back), "r.toml").plane_to_camera.covariance.shape == (6, 6)


def test_nothing_is_overwritten_unasked(tmp_path):
    path = tmp_path / "r.toml"
    write_registration(path, Registration(CAMERA, time=TIME))
    with pytest.raises(OutputExistsError, match=r"r.toml: exists already; use --overwrite"):
        write_registration(path, Registration(CAMERA, time=TIME))
    write_registration(path, Registration(plane_to_camera=CAMERA, time=TIME), overwrite=True)
    assert read_registration(path).lattice_to_plane is None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"time": TIME}, "registration: found no map; allowed: at least one of lattice_to_plane"),
        ({"lattice_to_plane": CAMERA, "time": "yesterday"}, "time: found 'yesterday'; allowed: a time with date and zone"),
        ({"lattice_to_plane": CAMERA, "time": TIME, "misfits": {"plane": Misfit(3, 0, 0)}}, "misfits: found 'plane'; allowed"),
        ({"lattice_to_plane": CAMERA, "time": TIME, "digests": {"a\nb": DIGEST}}, "digests: found .* allowed: a printable name"),
        ({"lattice_to_plane": CAMERA, "time": TIME, "digests": {"a": "md5:00"}}, "digests: found 'a', 'md5:00'; allowed"),
    ],
)
def test_bad_registrations_are_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        Registration(**arguments)


HEAD = f'time = "{TIME}"\n'
MAP = "[lattice_to_plane]\nmatrix = [[5.0, 0.0], [0.0, 5.0]]\noffset = [60.0, 40.0]\n"
GOOD = HEAD + MAP


def covariance(diagonal):
    return f"covariance = {np.diag(diagonal).tolist()}\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "r.toml: time: missing; needed: a text"),
        (
            HEAD,
            r"r.toml: found no map; allowed: at least one of the tables \[lattice_to_plane\], \[plane_to_camera\], \[lattice_to_camera\]",
        ),
        ("time = 2025-06-30\n" + MAP, "r.toml: time: found datetime.date.*; allowed: a text"),
        ("time = '30.6.2025'\n" + MAP, "r.toml: time: found '30.6.2025'; allowed: a time with date and zone such as 2025"),
        ("time = '2025-06-30T14:05:00'\n" + MAP, "r.toml: time: found .*; allowed: a time with date and zone"),
        ("time = ", "r.toml: not valid TOML"),
        (GOOD.replace("plane]", "plan]"), "r.toml: found no map"),
        (GOOD + "[latice_to_camera]\n", "r.toml: latice_to_camera: unknown key, .*; nearest known key: 'lattice_to_camera'"),
        (HEAD + "lattice_to_plane = 3", r"r.toml: lattice_to_plane: found 3; allowed: a table \[lattice_to_plane\]"),
        (HEAD + "[lattice_to_plane]\noffset = [1, 2]", "r.toml: lattice_to_plane.matrix: missing; needed: a list of rows of 2 numbers"),
        (GOOD.replace("[0.0, 5.0]]", "[0.0, 5.0], [1, 1]]"), "lattice_to_plane.matrix: found .*; allowed: 2 rows of 2 numbers"),
        (GOOD.replace("[0.0, 5.0]]", "[10.0, 0.0]]"), "lattice_to_plane.matrix: found .*; allowed: two rows that are not parallel"),
        (GOOD.replace("5.0", "1e-300"), "lattice_to_plane.matrix: found .*; allowed: two rows that are not parallel"),
        (GOOD.replace("[0.0, 5.0]]", "[0.0, nan]]"), "lattice_to_plane.matrix: row 2: found"),
        (GOOD.replace("offset", "ofset"), "lattice_to_plane.offset: missing; .*is 'ofset' meant to be it"),
        (GOOD.replace("[60.0, 40.0]", "[60.0]"), r"lattice_to_plane.offset: found \[60.0\]; allowed: 2 numbers"),
        (GOOD + "covariance = [[1, 0], [0, 1]]", "lattice_to_plane.covariance: row 1: found .*; allowed: a list of rows of 6 numbers"),
        (GOOD + f"covariance = {np.eye(6)[:5].tolist()}", "lattice_to_plane.covariance: found .*; allowed: 6 rows of 6 numbers"),
        (GOOD + covariance([-1.0] * 6), "lattice_to_plane.covariance: found .*; allowed: a symmetric matrix with no negative eigenvalue"),
        (GOOD + covariance([1.0] * 6).replace("[[1.0, 0.0", "[[1.0, 0.5"), "lattice_to_plane.covariance: .* allowed: a symmetric matrix"),
        (GOOD + "points = 9", "lattice_to_plane.rms_um: missing; needed: a number from 0"),
        (GOOD + "points = 9\nrms_px = 1\nlargest_px = 2", "lattice_to_plane.rms_um: missing; .*is 'rms_px' meant to be it"),
        (GOOD + "points = 0\nrms_um = 1\nlargest_um = 2", "lattice_to_plane.points: found 0; allowed: a whole number from 1"),
        (GOOD + "points = 9\nrms_um = -1\nlargest_um = 2", "lattice_to_plane.rms_um: found -1; allowed: a number from 0"),
        (GOOD + "turn = 3", "r.toml: lattice_to_plane.turn: unknown key, found 3"),
        (GOOD + "[digests]\n'frame.tiff' = 'sha256:12'", "r.toml: digests.frame.tiff: found 'sha256:12'; allowed: sha256:<64"),
        (GOOD + "[digests]\n'frame.tiff' = 12", "r.toml: digests.frame.tiff: found 12; allowed: a text"),
    ],
)
def test_bad_files_are_refused(text, message):
    with pytest.raises(InputError, match=message):
        parse_registration(text, "r.toml")


def test_the_good_file_that_the_bad_ones_start_from():
    registration = parse_registration(GOOD + covariance([1.0] * 6) + "points = 9\nrms_um = 0.1\nlargest_um = 0.2\n", "r.toml")
    assert registration.misfits == {"lattice_to_plane": Misfit(9, 0.1, 0.2)}
    np.testing.assert_array_equal(registration.lattice_to_plane.errors(), np.ones(6))


@given(st.integers(2, 40), st.integers(1, 3), st.integers(0, 2**32 - 1))
def test_the_closest_pair_is_that_of_all_distances(count, dimensions, seed):
    points = np.random.default_rng(seed).integers(0, 6, (count, dimensions)).astype(float)  # on few places, so that there are twins
    first, second, distance = closest_pair(points)
    apart = np.linalg.norm(points[:, None] - points, axis=2) + np.where(np.eye(count), np.inf, 0)
    assert first != second
    assert distance == apart[first, second] == apart.min()
