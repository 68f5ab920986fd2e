"""Lattices whose atoms stand too close to be told apart: waves in the image, and a model of the whole image.

Lattice vectors are the columns of a matrix here, as in an `Affine` from lattice coordinates (i, j) to (column, row).

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from holo.affine import Affine
from holo.arrays import fast_length, kernel
from holo.lattice import reduced_vectors

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

MOST_SITES = 20000
"""Most sites that an image is modelled with; of a larger one the brightest part is taken."""

_ROUNDS = 15
_REACH = 4.0
_OUTSIDE = 1.5
_WIDENING = 1.6
_NARROWEST_PX = 0.4
_SWEEPS = 60
_STILL_PX = 2e-3
_LEAST_SITES = 8
_TALL = 14.0
_ODD = 3.0
_NOISE_PIXELS = 20000
_CLEAR = 30.0
_WIDTHS = (0.22, 0.32, 0.45)  # in spacings
_WHOLE = 1.5


@dataclass(frozen=True, eq=False)
class ImageFit:
    """A lattice fitted to a whole image."""

    lattice: Affine
    """From lattice coordinates to (column, row); the covariance is zero for what was held."""
    width_px: float
    """Width of the spots."""
    ij: Ints
    """Sites that give light, shape (n, 2)."""
    total: Floats
    """Their light, counts, shape (n,)."""
    total_error: Floats
    shift_px: Floats
    """By how much the light of each lies beside its site, shape (n, 2)."""
    shift_error_px: Floats
    converged: bool
    gain: float
    """By how much chi^2 is smaller than with the lattice shifted by half a cell, the best of three ways."""
    loss: float
    """By how much chi^2 is larger than with sites at the half cells besides."""

    @property
    def clear(self) -> bool:
        """Whether the lattice explains the image.

        Its gain must exceed the scatter of chi^2 that comes from the freedom of the sites' light, and what is lost for want of more sites.
        """
        return self.converged and self.gain > max(_CLEAR * float(np.sqrt(2 * len(self.ij))), _WHOLE * self.loss)


# ---------------------------------------------------------------------------------------------------------------------
# waves


def image_waves(signal: NDArray[np.float32], usable: Flags) -> tuple[Floats, Floats]:
    """Find the waves that stand out of the spectrum of an image.

    Parameters
    ----------
    signal : ndarray, shape (rows, columns)
    usable : ndarray of bool, shape (rows, columns)

    Returns
    -------
    waves : ndarray, shape (p, 2)
        Wave numbers along (column, row), 1/px, the strongest first.
    strength : ndarray, shape (p,)
        Power over the mean of its surroundings. Where atoms lie anywhere it exceeds x with the probability exp(-x).

    Notes
    -----
    The atoms of a lattice are in step in the waves of its reciprocal lattice, however many sites are filled and whether or not the spots
    overlap; the width of the spots damps these waves as it damps the rest of the spectrum.
    """
    from scipy import fft
    from scipy.ndimage import gaussian_filter, maximum_filter, uniform_filter

    image = np.where(usable, signal, np.median(signal[usable])).astype(np.float64)
    image -= gaussian_filter(image, 6)
    low, high = np.percentile(image, [0.1, 99.9])
    rows, columns = image.shape
    taper = np.sqrt(np.outer(np.hanning(rows), np.hanning(columns)))
    size = fast_length(2 * max(rows, columns))
    power = np.abs(fft.rfft2((np.clip(image, low, high) * taper).astype(np.float32), (size, size))) ** 2
    mean = uniform_filter(power, 41, mode="wrap")
    for _ in range(3):
        mean = uniform_filter(np.minimum(power, 4 * mean), 41, mode="wrap")
    strength = power / mean
    down, across = np.fft.fftfreq(size), np.fft.rfftfreq(size)
    radius = np.hypot(down[:, None], across)
    strength[(radius < 0.05) | (radius > 0.6)] = 0
    row, column = np.nonzero((strength == maximum_filter(strength, 3, mode="wrap")) & (strength > _TALL))
    order = np.argsort(-strength[row, column], kind="stable")[:24]
    row, column = row[order], column[order]
    return np.column_stack([across[column], down[row]]), strength[row, column]


def image_lattice(signal: NDArray[np.float32], usable: Flags) -> tuple[Floats, Floats] | None:
    """Find a lattice by the waves in an image.

    Returns
    -------
    matrix : ndarray, shape (2, 2)
    offset : ndarray, shape (2,)
        Instead of both, None if no two waves stand out.
    """
    waves, strength = image_waves(signal, usable)
    best: tuple[float, Floats] | None = None
    for pair in combinations(range(min(len(waves), 8)), 2):
        basis = waves[list(pair)]
        if abs(np.linalg.det(basis)) < 0.2 * np.hypot(*basis.T).prod():
            continue
        orders = np.linalg.solve(basis.T, waves.T)
        told = (np.abs(orders - np.round(orders)) < 0.04).all(axis=0)
        # of the bases that explain the same waves the one with the largest cell is taken
        score = float(strength[told].sum()) * (1 + 1e-3 * abs(np.linalg.det(basis)))
        if best is None or score > best[0]:
            best = score, basis
    if best is None:
        return None
    basis = np.array([_sharpened(signal, usable, wave) for wave in best[1]])
    matrix = reduced_vectors(np.asarray(np.linalg.inv(basis), dtype=np.float64).T).T
    return matrix, image_offset(signal, usable, matrix)


def image_offset(signal: NDArray[np.float32], usable: Flags, matrix: Floats) -> Floats:
    """Find a site of a lattice of known vectors in an image, from the phases of its waves; (column, row) near the middle."""
    middle = (np.array(signal.shape[::-1]) - 1) / 2
    phases = [np.angle(_amplitude(signal, usable, wave, middle)) for wave in np.linalg.inv(matrix)]
    return np.asarray(middle - matrix @ np.array(phases) / (2 * np.pi))


def _amplitude(signal: NDArray[np.float32], usable: Flags, wave: Floats, middle: Floats) -> complex:
    """Amplitude of a wave about a point, tapered towards the edges."""
    rows, columns = signal.shape
    across = np.hanning(columns) * np.exp(-2j * np.pi * wave[0] * (np.arange(columns) - middle[0]))
    down = np.hanning(rows) * np.exp(-2j * np.pi * wave[1] * (np.arange(rows) - middle[1]))
    level = float(np.median(signal[usable]))
    return complex(down @ (np.where(usable, signal, level) - level) @ across)


def _sharpened(signal: NDArray[np.float32], usable: Flags, wave: Floats) -> Floats:
    """Move a wave to the top of its peak by a parabola along each axis."""
    middle = (np.array(signal.shape[::-1]) - 1) / 2
    for step in 0.5 / np.array(signal.shape[::-1]) * np.array([[1.0], [0.5]]):
        for axis in (0, 1):
            move = step * (np.arange(2) == axis)
            before, here, after = (abs(_amplitude(signal, usable, wave + k * move, middle)) for k in (-1, 0, 1))
            bend = before - 2 * here + after
            if bend < 0:
                wave = wave + move * float(np.clip(0.5 * (before - after) / bend, -1, 1))
    return wave


# ---------------------------------------------------------------------------------------------------------------------
# the model of an image


@dataclass(frozen=True, eq=False)
class _Stamps:
    """The light of single spots on the padded image: profiles along both axes, their slopes, and the first pixels."""

    across: Floats
    across_slope: Floats
    down: Floats
    down_slope: Floats
    column: Ints
    row: Ints

    def pick(self, keep: Flags) -> _Stamps:
        across, across_slope, down, down_slope = (part[keep] for part in (self.across, self.across_slope, self.down, self.down_slope))
        return _Stamps(across, across_slope, down, down_slope, self.column[keep], self.row[keep])


@dataclass(frozen=True, eq=False)
class _Picture:
    """An image with a margin, and what explains it besides the atoms."""

    data: Floats
    inside: Floats
    """1 on usable pixels, 0 elsewhere."""
    planes: Floats
    """A constant and two slopes, shape (3, rows, columns)."""
    margin: int
    shape: tuple[int, int]


@dataclass(frozen=True, eq=False)
class _Light:
    """Sites and their light in a picture."""

    ij: Ints
    xy: Floats
    stamps: _Stamps
    total: Floats
    plane: Floats
    width: float


@kernel
def _profiles(places: Floats, width: float, reach: int, values: Floats, slopes: Floats, first: Ints) -> None:
    """Share of a spot in the pixels around its place along an axis, and its derivative by the place."""
    scale, height = 1 / (math.sqrt(2.0) * width), 1 / (math.sqrt(2 * math.pi) * width)
    for n in range(len(places)):
        first[n] = round(places[n]) - reach
        u = (first[n] - 0.5 - places[n]) * scale
        left, left_slope = math.erf(u), math.exp(-u * u)
        for k in range(2 * reach + 1):
            u = (first[n] + k + 0.5 - places[n]) * scale
            right, right_slope = math.erf(u), math.exp(-u * u)
            values[n, k] = 0.5 * (right - left)
            slopes[n, k] = height * (left_slope - right_slope)
            left, left_slope = right, right_slope


@kernel
def _descend(
    left: Floats,
    weights: Floats,
    across: Floats,
    down: Floats,
    column: Ints,
    row: Ints,
    norm: Floats,
    total: Floats,
    least: float,
    sweeps: int,
) -> None:
    """Coordinate descent of the spots' light, from `least` up, to the least weighted squares of what is `left`."""
    size = across.shape[1]
    for _ in range(sweeps):
        moved = 0.0
        for n in range(len(total)):
            if norm[n] <= 0:
                continue
            r, c, pull = row[n], column[n], 0.0
            for i in range(size):
                line = 0.0
                for j in range(size):
                    line += weights[r + i, c + j] * left[r + i, c + j] * across[n, j]
                pull += line * down[n, i]
            step = max(total[n] + pull / norm[n], least) - total[n]
            if step != 0.0:
                total[n] += step
                for i in range(size):
                    for j in range(size):
                        left[r + i, c + j] -= step * down[n, i] * across[n, j]
            moved = max(moved, abs(step) * math.sqrt(norm[n]))
        if moved < 0.02:
            break


