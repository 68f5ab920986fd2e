"""The images of spots on a camera, from amplitude and phase in the pupil: the forward model of sensing.

A mask makes a few spots. Around each of them the field is the Fourier transform of the light behind the panel, demodulated so that the spot
comes to lie on the axis; what is left varies slowly over the pupil, and a coarse grid of the pupil holds it. The grid is laid along the
camera's columns and rows, in radians per pixel, so that the transform to the pixels separates whatever the camera's turn.

Camera points are (column, row). Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holo.affine import Affine
from holo.field.path import LightPath
from holo.zernike import zernike

Real = NDArray[np.float64]
Single = NDArray[np.float32]
Light = NDArray[np.complex64]

ROOM = 5.0
"""Length over which the coarse grid repeats the light, over half the width of a window."""

FINEST = 56
"""Fewest points of the coarse grid across the pupil."""

DENSEST = 2.2
"""Most radians of the intensity's finest detail between two points at which it is computed; Nyquist's limit is pi."""

TAPS = 2
"""Points beyond each end of a pixel, in pixels or less, that its mean is worked out from."""


@dataclass(frozen=True, eq=False)
class View:
    """A plan for the light between the pupil and windows of camera pixels about some spots.

    Attributes
    ----------
    u, v : ndarray, shapes (nu,) and (nv,)
        Points of the pupil's grid: radians per pixel along the camera's columns and rows.
    rho, theta : ndarray, shape (nv, nu)
        The same points as radius over the pupil's radius and angle on the panel, rad.
    light : ndarray of complex64, shape (spots, nv, nu)
        Field that the mask sends to each spot from about each point of the grid, without the smooth phases, over the sum of all amplitudes.
    corner : ndarray of int, shape (spots, 2)
        (column, row) of the first pixel of each window.
    side : int
        Pixels along the sides of a window.
    across, down : ndarray of complex64, shapes (n, nu) and (n, nv)
        Transforms from the grid to points along the columns and rows of a window, a little beyond its ends.
    mean : ndarray of float32, shape (side, n)
        From values at these points to their means over pixels.
    """

    u: Real
    v: Real
    rho: Real
    theta: Real
    light: Light
    corner: NDArray[np.int64]
    side: int
    across: Light
    down: Light
    mean: Single

    def terms(self, noll: Sequence[int]) -> Single:
        """Give Zernike polynomials on the grid, shape (terms, nv, nu), by their Noll indices.

        Parameters
        ----------
        noll : sequence of int
            Noll indices.

        Returns
        -------
        ndarray, shape (terms, nv, nu)
            For 1 wave rms: waves; beyond 1.1 pupil radii as there.
        """
        inside = np.minimum(self.rho, 1.1)
        return np.array([zernike(j, inside, self.theta) for j in noll], np.float32).reshape(-1, *self.rho.shape)

    def phase(self, waves: dict[int, float]) -> Single:
        """Phase of a sum of Zernike terms on the grid, rad, shape (nv, nu), from waves rms by Noll index.

        Parameters
        ----------
        waves : dict of int to float
            Waves rms by Noll index.

        Returns
        -------
        ndarray, shape (nv, nu)
        """
        return np.asarray(2 * np.pi * np.tensordot(np.array([*waves.values()], np.float32), self.terms(tuple(waves)), 1), np.float32)

    def of_spots(self, spots: NDArray[np.intp] | slice) -> View:
        """Keep some of the spots only.

        Parameters
        ----------
        spots : ndarray of int, shape (n,), or slice
            Their numbers.

        Returns
        -------
        View
        """
        return replace(self, light=self.light[spots], corner=self.corner[spots])


def view_of(path: LightPath, radius_um: float, phase: Real, points_um: Real, plane_to_camera: Affine, half_px: int) -> View:
    """Plan the light of a mask of some spots.

    Parameters
    ----------
    path : LightPath
        Its aberration is not looked at.
    radius_um : float
        Of the pupil, on the panel.
    phase : ndarray, shape (rows, columns)
        Phase of the panel without its smooth parts, rad: without what cancels an aberration, for one.
    points_um : ndarray, shape (n, 2)
        Where the spots are.
    plane_to_camera : Affine
    half_px : int
        Windows reach this far to each side of their middle pixel.

    Returns
    -------
    View

    Notes
    -----
    With ``X = X_m + B d`` for a pixel at ``d`` from the spot m, the phase ``scale (x X + y Y)`` is that at the spot plus ``q . d``,
    ``q = scale B^T (x, y)`` rad per pixel. The demodulated field is spread over the points of a regular grid of q with the weights of
    Lagrange's cubic: the adjoint of interpolating the smooth phases and the plane waves of the transform between the points of the grid.
    """
    grid = grid_of(path, radius_um, plane_to_camera, half_px)
    seen = plane_to_camera.apply(points_um)
    middle = np.rint(seen).astype(np.int64)
    row, column = np.nonzero(path.amplitude)
    xy = np.column_stack([path.x_um[column], path.y_um[row]])
    spread = grid.spread(xy)
    light = np.empty((len(seen), *grid.rho.shape), np.complex64)
    amplitude, phases = path.amplitude[row, column] / path.amplitude_sum, np.asarray(phase, np.float64)[row, column]
    for n, (point, beside) in enumerate(zip(points_um, seen - middle, strict=True)):
        field = amplitude * np.exp(1j * (phases - path.scale * (xy @ point)))
        light[n] = spread(field) * grid.moved(beside)
    return grid.windows(light, middle, half_px)


@dataclass(frozen=True, eq=False)
class Grid:
    """A coarse grid over the pupil, in radians per camera pixel.

    Attributes
    ----------
    u, v, rho, theta : ndarray
        As in `View`.
    matrix : ndarray, shape (2, 2)
        From a place behind the panel, um, to (u, v).
    """

    u: Real
    v: Real
    rho: Real
    theta: Real
    matrix: Real

    def spread(self, xy_um: Real) -> Spread:
        """Plan how light from places behind the panel, shape (n, 2), is spread over the grid.

        Parameters
        ----------
        xy_um : ndarray, shape (n, 2)
            On the panel, um.

        Returns
        -------
        Spread
            A plan, called with the amplitudes of the n places.
        """
        return Spread(xy_um @ self.matrix.T, self.u, self.v)

    def moved(self, by_px: Real) -> NDArray[np.complex128]:
        """Phase factor, shape (nv, nu), that moves an image by (columns, rows).

        Parameters
        ----------
        by_px : ndarray, shape (2,)
            (columns, rows).

        Returns
        -------
        ndarray of complex, shape (nv, nu)
        """
        return np.asarray(np.exp(1j * (self.u * by_px[0] + self.v[:, None] * by_px[1])))

    def windows(self, light: Light, middle: NDArray[np.int64], half_px: int) -> View:
        """Plan the windows about some pixels (column, row), shape (n, 2), for light on the grid, shape (n, nv, nu).

        Parameters
        ----------
        light : Light, shape (n, nv, nu)
            In the pupil, of each spot.
        middle : ndarray of int, shape (n, 2)
            (column, row) of the pixels in the middle of the windows.
        half_px : int
            Half width; a window has ``2 half_px + 1`` pixels to a side.

        Returns
        -------
        View
        """
        band = 2 * float(np.abs(self.u).max() - 2 * (self.u[1] - self.u[0])), 2 * float(np.abs(self.v).max() - 2 * (self.v[1] - self.v[0]))
        places, mean = _pixels(half_px, max(band))
        across, down = (np.exp(-1j * np.outer(places, axis)).astype(np.complex64) for axis in (self.u, self.v))
        return View(self.u, self.v, self.rho, self.theta, light, middle - half_px, 2 * half_px + 1, across, down, mean)


def grid_of(path: LightPath, radius_um: float, plane_to_camera: Affine, half_px: int) -> Grid:
    """Lay the grid over the lit part of the pupil, fine enough for windows of some half width; see `view_of`.

    Parameters
    ----------
    path : LightPath
        Whose light the grid must hold.
    radius_um : float
        Of the pupil, on the panel.
    plane_to_camera : Affine
        Its turn and scale lay the grid along the camera's axes.
    half_px : int
        Half width of the windows.

    Returns
    -------
    Grid
    """
    matrix = path.scale * plane_to_camera.inverse().matrix.T
    row, column = np.nonzero(path.amplitude)
    reach = np.abs(np.column_stack([path.x_um[column], path.y_um[row]]) @ matrix.T).max(axis=0)
    step = float(min(2 * np.pi / (ROOM * half_px), 2 * reach.min() / FINEST))
    u, v = (np.arange(-half, half + 1) * step for half in (np.ceil(reach / step) + 2))
    x, y = np.moveaxis(np.stack(np.meshgrid(u, v), axis=-1) @ np.linalg.inv(matrix).T, -1, 0)
    return Grid(u, v, np.hypot(x, y) / radius_um, np.arctan2(y, x), matrix)


class Spread:
    """Spreads light at places ``q`` over the grid ``u`` by ``v``: the four nearest points along each axis, by Lagrange's cubic."""

    def __init__(self, q: Real, u: Real, v: Real) -> None:
        self._shape = len(v), len(u)
        (column, self._across), (row, self._down) = (_cubic((q[:, k] - axis[0]) / (axis[1] - axis[0])) for k, axis in enumerate((u, v)))
        self._first = row * len(u) + column

    def __call__(self, field: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Spread the field at the places, shape (n,), over the grid, shape (nv, nu)."""
        size = self._shape[0] * self._shape[1]
        total = np.zeros(size, np.complex128)
        for j, below in enumerate(self._down):
            for i, beside in enumerate(self._across):
                part, index = field * (below * beside), self._first + (j * self._shape[1] + i)
                total += np.bincount(index, part.real, size) + 1j * np.bincount(index, part.imag, size)
        return total.reshape(self._shape)


def _cubic(places: Real) -> tuple[NDArray[np.intp], Real]:
    """First of the four whole numbers around each place, and the weights of the four, shape (4, n)."""
    low = np.floor(places).astype(np.intp)
    t = places - low
    weights = [-t * (t - 1) * (t - 2) / 6, (t + 1) * (t - 1) * (t - 2) / 2, -(t + 1) * t * (t - 2) / 2, (t + 1) * t * (t - 1) / 6]
    return low - 1, np.array(weights)


def _pixels(half_px: int, band: float) -> tuple[Real, Single]:
    """Points along an axis of a window, px from its middle, and the matrix from values there to means over pixels.

    Up to the finest detail, `band` rad per pixel, the weights make of a wave what its mean over a pixel is, a sinc, by least squares.
    """
    density = int(np.ceil(band / DENSEST))
    beyond = np.arange(-(density // 2) - TAPS, density // 2 + TAPS + 1) / density
    frequency = np.linspace(0, band, 64)
    weights = np.linalg.lstsq(np.cos(np.outer(frequency, beyond)), np.sinc(frequency / (2 * np.pi)), rcond=None)[0]
    places = np.arange(-half_px * density + round(beyond[0] * density), half_px * density + round(beyond[-1] * density) + 1) / density
    mean = np.zeros((2 * half_px + 1, len(places)), np.float32)
    for pixel in range(len(mean)):
        mean[pixel, pixel * density : pixel * density + len(weights)] = weights
    return places, mean


def fields(view: View, light: Light) -> Light:
    """Field at the points of a window.

    Parameters
    ----------
    view : View
    light : ndarray of complex64, shape (..., nv, nu)
        In the pupil.

    Returns
    -------
    ndarray of complex64, shape (..., n, n)
    """
    many = np.moveaxis(light, -2, 0)  # two large products, not many small ones
    half = (view.down @ many.reshape(len(many), -1)).reshape(-1, light.shape[-1])
    return np.asarray(np.moveaxis((half @ view.across.T).reshape(len(view.down), *many.shape[1:-1], -1), 0, -2), np.complex64)


def over_pixels(view: View, values: Single) -> Single:
    """Mean over each pixel of values at the points of a window: (..., n, n) to (..., side, side).

    Parameters
    ----------
    view : View
    values : ndarray, shape (..., n, n)
        At the points of a window, several to a pixel.

    Returns
    -------
    ndarray, shape (..., side, side)
    """
    many = np.moveaxis(values, -2, 0)
    half = (view.mean @ many.reshape(len(many), -1)).reshape(-1, values.shape[-1])
    return np.asarray(np.moveaxis((half @ view.mean.T).reshape(view.side, *many.shape[1:-1], -1), 0, -2), np.float32)


def images(view: View, smooth: Single, amplitude: Single | float = 1.0) -> Single:
    """Images of all spots.

    Parameters
    ----------
    view : View
    smooth : ndarray, shape (nv, nu)
        Phase on the grid, rad: biases and aberration.
    amplitude : ndarray, shape (nv, nu)
        Amplitude over that of the bench's beam.

    Returns
    -------
    ndarray of float32, shape (spots, side, side)
        Mean intensity over each pixel, over that of an unsplit perfect focus.
    """
    found = fields(view, (view.light * (amplitude * np.exp(1j * smooth))).astype(np.complex64))
    return over_pixels(view, np.square(found.real) + np.square(found.imag))
