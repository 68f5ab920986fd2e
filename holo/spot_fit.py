"""Fitting spots to a camera frame: compiled loops over Gaussians that are integrated over each pixel.

A spot is a row ``(x, y, total, base, width)`` of an array. It puts ``total f(c - x) f(r - y)`` counts into the pixel of column c and row r,
with ``f(u) = (erf((u + 1/2) / (sqrt(2) width)) - erf((u - 1/2) / (sqrt(2) width))) / 2``; in its own surroundings the background differs by
its base from what it was thought to be. Pixel centres lie at whole numbers.

All take `signal` (counts), `level` and `floor` (mean and variance of the background), `usable`, each of shape (rows, columns), and `slope`
(variance per count of light); `light` is that of all spots.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from holo.arrays import kernel
from holo.peaks import patched

Image = NDArray[np.float32]
Flags = NDArray[np.bool_]
Real = NDArray[np.float64]
Index = NDArray[np.int64]

EXTENT = 5.0
"""Distance along each axis, in widths, up to which a spot gives light to the model of the frame."""

SETTLED = 0.03
"""Step, in standard errors, below which a spot has come to rest."""


@kernel
def around(place: float, reach: float, length: int) -> tuple[int, int]:
    """First pixel within `reach` of a place along an axis of `length` pixels, and the one after the last."""
    return max(math.ceil(place - reach), 0), max(min(math.floor(place + reach) + 1, length), 0)


@kernel
def profile(place: float, width: float, first: int, last: int) -> tuple[Real, Real]:
    """Share of a spot in the pixels from `first` to before `last` along one axis, and its derivative by the spot's place."""
    values, slopes = np.empty(max(last - first, 0)), np.empty(max(last - first, 0))
    scale, height = 1 / (math.sqrt(2) * width), 1 / (math.sqrt(2 * math.pi) * width)
    u = (first - 0.5 - place) * scale
    left, left_slope = math.erf(u), math.exp(-u * u)
    for index in range(len(values)):
        u = (first + index + 0.5 - place) * scale
        right, right_slope = math.erf(u), math.exp(-u * u)
        values[index], slopes[index] = 0.5 * (right - left), height * (left_slope - right_slope)
        left, left_slope = right, right_slope
    return values, slopes


@kernel
def add_light(light: Image, spot: Real, sign: float) -> None:
    """Add the light of one spot to the model of the frame, or with `sign` -1 take it away."""
    reach = EXTENT * spot[4] + 0.5
    (left, right), (top, bottom) = around(spot[0], reach, light.shape[1]), around(spot[1], reach, light.shape[0])
    across, down = profile(spot[0], spot[4], left, right)[0], profile(spot[1], spot[4], top, bottom)[0]
    for row in range(top, bottom):
        for column in range(left, right):
            light[row, column] += sign * spot[2] * across[column - left] * down[row - top]


@kernel
def ratio_left(signal: Image, level: Image, floor: Image, usable: Flags, slope: float, light: Image, holes: Flags) -> Image:
    """What the spots leave of the frame over the noise of each pixel; in `holes` the mean of the sound pixels around, or 0."""
    rows, columns = signal.shape
    ratio = np.empty(signal.shape, np.float32)
    for row in range(rows):
        for column in range(columns):
            lit = light[row, column]
            variance = floor[row, column] + np.float32(slope) * max(lit, np.float32(0))
            ratio[row, column] = (signal[row, column] - level[row, column] - lit) / np.sqrt(variance)
    return patched(ratio, holes)


@kernel
def normal_equations(
    signal: Image,
    level: Image,
    floor: Image,
    usable: Flags,
    slope: float,
    light: Image,
    spot: Real,
    reach: float,
    size: int,
    matrix: Real,
    vector: Real,
) -> None:
    """Fill the normal equations of the first `size` parameters of a spot: weighted least squares about the model as it stands.

    The base is held to 0 with the weight of one pixel of background. Otherwise a field of spots that cover all pixels could not be told
    from a higher background.
    """
    x, y, total, base, width = spot
    matrix[:], vector[:] = 0, 0
    (left, right), (top, bottom) = around(x, reach, signal.shape[1]), around(y, reach, signal.shape[0])
    across, across_slope = profile(x, width, left, right)
    down, down_slope = profile(y, width, top, bottom)
    gradient = np.ones(5)
    for row in range(top, bottom):
        for column in range(left, right):
            square = (row - y) ** 2 + (column - x) ** 2
            if square > reach * reach or not usable[row, column]:
                continue
            i, j = row - top, column - left
            weight = 1 / (floor[row, column] + slope * max(light[row, column], np.float32(0)))
            off = (signal[row, column] - level[row, column] - light[row, column] - base) * weight
            share = across[j] * down[i]
            gradient[0], gradient[1], gradient[2] = total * across_slope[j] * down[i], total * across[j] * down_slope[i], share
            gradient[4] = total * share * (square / width**2 - 2) / width
            for p in range(size):
                vector[p] += gradient[p] * off
                for q in range(p + 1):
                    matrix[p, q] += gradient[p] * gradient[q] * weight
    for p in range(size):
        for q in range(p):
            matrix[q, p] = matrix[p, q]
    row, column = min(max(round(y), 0), signal.shape[0] - 1), min(max(round(x), 0), signal.shape[1] - 1)
    matrix[3, 3] += 1 / floor[row, column]
    vector[3] -= base / floor[row, column]


