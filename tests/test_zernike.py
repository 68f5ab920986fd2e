"""Zernike polynomials against published tables, exact arithmetic and quadrature."""

from __future__ import annotations

from fractions import Fraction
from math import factorial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import gamma

from holo.errors import InputError
from holo.zernike import ansi, ansi_to_nm, fringe, noll, noll_index, norm, radial, zernike, zernike_sum

# Noll j, n, m, ANSI j, Fringe j, norm^2. Noll, J. Opt. Soc. Am. 66, 207 (1976), Table I; OEIS A375779 (Noll to ANSI),
# A176988 (Noll), A375510 (Fringe).
TABLE = [
    (1, 0, 0, 0, 1, 1),
    (2, 1, 1, 2, 2, 4),
    (3, 1, -1, 1, 3, 4),
    (4, 2, 0, 4, 4, 3),
    (5, 2, -2, 3, 6, 6),
    (6, 2, 2, 5, 5, 6),
    (7, 3, -1, 7, 8, 8),
    (8, 3, 1, 8, 7, 8),
    (9, 3, -3, 6, 11, 8),
    (10, 3, 3, 9, 10, 8),
    (11, 4, 0, 12, 9, 5),
    (12, 4, 2, 13, 12, 10),
    (13, 4, -2, 11, 13, 10),
    (14, 4, 4, 14, 17, 10),
    (15, 4, -4, 10, 18, 10),
    (16, 5, 1, 18, 14, 12),
    (17, 5, -1, 17, 15, 12),
    (18, 5, 3, 19, 19, 12),
    (19, 5, -3, 16, 20, 12),
    (20, 5, 5, 20, 26, 12),
    (21, 5, -5, 15, 27, 12),
]


@pytest.mark.parametrize(("j", "n", "m", "ansi_j", "fringe_j", "norm2"), TABLE)
def test_index_tables(j, n, m, ansi_j, fringe_j, norm2):
    assert noll(j) == (n, m)
    assert noll_index(n, m) == j
    assert ansi(n, m) == ansi_j
    assert ansi_to_nm(ansi_j) == (n, m)
    assert fringe(n, m) == fringe_j
    assert norm(n, m) ** 2 == pytest.approx(norm2, rel=1e-14)


def test_fringe_rows():
    """OEIS A375510, rows n = 0 to 4, m from -n to n."""
    rows = [[fringe(n, m) for m in range(-n, n + 1, 2)] for n in range(5)]
    assert rows == [[1], [3, 2], [6, 4, 5], [11, 8, 7, 10], [18, 13, 9, 12, 17]]


@given(st.integers(1, 10**12))
def test_indices_round_trip(j):
    assert noll_index(*noll(j)) == j
    assert ansi(*ansi_to_nm(j - 1)) == j - 1


def test_each_polynomial_has_one_index():
    orders = [(n, m) for n in range(30) for m in range(-n, n + 1, 2)]
    assert sorted(noll_index(n, m) for n, m in orders) == list(range(1, len(orders) + 1))
    assert sorted(ansi(n, m) for n, m in orders) == list(range(len(orders)))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: noll(0), r"j: found Noll index 0; allowed: from 1 up"),
        (lambda: zernike(-3, 0.5, 0.0), r"j: found Noll index -3"),
        (lambda: ansi_to_nm(-1), r"j: found OSA/ANSI index -1; allowed: from 0 up"),
        (lambda: ansi(3, 2), r"n, m: found 3, 2; allowed: .*steps of 2"),
        (lambda: noll_index(2, -4), r"n, m: found 2, -4"),
        (lambda: fringe(-1, 1), r"n, m: found -1, 1"),
        (lambda: radial(3, 0, 0.5), r"n, m: found 3, 0"),
    ],
)
def test_no_such_polynomial(call, message):
    with pytest.raises(InputError, match=message):
        call()


def test_orthonormal_on_the_disk():
    """Gram matrix of Noll 1 to 36 is the identity; the quadrature (Gauss-Legendre times uniform angles) is exact for them."""
    node, weight = np.polynomial.legendre.leggauss(20)
    rho, weight = np.sqrt((node + 1) / 2), weight / 2  # uniform in rho^2
    theta = 2 * np.pi * np.arange(40) / 40
    values = np.array([zernike(j, rho[:, None], theta) for j in range(1, 37)])
    gram = np.einsum("ark,brk,r->ab", values, values, weight) / 40
    assert gram == pytest.approx(np.eye(36), abs=1e-12)


def test_edge_and_centre_values():
    edge = np.array([radial(n, m, 1.0) for n in range(31) for m in range(n % 2, n + 1, 2)])
    assert edge == pytest.approx(1, abs=1e-12)
    centre = [zernike(4, 0, 0), zernike(11, 0, 0), zernike(22, 0, 0), zernike(11, np.sqrt(0.5), 0)]
    assert centre == pytest.approx([-np.sqrt(3), np.sqrt(5), -np.sqrt(7), -np.sqrt(5) / 2], abs=1e-12)


def test_low_orders_written_out():
    """Noll (1976), Table I, in x and y: tip and tilt, astigmatism, coma, trefoil; sine terms go with y."""
    x, y = np.random.default_rng(1).uniform(-0.7, 0.7, (2, 50))
    r2 = x**2 + y**2
    expected = {
        2: 2 * x,
        3: 2 * y,
        4: np.sqrt(3) * (2 * r2 - 1),
        5: np.sqrt(6) * 2 * x * y,
        6: np.sqrt(6) * (x**2 - y**2),
        7: np.sqrt(8) * (3 * r2 - 2) * y,
        8: np.sqrt(8) * (3 * r2 - 2) * x,
        9: np.sqrt(8) * (3 * x**2 * y - y**3),
        10: np.sqrt(8) * (x**3 - 3 * x * y**2),
        11: np.sqrt(5) * (6 * r2**2 - 6 * r2 + 1),
    }
    for j, values in expected.items():
        assert zernike(j, np.sqrt(r2), np.arctan2(y, x)) == pytest.approx(values, abs=1e-13)


