"""Light of sites whose spots overlap: the normal equations of a frame, and ways to solve them.

A frame is the sum of the spreads of all sites times their light, and of a few slow shapes of background. What the frame says about the
light of the sites is in the normal equations ``matrix @ light = pull``; their matrix is banded: only neighbours are coupled.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holo.arrays import Workers, core_count, kernel
from holo.scene import touching
from holo.spread import Image, Index, Real, Stamps

Neighbours = NDArray[np.int32]

_BLOCK = 256
_EXACT, _MOST_STEPS = 1e-4, 200


@dataclass(frozen=True, eq=False)
class Normal:
    """What a frame says about the light of sites and of its background."""

    first: Index
    """Neighbours of site s are ``other[first[s]:first[s + 1]]``, ..."""
    other: Neighbours
    """... in rising order, the site itself among them, ..."""
    value: Image
    """... with these entries of the matrix."""
    diagonal: Real
    """Of the matrix of the sites, shape (n,)."""
    pull: Real
    """Right-hand side, shape (n,)."""
    shapes: Real
    """Coupling of each site to each shape of the background, shape (n, q)."""
    own: Real
    """Normal matrix of the shapes, shape (q, q)."""
    flat: Real
    """Their right-hand side, shape (q,)."""


@kernel
def _couple(
    light: Image, left: Index, top: Index, weights: Image, first: Index, other: Neighbours, low: int, high: int, value: Image
) -> None:
    """Entries of the matrix in the rows of some sites, from the diagonal on."""
    side = light.shape[1]
    own = np.zeros((side, side), np.float32)
    sums = np.empty(side, np.float32)  # columns apart, so that the processor can take many at once
    for s in range(low, high):
        for i in range(side):
            for j in range(side):
                row, column = top[s] + i, left[s] + j
                inside = 0 <= row < weights.shape[0] and 0 <= column < weights.shape[1]
                own[i, j] = light[s, i, j] * weights[row, column] if inside else np.float32(0)
        for k in range(first[s], first[s + 1]):
            t = other[k]
            if t < s:
                continue
            down, across = top[t] - top[s], left[t] - left[s]
            start, width = max(0, across), side - abs(across)
            part = sums[:width]
            part[:] = 0
            for i in range(max(0, down), min(side, side + down)):
                mine, its = own[i, start : start + width], light[t, i - down, start - across : start - across + width]
                for j in range(len(part)):
                    part[j] += mine[j] * its[j]
            total = 0.0
            for j in range(width):
                total += part[j]
            value[k] = total


@kernel
def _mirror(first: Index, other: Neighbours, value: Image) -> None:
    """Entries before the diagonal from those behind it."""
    for s in range(len(first) - 1):
        for k in range(first[s], first[s + 1]):
            t = other[k]
            if t > s:
                value[first[t] + np.searchsorted(other[first[t] : first[t + 1]], s)] = value[k]


@kernel
def _gather(image: Image, light: Image, left: Index, top: Index, result: Real) -> None:
    """Sum of an image times the light of each site."""
    side = light.shape[1]
    sums = np.empty(side, np.float32)
    for n in range(len(result)):
        low, high = max(0, -left[n]), min(side, image.shape[1] - left[n])
        part = sums[: max(high - low, 0)]
        part[:] = 0
        for i in range(max(0, -top[n]), min(side, image.shape[0] - top[n])):
            line, own = image[top[n] + i, left[n] + low : left[n] + high], light[n, i, low:high]
            for j in range(len(part)):
                part[j] += line[j] * own[j]
        total = 0.0
        for j in range(len(part)):
            total += part[j]
        result[n] = total


def gathered(image: Image, stamps: Stamps) -> Real:
    """Sum an image times the light of each site, shape (n,).

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
    stamps : Stamps
        Light of n sites, each on its own square of pixels.

    Returns
    -------
    ndarray, shape (n,)
    """
    result = np.empty(len(stamps.left))
    _gather(image, stamps.light, stamps.left, stamps.top, result)
    return result


def normal_equations(
    signal: Image, weights: Image, stamps: Stamps, xy_px: Real, coupled_px: float, shapes: Image, like: Normal | None = None
) -> Normal:
    """Set up the normal equations of a frame.

    Parameters
    ----------
    signal : ndarray, shape (rows, columns)
        Counts less what is known of the background.
    weights : ndarray, shape (rows, columns)
        One over the variance of each pixel; 0 where it is not to be used.
    stamps : Stamps
        Light of the sites.
    xy_px : ndarray, shape (n, 2)
        Their places.
    coupled_px : float
        Distance up to which sites are coupled.
    shapes : ndarray, shape (q, rows, columns)
        Of the background.
    like : Normal, optional
        Of the same sites: has the same neighbours.

    Returns
    -------
    Normal
        Matrix of the sites among each other and with the background, and right-hand sides.
    """
    first, other = _with_self(*touching(xy_px, coupled_px)) if like is None else (like.first, like.other)
    value = np.zeros(len(other), np.float32)
    blocks = [(low, min(low + _BLOCK, len(xy_px))) for low in range(0, len(xy_px), _BLOCK)]
    Workers(core_count()).share(
        lambda _, block: _couple(stamps.light, stamps.left, stamps.top, weights, first, other, *block, value), blocks
    )
    _mirror(first, other, value)
    diagonal = value[other == np.repeat(np.arange(len(xy_px)), np.diff(first))].astype(np.float64)
    weighted = [weights * shape for shape in shapes]
    columns = np.array([gathered(shape, stamps) for shape in weighted]).reshape(-1, len(xy_px)).T
    own = np.array([[float((one * two).sum(dtype=np.float64)) for two in shapes] for one in weighted]).reshape(len(shapes), len(shapes))
    flat = np.array([float((shape * signal).sum(dtype=np.float64)) for shape in weighted])
    pull = gathered(weights * signal, stamps)
    return Normal(first, other, value, diagonal, pull, np.ascontiguousarray(columns), own, flat)


def _with_self(first: Index, second: Index) -> tuple[Index, Neighbours]:
    """Lists of neighbours with each site in its own."""
    count = len(first) - 1
    owner = np.concatenate([np.repeat(np.arange(count), np.diff(first)), np.arange(count)])
    other = np.concatenate([second, np.arange(count)])
    order = np.lexsort((other, owner))
    return first + np.arange(count + 1), np.ascontiguousarray(other[order], np.int32)


# ---------------------------------------------------------------------------------------------------------------------
# solving


def times(normal: Normal, light: Real) -> Real:
    """Multiply the matrix of the sites with their light.

    Parameters
    ----------
    normal : Normal
        Of n sites.
    light : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
    """
    from scipy.sparse import csr_matrix

    return np.asarray(csr_matrix((normal.value, normal.other, normal.first)) @ light)


def shapes_for(normal: Normal, light: Real) -> Real:
    """Find how much of each shape of the background goes best with some light of the sites, shape (q,).

    Parameters
    ----------
    normal : Normal
        Of n sites and q shapes.
    light : ndarray, shape (n,)
        Of the sites.

    Returns
    -------
    ndarray, shape (q,)
    """
    return np.asarray(np.linalg.solve(normal.own, normal.flat - normal.shapes.T @ light))


def linear_light(normal: Normal, mean: Real, variance: Real) -> Real:
    """Find the light of the sites by regularised least squares (Wiener's filter on the lattice).

    Parameters
    ----------
    normal : Normal
    mean, variance : ndarray, shape (n,)
        Of the light of each site, as they are thought to be beforehand.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    The linear estimate of least mean square error, ``(matrix + 1 / variance) light = pull + mean / variance`` (N. Wiener, Extrapolation,
    Interpolation, and Smoothing of Stationary Time Series, 1949; from memory), with the shapes of the background eliminated. Conjugate
    gradients to a ten-thousandth.
    """
    back = np.asarray(np.linalg.solve(normal.own, normal.shapes.T), np.float64)
    light = np.array(mean, np.float64)
    right = normal.pull - normal.shapes @ np.linalg.solve(normal.own, normal.flat) + mean / variance
    _conjugate(normal.first, normal.other, normal.value, np.asarray(1 / variance, np.float64), normal.shapes, back, right, light)
    return light


@kernel
def _regularised(first: Index, other: Neighbours, value: Image, ridge: Real, shapes: Real, back: Real, light: Real, result: Real) -> None:
    """Matrix and ridge times the light, less what the background takes up of it."""
    taken = np.zeros(len(back))
    for shape in range(len(back)):
        for s in range(len(light)):
            taken[shape] += back[shape, s] * light[s]
    for s in range(len(light)):
        total = ridge[s] * light[s]
        for k in range(first[s], first[s + 1]):
            total += value[k] * light[other[k]]
        for shape in range(len(back)):
            total -= shapes[s, shape] * taken[shape]
        result[s] = total


@kernel
def _conjugate(first: Index, other: Neighbours, value: Image, ridge: Real, shapes: Real, back: Real, right: Real, light: Real) -> None:
    """Conjugate gradients, from the light given, until the residual is `_EXACT` of the right-hand side."""
    product, size = np.empty(len(light)), 0.0
    _regularised(first, other, value, ridge, shapes, back, light, product)
    left = right - product
    direction, square = left.copy(), 0.0
    for s in range(len(light)):
        square += left[s] ** 2
        size += right[s] ** 2
    for _ in range(_MOST_STEPS):
        if square <= _EXACT**2 * size:
            break
        _regularised(first, other, value, ridge, shapes, back, direction, product)
        along, before = 0.0, square
        for s in range(len(light)):
            along += direction[s] * product[s]
        square = 0.0
        for s in range(len(light)):
            light[s] += before / along * direction[s]
            left[s] -= before / along * product[s]
            square += left[s] ** 2
        for s in range(len(light)):
            direction[s] = left[s] + square / before * direction[s]


@kernel
def _descend(first: Index, other: Neighbours, value: Image, diagonal: Real, left: Real, light: Real, top: float) -> float:
    """One sweep of coordinate descent with the light held from 0 to `top`; the largest change in terms of its error."""
    most = 0.0
    for s in range(len(light)):
        if diagonal[s] <= 0:
            continue
        step = min(max(light[s] + left[s] / diagonal[s], 0.0), top) - light[s]
        if step != 0.0:
            light[s] += step
            change_light(s, step, first, other, value, left)
            most = max(most, abs(step) * math.sqrt(diagonal[s]))
    return most


@kernel
def change_light(s: int, step: float, first: Index, other: Neighbours, value: Image, left: Real) -> None:
    """Take the pull of a change of the light of a site off what is `left` of all pulls.

    Parameters
    ----------
    s : int
        Number of the site.
    step : float
        What is added to its light.
    first : ndarray of int, shape (n + 1,)
        Neighbours of site s stand from ``first[s]`` to ``first[s + 1]``.
    other : ndarray of int, shape (pairs,)
        Their numbers.
    value : ndarray, shape (pairs,)
        Elements of the matrix.
    left : ndarray, shape (n,)
        Pulls, changed in place.
    """
    for k in range(first[s], first[s + 1]):
        left[other[k]] -= step * value[k]


def bounded_light(normal: Normal, start: Real, top: float = np.inf, sweeps: int = 60) -> Real:
    """Find the light of the sites by weighted least squares, held from 0 to a largest light.

    Parameters
    ----------
    normal : Normal
    start : ndarray, shape (n,)
    top : float
        Largest light of a site.
    sweeps : int
        Most sweeps of coordinate descent over the sites.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    With one over the variance that the fit itself predicts as weights, set up anew a few times, this is the maximum of the Poisson
    likelihood: both have ``sum(spread (signal - model) / model) = 0`` (A. Charnes, E. L. Frome and P. L. Yu, J. Am. Stat. Assoc. 71, 169
    (1976), from memory); read noise counts as so many more events.
    """
    light = np.clip(start, 0, top)
    shapes = shapes_for(normal, light)
    left = normal.pull - times(normal, light) - normal.shapes @ shapes
    for _ in range(sweeps):
        moved = _descend(normal.first, normal.other, normal.value, normal.diagonal, left, light, top)
        before, shapes = shapes, shapes_for(normal, light)
        left -= normal.shapes @ (shapes - before)
        if moved < 0.02:
            break
    return np.asarray(light)