@kernel
def invert(matrix: Real, inverse: Real, size: int) -> bool:
    """Inverse of the first `size` rows and columns of a symmetric positive matrix, by Gauss-Jordan elimination; `matrix` is lost.

    Returns
    -------
    bool
        False if it is singular to rounding.
    """
    scale = np.empty(size)
    for i in range(size):
        if not matrix[i, i] > 0:
            return False
        scale[i] = 1 / math.sqrt(matrix[i, i])
    for i in range(size):
        for j in range(size):
            matrix[i, j] *= scale[i] * scale[j]
            inverse[i, j] = 1.0 if i == j else 0.0
    for pivot in range(size):
        if not matrix[pivot, pivot] > 1e-10:
            return False
        factor = 1 / matrix[pivot, pivot]
        for j in range(size):
            matrix[pivot, j] *= factor
            inverse[pivot, j] *= factor
        for i in range(size):
            factor = matrix[i, pivot]
            if i != pivot and factor != 0:
                for j in range(size):
                    matrix[i, j] -= factor * matrix[pivot, j]
                    inverse[i, j] -= factor * inverse[pivot, j]
    for i in range(size):
        for j in range(size):
            inverse[i, j] *= scale[i] * scale[j]
    return True


@kernel
def fit_spots(
    signal: Image,
    level: Image,
    floor: Image,
    usable: Flags,
    slope: float,
    spots: Real,
    reach: Real,
    home: Real,
    held: Flags,
    first: Index,
    neighbours: Index,
    sweeps: int,
) -> tuple[Image, Real]:
    """Fit all spots by weighted least squares, one after the other with the light of the rest taken away, until all have come to rest.

    Each step is one of Gauss and Newton; the weights follow the model, which makes the fit one of maximum likelihood for Poisson statistics
    (quasi-likelihood: R. W. M. Wedderburn, Biometrika 61, 439 (1974), from memory). Going through the spots in turn ends where fitting them
    all at once would.

    Parameters
    ----------
    spots : ndarray, shape (n, 5)
        The start; becomes the result.
    reach : ndarray, shape (n,)
        Radius of the pixels that each is fitted to.
    home : ndarray, shape (n, 2)
        Where they are expected, give or take their width: the light of a spot that is seen at all outweighs it.
    held : ndarray of bool, shape (n,)
        Spots that keep their places.
    first, neighbours : ndarray, shapes (n + 1,) and (pairs,)
        Which spots touch spot k: ``neighbours[first[k]:first[k + 1]]``.
    sweeps : int
        Most turns.

    Returns
    -------
    light : ndarray, shape (rows, columns)
        Of all spots.
    errors : ndarray, shape (n, 4)
        Standard errors of x, y, total and base with the neighbours known; infinite where the pixels do not tell.
    """
    light = np.zeros(signal.shape, np.float32)
    errors = np.full((len(spots), 4), np.inf)
    matrix, inverse, vector, step = np.empty((5, 5)), np.empty((5, 5)), np.empty(5), np.zeros(5)
    for spot in spots:
        add_light(light, spot, 1.0)
    restless = np.ones(len(spots), np.bool_)
    for _ in range(sweeps):
        if not restless.any():
            break
        for n in range(len(spots)):
            if not restless[n]:
                continue
            restless[n] = False
            spot = spots[n]
            normal_equations(signal, level, floor, usable, slope, light, spot, reach[n], 4, matrix, vector)
            for p in range(2):
                if held[n]:
                    matrix[p, :], matrix[:, p], vector[p] = 0, 0, 0
                matrix[p, p] += 1 / spot[4] ** 2
                vector[p] += (home[n, p] - spot[p]) / spot[4] ** 2
            if not invert(matrix, inverse, 4):
                continue
            for p in range(4):
                errors[n, p] = math.sqrt(inverse[p, p])
                step[p] = 0
                for q in range(4):
                    step[p] += inverse[p, q] * vector[q]
            add_light(light, spot, -1.0)
            longest = max(abs(step[0]) / (0.5 * spot[4]), abs(step[1]) / (0.5 * spot[4]), abs(step[2]) / (abs(spot[2]) + 10 * errors[n, 2]))
            for p in range(4):
                step[p] /= max(longest, 1.0)
                spot[p] += step[p]
            add_light(light, spot, 1.0)
            for p in range(3):
                if abs(step[p]) > SETTLED * errors[n, p]:
                    restless[n] = True
            if restless[n]:
                for k in neighbours[first[n] : first[n + 1]]:
                    restless[k] = True
    return light, errors


