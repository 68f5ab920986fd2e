"""The twin against what optics and statistics say of it, and against the plain sum over the panel."""

from __future__ import annotations

import json

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from scipy.ndimage import gaussian_filter1d

from holo.affine import affine_of, fit_affine
from holo.bench import demo_bench_text
from holo.cli import main
from holo.errors import InputError
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.frames import read_frame
from holo.mask import levels_of_phase
from holo.twin import blur_weights, parse_twin, read_twin, twin_text

CAMERA = {"columns": 160, "rows": 128, "pixel_um": 6.0, "magnification": 40.0, "bits": 16}  # 0.15 um a pixel, 24 x 19.2 um
FINE = {"camera": CAMERA, "panel__levels": 65536, "panel__level_for_2pi": 60000, "panel__fill_factor": 0.1}
TURNED = {"rotation_deg": 33.0, "shear": 0.02, "mirror": True, "scale": 1.03, "offset_px": [6.3, -4.8]}


@pytest.fixture
def make(tmp_path, small_bench_text):
    """Function that makes a twin of the small bench: ``make(seed=3, bench=changes, panel={...})``."""

    def twin(*, seed=3, bench=FINE, **tables):
        (tmp_path / "bench.toml").write_text(small_bench_text(**bench))
        lines = ['bench = "bench.toml"', f"seed = {seed}"]
        for name, table in tables.items():
            lines += [f"[{name}]", *(f"{key} = {json.dumps(value)}" for key, value in table.items())]
        (tmp_path / "twin.toml").write_text("\n".join(lines))
        return read_twin(tmp_path / "twin.toml")

    return twin


def sent_to(twin, *places_um):
    """Levels of a mask that sends the light to some places, by superposing their waves."""
    path = light_path(twin.bench)
    waves = sum(np.exp(1j * (path.scale * (path.x_um * x + path.y_um[:, None] * y) + n**2)) for n, (x, y) in enumerate(places_um))
    return levels_of_phase(np.angle(waves), twin.bench.panel)


def centroid(picture, near, sigma=4.0):
    """Place of a symmetric spot: the centroid under a Gaussian that moves along with it."""
    row, column = np.indices(picture.shape)
    place = np.array(near, float)
    for _ in range(60):
        weight = picture * np.exp(-((column - place[0]) ** 2 + (row - place[1]) ** 2) / (2 * sigma**2))
        found = np.array([(weight * column).sum(), (weight * row).sum()]) / weight.sum()
        place = place + 1.5 * (found - place)
    return place


def pixel_means(intensity, affine, pixels):
    """Mean of an intensity over camera pixels, by Gauss-Legendre quadrature of degree 5 per axis over their area."""
    node, weight = np.polynomial.legendre.leggauss(3)
    across, down = np.meshgrid(node / 2, node / 2)
    points = np.asarray(pixels)[:, None] + np.stack([across.ravel(), down.ravel()], axis=-1)
    places_um = (points.reshape(-1, 2) - affine.offset) @ np.linalg.inv(affine.matrix).T
    return intensity(places_um).reshape(len(pixels), -1) @ (np.outer(weight, weight).ravel() / 4)


# ---------------------------------------------------------------------------------------------------------------------
# where things are


@pytest.mark.parametrize(
    "camera_map",
    [
        {},
        {"mirror": True},
        {"rotation_deg": 90.0, "offset_px": [3.25, -7.5]},
        {"rotation_deg": -140.0, "shear": -0.02, "mirror": True, "scale": 0.95, "offset_px": [-5.0, 9.0], "distortion": 2e-3},
        TURNED,
    ],
)
def test_a_spot_is_seen_where_the_map_says(make, camera_map):
    twin = make(camera_map=camera_map)
    turn, pixels_per_um = np.radians(camera_map.get("rotation_deg", 0)), 40 / 6 * camera_map.get("scale", 1)
    for x, y in [(4.0, 2.0), (-5.0, 3.5), (1.0, -6.0)]:
        u, v = (-x if camera_map.get("mirror") else x), y
        u = u + camera_map.get("shear", 0) * v
        seen = pixels_per_um * np.array([np.cos(turn) * u - np.sin(turn) * v, np.sin(turn) * u + np.cos(turn) * v])
        seen *= 1 + camera_map.get("distortion", 0) * (seen @ seen) / (80**2 + 64**2)
        seen += np.array([79.5, 63.5]) + camera_map.get("offset_px", [0, 0])
        assert np.abs(twin.to_camera([[x, y]])[0] - seen).max() < 1e-9
        assert np.abs(centroid(twin.picture(sent_to(twin, (x, y))), seen) - seen).max() < 0.01


