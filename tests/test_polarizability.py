"""Line data and polarizabilities against published values.

Sources: D. A. Steck's D line data of Rb, Cs and Na; T. G. Tiecke, Properties of Potassium; M. E. Gehm, Properties of 6Li; papers named
beside the checks. "Computed" values are from an independent atomic-structure library (ARC 3.10.2, Sibalic et al., Comput. Phys. Commun.
220, 319 (2017)).
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy import constants

from holo.atoms import Number, chosen_species, known_species, level_offset_ghz, parse_species
from holo.errors import InputError
from holo.polarizability import (
    POLARIZABILITY_AU,
    check_wavelength,
    line_polarizability,
    polarizability,
    polarizability_doubts,
    scattering_rates,
    tune_out_nm,
)
from holo.trap import recoil_hz

KNOWN = known_species()
RUBIDIUM = KNOWN["Rb-87"]


def with_lines(species, count, remainder=0.0):
    """A species with its first lines alone."""
    return replace(species, lines=species.lines[:count], remainder_au=Number(remainder, 0.0, "test"))


def static(species):
    """Polarizability in a constant field."""
    return species.remainder_au.value + sum(line_polarizability(line, species.ground_j, 0.0) for line in species.lines)


# --- line data -----------------------------------------------------------------------------------------------------------------


TABLE = [
    # wavelengths D1, D2 (nm), linewidths (MHz), saturation intensity (mW/cm^2), dipoles (e a0, Steck), recoil at D2 (kHz, mm/s)
    ("Rb-87", 794.978851156, 780.241209686, 5.7500, 6.0666, 1.66934, 2.9931, 4.2275, 3.77097, 5.8845),
    ("Cs-133", 894.59295986, 852.34727582, 4.5612, 5.234, 1.10476, 3.1823, 4.4835, 2.0663, 3.5225),
    ("Na-23", 589.7558147, 589.1583264, 9.765, 9.7946, 6.2600, 2.4923, 3.5246, 25.0022, 29.4605),
    ("K-39", 770.108385049, 766.700921822, 5.956, 6.035, 1.7502, 2.9044, 4.1072, 8.7109, 13.3574),
    ("K-40", 770.108136507, 766.700674872, 5.956, 6.035, 1.7502, 2.9044, 4.1072, 8.4929, 13.0230),
    ("Li-6", 670.992421, 670.977338, 5.8724, 5.8724, 2.5408, 2.3455, 3.3170, 73.6744, 98.8677),
    ("Li-7", 670.976658, 670.961561, 5.8724, 5.8724, 2.5410, 2.3454, 3.3169, 63.1672, 84.7656),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row[0])
def test_d_lines_and_what_follows_from_them(row):
    name, first, second, first_mhz, second_mhz, saturation, first_d, second_d, recoil, velocity = row
    species = KNOWN[name]
    d1, d2 = species.lines[:2]
    assert (d1.wavelength_nm.value, d2.wavelength_nm.value) == pytest.approx((first, second), rel=1e-9)
    assert (d1.linewidth_mhz.value, d2.linewidth_mhz.value) == (first_mhz, second_mhz)
    assert (d1.dipole / 2**0.5, d2.dipole / 2**0.5) == pytest.approx((first_d, second_d), rel=1e-4)
    assert recoil_hz(species.mass_kg, second) == pytest.approx(1e3 * recoil, rel=1e-4)
    assert constants.h / (species.mass_kg * second * 1e-9) == pytest.approx(1e-3 * velocity, rel=1e-4)
    intensity = np.pi * constants.h * constants.c * d2.decay / (3 * (second * 1e-9) ** 3)  # of the cycling transition
    assert intensity == pytest.approx(10 * saturation, rel=1e-4)


def test_rubidium_as_printed_by_steck():
    d2 = RUBIDIUM.lines[1]
    assert d2.frequency / (2 * np.pi) == pytest.approx(384.2304844685e12, rel=1e-9)
    assert RUBIDIUM.lines[0].frequency / (2 * np.pi) == pytest.approx(377.107463e12, abs=0.5e6)  # printed so far
    assert 3 * (780.241209686e-7) ** 2 / (2 * np.pi) == pytest.approx(2.906692937721e-9, rel=1e-6)
    assert constants.hbar * d2.decay / (2 * constants.k) == pytest.approx(145.575e-6, rel=1e-4)  # Doppler temperature
    assert 2 * constants.h * recoil_hz(RUBIDIUM.mass_kg, 780.241209686) / constants.k == pytest.approx(361.956e-9, rel=1e-4)


@pytest.mark.parametrize(("nm", "khz"), [(1064.0, 2.02781), (787.0, 3.70648), (850.0, 3.17741), (532.0, 8.11125)])
def test_recoil_energies_of_rubidium(nm, khz):
    assert recoil_hz(RUBIDIUM.mass_kg, nm) == pytest.approx(1e3 * khz, rel=1e-5)


def test_all_species_are_there_and_every_number_has_error_and_source():
    wanted = {"Li-6", "Li-7", "Na-23", "K-39", "K-40", "K-41", "Rb-85", "Rb-87", "Cs-133", "Sr-88", "Yb-174"}
    assert set(KNOWN) == wanted
    for species in KNOWN.values():
        assert len(species.numbers()) >= 2 + 2 * len(species.lines)
        for number in species.numbers().values():
            assert number.source
            assert 0 <= number.error <= abs(number.value) * 0.2


def test_hyperfine_levels_have_their_centre_of_gravity_at_zero():
    """Weights 2 F + 1; potassium 40 is inverted."""
    for name, low, high in (("Rb-87", 1, 2), ("Rb-85", 2, 3), ("Cs-133", 3, 4), ("K-40", 3.5, 4.5), ("Li-6", 0.5, 1.5)):
        offsets = [level_offset_ghz(KNOWN[name], f) for f in (low, high)]
        assert (2 * low + 1) * offsets[0] + (2 * high + 1) * offsets[1] == pytest.approx(0, abs=1e-9)
        assert offsets[1] - offsets[0] == pytest.approx(KNOWN[name].hyperfine_ghz.value)
    assert level_offset_ghz(KNOWN["K-40"], 4.5) < 0
    assert level_offset_ghz(KNOWN["Sr-88"], 0) == 0


# --- polarizability ------------------------------------------------------------------------------------------------------------


def test_atomic_unit():
    assert pytest.approx(1.648777e-41, rel=1e-6) == POLARIZABILITY_AU


@pytest.mark.parametrize(
    ("name", "published", "within"),
    [
        ("Rb-87", 318.8, 0.01),  # Holmgren et al., PRA 81, 053607 (2010): 47.24(21) A^3
        ("K-39", 290.6, 0.01),  # the same: 43.06(21) A^3
        ("Na-23", 162.7, 0.01),  # the same: 24.11(18) A^3
        ("Cs-133", 401.0, 0.01),  # Amini and Gould, PRL 91, 153001 (2003): 401.0(6); from memory
    ],
)
def test_static_polarizability(name, published, within):
    assert static(KNOWN[name]) == pytest.approx(published, rel=within)


@pytest.mark.parametrize(
    ("name", "nm", "expected", "within"),
    [
        ("Rb-87", 1064.0, 687.3, 0.005),  # 687.3(5), Arora and Sahoo, PRA 86, 033416 (2012)
        ("Rb-85", 1064.0, 687.3, 0.005),
        ("Rb-87", 787.0, 6828.9, 0.005),  # computed
        ("Rb-87", 850.0, 2138.7, 0.005),  # computed
        ("Cs-133", 1064.0, 1168.3, 0.02),  # computed, as the next two
        ("K-39", 1064.0, 596.6, 0.02),
        ("Na-23", 1064.0, 234.5, 0.02),
        ("Sr-88", 813.428, 286.0, 0.005),  # Middelmann et al., PRL 109, 263004 (2012): 286.0(3); from memory
        ("Yb-174", 759.354, 186.0, 0.03),  # Dzuba and Derevianko, J. Phys. B 43, 074011 (2010); from memory
    ],
)
def test_polarizability_at_trapping_wavelengths(name, nm, expected, within):
    assert float(polarizability(KNOWN[name], nm).scalar_au) == pytest.approx(expected, rel=within)


def test_lithium_against_the_computed_value_with_its_dipoles():
    """The library has 3.35923 and 4.75068 e a0 for the D lines (a model potential), 1.3 % above the measured ones: 276.7 in all."""
    lithium = KNOWN["Li-6"]
    stronger = [
        replace(line, linewidth_mhz=None, dipole_au=Number(d, 0.0, "ARC"))
        for line, d in zip(lithium.lines, (3.35923, 4.75068), strict=False)
    ]
    theirs = replace(lithium, lines=(*stronger, *lithium.lines[2:]))
    assert float(polarizability(theirs, 1064.0).scalar_au) == pytest.approx(276.7, rel=0.006)
    assert 0.975 < float(polarizability(lithium, 1064.0).scalar_au) / 276.7 < 0.985


def test_d_lines_alone():
    assert float(polarizability(with_lines(RUBIDIUM, 2), 1064.0).scalar_au) == pytest.approx(677.27, rel=1e-4)


def test_one_line_is_the_oscillator_of_grimm_weidemueller_and_ovchinnikov():
    """Eq. 10: U = -(3 pi c^2 / 2 w0^3) (Gamma / (w0 - w) + Gamma / (w0 + w)) I; eq. 11 for scattering; for J = 0 to J' = 1."""
    strontium = with_lines(KNOWN["Sr-88"], 1)
    (line,), nm, intensity = strontium.lines, 813.4, 1e7
    w, w0, gamma = 2e9 * np.pi * constants.c / nm, line.frequency, line.decay
    both = gamma / (w0 - w) + gamma / (w0 + w)
    depth = 3 * np.pi * constants.c**2 / (2 * w0**3) * both * intensity
    rate = 3 * np.pi * constants.c**2 / (2 * constants.hbar * w0**3) * (w / w0) ** 3 * both**2 * intensity
    found = polarizability(strontium, nm)
    assert float(found.scalar_au) * POLARIZABILITY_AU * intensity / (2 * constants.epsilon_0 * constants.c) == pytest.approx(
        depth, rel=1e-12
    )
    assert float(scattering_rates(found.scalar_au, found.spin_au, intensity, nm)[0]) == pytest.approx(rate, rel=1e-12)
    assert float(found.vector_au) == 0


