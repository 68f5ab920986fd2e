"""The forward model against gratings, Airy's pattern, a double loop over pixels, and signs; figures of merit against their definitions."""

from __future__ import annotations

import cmath
import json
import math

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st

import holo.predict
from holo.bench import parse_bench
from holo.errors import InputError
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import levels_of_phase, phase_of_levels
from holo.predict import disc_rule, figures, predict
from holo.registration import Sites


def sites_at(*xyz_um, target=None):
    xyz = np.array(xyz_um, float)
    return Sites(np.zeros((len(xyz), 2)), xyz, np.ones(len(xyz)) if target is None else np.array(target, float))


@pytest.fixture
def grating_bench(small_bench_text):
    """Function that makes a bench for gratings: pixels of 1 um without gaps, evenly lit, the whole panel inside the pupil."""

    def make(columns, level_for_2pi=65536.0, levels=65536, fill_factor=1.0, rows=16):
        changes = {"panel__columns": columns, "panel__rows": rows, "panel__pitch_um": 1.0, "panel__levels": levels}
        changes |= {"panel__level_for_2pi": level_for_2pi, "panel__fill_factor": fill_factor, "light__beam_diameter_mm": 1000.0}
        return parse_bench(small_bench_text(**changes, optics__relay_magnification=0.5), "bench.toml")

    return make


def orders(bench, phase_or_levels, numbers, period):
    """Intensities of the orders of a grating along x with a period in pixels."""
    levels = phase_or_levels if phase_or_levels.dtype.kind == "u" else levels_of_phase(phase_or_levels, bench.panel)
    return predict(bench, levels, sites_at(*((m * bench.field_um / period, 0, 0) for m in numbers))).intensity


def ramp(bench, period, depth=1.0):
    """Saw tooth of `depth` turns along x."""
    columns = (np.arange(bench.panel.columns) + 0.5) / period
    return np.tile(2 * np.pi * depth * (columns % 1), (bench.panel.rows, 1))


# ---------------------------------------------------------------------------------------------------------------------
# gratings


@pytest.mark.parametrize(
    ("steps", "expected"), [(2, 0.405285), (3, 0.683918), (4, 0.810569), (8, 0.949641), (16, 0.987215), (64, 0.999197), (256, 0.999950)]
)
def test_blaze_of_l_levels(grating_bench, steps, expected):
    """First order sinc^2(1/L): Swanson, Binary optics technology, MIT Lincoln Laboratory TR-854 (1989)."""
    bench = grating_bench(4 * steps, steps, 256)
    assert orders(bench, ramp(bench, 2 * steps), [1], 2 * steps)[0] == pytest.approx(expected, abs=1e-6)


def test_binary_phase_grating(grating_bench):
    """Orders of a half-and-half grating of depth pi and of any depth: Goodman, Introduction to Fourier Optics, section 4.4.4."""
    bench = grating_bench(64)
    up = np.tile(np.arange(64) % 16 < 8, (16, 1))
    found = orders(bench, np.where(up, np.pi, 0.0), [-3, -2, -1, 0, 1, 2, 3], 16)
    assert found == pytest.approx([0.0450316, 0, 0.405285, 0, 0.405285, 0, 0.0450316], abs=1e-6)
    for depth in (0.3, 1.1, 2.5):
        found = orders(bench, np.where(up, depth, 0.0), [0, 1], 16)
        assert found == pytest.approx([np.cos(depth / 2) ** 2, (2 / np.pi) ** 2 * np.sin(depth / 2) ** 2], abs=1e-4)