def test_camera_and_plane_are_each_others_inverse(make):
    twin = make(camera_map={**TURNED, "distortion": -0.02})
    corners = np.array([[0, 0], [159, 0], [80, 40], [159, 127]])
    assert np.abs(twin.to_camera(twin.from_camera(corners)) - corners).max() < 1e-4


def test_the_undiffracted_spot_lies_on_the_axis(make):
    twin = make(camera_map=TURNED, panel={"undiffracted": 0.5})
    picture = twin.picture(sent_to(twin, (5.0, 3.0)))
    axis = np.array([79.5 + 6.3, 63.5 - 4.8])
    assert np.abs(centroid(picture, axis) - axis).max() < 0.02  # the rings of the other spot pull at it
    there, here = (picture[tuple(np.rint(place[::-1]).astype(int))] for place in (axis, twin.to_camera([[5.0, 3.0]])[0]))
    assert there / here == pytest.approx(1, rel=0.05)  # pixels do not lie on the peaks


def test_the_true_lattice(make):
    twin = make(lattice={"rotation_deg": 10.0, "stretch": 1.1, "offset_sites": [0.25, -1.0]})
    turned = 3.3 * np.array([[np.cos(np.radians(10)), np.sin(np.radians(10))], [-np.sin(np.radians(10)), np.cos(np.radians(10))]])
    truth = twin.lattice_to_plane()
    assert np.allclose(truth.matrix.T, turned)
    assert np.allclose(truth.offset, np.array([6.0, 4.0]) + 0.25 * turned[0] - turned[1])
    assert np.allclose(make(lattice={"shear": 0.1}).lattice_to_plane().matrix, [[3.0, 0.3], [0.0, 3.0]])


def test_the_lattice_walks_at_random(make):
    twin = make(lattice={"drift_sites_per_step": 0.02})
    start = twin.lattice_to_plane(0)
    assert np.allclose(start.offset, affine_of(twin.bench.lattice).offset)
    steps = np.diff([twin.lattice_to_plane(step).offset / 3.0 for step in range(800)], axis=0)
    assert steps.std() == pytest.approx(0.02, rel=5 / np.sqrt(2 * steps.size))
    assert abs(np.corrcoef(steps[1:, 0], steps[:-1, 0])[0, 1]) < 4 / np.sqrt(len(steps))
    assert np.array_equal(twin.lattice_to_plane(700).matrix, start.matrix)


# ---------------------------------------------------------------------------------------------------------------------
# the light


def test_the_picture_is_the_plain_sum_averaged_over_each_pixel(make):
    """The camera's whole way against the direct sum: the error of grid, spline and margin stays below a thousandth of the peak."""
    twin = make(
        bench={**FINE, "panel__fill_factor": 0.9, "optics__aberration": {"6": 0.05}},
        camera_map=TURNED,
        aberration={"6": 0.03, "7": -0.06},
        beam={"shift_mm": [0.05, -0.03], "size": 0.9, "lumpiness": 0.2},
        panel={"ghost": 0.1, "ghost_um": [1.7, -0.6]},
    )
    corner_um = twin.from_camera([[2.0, 125.0]])[0]
    levels = sent_to(twin, (4.0, 2.0), (-5.0, 3.5), (1.0, -6.0), tuple(corner_um), (-1.0, 0.5))
    path, phase = light_path(twin.hidden), twin.phase(levels)
    assert dict(twin.hidden.optics.aberration) == pytest.approx({6: 0.08, 7: -0.06})

    def intensity(places_um):
        main, ghost = (np.abs(direct_fields(path, phase, np.pad(at, ((0, 0), (0, 1))))) ** 2 for at in (places_um, places_um - [1.7, -0.6]))
        return main + 0.1 * ghost

    picture = twin.picture(levels)
    row, column = np.unravel_index(np.argsort(picture, axis=None)[-600::20], picture.shape)
    pixels = np.array(
        [
            *zip(column, row, strict=True),
            (0, 0),
            (159, 0),
            (0, 127),
            (159, 127),
            (0, 60),
            *np.random.default_rng(0).integers(0, 128, (60, 2)),
        ]
    )
    expected = pixel_means(intensity, twin.plane_to_camera, pixels)
    found = picture[pixels[:, 1], pixels[:, 0]]
    assert np.abs(found - expected).max() < 1e-3 * picture.max()
    assert np.abs(found - expected).max() > 1e-7 * picture.max()  # not the same computation twice