@pytest.mark.parametrize("g_m", [-1.0, -0.5, 0.0, 0.5, 1.0])
def test_alkali_formula_of_the_same_near_the_lines(g_m):
    """Eq. 19 without counter-rotating terms, sigma+ light; 787 nm, where those add a per cent."""
    w = 2e9 * np.pi * constants.c / 787.0
    d1, d2 = RUBIDIUM.lines[:2]
    expected = np.pi * constants.c**2 / 2 * ((2 + g_m) * d2.decay / d2.frequency**3 / (w - d2.frequency))
    expected += np.pi * constants.c**2 / 2 * ((1 - g_m) * d1.decay / d1.frequency**3 / (w - d1.frequency))
    found = float(polarizability(with_lines(RUBIDIUM, 2), 787.0).seen_au(1.0, g_m))
    assert -found * POLARIZABILITY_AU / (2 * constants.epsilon_0 * constants.c) == pytest.approx(expected, rel=0.012)


def test_scattering_near_the_lines_is_that_of_the_same():
    """Eq. 21: (pi c^2 Gamma^2 / 2 hbar w0^3) (2 / Delta2^2 + 1 / Delta1^2) I, line by line; both kinds of photons together."""
    w = 2e9 * np.pi * constants.c / 787.0
    d1, d2 = RUBIDIUM.lines[:2]
    shares = ((1, d1), (2, d2))
    expected = sum(
        share * np.pi * constants.c**2 * line.decay**2 / (2 * constants.hbar * line.frequency**3) / (w - line.frequency) ** 2
        for share, line in shares
    )
    found = polarizability(with_lines(RUBIDIUM, 2), 787.0)
    total, turning = scattering_rates(found.scalar_au, found.spin_au, 1.0, 787.0)
    assert float(total) == pytest.approx(expected, rel=0.02)
    assert 0 < float(turning) < float(total)


