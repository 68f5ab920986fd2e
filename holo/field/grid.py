"""Between points and a Fourier grid: the kernel of a non-uniform Fourier transform, and the compiled loops that apply it.

A point is spread over some grid points per axis with the exponential-of-semicircle kernel of Barnett, Magland and af
Klinteberg, SIAM J. Sci. Comput. 41, C479 (2019), eq. 1.8; the kernel's own transform is divided out on the panel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import ComplexArray, fast_length, kernel, quick_kernel

Index = NDArray[np.int64]
Single = NDArray[np.float32]

OVERSAMPLING = 1.25
"""Length of the Fourier grid over the number of panel pixels, at least."""

WIDTH, WIDTH_COARSE = 9, 6
"""Grid points over which a point is spread, per axis: for an error of 1e-5, where single precision ends, and of 1e-3."""

SHARPNESS = 0.98 * np.pi * (1 - 1 / (2 * OVERSAMPLING))
"""Exponent of the kernel per grid point: just below the one at which the nearest repeat of its transform enters (the same, section 4.2)."""


def grid_length(pixels: int) -> int:
    """Length of the Fourier grid for a number of pixels; never shorter than two kernels.

    Examples
    --------
    >>> grid_length(1024), grid_length(1)
    (1280, 18)
    """
    return fast_length(max(int(np.ceil(OVERSAMPLING * pixels)), 2 * WIDTH))


@dataclass(frozen=True, eq=False)
class Axis:
    """One axis of the grid.

    Notes
    -----
    The middle pixel of the panel stands on the middle of the grid, whose length is even, so that the phase which this costs a
    Fourier transform is a change of sign from one grid point to the next and the weights are real.
    """

    first: int
    """Grid point of the first pixel."""
    start: Index
    """First grid point of each point's kernel, shape (n,)."""
    weights: Single
    """Its weights, which interpolate the grid with the sign -1, shape (n, width)."""
    factor: NDArray[np.complex64]
    """What the interpolated field must be multiplied by, shape (n,)."""
    correction: NDArray[np.float64]
    """What each pixel must be multiplied by, shape (pixels,)."""
    ramp: NDArray[np.float64]
    """Phase of each pixel that moves the lowest point to the start of the grid, rad, shape (pixels,)."""


def axis(places_um: NDArray[np.float64], pixels_um: NDArray[np.float64], scale: float, length: int, width: int, *, shift: bool) -> Axis:
    """Weights between a grid of `length` points and points at `places_um`.

    Parameters
    ----------
    places_um : ndarray, shape (n,)
        Coordinates of the points in the objective plane, um.
    pixels_um : ndarray, shape (pixels,)
        Equally spaced coordinates of the pixels on the panel, um.
    scale : float
        ``2 pi / (lambda f)``, rad / um^2.
    length : int
        Even length of the Fourier grid.
    width : int
        Grid points over which a point is spread.
    shift : bool
        Whether to move the points by a common phase ramp so that their kernels fill the grid from its start.

    Returns
    -------
    Axis
        Without `shift` grid points count modulo `length` and the ramp is 0.
    """
    middle = len(pixels_um) // 2
    pitch = float(pixels_um[1] - pixels_um[0]) if len(pixels_um) > 1 else 1.0
    place = places_um * (scale * pitch * length / (2 * np.pi))
    moved = np.floor(place.min()) - width // 2 if shift else 0.0
    start = np.ceil(place - moved - width / 2)
    points = start[:, None] + np.arange(width)
    weights = _semicircle((points - (place - moved)[:, None]) * (2 / width), width) * (1 - 2 * np.mod(points, 2))
    offset = np.arange(len(pixels_um)) - middle
    return Axis(
        length // 2 - middle,
        (start if shift else start % length).astype(np.int64),
        weights.astype(np.float32),
        np.exp(-1j * scale * pixels_um[middle] * places_um).astype(np.complex64),
        1 / _semicircle_transform(offset / length, width),
        2 * np.pi * moved * offset / length,
    )


def _semicircle(distance: NDArray[np.floating[Any]], width: int) -> NDArray[np.float64]:
    """The kernel ``exp(beta (sqrt(1 - t^2) - 1))`` on -1 <= t <= 1, 0 outside."""
    root = np.sqrt(np.clip(1 - distance**2, 0, None))
    return np.asarray(np.where(abs(distance) <= 1, np.exp(SHARPNESS * width * (root - 1)), 0.0))


