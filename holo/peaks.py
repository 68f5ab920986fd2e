"""Where spots may be: filters over a frame, and the local maxima behind them.

The frame comes as `ratio`: counts above the background over the noise of the pixel. A width is the standard deviation of a Gaussian in
pixels. Places are ``(column, row)``.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holo.arrays import kernel

Image = NDArray[np.float32]
Real = NDArray[np.float64]

FALSE_ALARMS = 1e-3
"""Spots that a frame of noise alone shows, on average."""

OCTAVES = 5
"""Doublings of the width, from half a pixel on, over which spots of unknown width are looked for."""


def candidates(ratio: Image, width: float, threshold: float | None = None) -> tuple[Real, Real]:
    """Places that stand out of the noise as a spot does.

    Parameters
    ----------
    ratio : ndarray, shape (rows, columns)
    width : float
    threshold : float, optional
        Least signal-to-noise ratio behind the matched filter; by default that of `FALSE_ALARMS`.

    Returns
    -------
    places : ndarray, shape (n, 2)
    totals : ndarray, shape (n,)
        Counts in each spot over the noise of its pixel.

    Notes
    -----
    The filter matched to a spot finds the faintest ones but joins neighbours nearer than about three widths; the difference between a
    filter of half the width and the matched one tells them apart down to about two, where there is light enough. Places are the maxima of
    the latter, and those of the former that have none of the latter near.
    """
    wide, narrow = taps(width), taps(width / 2, reach=len(taps(width)) // 2)
    matched = smooth(ratio, wide)
    sharp = smooth(ratio, narrow) - matched
    own, cross = np.sum(wide**2), np.sum(wide * narrow)
    sharp_noise = np.sqrt(np.sum(narrow**2) ** 2 + own**2 - 2 * cross**2)
    sharp_share = cross**2 / own**2 - 1  # of a spot in the two filters
    limit = alarm_threshold(ratio.size, width) if threshold is None else threshold
    sharp_limit = alarm_threshold(ratio.size, max(width / 2, 0.5)) if threshold is None else threshold
    radius = max(1, round(1.2 * width))
    first = maxima(sharp, np.float32(sharp_limit * sharp_noise), radius)
    first = first[sharp[first[:, 1], first[:, 0]] > 0.05 * sharp_share * matched[first[:, 1], first[:, 0]]]
    second = maxima(matched, np.float32(limit * own), radius)
    second = second[_far_from(second, first, 1.5 * width)]
    places = np.concatenate([first, second])
    xy = np.concatenate([summits(sharp, first), summits(matched, second)])
    return xy, matched[places[:, 1], places[:, 0]] / own**2


def summits(image: Image, places: NDArray[np.int64]) -> Real:
    """Maxima to a fraction of a pixel, shape (n, 2): the tops of parabolas through each pixel (column, row) and its neighbours.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
    places : ndarray of int, shape (n, 2)
        Pixels (column, row) of maxima.

    Returns
    -------
    ndarray, shape (n, 2)
        (column, row); at most half a pixel off.
    """
    xy = places.astype(float)
    for axis, shift in enumerate(((1, 0), (0, 1))):
        inside = (places[:, axis] > 0) & (places[:, axis] < image.shape[1 - axis] - 1)
        column, row = places[inside].T
        left, middle, right = (image[row + k * shift[1], column + k * shift[0]].astype(float) for k in (-1, 0, 1))
        xy[inside, axis] += np.clip(0.5 * (left - right) / np.minimum(left + right - 2 * middle, -1e-30), -0.5, 0.5)
    return xy


def alarm_threshold(pixels: int, width: float) -> float:
    """Height over which noise behind a Gaussian filter shows fewer than `FALSE_ALARMS` maxima.

    Parameters
    ----------
    pixels : int
        Of the frame.
    width : float
        Standard deviation of the filter, px.

    Returns
    -------
    float
        In standard deviations of the filtered noise, from 2 to 12.

    Notes
    -----
    A smooth Gaussian random field of unit variance whose correlation is ``exp(-r^2 / (4 width^2))`` has about
    ``A / (2 width^2) (2 pi)^(-3/2) u exp(-u^2 / 2)`` maxima above a high level u on the area A (R. J. Adler, The Geometry of Random Fields,
    Wiley 1981, ch. 6, from memory).

    Examples
    --------
    >>> round(alarm_threshold(2048**2, 2.0), 2)
    6.19
    """
    height = np.linspace(2, 12, 1001)
    expected = pixels / (2 * width**2) * (2 * np.pi) ** -1.5 * height * np.exp(-(height**2) / 2)
    return float(height[np.argmax(expected < FALSE_ALARMS)])


def scale(signal: Image) -> tuple[float, Real]:
    """Rough width of the spots in a frame.

    Parameters
    ----------
    signal : ndarray, shape (rows, columns)
        Counts, less the background.

    Returns
    -------
    width : float
        NaN if nothing stands out.
    places : ndarray, shape (n, 2)
        Of the (at most fifty) brightest ones.

    Notes
    -----
    For each bright place, the scale at which it stands out most; of these the median. The difference of two Gaussian filters whose widths
    differ by sqrt(2) is largest, at the centre of a Gaussian spot, where the geometric mean of the two is the spot's (T. Lindeberg, Int.
    J. Comput. Vision 30, 79 (1998), doi:10.1023/A:1008045108935, section 5, from memory). White noise behind it falls with the width.
    """
    step, white, found = 1, 0.0, []
    fine = smooth(signal, taps(0.5))
    for octave in range(OCTAVES):
        for width in (2.0 ** (octave - 1), 2.0 ** (octave - 0.5)):
            coarse = smooth(fine, taps(width / step))
            difference, fine = fine - coarse, coarse
            white = white or 0.5 * 1.4826 * float(np.median(np.abs(difference[::3, ::3])))
            limit = max(6 * white / width, 1e-3 * float(difference.max()))
            places = maxima(difference, np.float32(limit), 2)
            height = difference[places[:, 1], places[:, 0]]
            top = np.argsort(-height, kind="stable")[:200]
            xy = (places[top] + 0.5) * step - 0.5
            inside = ((xy > 2 * width) & (xy < np.array(signal.shape[::-1]) - 1 - 2 * width)).all(axis=1)
            found.append(np.column_stack([xy, height[top], np.full(len(top), 2**0.25 * width)])[inside])
        if octave:
            if min(fine.shape) < 32:
                break
            fine, step = _halved(fine), 2 * step
    return _voted(np.concatenate(found))


def _voted(found: Real) -> tuple[float, Real]:
    """Median width, and places, of those among (x, y, height, width) that do not lie on a higher one."""
    found = found[np.argsort(-found[:, 2], kind="stable")]
    taken = found[:0]
    for row in found:
        apart = np.hypot(*(taken[:, :2] - row[:2]).T)
        if (apart > 2 * np.maximum(taken[:, 3], row[3])).all():
            taken = np.vstack([taken, row])
        if len(taken) == 50:
            break
    return float(np.median(taken[:, 3])) if len(taken) else np.nan, taken[:, :2]


@kernel
def highest(image: Image, xy: Real, radius: int) -> Real:
    """Largest value within `radius` pixels of some places along both axes, shape (n,).

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
    xy : ndarray, shape (n, 2)
        Places, (column, row); those outside the image count as at its edge.
    radius : int
        px.

    Returns
    -------
    ndarray, shape (n,)
    """
    rows, columns = image.shape
    values = np.empty(len(xy))
    for n in range(len(xy)):
        column, row = min(max(round(xy[n, 0]), 0), columns - 1), min(max(round(xy[n, 1]), 0), rows - 1)
        near = image[max(row - radius, 0) : row + radius + 1, max(column - radius, 0) : column + radius + 1]
        values[n] = near.max()
    return values


@kernel
def patched(image: Image, holes: NDArray[np.bool_]) -> Image:
    """The image with the mean of the sound pixels around it in each hole, or 0 where there is none.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
    holes : ndarray of bool, shape (rows, columns)
        Pixels to be filled.

    Returns
    -------
    ndarray, shape (rows, columns)
        A copy.
    """
    rows, columns = image.shape
    result = image.copy()
    for row in range(rows):
        for column in range(columns):
            if holes[row, column]:
                total, count = np.float32(0), 0
                for r in range(max(row - 1, 0), min(row + 2, rows)):
                    for c in range(max(column - 1, 0), min(column + 2, columns)):
                        if not holes[r, c]:
                            total += image[r, c]
                            count += 1
                result[row, column] = total / max(count, 1)
    return result


def _halved(image: Image) -> Image:
    rows, columns = image.shape[0] // 2 * 2, image.shape[1] // 2 * 2
    even = image[:rows, :columns]
    return np.ascontiguousarray((even[::2, ::2] + even[1::2, ::2] + even[::2, 1::2] + even[1::2, 1::2]) / 4)


def _far_from(places: NDArray[np.int64], others: NDArray[np.int64], distance: float) -> NDArray[np.bool_]:
    from scipy.spatial import KDTree

    if not len(places) or not len(others):
        return np.ones(len(places), bool)
    return np.asarray(KDTree(others).query(places)[0] > distance)


def taps(width: float, reach: int | None = None) -> Image:
    """Share of a centred Gaussian in each pixel along an axis, out to three widths or `reach` pixels; their sum is 1.

    Parameters
    ----------
    width : float
        Standard deviation of the Gaussian, px.
    reach : int, optional
        px on each side.

    Returns
    -------
    ndarray, shape (2 reach + 1,)
    """
    from scipy.special import erf

    reach = int(np.ceil(3 * width + 0.5)) if reach is None else reach
    edges = np.arange(-reach - 0.5, reach + 1)
    values = np.diff(erf(edges / (np.sqrt(2) * width)))
    return np.asarray(values / values.sum(), np.float32)


@kernel
def smooth(image: Image, weights: Image) -> Image:
    """Convolution with `weights` along both axes; zeros outside the frame.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
    weights : ndarray, shape (2 reach + 1,)
        The same along both axes, as `taps` gives them.

    Returns
    -------
    ndarray, shape (rows, columns)
    """
    rows, columns = image.shape
    reach = len(weights) // 2
    result = np.zeros(image.shape, np.float32)
    ring = np.zeros((len(weights), columns), np.float32)  # rows of the frame, smoothed along themselves
    for row in range(rows + reach):
        if row < rows:
            line = ring[row % len(weights)]
            line[:] = weights[reach] * image[row]
            for tap in range(1, reach + 1):
                if tap < columns:
                    for column in range(columns - tap):
                        line[column] += weights[reach + tap] * image[row, column + tap]
                    for column in range(tap, columns):
                        line[column] += weights[reach - tap] * image[row, column - tap]
        out = row - reach
        if out >= 0:
            for other in range(max(out - reach, 0), min(out + reach + 1, rows)):
                weight, line = weights[other - out + reach], ring[other % len(weights)]
                for column in range(columns):
                    result[out, column] += weight * line[column]
    return result


@kernel
def maxima(image: Image, threshold: np.float32, radius: int) -> NDArray[np.int64]:
    """Places (column, row) above a threshold that no other within `radius` along both axes exceeds, shape (n, 2).

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
    threshold : np.float32
        Of a maximum's own value.
    radius : int
        px.

    Returns
    -------
    ndarray of int, shape (n, 2)
        Row after row.
    """
    rows, columns = image.shape
    found = [(0, 0) for _ in range(0)]
    for row in range(rows):
        for column in range(columns):
            value = image[row, column]
            if value <= threshold:
                continue
            top = True
            for r in range(max(row - radius, 0), min(row + radius + 1, rows)):
                for c in range(max(column - radius, 0), min(column + radius + 1, columns)):
                    other = image[r, c]
                    if other > value or (other == value and (r < row or (r == row and c < column))):
                        top = False
                        break
                if not top:
                    break
            if top:
                found.append((column, row))
    places = np.empty((len(found), 2), np.int64)
    for n in range(len(found)):
        places[n, 0], places[n, 1] = found[n]
    return places
