"""Light from the panel to a grid of points in a plane parallel to the objective plane, and back.

`PlaneTransform` goes to any separable grid, so it zooms as far in as wanted; `FieldTransform` goes to the whole addressable field at
once. `plane_field` and `full_field` are what they say of a mask.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.arrays import core_count
from holo.errors import InputError
from holo.field.path import LightPath
from holo.field.sites import panel_light, pupil_box

Complex = NDArray[np.complexfloating[Any, Any]]


class PlaneTransform:
    """A plan for the light between one panel and a separable grid: two matrix products in float64.

    Parameters
    ----------
    path : LightPath
        The light path.
    x_um, y_um : array_like, shapes (nx,) and (ny,)
        Columns and rows of the grid, um, in any order and at any distances; y points down.
    z_um : float
        Depth of the plane.

    Raises
    ------
    InputError
        If the grid is empty or not finite.

    Notes
    -----
    ``forward`` is ``sum_p field_p exp(-i (k (x_p X + y_p Y) + d_p Z))`` with ``k = 2 pi / (lambda f)`` (conventions of
    `holo.field.path`). On a grid the exponential is a product of one factor per row and one per column of the panel: the matrix
    triple product of Soummer, Pueyo, Sivaramakrishnan and Vanderbei, Opt. Express 15, 15935 (2007), cited from memory. Only pixels
    inside the pupil's bounding box take part. The pixel envelope is left out.
    """

    def __init__(self, path: LightPath, x_um: ArrayLike, y_um: ArrayLike, z_um: float = 0.0) -> None:
        self.path = path
        self.x_um, self.y_um = _axis(x_um, "x_um"), _axis(y_um, "y_um")
        self.box = pupil_box(path)
        self._down = np.exp(-1j * path.scale * np.outer(self.y_um, path.y_um[self.box[0]]))
        self._across = np.exp(-1j * path.scale * np.outer(path.x_um[self.box[1]], self.x_um))
        self._defocus = _defocus(path, self.box, z_um)

    def forward(self, field: Complex) -> NDArray[np.complex128]:
        """Fields on the grid of a field just behind the panel.

        Parameters
        ----------
        field : ndarray of complex, shape (rows, columns)

        Returns
        -------
        ndarray of complex, shape (ny, nx)

        Examples
        --------
        >>> from dataclasses import replace
        >>> from holo.bench import demo_bench_text, parse_bench
        >>> from holo.field.path import light_path
        >>> bench = parse_bench(demo_bench_text(), "bench.toml")
        >>> path = light_path(replace(bench, panel=replace(bench.panel, rows=50, columns=60, pitch_um=200.0)))
        >>> fields = PlaneTransform(path, [0.0, 6.0], [0.0]).forward(path.amplitude)
        >>> (abs(fields / path.amplitude_sum) ** 2).round(3)  # without a mask all the light is on the axis
        array([[1., 0.]])
        """
        light = np.asarray(field)[self.box] * self._defocus
        return np.asarray(np.linalg.multi_dot([self._down, light, self._across]), np.complex128)

    def adjoint(self, values: Complex) -> NDArray[np.complex128]:
        """Field on the panel of values on the grid; 0 outside the pupil's bounding box.

        ``<forward(f), v> = <f, adjoint(v)>`` for every f that lies inside the box.

        Parameters
        ----------
        values : ndarray of complex, shape (ny, nx)

        Returns
        -------
        ndarray of complex, shape (rows, columns)
        """
        panel = np.zeros(self.path.amplitude.shape, np.complex128)
        panel[self.box] = np.linalg.multi_dot([self._down.conj().T, values, self._across.conj().T]) * np.conj(self._defocus)
        return panel


class FieldTransform:
    """A plan for the light between one panel and its whole addressable field: a zero-padded fast Fourier transform.

    Parameters
    ----------
    path : LightPath
        The light path.
    oversampling : float
        Grid points over pixels of the pupil's bounding box, per axis, 1 at least; 2 resolves every detail of the intensity.
    z_um : float
        Depth of the plane.

    Attributes
    ----------
    x_um, y_um : ndarray, shapes (nx,) and (ny,)
        Columns and rows of the grid, evenly spaced and rising over ``-lambda f / (2 pitch) <= x < lambda f / (2 pitch)``; both hold 0.

    Raises
    ------
    InputError
        If `oversampling` is below 1 or not finite.

    Notes
    -----
    The same sum as in `PlaneTransform`, at points where the exponential is a discrete Fourier kernel (Goodman, Introduction to Fourier
    Optics, ch. 5). Parseval: the grid's ``sum |forward(f)|^2`` is ``nx ny sum |f|^2`` for every f inside the pupil's bounding box. The
    precision is that of the field handed in, complex64 or complex128.
    """

    def __init__(self, path: LightPath, oversampling: float = 2.0, z_um: float = 0.0) -> None:
        if not 1 <= oversampling <= 64:
            raise InputError(f"oversampling: found {oversampling:g}; allowed: from 1 to 64")
        self.path = path
        self.box = pupil_box(path)
        rows, columns = path.amplitude[self.box].shape
        field = 2 * np.pi / (path.scale * _pitch(path))
        self.x_um, self.y_um = (_field_axis(field, pixels, oversampling) for pixels in (columns, rows))
        self._ramp_x = np.exp(-1j * path.scale * path.x_um[self.box[1]][0] * self.x_um)
        self._ramp_y = np.exp(-1j * path.scale * path.y_um[self.box[0]][0] * self.y_um)[:, None]
        self._defocus = _defocus(path, self.box, z_um)

    def forward(self, field: Complex) -> Complex:
        """Fields on the grid of a field just behind the panel.

        Parameters
        ----------
        field : ndarray of complex, shape (rows, columns)

        Returns
        -------
        ndarray of complex, shape (ny, nx)
            Of the precision of `field`.
        """
        from scipy import fft

        light = np.asarray(field)[self.box]
        light = light * self._defocus.astype(light.dtype)
        grid = fft.fftshift(fft.fft2(light, (len(self.y_um), len(self.x_um)), workers=core_count()))
        grid *= self._ramp_x.astype(grid.dtype)
        grid *= self._ramp_y.astype(grid.dtype)
        return np.asarray(grid)

    def adjoint(self, values: Complex) -> Complex:
        """Field on the panel of values on the grid; as `PlaneTransform.adjoint`.

        Parameters
        ----------
        values : ndarray of complex, shape (ny, nx)

        Returns
        -------
        ndarray of complex, shape (rows, columns)
            Of the precision of `values`.
        """
        from scipy import fft

        turned = values * np.conj(self._ramp_x) * np.conj(self._ramp_y)
        grid = fft.ifft2(fft.ifftshift(turned), norm="forward", workers=core_count())
        panel = np.zeros(self.path.amplitude.shape, grid.dtype)
        rows, columns = self._defocus.shape
        panel[self.box] = grid[:rows, :columns] * np.conj(self._defocus)
        return panel


def plane_field(
    path: LightPath, phase: NDArray[np.floating[Any]], x_um: ArrayLike, y_um: ArrayLike, z_um: float = 0.0
) -> NDArray[np.complex128]:
    """Field of a mask on a separable grid of points.

    Parameters
    ----------
    path : LightPath
        The light path.
    phase : ndarray, shape (rows, columns)
        Phase of the panel, rad.
    x_um, y_um : array_like, shapes (nx,) and (ny,)
        Columns and rows of the grid, um; y points down.
    z_um : float
        Depth of the plane.

    Returns
    -------
    ndarray of complex128, shape (ny, nx)
        Normalised as `holo.field.sites.direct_fields`: over the field of an unsplit focus, pixel envelope included.

    Raises
    ------
    InputError
        If the grid is empty or not finite.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
    >>> flat = np.zeros(path.amplitude.shape)
    >>> abs(plane_field(path, flat, [0.0, 0.5], [0.0])).round(3)
    array([[1.   , 0.652]])
    """
    transform = PlaneTransform(path, x_um, y_um, z_um)
    fields = transform.forward(panel_light(path, phase))
    return np.asarray(fields * grid_envelope(path, transform.x_um, transform.y_um) / path.amplitude_sum)


def full_field(
    path: LightPath, phase: NDArray[np.floating[Any]], oversampling: float = 2.0, z_um: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float32]]:
    """Intensity of a mask over the whole addressable field.

    Parameters
    ----------
    path : LightPath
        The light path.
    phase : ndarray, shape (rows, columns)
        Phase of the panel, rad.
    oversampling, z_um : float
        As for `FieldTransform`.

    Returns
    -------
    x_um, y_um : ndarray, shapes (nx,) and (ny,)
        Columns and rows of the grid, um; y points down.
    intensity : ndarray of float32, shape (ny, nx)
        Over that of an unsplit focus on the axis, pixel envelope included.

    Raises
    ------
    InputError
        If `oversampling` is out of range.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))
    >>> x_um, y_um, intensity = full_field(path, np.zeros(path.amplitude.shape))
    >>> intensity.shape, float(x_um[0]), round(float(intensity.max()), 6)
    ((2000, 2000), -390.833..., 1.0)
    """
    transform = FieldTransform(path, oversampling, z_um)
    fields = transform.forward(panel_light(path, phase).astype(np.complex64))
    envelope = grid_envelope(path, transform.x_um, transform.y_um) / path.amplitude_sum
    intensity = np.square(fields.real)
    intensity += np.square(fields.imag)
    intensity *= np.square(envelope).astype(np.float32)
    return transform.x_um, transform.y_um, intensity


def grid_envelope(path: LightPath, x_um: NDArray[np.float64], y_um: NDArray[np.float64]) -> NDArray[np.float64]:
    """Amplitude envelope of a pixel on a separable grid; see `LightPath.envelope`.

    Parameters
    ----------
    path : LightPath
    x_um : ndarray, shape (nx,)
    y_um : ndarray, shape (ny,)

    Returns
    -------
    ndarray, shape (ny, nx)
        1 on the axis.
    """
    across, down = (path.envelope(np.column_stack(pair)) for pair in ((x_um, 0 * x_um), (0 * y_um, y_um)))
    return np.asarray(np.outer(down, across), np.float64)


def _axis(places: ArrayLike, name: str) -> NDArray[np.float64]:
    axis = np.array(places, np.float64)
    if axis.ndim != 1 or not len(axis) or not np.isfinite(axis).all():
        raise InputError(f"{name}: found {_found(axis)}; allowed: a list of one or more finite numbers")
    return axis


def _found(axis: NDArray[np.float64]) -> str:
    return f"shape {axis.shape}" if axis.ndim != 1 or not len(axis) else f"{axis[~np.isfinite(axis)][0]}"


def _field_axis(field_um: float, pixels: int, oversampling: float) -> NDArray[np.float64]:
    """Points ``k field / n`` for the n whole numbers k about 0, as the shifted discrete Fourier transform has them."""
    from scipy.fft import next_fast_len

    length = next_fast_len(int(np.ceil(pixels * oversampling)))
    return np.asarray((np.arange(length) - length // 2) * (field_um / length), np.float64)


def _pitch(path: LightPath) -> float:
    """Distance of neighbouring pixels, the same along both axes."""
    longer = path.x_um if len(path.x_um) > 1 else path.y_um
    return float(longer[1] - longer[0])


def _defocus(path: LightPath, box: tuple[slice, slice], z_um: float) -> Complex:
    """Factor that a depth puts on the light of each pixel of the box."""
    if not np.isfinite(z_um):
        raise InputError(f"z_um: found {z_um}; allowed: a finite number")
    return np.asarray(np.exp(-1j * z_um * path.defocus[box]) if z_um else np.ones(path.amplitude[box].shape))