def test_far_away_the_spin_is_left_alone():
    """Raman scattering falls off with the fine structure over the detuning (Cline et al. 1994)."""
    shares = []
    for nm in (850.0, 1064.0, 1550.0, 10600.0):
        found = polarizability(RUBIDIUM, nm)
        total, turning = scattering_rates(found.scalar_au, found.spin_au, 1.0, nm)
        shares.append(float(turning / total))
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] < 1e-5


# --- tune-out wavelengths ------------------------------------------------------------------------------------------------------


def test_scalar_tune_out_of_rubidium():
    """790.032388(32) nm, Leonard et al., PRA 92, 052501 (2015); 790.0272 for the D lines alone (computed)."""
    assert tune_out_nm(RUBIDIUM, (785.0, 792.0)) == pytest.approx(790.032388, abs=0.003)
    assert tune_out_nm(with_lines(RUBIDIUM, 2), (785.0, 792.0)) == pytest.approx(790.0272, abs=2e-4)


def test_tune_out_of_both_levels_with_the_published_ratio_of_the_lines():
    """The published one is of F = 2, whose lines lie 2.56 GHz lower, and of the ratio 1.99221(3) of the squared dipoles that it found.

    That of F = 1 is 790.01858(23) nm (Schmidt et al., PRA 93, 022507 (2016)), hyperfine structure of the upper state included.
    """
    d1, d2 = RUBIDIUM.lines[:2]
    ratio = replace(d1, linewidth_mhz=None, dipole_au=Number(d2.dipole / 1.99221**0.5, 0.0, "Leonard et al."))
    species = replace(RUBIDIUM, lines=(ratio, *RUBIDIUM.lines[1:]))
    assert tune_out_nm(species, (785.0, 792.0), level=2) == pytest.approx(790.032388, abs=3e-4)
    assert tune_out_nm(species, (785.0, 792.0), level=1) == pytest.approx(790.01858, abs=1e-3)