@pytest.mark.parametrize(("depth", "first", "ghost"), [(0.9, 0.967531, 0.011945), (0.95, 0.991802, 0.002747), (1.05, 0.991802, 0.002249)])
def test_a_wrong_response_leaves_light_on_the_axis(grating_bench, depth, first, ghost):
    """Blaze of a wrong depth alpha: order m gets sinc^2(m - alpha) (Swanson 1989; Goodman, section 4.4.3)."""
    bench = grating_bench(2048, 50000.0 / depth)  # the panel needs this level for 2 pi ...
    levels = (ramp(bench, 1024) / (2 * np.pi) * 50000).astype(np.uint16)  # ... and is driven as if it were 50000
    found = orders(bench, levels, [0, 1], 1024)
    assert found == pytest.approx([ghost, first], abs=1e-5)
    assert predict(bench, levels, sites_at((bench.field_um / 1024, 0, 0))).undiffracted == pytest.approx(ghost, abs=1e-5)


@pytest.mark.parametrize(
    ("u", "v", "expected"),
    [
        (0.05, 0, 0.991802),
        (0.1, 0, 0.967531),
        (0.125, 0, 0.949641),
        (0.25, 0, 0.810569),
        (0, 1 / 3, 0.683918),
        (0.5, 0, 0.405285),
        (-0.5, 0.5, 0.164256),
    ],
)
def test_pixel_envelope(grating_bench, u, v, expected):
    """sinc^2 per axis, u in cycles per pixel; 0.405285 at the edge of the field (Goodman, section 2.2, transform of a square)."""
    bench = grating_bench(120, rows=96)
    x, y = np.arange(120) - 59.5, np.arange(96) - 47.5
    phase = 2 * np.pi * (u * x[None] + v * y[:, None])
    found = predict(bench, levels_of_phase(phase, bench.panel), sites_at((u * bench.field_um, v * bench.field_um, 0)))
    assert found.intensity[0] == pytest.approx(expected, abs=1e-6)


def test_rounding_to_levels_takes_sinc_squared_of_the_light(small_bench):
    """Goodman and Silvestri, IBM J. Res. Dev. 14, 478 (1970), from memory: all spots of an irregular mask lose alike."""
    rng = np.random.default_rng(5)
    points = np.column_stack([rng.uniform(-20, 20, (30, 2)), np.zeros(30)])
    efficiency = {}
    for steps, levels in ((3, 256), (5, 256), (8, 256), (65536, 65536)):
        bench = small_bench(panel__level_for_2pi=steps, panel__levels=levels)
        path = light_path(bench)
        turn = path.scale * (path.x_um[None, :, None] * points[:, 0] + path.y_um[:, None, None] * points[:, 1])
        phase = np.angle(np.exp(1j * (turn + np.arange(30) ** 2)).sum(axis=2))
        efficiency[steps] = predict(bench, levels_of_phase(phase, bench.panel), sites_at(*points), path).figures.efficiency
    for steps in (3, 5, 8):
        assert efficiency[steps] / efficiency[65536] == pytest.approx(np.sinc(1 / steps) ** 2, rel=0.02)


# ---------------------------------------------------------------------------------------------------------------------
# signs and orientation


@pytest.mark.parametrize(("x", "y", "z"), [(9.0, 0, 0), (0, 7.0, 0), (-8.0, 5.0, 0), (0, 0, 6.0), (4.0, -9.0, -5.0)])
def test_the_mask_phase_of_a_place_sends_the_light_there_and_nowhere_else(small_bench, x, y, z):
    """The project's convention: +2 pi x X / (lambda f) sends light to +X, and the defocus phase times Z to +Z."""
    bench = small_bench(panel__levels=65536, panel__level_for_2pi=65536)
    path = light_path(bench)
    phase = path.scale * (path.x_um[None] * x + path.y_um[:, None] * y) + path.defocus * z
    places = sites_at((x, y, z), (-x, -y, -z), (-x, y, z + 4.0), (y + 3.0, x, z), (x, y, -z if z else 4.0))
    here, *elsewhere = predict(bench, levels_of_phase(phase, bench.panel), places, path).intensity
    assert here == pytest.approx(path.envelope(np.array([[x, y, z]]))[0] ** 2, abs=1e-6)
    assert max(elsewhere) < 0.2