@kernel
def _add(image: Floats, across: Floats, down: Floats, column: Ints, row: Ints, total: Floats) -> None:
    """Add the light of spots to an image."""
    size = across.shape[1]
    for n in range(len(total)):
        for i in range(size):
            for j in range(size):
                image[row[n] + i, column[n] + j] += total[n] * down[n, i] * across[n, j]


@kernel
def _collect(image: Floats, across: Floats, down: Floats, column: Ints, row: Ints, result: Floats) -> None:
    """Sum an image times the profile of each spot."""
    size = across.shape[1]
    for n in range(len(result)):
        total = 0.0
        for i in range(size):
            for j in range(size):
                total += image[row[n] + i, column[n] + j] * across[n, j] * down[n, i]
        result[n] = total


def _stamps(xy: Floats, width: float, reach: int, margin: int) -> _Stamps:
    across, across_slope, down, down_slope = np.empty((4, len(xy), 2 * reach + 1))
    column, row = np.empty((2, len(xy)), dtype=np.int64)
    _profiles(xy[:, 0] + margin, width, reach, across, across_slope, column)
    _profiles(xy[:, 1] + margin, width, reach, down, down_slope, row)
    return _Stamps(across, across_slope, down, down_slope, column, row)


def _image(like: Floats, across: Floats, down: Floats, stamps: _Stamps, total: Floats) -> Floats:
    image = np.zeros_like(like)
    _add(image, across, down, stamps.column, stamps.row, total)
    return image


