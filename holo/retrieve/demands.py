"""What sites closer than the resolution ask of the light, and how far the light of a panel is from it.

Here is the one objective that the dense engine lowers, with its exact gradient; `holo.retrieve.site_phases` and
`holo.retrieve.dense` lower it over the pupil of a small linear model and over the phase of the panel.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import kernel, namespace
from holo.field.path import LightPath
from holo.field.sites import SiteTransform, pupil_box

Fields = NDArray[np.complexfloating[Any, Any]]


@dataclass(frozen=True, eq=False)
class Demand:
    """Intensities that are wanted at points, and what it costs to miss them.

    The first points are the sites themselves; the same number follows for each displacement under which the demands are to hold.
    """

    target: NDArray[np.float64]
    """Wanted intensity relative to `level`, shape (sites,); 0 where there is to be no light. Its mean over bright sites is 1."""
    level: float
    """Wanted mean intensity of the bright sites, over that of an unsplit focus."""
    darkness: float
    """Cost of light on dark sites next to that of unequal bright ones."""

    def cost(self, fields: Fields) -> tuple[float, Fields]:
        """Say how far fields are from what is wanted, and which way that goes.

        Parameters
        ----------
        fields : ndarray of complex, shape (components, points)
            Over the field of an unsplit focus. Intensities are summed over the components.

        Returns
        -------
        value : float
            ``mean over bright (I / (level t) - 1)^2 + darkness mean over dark (I / level)^2``, averaged over the displacements.
        slope : ndarray of complex64, shape (components, points)
            ``dF/d Re V + i dF/d Im V``.

        Examples
        --------
        >>> value, slope = Demand(np.array([1.0, 0.0]), 0.5, 10.0).cost(np.array([[0.5**0.5, 0.05**0.5]]))
        >>> round(value, 12)  # the bright site is level, the dark one has a tenth of its light
        0.1
        >>> slope.round(3)
        array([[0.   +0.j, 1.789+0.j]], dtype=complex64)
        """
        intensity = _intensity(fields).reshape(-1, len(self.target)) / self.level
        weight, wanted = self.weights()
        off = intensity - wanted
        value = float((weight * off**2).sum()) / len(intensity)
        slope = 4 * weight * off / (self.level * len(intensity))
        return value, (slope.reshape(-1) * fields).astype(np.complex64)

    def weights(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Weight of the squared error of each site's intensity over `level`, and what that is to be."""
        bright = self.target > 0
        over = np.divide(1, self.target, out=np.zeros(len(bright)), where=bright)
        weight = np.where(bright, over**2 / bright.sum(), self.darkness / max((~bright).sum(), 1))
        return weight, self.target

    def ratios(self, fields: Fields) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Intensity over target of the bright sites, and of the dark ones over the mean of the bright, at no displacement."""
        intensity, bright = _intensity(fields)[: len(self.target)], self.target > 0
        return intensity[bright] / self.target[bright], intensity[~bright] / intensity[bright].mean()


def _intensity(fields: Fields) -> NDArray[np.float64]:
    return np.asarray((fields.real.astype(np.float64) ** 2 + fields.imag.astype(np.float64) ** 2).sum(axis=0))


@dataclass(frozen=True, eq=False)
class LitPanel:
    """Pixels, or blocks of them taken as one, with the light that falls on each.

    Attributes
    ----------
    path : LightPath
        Its amplitude and places of pixels; no aberration, because phases here are those of the light behind the panel.
    light : ndarray of complex64, shape (components, rows, columns)
        What a pixel adds to each component of the field in the objective plane, before its phase.
    full : float
        Modulus of the field of an unsplit focus.
    step : int
        Pixels of the real panel along the side of a block.
    """

    path: LightPath
    light: NDArray[np.complex64]
    full: float
    step: int

    @staticmethod
    def of(path: LightPath, weights: Fields | None = None) -> LitPanel:
        """Take the smallest block of pixels that holds all the light of a path.

        Parameters
        ----------
        path : LightPath
        weights : ndarray, shape (components, rows, columns), optional
            What the components of the field take of a pixel's light, see `holo.field.vector.focus_weights`; by default one takes all.
        """
        box = pupil_box(path)
        shares = np.ones((1, 1, 1)) if weights is None else weights
        light = (path.amplitude * shares)[(slice(None), *box)].astype(np.complex64)
        full = float(np.linalg.norm(light.sum(axis=(1, 2), dtype=np.complex128)))
        return LitPanel(_part(path, box), light, full, 1)

    def binned(self, step: int) -> LitPanel:
        """Take blocks of `step` x `step` pixels as one."""
        if step == 1:
            return self
        path = self.path
        x, y = _middles(path.x_um, step), _middles(path.y_um, step)
        amplitude, defocus = (_means(part, step) for part in (path.amplitude, path.defocus))
        total, pupil, side = float(amplitude.sum()), amplitude > 0, path.side_um * step
        coarse = LightPath(x, y, amplitude, np.zeros_like(amplitude), defocus, path.scale, side, total, pupil, path.pupil_share)
        light = np.stack([_means(part, step) for part in self.light]).astype(np.complex64)
        return LitPanel(coarse, light, self.full / step**2, step * self.step)

    def spread(self, phase: Any, onto: LitPanel) -> Any:
        """Give every pixel of a finer panel the phase of its block here, on the device where it is."""
        times = self.step // onto.step
        rows, columns = onto.light.shape[1:]
        return namespace(phase).ascontiguousarray(phase.repeat(times, axis=0).repeat(times, axis=1)[:rows, :columns])


def _part(path: LightPath, box: tuple[slice, slice]) -> LightPath:
    names = ("amplitude", "aberration", "defocus", "pupil")
    parts: dict[str, Any] = {name: getattr(path, name)[box] for name in names} | {"aberration": np.zeros_like(path.aberration[box])}
    return replace(path, x_um=path.x_um[box[1]], y_um=path.y_um[box[0]], **parts)


def _middles(places: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    """Middles of blocks of equally spaced places; the last block may reach beyond them."""
    pitch = places[1] - places[0]
    return np.asarray(places[0] + pitch * ((step - 1) / 2 + step * np.arange(-(-len(places) // step))))


def _means(values: NDArray[Any], step: int) -> NDArray[Any]:
    """Means over blocks; what lies beyond the edge counts as 0."""
    rows, columns = (-(-length // step) for length in values.shape)
    padded = np.zeros((rows * step, columns * step), values.dtype)
    padded[: values.shape[0], : values.shape[1]] = values
    return np.asarray(padded.reshape(rows, step, columns, step).mean(axis=(1, 3)))


class PanelLight:
    """The light between a panel and the points of a demand: a plan.

    Parameters
    ----------
    panel : LitPanel
    xyz_um : ndarray, shape (points, 3)
    envelope : ndarray, shape (points,)
        Factor of the field at each point, that of the pixels' own diffraction.
    """

    def __init__(self, panel: LitPanel, xyz_um: NDArray[np.float64], envelope: NDArray[np.float64]) -> None:
        self.panel = panel
        self.transform = SiteTransform(panel.path, xyz_um, whole_panel=True)
        self._factor = (envelope / panel.full).astype(np.float32)

    def fields(self, pupil: NDArray[np.complex64]) -> NDArray[np.complex64]:
        """Fields at the points, shape (components, points), of light whose amplitude the panel multiplies by `pupil`."""
        return np.stack([self.transform.forward(part * pupil) for part in self.panel.light]) * self._factor

    def back(self, slope: Fields) -> NDArray[np.complex64]:
        """The adjoint of `fields`: what a slope at the points means for the pupil, shape (rows, columns)."""
        parts = zip(self.panel.light, slope * self._factor, strict=True)
        return np.asarray(sum(part.conj() * self.transform.adjoint(values) for part, values in parts), np.complex64)

    def phase_cost(self, demand: Demand, phase: NDArray[np.float32]) -> tuple[float, NDArray[np.float32], NDArray[np.complex64]]:
        """Value of a demand on the light of a panel's phase, its gradient by the phase of each pixel, and the fields at the points."""
        pupil = unit_light(phase)
        fields = self.fields(pupil)
        value, slope = demand.cost(fields)
        return value, across(pupil, self.back(slope)), fields


@kernel
def unit_light(phase: NDArray[np.float32]) -> NDArray[np.complex64]:
    """``exp(i phase)``."""
    flat, light = phase.reshape(-1), np.empty(phase.size, np.complex64)
    for pixel in range(phase.size):
        light[pixel] = complex(np.cos(flat[pixel]), np.sin(flat[pixel]))
    return light.reshape(phase.shape)


@kernel
def across(unit: NDArray[np.complex64], back: NDArray[np.complex64]) -> NDArray[np.float32]:
    """``Im(conj(unit) back)``: the slope by the phase, because ``d exp(i phi) = i exp(i phi) d phi``."""
    one, other, slope = unit.reshape(-1), back.reshape(-1), np.empty(unit.size, np.float32)
    for pixel in range(unit.size):
        slope[pixel] = one[pixel].real * other[pixel].imag - one[pixel].imag * other[pixel].real
    return slope.reshape(unit.shape)