@pytest.mark.parametrize("degrees", [0.0, 30.0])
def test_the_picture_is_right_up_to_the_edges_of_the_frame(make, degrees):
    twin = make(camera_map={"rotation_deg": degrees})
    edges = np.array([[0, 0], [0, 60], [80, 0], [159, 127], [1, 62], [79, 1], [159, 90], [3, 127]])
    path, levels = light_path(twin.bench), sent_to(twin, *twin.from_camera(edges[:4]))
    phase = 2 * np.pi * levels / 60000
    expected = pixel_means(lambda at: np.abs(direct_fields(path, phase, np.pad(at, ((0, 0), (0, 1))))) ** 2, twin.plane_to_camera, edges)
    picture = twin.picture(levels)
    assert np.abs(picture[edges[:, 1], edges[:, 0]] - expected).max() < 1e-3 * picture.max()


def test_without_tables_the_twin_is_the_bench_itself(make):
    twin = make()
    nominal = light_path(twin.bench)
    levels = sent_to(twin, (4.0, 2.0), (-5.0, 3.5))
    assert np.abs(light_path(twin.hidden).amplitude - nominal.amplitude).max() < 1e-6
    pixels = np.random.default_rng(1).integers(0, 128, (40, 2))
    phase = 2 * np.pi * levels / 60000
    expected = pixel_means(
        lambda at: np.abs(direct_fields(nominal, phase, np.pad(at, ((0, 0), (0, 1))))) ** 2, twin.plane_to_camera, pixels
    )
    picture = twin.picture(levels)
    assert np.abs(picture[pixels[:, 1], pixels[:, 0]] - expected).max() < 1e-3 * picture.max()
    assert np.allclose(twin.plane_to_camera.matrix, np.eye(2) * 40 / 6)
    assert np.allclose(twin.lattice_to_camera(5).matrix, np.eye(2) * 20)


@pytest.mark.parametrize("panel", [{}, {"undiffracted": 0.3}, {"ghost": 0.05, "ghost_um": [3.0, 1.0]}])
def test_the_power_is_that_of_parsevals_theorem(make, panel):
    """Pixels that tile one period of the plane, lambda f / pitch, catch ``(lambda f / pitch)^2 sum A^2 / (sum A)^2``."""
    field = 0.7 * 4000 / 6 / 10
    camera = {**CAMERA, "columns": 240, "rows": 240, "magnification": 6.0 / (field / 240)}
    twin = make(bench={**FINE, "camera": camera}, panel=panel)
    path = light_path(twin.bench)
    expected = field**2 * (path.amplitude**2).sum() / path.amplitude_sum**2 * (1 + panel.get("ghost", 0))
    caught = (
        twin.picture(sent_to(twin, (3 * field / 96, 5 * field / 80))).sum(dtype=float) * (field / 240) ** 2
    )  # both beams orthogonal on the panel
    assert caught == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("noll", "waves"), [(5, 0.05), (8, -0.03), (11, 0.04)])