def _sums(image: Floats, across: Floats, down: Floats, stamps: _Stamps) -> Floats:
    result = np.empty(len(stamps.column))
    _collect(image, across, down, stamps.column, stamps.row, result)
    return result


def _picture(signal: NDArray[np.float32], usable: Flags, width: float) -> _Picture:
    from scipy.ndimage import gaussian_filter

    margin = math.ceil((_REACH + _OUTSIDE) * _WIDENING * width) + 3
    data = np.where(usable, signal, np.median(signal[usable])).astype(np.float64)
    data = np.pad(data - np.percentile(gaussian_filter(data, width), 1), margin)
    down, across = (np.linspace(-0.5, 0.5, length) for length in data.shape)
    planes = np.stack([np.ones_like(data), np.broadcast_to(across, data.shape), np.broadcast_to(down[:, None], data.shape)])
    return _Picture(data, np.pad(usable.astype(np.float64), margin), planes, margin, (signal.shape[0], signal.shape[1]))


def _sites_inside(matrix: Floats, offset: Floats, shape: tuple[int, int], width: float) -> Ints:
    """Sites whose light may fall into a frame."""
    high = np.array(shape[::-1]) - 1.0
    corners = np.array([[0, 0], [high[0], 0], [0, high[1]], high])
    around = np.linalg.solve(matrix, (corners - offset).T).T
    i, j = (np.arange(math.floor(low) - 2, math.ceil(top) + 3) for low, top in zip(around.min(axis=0), around.max(axis=0), strict=True))
    ij = np.stack(np.meshgrid(i, j), axis=-1).reshape(-1, 2)
    xy = ij @ matrix.T + offset
    return ij[((xy > -_OUTSIDE * width) & (xy < high + _OUTSIDE * width)).all(axis=1)]