@kernel
def width_steps(
    signal: Image, level: Image, floor: Image, usable: Flags, slope: float, light: Image, spots: Real, reach: Real
) -> tuple[Real, Real]:
    """By how much each spot would change its width if it could, and the standard error of that; NaN where the pixels do not tell."""
    matrix, inverse, vector = np.empty((5, 5)), np.empty((5, 5)), np.empty(5)
    steps, errors = np.full(len(spots), np.nan), np.full(len(spots), np.nan)
    for n in range(len(spots)):
        normal_equations(signal, level, floor, usable, slope, light, spots[n], reach[n], 5, matrix, vector)
        if invert(matrix, inverse, 5):
            steps[n], errors[n] = np.sum(inverse[4] * vector), math.sqrt(inverse[4, 4])
    return steps, errors


@kernel
def joint_errors(
    floor: Image,
    usable: Flags,
    slope: float,
    light: Image,
    spots: Real,
    reach: Real,
    held: Flags,
    first: Index,
    neighbours: Index,
    errors: Real,
) -> None:
    """Replace the errors of x, y, total of spots that have neighbours by those of a fit with the neighbours as free as they are.

    The inverse of the Fisher information of x, y and total of a spot and of its neighbours, and of one base, over the pixels of all of
    them; over some of the pixels for the rest where spots are wider than pixels.
    """
    for n in range(len(spots)):
        near = neighbours[first[n] : first[n + 1]]
        if len(near) == 0 or not np.isfinite(errors[n, 2]):
            continue
        members = np.empty(len(near) + 1, np.int64)
        members[0], members[1:] = n, near
        size = 3 * len(members) + 1
        matrix, inverse = np.zeros((size, size)), np.empty((size, size))
        left, right, top, bottom = light.shape[1], 0, light.shape[0], 0
        for k in members:
            a, b = around(spots[k, 0], reach[k], light.shape[1])
            c, d = around(spots[k, 1], reach[k], light.shape[0])
            left, right, top, bottom = min(left, a), max(right, b), min(top, c), max(bottom, d)
        across, down = np.empty((2, len(members), max(right - left, 0))), np.empty((2, len(members), max(bottom - top, 0)))
        for m in range(len(members)):
            spot = spots[members[m]]
            across[0, m], across[1, m] = profile(spot[0], spot[4], left, right)
            down[0, m], down[1, m] = profile(spot[1], spot[4], top, bottom)
        gradient = np.ones(size)
        step = max(1, int(spots[n, 4] / 0.75))
        for row in range(top, bottom, step):
            for column in range(left, right, step):
                if not usable[row, column]:
                    continue
                i, j, within = row - top, column - left, False
                for m in range(len(members)):
                    k = members[m]
                    if (row - spots[k, 1]) ** 2 + (column - spots[k, 0]) ** 2 <= reach[k] ** 2:
                        within = True
                    gradient[3 * m] = 0.0 if held[k] else spots[k, 2] * across[1, m, j] * down[0, m, i]
                    gradient[3 * m + 1] = 0.0 if held[k] else spots[k, 2] * across[0, m, j] * down[1, m, i]
                    gradient[3 * m + 2] = across[0, m, j] * down[0, m, i]
                if within:
                    weight = step**2 / (floor[row, column] + slope * max(light[row, column], np.float32(0)))
                    for p in range(size):
                        for q in range(p + 1):
                            matrix[p, q] += gradient[p] * gradient[q] * weight
        for p in range(size):
            for q in range(p):
                matrix[q, p] = matrix[p, q]
        row, column = min(max(round(spots[n, 1]), 0), light.shape[0] - 1), min(max(round(spots[n, 0]), 0), light.shape[1] - 1)
        matrix[size - 1, size - 1] += 1 / floor[row, column]
        for m in range(len(members)):
            for p in range(3 * m, 3 * m + 2):
                if not matrix[p, p] > 0:
                    matrix[p, p] = 1 / spots[members[m], 4] ** 2
        found = invert(matrix, inverse, size)
        for p in range(3):
            errors[n, p] = math.sqrt(inverse[p, p]) if found else np.inf