def _semicircle_transform(frequency: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Fourier transform of the kernel, `frequency` in cycles per grid point, by Gauss-Legendre quadrature."""
    nodes, weights = np.polynomial.legendre.leggauss(4 * width)
    waves = np.cos(np.pi * width * np.outer(frequency, nodes))
    return np.asarray(width / 2 * (waves @ (weights * _semicircle(nodes, width))))


@kernel
def spread_rows(
    values: ComplexArray,
    first: Index,
    last: Index,
    start_row: Index,
    row_weight: Single,
    start_column: Index,
    column_weight: Single,
    out: ComplexArray,
    begin: int,
    end: int,
) -> None:
    """Rows `begin` to `end` of the grid, at the top of `out`: the sum of the points' kernels.

    Row r is reached by the points ``first[r]`` to ``last[r]``; the rest of `out` is set to 0.
    """
    columns, width = out.shape[1], column_weight.shape[1]
    for row in range(begin, end):
        line = out[row - begin]
        line[:] = 0
        for point in range(first[row], last[row]):
            height = values[point] * row_weight[point, row - start_row[point]]
            place = start_column[point]
            for tap in range(width):
                line[place] += height * column_weight[point, tap]
                place += 1
                if place == columns:
                    place = 0
    out[end - begin :] = 0


@kernel
def gather(
    bands: ComplexArray,
    start_row: Index,
    row_weight: Single,
    start_column: Index,
    column_weight: Single,
    order: Index,
    fields: ComplexArray,
    begin: int,
    end: int,
) -> None:
    """Interpolate the bands at the points `begin` to `end` of their order."""
    columns, width = bands.shape[1], column_weight.shape[1]
    for point in range(begin, end):
        total = np.complex64(0)
        for tap in range(width):
            line = bands[start_row[point] + tap]
            place = start_column[point]
            part = np.complex64(0)
            for across in range(width):
                part += line[place] * column_weight[point, across]
                place += 1
                if place == columns:
                    place = 0
            total += part * row_weight[point, tap]
        fields[order[point]] = total


TILE = 8
"""Columns that are moved at a time: as many complex numbers as a cache line holds, and no more lines than a cache keeps of one address."""


@kernel
def load_columns(band: ComplexArray, lines: ComplexArray, start: int, stop: int) -> None:
    """Copy columns of a band to the starts of lines, 0 elsewhere; what is beyond a line folds back, as the transform is periodic."""
    rows, length, count = band.shape[0], lines.shape[1], stop - start
    for begin in range(0, count, TILE):
        end = min(begin + TILE, count)
        for row in range(min(rows, length)):
            for line in range(begin, end):
                lines[line, row] = band[row, start + line]
        for row in range(length, rows):
            for line in range(begin, end):
                lines[line, row - length] += band[row, start + line]
    for line in range(count):
        lines[line, rows:] = 0
    lines[count:] = 0


@kernel
def store_columns(lines: ComplexArray, band: ComplexArray, start: int, stop: int) -> None:
    """Copy lines to columns of a band, repeating them periodically where the band is longer."""
    length = lines.shape[1]
    for begin in range(0, stop - start, TILE):
        end = min(begin + TILE, stop - start)
        for row in range(band.shape[0]):
            source = row if row < length else row - length
            for line in range(begin, end):
                band[row, start + line] = lines[line, source]


# The kernels below work on columns `start` to `stop` of the panel. Column c lies in line c - start, its pixels from point `first` on;
# `modulus`, `unit` and `factor` have the columns of the panel as their rows.


@quick_kernel
def replace_modulus(lines: ComplexArray, first: int, modulus: Single, start: int, stop: int) -> None:
    """Give the field the modulus of the light that falls there."""
    one, dark = np.float32(1), np.float32(1e-30)
    for column in range(start, stop):
        light = modulus[column]
        field = lines[column - start][first : first + len(light)]
        for row in range(len(light)):
            value = field[row]
            power = value.real * value.real + value.imag * value.imag
            factor = light[row] / np.sqrt(power if power > dark else one)
            real = value.real if power > dark else one
            imaginary = value.imag if power > dark else np.float32(0)
            field[row] = complex(real * factor, imaginary * factor)


@quick_kernel
def unit_columns(lines: ComplexArray, first: int, unit: ComplexArray, start: int, stop: int) -> None:
    """Keep the phase factors of the field; 1 where there is no light."""
    for column in range(start, stop):
        kept = unit[column]
        field = lines[column - start][first : first + len(kept)]
        for row in range(len(kept)):
            value = field[row]
            power = value.real * value.real + value.imag * value.imag
            kept[row] = value / np.sqrt(power) if power > 1e-30 else np.complex64(1)


@quick_kernel
def turn_columns(lines: ComplexArray, first: int, unit: ComplexArray, modulus: Single, start: int, stop: int) -> None:
    """Turn the phase factors towards the pull that the lines hold, and leave the field that they make in its place.

    The angle is the arc tangent of the part of the pull across the field: the pull itself where it is small.
    """
    for column in range(start, stop):
        kept, light = unit[column], modulus[column]
        pull = lines[column - start][first : first + len(light)]
        for row in range(len(light)):
            old, towards, size = kept[row], pull[row], light[row]
            across = size * (old.real * towards.imag - old.imag * towards.real)
            shrink = np.float32(1) / np.sqrt(np.float32(1) + across * across)
            real, imaginary = (old.real - across * old.imag) * shrink, (old.imag + across * old.real) * shrink
            kept[row] = complex(real, imaginary)
            pull[row] = complex(size * real, size * imaginary)


@quick_kernel
def multiply_columns(lines: ComplexArray, first: int, factor: ComplexArray, start: int, stop: int, conjugate: bool) -> None:
    """Multiply the field by a factor or its conjugate."""
    sign = np.float32(-1 if conjugate else 1)
    for column in range(start, stop):
        by = factor[column]
        field = lines[column - start][first : first + len(by)]
        for row in range(len(by)):
            value, other = field[row], by[row]
            imaginary = sign * other.imag
            field[row] = complex(value.real * other.real - value.imag * imaginary, value.real * imaginary + value.imag * other.real)


@quick_kernel
def phase_columns(
    lines: ComplexArray,
    first: int,
    down: NDArray[np.float64],
    across: NDArray[np.float64],
    aberration: NDArray[np.float64],
    phase: Single,
    start: int,
    stop: int,
) -> None:
    """Phase of the field, plus two ramps, less the aberration, in [0, 2 pi).

    The arc tangent of the smaller over the larger part is a polynomial, to 4e-8 rad and the rounding of float32 (Abramowitz and Stegun,
    Handbook of Mathematical Functions, 4.4.49; from memory).
    """
    turn = 2 * np.pi
    for row in range(phase.shape[0]):
        for column in range(start, stop):
            value = lines[column - start, first + row]
            x, y = abs(value.real), abs(value.imag)
            part = min(x, y) / max(max(x, y), np.float32(1e-30))
            square = part * part
            slope = np.float32(0.0218612288) - square * np.float32(0.0040540580)
            slope = np.float32(-0.0559098861) + square * slope
            slope = np.float32(0.0964200441) + square * slope
            slope = np.float32(-0.1390853351) + square * slope
            slope = np.float32(0.1994653599) + square * slope
            slope = np.float32(-0.3332985605) + square * slope
            angle = np.float64(part * (np.float32(0.9999993329) + square * slope))
            angle = np.pi / 2 - angle if y > x else angle
            angle = np.pi - angle if value.real < 0 else angle
            angle = -angle if value.imag < 0 else angle
            angle += down[row] + across[column] - aberration[row, column]
            angle -= turn * np.floor(angle / turn)
            rounded = np.float32(angle)
            phase[row, column] = rounded if rounded < turn else np.float32(0)


@kernel
def level_columns(
    lines: ComplexArray,
    first: int,
    down: Single,
    offset: Single,
    one: NDArray[np.uint16],
    other: NDArray[np.uint16],
    last: NDArray[np.uint16],
    levels: NDArray[np.uint16],
    start: int,
    stop: int,
) -> None:
    """Levels that make the phase of the field, plus a ramp and an offset in turns.

    The arc tangent is a polynomial in the smaller over the larger part (C. Hastings, Approximations for Digital Computers, 1955; from
    memory), to 2e-5 rad. Of the two levels for each part of a turn, the one nearer to the last level is taken.
    """
    parts = np.float32(len(one))
    for row in range(levels.shape[0]):
        ramp = down[row] - np.floor(down[row])
        for column in range(start, stop):
            value = lines[column - start, first + row]
            x, y = abs(value.real), abs(value.imag)
            low, high = min(x, y), max(x, y)
            part = low / max(high, np.float32(1e-30))
            square = part * part
            turn = np.float32(0.0083800361) - square * np.float32(0.0018654869)
            turn = np.float32(-0.018530867) + square * turn
            turn = np.float32(0.030803398) + square * turn
            turn = np.float32(-0.052938669) + square * turn
            turn = part * (np.float32(0.15915132) + square * turn)
            turn = np.float32(0.25) - turn if y > x else turn
            turn = np.float32(0.5) - turn if value.real < 0 else turn
            turn = -turn if value.imag < 0 else turn
            turn += ramp + offset[row, column]
            turn -= np.floor(turn)
            place = min(int(turn * parts), len(one) - 1)
            this, that, shown = np.int32(one[place]), np.int32(other[place]), np.int32(last[row, column])
            levels[row, column] = that if abs(that - shown) < abs(this - shown) else this
