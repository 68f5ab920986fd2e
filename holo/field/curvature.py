"""Slope and curvature of the light at points of the objective plane, exact for the panel's light.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.checks import check_finite
from holo.field.sites import panel_light, pupil_box

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.field.path import LightPath

BLOCK = 256
"""Points whose factors are held in memory at a time."""


@dataclass(frozen=True, eq=False)
class Curvature:
    """Intensity about points of the objective plane, to second order.

    Attributes
    ----------
    intensity : ndarray of float64, shape (n,)
        Over that of an unsplit focus on the axis, pixel envelope included.
    slope_per_um : ndarray of float64, shape (n, 3)
        First derivatives along x, y and z, over the intensity.
    curvature_per_um2 : ndarray of float64, shape (n, 3, 3)
        Second derivatives, over the intensity.
    """

    intensity: NDArray[np.float64]
    slope_per_um: NDArray[np.float64]
    curvature_per_um2: NDArray[np.float64]

    @property
    def peak_um(self) -> NDArray[np.float64]:
        """About where the brightest place lies from each point, shape (n, 3); NaN where there is none nearby.

        Newton's step for the logarithm of the intensity, which is exact for Gaussian spots.
        """
        slope = self.slope_per_um
        bend = self.curvature_per_um2 - slope[:, :, None] * slope[:, None, :]  # second derivatives of the logarithm
        near = np.asarray(np.isfinite(bend).all(axis=(1, 2)))
        near[near] = np.linalg.eigvalsh(bend[near])[:, -1] < 0
        step = np.full(slope.shape, np.nan)
        step[near] = -np.linalg.solve(bend[near], slope[near][..., None])[..., 0]
        return step


def light_curvature(
    path: LightPath,
    phase: NDArray[np.floating[Any]],
    xyz_um: NDArray[np.floating[Any]],
    weights: NDArray[np.complexfloating[Any, Any]] | None = None,
) -> Curvature:
    """Intensity, slope and curvature of the light of a mask at points, by the float64 sum over all pixels.

    Parameters
    ----------
    path : LightPath
    phase : ndarray, shape (rows, columns)
        Phase of the panel, rad.
    xyz_um : ndarray, shape (n, 3)
        Points, um.
    weights : ndarray of complex, shape (components, rows, columns), optional
        What each component of the field takes of each pixel's light (`holo.field.vector.focus_weights`), whose intensities add; one
        component that takes all without it. The intensity stays that over an unsplit scalar focus.

    Notes
    -----
    A derivative of the sum of `holo.field.sites.direct_fields` along x, y or z brings down ``-i u`` under it, ``u = (k x_p, k y_p, d_p)``;
    with ``V_a`` and ``V_ab`` for those, ``I_a = 2 Re(V* V_a)`` and ``I_ab = 2 Re(V_a* V_b + V* V_ab)``. All separate into matrix
    products as the sum itself does, six of them. The envelope of the pixels is multiplied on by the product rule.
    """
    points = np.asarray(xyz_um, np.float64)
    check_finite("xyz_um", points)
    box = pupil_box(path)
    base = panel_light(path, phase)[box] / path.amplitude_sum
    parts = [base] if weights is None else [base * weight[box] for weight in weights if weight.any()]
    intensity, slope, curvature = (sum(each) for each in zip(*(_bends(_moments(path, part, points)) for part in parts), strict=True))
    with np.errstate(divide="ignore", invalid="ignore"):
        bare = Curvature(intensity, (slope / intensity).T, np.moveaxis(curvature / intensity, -1, 0))
    return _under_envelope(bare, path, points)


def _moments(path: LightPath, base: NDArray[np.complex128], points: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Sums of the light in the pupil's box at points, weighted with 1, x, y, d, xx, xy, xd, yy, yd, dd, shape (10, n)."""
    rows, columns = pupil_box(path)
    defocus, x, y = path.defocus[rows, columns], path.x_um[columns] * path.scale, path.y_um[rows] * path.scale
    moments = np.empty((10, len(points)), np.complex128)
    for depth in np.unique(points[:, 2]):
        chosen = np.flatnonzero(points[:, 2] == depth)
        light = base * np.exp(-1j * defocus * depth) if depth else base
        for part in np.array_split(chosen, -(-len(chosen) // BLOCK)):
            moments[:, part] = _plane_moments(light, defocus, x, y, points[part])
    return moments


def _plane_moments(
    light: NDArray[np.complex128], defocus: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64], points: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """The same at points of one plane, by the light that has gone there."""
    across = np.exp(-1j * np.outer(x, points[:, 0]))
    down = np.exp(-1j * np.outer(y, points[:, 1]))
    deep = light * defocus
    plain, with_x, with_xx = light @ across, light @ (x[:, None] * across), light @ (x[:, None] ** 2 * across)
    with_d, with_xd, with_dd = deep @ across, deep @ (x[:, None] * across), (deep * defocus) @ across
    terms = (
        (0, plain),
        (0, with_x),
        (1, plain),
        (0, with_d),
        (0, with_xx),
        (1, with_x),
        (0, with_xd),
        (2, plain),
        (1, with_d),
        (0, with_dd),
    )
    weighted = [down * y[:, None] ** power for power in range(3)]
    return np.array([np.einsum("rm,rm->m", weighted[power], columns) for power, columns in terms])


def _bends(moments: NDArray[np.complex128]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Intensity, shape (n,), its slope (3, n) and its curvature (3, 3, n) from the weighted sums of one component of the field."""
    field, first = moments[0], -1j * moments[1:4]
    second = -moments[4:][[[0, 1, 2], [1, 3, 4], [2, 4, 5]]]
    slope = 2 * np.real(np.conj(field) * first)
    return np.abs(field) ** 2, slope, 2 * np.real(np.conj(first)[:, None] * first[None] + np.conj(field) * second)


def _under_envelope(bare: Curvature, path: LightPath, points: NDArray[np.float64]) -> Curvature:
    """Multiply the envelope of the pixels on."""
    per_um = path.side_um * path.scale / (2 * np.pi)
    slope, bend = _envelope_slope(points[:, :2] * per_um, per_um)
    both = bare.slope_per_um[:, :, None] * slope[:, None, :]
    curvature = bare.curvature_per_um2 + both + np.swapaxes(both, 1, 2) + slope[:, :, None] * slope[:, None, :]
    curvature[:, range(3), range(3)] += bend
    return Curvature(bare.intensity * path.envelope(points) ** 2, bare.slope_per_um + slope, curvature)


def _envelope_slope(u: NDArray[np.float64], per_um: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """First and second derivatives of the logarithm of ``sinc(u)^2`` along x, y and z, which has none, shape (n, 3) each."""
    near = np.abs(u) < 1e-3
    far = np.where(near, 0.5, u)
    slope = np.where(near, -2 / 3 * np.pi**2 * u, 2 * (np.pi / np.tan(np.pi * far) - 1 / far))
    bend = np.where(near, -2 / 3 * np.pi**2, 2 * (1 / far**2 - (np.pi / np.sin(np.pi * far)) ** 2))
    return np.pad(slope * per_um, ((0, 0), (0, 1))), np.pad(bend * per_um**2, ((0, 0), (0, 1)))
