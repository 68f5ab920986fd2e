"""The background of a camera frame and its noise: what lies under the spots.

Arrays are ``[row, column]``. Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from holo.arrays import kernel

if TYPE_CHECKING:
    from holo.frames import Frame

Image = NDArray[np.float32]
Flags = NDArray[np.bool_]
Index = NDArray[np.int64]

LEAST_TILE = 32
"""Pixels along the side of the tiles in which the background is looked at, at least."""

WIDTHS_A_TILE = 12
"""The same in widths of a spot."""

MOST_TILES = 32
"""Tiles along the longer side of a frame, at most."""

SAMPLES = 24
"""Pixels along each side of a tile that are looked at, at least: their noise is known to 5 %, and to 1 % with the neighbours'."""

SPOTTED = 2.0
"""Noise of a tile over that between next neighbours, above which it is thought to be the spots that fill the tile."""

DYNAMIC_RANGE = 1e5
"""Brightest pixel over the least noise that a pixel is given: an ideal picture without any noise has that of rounding to so many steps."""


def background(
    frame: Frame, width_px: float, light: Image | None = None, slope: float = 0.0, level: Image | None = None
) -> tuple[Image, Image]:
    """Level and noise of the background of each pixel.

    Parameters
    ----------
    frame : Frame
    width_px : float
        Width of the spots (one standard deviation).
    light : ndarray, shape (rows, columns), optional
        Counts of the spots as far as they are known already. They are taken off first; only the darkest third of each tile is looked
        at, and the noise of what light there is comes off too.
    slope : float
        Variance per count of that light.
    level : ndarray, shape (rows, columns), optional
        The level as far as it is known already: saves the first of two passes.

    Returns
    -------
    level, noise : ndarray, shape (rows, columns)
        Mean counts without spots, and the standard deviation of a pixel without their light.

    Notes
    -----
    Level and noise of a tile come from the pixels around its mode (`_mode`). Tiles that spots fill are overruled by their neighbours
    (median of 5 x 5 tiles). Pixels take values between those of the tiles' centres, linearly. The second of two passes looks at what
    the first left, so that a gradient is not taken for noise.

    Examples
    --------
    >>> from holo.frames import frame_of
    >>> slope = np.add.outer(np.arange(96.0), np.arange(128.0))
    >>> level, noise = background(frame_of(slope + np.random.default_rng(1).normal(0, 3, slope.shape)), 2.0)
    >>> bool(np.abs(level - slope).max() < 1.5), bool(np.abs(noise - 3).max() < 0.3)
    (True, True)
    """
    side = max(LEAST_TILE, WIDTHS_A_TILE * width_px, max(frame.shape) / MOST_TILES)
    rows, columns = (_cuts(length, side) for length in frame.shape)
    passes = 2 if level is None else 1
    light, level = (np.zeros_like(frame.signal) if known is None else known for known in (light, level))
    for _ in range(passes):
        tiles = _tile_levels(frame.signal, light, level, slope, frame.usable, rows, columns, max(1, int(side / SAMPLES)))
        levels, noises = _trusted(*tiles, np.min if passes == 2 else np.median)
        level = level + _between(_overruled(levels, "odd"), rows, columns, passes == 2)
    noise = _between(_overruled(noises, "even"), rows, columns, False)
    least = max(frame.rounding, _farthest(frame.signal, level) / DYNAMIC_RANGE)
    return level, np.maximum(noise, np.float32(least))


def _cuts(length: int, side: float) -> Index:
    """First pixel of each tile along an axis, and the end."""
    return np.linspace(0, length, max(1, round(length / side)) + 1).astype(np.int64)


def _trusted(levels: Image, noises: Image, spotted: Flags, summary: Callable[[Image], np.float32]) -> tuple[Image, Image]:
    """Levels and noises, where spots fill a tile those of the nearest tile without; `summary` of all where they fill all."""
    from scipy.ndimage import distance_transform_edt

    if spotted.all():
        if _lie_in_a_plane(levels):
            return levels, noises  # a slope, no spots
        return np.full_like(levels, summary(levels)), np.full_like(noises, np.median(noises))
    row, column = distance_transform_edt(spotted, return_distances=False, return_indices=True)
    return levels[row, column], noises[row, column]


def _lie_in_a_plane(levels: Image) -> bool:
    """Whether the levels of six tiles or more rise like a slope, but for a tenth of their scatter."""
    down, across = np.indices(levels.shape).reshape(2, -1)
    rows = np.column_stack([down, across, np.ones(levels.size)])
    fit = np.linalg.lstsq(rows, levels.ravel().astype(np.float64))[0]
    return levels.size >= 6 and float(np.std(rows @ fit - levels.ravel())) < 0.1 * float(np.std(levels))


def _overruled(tiles: Image, reflection: Literal["even", "odd"]) -> Image:
    """Median of 5 x 5 tiles, of fewer where there are fewer; beyond the edges the tiles go on, mirrored, or (odd) as a slope would."""
    from scipy.ndimage import median_filter

    border = [min(2, length - 1) for length in tiles.shape]
    padded = np.pad(tiles, [(width, width) for width in border], "reflect", reflect_type=reflection)
    inner = tuple(slice(width, width + length) for width, length in zip(border, tiles.shape, strict=True))
    return np.asarray(median_filter(padded, size=tuple(2 * width + 1 for width in border))[inner])


@kernel
def _farthest(signal: Image, level: Image) -> float:
    """Largest distance of a pixel from the level."""
    most = 0.0
    for row in range(signal.shape[0]):
        for column in range(signal.shape[1]):
            most = max(most, float(abs(signal[row, column] - level[row, column])))
    return most


