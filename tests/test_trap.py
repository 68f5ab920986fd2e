"""Traps against worked examples and closed formulas.

Formulas: R. Grimm, M. Weidemueller and Y. B. Ovchinnikov, Adv. At. Mol. Opt. Phys. 42, 95 (2000), equations from memory; worked examples
computed by an independent script.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from holo.atoms import Number, known_species
from holo.errors import InputError
from holo.polarizability import POLARIZABILITY_AU, scattering_rates
from holo.trap import (
    AtomInLight,
    State,
    atom_in_light,
    beam_trap,
    check_power,
    curvature_frequencies_hz,
    depth_hz,
    gaussian_frequencies_hz,
    gaussian_peak_w_m2,
    held_against_gravity,
    kelvin,
    power_for_depth,
    sag_m,
    told_beam,
    told_lattice,
)

RUBIDIUM = known_species()["Rb-87"]
D_LINES = replace(RUBIDIUM, lines=RUBIDIUM.lines[:2], remainder_au=Number(0.0, 0.0, "none"))

WORKED = [
    # nm, W, waist (um), peak (W/m^2), depth by the D lines, by the alpha published or computed (uK), alpha, photons/s, across, along (Hz)
    (1064.0, 1e-3, 1.0, 6.366198e8, 96.99, 98.425, 687.3, 0.350, 30888.0, 7397.1),
    (1064.0, 1.0, 50.0, 2.546479e8, 38.80, 39.370, 687.3, 0.140, 390.7, 1.87),
    (787.0, 1e-6, 0.55, 2.1045e6, 3.227, 3.231, 6826.0, 1.82, 10180.0, 3280.0),
]


@pytest.mark.parametrize("row", WORKED)
def test_worked_examples(row):
    nm, power, waist, peak, by_lines, by_alpha, alpha, rate, across, along = row
    intensity = gaussian_peak_w_m2(power, 1e-6 * waist)
    assert float(intensity) == pytest.approx(peak, rel=1e-4)
    exact = float(depth_hz(alpha, intensity))
    assert 1e6 * float(kelvin(exact)) == pytest.approx(by_alpha, rel=2e-4)  # the last one is printed to four figures
    lines, full = atom_in_light(D_LINES, nm), atom_in_light(RUBIDIUM, nm)
    assert float(lines.trap(intensity).depth_uk) == pytest.approx(by_lines, rel=2e-4)
    assert float(full.trap(intensity).depth_uk) == pytest.approx(by_alpha, rel=0.002)
    assert float(lines.trap(intensity).scattering_per_s) == pytest.approx(rate, rel=5e-3)  # printed to three figures
    found = gaussian_frequencies_hz(exact, RUBIDIUM.mass_kg, 1e-6 * waist, 1e-9 * nm)
    assert [float(f) for f in found] == pytest.approx([across, along], rel=1.5e-3)  # printed to three figures


def test_rotating_wave_is_too_shallow_at_1064_nm():
    """Eq. 19 gives 84.22 uK, 13 % less than with the counter-rotating terms."""
    light, intensity = 2e9 * np.pi * constants.c / 1064.0, 6.366198e8
    d1, d2 = RUBIDIUM.lines[:2]
    shares = ((1, d1), (2, d2))
    rotating = -sum(n * np.pi * constants.c**2 * d.decay / (2 * d.frequency**3 * (light - d.frequency)) for n, d in shares) * intensity
    assert 1e6 * rotating / constants.k == pytest.approx(84.22, rel=1e-3)
    assert 1e6 * rotating / constants.k / float(atom_in_light(D_LINES, 1064.0).trap(intensity).depth_uk) == pytest.approx(0.868, abs=2e-3)


def test_depth_in_its_three_units():
    found = depth_hz(687.3, 6.366198e8)
    assert float(found) == pytest.approx(2050.85e3, rel=1e-4)
    assert float(found) / atom_in_light(RUBIDIUM, 1064.0).recoil_hz == pytest.approx(1011.4, rel=1e-4)
    assert 1e9 * float(kelvin(atom_in_light(RUBIDIUM, 1064.0).recoil_hz)) == pytest.approx(97.320, rel=1e-5)
    traps = atom_in_light(RUBIDIUM, 1064.0).trap(6.366198e8)
    assert float(traps.depth_recoils) == pytest.approx(1011.4, rel=1e-3)
    assert float(traps.shift_mhz) == -float(traps.depth_mhz) < 0


def test_frequencies_of_a_millikelvin():
    """98.454 and 18.836 kHz at 850 nm and a waist of 1 um; their ratio is sqrt(2) pi w / lambda."""
    depth = 1e-3 * constants.k / constants.h
    across, along = gaussian_frequencies_hz(depth, RUBIDIUM.mass_kg, 1e-6, 0.85e-6)
    assert (float(across), float(along)) == pytest.approx((98454, 18836), rel=1e-4)
    assert float(across / along) == pytest.approx(2**0.5 * np.pi / 0.85)
    by_curvature = curvature_frequencies_hz([depth], RUBIDIUM.mass_kg, [[-4e12, 1e12, -2 / (np.pi * 1e-12 / 0.85e-6) ** 2]])
    assert by_curvature[0, [0, 2]] == pytest.approx([float(across), float(along)])
    assert np.isnan(by_curvature[0, 1])


def test_lattice_of_a_beam_sent_back():
    """20 recoil energies at 1064 nm and a waist of 100 um need 49.44 mW; the potential is four times that of one beam."""
    light = atom_in_light(RUBIDIUM, 1064.0)
    exact = AtomInLight(**{**vars(light), "seen_au": 687.3})
    assert beam_trap(exact, 49.44, 100.0, sent_back=True).lattice.depth == pytest.approx(20, rel=2e-4)
    one, two = beam_trap(light, 10.0, 100.0), beam_trap(light, 10.0, 100.0, sent_back=True)
    assert float(two.traps.depth_uk) == pytest.approx(4 * float(one.traps.depth_uk))
    assert two.across_hz == pytest.approx(2 * one.across_hz)
    told = told_beam(beam_trap(exact, 49.44, 100.0, sent_back=True), exact)
    assert told["tunnelling_hz"] == pytest.approx(5.052, rel=1e-3)
    assert told["on_site_khz"] == pytest.approx(2 * 20**0.5 * 2.02781, rel=1e-3)
    assert told["gaussian_along_khz"] == pytest.approx(told["on_site_khz"])


def test_heating_and_what_it_ends_in():
    """Each photon brings 2 E_r; a harmonic trap has 3 k T (Grimm and others, section II)."""
    light = atom_in_light(RUBIDIUM, 850.0)
    traps = light.trap(1e9)
    recoil_uk = 1e6 * float(kelvin(light.recoil_hz))
    assert float(traps.heating_uk_per_s) == pytest.approx(2 / 3 * recoil_uk * float(traps.scattering_per_s))
    assert float(traps.heating_out_seconds) == pytest.approx(float(traps.depth_recoils) / 2 / float(traps.scattering_per_s))


def test_scattering_is_depth_times_linewidth_over_detuning():
    """Eq. 14 of the same, ``hbar rate = Gamma / Delta U``, for one line and a small detuning."""
    line = known_species()["Sr-88"].lines[0]
    strontium = replace(known_species()["Sr-88"], lines=(line,), remainder_au=Number(0.0, 0.0, "none"))
    traps = atom_in_light(strontium, 470.0).trap(1e6)
    detuning = line.frequency - 2e9 * np.pi * constants.c / 470.0
    expected = 2e6 * np.pi * float(traps.depth_mhz) * line.decay / detuning
    assert float(traps.scattering_per_s) == pytest.approx(expected, rel=0.05)  # (w / w0)^3 and the counter-rotating term are left out


def test_circular_light_pushes_the_spin():
    """Beyond D1 sigma+ acts on a spin along it more weakly; opposite spin or light, opposite shift; none for m = 0 and far away."""
    plain = atom_in_light(RUBIDIUM, 805.0).seen_au
    plus, minus, both = (atom_in_light(RUBIDIUM, 805.0, State(2, m, c)).seen_au for m, c in ((2, 1), (-2, 1), (-2, -1)))
    middle = atom_in_light(RUBIDIUM, 805.0, State(2, 0, 1)).seen_au
    assert plus < middle < minus
    assert plus == pytest.approx(both)
    assert (plus + minus) / 2 == pytest.approx(middle)
    assert atom_in_light(RUBIDIUM, 805.0, State(1, -1, 1)).seen_au < atom_in_light(RUBIDIUM, 805.0, State(1, 0, 1)).seen_au
    assert middle == pytest.approx(plain, rel=0.01)


def test_sag_and_gravity():
    assert float(sag_m(1000.0)) == pytest.approx(9.80665 / (2000 * np.pi) ** 2)
    slope = RUBIDIUM.mass_kg * constants.g * 1e-6 / (2 * constants.h) * np.exp(0.5)  # depth whose steepest slope is the weight
    assert held_against_gravity([0.99 * slope, 1.01 * slope], RUBIDIUM.mass_kg, 1e-6).tolist() == [False, True]


@given(power=st.floats(1e-6, 1e5), wanted=st.floats(1e-3, 1e6))
def test_power_for_a_depth_makes_that_depth(power, wanted):
    light = atom_in_light(RUBIDIUM, 1064.0)
    unit = float(light.trap(gaussian_peak_w_m2(1e-3 * power, 1e-6)).depth_uk)
    needed = power_for_depth(power, unit, wanted)
    assert float(light.trap(gaussian_peak_w_m2(1e-3 * needed, 1e-6)).depth_uk) == pytest.approx(wanted, rel=1e-9)


def test_rates_grow_with_the_intensity():
    one, two = scattering_rates(700.0, 10.0, [1.0, 2.0], 1064.0)[0]
    assert two == pytest.approx(2 * one)
    assert POLARIZABILITY_AU > 0


@pytest.mark.parametrize("power", [0.0, -1.0, 1e7, float("nan"), float("inf")])
def test_impossible_powers_are_refused(power):
    with pytest.raises(InputError, match=r"power_mw: found .*; allowed: above 0, at most 1e\+06 mW"):
        check_power(power)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: power_for_depth(1.0, 10.0, -5.0), r"depth_uk: found -5; allowed: above 0"),
        (lambda: power_for_depth(1.0, -10.0, 5.0), r"depth_uk: found 5 with light that repels"),
        (lambda: beam_trap(atom_in_light(RUBIDIUM, 1064.0), 1.0, 0.1), r"waist_um: found 0\.1; allowed: 0\.339"),
        (lambda: beam_trap(atom_in_light(RUBIDIUM, 770.0), 1.0, 50.0, sent_back=True), r"wavelength_nm: found 770, which repels"),
        (lambda: told_lattice(1e-25, 0.0, None), r"spacing_um: found 0; allowed: 0\.01 to 1000"),
        (lambda: State(2, 3), r"m: found 3; allowed: from -2 to 2 in steps of 1, for F = 2"),
        (lambda: State(2, 0.5), r"m: found 0\.5; allowed"),
        (lambda: State(circularity=0.5), r"level: found none beside m or circularity"),
        (lambda: State(2, 0, 1.5), r"circularity: found 1\.5; allowed: from -1"),
        (lambda: State(float("nan")), r"level: found F = nan; allowed: 0 or more in steps of 0\.5"),
    ],
)
def test_what_cannot_be_is_refused(call, words):
    with pytest.raises(InputError, match=words):
        call()