def test_small_aberrations_cost_what_marechal_says(make, noll, waves):
    """Strehl ratio ``exp(-(2 pi s)^2)`` of s waves rms over a uniform pupil (Mahajan, J. Opt. Soc. Am. 73, 860 (1983), from memory)."""
    bench = {**FINE, "light__beam_diameter_mm": 500.0}
    peaks = [
        make(bench=bench, camera_map={"scale": 6.0}, aberration=terms).picture(np.zeros((80, 96), np.uint16))
        for terms in ({}, {noll: waves})
    ]
    assert peaks[1].max() / peaks[0].max() == pytest.approx(np.exp(-((2 * np.pi * waves) ** 2)), abs=4e-3)


def test_a_ghost_is_a_displaced_copy(make):
    twin = make(panel={"ghost": 0.1, "ghost_um": [1.5, -0.75]})  # 10 columns and -5 rows
    levels = sent_to(twin, (4.0, 2.0), (-5.0, 3.5))
    main, both = make().picture(levels), twin.picture(levels)
    assert np.abs((both - main)[20:-20, 20:-20] - 0.1 * main[25:-15, 10:-30]).max() < 1e-3 * 0.1 * main.max()


# ---------------------------------------------------------------------------------------------------------------------
# the panel


@pytest.mark.parametrize("sigma", [0.2, 0.7, 2.0])
def test_crosstalk_is_a_blur_averaged_over_pixels(sigma):
    """Against the same thing on a grid 101 times as fine."""
    phase, fine = np.random.default_rng(0).uniform(0, 6, 60), 101
    blurred = gaussian_filter1d(np.repeat(phase, fine), sigma * fine, truncate=8).reshape(60, fine).mean(axis=1)
    weights = blur_weights(sigma)
    inside = slice(12, -12)
    assert np.abs(np.convolve(phase, weights, "same") - blurred)[inside].max() < 1e-3
    assert weights.sum() == pytest.approx(1)


def test_crosstalk_blurs_the_phase_before_it_is_wrapped(make):
    twin = make(panel={"crosstalk_px": 0.5})
    levels = np.zeros((80, 96), np.uint16)
    levels[:, 48:] = 60000  # 2 pi: the same light, but a slope between
    phase = twin.phase(levels)
    beside = blur_weights(0.5)[4:].sum() * 2 * np.pi
    assert phase[40, 47] == pytest.approx(beside, rel=1e-4)
    assert phase[40, 48] == pytest.approx(2 * np.pi - beside, rel=1e-4)
    assert np.allclose(phase[:, :40], 0)
    upright = np.zeros((80, 96), np.uint16)
    upright[48:] = 60000
    assert np.array_equal(twin.phase(upright)[:, 20], phase[20, :80])


def test_the_response_has_errors_of_gain_and_curvature(make):
    twin = make(panel={"response_gain": 0.04, "response_quadratic": -0.1})
    for level in (0, 15000, 45000):
        known = 2 * np.pi * level / 60000
        assert twin.phase(np.full((80, 96), level, np.uint16))[3, 4] == pytest.approx(known * (1.04 - 0.1 * level / 60000), rel=1e-5)


def test_flatness_is_not_blurred(make, tmp_path):
    flatness = np.random.default_rng(0).normal(size=(80, 96)).astype(np.float32)
    tifffile.imwrite(tmp_path / "flat.tiff", flatness)
    twin = make(bench={**FINE, "panel__flatness_tiff": "flat.tiff"}, panel={"crosstalk_px": 1.0})
    assert np.abs(twin.phase(np.zeros((80, 96), np.uint16)) - flatness).max() < 1e-6


def test_flicker_scales_the_phase_of_a_shot(make):
    levels = sent_to(make(), (4.0, 2.0))
    scaled = make(panel={"crosstalk_px": 0.4}).picture(levels, 1.05)
    gained = make(panel={"crosstalk_px": 0.4, "response_gain": 0.05}).picture(levels)
    assert np.abs(scaled - gained).max() < 1e-4 * gained.max()
    sensor = {"electrons_at_peak": 1e6, "electrons_per_count": 30.0, "shots": 12}
    still, flickering = (make(panel={"flicker": rms}, sensor=sensor).show(levels).astype(float) for rms in (0.0, 0.1))
    assert still.max(axis=(1, 2)).std() < 3 * np.sqrt(1e6) / 30
    axis = np.s_[:, 63:65, 79:81]  # light that a phase off by e puts on the axis: about e^2 of the power
    assert flickering[axis].mean(axis=(1, 2)).max() > 10 * still[axis].mean()
    assert flickering[axis].mean(axis=(1, 2)).std() > 3 * still[axis].mean()


