"""Zernike polynomials on the pupil: index schemes and values.

A polynomial is named by its radial order ``n`` and its azimuthal frequency ``m``, where ``m < 0`` means the sine term, as in
Noll's table (R. J. Noll, J. Opt. Soc. Am. 66, 207 (1976), doi:10.1364/JOSA.66.000207). The pupil is the unit disk: ``rho`` is the
radius over the pupil's radius and ``theta = arctan2(y, x)`` with y downwards, as everywhere in holo.
Equations and sections are cited from memory; the index tables are checked against the published ones in the tests.
"""

from __future__ import annotations

import math
from itertools import count, islice
from typing import TYPE_CHECKING

import numpy as np

from holo.checks import check_finite
from holo.errors import InputError

BLOCK = 8192  # points whose Zernike terms are summed together

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import ArrayLike, NDArray


def noll(j: int) -> tuple[int, int]:
    """Radial order and azimuthal frequency of a Noll index.

    Parameters
    ----------
    j : int
        Noll index, from 1 (piston) up.

    Returns
    -------
    n, m : int
        ``m < 0`` for sine terms; even `j` are cosine terms.

    Raises
    ------
    InputError
        If `j` is below 1.

    Notes
    -----
    Noll (1976), Table I: within one ``n`` the ``|m|`` rise, and the even index of a pair is the cosine term.

    Examples
    --------
    >>> [noll(j) for j in (1, 4, 5, 6, 11)]
    [(0, 0), (2, 0), (2, -2), (2, 2), (4, 0)]
    """
    if j < 1:
        raise InputError(f"j: found Noll index {j}; allowed: from 1 up")
    n = _row(j - 1)
    place = j - 1 - n * (n + 1) // 2
    m = n % 2 + 2 * ((place + (n + 1) % 2) // 2)
    return n, (m if j % 2 == 0 else -m)


def noll_index(n: int, m: int) -> int:
    """Noll index of the polynomial ``(n, m)``, the inverse of `noll`.

    Raises
    ------
    InputError
        If there is no such polynomial: ``|m| <= n`` with ``n - |m|`` even is needed.

    Examples
    --------
    >>> noll_index(3, -1)
    7
    """
    _check(n, m)
    first = n * (n + 1) // 2 + abs(m)
    if m == 0:
        return first + 1
    return first if (first % 2 == 0) == (m > 0) else first + 1


def ansi(n: int, m: int) -> int:
    """OSA/ANSI single index of the polynomial ``(n, m)``, from 0 up.

    Raises
    ------
    InputError
        If there is no such polynomial.

    Notes
    -----
    ``j = (n (n + 2) + m) / 2``: ANSI Z80.28 and ISO 24157 (titles of the standards from memory).

    Examples
    --------
    >>> ansi(4, 0)
    12
    """
    _check(n, m)
    return (n * (n + 2) + m) // 2


def ansi_to_nm(j: int) -> tuple[int, int]:
    """Radial order and azimuthal frequency of an OSA/ANSI single index, the inverse of `ansi`.

    Raises
    ------
    InputError
        If `j` is below 0.

    Examples
    --------
    >>> ansi_to_nm(12)
    (4, 0)
    """
    if j < 0:
        raise InputError(f"j: found OSA/ANSI index {j}; allowed: from 0 up")
    n = _row(j)
    return n, 2 * j - n * (n + 2)


def fringe(n: int, m: int) -> int:
    """Fringe (University of Arizona) index of the polynomial ``(n, m)``, from 1 up.

    Fringe polynomials have amplitude 1 at the edge; divide a Fringe coefficient by `norm` to get the Noll one (waves rms).

    Raises
    ------
    InputError
        If there is no such polynomial.

    Notes
    -----
    ``j = (1 + (n + |m|)/2)^2 - 2|m| + [m < 0]``, the ordering of OEIS A375510.

    Examples
    --------
    >>> fringe(4, 0)
    9
    """
    _check(n, m)
    return (1 + (n + abs(m)) // 2) ** 2 - 2 * abs(m) + (m < 0)


def norm(n: int, m: int) -> float:
    """Factor that gives the polynomial ``(n, m)`` with edge amplitude 1 an rms of 1 over the unit disk.

    Notes
    -----
    ``sqrt(n + 1)`` for ``m = 0``, else ``sqrt(2 (n + 1))``: Noll (1976), eq. 1.

    Raises
    ------
    InputError
        If there is no such polynomial.

    Examples
    --------
    >>> round(1 / norm(4, 0), 6)  # one wave of Fringe Z9 in waves rms
    0.447214
    """
    _check(n, m)
    return float(np.sqrt((n + 1) * (1 if m == 0 else 2)))


def zernike(j: int, rho: ArrayLike, theta: ArrayLike) -> NDArray[np.float64]:
    """Values of a Noll-normalised Zernike polynomial (rms 1 over the unit disk).

    Parameters
    ----------
    j : int
        Noll index.
    rho, theta : array_like, of shapes that broadcast
        Radius over the pupil's radius; angle ``arctan2(y, x)``, rad.

    Returns
    -------
    ndarray, of the broadcast shape

    Raises
    ------
    InputError
        If `j` is below 1.

    Notes
    -----
    Noll (1976), eq. 1. The radial part is summed by a recurrence and keeps full precision where the textbook sum of
    alternating factorials loses digits.

    Examples
    --------
    >>> zernike(4, [0.0, 1.0], 0.0).round(6)  # defocus: -sqrt(3) at the centre, +sqrt(3) at the edge
    array([-1.732051,  1.732051])
    """
    n, m = noll(j)
    angle = np.asarray(theta, float)
    turn = np.cos(m * angle) if m >= 0 else np.sin(-m * angle)
    return np.asarray(norm(n, m) * radial(n, abs(m), rho) * turn)


def zernike_sum(coefficients: Mapping[int, float], rho: ArrayLike, theta: ArrayLike) -> NDArray[np.float64]:
    """Sum of Noll-normalised Zernike polynomials.

    Parameters
    ----------
    coefficients : mapping of int to float
        Noll index to coefficient, in the unit that the sum is to have (waves rms for aberrations).
    rho, theta : array_like, of shapes that broadcast
        As in `zernike`.

    Returns
    -------
    ndarray, of the broadcast shape

    Raises
    ------
    InputError
        If an index is below 1, or a number is not finite.

    Notes
    -----
    Terms of one azimuthal frequency m share the factor ``rho^m exp(i m theta)``, and their radial parts one recurrence (see `radial`):
    36 terms cost a tenth of what they do one by one.

    Examples
    --------
    >>> zernike_sum({1: 0.25, 2: 0.1}, 1.0, [0.0, np.pi]).round(6)
    array([0.45, 0.05])
    """
    for name, values in (("coefficients", list(coefficients.values())), ("rho", rho), ("theta", theta)):
        check_finite(name, values)
    rho, theta = np.broadcast_arrays(np.asarray(rho, float), np.asarray(theta, float))
    total, waves = np.zeros(rho.size), _by_frequency(coefficients)
    for first in range(0, total.size, BLOCK):  # what a block needs stays in the processor's cache
        block = slice(first, first + BLOCK)
        total[block] = _block_sum(waves, rho.flat[block], theta.flat[block])
    return total.reshape(rho.shape)


def _by_frequency(coefficients: Mapping[int, float]) -> dict[int, NDArray[np.complex128]]:
    """For each azimuthal frequency, in rising order, the factors of the cosine (real part) and the sine by rank of the radial order."""
    found: dict[int, NDArray[np.complex128]] = {}
    for j, coefficient in coefficients.items():
        n, m = noll(j)
        row = found.get(abs(m), np.zeros(0, complex))
        row = np.pad(row, (0, max((n - abs(m)) // 2 + 1 - len(row), 0)))
        row[(n - abs(m)) // 2] += coefficient * norm(n, m) * (1 if m >= 0 else 1j)
        found[abs(m)] = row
    return dict(sorted(found.items()))


def _block_sum(waves: Mapping[int, NDArray[np.complex128]], rho: NDArray[np.float64], theta: NDArray[np.float64]) -> NDArray[np.float64]:
    x, unit = 2 * rho**2 - 1, rho * np.exp(1j * theta)
    total, power, reached = np.zeros(rho.shape), np.ones(rho.shape, complex), 0
    for m, factors in waves.items():
        for _ in range(m - reached):
            power = power * unit
        reached = m
        cosine, sine = np.zeros(rho.shape), np.zeros(rho.shape)
        for factor, value in zip(factors, _jacobi(m, x), strict=False):
            if factor.real:
                cosine += factor.real * value
            if factor.imag:
                sine += factor.imag * value
        total += cosine * power.real + sine * power.imag
    return total


def radial(n: int, m: int, rho: ArrayLike) -> NDArray[np.float64]:
    """Radial polynomial ``R_n^m`` with ``R_n^m(1) = 1``.

    Parameters
    ----------
    n, m : int
        Radial order and azimuthal frequency, ``0 <= m <= n`` with ``n - m`` even.
    rho : array_like
        Radius over the pupil's radius.

    Returns
    -------
    ndarray, of the shape of `rho`

    Raises
    ------
    InputError
        If there is no such polynomial.

    Notes
    -----
    ``R_n^m(rho) = rho^m P_k^(0,m)(2 rho^2 - 1)`` with ``k = (n - m)/2`` and ``P`` a Jacobi polynomial (Born & Wolf, Principles of
    Optics, 7th ed., sec. 9.2.1), by the three-term recurrence in ``k`` (Abramowitz & Stegun 22.7.1, DLMF 18.9.2).

    Examples
    --------
    >>> radial(4, 0, [0.0, 0.5, 1.0])  # 6 rho^4 - 6 rho^2 + 1
    array([ 1.   , -0.125,  1.   ])
    """
    _check(n, m)
    rho = np.asarray(rho, float)
    value = next(islice(_jacobi(m, 2 * rho**2 - 1), (n - m) // 2, None))
    return np.asarray(rho**m * value)


def _jacobi(m: int, x: NDArray[np.float64]) -> Iterator[NDArray[np.float64]]:
    """Give ``P_k^(0,m)(x)`` for k = 0, 1, ...: see the notes of `radial`."""
    before, value = np.ones_like(x), 1 + (m + 2) * (x - 1) / 2
    yield before
    for k in count(2):
        yield value
        c = 2 * k + m
        up = (c - 1) * (c * (c - 2) * x - m**2) * value - 2 * (k - 1) * (k + m - 1) * c * before
        before, value = value, up / (2 * k * (k + m) * (c - 2))


def _row(place: int) -> int:
    """Radial order of the polynomial number `place` (from 0) when orders follow one another."""
    return (math.isqrt(8 * place + 1) - 1) // 2


def _check(n: int, m: int) -> None:
    if n < 0 or abs(m) > n or (n - m) % 2:
        raise InputError(f"n, m: found {n}, {m}; allowed: n from 0 up, m from -n to n in steps of 2")
