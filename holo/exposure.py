"""Arithmetic of laser exposure tables, as information for the people who decide about safety.

No number here says that anything is safe: which edition and law hold, the time of exposure, extended sources, pulses, several
wavelengths, classes and eyewear are for the laser safety officer. Formulas for continuous light and small sources: ANSI Z136.1 and
IEC 60825-1, as transcribed in EU directive 2006/25/EC; those for the skin and the class limits are from memory.
"""

from __future__ import annotations

import math

from holo.checks import check_finite, check_numbers
from holo.errors import InputError

VISIBLE_NM = (400.0, 700.0)
"""What an eye sees; outside, no aversion response ends an exposure."""

EYE_NM, SKIN_NM = (700.0, 1400.0), (400.0, 1400.0)
"""Wavelengths for which the formulas for the eye and the skin hold."""

CLASS_4_MW = 500.0
"""Power above which a continuous beam is class 4 (IEC 60825-1, summarised)."""

EYE_APERTURE_MM = 7.0
"""Diameter of the pupil that the limits for the eye are averaged over."""

LONG_S = 10.0
"""Time from which the limits are given as power densities."""


def retinal_factor(wavelength_nm: float) -> float:
    """C_A (C4 of IEC 60825-1): 1 up to 700 nm, ``10^(0.002 (lambda - 700))`` up to 1050, 5 up to 1400.

    Raises
    ------
    InputError
        Outside 400 to 1400 nm.

    Examples
    --------
    >>> round(retinal_factor(780.0), 4), retinal_factor(1064.0)
    (1.4454, 5.0)
    """
    _within(wavelength_nm, SKIN_NM)
    return 5.0 if wavelength_nm >= 1050 else 10 ** (0.002 * max(wavelength_nm - 700, 0.0))


def ocular_factor(wavelength_nm: float) -> float:
    """C_C (C7 of IEC 60825-1) in its older, lower form: 1 up to 1150 nm, ``10^(0.018 (lambda - 1150))`` up to 1200, then 8.

    Examples
    --------
    >>> ocular_factor(1064.0), ocular_factor(1300.0)
    (1.0, 8.0)
    """
    _within(wavelength_nm, SKIN_NM)
    return 8.0 if wavelength_nm >= 1200 else 10 ** (0.018 * max(wavelength_nm - 1150, 0.0))


def eye_limit_j_m2(wavelength_nm: float, seconds: float) -> float:
    """Tabulated exposure of the eye, J/m^2, for 18 us to 10 s.

    ``18 C_A t^0.75`` up to 1050 nm, ``90 C_C t^0.75`` from there (ANSI Z136.1, table 5c).

    Raises
    ------
    InputError
        Outside 700 to 1400 nm, or for another time.

    Examples
    --------
    >>> round(eye_limit_j_m2(780.0, 10.0), 2), round(eye_limit_j_m2(1064.0, 0.25), 2)
    (146.31, 31.82)
    """
    _within(wavelength_nm, EYE_NM)
    if not 18e-6 <= seconds <= LONG_S:
        raise InputError(f"seconds: found {seconds:g}; allowed: 1.8e-05 to {LONG_S:g}; for longer see eye_limit_w_m2")
    factor = 18 * retinal_factor(wavelength_nm) if wavelength_nm < 1050 else 90 * ocular_factor(wavelength_nm)
    return float(factor * seconds**0.75)


def eye_limit_w_m2(wavelength_nm: float) -> float:
    """Tabulated power density on the eye for 10 s or longer, W/m^2: ``10 C_A`` up to 1050 nm, ``50 C_C`` from there (as `eye_limit_j_m2`).

    Examples
    --------
    >>> round(eye_limit_w_m2(780.0), 3), eye_limit_w_m2(1064.0)
    (14.454, 50.0)
    """
    _within(wavelength_nm, EYE_NM)
    return 10 * retinal_factor(wavelength_nm) if wavelength_nm < 1050 else 50 * ocular_factor(wavelength_nm)


def eye_power_mw(power_density_w_m2: float) -> float:
    """Power of a power density through the eye's pupil of 7 mm, mW.

    Examples
    --------
    >>> round(eye_power_mw(eye_limit_w_m2(1064.0)), 3)
    1.924
    """
    return 1e3 * power_density_w_m2 * math.pi * (EYE_APERTURE_MM * 1e-3 / 2) ** 2


def skin_limit_j_m2(wavelength_nm: float, seconds: float) -> float:
    """Tabulated exposure of the skin, J/m^2, for 0.1 us to 10 s: ``11000 C_A t^0.25`` (ANSI Z136.1, table 7; from memory).

    Examples
    --------
    >>> round(skin_limit_j_m2(1064.0, 10.0))
    97805
    """
    if not 1e-7 <= seconds <= LONG_S:
        raise InputError(f"seconds: found {seconds:g}; allowed: 1e-07 to {LONG_S:g}; for longer see skin_limit_w_m2")
    return float(1.1e4 * retinal_factor(wavelength_nm) * seconds**0.25)