def _lit(picture: _Picture, weights: Floats, matrix: Floats, offset: Floats, width: float, plane: Floats) -> _Light:
    """Find the sites that give light, and how much."""
    ij = _sites_inside(matrix, offset, picture.shape, width)
    stamps = _stamps(ij @ matrix.T + offset, width, math.ceil(_REACH * width), picture.margin)
    for turn in range(3):
        left = picture.data - np.tensordot(plane, picture.planes, 1)
        norm = _sums(weights, stamps.across**2, stamps.down**2, stamps)
        if turn == 0:  # neighbours only add light: where there is none without them, there is none with them
            alone = _sums(weights * left, stamps.across, stamps.down, stamps)
            keep = alone > np.sqrt(norm)
            ij, stamps, norm = ij[keep], stamps.pick(keep), norm[keep]
        total = np.zeros(len(ij))
        _descend(left, weights, stamps.across, stamps.down, stamps.column, stamps.row, norm, total, 0.0, _SWEEPS)
        plane = plane + np.linalg.solve(
            np.einsum("prc,rc,qrc->pq", picture.planes, weights, picture.planes, optimize=True),
            np.einsum("prc,rc->p", picture.planes, weights * left, optimize=True),
        )
        if turn < 2 and len(ij):
            keep = total > np.maximum(3 / np.sqrt(np.maximum(norm, 1e-300)), 0.3 * np.percentile(total, 98))
            ij, stamps, total = ij[keep], stamps.pick(keep), total[keep]
    return _Light(ij, ij @ matrix.T + offset, stamps, total, plane, width)