def test_vector_tune_out():
    """785.1522(3) nm for light of circularity 0.9931 (Fallon et al. 2022), against the spin of the stretched state."""
    assert tune_out_nm(RUBIDIUM, (782.0, 793.0), level=2, circular_g_m=-0.9931) == pytest.approx(785.1522, abs=0.01)


def test_no_tune_out_is_told():
    with pytest.raises(InputError, match=r"between_nm: found \(1000.0, 1100.0\), where .*; allowed: opposite signs"):
        tune_out_nm(RUBIDIUM, (1000.0, 1100.0))


# --- errors and limits ---------------------------------------------------------------------------------------------------------


def test_errors_are_those_of_drawn_numbers():
    """Line strengths, wavelengths and remainder drawn within their uncertainties scatter the polarizability by the error told."""
    cesium = replace(KNOWN["Cs-133"], hyperfine_ghz=None)
    rng, drawn = np.random.default_rng(5), []
    for _ in range(500):
        lines = tuple(
            replace(
                line,
                **{
                    key: replace(getattr(line, key), value=rng.normal(getattr(line, key).value, getattr(line, key).error))
                    for key in ("wavelength_nm", "linewidth_mhz", "dipole_au")
                    if getattr(line, key) is not None
                },
            )
            for line in cesium.lines
        )
        rest = replace(cesium.remainder_au, value=rng.normal(cesium.remainder_au.value, cesium.remainder_au.error))
        drawn.append(float(polarizability(replace(cesium, lines=lines, remainder_au=rest), 1064.0).scalar_au))
    found = polarizability(cesium, 1064.0)
    assert np.std(drawn) == pytest.approx(float(found.error_au), rel=0.12)  # 500 draws tell it to 3 %
    assert np.mean(drawn) == pytest.approx(float(found.scalar_au), abs=4 * float(found.error_au) / 500**0.5)