def skin_limit_w_m2(wavelength_nm: float) -> float:
    """Tabulated power density on the skin for more than 10 s, W/m^2: ``2000 C_A`` (source as `skin_limit_j_m2`).

    Examples
    --------
    >>> skin_limit_w_m2(1064.0)
    10000.0
    """
    return 2000 * retinal_factor(wavelength_nm)


def class_limits_mw(wavelength_nm: float) -> tuple[float, float]:
    """Powers up to which continuous light of 700 to 1400 nm is class 1 and 3R: ``0.39 C4 C7`` mW and five times that (from memory).

    Examples
    --------
    >>> [round(limit, 3) for limit in class_limits_mw(1064.0)]
    [1.95, 9.75]
    """
    _within(wavelength_nm, EYE_NM)
    first = 0.39 * retinal_factor(wavelength_nm) * ocular_factor(wavelength_nm)
    return first, 5 * first


def hazard_distance_m(power_mw: float, divergence_mrad: float, diameter_mm: float, limit_w_m2: float) -> float:
    """Distance at which a diverging beam has spread to a power density, ``(sqrt(4 P / (pi E)) - d) / theta``, m.

    Examples
    --------
    >>> round(hazard_distance_m(1000.0, 1.0, 2.0, eye_limit_w_m2(1064.0)), 1)
    157.6
    """
    check_numbers(power_mw=power_mw, divergence_mrad=divergence_mrad, diameter_mm=diameter_mm, limit_w_m2=limit_w_m2)
    return max(0.0, (math.sqrt(4e-3 * power_mw / (math.pi * limit_w_m2)) - diameter_mm * 1e-3) / (divergence_mrad * 1e-3))


def density_needed(power_mw: float, wavelength_nm: float) -> float:
    """Optical density that brings a power through the eye's pupil down to the tabulated one for 10 s or longer.

    Examples
    --------
    >>> round(density_needed(1000.0, 1064.0), 2), round(density_needed(1000.0, 780.0), 2)
    (2.72, 3.25)
    """
    check_finite("power_mw", power_mw)
    return max(0.0, math.log10(power_mw / eye_power_mw(eye_limit_w_m2(wavelength_nm))))


def beam_caution(wavelength_nm: float, power_mw: float) -> str | None:
    """One sentence about a beam that cannot be seen or is class 4 by its power, with the arithmetic; None for others.

    Notes
    -----
    The numbers are information for those who decide; that none is given does not say that anything is safe.

    Examples
    --------
    >>> beam_caution(938.0, 400.0)[:72]
    'light of 938 nm is outside the visible (400 to 700 nm) and the beam cann'
    """
    check_numbers(wavelength_nm=wavelength_nm, power_mw=power_mw)
    seen = VISIBLE_NM[0] <= wavelength_nm <= VISIBLE_NM[1]
    if seen and power_mw <= CLASS_4_MW:
        return None
    what = f"light of {wavelength_nm:g} nm is outside the visible (400 to 700 nm) and the beam cannot be seen"
    if seen:
        what = f"a beam of {power_mw:g} mW burns eyes and skin, and its reflections do"
    return (
        f"{what}: start at low power, wear eyewear made for this wavelength and power, mind the undiffracted spot and stray orders, and"
        f" follow your laser safety officer, the data sheets and the local rules{_arithmetic(wavelength_nm, power_mw)}"
    )


def _arithmetic(wavelength_nm: float, power_mw: float) -> str:
    """The numbers of a beam, as far as the tables go."""
    group = (
        f"above {CLASS_4_MW:g} mW, thus class 4"
        if power_mw > CLASS_4_MW
        else f"on the panel, and the laser has a class of its own (class 4 from {CLASS_4_MW:g} mW)"
    )
    told = f" (for their use: {power_mw:.4g} mW is {group}"
    if EYE_NM[0] <= wavelength_nm <= EYE_NM[1]:
        limit = eye_power_mw(eye_limit_w_m2(wavelength_nm))
        times = f", {power_mw / limit:.3g} times the" if power_mw > limit else "; the"
        told += f"{times} {limit:.3g} mW through a pupil of 7 mm that the tables give the eye for 10 s or longer"
        told += "" if power_mw > limit else " are no permission"
    return told + ")"


def _within(wavelength_nm: float, band: tuple[float, float]) -> None:
    if not band[0] <= wavelength_nm <= band[1]:
        raise InputError(f"wavelength_nm: found {wavelength_nm:g}; allowed: {band[0]:g} to {band[1]:g}, which these tables hold for")