@pytest.mark.parametrize(("column", "row"), [(20, 50), (60, 15), (75, 60)])
def test_a_lens_and_a_beam_off_centre(small_bench, column, row):
    """Phase a r^2 has the slope 2 a x: a narrow beam at x > 0 (right) and y > 0 (lower rows) is sent to +X, +Y."""
    centre = [(column - 47.5) * 0.01, (row - 39.5) * 0.01]
    bench = small_bench(light__beam_diameter_mm=0.15, light__beam_centre_mm=centre, panel__levels=65536, panel__level_for_2pi=65536)
    path = light_path(bench)
    lens = 1e-4 * (path.x_um[None] ** 2 + path.y_um[:, None] ** 2)
    expected = 2e-4 * 1e3 * np.array(centre) / path.scale
    grid = np.linspace(-12, 12, 49)
    points = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2)
    light = predict(bench, levels_of_phase(lens, bench.panel), sites_at(*np.pad(points, ((0, 0), (0, 1)))), path).intensity
    assert (light @ points) / light.sum() == pytest.approx(expected, abs=0.2)
    assert np.abs(expected).min() > 1


def test_known_aberration_costs_the_strehl_ratio_unless_the_mask_takes_it_off(small_bench):
    """0.1 wave rms over an evenly lit pupil: coma 0.66942, astigmatism 0.67132, spherical 0.66639 (integrals over the unit disc)."""
    for noll, expected in ((8, 0.66942), (5, 0.67132), (11, 0.66639)):
        bench = small_bench(light__beam_diameter_mm=1000.0, optics__aberration={str(noll): 0.1})
        path = light_path(bench)
        focus = sites_at((0, 0, 0))
        assert predict(bench, np.zeros((80, 96), np.uint8), focus, path).intensity[0] == pytest.approx(expected, abs=2e-3)
        corrected = levels_of_phase(-path.aberration, bench.panel)
        assert predict(bench, corrected, focus, path).intensity[0] > 0.9998


# ---------------------------------------------------------------------------------------------------------------------
# the definition, pixel by pixel


def test_the_field_is_the_sum_over_pixels(small_bench_file, tmp_path):
    """Every feature at once on a tiny panel, summed by two loops in plain Python from the bench file's numbers."""
    rng = np.random.default_rng(7)
    beam, flatness = rng.uniform(0.2, 1, (6, 8)).astype(np.float32), rng.normal(0, 0.4, (6, 8)).astype(np.float32)
    tifffile.imwrite(tmp_path / "beam.tiff", beam)
    tifffile.imwrite(tmp_path / "flatness.tiff", flatness)
    (tmp_path / "response.csv").write_text("level,phase_rad\n255,6.9\n0,0.2\n100,2.1\n")
    path = small_bench_file(
        light__beam_diameter_mm=None,
        light__beam_tiff="beam.tiff",
        panel__columns=8,
        panel__rows=6,
        panel__level_for_2pi=None,
        panel__response_csv="response.csv",
        panel__flatness_tiff="flatness.tiff",
        optics__relay_magnification=60.0,
        optics__medium_index=1.33,
        optics__aberration={"5": 0.04, "8": -0.07},
    )
    bench = holo.bench.read_bench(path)
    levels = rng.integers(0, 256, (6, 8), dtype=np.uint8)
    points = [(0.0, 0.0, 0.0), (9.0, -3.0, 0.0), (-2.5, 14.0, 8.0), (1.0, 2.0, -3.0)]
    expected = brute_force(beam.tolist(), flatness.tolist(), levels.tolist(), points)
    found = predict(bench, levels, sites_at(*points))
    np.testing.assert_allclose(found.field, expected, atol=1e-12)
    np.testing.assert_allclose(found.intensity, np.abs(expected) ** 2, atol=1e-12)
    assert found.undiffracted == pytest.approx(abs(expected[0]) ** 2, abs=1e-12)
    inside = [beam[r, c] for r in range(6) for c in range(8) if math.hypot((c - 3.5) * 10, (r - 2.5) * 10) <= 40]
    assert found.power_in_pupil == pytest.approx(np.sum(inside, dtype=float) / beam.sum(dtype=float), rel=1e-9)


