"""Continuous targets: their files, their places in um and in lattice units, and what bad files are told."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image

from holo.affine import Affine
from holo.arrangement import arrangement_files, from_sites, parse_arrangement, read_arrangement
from holo.errors import InputError
from holo.files import digest
from holo.lattice import Lattice, named_lattice
from holo.registration import Registration, place_continuous
from holo.smooth import Part, Smooth, place_smooth

LATTICE = Lattice([[5.0, 0.0], [0.0, 5.0]], [60.0, 40.0])
TIME = "2025-06-30T14:05:00+02:00"


def read(text, folder=None):
    return parse_arrangement(text, (folder / "a.toml") if folder else "a.toml", LATTICE)


def placed(text, lattice=LATTICE, registration=None, folder=None):
    return place_continuous(read(text, folder), lattice, registration)


def at(light, *points, soft=0.0):
    x, y = np.array(points, float).T
    return light.intensity(x, y, soft).round(6).tolist()


def test_an_arrangement_needs_no_sites_beside_continuous_light():
    found = read("[smooth]\nbox = [30, 20]\nat = [70, 50]\npower = 0.6\n")
    assert len(found) == 0
    assert found.smooth.power == 0.6
    assert found.smooth.add[0].numbers == {"width": 30.0, "height": 20.0}
    light = place_continuous(found, LATTICE)
    assert at(light, (70, 50), (84, 59), (86, 50), (70, 61)) == [1, 1, 0, 0]
    assert light.box_um(0.0) == pytest.approx((55, 85, 40, 60))
    assert light.box_um(2.0) == pytest.approx((53, 87, 38, 62))


def test_sites_and_continuous_light():
    found = read("[[add]]\nblock = [2, 2]\n[smooth]\ndisc = 9\n[dark]\nmargin = 1\n")
    assert len(found.bright) == 4
    assert found.smooth is not None
    assert found.shifted(1, 0).smooth is found.smooth
    assert (found | from_sites([[9, 9]])).smooth is found.smooth
    assert (from_sites([[9, 9]]) | found).smooth is found.smooth


def test_sums_products_holes_and_factors():
    light = placed(
        """
        [smooth]
        [[smooth.add]]
        box = [20, 20]
        target = 0.5
        [[smooth.add]]
        disc = 3
        at = [5, 0]
        [[smooth.times]]
        ramp = [1.0, 3.0]
        length = 10
        [[smooth.times]]
        wall = [40, 2]
        inverse = true
        """
    )
    # at (0, 5): box alone, ramp 2; at (5, 2): box and disc, ramp 3; at (0, 0): in the wall; at (20, 5): nothing
    assert at(light, (0, 5), (5, 2), (0, 0), (20, 5)) == [1.0, 4.5, 0.0, 0.0]


def test_angles_turn_from_x_to_y():
    light = placed("[smooth]\nbox = [20, 2]\nangle_deg = 30\n")
    along = np.array([np.cos(np.pi / 6), np.sin(np.pi / 6)])
    assert at(light, 9 * along, 9 * along * [1, -1]) == [1, 0]


def test_lattice_units_follow_the_registration():
    """A turned and shifted lattice takes the light along; lengths count its spacing."""
    text = '[smooth]\nunit = "lattice"\nbox = [4, 2]\nat = [3, 1]\n'
    assert at(placed(text), (75, 45), (84, 49), (75, 51)) == [1, 1, 0]
    angle = np.deg2rad(20)
    matrix = 6.0 * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    light = placed(text, registration=Registration(Affine(matrix, [10.0, -20.0]), time=TIME))
    corners = [(3, 1), (4.9, 1.9), (4.9, 2.1), (5.1, 1.0)]
    assert at(light, *(matrix @ corner + [10, -20] for corner in corners)) == [1, 1, 0, 0]
    assert light.unit_um == pytest.approx(6.0)


def test_in_um_a_registration_moves_nothing():
    text = "[smooth]\nbox = [4, 2]\nat = [80, 50]\n"
    moved = Registration(Affine([[6.0, 0.0], [0.0, 6.0]], [10.0, -20.0]), time=TIME)
    assert at(placed(text, registration=moved), (80, 50)) == [1]


def test_a_mirrored_lattice_mirrors_the_light():
    mirrored = Registration(Affine([[5.0, 0.0], [0.0, -5.0]], [0.0, 0.0]), time=TIME)
    light = placed('[smooth]\nunit = "lattice"\nbox = [6, 1]\nangle_deg = 45\n', registration=mirrored)
    assert at(light, (7, -7), (7, 7)) == [1, 0]


def test_a_disc_stays_round_on_a_triangular_lattice():
    lattice = named_lattice("triangular", 5.0)
    light = place_continuous(read('[smooth]\nunit = "lattice"\ndisc = 2\n'), lattice)
    around = np.linspace(0, 2 * np.pi, 25)
    assert at(light, *(9.8 * np.column_stack([np.cos(around), np.sin(around)]))) == [1] * 25
    assert at(light, *(10.2 * np.column_stack([np.cos(around), np.sin(around)]))) == [0] * 25


def test_images_and_arrays(tmp_path):
    grey = np.zeros((4, 6), np.uint8)
    grey[0] = 255
    Image.fromarray(grey).save(tmp_path / "top.png")
    np.save(tmp_path / "right.npy", np.repeat([[0.0, 2.0]], 2, axis=0))
    text = '[smooth]\n[[smooth.add]]\nimage = "top.png"\nsize = [12, 8]\nedge = 0\n'
    text += '[[smooth.add]]\narray = "right.npy"\nsize = [4, 4]\nat = [50, 0]\nedge = 0\n'
    light = placed(text, folder=tmp_path)
    assert at(light, (0, -3.5), (0, 1), (49.0, 0), (51.0, 0), (51.9, 0), (52.1, 0)) == [1, 0, 0, 2, 2, 0]
    assert arrangement_files(text, tmp_path / "a.toml") == {name: digest(tmp_path / name) for name in ("top.png", "right.npy")}


def test_an_image_is_blurred_to_the_edge_that_is_asked_for(tmp_path):
    np.save(tmp_path / "full.npy", np.ones((50, 50)))
    light = placed('[smooth]\narray = "full.npy"\nsize = [20, 20]\nedge = 2\n', folder=tmp_path)
    assert at(light, (9, 0), (10, 0), (11, 0)) == pytest.approx([0.92135, 0.5, 0.07865], abs=5e-3)
    assert light.box_um(0.0) == (-12, 12, -12, 12)


def test_speckle_is_that_of_its_seed():
    text = "[smooth]\nspeckle = 2.0\nsize = [40, 30]\n"
    one, same, other = (placed(text + more) for more in ("", "seed = 0\n", "seed = 1\n"))
    points = np.random.default_rng(0).uniform(-14, 14, (500, 2))
    assert at(one, *points) == at(same, *points)
    assert at(one, *points) != at(other, *points)
    assert np.mean(at(one, *points)) == pytest.approx(1, abs=0.3)


def test_moved_by_nudges():
    light = placed("[smooth]\nbox = [4, 2]\nat = [80, 50]\nz_um = 3\n").moved(-10, 5, 2)
    assert at(light, (70, 55), (80, 50)) == [1, 0]
    assert light.z_um == 5


def test_what_a_record_has_of_it_is_the_same_target():
    smooth = Smooth(
        (Part("ring", {"inner": 2, "outer": 5}, at=(1.5, 2), edge=0.5), Part("array", {"width": 3, "height": 2}, values=np.eye(3))),
        (Part("wall", {"length": 4, "thickness": 1, "gap": 0.5}, inverse=True, angle_deg=30),),
        unit="lattice",
        power=0.3,
        margin=2.0,
    )
    again = Smooth.read(json.loads(json.dumps(smooth.recorded())))
    assert again.recorded() == smooth.recorded()
    points = np.random.default_rng(1).uniform(-20, 30, (400, 2))
    to_plane = Affine([[5, 0], [0, 5]], [0, 0])
    assert at(place_smooth(again, to_plane, 5.0), *points, soft=1.0) == at(place_smooth(smooth, to_plane, 5.0), *points, soft=1.0)


B = "[smooth]\nbox = [3, 3]\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[smooth]", "a.toml: smooth: add: found no part; allowed: one or more"),
        ("smooth = 3", r"a.toml: smooth: found 3; allowed: a table \[smooth\]"),
        (B + "disc = 3", "a.toml: smooth: found box and disc of the shapes; allowed: exactly one of box, disc"),
        (B + "boxx = 3", "a.toml: smooth.boxx: unknown key, found 3; nearest known key: 'box'"),
        (B + "power = 1.0", "a.toml: smooth.power: found 1.0; allowed: a number from 0.001 to 0.99"),
        (B + 'unit = "mm"', "a.toml: smooth.unit: found 'mm'; allowed: one of um, lattice"),
        (B + "power = 0.9\nsites_power = 0.2", r"a.toml: smooth: power and sites_power: found 1.1 together; allowed: up to 0.99"),
        ("[smooth]\nbox = [3, 0]", r"a.toml: smooth.box: found \[3, 0\]; allowed: 2 numbers above 0"),
        ("[smooth]\nbox = 3", r"a.toml: smooth.box: found 3; allowed: 2 numbers"),
        ("[smooth]\nring = [5, 2]", r"a.toml: smooth.ring: found \[5, 2\]; allowed: \[inner, outer\], inner below outer"),
        ("[smooth]\nwall = [5, 2]\ngap = 6", "a.toml: smooth.gap: found 6; allowed: a number from 0 to 5"),
        ("[smooth]\nramp = [0, 1]\nlength = 3", "a.toml: smooth: add: found a ramp without an end; allowed: parts with one"),
        (B + "inverse = true", "a.toml: smooth: add: found a box without an end"),
        (B + "[[smooth.times]]\nramp = [0, 1]", r"a.toml: smooth.times\[1\].length: missing"),
        (B + "[[smooth.times]]\nbowl = [1, 1]", r"a.toml: smooth.times\[1\].radius: missing"),
        (B + "[[smooth.times]]\nbox = [1, 1]\npower = 0.4", r"a.toml: smooth.times\[1\].power: unknown key"),
        (B + "[[smooth.add]]\nat = [1, 1]", r"a.toml: smooth.add\[1\]: found none of the shapes"),
        ("[smooth]\nimage = 'none.png'\nsize = [2, 2]", "smooth.image: found 'none.png', but there is no file"),
        ("[smooth]\nspeckle = 0.001\nsize = [90, 90]", "smooth.speckle: found 0.001; allowed: a correlation length that leaves fewer"),
        ("[smooth]\nspeckle = 1", "smooth.size: missing"),
    ],
)
def test_bad_files_are_refused(text, message):
    with pytest.raises(InputError, match=message):
        read(text)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (np.zeros((2, 2, 2)), "bad.npy: found an array of shape .2, 2, 2.; allowed: rows and columns"),
        (np.array([[1.0, -1.0]]), "bad.npy: found an array of shape .1, 2.; allowed: rows and columns of finite numbers, none below 0"),
        (np.array([["a"]]), "bad.npy: found 1 values of type <U1; allowed: at most 67108864 real numbers"),
    ],
)
def test_bad_arrays_are_refused(tmp_path, values, message):
    np.save(tmp_path / "bad.npy", values)
    with pytest.raises(InputError, match=message):
        read('[smooth]\narray = "bad.npy"\nsize = [2, 2]\n', tmp_path)
    (tmp_path / "bad.npy").write_bytes(b"no array")
    with pytest.raises(InputError, match=r"bad\.npy: not a readable NPY file"):
        read('[smooth]\narray = "bad.npy"\nsize = [2, 2]\n', tmp_path)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Part("cube", {}), "shape: found 'cube'; allowed: box, disc"),
        (lambda: Part("array", {"width": 1, "height": 1}), r"array: found values of shape \(0,\); allowed: rows and columns"),
        (lambda: Smooth((Part("disc", {"radius": 1}),), unit="px"), "unit: found 'px'; allowed: um, lattice"),
        (lambda: Smooth((Part("disc", {"radius": 1}),), power=0.0), "power: found 0; allowed: above 0, below 1"),
        (lambda: Smooth.read({"add": 3}), "smooth: found {'add': 3}; allowed: a continuous target as a record has it"),
    ],
)
def test_wrong_targets_in_python(make, message):
    with pytest.raises(InputError, match="^" + message):
        make()


def test_reading_from_a_file(tmp_path):
    (tmp_path / "a.toml").write_text(B)
    assert read_arrangement(tmp_path / "a.toml", LATTICE).smooth.unit == "um"