@pytest.mark.parametrize("n", [2, 5, 10, 14, 20, 30])
def test_recurrence_keeps_its_digits(n):
    """Against the sum of factorials (Noll 1976, eq. 2) in exact fractions, where floating-point powers would lose digits."""
    rho = [Fraction(k, 64) for k in range(65)]
    for m in range(n % 2, n + 1, 2):
        exact = [float(_radial_exactly(n, m, r)) for r in rho]
        assert radial(n, m, [float(r) for r in rho]) == pytest.approx(exact, abs=1e-14)


def _radial_exactly(n, m, rho):
    terms = range((n - m) // 2 + 1)
    return sum(
        Fraction((-1) ** k * factorial(n - k), factorial(k) * factorial((n + m) // 2 - k) * factorial((n - m) // 2 - k))
        * rho ** (n - 2 * k)
        for k in terms
    )


def test_fringe_coefficient_to_waves_rms():
    """One wave of Fringe Z9 (spherical aberration, 6 rho^4 - 6 rho^2 + 1) is 1/sqrt(5) waves rms of Noll 11."""
    assert fringe(4, 0) == 9
    assert 1 / norm(4, 0) == pytest.approx(0.4472135955, abs=1e-10)
    assert zernike_sum({noll_index(4, 0): 1 / norm(4, 0)}, 1.0, 0.3) == pytest.approx(1, abs=1e-12)


def test_sum_is_linear_and_broadcasts():
    rho, theta = np.linspace(0, 1, 5)[:, None], np.linspace(-3, 3, 7)
    total = zernike_sum({5: 0.3, 8: -0.1}, rho, theta)
    assert total.shape == (5, 7)
    assert total == pytest.approx(0.3 * zernike(5, rho, theta) - 0.1 * zernike(8, rho, theta), abs=1e-15)
    assert not zernike_sum({}, rho, theta).any()


# Noll (1976), Table IV as printed: residual variance after correcting J terms, (D/r0)^(5/3) rad^2.
RESIDUALS = {
    1: 1.0299,
    2: 0.582,
    3: 0.134,
    4: 0.111,
    5: 0.0880,
    6: 0.0648,
    7: 0.0587,
    8: 0.0525,
    9: 0.0463,
    10: 0.0401,
    11: 0.0377,
    12: 0.0352,
    13: 0.0328,
    14: 0.0304,
    15: 0.0279,
    16: 0.0267,
    17: 0.0255,
    18: 0.0243,
    19: 0.0232,
    20: 0.0220,
    21: 0.0208,
}


def _kolmogorov_covariance(j, k):
    """Covariance of two Noll terms of Kolmogorov turbulence, (D/r0)^(5/3) rad^2: Noll (1976), eq. 25."""
    (n, m), (p, q) = noll(j), noll(k)
    if m != q:
        return 0.0
    spectrum = (24 / 5 * gamma(6 / 5)) ** (5 / 6) * gamma(11 / 6) ** 2 / (2 * np.pi ** (11 / 3))  # 0.0229; rounded to 0.023 in print
    constant = spectrum * np.pi ** (8 / 3) * 2 ** (-5 / 3) * gamma(14 / 3)
    sign = (-1) ** ((n + p - 2 * abs(m)) // 2)
    over = gamma((n - p + 17 / 3) / 2) * gamma((p - n + 17 / 3) / 2) * gamma((n + p + 23 / 3) / 2)
    return constant * sign * np.sqrt((n + 1) * (p + 1)) * gamma((n + p - 5 / 3) / 2) / over


def test_turbulence_residuals():
    """The printed Delta_1 to Delta_3 are low by up to 0.0025 (exact: 1.032421639); from Delta_4 on they hold to 5e-4."""
    assert _kolmogorov_covariance(2, 2) == pytest.approx(0.448879, abs=1e-6)
    assert _kolmogorov_covariance(2, 8) == pytest.approx(-0.0141641, abs=1e-6)
    left = 1.032421639 - np.cumsum([0.0] + [_kolmogorov_covariance(j, j) for j in range(2, 22)])
    printed = np.array(list(RESIDUALS.values()))
    assert left == pytest.approx(printed, abs=0.003)
    assert left[3:] == pytest.approx(printed[3:], abs=5e-4)


def test_modes_carry_the_turbulence_of_the_disk():
    """Values and covariances together: the structure function of the modal sum approaches Kolmogorov's 6.883877 r^(5/3) from below."""
    points = np.array([[0.3, 0.0], [-0.3, 0.0]])  # in radii; 0.3 diameters apart
    rho, theta = np.hypot(*points.T), np.arctan2(points[:, 1], points[:, 0])
    steps = {j: np.diff(zernike(j, rho, theta))[0] for j in range(2, 232)}
    total = sum(a * b * _kolmogorov_covariance(j, k) for j, a in steps.items() for k, b in steps.items() if noll(j)[1] == noll(k)[1])
    assert total == pytest.approx(6.883877182 * 0.3 ** (5 / 3), rel=0.02)
    assert total < 6.883877182 * 0.3 ** (5 / 3)
