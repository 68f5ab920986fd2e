"""Traps of masks: the limit of a Gaussian beam, the Airy limits, a fit of the light itself, and the budget of power."""

from __future__ import annotations

import csv
import io
import re

import numpy as np
import pytest

from holo.atoms import known_species
from holo.errors import InputError
from holo.field.curvature import light_curvature
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.field.vector import focus_weights, vector_fields
from holo.mask import levels_of_phase
from holo.predict import predict
from holo.registration import Sites
from holo.site_traps import at_power, peak_intensity_w_m2, power_warnings, site_traps, trap_warnings, traps_csv
from holo.trap import atom_in_light, gaussian_frequencies_hz, gaussian_peak_w_m2

RUBIDIUM = known_species()["Rb-87"]
LITHIUM = known_species()["Li-6"]

# 700 nm repels rubidium (blue of both D lines) and is 3 % red of lithium's
LIGHT = atom_in_light(LITHIUM, 700.0)


def sites(*places):
    xyz = np.array([[*place, 0.0][:3] for place in places], float)
    return Sites(np.round(xyz[:, :2]), xyz, np.ones(len(xyz)))


def blazed(path, *places):
    """Phase of the summed waves to some places: enough of a mask for these tests."""
    waves = (np.exp(1j * (path.scale * (path.x_um[None, :] * x + path.y_um[:, None] * y) + number)) for number, (x, y) in enumerate(places))
    return np.angle(sum(waves))


def levels_to(bench, *places):
    return levels_of_phase(blazed(light_path(bench), *places), bench.panel)


LOW = {"optics__numerical_aperture": 0.1, "optics__focal_length_mm": 24.0}
"""The same pupil at an aperture at which paraxial formulas hold."""


@pytest.fixture
def narrow(small_bench):
    """A beam far narrower than the pupil, on a panel without gaps: its focus is Gaussian."""
    return small_bench(light__beam_diameter_mm=0.24, panel__fill_factor=1.0, panel__level_for_2pi=256, **LOW)


def test_intensity_of_a_gaussian_beam(narrow):
    """2 P / (pi w0^2) with w0 = lambda f / (pi w) (A. E. Siegman, Lasers, ch. 17)."""
    waist = narrow.wavelength_um * narrow.effective_focal_length_um / (np.pi * 120.0)
    expected = gaussian_peak_w_m2(1e-3 * narrow.light.power_mw, 1e-6 * waist)
    assert peak_intensity_w_m2(narrow, light_path(narrow)) == pytest.approx(float(expected), rel=1e-3)


def test_frequencies_of_a_gaussian_beam(narrow):
    """The fit of the predicted light gives what the formulas give where the spot is Gaussian."""
    found = site_traps(narrow, levels_to(narrow, (0.0, 0.0)), sites((0, 0)), LIGHT)
    waist = narrow.wavelength_um * narrow.effective_focal_length_um / (np.pi * 120.0)
    formula = gaussian_frequencies_hz(1e6 * found.traps.depth_mhz, LITHIUM.mass_kg, 1e-6 * waist, 1e-6 * narrow.wavelength_um)
    across, along = (float(f[0]) for f in formula)
    assert found.frequencies_hz[0] == pytest.approx([across, across, along], rel=0.005)


@pytest.fixture
def uniform(small_bench):
    """A uniformly filled pupil of low aperture."""
    return small_bench(light__beam_diameter_mm=1000.0, **LOW)


def test_curvature_of_the_airy_pattern(uniform):
    """``(2 J1(v) / v)^2`` is 1 - v^2 / 4, and along the axis 1 - u^2 / 48: -(k NA)^2 / 2 and -(k NA^2)^2 / 24 (Born & Wolf, sec. 8.8.2)."""
    path = light_path(uniform)
    found = light_curvature(path, np.zeros(uniform.panel.shape), np.zeros((1, 3)))
    k, aperture = 2 * np.pi / uniform.wavelength_um, 0.1
    own = np.diagonal(found.curvature_per_um2[0])
    assert own[:2] == pytest.approx([-((k * aperture) ** 2) / 2] * 2, rel=0.005)  # a disc of 40 pixels radius
    assert own[2] == pytest.approx(-((k * aperture**2) ** 2) / 24, rel=0.015)
    np.testing.assert_allclose(found.slope_per_um, 0, atol=1e-9)