def test_the_beam_is_moved_and_lumpy(make):
    moved = light_path(make(beam={"shift_mm": [0.1, -0.05], "size": 0.8}).hidden)
    x, y = moved.x_um[None, :] - 100, moved.y_um[:, None] + 50
    expected = np.exp(-(x**2 + y**2) / (0.8 * 360) ** 2) * moved.pupil
    assert np.abs(moved.amplitude - expected).max() < 1e-6
    plain, lumpy, other = (
        light_path(make(seed=seed, beam={"lumpiness": rms}).hidden).amplitude[moved.pupil] for seed, rms in ((3, 0.0), (3, 0.2), (4, 0.2))
    )
    assert 0.1 < np.log((lumpy / plain) ** 2).std() < 0.3
    assert not np.allclose(lumpy, other)


# ---------------------------------------------------------------------------------------------------------------------
# the sensor


def test_variance_follows_the_mean_as_photon_transfer_has_it(make):
    """Variance = mean / gain + (read noise / gain)^2 + 1/12, in counts (Janesick, Photon Transfer, ch. 5, from memory)."""
    twin = make(
        sensor={"electrons_at_peak": 4000.0, "electrons_per_count": 2.0, "read_noise_electrons": 6.0, "offset_counts": 50.0, "shots": 60}
    )
    stack = twin.show(sent_to(twin, *[(x, y) for x in (-6.0, 0.0, 6.0) for y in (-4.0, 4.0)])).astype(float)
    mean, variance = stack.mean(axis=0).ravel() - 50, stack.var(axis=0, ddof=1).ravel()
    weight = 1 / (mean.clip(0) / 2 + 9)
    slope, floor = np.linalg.lstsq(np.column_stack([mean, np.ones_like(mean)]) * weight[:, None], variance * weight, rcond=None)[0]
    assert slope == pytest.approx(1 / 2, rel=0.03)
    assert floor == pytest.approx((6 / 2) ** 2 + 1 / 12, rel=0.02)


def test_the_exposure_leaves_the_undiffracted_spot_out(make):
    bench = {**FINE, "camera": {**CAMERA, "bits": 12}}
    twin = make(
        bench=bench, panel={"undiffracted": 0.7}, sensor={"electrons_at_peak": 20000.0, "electrons_per_count": 8.0, "offset_counts": 100.0}
    )
    frame = twin.show(sent_to(twin, (5.0, 3.0)))[0]
    row, column = np.indices(frame.shape)
    axis = np.hypot(column - 79.5, row - 63.5) * 0.15  # um
    assert frame[axis > 3].max() == pytest.approx(100 + 20000 / 8, abs=6 * np.sqrt(20000) / 8)
    assert frame[axis < 1].max() == 4095
    assert frame.dtype == np.uint16


def test_frames_depend_on_the_step_alone(make):
    faults = {
        "panel": {"flicker": 0.01, "undiffracted": 0.1},
        "sensor": {"shots": 2, "hot_pixels": 9},
        "beam": {"lumpiness": 0.1},
        "lattice": {"drift_sites_per_step": 0.1},
    }
    one, other = make(**faults), make(**faults)
    levels = sent_to(one, (5.0, 3.0))
    seventh, atoms = one.show(levels, 7), one.atoms(4)
    other.show(sent_to(one, (1.0, 3.0)), 3)
    other.atoms(1)
    assert np.array_equal(other.atoms(4), atoms)
    assert np.array_equal(other.show(levels, 7), seventh)
    assert not np.array_equal(other.show(levels, 8), seventh)
    assert not np.array_equal(make(seed=5, **faults).show(levels, 7), seventh)
    assert seventh.shape == (2, 128, 160)
    assert not np.array_equal(*seventh)