@kernel
def _between(tiles: Image, rows: Index, columns: Index, beyond: bool) -> Image:
    """Values of pixels from those of tiles, linear between their centres and, if told so, beyond the outermost ones."""
    result, line = np.empty((rows[-1], columns[-1]), np.float32), np.empty(tiles.shape[1], np.float32)
    below, down = _shares(rows, beyond)
    left, across = _shares(columns, beyond)
    for row in range(rows[-1]):
        line[:] = tiles[below[row]]
        if tiles.shape[0] > 1:
            line += down[row] * (tiles[below[row] + 1] - tiles[below[row]])
        for column in range(columns[-1]):
            result[row, column] = line[left[column]]
            if tiles.shape[1] > 1:
                result[row, column] += across[column] * (line[left[column] + 1] - line[left[column]])
    return result


@kernel
def _shares(cuts: Index, beyond: bool) -> tuple[Index, Image]:
    """For each pixel along an axis: the tile whose centre comes before it, and how far it is on the way to the next."""
    first, share = np.zeros(cuts[-1], np.int64), np.zeros(cuts[-1], np.float32)
    tile = 0
    for pixel in range(cuts[-1]):
        while tile < len(cuts) - 3 and 2 * pixel + 1 > cuts[tile + 1] + cuts[tile + 2]:
            tile += 1
        first[pixel] = tile
        if len(cuts) > 2:
            share[pixel] = (2 * pixel + 1 - cuts[tile] - cuts[tile + 1]) / (cuts[tile + 2] - cuts[tile])
            if not beyond:
                share[pixel] = min(max(share[pixel], np.float32(0)), np.float32(1))
    return first, share


@kernel
def _tile_levels(
    signal: Image, light: Image, level: Image, slope: float, usable: Flags, rows: Index, columns: Index, step: int
) -> tuple[Image, Image, Flags]:
    """What each tile is above the level, its noise, whether spots fill it, from every `step`-th pixel, shape (tiles down, across)."""
    levels = np.zeros((len(rows) - 1, len(columns) - 1), np.float32)
    noises, spotted = np.zeros(levels.shape, np.float32), np.zeros(levels.shape, np.bool_)
    values = np.empty((2, (np.max(np.diff(rows)) // step + 1) * (np.max(np.diff(columns)) // step + 1)), np.float32)
    for i in range(len(rows) - 1):
        for j in range(len(columns) - 1):
            count, dark = 0, 0
            for row in range(rows[i], rows[i + 1], step):
                for column in range(columns[j], columns[j + 1], step):
                    if usable[row, column]:
                        values[0, count] = signal[row, column] - light[row, column] - level[row, column]
                        values[1, count] = light[row, column]
                        count += 1
                        dark += light[row, column] <= 0
            if not count:
                spotted[i, j] = True
                continue
            most = np.float32(0) if 3 * dark > count else np.partition(values[1, :count], count // 3)[count // 3]
            kept, lit = 0, 0.0
            for n in range(count):
                if values[1, n] <= most:
                    values[0, kept] = values[0, n]
                    lit += max(values[1, n], np.float32(0))
                    kept += 1
            levels[i, j], noise = _mode(values[0, :kept])
            grain = _grain(signal, light, level, usable, rows[i], rows[i + 1], columns[j], columns[j + 1])
            spotted[i, j] = noise > SPOTTED * grain
            noise = min(noise, grain) if spotted[i, j] else noise
            noises[i, j] = math.sqrt(max(noise**2 - slope * lit / kept, 0.05 * noise**2))
    return levels, noises, spotted


@kernel
def _grain(signal: Image, light: Image, level: Image, usable: Flags, top: int, bottom: int, left: int, right: int) -> float:
    """Noise of a tile from the differences between next neighbours in every eighth row: what is left of it where spots fill the tile."""
    steps, count = np.empty(((bottom - top) // 8 + 1) * (right - left), np.float32), 0
    for row in range(top, bottom, 8):
        for column in range(left, right - 1):
            if usable[row, column] and usable[row, column + 1]:
                here = signal[row, column] - light[row, column] - level[row, column]
                steps[count] = abs(signal[row, column + 1] - light[row, column + 1] - level[row, column + 1] - here)
                count += 1
    return 1.4826 / math.sqrt(2) * float(np.median(steps[:count])) if count else np.inf


@kernel
def _mode(values: Image) -> tuple[float, float]:
    """Mean of the values around the mode, and their noise.

    Light only adds: the noise comes from the values below the level. Values further than 2.5 times the noise above the level, or 4 below,
    are left out, again and again; both ends are cut where few values are lost, so that whole numbers of counts do no harm.
    """
    few = values[:: max(1, len(values) // 200)]
    level = np.median(few)
    noise = 1.4826 * np.median(np.abs(few - level)) + 1e-3 * (values.max() - values.min())
    for _ in range(10):
        total, kept, below, lower = 0.0, 0, 0.0, 0
        for value in values:
            off = value - level
            if abs(off) <= 2.5 * noise:
                total += off
                kept += 1
            if -4 * noise <= off <= 0:
                below += off * off
                lower += 1
        if kept == 0 or lower == 0:
            break
        level, before, noise = level + total / kept, noise, math.sqrt(below / lower)
        if abs(total / kept) < 1e-3 * noise and abs(noise - before) < 1e-3 * noise:
            break
    return float(level), noise
