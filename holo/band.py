"""Bands of a standing wave of light: exact energies, gap and tunnelling of an atom in ``V = s E_r sin^2(k x)``.

Energies are in recoil energies ``E_r = h^2 / (8 m a^2)`` of a lattice of spacing ``a = pi / k``, quasimomenta in ``hbar k``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import constants

from holo.checks import check_finite
from holo.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

DEEPEST = 1e5
"""Deepest lattice, in recoil energies: beyond, tunnelling is far below what numbers of 64 bits resolve."""

RESOLVED = 1e-11
"""Smallest width of the lowest band over its energy that is taken from its energies; below, rounding would show."""


@dataclass(frozen=True)
class Lattice1D:
    """An atom in the lowest bands of a standing wave.

    Attributes
    ----------
    depth : float
        s, in recoil energies.
    lowest, edge : float
        Energy of the lowest band at quasimomentum 0 and at the edge of the zone.
    tunnelling : float
        J between neighbours: the lowest band is ``const - 2 J cos(pi q) - ...``. Where the band is too narrow for numbers of 64 bits,
        ``(4 / sqrt(pi)) s^(3/4) exp(-2 sqrt(s))`` (W. Zwerger, J. Opt. B 5, S9 (2003), eq. 16; number from memory).
    gap : float
        Least distance of the two lowest bands, at the edge of the zone.
    gap_centre : float
        Their distance at quasimomentum 0.
    harmonic : float
        ``2 sqrt(s)``, the quantum of a site's harmonic approximation.
    """

    depth: float
    lowest: float
    edge: float
    tunnelling: float
    gap: float
    gap_centre: float
    harmonic: float


def band_energies(depth: float, quasimomenta: NDArray[np.float64], bands: int = 2) -> NDArray[np.float64]:
    """Energies of the lowest bands of ``s sin^2(k x)``, in recoil energies.

    Parameters
    ----------
    depth : float
        s, 0 or more.
    quasimomenta : ndarray of float, shape (n,)
        In units of ``hbar k``; the zone reaches from -1 to 1.
    bands : int

    Returns
    -------
    ndarray of float64, shape (n, bands)

    Notes
    -----
    Mathieu's equation in plane waves ``exp(i (q + 2 l) k x)``: diagonal ``(q + 2 l)^2 + s / 2``, beside it ``-s / 4`` (D. Jaksch and
    others, PRL 81, 3108 (1998), for the problem; the matrix is textbook knowledge, no source).

    Examples
    --------
    >>> band_energies(10.0, np.array([0.0, 1.0])).round(5)
    array([[2.84692, 8.49247],
           [2.92367, 7.49593]])
    """
    from scipy.linalg import eigvalsh_tridiagonal

    if not 0 <= depth <= DEEPEST:
        raise InputError(f"lattice depth: found {depth:g} recoil energies; allowed: 0 to {DEEPEST:g}")
    check_finite("quasimomenta", quasimomenta)
    reach = bands + 12 + int(np.ceil(2 * depth**0.25 + np.sqrt(depth) / 2))
    orders = 2.0 * np.arange(-reach, reach + 1)
    beside = np.full(len(orders) - 1, -depth / 4)
    return np.array(
        [eigvalsh_tridiagonal((q + orders) ** 2 + depth / 2, beside, select="i", select_range=(0, bands - 1)) for q in quasimomenta]
    )


def lattice_bands(depth: float) -> Lattice1D:
    """Lowest bands, gap and tunnelling of a standing wave.

    Parameters
    ----------
    depth : float
        s, in recoil energies, from 0 to `DEEPEST`.

    Raises
    ------
    InputError
        If the depth is out of that range.

    Examples
    --------
    >>> found = lattice_bands(10.0)
    >>> f"{found.tunnelling:.7f} {found.gap_centre:.5f} {found.harmonic:.5f}"
    '0.0191825 5.64555 6.32456'
    """
    count = 64  # of quasimomenta around the zone; the band's Fourier components fall off exponentially
    quasimomenta = 2 * np.arange(count) / count
    energy = band_energies(depth, quasimomenta)
    lowest, edge = energy[0], energy[count // 2]
    tunnelling = -float(np.mean(energy[:, 0] * np.cos(np.pi * quasimomenta)))
    resolved = edge[0] - lowest[0] > RESOLVED * max(1.0, lowest[0])
    return Lattice1D(
        depth=depth,
        lowest=float(lowest[0]),
        edge=float(edge[0]),
        tunnelling=tunnelling if resolved else tunnelling_deep(depth),
        gap=float(edge[1] - edge[0]),
        gap_centre=float(lowest[1] - lowest[0]),
        harmonic=float(2 * np.sqrt(depth)),
    )


def tunnelling_deep(depth: float) -> float:
    """Tunnelling in a deep lattice, ``(4 / sqrt(pi)) s^(3/4) exp(-2 sqrt(s))``, in recoil energies (source: `Lattice1D`).

    Examples
    --------
    >>> round(tunnelling_deep(20.0), 7)
    0.0027849
    """
    return float(4 / np.sqrt(np.pi) * depth**0.75 * np.exp(-2 * np.sqrt(depth)))


def lattice_recoil_hz(mass_kg: float, spacing_um: float) -> float:
    """Recoil energy over h of a lattice of some spacing, ``h / (8 m a^2)``, Hz.

    Examples
    --------
    >>> from holo.atoms import known_species
    >>> round(lattice_recoil_hz(known_species()["Rb-87"].mass_kg, 0.532), 2)
    2027.81
    """
    return float(constants.h / (8 * mass_kg * (spacing_um * 1e-6) ** 2))