def brute_force(beam, flatness, levels, points):
    """Fields by the definition: wavelength 0.7 um, f = 4000/60 um, NA 0.6, pupil radius 40 um, index 1.33, fill factor 0.93."""
    wavelength, focal, aperture, index, side = 0.7, 4000 / 60, 0.6, 1.33, 10 * math.sqrt(0.93)
    pixels = []
    for r in range(6):
        for c in range(8):
            x, y = (c - 3.5) * 10, (r - 2.5) * 10
            rho, theta = math.hypot(x, y) / 40, math.atan2(y, x)
            if rho > 1:
                continue
            level = levels[r][c]
            made = 0.2 + (2.1 - 0.2) * level / 100 if level <= 100 else 2.1 + (6.9 - 2.1) * (level - 100) / 155
            astigmatism, coma = math.sqrt(6) * rho**2 * math.sin(2 * theta), math.sqrt(8) * (3 * rho**3 - 2 * rho) * math.cos(theta)
            aberration = 2 * math.pi * (0.04 * astigmatism - 0.07 * coma)
            depth = 2 * math.pi * index / wavelength * math.sqrt(1 - (rho * aperture / index) ** 2)
            pixels.append((x, y, math.sqrt(beam[r][c]), made + flatness[r][c] + aberration, depth))
    mean = sum(pixel[4] for pixel in pixels) / len(pixels)
    fields = []
    for px, py, pz in points:
        total = 0j
        for x, y, amplitude, phase, depth in pixels:
            turn = 2 * math.pi * (x * px + y * py) / (wavelength * focal)
            total += amplitude * cmath.exp(1j * (phase - turn - (depth - mean) * pz))
        envelope = np.sinc(px * side / (wavelength * focal)) * np.sinc(py * side / (wavelength * focal))
        fields.append(total * envelope / sum(pixel[2] for pixel in pixels))
    return np.array(fields)


# ---------------------------------------------------------------------------------------------------------------------
# power


def test_airy_pattern_holds_its_power_in_the_first_ring(small_bench):
    """0.837785 within the first dark ring (Born & Wolf, 7th ed., section 8.5.2); dark gaps leave F^2 in the zero order."""
    found = {}
    for fill in (1.0, 0.93, 0.87):
        bench = small_bench(light__beam_diameter_mm=1000.0, panel__fill_factor=fill)
        prediction = predict(bench, np.zeros((80, 96), np.uint8), sites_at((0, 0, 0)))
        assert prediction.intensity[0] == pytest.approx(1, abs=1e-12)
        found[fill] = prediction.power_fraction / prediction.power_in_pupil
    assert found[1.0] == pytest.approx(0.837785, abs=2e-3)
    assert found[0.93] / found[1.0] == pytest.approx(0.8649, abs=5e-4)
    assert found[0.87] / found[1.0] == pytest.approx(0.7569, abs=1e-3)


@pytest.mark.parametrize(("ratio", "expected"), [(0.8921, 0.91896), (1.0, 0.86466), (1.5, 0.58889), (2.0, 0.39347)])
def test_power_through_the_pupil(small_bench, ratio, expected):
    """A Gaussian beam of waist T times the radius of the aperture: 1 - exp(-2/T^2) (Siegman, Lasers, 1986, section 17.1)."""
    bench = small_bench(light__beam_diameter_mm=0.8 * ratio, panel__columns=400, panel__rows=400)
    assert predict(bench, np.zeros((400, 400), np.uint8), sites_at((0, 0, 0))).power_in_pupil == pytest.approx(expected, abs=2e-3)


def spots(bench, path, points):
    """Levels of a plain superposition of spots, without any retrieval."""
    turn = path.scale * (path.x_um[None, :, None] * points[:, 0] + path.y_um[:, None, None] * points[:, 1])
    turn += path.defocus[:, :, None] * points[:, 2]
    return levels_of_phase(np.angle(np.exp(1j * (turn + 1.7 * np.arange(len(points)) ** 2)).sum(axis=2)), bench.panel)