def test_hot_pixels_stay_where_they_are(make):
    twin = make(atoms={"filling": 0.0}, sensor={"hot_pixels": 25})
    first, second = twin.atoms(0)[0], twin.atoms(1)[0]
    assert np.count_nonzero(first) == 25
    assert np.array_equal(first > 0, second > 0)
    assert first.max() == 65535


def test_corners_get_less_light(make):
    frame = make(atoms={"filling": 0.0, "background_electrons": 20000.0}, sensor={"vignetting": 0.3}).atoms()[0]
    assert frame[:3, :3].mean() / frame[60:68, 76:84].mean() == pytest.approx(0.7, abs=0.02)


# ---------------------------------------------------------------------------------------------------------------------
# atoms


def test_an_atom_is_seen_where_the_truth_says(make):
    lattice = {"rotation_deg": 3.0, "offset_sites": [0.3, -0.2], "drift_sites_per_step": 0.1, "chromatic_px": [3.0, -2.0]}
    atoms = {"filling": 1.0, "region": [1, 1], "electrons": 1e6, "spot_sigma_um": 0.3}
    twin = make(camera_map=TURNED, lattice=lattice, atoms=atoms, sensor={"electrons_per_count": 4.0})
    for step in (0, 5):
        (frame,) = twin.atoms(step).astype(float)
        truth = twin.lattice_to_camera(step).apply(twin.occupied(step))
        shifted = twin.plane_to_camera.apply(twin.lattice_to_plane(step).apply(twin.occupied(step))) + [3.0, -2.0]
        assert np.allclose(truth, shifted)
        row, column = np.indices(frame.shape)
        found = np.array([(frame * column).sum(), (frame * row).sum()]) / frame.sum()
        sigma = 0.3 * 40 / 6 * 1.03
        assert np.abs(found - truth[0]).max() < 5 * sigma / 1e3  # electrons at random: sigma over the root of their number
        assert frame.sum() == pytest.approx(1e6 / 4, rel=6e-3)
        assert (frame * (column - found[0]) ** 2).sum() / frame.sum() == pytest.approx(sigma**2 + 1 / 12, rel=0.02)


def test_atoms_fill_sites_at_random(make):
    twin = make(atoms={"filling": 0.3, "region": [40, 30], "centre": [2, -1]})
    first, second = twin.occupied(0), twin.occupied(1)
    assert len(first) == pytest.approx(360, abs=5 * np.sqrt(1200 * 0.3 * 0.7))
    assert first.min(axis=0).tolist() == [-18, -16]
    assert first.max(axis=0).tolist() == [21, 13]
    assert not np.array_equal(first, second)
    assert len(make(atoms={"filling": 1.0, "region": [40, 30]}).occupied(0)) == 1200


def test_atoms_lie_around_what_the_middle_of_the_camera_sees(make):
    twin = make(camera_map=TURNED, atoms={"filling": 1.0, "region": [3, 3]})
    middle = twin.lattice_to_camera().apply(twin.occupied().mean(axis=0))[0]
    assert np.abs(middle - [79.5, 63.5]).max() < 3 * 40 / 6 * 1.03  # within a site