def test_curvature_is_that_of_a_fit_to_the_light(small_bench):
    """A quadratic fitted to 125 points within a hundredth of the spot's size, in all three directions and between them."""
    bench = small_bench(optics__aberration={"7": 0.1, "5": 0.1})
    path = light_path(bench)
    phase = blazed(path, (6, 4), (9, 4), (6, 7))
    points = np.array([[6.05, 4.02, 0.1], [9.0, 4.0, 0.0]])
    found = light_curvature(path, phase, points)
    step = np.linspace(-0.005, 0.005, 5)
    around = np.stack(np.meshgrid(step, step, 5 * step, indexing="ij"), -1).reshape(-1, 3)
    first, second = np.triu_indices(3)
    terms = np.column_stack([np.ones(125), around, around[:, first] * around[:, second]])
    for number, point in enumerate(points):
        light = np.abs(direct_fields(path, phase, point + around)) ** 2
        fitted = np.linalg.lstsq(terms, light / found.intensity[number], rcond=None)[0]
        assert fitted[0] == pytest.approx(1, rel=1e-4)
        np.testing.assert_allclose(found.slope_per_um[number], fitted[1:4], rtol=2e-3, atol=5e-3)
        matrix = found.curvature_per_um2[number]
        wanted = matrix[first, second] * np.where(first == second, 0.5, 1.0)
        np.testing.assert_allclose(wanted, fitted[4:], rtol=3e-3, atol=5e-3)
    assert found.intensity == pytest.approx(np.abs(direct_fields(path, phase, points)) ** 2, rel=1e-12)


def test_the_brightest_place_is_found(small_bench):
    path = light_path(small_bench())
    away = np.array([0.06, -0.04, 0.2])
    found = light_curvature(path, blazed(path, (6, 4)), np.array([[6.0, 4.0, 0.0]]) + away)
    np.testing.assert_allclose(found.peak_um[0], -away, rtol=0.03)
    between = light_curvature(path, blazed(path, (6, 4), (7.2, 4)), np.array([[6.6, 4.0, 0.0]]))
    assert np.isnan(between.peak_um).all()


def test_curvature_of_a_strong_focus_is_that_of_its_three_components(small_bench):
    """Differences of the vector model's own fields; x and y change places with the polarisation."""
    bench = small_bench(optics__numerical_aperture=0.9, optics__focal_length_mm=2.667)
    path, h = light_path(bench), 2e-3
    phase, point = blazed(path, (6, 4), (9, 4)), np.array([[6.02, 4.01, 0.05]])
    weights = focus_weights(bench, "x")
    found = light_curvature(path, phase, point, weights)
    full = (np.abs((path.amplitude * weights).sum(axis=(1, 2))) ** 2).sum() / path.amplitude_sum**2
    around = np.concatenate([point, *(point + sign * h * np.eye(3)[axis] for axis in range(3) for sign in (1, -1))])
    light = full * (np.abs(vector_fields(bench, path, phase, around, "x")) ** 2).sum(axis=0)
    assert found.intensity[0] == pytest.approx(light[0], rel=1e-9)
    differences = (light[1::2] + light[2::2] - 2 * light[0]) / h**2 / light[0]
    assert np.diagonal(found.curvature_per_um2[0]) == pytest.approx(differences, rel=2e-3)
    np.testing.assert_allclose(found.slope_per_um[0], (light[1::2] - light[2::2]) / (2 * h) / light[0], rtol=1e-3, atol=1e-3)
    assert 0.99 < full < 1.1  # (1 + cos) / (2 sqrt(cos)) is never below 1, but is what light of the pupil's rim gains


