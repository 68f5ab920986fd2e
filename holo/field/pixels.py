"""Light from the panel to the pixels of a camera that sees the objective plane.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import core_count
from holo.errors import InputError
from holo.field.path import LightPath
from holo.field.plane import grid_envelope
from holo.field.sites import pupil_box

OVERSAMPLING = 3.0
"""Points of the focal grid per pixel of the pupil's bounding box, per axis: 1.5 times what the intensity needs."""

MARGIN = 12
"""Grid points around what the camera sees, where the Fourier transform errs, which takes the picture for periodic."""

MOST_POINTS = 8192
"""Most grid points that a camera may see, per axis."""


class CameraView:
    """A plan for the light between one panel and the pixels of one camera.

    Parameters
    ----------
    path : LightPath
        The light path.
    places_um : ndarray, shape (rows, columns, 2)
        The point (x, y) of the objective plane that the centre of each camera pixel sees.
    sides_um : ndarray, shape (2, 2)
        Columns: the steps in the objective plane from one pixel to the next column and to the next row.
    ghost : float
        Brightness of a second, incoherent picture over that of the first.
    ghost_um : (float, float)
        How far it is displaced.

    Attributes
    ----------
    box : (slice, slice)
        Rows and columns of the panel that carry light.

    Raises
    ------
    InputError
        If the camera sees more of the plane than can be computed.

    Notes
    -----
    The intensity in the focal plane has no finer detail than a pupil of twice the width could make (J. W. Goodman, Introduction to
    Fourier Optics, sec. 6.4, from memory). A fast Fourier transform, of the rows and columns alone that the camera sees, gives it on
    a grid 1.5 times as fine as that needs. There it is multiplied, in Fourier space, by the transforms of the pixel's parallelogram
    and of the ghost's displacement, and by the inverse of that of a quintic spline, which then reads it off at the pixels. Where
    `places_um` is distorted, pixels keep their common size and shape.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
    >>> row, column = np.indices((2, 3))
    >>> places_um = 0.5 * np.stack([column, row], axis=-1)
    >>> view = CameraView(path, places_um, 0.5 * np.eye(2), 0.0, (0.0, 0.0))
    >>> flat = np.ones((view.box[0].stop - view.box[0].start, view.box[1].stop - view.box[1].start), np.complex64)
    >>> view.picture(flat).round(2)  # an Airy pattern about the pixel (0, 0)
    array([[0.88, 0.41, 0.02],
           [0.41, 0.18, 0.01]], dtype=float32)
    """

    def __init__(
        self, path: LightPath, places_um: NDArray[np.float64], sides_um: NDArray[np.float64], ghost: float, ghost_um: tuple[float, float]
    ) -> None:
        self.box = pupil_box(path)
        self.places_um = places_um
        self._light = (path.amplitude[self.box] * np.exp(1j * path.aberration[self.box])).astype(np.complex64)
        self._lengths, self._points, self._steps_um = zip(
            *(_axis(path, self._light.shape[1 - k], places_um[..., k], ghost_um[k]) for k in (0, 1)), strict=True
        )
        x_um, y_um = (points * step for points, step in zip(self._points, self._steps_um, strict=True))
        self._envelope = (np.square(grid_envelope(path, x_um, y_um)) / path.amplitude_sum**2).astype(np.float32)
        self._transfer = _transfer((len(y_um), len(x_um)), self._steps_um, sides_um, ghost, ghost_um)
        self._grid_places = np.stack([places_um[..., k] / self._steps_um[k] - self._points[k][0] for k in (1, 0)])

    def picture(self, modulation: NDArray[np.complexfloating[Any, Any]]) -> NDArray[np.float32]:
        """Give the mean intensity on each pixel of the camera.

        Parameters
        ----------
        modulation : ndarray of complex, shape of `box`
            What the panel does to the light.

        Returns
        -------
        ndarray of float32, shape (rows, columns) of the camera
            Over that of an unsplit, perfect focus on the axis, pixel envelope of the panel included.
        """
        from scipy import fft
        from scipy.ndimage import map_coordinates

        field = (self._light * modulation).astype(np.complex64)
        for axis, length, points in zip((1, 0), self._lengths, self._points, strict=True):
            field = np.take(fft.fft(field, length, axis=axis, workers=core_count()), points % length, axis=axis)
        intensity = (np.square(field.real) + np.square(field.imag)) * self._envelope
        smooth = fft.irfft2(fft.rfft2(intensity, workers=core_count()) * self._transfer, intensity.shape, workers=core_count())
        seen = map_coordinates(smooth, self._grid_places, np.float32, order=5, mode="nearest", prefilter=False)
        return np.asarray(np.maximum(seen, 0), np.float32)


def _axis(path: LightPath, pixels: int, places_um: NDArray[np.float64], ghost_um: float) -> tuple[int, NDArray[np.int64], float]:
    """Length of the Fourier transform over so many `pixels`, the points of its grid that are needed, and their distance, um."""
    from scipy.fft import next_fast_len

    longer = path.x_um if len(path.x_um) > 1 else path.y_um
    length = next_fast_len(int(np.ceil(OVERSAMPLING * pixels)))
    step = 2 * np.pi / (path.scale * float(longer[1] - longer[0]) * length)
    low, high = places_um.min() - max(ghost_um, 0), places_um.max() - min(ghost_um, 0)  # the ghost comes from its displacement away
    if high - low > MOST_POINTS * step:
        raise InputError(
            f"camera: found a view of {high - low:.4g} um; allowed: up to {MOST_POINTS * step:.4g} um, {MOST_POINTS} grid points"
        )
    first = int(np.floor(low / step)) - MARGIN
    count = next_fast_len(int(np.ceil(high / step)) + MARGIN - first, real=True)
    return length, first + np.arange(count), step


def _transfer(
    shape: tuple[int, int], steps_um: tuple[float, ...], sides_um: NDArray[np.float64], ghost: float, ghost_um: tuple[float, float]
) -> NDArray[np.complex64]:
    """What pixels, ghost and spline multiply the Fourier transform of the intensity by, shape (ny, nx // 2 + 1)."""
    x, y = np.fft.rfftfreq(shape[1], steps_um[0]), np.fft.fftfreq(shape[0], steps_um[1])[:, None]  # cycles per um
    pixel = np.sinc(x * sides_um[0, 0] + y * sides_um[1, 0]) * np.sinc(x * sides_um[0, 1] + y * sides_um[1, 1])
    both = 1 + ghost * np.exp(-2j * np.pi * (x * ghost_um[0] + y * ghost_um[1]))
    return np.asarray(pixel * both / _quintic(x * steps_um[0]) / _quintic(y * steps_um[1]), np.complex64)


def _quintic(frequency: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """Discrete Fourier transform of the quintic B-spline's values 66, 26 and 1 over 120, at `frequency` in cycles per point.

    M. Unser, IEEE Signal Process. Mag. 16 (6), 22 (1999), from memory.
    """
    turn = 2 * np.pi * frequency
    return np.asarray((66 + 52 * np.cos(turn) + 2 * np.cos(2 * turn)) / 120)