def power_on_grid(bench, path, levels, points, step_um=0.02):
    """Power within the Airy radius of any point, each part of the plane counted once, over all power on the panel, from a fine grid.

    The total by summing over the whole period of the field at its Nyquist spacing (Parseval): the envelope and the gaps of the
    pixels then scale it by the fill factor once more than the part that is looked at.
    """
    radius = bench.airy_radius_um
    reach = np.arange(-radius, radius + step_um, step_um)
    grid = np.stack(np.meshgrid(reach, reach), axis=-1).reshape(-1, 2)
    cells = {(round((p[0] + g[0]) / step_um), round((p[1] + g[1]) / step_um)) for p in points for g in grid[np.hypot(*grid.T) <= radius]}
    places = np.pad(np.array(sorted(cells)) * step_um, ((0, 0), (0, 1)))
    field = direct_fields(path, phase_of_levels(levels, bench.panel), places)
    power = (np.abs(field) ** 2).sum() * step_um**2 * path.amplitude_sum**2
    total = (path.amplitude**2).sum() * bench.field_um**2 / path.pupil_share
    return bench.panel.fill_factor**2 * power / total


def test_power_fraction_of_separated_spots(small_bench):
    bench = small_bench()
    path = light_path(bench)
    points = np.array([[6.0, 4.0, 0], [10.0, 5.0, 0], [-7.0, 9.0, 0], [3.0, -11.0, 0]])
    levels = spots(bench, path, points)
    expected = power_on_grid(bench, path, levels, points)
    assert predict(bench, levels, sites_at(*points), path).power_fraction == pytest.approx(expected, rel=5e-4)


def test_power_in_overlapping_discs_counts_once(small_bench):
    bench = small_bench()
    path = light_path(bench)
    points = np.array([[6.0, 4.0, 0], [6.0 + 1.1 * bench.airy_radius_um, 4.0, 0], [6.0, 4.0 + 1.3 * bench.airy_radius_um, 0]])
    levels = spots(bench, path, points)
    expected = power_on_grid(bench, path, levels, points)
    found = predict(bench, levels, sites_at(*points), path).power_fraction
    assert found == pytest.approx(expected, rel=0.03)


def test_power_of_many_spots_from_a_few(small_bench, monkeypatch):
    bench = small_bench()
    path = light_path(bench)
    i, j = np.meshgrid(np.arange(7), np.arange(7))
    points = np.column_stack([6 + 2.2 * i.ravel(), 4 + 2.2 * j.ravel(), np.zeros(49)])
    levels = spots(bench, path, points)
    found = predict(bench, levels, sites_at(*points), path).power_fraction
    monkeypatch.setattr(holo.predict, "DISC_SITES", 49)
    assert found == pytest.approx(predict(bench, levels, sites_at(*points), path).power_fraction, rel=0.03)


def test_disc_rule_is_exact_to_degree_five():
    """Moments of the unit disc: integral of x^a y^b = 2 G((a+1)/2) G((b+1)/2) / ((a+b+2) G((a+b+2)/2)) for even a, b, else 0."""
    points, weights = disc_rule(1.0)
    assert weights.sum() == pytest.approx(np.pi, rel=1e-14)
    for a in range(6):
        for b in range(6 - a):
            even = a % 2 == b % 2 == 0
            expected = 2 * math.gamma((a + 1) / 2) * math.gamma((b + 1) / 2) / ((a + b + 2) * math.gamma((a + b + 2) / 2)) if even else 0
            assert (weights * points[:, 0] ** a * points[:, 1] ** b).sum() == pytest.approx(expected, abs=1e-14)


# ---------------------------------------------------------------------------------------------------------------------
# figures of merit