def test_traps_are_softer_along_the_polarisation(small_bench):
    bench = small_bench()
    levels, placed = levels_to(bench, (0.0, 6.0)), sites((0, 6))
    along_x, along_y, plain = (site_traps(bench, levels, placed, LIGHT, p) for p in ("x", "y", "scalar"))
    assert along_x.frequencies_hz[0, 0] < 0.95 * along_x.frequencies_hz[0, 1]
    assert along_x.frequencies_hz[0, 0] == pytest.approx(along_y.frequencies_hz[0, 1], rel=0.01)
    assert along_x.traps.depth_uk == pytest.approx(plain.traps.depth_uk, rel=0.01)
    low = small_bench(**LOW)
    weak = [site_traps(low, levels_to(low, (0.0, 6.0)), placed, LIGHT, p).frequencies_hz[0] for p in ("x", "scalar")]
    assert weak[0] == pytest.approx(weak[1], rel=0.003)


def test_elliptical_light_makes_an_elliptical_trap(small_bench):
    """A panel of few rows makes spots that are longer along y: the frequency along x is the higher one, whatever turns x and y."""
    bench = small_bench(panel__rows=40)
    found = site_traps(bench, levels_to(bench, (6.0, 4.0)), sites((6, 4)), LIGHT)
    x, y, z = found.frequencies_hz[0]
    assert x > 1.3 * y > z


def test_budget_names_every_loss_and_ends_at_the_power_fraction(small_bench):
    bench = small_bench(light__transmission={"fibre": 0.5, "isolator": 0.8}, optics__transmission={"panel": 0.9, "objective": 0.8})
    levels, placed = levels_to(bench, (6, 4), (9, 4)), sites((6, 4), (9, 4))
    found = site_traps(bench, levels, placed, LIGHT)
    steps = {step.step: step for step in found.budget}
    assert [*steps] == [
        *("laser", "fibre", "isolator", "on the panel", "gaps between the pixels, absorbed", "orders of the pixel grid", "pupil"),
        *("mask: light on other places", "pixel envelope at the sites", "rings beyond the Airy radius", "panel", "objective"),
    ]
    judged = predict(bench, levels, placed)
    assert steps["laser"].power_mw == pytest.approx(2.0 / 0.4)
    assert steps["isolator"].power_mw == steps["on the panel"].power_mw == pytest.approx(2.0)
    assert steps["pupil"].share == judged.power_in_pupil
    assert steps["rings beyond the Airy radius"].power_mw == pytest.approx(2.0 * judged.power_fraction)
    assert found.budget[-1].power_mw == pytest.approx(2.0 * judged.power_fraction * 0.72)
    assert all(0 < step.share <= 1 for step in found.budget)
    assert 0.7 < steps["rings beyond the Airy radius"].share < 1
    envelope = light_path(bench).envelope(placed.xyz_um) ** 2
    assert envelope.min() < steps["pixel envelope at the sites"].share < envelope.max()


def test_depth_goes_with_power_and_transmission(small_bench):
    plain, lossy = small_bench(), small_bench(optics__transmission={"window": 0.5})
    levels, placed = levels_to(plain, (6, 4), (9, 4)), sites((6, 4), (9, 4))
    one = site_traps(plain, levels, placed, LIGHT)
    half = site_traps(lossy, levels, placed, LIGHT)
    triple = site_traps(at_power(plain, 6.0), levels, placed, LIGHT)
    np.testing.assert_allclose(half.traps.depth_uk, 0.5 * one.traps.depth_uk)
    np.testing.assert_allclose(triple.traps.depth_uk, 3 * one.traps.depth_uk)
    np.testing.assert_allclose(triple.frequencies_hz, 3**0.5 * one.frequencies_hz)
    assert triple.power_mw == 6.0


