"""Polarizability of the ground state from the lines of an atom, and how much light it scatters.

Polarizabilities are in atomic units (`POLARIZABILITY_AU` is one in C m^2 / V), wavelengths in nm in vacuum, arrays of any shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import constants

from holo.atoms import level_offset_ghz
from holo.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from holo.atoms import Line, Species

POLARIZABILITY_AU = constants.physical_constants["atomic unit of electric polarizability"][0]
"""Atomic unit of polarizability, in C m^2 / V (CODATA)."""

NEAR_WIDTHS, NEAR_SPLITTINGS, NEAR_GHZ = 1000.0, 10.0, 10.0
"""Closer to a line than so many linewidths, hyperfine splittings of the ground state or GHz, holo does not calculate."""

DOUBT_SPLITTINGS = 100.0
"""Closer than so many splittings, which hyperfine levels the atom has to do with changes the result by a per cent or more."""


@dataclass(frozen=True, eq=False)
class Polarizability:
    """Polarizability of a ground state at some wavelengths.

    Attributes
    ----------
    scalar_au : ndarray of float
    error_au : ndarray of float
        One standard uncertainty of `scalar_au`: of line strengths, wavelengths and remainder, and of the hyperfine structure, which
        is left out but for the level asked for (half the splitting of the ground state, from the detuning of each line).
    vector_au : ndarray of float
        Vector polarizability in the convention of Le Kien and others; 0 for J = 0.
    spin_au : ndarray of float
        Half the vector polarizability, the amplitude of scattering that turns the electron's spin.
    """

    scalar_au: NDArray[np.float64]
    error_au: NDArray[np.float64]
    vector_au: NDArray[np.float64]

    @property
    def spin_au(self) -> NDArray[np.float64]:
        """Half of `vector_au`: what adds to the scalar part for circular light and the stretched state."""
        return self.vector_au / 2

    def seen_au(self, circularity: float = 0.0, g_m: float = 0.0) -> NDArray[np.float64]:
        """Polarizability that a Zeeman state sees in light of some circularity, ``scalar + circularity g_F m_F vector / 2``.

        Parameters
        ----------
        circularity : float
            -1 (sigma-) over 0 (linear) to 1 (sigma+) along the quantisation axis.
        g_m : float
            ``g_F m_F``, from -1 to 1.

        Returns
        -------
        ndarray, of the shape of the wavelengths
            Atomic units; positive where light attracts the atom.

        Examples
        --------
        >>> from holo.atoms import known_species
        >>> found = polarizability(known_species()["Rb-87"], 1064.0, 2)
        >>> print(f"{found.seen_au():.1f} {found.seen_au(circularity=1.0, g_m=1.0):.1f}")
        687.8 673.4
        """
        return self.scalar_au + circularity * g_m * self.spin_au


def polarizability(species: Species, wavelength_nm: ArrayLike, level: float | None = None) -> Polarizability:
    """Scalar and vector polarizability of the ground state.

    Parameters
    ----------
    species : Species
    wavelength_nm : array_like of float
        Of the light, in vacuum.
    level : float, optional
        Hyperfine level F, whose energy shifts all lines; without it they are taken from the centre of gravity.

    Returns
    -------
    Polarizability
        Of the shape of the wavelengths, in atomic units.

    Raises
    ------
    InputError
        If the light is out of the range that the species' lines are good for, or too close to a line (`NEAR_WIDTHS`,
        `NEAR_SPLITTINGS`, `NEAR_GHZ`), or there is no such level.

    Notes
    -----
    Each line adds, with counter-rotating terms::

        s = 2 pi eps0 c^3 (2 J' + 1) / (2 J + 1) Gamma / (w0^2 (w0^2 - w^2))

    R. Grimm, M. Weidemueller and Y. B. Ovchinnikov, Adv. At. Mol. Opt. Phys. 42, 95 (2000), eqs. 8 and 10 (numbers from memory), summed
    over lines. Interference of the lines makes the vector part, ``sum (w / w0) s c`` with c = -2 for J' = 1/2 and 1 for J' = 3/2:
    the potential is ``-I / (2 eps0 c) (alpha_s + P m_J alpha_v)`` (F. Le Kien, P. Schneeweiss and A. Rauschenbeutel, Eur. Phys. J. D
    67, 92 (2013), eqs. 18 to 20; numbers from memory), which for far-off light is eq. 19 of Grimm and others. Tensor parts vanish for
    J = 0 and 1/2 but for hyperfine structure, which is left out.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> found = polarizability(known_species()["Rb-87"], 1064.0)
    >>> f"{found.scalar_au:.1f} +- {found.error_au:.1f}"  # published: 687.3(5)
    '687.8 +- 0.6'
    """
    wavelength = np.asarray(wavelength_nm, np.float64)
    shift = 2e9 * np.pi * level_offset_ghz(species, level)
    check_wavelength(species, wavelength)
    light = 2e9 * np.pi * constants.c / wavelength
    scalar, vector = np.full(wavelength.shape, species.remainder_au.value), np.zeros(wavelength.shape)
    variance = np.full(wavelength.shape, species.remainder_au.error**2)
    for line in species.lines:
        own = line_polarizability(line, species.ground_j, light, shift)
        scalar += own
        vector += {0.5: -2.0, 1.0: 0.0, 1.5: 1.0}[line.upper_j] * own * light / line.frequency
        slope = 2 / line.frequency + 2 * line.frequency / (line.frequency**2 - light**2)  # of the logarithm against the line's frequency
        frequency_error = line.frequency * line.wavelength_nm.error / line.wavelength_nm.value
        structure = np.pi * 1e9 * species.splitting_ghz  # half the splitting, in rad/s
        variance += own**2 * (line.decay_error**2 + slope**2 * (frequency_error**2 + structure**2))
    return Polarizability(scalar, np.sqrt(variance), vector)


def line_polarizability(line: Line, ground_j: float, light: ArrayLike, shift: float = 0.0) -> NDArray[np.float64]:
    """What one line adds to the scalar polarizability, in atomic units; see `polarizability`.

    Parameters
    ----------
    line : Line
    ground_j : float
        Angular momentum J of the ground state.
    light : array_like of float
        Angular frequency of the light, rad/s.
    shift : float
        Energy over hbar of the ground level above its centre of gravity, rad/s.

    Returns
    -------
    ndarray, of the shape of `light`
        Positive below the line (red).

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> rubidium = known_species()["Rb-87"]
    >>> light = 2 * np.pi * constants.c / 1064e-9
    >>> [round(float(line_polarizability(line, rubidium.ground_j, light))) for line in rubidium.lines[:2]]
    [236, 441]
    """
    own = line.frequency - shift
    ratio = (2 * line.upper_j + 1) / (2 * ground_j + 1)
    strength = 2 * np.pi * constants.epsilon_0 * constants.c**3 * ratio * line.decay / line.frequency**3
    return np.asarray(strength * own / (own**2 - np.asarray(light) ** 2) / POLARIZABILITY_AU)


def check_wavelength(species: Species, wavelength_nm: ArrayLike) -> None:
    """Refuse light for which the lines of a species do not tell the polarizability.

    Parameters
    ----------
    species : Species
    wavelength_nm : array_like of float
        In vacuum.

    Raises
    ------
    InputError
        Out of the range of the species, or too close to a line.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> check_wavelength(known_species()["Rb-87"], 780.25)
    Traceback (most recent call last):
    ...
    holo.errors.InputError: wavelength_nm: found 780.25, 4.33 GHz from D2 of Rb-87; allowed: 68.3 GHz (0.139 nm) from it or more: ...
    """
    low, high = species.range_nm
    for wavelength in np.atleast_1d(np.asarray(wavelength_nm, np.float64)).ravel():
        if not low <= wavelength <= high:
            raise InputError(
                f"wavelength_nm: found {wavelength:g}; allowed: {low:g} to {high:g} nm, for which the lines of {species.name} are good"
            )
        for line in species.lines:
            detuning, near = detuning_ghz(line, wavelength), nearest_ghz(species, line)
            if abs(detuning) < near:
                raise InputError(
                    f"wavelength_nm: found {wavelength:.10g}, {abs(detuning):.3g} GHz from {line.name} of {species.name}; allowed:"
                    f" {near:.3g} GHz ({near / constants.c * wavelength**2:.3g} nm) from it or more: nearer, hyperfine structure and"
                    " saturation decide"
                )


def detuning_ghz(line: Line, wavelength_nm: float) -> float:
    """Frequency of the light less that of the line, GHz; negative is red.

    Parameters
    ----------
    line : Line
        Its wavelength in vacuum counts.
    wavelength_nm : float
        In vacuum.

    Returns
    -------
    float
        GHz.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> round(detuning_ghz(known_species()["Rb-87"].lines[1], 780.25), 2)
    -4.33
    """
    return float(constants.c / wavelength_nm - constants.c / line.wavelength_nm.value)


def nearest_ghz(species: Species, line: Line) -> float:
    """How close to a line light may come, GHz.

    Parameters
    ----------
    species : Species
    line : Line
        Of this species.

    Returns
    -------
    float
        The most of `NEAR_GHZ`, `NEAR_SPLITTINGS` ground state splittings and `NEAR_WIDTHS` linewidths.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> rubidium = known_species()["Rb-87"]
    >>> round(nearest_ghz(rubidium, rubidium.lines[1]), 1)
    68.3
    """
    return max(NEAR_GHZ, NEAR_SPLITTINGS * species.splitting_ghz, NEAR_WIDTHS * line.decay / (2e9 * np.pi))


def polarizability_doubts(species: Species, wavelength_nm: float, scalar_au: float, error_au: float) -> list[str]:
    """Say where the polarizability is less certain than it looks.

    Parameters
    ----------
    species : Species
    wavelength_nm : float
    scalar_au, error_au : float
        As found by `polarizability`.

    Returns
    -------
    list of str
        A sentence each; empty if there is no doubt.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> rubidium = known_species()["Rb-87"]
    >>> for doubt in polarizability_doubts(rubidium, 790.03, -11.2, 35.3):
    ...     print(doubt.split(":")[0])
    light of 790.03 nm is near a tune-out wavelength of Rb-87
    """
    doubts = []
    for line in species.lines:
        away = abs(detuning_ghz(line, wavelength_nm))
        if away < DOUBT_SPLITTINGS * species.splitting_ghz:
            doubts.append(
                f"light of {wavelength_nm:g} nm is {away:.3g} GHz from {line.name} of {species.name}, not far compared with the hyperfine"
                f" splitting of {species.splitting_ghz:.3g} GHz: the result depends on the hyperfine level by"
                f" {species.splitting_ghz / away:.1%}; give the level, and take the rest as an estimate"
            )
    if abs(scalar_au) < max(10 * error_au, sum(abs(_share(species, line, wavelength_nm)) for line in species.lines) / 200):
        doubts.append(
            f"light of {wavelength_nm:g} nm is near a tune-out wavelength of {species.name}: the scalar polarizability of"
            f" {scalar_au:.3g} a.u. is uncertain by {error_au:.2g} a.u.; vector and tensor parts may exceed it"
        )
    return doubts


def _share(species: Species, line: Line, wavelength_nm: float) -> float:
    return float(line_polarizability(line, species.ground_j, 2e9 * np.pi * constants.c / wavelength_nm))


def tune_out_nm(species: Species, between_nm: tuple[float, float], level: float | None = None, circular_g_m: float = 0.0) -> float:
    """Wavelength at which the polarizability vanishes, between two at which it has opposite signs.

    Parameters
    ----------
    species : Species
    between_nm : tuple of float
    level : float, optional
        As in `polarizability`.
    circular_g_m : float
        Circularity of the light times ``g_F m_F``; 0 for the scalar part alone.

    Returns
    -------
    float
        In vacuum.

    Raises
    ------
    InputError
        If it does not change sign between the two.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> round(tune_out_nm(known_species()["Rb-87"], (785.0, 792.0)), 3)
    790.031
    """
    from scipy.optimize import brentq

    def seen(wavelength: float) -> float:
        return float(polarizability(species, wavelength, level).seen_au(1.0, circular_g_m))

    ends = [seen(wavelength) for wavelength in between_nm]
    if ends[0] * ends[1] > 0:
        raise InputError(
            f"between_nm: found {between_nm}, where the polarizability is {ends[0]:.4g} and {ends[1]:.4g}; allowed: opposite signs"
        )
    return float(brentq(seen, *between_nm, xtol=1e-9))


def scattering_rates(
    scalar_au: ArrayLike, spin_au: ArrayLike, intensity_w_m2: ArrayLike, wavelength_nm: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Photons scattered per second by an atom in linearly polarised light.

    Parameters
    ----------
    scalar_au, spin_au : array_like of float
        Of `Polarizability`.
    intensity_w_m2 : array_like of float
    wavelength_nm : array_like of float

    Returns
    -------
    total, turning : ndarray of float
        All photons, and those that turn the electron's spin (Raman scattering).

    Notes
    -----
    ``w^3 I / (6 pi eps0^2 hbar c^4) (alpha_s^2 + 2 (alpha_v / 2)^2)``, Kramers and Heisenberg's formula for J = 1/2; the second term turns
    the spin (R. A. Cline and others, Opt. Lett. 19, 207 (1994); from memory). For one line it is eq. 11 of Grimm, Weidemueller
    and Ovchinnikov (2000), for the D lines near resonance their eq. 21.

    Examples
    --------
    >>> total, turning = scattering_rates(687.7, 15.0, 6.366e8, 1064.0)
    >>> print(f"{total:.3f} {turning:.1e}")
    0.361 3.4e-04
    """
    light = 2e9 * np.pi * constants.c / np.asarray(wavelength_nm, np.float64)
    per_square = light**3 * np.asarray(intensity_w_m2) / (6 * np.pi * constants.epsilon_0**2 * constants.hbar * constants.c**4)
    turning = 2 * per_square * (np.asarray(spin_au) * POLARIZABILITY_AU) ** 2
    return per_square * (np.asarray(scalar_au) * POLARIZABILITY_AU) ** 2 + turning, turning