def test_figures_by_hand():
    """e = sum I, u = 1 - (max - min)/(max + min), sigma = std/mean: Di Leonardo, Ianni and Ruocco, Opt. Express 15, 1913 (2007)."""
    found = figures(np.array([0.1, 0.3, 0.2, 0.004, 0.02]), np.array([0.5, 1.0, 1.0, 0, 0]))
    assert (found.bright, found.dark) == (3, 2)
    assert found.efficiency == pytest.approx(0.6)
    assert found.uniformity == pytest.approx(1 - 0.1 / 0.5)
    assert found.spread == pytest.approx(np.std([0.2, 0.3, 0.2]) / np.mean([0.2, 0.3, 0.2]))
    assert found.crosstalk_max == pytest.approx(0.1)
    assert found.crosstalk_mean == pytest.approx(0.06)
    assert found.crosstalk_by_order == ()


def test_crosstalk_is_split_by_distance():
    """Square lattice of 5 um: shells at 1, sqrt 2 and 2 spacings, from a lattice a little sheared."""
    xyz = np.array([[0, 0], [1, 0.004], [0, 1], [-1, 0], [1, 1.004], [0, -2], [2, 0]]) * 5.0
    xyz = np.pad(xyz, ((0, 0), (0, 1)))
    found = figures(np.array([0.5, 0.01, 0.02, 0.03, 0.1, 0.2, 0.4]), np.array([2.0, 0, 0, 0, 0, 0, 0]), xyz)
    shells = found.crosstalk_by_order
    assert [(shell.order, shell.sites) for shell in shells] == [(1, 3), (2, 1), (3, 2)]
    assert [shell.distance_um for shell in shells] == pytest.approx([5.0, 5 * np.sqrt(2), 10.0], rel=5e-3)
    assert [shell.max for shell in shells] == pytest.approx([0.06, 0.2, 0.8])
    assert [shell.mean for shell in shells] == pytest.approx([0.04, 0.2, 0.6])


@given(st.lists(st.tuples(st.floats(1e-6, 1), st.floats(0.1, 10)), min_size=1, max_size=20), st.randoms())
def test_figures_do_not_depend_on_order_or_scale_of_targets(pairs, random):
    shuffled = random.sample(pairs, len(pairs))
    one, other = (figures(*np.array(rows).T) for rows in (pairs, [(light, 3 * target) for light, target in shuffled]))
    assert 0 <= one.uniformity <= 1
    assert (one.crosstalk_max, one.dark) == (None, 0)
    for name in ("efficiency", "uniformity", "spread"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-9, abs=1e-12)


def test_prediction_tells_relative_intensities_and_a_summary(small_bench):
    bench = small_bench()
    path = light_path(bench)
    points = np.array([[6.0, 4.0, 0], [9.0, 4.0, 0], [6.0, 7.0, 0]])
    found = predict(bench, spots(bench, path, points[:2]), sites_at(*points, target=[1.0, 0.5, 0.0]), path)
    assert found.relative[:2] == pytest.approx(found.intensity[:2] / [1.0, 0.5])
    assert np.isnan(found.relative[2])
    summary = json.loads(json.dumps(found.summary(), allow_nan=False))
    assert summary["efficiency"] == found.figures.efficiency
    assert summary["crosstalk_by_order"][0]["distance_um"] == pytest.approx(3.0)
    assert {"power_fraction", "power_in_pupil", "undiffracted", "uniformity", "spread", "crosstalk_max", "bright", "dark"} <= set(summary)


def test_nothing_to_judge_is_refused(small_bench):
    with pytest.raises(InputError, match=r"sites: found 2 site\(s\), none of them bright"):
        figures(np.ones(2), np.zeros(2))
    with pytest.raises(InputError, match=r"intensity: found no light on any of the 2 bright site\(s\)"):
        figures(np.zeros(2), np.ones(2))
    with pytest.raises(InputError, match=r"levels: found shape \(2, 2\); allowed: 80 rows by 96 columns"):
        predict(small_bench(), np.zeros((2, 2), np.uint8), sites_at((0, 0, 0)))