def test_spread_of_the_depths_is_that_of_the_light(small_bench):
    bench = small_bench()
    levels, placed = levels_to(bench, (6, 4), (9, 4), (6, 7)), sites((6, 4), (9, 4), (6, 7))
    found, judged = site_traps(bench, levels, placed, LIGHT), predict(bench, levels, placed)
    assert found.summary()["depth_spread"] == pytest.approx(judged.figures.spread)
    np.testing.assert_allclose(found.traps.depth_uk / found.traps.depth_uk.mean(), judged.intensity / judged.intensity.mean())


def test_table_of_the_sites(small_bench):
    bench = small_bench()
    found = site_traps(bench, levels_to(bench, (6, 4), (9, 4)), sites((6, 4), (9, 4)), LIGHT)
    rows = list(csv.DictReader(io.StringIO(traps_csv(found))))
    assert [*rows[0]][:7] == ["i", "j", "x_um", "y_um", "z_um", "target", "depth_uk"]
    assert [float(row["depth_uk"]) for row in rows] == found.traps.depth_uk.tolist()
    assert float(rows[1]["x_um"]) == 9


# --- what is warned of and refused ---------------------------------------------------------------------------------------------


def test_warnings(small_bench):
    def warned(bench, light, *places, at=None):
        return " ".join(trap_warnings(bench, site_traps(bench, levels_to(bench, *places), sites(*(at or places)), light)))

    bench = small_bench(optics__transmission={"all": 0.8}, optics__numerical_aperture=0.4)
    assert warned(bench, LIGHT, (6.0, 4.0)) == ""
    assert re.search(r"700 nm repels Rb-87 .*-\d+ a\.u\.\): .* hold nothing", warned(bench, atom_in_light(RUBIDIUM, 700.0), (6.0, 4.0)))
    assert re.search(r"1 of 1 bright sites .*\(7\.5, 4\) um\) have no trap", warned(bench, LIGHT, (6.0, 4.0), at=[(7.5, 4.0)]))
    assert re.search(r"brightest place lies up to about 0\.(28|29|3\d?) um beside", warned(bench, LIGHT, (6.0, 4.0), at=[(6.3, 4.0)]))
    assert "too shallow to hold the atom against gravity" in warned(at_power(bench, 1e-5), LIGHT, (6.0, 4.0))
    full = small_bench()
    assert re.search(
        "gives no optics.transmission.*aperture of 0.6 a spot is longer .*give the polarisation", warned(full, LIGHT, (6.0, 4.0))
    )
    assert "medium has index 1.33" in warned(small_bench(optics__medium_index=1.33), LIGHT, (6.0, 4.0))


def test_power_against_the_limit_of_the_panel(small_bench):
    """2 mW peak at 1 W/cm^2 on the small bench, whose limit is 2."""
    assert power_warnings(small_bench(), 2.0) == []
    assert re.search(r"^20 mW would peak at 10\.2 W/cm\^2 .* above the limit of 2 W/cm\^2", power_warnings(small_bench(), 20.0)[0])
    assert "does not give" in power_warnings(small_bench(panel__power_limit_w_cm2=None), 2.0)[0]


def test_bad_input(small_bench):
    bench = small_bench()
    levels = levels_to(bench, (6, 4))
    with pytest.raises(InputError, match=r"wavelength_nm: found 1064; allowed: 700, the bench's"):
        site_traps(bench, levels, sites((6, 4)), atom_in_light(LITHIUM, 1064.0))
    with pytest.raises(InputError, match=r"power_mw: found -2; allowed: above 0"):
        at_power(bench, -2.0)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"optics__transmission": {"window": 0.0}}, r"optics\.transmission\.window: found 0\.0; allowed: a number above 0 up to 1"),
        ({"light__transmission": {"fibre": 1.2}}, r"light\.transmission\.fibre: found 1\.2; allowed"),
        ({"light__transmission": 0.5}, r"light\.transmission: found 0\.5; allowed: a table"),
    ],
)
def test_bad_transmissions(small_bench, changes, words):
    with pytest.raises(InputError, match=words):
        small_bench(**changes)
