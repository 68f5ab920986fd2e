"""Arithmetic of exposure tables: values as transcribed from ANSI Z136.1 and EU directive 2006/25/EC; skin and classes from memory."""

from __future__ import annotations

import re

import pytest

from holo.errors import InputError
from holo.exposure import (
    beam_caution,
    class_limits_mw,
    density_needed,
    eye_limit_j_m2,
    eye_limit_w_m2,
    eye_power_mw,
    hazard_distance_m,
    ocular_factor,
    retinal_factor,
    skin_limit_j_m2,
    skin_limit_w_m2,
)

TABLE = [
    # nm, C_A, eye 0.25 s, 10 s (J/m^2), longer (W/m^2, mW in 7 mm), skin 0.25 s, 10 s (J/m^2), longer (W/m^2), class 1, 3R (mW)
    (780.0, 1.4454, 9.199, 146.31, 14.454, 0.556, 11243.0, 28274.0, 2890.9, 0.564, 2.82),
    (787.0, 1.4928, 9.500, 151.10, 14.928, 0.575, 11611.0, 29201.0, 2985.6, 0.582, 2.91),
    (1064.0, 5.0, 31.820, 506.11, 50.0, 1.924, 38891.0, 97805.0, 10000.0, 1.95, 9.75),
]


@pytest.mark.parametrize("row", TABLE)
def test_limits_of_the_tables(row):
    nm, factor, eye_short, eye_10, eye_long, eye_mw, skin_short, skin_10, skin_long, first, third = row
    assert retinal_factor(nm) == pytest.approx(factor, rel=1e-3)
    assert eye_limit_j_m2(nm, 0.25) == pytest.approx(eye_short, rel=1e-3)
    assert eye_limit_j_m2(nm, 10) == pytest.approx(eye_10, rel=1e-3)
    assert eye_limit_w_m2(nm) == pytest.approx(eye_long, rel=1e-3)
    assert eye_power_mw(eye_limit_w_m2(nm)) == pytest.approx(eye_mw, rel=1e-3)
    assert skin_limit_j_m2(nm, 0.25) == pytest.approx(skin_short, rel=1e-3)
    assert skin_limit_j_m2(nm, 10) == pytest.approx(skin_10, rel=1e-3)
    assert skin_limit_w_m2(nm) == pytest.approx(skin_long, rel=1e-3)
    assert class_limits_mw(nm) == pytest.approx((first, third), rel=2e-3)  # printed to three figures


def test_power_in_the_pupil_for_a_quarter_of_a_second():
    assert eye_power_mw(eye_limit_j_m2(780.0, 0.25) / 0.25) == pytest.approx(1.416, rel=1e-3)
    assert eye_power_mw(eye_limit_j_m2(1064.0, 0.25) / 0.25) == pytest.approx(4.898, rel=1e-3)


@pytest.mark.parametrize(
    ("nm", "retinal", "ocular"),
    [(532.0, 1.0, 1.0), (700.0, 1.0, 1.0), (1049.9999, 5.0119, 1.0), (1050.0, 5.0, 1.0), (1175.0, 5.0, 2.8184), (1250.0, 5.0, 8.0)],
)
def test_correction_factors(nm, retinal, ocular):
    """C_A is 10^0.7 = 5.0119 just below 1050 nm, and 5 from there, as the tables have it."""
    assert retinal_factor(nm) == pytest.approx(retinal, rel=1e-4)
    assert ocular_factor(nm) == pytest.approx(ocular, rel=1e-4)


def test_distance_and_eyewear():
    assert hazard_distance_m(1000, 1.0, 2.0, eye_limit_w_m2(1064.0)) == pytest.approx(157.6, abs=0.05)
    assert hazard_distance_m(0.001, 1.0, 2.0, eye_limit_w_m2(1064.0)) == 0
    assert density_needed(1000, 1064.0) == pytest.approx(2.72, abs=0.005)
    assert density_needed(1000, 780.0) == pytest.approx(3.25, abs=0.006)


@pytest.mark.parametrize("call", [lambda: eye_limit_w_m2(532.0), lambda: retinal_factor(1500.0), lambda: class_limits_mw(399.0)])
def test_wavelengths_without_a_table_are_refused(call):
    with pytest.raises(InputError, match=r"wavelength_nm: found \d+; allowed: \d+ to 1400"):
        call()


@pytest.mark.parametrize("call", [lambda: eye_limit_j_m2(780.0, 11.0), lambda: skin_limit_j_m2(780.0, 0.0)])
def test_times_without_a_table_are_refused(call):
    with pytest.raises(InputError, match=r"seconds: found .*; allowed: .*for longer see"):
        call()


@pytest.mark.parametrize(
    ("nm", "mw", "words"),
    [
        (787.0, 1.0, r"cannot be seen.*eyewear.*1 mW is on the panel, and the laser has a class of its own.*1\.74 times the 0\.574 mW"),
        (1064.0, 2000.0, r"cannot be seen.*2000 mW is above 500 mW, thus class 4, 1\.04e\+03 times"),
        (1550.0, 2000.0, r"cannot be seen.*thus class 4\)"),
        (1064.0, 0.1, r"cannot be seen.*; the 1\.92 mW .* are no permission"),
        (532.0, 2000.0, r"burns eyes and skin.*thus class 4\)"),
    ],
)
def test_cautions_defer_and_never_say_that_a_beam_is_safe(nm, mw, words):
    found = beam_caution(nm, mw)
    assert re.search(words, found)
    assert "your laser safety officer, the data sheets and the local rules" in found
    assert "safe" not in found.replace("safety officer", "")


def test_no_caution_of_its_own_for_a_weak_visible_beam():
    assert beam_caution(532.0, 1.0) is None
