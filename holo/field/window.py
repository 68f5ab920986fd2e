"""Light from the panel to a small, finely sampled window of the focal plane, and back: the transform of the smooth engine.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import ComplexArray, Workers, core_count, fast_length, kernel
from holo.errors import InputError
from holo.field.path import LightPath
from holo.field.sites import pupil_box
from holo.plans import empty_complex, fourier_lines

Single = NDArray[np.float32]

BLOCK = 32
"""Rows that one thread transforms at a time, so that they stay in its cache."""

OVERSAMPLING = 2.0
"""Least grid points over pixels: at 2 the grid tells the intensity between its points too (Nyquist's condition for ``|V|^2``)."""


class WindowTransform:
    """A plan for the light between one panel and one window of its focal-plane grid: pruned fast Fourier transforms in float32.

    Parameters
    ----------
    path : LightPath
        The light path.
    centre_um : (float, float)
        x and y of the middle of the window, um.
    size_um : (float, float)
        Its least width and height, um.
    z_um : float
        Depth of the plane.

    Attributes
    ----------
    x_um, y_um : ndarray of float64, shapes (nx,) and (ny,)
        Columns and rows of the window, evenly spaced and rising; at least twice as fine as the cells of the focal plane.
    box : (slice, slice)
        Rows and columns of the panel that take part: the pupil's bounding box.
    carrier : ndarray of float64, in the shape of the box
        What the light path, the place and the depth of the window add to the phase of each pixel, rad; see Notes.
    amplitude : ndarray of float32, in the shape of the box
        Of the beam.
    grid : (int, int)
        Rows and columns of the whole grid, of which the window is a part.

    Raises
    ------
    InputError
        If the window is empty, not finite, or larger than the field.

    Notes
    -----
    The sum of `holo.field.path`, ``V = sum_p A_p exp(i (phi_p + psi_p - k (x_p X + y_p Y) - d_p Z))``, with
    ``k = 2 pi / (lambda f)``. At the points ``X_0 + m k_x`` of an even grid it is a discrete Fourier transform of ``A exp(i theta)``,
    with the phase ``theta = phi + carrier`` and ``carrier = psi - k (x X_0 + y Y_0) - d Z`` from the first column and row of the window.
    The engine moves ``theta``, so that the transform needs no ramps.

    Only the columns of the window are kept after the transform along rows, and only its rows after the one along columns: for a
    window of a tenth of the field that is little more than half the work. Parseval (Goodman, Introduction to Fourier Optics, section
    2.1.3; from memory): over the whole grid the sum of ``|V|^2`` is its number of points times the sum of ``A^2``.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
    >>> window = WindowTransform(path, (60.0, 40.0), (8.0, 6.0))
    >>> fields = window.forward(window.light(np.zeros(window.amplitude.shape, np.float32)))  # a flat theta points at the first corner
    >>> round(float(abs(fields[0, 0])) / path.amplitude_sum, 5), fields.shape == (len(window.y_um), len(window.x_um))
    (1.0, True)
    """

    def __init__(self, path: LightPath, centre_um: tuple[float, float], size_um: tuple[float, float], z_um: float = 0.0) -> None:
        if not np.isfinite([*centre_um, *size_um, z_um]).all() or min(size_um) <= 0:
            raise InputError(f"window: found centre {centre_um}, size {size_um}, z_um {z_um}; allowed: finite numbers, sizes above 0")
        self.path = path
        self.box = pupil_box(path)
        y, x = path.y_um[self.box[0]], path.x_um[self.box[1]]
        self.x_um, columns = _axis(path, x, centre_um[0], size_um[0])
        self.y_um, rows = _axis(path, y, centre_um[1], size_um[1])
        self.grid = (rows, columns)
        ramp = path.scale * (x[None, :] * self.x_um[0] + y[:, None] * self.y_um[0])
        self.carrier = np.asarray(path.aberration[self.box] - ramp - z_um * path.defocus[self.box], np.float64)
        self.amplitude = path.amplitude[self.box].astype(np.float32)
        self._turn_x = np.exp(-1j * path.scale * x[0] * (self.x_um - self.x_um[0])).astype(np.complex64)
        self._turn_y = np.exp(-1j * path.scale * y[0] * (self.y_um - self.y_um[0])).astype(np.complex64)[:, None]
        self._reserve()

    def _reserve(self) -> None:
        """Memory for the half-transformed light and, for each thread, a block of lines either way."""
        small = self.grid[0] * self.grid[1] < 2**17  # handing work to threads would cost more than it saves
        self._workers = Workers(1 if small else core_count())
        self._half = empty_complex((len(self.x_um), len(self.amplitude)))
        lines = {length: fourier_lines(self._workers.count, BLOCK, length, timed=not small) for length in set(self.grid)}
        self._down, self._across = (lines[length] for length in self.grid)

    def light(self, theta: Single) -> NDArray[np.complex64]:
        """Light of the beam with the phase `theta`, rad, both in the shape of the box: ``A exp(i theta)``."""
        out = np.empty(self.amplitude.shape, np.complex64)
        self._share(len(out), lambda _, start, stop: _light(self.amplitude, theta, out, start, stop))
        return out

    def forward(self, light: NDArray[np.complex64]) -> NDArray[np.complex64]:
        """Fields on the window, shape (ny, nx), of light in the shape of the box from which the carrier was taken off."""
        fields = np.empty((len(self.y_um), len(self.x_um)), np.complex64)

        def rows(worker: int, start: int, stop: int) -> None:
            lines = self._across[worker]
            _load(light, lines.buffer, start, stop)
            lines.minus()
            _store_turned(lines.buffer, self._half, start, stop)

        def columns(worker: int, start: int, stop: int) -> None:
            lines = self._down[worker]
            _load(self._half, lines.buffer, start, stop)
            lines.minus()
            _store_turned(lines.buffer, fields, start, stop)

        self._share(len(light), rows)
        self._share(len(self._half), columns)
        fields *= self._turn_x
        fields *= self._turn_y
        return fields

    def adjoint(self, values: NDArray[np.complexfloating[Any, Any]]) -> NDArray[np.complex64]:
        """Light in the shape of the box that sends `values`, shape (ny, nx), to the window: ``<forward(f), v> = <f, adjoint(v)>``."""
        turned = (values * self._turn_x.conj() * self._turn_y.conj()).astype(np.complex64)
        light = np.empty(self.amplitude.shape, np.complex64)

        def columns(worker: int, start: int, stop: int) -> None:
            lines = self._down[worker]
            _load_turned(turned, lines.buffer, start, stop)
            lines.plus()
            _store(lines.buffer, self._half, start, stop)

        def rows(worker: int, start: int, stop: int) -> None:
            lines = self._across[worker]
            _load_turned(self._half, lines.buffer, start, stop)
            lines.plus()
            _store(lines.buffer, light, start, stop)

        self._share(len(self._half), columns)
        self._share(len(light), rows)
        return light

    def pull(self, light: NDArray[np.complex64], values: NDArray[np.complexfloating[Any, Any]]) -> Single:
        """Give ``Im(conj(light) adjoint(values))``, real and in the shape of the box.

        Of a function L of the intensities on the window, ``dL / d theta`` is twice this for ``values = V dL / d|V|^2``.
        """
        back = self.adjoint(values)
        out = np.empty(back.shape, np.float32)
        self._share(len(out), lambda _, start, stop: _across(light, back, out, start, stop))
        return out

    def mask_phase(self, theta: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
        """Phase that the mask must add, rad, not wrapped, in the shape of the panel: ``theta - carrier``, and 0 outside the box."""
        phase = np.zeros(self.path.amplitude.shape)
        phase[self.box] = theta - self.carrier
        return phase

    def _share(self, count: int, work: Callable[[int, int, int], None]) -> None:
        """Call ``work(worker, start, stop)`` for each block of lines."""
        self._workers.share(lambda worker, start: work(worker, start, min(start + BLOCK, count)), range(0, count, BLOCK))


def _axis(path: LightPath, pixels: NDArray[np.float64], centre_um: float, size_um: float) -> tuple[NDArray[np.float64], int]:
    """Places of the window along one axis, and the number of grid points of the whole field."""
    longer = path.x_um if len(path.x_um) > 1 else path.y_um
    field = 2 * np.pi / (path.scale * float(longer[1] - longer[0]))
    if size_um > field * (1 + 1e-9):
        raise InputError(f"window: found {size_um:.4g} um wide or high; allowed: at most {field:.4g} um, the field")
    length = fast_length(int(np.ceil(OVERSAMPLING * len(pixels))))
    cell = field / length
    count = min(int(np.ceil(size_um / cell)) + 1, length)
    return np.asarray(centre_um + (np.arange(count) - (count - 1) / 2) * cell, np.float64), length


# ---------------------------------------------------------------------------------------------------------------------
# kernels, each on lines `start` to `stop` of the larger array


@kernel
def _load(source: ComplexArray, buffer: ComplexArray, start: int, stop: int) -> None:
    """Take lines of an array, with zeros after their ends."""
    width = source.shape[1]
    for line in range(stop - start):
        buffer[line, :width] = source[start + line]
        buffer[line, width:] = 0


@kernel
def _store(buffer: ComplexArray, target: ComplexArray, start: int, stop: int) -> None:
    """Put the beginnings of lines into an array."""
    width = target.shape[1]
    for line in range(stop - start):
        target[start + line] = buffer[line, :width]


@kernel
def _load_turned(source: ComplexArray, buffer: ComplexArray, start: int, stop: int) -> None:
    """Take columns of an array as lines, with zeros after their ends."""
    height = source.shape[0]
    for row in range(height):
        for line in range(stop - start):
            buffer[line, row] = source[row, start + line]
    buffer[: stop - start, height:] = 0


@kernel
def _store_turned(buffer: ComplexArray, target: ComplexArray, start: int, stop: int) -> None:
    """Put the beginnings of lines into columns of an array."""
    for row in range(target.shape[0]):
        for line in range(stop - start):
            target[row, start + line] = buffer[line, row]


@kernel
def sine_and_cosine(angle: np.float32) -> tuple[np.float32, np.float32]:
    """Sine and cosine of an angle in float32, without branches so that loops over it become vector instructions.

    Notes
    -----
    The angle less the nearest multiple of pi / 2, taken off in two parts (Cody and Waite's reduction, from memory), goes into Taylor's
    series up to the 9th and 8th power, whose next terms are below 4e-8 at pi / 4. The error is below 2e-7 plus the rounding of the angle.
    """
    quarters = np.float32(np.floor(angle * np.float32(0.6366197723675814) + np.float32(0.5)))
    rest = angle - quarters * np.float32(1.5703125)
    rest = rest - quarters * np.float32(0.0004838267948966)
    square = rest * rest
    sine = np.float32(2.7557319e-6)
    sine = sine * square + np.float32(-1.9841270e-4)
    sine = sine * square + np.float32(8.3333333e-3)
    sine = sine * square + np.float32(-0.16666667)
    sine = sine * square * rest + rest
    cosine = np.float32(2.4801587e-5)
    cosine = cosine * square + np.float32(-1.3888889e-3)
    cosine = cosine * square + np.float32(4.1666667e-2)
    cosine = cosine * square + np.float32(-0.5)
    cosine = cosine * square + np.float32(1)
    number = np.int32(quarters)
    odd = np.float32(number & 1)
    first = odd * cosine + (np.float32(1) - odd) * sine
    second = odd * sine + (np.float32(1) - odd) * cosine
    first = first * (np.float32(1) - np.float32(number & 2))
    second = second * (np.float32(1) - np.float32((number + 1) & 2))
    return first, second


@kernel
def _light(amplitude: Single, theta: Single, out: ComplexArray, start: int, stop: int) -> None:
    for row in range(start, stop):
        for column in range(theta.shape[1]):
            sine, cosine = sine_and_cosine(theta[row, column])
            size = amplitude[row, column]
            out[row, column] = complex(size * cosine, size * sine)


@kernel
def _across(light: ComplexArray, back: ComplexArray, out: Single, start: int, stop: int) -> None:
    for row in range(start, stop):
        for column in range(out.shape[1]):
            here, there = light[row, column], back[row, column]
            out[row, column] = here.real * there.imag - here.imag * there.real