def test_the_hyperfine_structure_that_is_left_out_is_in_the_error():
    """What changes from level to level is about the error told near the lines."""
    for nm in (781.5, 785.0, 800.0):
        found = polarizability(RUBIDIUM, nm)
        levels = [float(polarizability(RUBIDIUM, nm, level).scalar_au) for level in (1, 2)]
        assert abs(levels[1] - levels[0]) < 3 * float(found.error_au)


@pytest.mark.parametrize(
    ("name", "nm", "words"),
    [
        ("Rb-87", 780.2412, r"0\.\d+ GHz from D2 of Rb-87; allowed: 68.3 GHz \(0.139 nm\) from it or more: nearer, hyperfine"),
        ("Rb-87", 421.67, r"GHz from 6P1/2 of Rb-87"),
        ("Sr-88", 689.4486, r"GHz from 3P1 of Sr-88; allowed: 10 GHz"),
        ("Rb-87", 320.0, r"found 320; allowed: 380 to 20000 nm, for which the lines of Rb-87 are good"),
        ("Rb-87", 0.0, r"found 0; allowed"),
        ("Rb-87", float("nan"), r"found nan; allowed"),
    ],
)
def test_light_that_the_lines_do_not_answer_for_is_refused(name, nm, words):
    with pytest.raises(InputError, match=words):
        check_wavelength(KNOWN[name], nm)
    with pytest.raises(InputError, match=words):
        polarizability(KNOWN[name], np.array([1064.0, nm]))


def test_doubts():
    def doubts(nm):
        found = polarizability(RUBIDIUM, nm)
        return polarizability_doubts(RUBIDIUM, nm, float(found.scalar_au), float(found.error_au))

    assert doubts(1064.0) == []
    assert re.search(r"not far compared with the hyperfine splitting of 6\.83 GHz: .* by 9\.8%", " ".join(doubts(780.1)))
    assert re.search("near a tune-out wavelength of Rb-87", " ".join(doubts(790.0)))


# --- species of one's own ------------------------------------------------------------------------------------------------------


OWN = """
[X-1]
mass_u = { value = 100.0, error = 0.1, source = "test" }
ground_j = 0
range_nm = [400, 2000]
remainder_au = { value = 1.0, error = 0.5, source = "test" }
[X-1.lines.blue]
wavelength_nm = { value = 400.0, error = 0.1, source = "test" }
upper_j = 1
linewidth_mhz = { value = 30.0, error = 1.0, source = "test" }
"""


def test_own_species_and_the_two_ways_of_a_line_strength():
    own = parse_species(OWN, "own.toml")["X-1"]
    dipole = own.lines[0].dipole
    as_dipole = OWN.replace("linewidth_mhz = { value = 30.0, error = 1.0", f"dipole_au = {{ value = {dipole}, error = {dipole / 60}")
    other = parse_species(as_dipole, "own.toml")["X-1"]
    assert other.lines[0].decay == pytest.approx(own.lines[0].decay)
    mine, theirs = polarizability(own, 1000.0), polarizability(other, 1000.0)
    assert (float(mine.scalar_au), float(mine.error_au)) == pytest.approx((float(theirs.scalar_au), float(theirs.error_au)))


