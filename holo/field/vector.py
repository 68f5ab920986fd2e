"""The focus of a strong lens, where the direction of the field matters: the integral of Richards and Wolf.

A lens of high aperture turns the field of its outer rays, partly towards the axis. Along a linear polarisation the spot is
longer than the scalar model has it, across it is shorter, and so is the light that strays onto neighbouring sites.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.bench import pupil_radii
from holo.errors import InputError
from holo.field.sites import direct_fields

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.bench import Bench
    from holo.field.path import LightPath

POLARISATIONS = "scalar, x, y, circular-xy, circular-yx or degrees from x towards y"
"""What `polarisation` may be; scalar stands for the model without directions."""


def transverse(polarisation: str) -> tuple[complex, complex] | None:
    """Tell the direction of the field on the panel, as a unit vector (x, y) of complex numbers; None for the scalar model.

    Parameters
    ----------
    polarisation : str
        One of `POLARISATIONS`. The field of circular-xy turns from x towards y in time: the components are ``(1, i) / sqrt(2)``,
        with the time dependence ``exp(-i omega t)`` that belongs to the sign of a mask's phase.

    Returns
    -------
    (complex, complex), shape (complex, complex) or None or None

    Raises
    ------
    InputError
        If it is none of them.

    Examples
    --------
    >>> transverse("y"), transverse("60")[0].real.__round__(12), transverse("scalar")
    ((0.0, 1.0), 0.5, None)
    """
    half = math.sqrt(0.5)
    known = {"scalar": None, "x": (1.0, 0.0), "y": (0.0, 1.0), "circular-xy": (half, 1j * half), "circular-yx": (half, -1j * half)}
    if polarisation in known:
        return known[polarisation]
    try:
        angle = math.radians(float(polarisation))
    except ValueError:
        angle = math.nan
    if not math.isfinite(angle):
        raise InputError(f"polarisation: found {polarisation!r}; allowed: {POLARISATIONS}")
    return math.cos(angle), math.sin(angle)


def focus_weights(bench: Bench, polarisation: str) -> NDArray[np.complex128] | None:
    """Work out what the x, y and z component of the field take of each pixel's light; None for the scalar model.

    Parameters
    ----------
    bench : Bench
    polarisation : str
        Of the light on the panel; see `transverse`.

    Returns
    -------
    ndarray of complex128, shape (3, rows, columns), or None
        0 outside the pupil.

    Notes
    -----
    A ray from azimuth ``phi`` of the pupil reaches the focus at the angle ``theta``, ``sin theta = rho NA / n`` (Abbe's sine condition).
    Its field along the radius turns to ``cos theta rho^ + sin theta z^``, the one across stays, and both gain ``sqrt(cos theta)``
    (Richards and Wolf, Proc. R. Soc. A 253, 358 (1959), eqs. 2.17 to 2.23; numbers from memory). The solid angle of a pixel is its area
    over ``cos theta``, so that the weights are those vectors over ``sqrt(cos theta)``; on the axis they are 1.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> abs(focus_weights(bench, "x")[:, 500, 600]).round(2)
    array([1., 0., 0.])
    """
    direction = transverse(polarisation)
    if direction is None:
        return None
    rho = pupil_radii(bench)
    sine = np.where(rho <= 1, rho, 0.0) * bench.optics.numerical_aperture / bench.optics.medium_index
    cosine = np.sqrt(1 - sine**2)
    azimuth = np.arctan2(bench.panel.y_um[:, None], bench.panel.x_um[None, :])
    x, y = np.cos(azimuth), np.sin(azimuth)
    radial, tangential = direction[0] * x + direction[1] * y, direction[1] * x - direction[0] * y
    field = np.stack([radial * cosine * x - tangential * y, radial * cosine * y + tangential * x, radial * sine])
    return np.asarray(np.where(rho <= 1, field / np.sqrt(cosine), 0))


def vector_fields(
    bench: Bench, path: LightPath, phase: NDArray[np.floating[Any]], xyz_um: NDArray[np.floating[Any]], polarisation: str
) -> NDArray[np.complex128]:
    """Field components at points of the objective plane by the float64 sum over all pixels.

    Parameters
    ----------
    bench : Bench
    path : LightPath
        Of that bench.
    phase : ndarray, shape (rows, columns)
        Phase of the panel, rad.
    xyz_um : ndarray, shape (n, 3)
        Points (x, y, z), um.
    polarisation : str
        See `transverse`; for scalar there is one component.

    Returns
    -------
    ndarray of complex128, shape (3, n) or (1, n)
        Over the modulus of the field of an unsplit focus, pixel envelope included: the sum of ``|.|**2`` is the relative intensity.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> path = light_path(bench)
    >>> fields = vector_fields(bench, path, -path.aberration, np.array([[0.0, 0, 0], [0.5, 0, 0], [0, 0.5, 0]]), "x")
    >>> (abs(fields) ** 2).sum(axis=0).round(3)  # the spot is longer along the polarisation
    array([1.   , 0.473, 0.413])
    """
    weights = focus_weights(bench, polarisation)
    if weights is None:
        return direct_fields(path, phase, xyz_um)[None]
    real = [(weight, factor) for part in weights for weight, factor in ((part.real, 1), (part.imag, 1j))]
    fields = np.array([_component(path, phase, xyz_um, weight) * factor for weight, factor in real]).reshape(3, 2, -1).sum(axis=1)
    full = math.sqrt(sum(abs((path.amplitude * part).sum()) ** 2 for part in weights))
    return np.asarray(fields / full)


def _component(
    path: LightPath, phase: NDArray[np.floating[Any]], xyz_um: NDArray[np.floating[Any]], weight: NDArray[np.float64]
) -> NDArray[np.complex128] | complex:
    """Field of the light that a real weight of either sign leaves of each pixel, not divided by anything."""
    if not weight.any():
        return np.zeros(len(xyz_um), np.complex128)
    return direct_fields(replace(path, amplitude=path.amplitude * weight, amplitude_sum=1.0), phase, xyz_um)
