"""Bands of a standing wave against Mathieu's characteristic values and a table computed with another program."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import mathieu_a, mathieu_b

from holo.band import band_energies, lattice_bands, lattice_recoil_hz
from holo.errors import InputError

TABLE = [
    # s, E0(0), E0(edge), J, gap at q = 0, 2 sqrt(s)
    (5, 1.818774, 2.082985, 0.0657673, 4.55189, 4.47214),
    (10, 2.846922, 2.923668, 0.0191825, 5.64555, 6.32456),
    (15, 3.589238, 3.615314, 0.00651882, 6.80184, 7.74597),
    (20, 4.199954, 4.209919, 0.00249135, 7.89951, 8.94427),
    (40, 6.063020, 6.063448, 0.000106869, 11.55482, 12.64911),
]


@pytest.mark.parametrize("row", TABLE)
def test_table_of_lattices(row):
    found = lattice_bands(row[0])
    assert (found.lowest, found.edge, found.tunnelling, found.gap_centre, found.harmonic) == pytest.approx(row[1:], rel=1e-5)


@pytest.mark.parametrize("s", [0.1, 1, 8, 30, 200, 3000])
def test_edges_are_mathieu_characteristic_values(s):
    """``-psi'' + s sin^2(x) psi = E psi`` is Mathieu's equation with a = E - s / 2 and q = -s / 4 (DLMF 28.2)."""
    found = lattice_bands(s)
    assert found.lowest == pytest.approx(mathieu_a(0, s / 4) + s / 2, rel=1e-9)
    assert found.edge == pytest.approx(mathieu_b(1, s / 4) + s / 2, rel=1e-9)
    assert found.edge + found.gap == pytest.approx(mathieu_a(1, s / 4) + s / 2, rel=1e-9)
    assert found.lowest + found.gap_centre == pytest.approx(mathieu_b(2, s / 4) + s / 2, rel=1e-9)


def test_no_lattice_is_a_free_atom():
    q = np.linspace(-1, 1, 9)
    np.testing.assert_allclose(band_energies(0.0, q, 1)[:, 0], q**2, atol=1e-12)


def test_weak_lattice_opens_half_its_depth():
    """First order of degenerate perturbation: the gap at the edge is s / 2."""
    assert lattice_bands(1e-3).gap == pytest.approx(5e-4, rel=1e-6)


def test_deep_lattice_tunnels_as_the_closed_formula_says():
    """Where the band is too narrow for 64 bits the formula takes over; it comes nearer as the lattice gets deeper (Zwerger 2003)."""
    ratio = [lattice_bands(s).tunnelling / (4 / np.sqrt(np.pi) * s**0.75 * np.exp(-2 * np.sqrt(s))) for s in (10, 40, 100, 1000)]
    assert ratio[0] < ratio[1] < ratio[2] < ratio[3] == pytest.approx(1)
    assert ratio[1] == pytest.approx(0.000106869 / 0.000115237, rel=1e-5)


def test_tunnelling_in_hertz():
    """Rubidium 87 in the lattice of light of 1064 nm sent back: 133.36 and 5.052 Hz at 5 and 20 recoil energies."""
    recoil = lattice_recoil_hz(86.909180520 * 1.66053906660e-27, 0.532)
    assert lattice_bands(5).tunnelling * recoil == pytest.approx(133.36, rel=1e-4)
    assert lattice_bands(20).tunnelling * recoil == pytest.approx(5.052, rel=1e-4)
    assert lattice_recoil_hz(86.909180520 * 1.66053906660e-27, 0.752) == pytest.approx(1014.88, rel=1e-5)


@pytest.mark.parametrize("depth", [-1.0, 2e5, float("nan")])
def test_impossible_depths_are_refused(depth):
    with pytest.raises(InputError, match=r"lattice depth: found .*; allowed: 0 to 100000"):
        lattice_bands(depth)
