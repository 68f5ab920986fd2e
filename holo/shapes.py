"""Shapes of continuous light: relative intensities at points, 1 where the light is full and 0 where there is none.

All take coordinates ``x`` (to the right) and ``y`` (down) about the middle of the shape, arrays that broadcast against each other, and
lengths in the same unit. An edge of width ``edge`` rises as the error function, from 8 % to 92 % of the full intensity over that width,
and is at one half where the sharp shape would end; 0 makes it sharp.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holo.errors import InputError

Array = NDArray[np.float64]

FINEST = 8
"""Cells of a speckle pattern within its correlation length."""


def soft_step(distance: Array, edge: float) -> Array:
    """Rise from 0 to 1 as a distance, counted into the light, goes from minus to plus.

    Parameters
    ----------
    distance : ndarray
        In any unit; positive inside.
    edge : float
        Width of the edge in that unit, over which it rises from 0.079 to 0.921; 0 for a sharp one.

    Returns
    -------
    ndarray, of the same shape
        From 0 to 1.

    Notes
    -----
    ``(1 + erf(2 d / edge)) / 2``: a sharp edge seen through a Gaussian of standard deviation ``edge / sqrt(8)``.

    Examples
    --------
    >>> soft_step(np.array([-0.5, 0.0, 0.5]), 1.0).round(3)
    array([0.079, 0.5  , 0.921])
    """
    from scipy.special import erf

    if edge == 0:
        return np.asarray((np.sign(distance) + 1) / 2, np.float64)
    return np.asarray((1 + erf(2 * np.asarray(distance) / edge)) / 2, np.float64)


def box(x: Array, y: Array, width: float, height: float, edge: float = 0.0) -> Array:
    """Rectangle.

    Parameters
    ----------
    x, y : ndarray
        Places about its middle, which broadcast against each other.
    width, height : float
        In the unit of `x`.
    edge : float
        See `soft_step`.

    Returns
    -------
    ndarray
        From 0 to 1.

    Examples
    --------
    >>> box(np.array([0.0, 3.0]), np.array([[0.0]]), 4.0, 2.0)
    array([[1., 0.]])
    """
    return soft_step(width / 2 - np.abs(x), edge) * soft_step(height / 2 - np.abs(y), edge)


def disc(x: Array, y: Array, radius: float, edge: float = 0.0) -> Array:
    """Disc.

    Parameters
    ----------
    x, y : ndarray
        Places about its middle, which broadcast against each other.
    radius : float
        In the unit of `x`.
    edge : float
        See `soft_step`.

    Returns
    -------
    ndarray
        From 0 to 1.

    Examples
    --------
    >>> disc(np.array([0.0, 1.9, 2.1]), np.array([0.0]), 2.0)
    array([1., 1., 0.])
    """
    return soft_step(radius - np.hypot(x, y), edge)


def ring(x: Array, y: Array, inner: float, outer: float, edge: float = 0.0) -> Array:
    """Ring between two radii.

    Parameters
    ----------
    x, y : ndarray
        Places about its middle, which broadcast against each other.
    inner, outer : float
        In the unit of `x`.
    edge : float
        See `soft_step`.

    Returns
    -------
    ndarray
        From 0 to 1.

    Examples
    --------
    >>> ring(np.array([0.0, 1.5, 2.1]), np.array([0.0]), 1.0, 2.0)
    array([0., 1., 0.])
    """
    radius = np.hypot(x, y)
    return soft_step(outer - radius, edge) * soft_step(radius - inner, edge)


def ramp(x: Array, y: Array, low: float, high: float, length: float) -> Array:
    """Slope along x, from `low` to `high` over `length`, constant beyond and along y.

    Parameters
    ----------
    x, y : ndarray
        Places about its middle, which broadcast against each other.
    low, high : float
        Values at its ends.
    length : float
        In the unit of `x`.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> ramp(np.array([-9.0, -1.0, 0.0, 1.0]), np.array([0.0]), 0.5, 1.0, 2.0)
    array([0.5 , 0.5 , 0.75, 1.  ])
    """
    share = np.clip(np.asarray(x) / length + 0.5, 0, 1)
    return np.asarray((low + (high - low) * share) * np.ones_like(y))


def bowl(x: Array, y: Array, radius: float, harmonic: float, quartic: float) -> Array:
    """Harmonic and quartic correction, ``1 + harmonic (r / radius)^2 + quartic (r / radius)^4``, not below 0.

    Light that is to cancel the harmonic trap of another beam, or to flatten a profile, is multiplied by one.

    Parameters
    ----------
    x, y : ndarray
        Places about its middle, which broadcast against each other.
    radius : float
        In the unit of `x`.
    harmonic, quartic : float
        Change at that radius.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> bowl(np.array([0.0, 1.0, 2.0]), np.array([0.0]), 2.0, -0.4, 0.1)
    array([1.     , 0.90625, 0.7    ])
    """
    square = (np.square(x) + np.square(y)) / radius**2
    return np.asarray(np.maximum(1 + square * (harmonic + quartic * square), 0))


def wall(x: Array, y: Array, length: float, thickness: float, gap: float, edge: float = 0.0) -> Array:
    """Bar along x with a gap in its middle.

    Parameters
    ----------
    x, y : ndarray
        Places about its middle, which broadcast against each other.
    length, thickness, gap : float
        In the unit of `x`.
    edge : float
        See `soft_step`.

    Returns
    -------
    ndarray
        From 0 to 1.

    Examples
    --------
    >>> wall(np.array([-3.0, 0.0, 3.0]), np.array([[0.0], [2.0]]), 10.0, 2.0, 4.0)
    array([[1., 0., 1.],
           [0., 0., 0.]])
    """
    bar = box(x, y, length, thickness, edge)
    return bar * (1 - soft_step(gap / 2 - np.abs(x), edge)) if gap > 0 else bar


def sampled(x: Array, y: Array, values: Array, width: float, height: float) -> Array:
    """Array or image laid over a rectangle; 0 outside.

    Parameters
    ----------
    x, y : ndarray
        Places about its middle, which broadcast against each other.
    values : ndarray, shape (rows, columns)
        Mean over each cell of the rectangle, row 0 on top. Between the middles of the cells they are interpolated linearly.
    width, height : float
        Of the rectangle.

    Returns
    -------
    ndarray

    Raises
    ------
    InputError
        If there are no rows and columns of finite values from 0 up.

    Examples
    --------
    >>> sampled(np.array([-1.0, 0.0, 1.0, 9.0]), np.array([0.0]), np.array([[0.0, 1.0]]), 4.0, 2.0)
    array([0. , 0.5, 1. , 0. ])
    """
    from scipy.ndimage import map_coordinates

    if values.ndim != 2 or not values.size or not (np.isfinite(values) & (values >= 0)).all():
        raise InputError(f"values: found shape {values.shape}; allowed: rows and columns of finite numbers, none below 0")
    across, down = np.broadcast_arrays(np.asarray(x, np.float64), np.asarray(y, np.float64))
    rows, columns = values.shape
    place = np.array([(down / height + 0.5) * rows - 0.5, (across / width + 0.5) * columns - 0.5])
    inside = (np.abs(across) <= width / 2) & (np.abs(down) <= height / 2)
    return np.where(inside, map_coordinates(np.asarray(values, np.float64), place, order=1, mode="nearest"), 0.0)


def blurred(values: Array, across: float, down: float) -> Array:
    """Array seen through a Gaussian of standard deviations `across` and `down`, in cells, dark beyond its ends.

    Parameters
    ----------
    values : ndarray, shape (rows, columns)
    across, down : float
        Along columns and along rows.

    Returns
    -------
    ndarray, shape (rows, columns)

    Examples
    --------
    >>> blurred(np.array([[0.0, 1.0, 0.0]]), 0.5, 0.0).round(2)
    array([[0.11, 0.79, 0.11]])
    """
    from scipy.ndimage import gaussian_filter

    return np.asarray(gaussian_filter(np.asarray(values, np.float64), (down, across), mode="constant"))


def speckle(rows: int, columns: int, correlation: float, rng: np.random.Generator) -> Array:
    """Intensity of fully developed speckle, of mean 1.

    Parameters
    ----------
    rows, columns : int
    correlation : float
        Distance, in cells, at which the autocovariance of the intensity has fallen to 1/e of its value at 0; it is a Gaussian. The
        pattern repeats after its rows and columns.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (rows, columns)
        Exponentially distributed, of contrast 1 but for the finite number of grains.

    Raises
    ------
    InputError
        If it has no cells, or the correlation length is not positive.

    Notes
    -----
    The squared modulus of complex white noise seen through a Gaussian of standard deviation ``correlation / sqrt(2)``: a field of
    correlation ``exp(-d^2 / (4 s^2))``, whose square is the autocovariance of the intensity (Goodman, Speckle Phenomena in Optics, 2007,
    chapters 3 and 4; from memory).

    Examples
    --------
    >>> pattern = speckle(256, 256, 4.0, np.random.default_rng(1))
    >>> round(float(pattern.mean()), 9), abs(float(pattern.std()) - 1) < 0.1
    (1.0, True)
    """
    if rows < 1 or columns < 1 or not correlation > 0:
        raise InputError(f"speckle: found {rows} x {columns} cells, correlation {correlation:g}; allowed: positive numbers")
    noise = rng.normal(size=(rows, columns)) + 1j * rng.normal(size=(rows, columns))
    square = np.fft.fftfreq(columns)[None, :] ** 2 + np.fft.fftfreq(rows)[:, None] ** 2
    field = np.fft.ifft2(np.fft.fft2(noise) * np.exp(-((np.pi * correlation) ** 2) * square))
    intensity = np.abs(field) ** 2
    return np.asarray(intensity / intensity.mean(), np.float64)
