"""The spread of a point's light over the camera's pixels: its point-spread function, given or measured from atoms.

Camera points are ``(column, row)``; pixel centres lie at whole numbers. Images are ``[row, column]``.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holo.arrays import kernel
from holo.checks import check_finite, check_numbers, frozen_array
from holo.errors import InputError

Image = NDArray[np.float32]
Real = NDArray[np.float64]
Index = NDArray[np.int64]

WIDTH_OF_AIRY = 0.344
"""Width of the Gaussian nearest to an Airy pattern, over the radius of the first dark ring (see `holo.spots`)."""

KNOTS = 0.6
"""Distance of the knots of a spread, in widths: the pattern of a perfect aperture is known to a thousandth of its peak."""

_BEND, _TAIL = 0.15, 0.01
_MOST_PIXELS = 12_000


@dataclass(frozen=True, eq=False)
class Spread:
    """How the light of a point falls on pixels: a sum of cubic B-splines of the place of a pixel's centre, seen from the point.

    Parameters
    ----------
    coefficients : ndarray, shape (m, m)
        Of the splines, rows and columns; m is odd and the middle one belongs to the point itself. They are scaled such that the light
        on all pixels is 1.
    step_px : float
        Distance of neighbouring splines.
    width_px : float
        Standard deviation of the Gaussian nearest to it.

    Raises
    ------
    InputError
        If the coefficients are no square of odd side from 5 up with a sum above 0, or a length is not above 0.

    Notes
    -----
    The value at a pixel is the light on the whole pixel, its area included: what is interpolated is the effective spread (J. Anderson and
    I. R. King, Publ. Astron. Soc. Pac. 112, 1360 (2000), doi:10.1086/316632, from memory).
    """

    coefficients: Real
    step_px: float
    width_px: float

    def __post_init__(self) -> None:
        found = frozen_array(self.coefficients, (-1, -1), "spread: coefficients")
        if found.shape[0] != found.shape[1] or found.shape[0] % 2 == 0 or len(found) < 5 or not found.sum() > 0:
            raise InputError(f"spread: coefficients: found an array of shape {found.shape}; allowed: a square of odd side, 5 or more")
        for name in ("step_px", "width_px"):
            if not 0 < getattr(self, name) < np.inf:
                raise InputError(f"spread: {name}: found {getattr(self, name)!r}; allowed: a number above 0")
        scaled = found / (found.sum() * self.step_px**2)
        scaled.setflags(write=False)
        object.__setattr__(self, "coefficients", scaled)

    @property
    def reach_px(self) -> float:
        """Distance along an axis up to which there is light worth the name; 1.5 knots further there is none at all."""
        return self.step_px * (len(self.coefficients) - 1) / 2

    def at(self, offsets: NDArray[np.floating]) -> Real:
        """Light on a pixel whose centre lies at some offsets (columns, rows) from the point, shape (n,)."""
        check_finite("offsets", offsets)
        values = np.empty(len(offsets))
        _values(self.coefficients, self.step_px, np.ascontiguousarray(offsets, np.float64), values)
        return values


def gaussian_spread(width_px: float, reach: float = 4.5) -> Spread:
    """Make the spread of a Gaussian, integrated over the pixels.

    Parameters
    ----------
    width_px : float
        Its standard deviation.
    reach : float
        Up to how many widths it is described.

    Examples
    --------
    >>> spread = gaussian_spread(1.2)
    >>> x, y = np.meshgrid(np.arange(-8, 9), np.arange(-8, 9))
    >>> light = spread.at(np.column_stack([x.ravel(), y.ravel()]) - [0.3, -0.1])
    >>> print(f"{light.sum():.3f} {light @ x.ravel():.2f}")
    1.000 0.30
    """
    from scipy.special import ndtr

    step, axis = _knots(width_px, reach)
    line = ndtr((axis + 0.5) / width_px) - ndtr((axis - 0.5) / width_px)
    return _interpolated(np.outer(line, line), step, width_px)


def airy_spread(first_dark_px: float, reach: float = 6.5) -> Spread:
    """Make the spread of a perfect aperture, the Airy pattern, averaged over the pixels.

    Parameters
    ----------
    first_dark_px : float
        Radius of the first dark ring.
    reach : float
        Up to how many widths of the nearest Gaussian it is described; 6.5 are 2.2 dark radii.

    Notes
    -----
    ``(2 J1(v) / v)^2`` with ``v = 3.8317 r / first_dark`` (M. Born and E. Wolf, Principles of Optics, section 8.5.2, from memory).
    """
    from scipy.special import j1

    width = WIDTH_OF_AIRY * first_dark_px
    step, axis = _knots(width, reach)
    inner = (np.arange(5) - 2) / 5
    fine = (axis[:, None] + inner).ravel()
    v = np.maximum(3.8317059702 / first_dark_px * np.hypot(fine, fine[:, None]), 1e-9)
    pattern = ((2 * j1(v) / v) ** 2).reshape(len(axis), 5, len(axis), 5).mean(axis=(1, 3))
    return _interpolated(pattern, step, width)


def _knots(width_px: float, reach: float) -> tuple[float, Real]:
    """Distance of the knots of a spread, and their places along an axis."""
    check_numbers(width_px=width_px, reach=reach)
    step = KNOTS * width_px
    half = math.ceil(reach / KNOTS)
    return step, np.asarray(step * np.arange(-half, half + 1), np.float64)


def _interpolated(values: Real, step: float, width: float) -> Spread:
    """The spread that has some values at its knots."""
    from scipy.ndimage import spline_filter

    return Spread(spline_filter(values, order=3), step, width)


# ---------------------------------------------------------------------------------------------------------------------
# on pixels


@kernel
def _bases(place: float, weights: Real) -> int:
    """The four cubic B-splines on whole numbers that reach a place, and the number of the first."""
    first = math.floor(place) - 1
    u = place - math.floor(place)
    weights[0] = (1 - u) ** 3 / 6
    weights[1] = (3 * u**3 - 6 * u**2 + 4) / 6
    weights[2] = (-3 * u**3 + 3 * u**2 + 3 * u + 1) / 6
    weights[3] = u**3 / 6
    return first


@kernel
def _values(coefficients: Real, step: float, offsets: Real, values: Real) -> None:
    size = len(coefficients)
    across, down = np.empty(4), np.empty(4)
    for n in range(len(offsets)):
        column = _bases(offsets[n, 0] / step + size // 2, across)
        row = _bases(offsets[n, 1] / step + size // 2, down)
        total = 0.0
        for i in range(4):
            for j in range(4):
                if 0 <= row + i < size and 0 <= column + j < size:
                    total += down[i] * across[j] * coefficients[row + i, column + j]
        values[n] = total


@kernel
def _fill(coefficients: Real, step: float, xy: Real, left: Index, top: Index, stamps: Image) -> None:
    """Light of points on the pixels of squares around them."""
    size, side = len(coefficients), stamps.shape[1]
    weights = np.empty((2, side, 4))
    first = np.empty((2, side), np.int64)
    lines = np.empty((side, size))
    for n in range(len(xy)):
        for k in range(side):
            first[0, k] = _bases((left[n] + k - xy[n, 0]) / step + size // 2, weights[0, k])
            first[1, k] = _bases((top[n] + k - xy[n, 1]) / step + size // 2, weights[1, k])
        for k in range(side):
            for column in range(size):
                lines[k, column] = 0.0
            for i in range(4):
                row = first[1, k] + i
                if 0 <= row < size:
                    for column in range(size):
                        lines[k, column] += weights[1, k, i] * coefficients[row, column]
        for k in range(side):
            for m in range(side):
                total = 0.0
                for j in range(4):
                    column = first[0, m] + j
                    if 0 <= column < size:
                        total += weights[0, m, j] * lines[k, column]
                stamps[n, k, m] = total


@dataclass(frozen=True, eq=False)
class Stamps:
    """The light of points on squares of pixels; squares may reach beyond the frame."""

    light: Image
    """Of each point of light 1, shape (n, side, side)."""
    left: Index
    """First column of each square."""
    top: Index
    """First row of each square."""


def stamps_of(spread: Spread, xy_px: Real) -> Stamps:
    """Draw the light of points.

    Parameters
    ----------
    spread : Spread
    xy_px : ndarray, shape (n, 2)
        Places (column, row).
    """
    check_finite("xy_px", xy_px)
    reach = math.ceil(spread.reach_px + spread.step_px)
    corner = np.rint(xy_px).astype(np.int64) - reach
    left, top = np.ascontiguousarray(corner[:, 0]), np.ascontiguousarray(corner[:, 1])
    light = np.empty((len(xy_px), 2 * reach + 1, 2 * reach + 1), np.float32)
    _fill(spread.coefficients, spread.step_px, np.ascontiguousarray(xy_px, np.float64), left, top, light)
    return Stamps(light, left, top)


@kernel
def _add(image: Image, light: Image, left: Index, top: Index, totals: Real) -> None:
    side = light.shape[1]
    for n in range(len(totals)):
        if totals[n] == 0.0:
            continue
        low, high = max(0, -left[n]), min(side, image.shape[1] - left[n])
        total = np.float32(totals[n])
        for i in range(max(0, -top[n]), min(side, image.shape[0] - top[n])):
            line, own = image[top[n] + i, left[n] + low : left[n] + high], light[n, i, low:high]
            for j in range(len(own)):
                line[j] += total * own[j]


def image_of(stamps: Stamps, totals: Real, shape: tuple[int, int]) -> Image:
    """Draw points of some light on a frame of a shape (rows, columns)."""
    check_finite("totals", totals)
    image = np.zeros(shape, np.float32)
    _add(image, stamps.light, stamps.left, stamps.top, np.ascontiguousarray(totals, np.float64))
    return image


# ---------------------------------------------------------------------------------------------------------------------
# measuring


@kernel
def _design(rows: Index, columns: Index, near: Index, first: Index, xy: Real, totals: Real, step: float, size: int, design: Real) -> None:
    """Light that each spline would put on some pixels, summed over the points near them."""
    across, down = np.empty(4), np.empty(4)
    for p in range(len(rows)):
        for k in range(first[p], first[p + 1]):
            n = near[k]
            column = _bases((columns[p] - xy[n, 0]) / step + size // 2, across)
            row = _bases((rows[p] - xy[n, 1]) / step + size // 2, down)
            for i in range(4):
                for j in range(4):
                    if 0 <= row + i < size and 0 <= column + j < size:
                        design[p, (row + i) * size + column + j] += totals[n] * down[i] * across[j]


def measure_spread(signal: Image, weights: Image, xy_px: Real, totals: Real, start: Spread) -> Spread:
    """Measure the spread of points of known places and light; they may overlap.

    Parameters
    ----------
    signal : ndarray, shape (rows, columns)
        Counts less background.
    weights : ndarray, shape (rows, columns)
        One over the variance of each pixel, 0 where it is not to be used.
    xy_px : ndarray, shape (n, 2)
        Places (column, row).
    totals : ndarray, shape (n,)
        Counts of each.
    start : Spread
        Its knots are taken over.

    Returns
    -------
    Spread

    Notes
    -----
    Weighted least squares for the coefficients. Where the pixels do not decide, they bend gently (second differences of `_BEND` of the
    peak, thereabouts) and have little light (`_TAIL` of the peak) far from the middle; both are common practice, no source. Up to
    `_MOST_PIXELS` pixels are looked at, evenly chosen. A constant background is fitted along. A common error of the places moves the middle
    of the spread along.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> xy, truth = rng.uniform(10, 90, (60, 2)), gaussian_spread(1.5)
    >>> image = image_of(stamps_of(truth, xy), np.full(60, 500.0), (100, 100)) + rng.normal(0, 2, (100, 100)).astype(np.float32)
    >>> found = measure_spread(image, np.full((100, 100), 0.25, np.float32), xy, np.full(60, 500.0), gaussian_spread(1.2, 6.0))
    >>> abs(found.width_px - 1.5) < 0.03
    True
    """
    from scipy.linalg import cho_factor, cho_solve
    from scipy.spatial import KDTree

    size, step, reach = len(start.coefficients), start.step_px, start.reach_px
    seen = np.argwhere(weights > 0)
    points, tree = seen[:, ::-1].astype(np.float64), KDTree(xy_px)
    lit = np.isfinite(tree.query(points, distance_upper_bound=reach)[0])
    seen, points = seen[lit], points[lit]
    keep = slice(None, None, len(seen) // _MOST_PIXELS + 1)
    seen, points = np.ascontiguousarray(seen[keep]), points[keep]
    lists = tree.query_ball_point(points, reach * math.sqrt(2), return_sorted=True)
    first = np.concatenate([[0], np.cumsum([len(found) for found in lists])]).astype(np.int64)
    near = np.concatenate([np.asarray(found, np.int64) for found in lists])
    design = np.zeros((len(seen), size * size + 1))
    design[:, -1] = float(np.mean(totals)) / size**2  # a constant background, of the others' order of magnitude
    _design(np.ascontiguousarray(seen[:, 0]), np.ascontiguousarray(seen[:, 1]), near, first, xy_px, totals, step, size, design)
    weight = weights[seen[:, 0], seen[:, 1]].astype(np.float64)
    normal = design.T @ (design * weight[:, None])
    right = design.T @ (signal[seen[:, 0], seen[:, 1]] * weight)
    normal[:-1, :-1] += _likely(size, step, start.width_px)
    coefficients = cho_solve(cho_factor(normal), right)[:-1].reshape(size, size)
    return Spread(coefficients, step, _width(coefficients, step))


def _likely(size: int, step: float, width: float) -> Real:
    """What is known of coefficients beforehand, as a normal matrix: they bend gently, and far from the middle there is little light."""
    peak = 1 / (2 * np.pi * width**2)
    line = np.diff(np.eye(size), 2, axis=0)
    square = line.T @ line
    axis = step / width * (np.arange(size) - size // 2)
    radius = np.hypot(axis, axis[:, None]).ravel()
    scatter = np.where(radius > axis[-1] + 1e-9, 1e-5, np.maximum(np.exp(-(radius**2) / 4.5), _TAIL))
    bends = np.kron(square, np.eye(size)) + np.kron(np.eye(size), square)
    return np.asarray(bends / (_BEND * peak) ** 2 + np.diag(1 / (scatter * peak) ** 2))


def _width(coefficients: Real, step: float) -> float:
    """Width of the Gaussian nearest to a spread, the pixel's own taken off."""
    from scipy.optimize import least_squares

    half = len(coefficients) // 2
    axis = step * np.arange(-half, half + 1)
    squares = (axis**2)[:, None] + axis**2
    top = float(coefficients.max())
    fit = least_squares(lambda p: (p[0] * np.exp(-squares / (2 * p[1] ** 2)) - coefficients / top).ravel(), [1.0, 2 * step])
    # a cubic B-spline has the variance step^2 / 3, a pixel 1/12
    return float(np.sqrt(max(fit.x[1] ** 2 + step**2 / 3 - 1 / 12, (0.3 * step) ** 2)))