# ---------------------------------------------------------------------------------------------------------------------
# files


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        (
            {"camera_map": {"rotatoin_deg": 3}},
            r"twin.toml: camera_map.rotatoin_deg: unknown key, found 3; nearest known key: 'rotation_deg'",
        ),
        ({"camera_map": {"mirror": 1}}, r"twin.toml: camera_map.mirror: found 1; allowed: true or false"),
        ({"camera_map": {"scale": 0}}, r"camera_map.scale: found 0; allowed: a number from 0.1 to 10"),
        ({"aberration": {"121": 0.1}}, r"aberration.121: found the key '121'; allowed: Noll indices from 1 to 120"),
        ({"beam": {"shift_mm": [90, 0]}}, r"beam.shift_mm: found \[90.0, 0.0\], which leaves no light inside the pupil"),
        ({"panel": {"undiffracted": 1.0}}, r"panel.undiffracted: found 1.0; allowed: a number from 0 to 0.9"),
        ({"panel": {"gohst": 1.0}}, r"panel.gohst: unknown key"),
        ({"sensor": {"shots": 0}}, r"sensor.shots: found 0; allowed: a whole number from 1 to 3276"),
        ({"lattice": {"stretch": 0.1}}, r"lattice.stretch: found 0.1; allowed: a number from 0.5 to 2"),
        ({"atoms": {"region": [0, 3]}}, r"atoms.region: found \[0, 3\]; allowed: 2 whole numbers from 1 to 500"),
        ({"atom": {"filling": 1.0}}, r"twin.toml: atom: unknown key"),
    ],
)
def test_a_twin_file_is_read_strictly(make, tables, message):
    with pytest.raises(InputError, match=message):
        make(**tables)


def test_a_twin_needs_a_bench_with_a_camera_and_a_seed(make, tmp_path):
    with pytest.raises(InputError, match=r"twin.toml: bench: found a bench without a \[camera\]"):
        make(bench={})
    make()
    with pytest.raises(InputError, match="seed: missing"):
        parse_twin('bench = "bench.toml"', tmp_path / "twin.toml")
    with pytest.raises(InputError, match=r"bench: found a camera of 160 x 128 pixels of 32 bits; allowed: .* at most 16 bits"):
        make(bench={"camera": {**CAMERA, "bits": 32}})
    with pytest.raises(InputError, match=r"twin.toml: bench: found 'none.toml', but there is no file"):
        parse_twin('bench = "none.toml"\nseed = 1', tmp_path / "twin.toml")
    with pytest.raises(InputError, match=r"twin.toml: no such file"):
        read_twin(tmp_path / "folder" / "twin.toml")


def test_a_measured_beam_cannot_be_moved(make, tmp_path):
    tifffile.imwrite(tmp_path / "beam.tiff", np.ones((80, 96), np.float32))
    bench = {**FINE, "light__beam_diameter_mm": None, "light__beam_tiff": "beam.tiff"}
    assert np.allclose(light_path(make(bench=bench).hidden).amplitude[40, 40:50], 1)
    with pytest.raises(InputError, match=r"beam.size: found 0.9; allowed: none beside the bench's beam_tiff"):
        make(bench=bench, beam={"size": 0.9})


def test_wrong_masks_and_steps_are_refused(make):
    twin = make()
    with pytest.raises(InputError, match=r"levels: found shape \(3, 4\); allowed: 80 rows by 96 columns"):
        twin.show(np.zeros((3, 4), np.uint8))
    with pytest.raises(InputError, match="levels: found numbers of type float64; allowed: whole numbers"):
        twin.show(np.zeros((80, 96)))
    with pytest.raises(InputError, match="step: found -1; allowed: from 0 to 1000000"):
        twin.show(np.zeros((80, 96), np.uint16), -1)
    with pytest.raises(InputError, match=r"camera: found a view of .* um; allowed: up to"):
        make(bench={**FINE, "camera": {**CAMERA, "magnification": 0.1}}).show(np.zeros((80, 96), np.uint16))


def test_random_twins_are_as_bad_as_real_benches(tmp_path):
    (tmp_path / "bench.toml").write_text(demo_bench_text())
    twins = [parse_twin(twin_text("bench.toml", np.random.default_rng(seed)), tmp_path / "twin.toml") for seed in range(6)]
    grid = np.stack(np.meshgrid(np.linspace(0, 1199, 13), np.linspace(0, 899, 10)), axis=-1).reshape(-1, 2)
    for twin in twins:
        places_um = twin.from_camera(grid)
        assert fit_affine(places_um, grid).largest < 0.1  # what the distortion leaves
        assert np.abs(twin.plane_to_camera.offset - [599.5, 449.5]).max() < 120
        assert np.sqrt(sum(waves**2 for _, waves in twin.hidden.optics.aberration)) == pytest.approx(0.1, abs=1e-4)
        assert ((twin.to_camera(twin.lattice_to_plane().apply(twin.occupied())) - [599.5, 449.5]) < [600, 450]).all()
    assert {bool(np.linalg.det(twin.plane_to_camera.matrix) < 0) for twin in twins} == {True, False}
    assert len({twin.seed for twin in twins}) == 6


