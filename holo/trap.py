"""What far-detuned light does to an atom: depth, shift, frequencies, sag, scattering and heating.

Functions on arrays take and give SI units, but for polarizabilities, which are in atomic units, and for what a name says otherwise.
Formulas give NaN for NaN, and their limits for infinities.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import constants

from holo.band import Lattice1D, lattice_bands, lattice_recoil_hz
from holo.checks import check_numbers
from holo.errors import InputError
from holo.polarizability import POLARIZABILITY_AU, polarizability, scattering_rates

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from holo.atoms import Species

MOST_MW = 1e6
"""Highest power that is taken for one, 1 kW."""

SPILL = np.exp(-0.5)
"""Steepest slope of a Gaussian trap over twice its depth per waist."""


@dataclass(frozen=True)
class State:
    """Which state of the atom the light acts on, and how circular the light is.

    Attributes
    ----------
    level : float or None
        Hyperfine level F; None for the centre of gravity of the ground state.
    m : float
        Magnetic quantum number m_F.
    circularity : float
        Of the light along the quantisation axis, from -1 (sigma-) over 0 (linear) to 1 (sigma+).

    Raises
    ------
    InputError
        If a number is out of range, or circular light is given without a level.
    """

    level: float | None = None
    m: float = 0.0
    circularity: float = 0.0

    def __post_init__(self) -> None:
        if not -1 <= self.circularity <= 1:
            raise InputError(f"circularity: found {self.circularity:g}; allowed: from -1 (sigma-) over 0 (linear) to 1 (sigma+)")
        if self.level is None and (self.m or self.circularity):
            raise InputError("level: found none beside m or circularity; needed: the hyperfine level F")
        if self.level is not None and not (self.level >= 0 and 2 * self.level % 1 == 0):
            raise InputError(f"level: found F = {self.level:g}; allowed: 0 or more in steps of 0.5, as the species has them")
        if self.level is not None and (abs(self.m) > self.level or (self.level - self.m) % 1):
            raise InputError(f"m: found {self.m:g}; allowed: from {-self.level:g} to {self.level:g} in steps of 1, for F = {self.level:g}")

    def g_m(self, species: Species) -> float:
        """``g_F m_F`` for g_J = 2: ``+-2 / (2 I + 1)`` times m for F = I +- 1/2; 0 for J = 0.

        Examples
        --------
        >>> from holo.atoms import known_species
        >>> State(2, 2).g_m(known_species()["Rb-87"]), State(1, 1).g_m(known_species()["Rb-87"])
        (1.0, -0.5)
        """
        if self.level is None or species.ground_j == 0:
            return 0.0
        sign = 1 if self.level > species.nuclear_spin else -1
        return sign * 2 * self.m / (2 * species.nuclear_spin + 1)


@dataclass(frozen=True, eq=False)
class AtomInLight:
    """How an atom answers to light of some wavelength, whatever its intensity.

    Attributes
    ----------
    species : Species
    wavelength_nm : float
    state : State
    scalar_au, error_au, vector_au : float
        As in `holo.polarizability.Polarizability`.
    seen_au : float
        Polarizability that the state sees.
    """

    species: Species
    wavelength_nm: float
    state: State
    scalar_au: float
    error_au: float
    vector_au: float
    seen_au: float

    @property
    def recoil_hz(self) -> float:
        """Recoil energy of a photon over h, ``h / (2 m lambda^2)``."""
        return recoil_hz(self.species.mass_kg, self.wavelength_nm)

    def depth_hz(self, intensity_w_m2: ArrayLike) -> NDArray[np.float64]:
        """Depth over h at some intensity; negative where the light repels the atom."""
        return depth_hz(self.seen_au, intensity_w_m2)

    def trap(self, intensity_w_m2: ArrayLike) -> Traps:
        """What atoms at rest in the brightest point of their traps see."""
        depth = self.depth_hz(intensity_w_m2)
        total, turning = scattering_rates(self.seen_au, self.vector_au / 2, intensity_w_m2, self.wavelength_nm)
        heating = 2 * self.recoil_hz * total  # in Hz/s: each photon brings one recoil energy as it comes and one as it goes
        with np.errstate(divide="ignore", invalid="ignore"):
            lasting = np.where(heating > 0, np.abs(depth) / heating, np.inf)
        return Traps(
            depth_uk=1e6 * kelvin(depth),
            depth_mhz=1e-6 * depth,
            depth_recoils=depth / self.recoil_hz,
            shift_mhz=-1e-6 * depth,
            scattering_per_s=total,
            spin_turning_per_s=turning,
            heating_uk_per_s=1e6 * kelvin(heating) / 3,
            heating_out_seconds=lasting,
        )


@dataclass(frozen=True, eq=False)
class Traps:
    """Depth, scattering and heating at some intensities; all arrays of one shape.

    Attributes
    ----------
    depth_uk, depth_mhz, depth_recoils : ndarray of float
        Depth over Boltzmann's constant, over h and over the recoil energy of the light; negative where the light repels.
    shift_mhz : ndarray of float
        Light shift of the state.
    scattering_per_s, spin_turning_per_s : ndarray of float
        Photons scattered, and those of them that turn the electron's spin, for linear light.
    heating_uk_per_s : ndarray of float
        Rise of the temperature in a harmonic trap.
    heating_out_seconds : ndarray of float
        Time in which scattering brings the whole depth as energy.
    """

    depth_uk: NDArray[np.float64]
    depth_mhz: NDArray[np.float64]
    depth_recoils: NDArray[np.float64]
    shift_mhz: NDArray[np.float64]
    scattering_per_s: NDArray[np.float64]
    spin_turning_per_s: NDArray[np.float64]
    heating_uk_per_s: NDArray[np.float64]
    heating_out_seconds: NDArray[np.float64]

    def mean(self) -> dict[str, float]:
        """Mean of each over all traps."""
        return {field.name: float(np.mean(getattr(self, field.name))) for field in fields(self)}


def atom_in_light(species: Species, wavelength_nm: float, state: State | None = None) -> AtomInLight:
    """Work out the answer of an atom to light of some wavelength.

    Raises
    ------
    InputError
        As `holo.polarizability.polarizability`.

    Notes
    -----
    Used by `AtomInLight.trap`: the depth is ``alpha I / (2 eps0 c)`` (R. Grimm, M. Weidemueller and Y. B. Ovchinnikov, Adv. At. Mol. Opt.
    Phys. 42, 95 (2000), eq. 2), heating ``2 E_r`` a photon, thus ``dT/dt = 2 E_r rate / (3 k_B)`` in a harmonic trap (their eqs. 22 to
    24; all numbers from memory).

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> light = atom_in_light(known_species()["Rb-87"], 1064.0)
    >>> traps = light.trap(gaussian_peak_w_m2(1e-3, 1e-6))  # 1 mW in a waist of 1 um
    >>> f"{traps.depth_uk:.2f} uK {traps.depth_mhz:.4f} MHz {traps.depth_recoils:.1f} recoils {traps.scattering_per_s:.3f} /s"
    '98.49 uK 2.0522 MHz 1012.0 recoils 0.361 /s'
    """
    state = state or State()
    found = polarizability(species, wavelength_nm, state.level)
    seen = found.seen_au(state.circularity, state.g_m(species))
    return AtomInLight(
        species=species,
        wavelength_nm=wavelength_nm,
        state=state,
        scalar_au=float(found.scalar_au),
        error_au=float(found.error_au),
        vector_au=float(found.vector_au),
        seen_au=float(seen),
    )


def recoil_hz(mass_kg: float, wavelength_nm: float) -> float:
    """Recoil energy of a photon over h, ``h / (2 m lambda^2)``, Hz.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> round(recoil_hz(known_species()["Rb-87"].mass_kg, 780.241209686), 1)
    3771.0
    """
    return float(constants.h / (2 * mass_kg * (wavelength_nm * 1e-9) ** 2))


def kelvin(energy_hz: ArrayLike) -> NDArray[np.float64]:
    """Energy over h in Hz as energy over Boltzmann's constant in K."""
    return np.asarray(np.asarray(energy_hz) * (constants.h / constants.k))