@kernel
def squared_residuals(
    signal: Image, level: Image, floor: Image, usable: Flags, slope: float, light: Image, spots: Real, reach: Real, radius: float
) -> tuple[Real, Real, Real]:
    """What the fit left on the pixels within `radius` widths of the spots.

    Returns
    -------
    model, base, square : ndarray, shape (pixels,)
        Light of the model, variance of the background, and squared residual over ``1 - h``, with the leverage h of the pixel in the fit
        of its spot: its mean is the pixel's variance.
    """
    count = 0
    for spot in spots:
        count += (2 * int(radius * spot[4]) + 3) ** 2
    model, base, square = np.empty(count), np.empty(count), np.empty(count)
    matrix, inverse, vector, gradient = np.empty((5, 5)), np.empty((5, 5)), np.empty(5), np.ones(4)
    count = 0
    for n in range(len(spots)):
        x, y, total, own, width = spots[n]
        normal_equations(signal, level, floor, usable, slope, light, spots[n], reach[n], 4, matrix, vector)
        if not invert(matrix, inverse, 4):
            continue
        (left, right), (top, bottom) = around(x, radius * width, signal.shape[1]), around(y, radius * width, signal.shape[0])
        across, across_slope = profile(x, width, left, right)
        down, down_slope = profile(y, width, top, bottom)
        for row in range(top, bottom):
            for column in range(left, right):
                if not usable[row, column] or (row - y) ** 2 + (column - x) ** 2 > (radius * width) ** 2:
                    continue
                i, j = row - top, column - left
                gradient[0], gradient[1] = total * across_slope[j] * down[i], total * across[j] * down_slope[i]
                gradient[2] = across[j] * down[i]
                leverage = 0.0
                for p in range(4):
                    for q in range(4):
                        leverage += gradient[p] * inverse[p, q] * gradient[q]
                variance = floor[row, column] + slope * max(light[row, column], np.float32(0))
                model[count], base[count] = max(light[row, column], np.float32(0)), floor[row, column]
                square[count] = (signal[row, column] - level[row, column] - light[row, column] - own) ** 2 / max(
                    1 - leverage / variance, 0.1
                )
                count += 1
    return model[:count], base[:count], square[:count]


@kernel
def odd_pixels(
    signal: Image, level: Image, floor: Image, usable: Flags, slope: float, light: Image, saturated: Flags, spots: Real
) -> tuple[Real, Flags, Real]:
    """What is wrong with the pixels of each spot.

    Returns
    -------
    lost : ndarray, shape (n,)
        Share of its light that fell on pixels which are not usable, saturated ones left out.
    has_saturated : ndarray of bool, shape (n,)
        Whether a pixel within two widths is saturated.
    standing : ndarray, shape (n,)
        By how much a pixel within 1.5 widths differs from the model, over the peak of the spot, where that is more than eight times the
        noise.
    """
    lost, standing, has_saturated = np.zeros(len(spots)), np.zeros(len(spots)), np.zeros(len(spots), np.bool_)
    for n in range(len(spots)):
        x, y, total, base, width = spots[n]
        (left, right), (top, bottom) = around(x, 3 * width, light.shape[1]), around(y, 3 * width, light.shape[0])
        across, down = profile(x, width, left, right)[0], profile(y, width, top, bottom)[0]
        for row in range(top, bottom):
            for column in range(left, right):
                square = ((row - y) ** 2 + (column - x) ** 2) / width**2
                if saturated[row, column]:
                    has_saturated[n] |= square <= 4
                elif not usable[row, column]:
                    lost[n] += across[column - left] * down[row - top]
                elif square <= 2.25:
                    off = abs(signal[row, column] - level[row, column] - light[row, column] - base)
                    if off > 8 * math.sqrt(floor[row, column] + slope * max(light[row, column], np.float32(0))):
                        standing[n] = max(standing[n], off * 2 * math.pi * width**2 / max(abs(total), 1e-30))
    return lost, has_saturated, standing