# ---------------------------------------------------------------------------------------------------------------------
# commands


def holo_(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args], catch_exceptions=False)


@pytest.fixture(scope="module")
def starter(tmp_path_factory):
    folder = tmp_path_factory.mktemp("starter") / "new"
    run = holo_("new", folder, "--twin", "--seed", 5, "--json")
    assert run.exit_code == 0, run.stderr
    return folder, json.loads(run.stdout)


def test_new_writes_a_twin_and_frames_of_its_atoms(starter):
    folder, printed = starter
    assert printed["twin"] == str(folder / "twin.toml")
    assert printed["atoms"] == [str(folder / f"atoms-00{step}.tiff") for step in range(3)]
    twin = read_twin(folder / "twin.toml")
    for step in range(3):
        assert np.array_equal(read_frame(folder / f"atoms-00{step}.tiff"), twin.atoms(step))
    assert {path.name for path in folder.iterdir()} == {
        "bench.toml",
        "patterns",
        "ring.toml",
        "twin.toml",
        "tutorial.md",
        "troubleshooting.md",
        *(f"atoms-00{step}.tiff" for step in range(3)),
    }
    assert not (set(printed["arrangements"]) & {"twin", "atoms-000"})


def test_new_replaces_nothing(tmp_path):
    (tmp_path / "atoms-001.tiff").write_bytes(b"mine")
    run = holo_("new", tmp_path, "--twin")
    assert run.exit_code == 2
    assert "atoms-001.tiff: exists already" in run.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["atoms-001.tiff"]


def test_the_command_takes_frames(starter, tmp_path, demo_bench):
    folder, _ = starter
    run = holo_("twin", "--atoms", "-o", tmp_path / "frame.tiff", "--twin", folder / "twin.toml", "--step", 2, "--json")
    assert run.exit_code == 0, run.stderr
    assert json.loads(run.stdout)["columns"] == 1200
    assert (tmp_path / "frame.tiff").read_bytes() == (folder / "atoms-002.tiff").read_bytes()
    run = holo_("twin", "--atoms", "-o", tmp_path / "frame.tiff", "--twin", folder / "twin.toml")
    assert run.exit_code == 2
    assert "exists already" in run.stderr


def test_the_command_shows_a_mask(make, tmp_path, monkeypatch):
    twin = make(bench={"camera": CAMERA}, panel={"undiffracted": 0.1})
    monkeypatch.chdir(tmp_path)
    (tmp_path / "one.toml").write_text('title = "one"\n[[add]]\nsites = [[-1, -1]]\n')
    assert holo_("design", "one.toml", "--bench", "bench.toml", "-o", "mask.tiff").exit_code == 0
    assert holo_("twin", "mask.tiff", "-o", "frame.tiff", "--step", "4").exit_code == 0
    levels = tifffile.imread("mask.tiff", key=0)
    assert np.array_equal(read_frame("frame.tiff"), twin.show(levels, 4))


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["-o", "f.tiff"], "found neither; allowed: one of MASK and --atoms"),
        (["mask.tiff", "--atoms", "-o", "f.tiff"], "found both; allowed: one of MASK and --atoms"),
        (["--atoms", "-o", "f.png"], "allowed: a name that ends in .tiff or .tif"),
        (["--atoms", "-o", "f.tiff"], "twin.toml: no such file"),
        (["--atoms", "-o", "f.tiff", "--step", "-3"], "-3 is not in the range"),
    ],
)
def test_wrong_use_of_the_command(tmp_path, monkeypatch, args, message):
    monkeypatch.chdir(tmp_path)
    run = holo_("twin", *args)
    assert run.exit_code == 2
    assert message in run.stderr
    assert not list(tmp_path.iterdir())