def test_own_file_is_read_and_can_be_like_a_known_species(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[Rb-87x]\nlike = "Rb-87"\n[Rb-87x.lines.D1]\nlinewidth_mhz = { value = 5.7578, error = 0.002, source = "ours" }\n')
    found = chosen_species("Rb-87x", path)
    assert found.lines[0].linewidth_mhz.value == 5.7578
    assert found.lines[0].wavelength_nm == RUBIDIUM.lines[0].wavelength_nm
    assert found.lines[1:] == RUBIDIUM.lines[1:]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('mass_u = { value = 100.0, error = 0.1, source = "test" }', "mass_u = 100"), r"X-1\.mass_u: found 100; allowed: a table like"),
        (('error = 0.1, source = "test" }\nground', "error = 0.1 }\nground"), r"X-1\.mass_u\.source: missing; needed: a text"),
        (('mass_u = { value = 100.0, error = 0.1, source = "test" }', ""), r"X-1\.mass_u: found nothing; allowed: a table like"),
        (("value = 100.0", "value = -1.0"), r"X-1\.mass_u\.value: found -1\.0; allowed: a number from 1"),
        (("ground_j = 0", "ground_j = 0.3"), r"X-1\.ground_j: found 0\.3; allowed: 0 or 0\.5"),
        (("ground_j = 0", "nuclear_spin = 0.7\nground_j = 0"), r"nuclear_spin: found 0\.7; allowed: a multiple of 0\.5"),
        (("[400, 2000]", "[2000, 400]"), r"range_nm: found \[2000, 400\]; allowed: the shorter wavelength first"),
        (("upper_j = 1", "upper_j = 0.5"), r"X-1\.lines\.blue\.upper_j: found 0\.5; allowed: 1"),
        (
            ("linewidth_mhz = {", 'dipole_au = { value = 1, error = 0, source = "x" }\nlinewidth_mhz = {'),
            "found linewidth_mhz and dipole_au; needed: one",
        ),
        (("linewidth_mhz", "linewidth_hz"), r"lines\.blue\.linewidth_mhz: found nothing; needed: one of linewidth_mhz, dipole_au"),
        (("ground_j = 0", "colour = 3\nground_j = 0"), r"X-1\.colour: unknown key"),
        (("ground_j = 0", 'like = "Rb-86"\nground_j = 0'), r"X-1\.like: found 'Rb-86'"),
        (("[X-1", "X-1 = [X-1"), "not valid TOML"),
        ((OWN[OWN.index("[X-1.lines") :], "[X-1.lines]\n"), r"X-1\.lines: found none; needed: at least one table"),
        (
            ("ground_j = 0", 'ground_j = 0\nhyperfine_ghz = { value = 1, error = 0, source = "x" }'),
            "found a splitting; allowed: only with ground_j = 0.5",
        ),
    ],
)
def test_bad_files_of_lines(tmp_path, change, words):
    path = tmp_path / "own.toml"
    text = OWN.replace(*change, 1)
    assert text != OWN
    path.write_text(text)
    with pytest.raises(InputError, match=words) as error:
        chosen_species("X-1", path)
    assert str(error.value).startswith(str(path))


@pytest.mark.parametrize(("text", "words"), [("", "found no species; needed"), ("x = 1", r"x: found 1; allowed: a table \[x\]")])
def test_files_without_species(text, words):
    with pytest.raises(InputError, match=words):
        parse_species(text, "own.toml")


def test_unknown_names_are_told_what_there_is():
    with pytest.raises(InputError, match=r"species: found 'Rb'; .*allowed: Rb-87, Rb-85, Cs-133, .*Yb-174, or your own"):
        chosen_species("Rb")
    with pytest.raises(InputError, match=r"level: found F = 3; allowed for Rb-87: 1 or 2"):
        polarizability(RUBIDIUM, 1064.0, 3)
    with pytest.raises(InputError, match=r"level: found F = 1; allowed for Sr-88: 0"):
        polarizability(KNOWN["Sr-88"], 1064.0, 1)
