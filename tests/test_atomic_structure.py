"""Line strengths and polarizabilities of the alkalis against an independent atomic-structure library, where it is installed.

N. Sibalic et al., Comput. Phys. Commun. 220, 319 (2017): measured and model-potential dipoles, other wavelengths and sums than holo's.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import constants

from holo.atoms import DIPOLE_AU, known_species
from holo.polarizability import POLARIZABILITY_AU, polarizability

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    arc = pytest.importorskip("arc", reason="the atomic-structure library is not installed")

pytestmark = pytest.mark.filterwarnings("ignore")

KNOWN = known_species()
ATOMS = {
    "Li-6": ("Lithium6", 2),
    "Li-7": ("Lithium7", 2),
    "Na-23": ("Sodium", 3),
    "K-39": ("Potassium39", 4),
    "K-40": ("Potassium40", 4),
    "K-41": ("Potassium41", 4),
    "Rb-85": ("Rubidium85", 5),
    "Rb-87": ("Rubidium87", 5),
    "Cs-133": ("Caesium", 6),
}
WITHIN = {"Li": 0.014, "Na": 0.003, "K-": 0.004, "Rb": 3e-4, "Cs": 0.0015}
"""Of the dipoles of the D lines: lithium's come from a model potential there."""


@pytest.fixture(scope="module", params=ATOMS)
def pair(request):
    """A species, the library's atom and its principal quantum number."""
    name, (kind, n) = request.param, ATOMS[request.param]
    return KNOWN[name], getattr(arc, kind)(), n


def theirs(atom, n, number, ground):
    """(wavelength nm, dipole) of line `number`: D1, D2, and so on up."""
    upper, j = ground + number // 2, 0.5 + number % 2
    wavelength = abs(atom.getTransitionWavelength(n, 0, 0.5, upper, 1, j)) * 1e9
    return wavelength, abs(atom.getReducedMatrixElementJ(n, 0, 0.5, upper, 1, j))


def test_masses(pair):
    species, atom, _ = pair
    assert species.mass_kg == pytest.approx(atom.mass, rel=3e-7)


def test_d_lines(pair):
    species, atom, n = pair
    for number, line in enumerate(species.lines[:2]):
        wavelength, dipole = theirs(atom, n, number, n)
        assert line.wavelength_nm.value == pytest.approx(wavelength, rel=3e-5)
        assert line.dipole == pytest.approx(dipole, rel=WITHIN[species.name[:2]])


def test_far_lines(pair):
    """They add a per cent at most: wavelengths to 0.02 nm, strengths to a tenth."""
    species, atom, n = pair
    for number, line in enumerate(species.lines[2:], 2):
        wavelength, dipole = theirs(atom, n, number, n)
        assert line.wavelength_nm.value == pytest.approx(wavelength, abs=0.02)
        assert line.dipole == pytest.approx(dipole, rel=0.1)


@pytest.mark.parametrize("nm", [1064.0, 1550.0])
def test_polarizability_from_their_lines(pair, nm):
    """The library's lines up to n + 12 and its core, summed here with a formula in terms of dipoles."""
    species, atom, n = pair
    light, total = 2e9 * np.pi * constants.c / nm, atom.alphaC
    for number in range(24):
        wavelength, dipole = theirs(atom, n, number, n)
        own = 2e9 * np.pi * constants.c / wavelength
        term = 2 / (3 * 2 * constants.hbar) * (dipole * DIPOLE_AU) ** 2 * own / (own**2 - light**2)
        total += term / POLARIZABILITY_AU
    found = float(polarizability(species, nm).scalar_au)
    within = 0.025 if species.name.startswith("Li") else 0.006
    assert found == pytest.approx(total, rel=within)