def depth_hz(polarizability_au: ArrayLike, intensity_w_m2: ArrayLike) -> NDArray[np.float64]:
    """Depth of a trap over h, ``alpha I / (2 eps0 c h)``, Hz.

    Examples
    --------
    >>> print(f"{depth_hz(1.0, 1.0):.6e}")
    4.687125e-06
    """
    per_unit = POLARIZABILITY_AU / (2 * constants.epsilon_0 * constants.c * constants.h)
    return np.asarray(np.asarray(polarizability_au) * np.asarray(intensity_w_m2) * per_unit)


def gaussian_peak_w_m2(power_w: ArrayLike, waist_m: ArrayLike) -> NDArray[np.float64]:
    """Peak intensity of a Gaussian beam, ``2 P / (pi w^2)``.

    Examples
    --------
    >>> print(f"{gaussian_peak_w_m2(1e-3, 1e-6):.6e}")
    6.366198e+08
    """
    return np.asarray(2 * np.asarray(power_w) / (np.pi * np.asarray(waist_m) ** 2))


def gaussian_frequencies_hz(
    depth: ArrayLike, mass_kg: float, waist_m: float, wavelength_m: float, index: float = 1.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Trap frequencies in a Gaussian beam: across it and along it.

    Parameters
    ----------
    depth : array_like of float
        Depth over h, Hz, 0 or more.
    mass_kg, waist_m, wavelength_m : float
    index : float
        Refractive index, of which the Rayleigh range ``pi n w^2 / lambda`` depends.

    Notes
    -----
    ``sqrt(4 U / (m w^2))`` and ``sqrt(2 U / (m z_R^2))`` over 2 pi (Grimm, Weidemueller and Ovchinnikov (2000), section IV; from memory).

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> across, along = gaussian_frequencies_hz(2.05085e6, known_species()["Rb-87"].mass_kg, 1e-6, 1.064e-6)
    >>> print(f"{across:.0f} {along:.1f}")
    30888 7397.2
    """
    energy = np.asarray(depth) * constants.h
    rayleigh = np.pi * index * waist_m**2 / wavelength_m
    return np.sqrt(4 * energy / mass_kg) / waist_m / (2 * np.pi), np.sqrt(2 * energy / mass_kg) / rayleigh / (2 * np.pi)


def curvature_frequencies_hz(depth: ArrayLike, mass_kg: float, curvature_per_m2: ArrayLike) -> NDArray[np.float64]:
    """Trap frequencies from the curvature of the light.

    Parameters
    ----------
    depth : array_like of float, shape (n,)
        Depth over h, Hz.
    mass_kg : float
    curvature_per_m2 : array_like of float, shape (n, axes)
        Second derivative of the intensity along each axis over the intensity; negative at a maximum.

    Returns
    -------
    ndarray of float64, shape (n, axes)
        ``sqrt(-U c / m) / (2 pi)``, Hz; NaN where the light does not hold the atom along the axis.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> curvature_frequencies_hz([2.05085e6], known_species()["Rb-87"].mass_kg, [[-4e12]]).round()  # -4 / w^2
    array([[30888.]])
    """
    stiffness = -np.asarray(depth)[..., None] * constants.h * np.asarray(curvature_per_m2) / mass_kg
    return np.sqrt(np.where(stiffness > 0, stiffness, np.nan)) / (2 * np.pi)


def sag_m(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """How far gravity pulls an atom out of a harmonic trap, ``g / (2 pi f)^2``, if it pulls along that axis.

    Examples
    --------
    >>> print(f"{1e9 * sag_m(1000.0):.1f} nm")
    248.4 nm
    """
    return np.asarray(constants.g / (2 * np.pi * np.asarray(frequency_hz)) ** 2)


def held_against_gravity(depth: ArrayLike, mass_kg: float, waist_m: float) -> NDArray[np.bool_]:
    """Whether a Gaussian trap holds an atom against gravity across the beam.

    Its steepest slope is ``2 U / w exp(-1/2)``, half a waist from the middle (elementary calculus).

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> held_against_gravity([1.0, 1e6], known_species()["Rb-87"].mass_kg, 1e-6)
    array([False,  True])
    """
    check_numbers(depth=depth, mass_kg=mass_kg, waist_m=waist_m)
    return np.asarray(2 * np.asarray(depth) * constants.h / waist_m * SPILL > mass_kg * constants.g)


def check_power(power_mw: float) -> float:
    """Refuse a power that cannot be one.

    Examples
    --------
    >>> check_power(-1.0)
    Traceback (most recent call last):
    ...
    holo.errors.InputError: power_mw: found -1; allowed: above 0, at most 1e+06 mW
    """
    if not 0 < power_mw <= MOST_MW:
        raise InputError(f"power_mw: found {power_mw:g}; allowed: above 0, at most {MOST_MW:g} mW")
    return power_mw


def power_for_depth(power_mw: float, depth_uk: float, wanted_uk: float) -> float:
    """Power that makes a wanted depth, from the depth that a power makes: they are in proportion.

    Raises
    ------
    InputError
        If the wanted depth is not above 0, or the light repels the atom.

    Examples
    --------
    >>> power_for_depth(1.0, 98.0, 490.0)
    5.0
    """
    check_numbers(power_mw=power_mw, depth_uk=depth_uk)
    if not 0 < wanted_uk <= 1e9:
        raise InputError(f"depth_uk: found {wanted_uk:g}; allowed: above 0, at most 1e+09 uK")
    if not depth_uk > 0:
        raise InputError(
            f"depth_uk: found {wanted_uk:g} with light that repels the atom; allowed: none, no power of this light makes a trap"
        )
    return power_mw * wanted_uk / depth_uk


@dataclass(frozen=True, eq=False)
class BeamTrap:
    """An atom in the focus of a Gaussian beam, travelling or sent back into itself.

    Attributes
    ----------
    traps : Traps
        Of arrays without axes.
    across_hz, along_hz : float
        Trap frequencies; along a beam that is sent back, of one site of its standing wave.
    held : bool
        Whether it holds the atom against gravity across the beam.
    lattice : Lattice1D or None
        The standing wave of a beam that is sent back.
    """

    traps: Traps
    across_hz: float
    along_hz: float
    held: bool
    lattice: Lattice1D | None


def beam_trap(light: AtomInLight, power_mw: float, waist_um: float, sent_back: bool = False) -> BeamTrap:
    """Work out the trap of a Gaussian beam.

    Parameters
    ----------
    light : AtomInLight
    power_mw : float
        In the focus.
    waist_um : float
        1/e^2 radius there.
    sent_back : bool
        Whether the beam is sent back into itself without loss: four times the intensity, in a standing wave of spacing lambda / 2.

    Raises
    ------
    InputError
        If the power or the waist cannot be one, or light that is sent back repels the atom.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> found = beam_trap(atom_in_light(known_species()["Rb-87"], 1064.0), 49.44, 100.0, sent_back=True)
    >>> f"{found.lattice.depth:.1f}"  # recoil energies
    '20.0'
    """
    check_power(power_mw)
    if not 1e-3 * light.wavelength_nm / np.pi <= waist_um <= 1e6:
        raise InputError(
            f"waist_um: found {waist_um:g}; allowed: {1e-3 * light.wavelength_nm / np.pi:.3g} (wavelength / pi, beyond which no beam is"
            " focussed) to 1e+06 um"
        )
    traps = light.trap(gaussian_peak_w_m2(1e-3 * power_mw, 1e-6 * waist_um) * (4 if sent_back else 1))
    depth, mass = max(1e6 * float(traps.depth_mhz), 0.0), light.species.mass_kg
    across, along = gaussian_frequencies_hz(depth, mass, 1e-6 * waist_um, 1e-9 * light.wavelength_nm)
    lattice = None
    if sent_back:
        if light.seen_au < 0:
            raise InputError(
                f"wavelength_nm: found {light.wavelength_nm:g}, which repels the atom; allowed with a beam sent back: light that attracts"
            )
        lattice = lattice_bands(float(traps.depth_recoils))
        along = np.asarray(lattice.harmonic * light.recoil_hz)
    return BeamTrap(traps, float(across), float(along), bool(held_against_gravity(depth, mass, 1e-6 * waist_um)), lattice)


def told_beam(beam: BeamTrap, light: AtomInLight) -> dict[str, Any]:
    """What there is to say about the trap of a beam, as a JSON-compatible dict."""
    traps = beam.traps.mean()
    found = {
        **traps,
        "depth_error_uk": abs(traps["depth_uk"] * light.error_au / light.seen_au),
        "gaussian_across_khz": 1e-3 * beam.across_hz,
        "gaussian_along_khz": 1e-3 * beam.along_hz,
    }
    if light.seen_au > 0:
        found |= {"sag_across_nm": 1e9 * float(sag_m(beam.across_hz)), "sag_along_nm": 1e9 * float(sag_m(beam.along_hz))}
    spacing = 5e-4 * light.wavelength_nm
    return found if beam.lattice is None else {**found, **told_lattice(light.species.mass_kg, spacing, beam.lattice)}


def told_lattice(mass_kg: float, spacing_um: float, lattice: Lattice1D) -> dict[str, float]:
    """What there is to say about an atom in a standing wave of some spacing, as a JSON-compatible dict.

    Raises
    ------
    InputError
        If the spacing cannot be one.
    """
    if not 0.01 <= spacing_um <= 1000:
        raise InputError(f"spacing_um: found {spacing_um:g}; allowed: 0.01 to 1000")
    recoil = lattice_recoil_hz(mass_kg, spacing_um)
    return {
        "lattice_spacing_um": spacing_um,
        "lattice_depth_recoils": lattice.depth,
        "lattice_depth_uk": 1e6 * float(kelvin(lattice.depth * recoil)),
        "lattice_recoil_khz": 1e-3 * recoil,
        "band_gap_khz": 1e-3 * lattice.gap * recoil,
        "band_gap_recoils": lattice.gap,
        "on_site_khz": 1e-3 * lattice.harmonic * recoil,
        "tunnelling_hz": lattice.tunnelling * recoil,
        "tunnelling_recoils": lattice.tunnelling,
    }


def told_atom(light: AtomInLight) -> dict[str, Any]:
    """What there is to say about an atom in light, as a JSON-compatible dict."""
    return {
        "species": light.species.name,
        "wavelength_nm": light.wavelength_nm,
        "level": light.state.level,
        "polarizability_au": light.seen_au,
        "scalar_polarizability_au": light.scalar_au,
        "scalar_polarizability_error_au": light.error_au,
        "vector_polarizability_au": light.vector_au,
        "recoil_khz": 1e-3 * light.recoil_hz,
        "recoil_nk": 1e9 * float(kelvin(light.recoil_hz)),
    }