def _noise(picture: _Picture, model: Floats, left: Floats) -> Floats:
    """Variance of each pixel: a constant and a part in proportion to the light, from what the model leaves."""
    from scipy.optimize import nnls

    seen = np.flatnonzero(picture.inside)
    seen = seen[:: len(seen) // _NOISE_PIXELS + 1]
    terms, square = np.column_stack([np.ones(len(seen)), np.maximum(model.ravel()[seen], 0)]), left.ravel()[seen] ** 2
    expected = np.full(len(square), np.median(square) / 0.455)  # the median of chi^2 with one degree of freedom
    share = np.zeros(2)
    for _ in range(5):
        kept = (square < 16 * expected) / expected
        share = nnls(terms * kept[:, None], square * kept)[0]
        expected = np.maximum(terms @ share, 1e-12)
    return np.asarray(np.maximum(share[0] + share[1] * np.maximum(model, 0), 1e-12))


def _plain(picture: _Picture, left: Floats, variance: Floats) -> Floats:
    """Weights of pixels that leave out surroundings which the model does not describe: atoms off the lattice, cosmic rays."""
    from scipy.ndimage import uniform_filter

    seen = np.maximum(uniform_filter(picture.inside, 3), 0.1)
    misfit = uniform_filter(left**2 * picture.inside / variance, 3) / seen
    misfit /= max(1.0, float(np.median(misfit[picture.inside > 0])))
    return np.asarray(picture.inside * np.minimum(1, (_ODD / np.maximum(misfit, 1e-9)) ** 2) / variance)


def clearest_fit(
    signal: NDArray[np.float32], usable: Flags, matrix: Floats, offset: Floats, width_px: float | None, held: bool = False
) -> ImageFit | None:
    """Fit a lattice to a whole image (`fit_image`) without knowing the width of the spots.

    Returns
    -------
    ImageFit or None
        Of the fits from several widths the one with the largest gain; None if none is clear.
    """
    widths = np.array(_WIDTHS) * np.sqrt(abs(np.linalg.det(matrix))) if width_px is None else [width_px]
    fits = [fit_image(signal, usable, matrix, offset, float(width), held) for width in widths]
    return max((fit for fit in fits if fit is not None and fit.clear), key=lambda fit: fit.gain, default=None)


def fit_image(
    signal: NDArray[np.float32],
    usable: Flags,
    matrix: Floats,
    offset: Floats,
    width_px: float,
    held: bool = False,
) -> ImageFit | None:
    """Fit a lattice of spots to a whole image.

    Parameters
    ----------
    signal : ndarray, shape (rows, columns)
        Counts.
    usable : ndarray of bool, shape (rows, columns)
    matrix, offset : ndarray, shape (2, 2) and (2,)
        Where to start; to a fifth of a site or better.
    width_px : float
        Width of the spots to start from.
    held : bool
        Keep the matrix and fit the offset only.

    Returns
    -------
    ImageFit or None
        None if fewer than eight sites give light.

    Notes
    -----
    The image is a plane background and a Gaussian, integrated over the pixels, on each site with light of its own that is not negative.
    In turn the light is found (coordinate descent), sites without light are dropped, and lattice and width take a Gauss-Newton step; the
    light and the background follow the step, so that the covariance has their freedom in it (variable projection: G. H. Golub and
    V. Pereyra, SIAM J. Numer. Anal. 10, 413 (1973), from memory). The noise is estimated from what is left. The covariance is multiplied
    by the reduced chi^2 of the shifts of single atoms where that exceeds 1.
    """
    signal, usable, corner = _window(signal, usable, abs(float(np.linalg.det(matrix))))
    picture, width = _picture(signal, usable, width_px), float(width_px)
    offset, plane, weights = offset - corner, np.zeros(3), picture.inside / float(np.var(signal[usable]))
    for turn in range(_ROUNDS):
        light = _lit(picture, weights, matrix, offset, width, plane)
        if len(light.ij) < _LEAST_SITES:
            return None
        plane, model = light.plane, _image(picture.data, light.stamps.across, light.stamps.down, light.stamps, light.total)
        left = picture.data - model - np.tensordot(plane, picture.planes, 1)
        variance = _noise(picture, model, left)
        weights = picture.inside / variance if turn < 2 else _plain(picture, left, variance)
        offered = _step(picture, weights, light, model, left, held)
        if offered is None:
            return None
        step = offered
        largest = float(np.abs(step.shift).max() + np.abs((light.ij - step.middle) @ step.move.T).max())
        shorten = min(1.0, 0.3 * float(np.sqrt(abs(np.linalg.det(matrix)))) / max(largest, 1e-12))
        matrix, offset = matrix + shorten * step.move, offset + shorten * (step.shift - step.move @ step.middle)
        converged = turn > 3 and largest < _STILL_PX
        if converged:
            break
        width = float(np.clip(width + np.clip(step.widening, -0.15 * width, 0.15 * width), _NARROWEST_PX, _WIDENING * width_px))
    about = Affine(matrix, offset + matrix @ step.middle, step.covariance).after(Affine(np.eye(2), -step.middle, np.zeros((6, 6))))
    return _told(picture, weights, light, left, about, corner, converged)


def _window(signal: NDArray[np.float32], usable: Flags, cell: float) -> tuple[NDArray[np.float32], Flags, Floats]:
    """The brightest part of an image with at most `MOST_SITES` cells, and its first pixel (column, row)."""
    from scipy.ndimage import uniform_filter

    side = int(np.sqrt(MOST_SITES * cell))
    if signal.size <= side**2:
        return signal, usable, np.zeros(2)
    size = tuple(min(side, length) for length in signal.shape)
    mean = uniform_filter(np.where(usable, signal, np.median(signal[usable])).astype(np.float64), size)
    half = [length // 2 for length in size]
    inner = mean[half[0] : signal.shape[0] - half[0] + 1, half[1] : signal.shape[1] - half[1] + 1]
    row, column = np.unravel_index(int(np.argmax(inner)), inner.shape)
    cut = slice(int(row), int(row) + size[0]), slice(int(column), int(column) + size[1])
    return signal[cut], usable[cut], np.array([float(column), float(row)])


@dataclass(frozen=True, eq=False)
class _Step:
    """A Gauss-Newton step."""

    move: Floats
    """Of the matrix."""
    shift: Floats
    """Of the mean of the lit sites, px."""
    widening: float
    covariance: Floats
    """Of the matrix, row by row, and the shift, shape (6, 6)."""
    middle: Floats
    """The mean of the lit sites, lattice coordinates."""


def _step(picture: _Picture, weights: Floats, light: _Light, model: Floats, left: Floats, held: bool) -> _Step | None:
    """Find the step of matrix, offset and width that the residuals ask for, while the light of the sites and the background follow."""
    stamps, middle = light.stamps, light.ij.mean(axis=0)
    arms = np.column_stack([light.ij - middle, np.ones(len(light.ij))]).T * light.total
    slopes = [_image(model, stamps.across_slope, stamps.down, stamps, arm) for arm in arms]
    slopes += [_image(model, stamps.across, stamps.down_slope, stamps, arm) for arm in arms]
    wider = _stamps(light.xy, 1.02 * light.width, stamps.across.shape[1] // 2, picture.margin)
    slopes.append((_image(model, wider.across, wider.down, wider, light.total) - model) / (0.02 * light.width))
    order = [0, 1, 3, 4, 2, 5, 6]
    free = np.array([4, 5, 6] if held else range(7))
    columns = [slopes[order[k]] for k in free] + list(picture.planes.copy())
    norm = _sums(weights, stamps.across**2, stamps.down**2, stamps)
    rest = left.copy()
    for column in [*columns, rest]:
        _descend(column, weights, stamps.across, stamps.down, stamps.column, stamps.row, norm, np.zeros(len(norm)), -np.inf, _SWEEPS)
    flat = np.stack([column.ravel() for column in columns])
    normal = (flat * weights.ravel()) @ flat.T
    size = np.sqrt(np.diag(normal))
    if not (size > 0).all() or np.linalg.eigvalsh(normal / size / size[:, None])[0] < 1e-10:
        return None
    inverse = np.linalg.inv(normal / size / size[:, None]) / size / size[:, None]
    taken = inverse @ (flat @ (weights * rest).ravel())
    step, covariance = np.zeros(7), np.zeros((7, 7))
    step[free], covariance[np.ix_(free, free)] = taken[: len(free)], inverse[: len(free), : len(free)]
    return _Step(step[:4].reshape(2, 2), step[4:6], float(step[6]), covariance[:6, :6], middle)


def _told(picture: _Picture, weights: Floats, light: _Light, left: Floats, lattice: Affine, corner: Floats, converged: bool) -> ImageFit:
    """What a fit found; the covariance is scaled by the reduced chi^2 of the shifts of single atoms."""
    stamps, total = light.stamps, light.total
    pull, norm = np.empty((len(total), 2)), np.empty((len(total), 2))
    for axis, (across, down) in enumerate(((stamps.across_slope, stamps.down), (stamps.across, stamps.down_slope))):
        pull[:, axis] = _sums(weights * left, across, down, stamps) * total
        norm[:, axis] = _sums(weights, across**2, down**2, stamps) * total**2
    norm = np.maximum(norm, 1e-300)
    shift, error = pull / norm, 1 / np.sqrt(norm)
    scale = max(1.0, float(((shift / error) ** 2).sum()) / max(2 * len(total) - 6, 1))
    covariance = None if lattice.covariance is None else scale * lattice.covariance
    brightness = _sums(weights, stamps.across**2, stamps.down**2, stamps)
    return ImageFit(
        Affine(lattice.matrix, lattice.offset + corner, covariance),
        light.width,
        light.ij,
        total,
        1 / np.sqrt(np.maximum(brightness, 1e-300)),
        shift,
        error,
        converged,
        *_gains(picture, weights, lattice, light),
    )


def _gains(picture: _Picture, weights: Floats, lattice: Affine, light: _Light) -> tuple[float, float]:
    """By how much chi^2 grows at least when the lattice is shifted by half a cell, and how much it falls with sites at all half cells."""
    places = np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.5], [0.5, 0.5]])
    shifted = [lattice.apply([place])[0] for place in places]
    alone = [_misfit(picture, weights, lattice.matrix, start, light) for start in shifted]
    return min(alone[1:]) - alone[0], alone[0] - _misfit(picture, weights, lattice.matrix / 2, shifted[0], light)


def _misfit(picture: _Picture, weights: Floats, matrix: Floats, offset: Floats, light: _Light) -> float:
    """Chi^2 with light on any sites of a lattice."""
    xy = _sites_inside(matrix, offset, picture.shape, light.width) @ matrix.T + offset
    stamps = _stamps(xy, light.width, math.ceil(_REACH * light.width), picture.margin)
    left = picture.data - np.tensordot(light.plane, picture.planes, 1)
    norm = _sums(weights, stamps.across**2, stamps.down**2, stamps)
    _descend(left, weights, stamps.across, stamps.down, stamps.column, stamps.row, norm, np.zeros(len(xy)), 0.0, _SWEEPS)
    return float((weights * left**2).sum())
