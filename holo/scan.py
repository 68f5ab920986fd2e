"""The phase in the pupil from a scan: how sharp spots are, two numbers each, at a few biases of each Zernike term.

The sharpness of a spot is the light in its core, a narrow and a wide one, over all its light. A term's own parabola through three
biases would be off where other terms are large too; here the exact sharpness of the forward model (`holo.wavefront`) is fitted to all
frames together, so that no term is taken for another.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holo.wavefront import Light, Real, Single, View, fields, over_pixels
from holo.wavefront_fit import widened

CORES = (0.35, 0.8)
"""Standard deviations of the Gaussians that weigh a spot's core, in wavelength / NA: the narrow one tells small aberrations, the wide one
sees large ones too."""

REACH = 2.2
"""How far the weights reach, in standard deviations of the wide one."""

STEPS = 60
"""Most steps of a fit."""

SIGMA = 2e-3
"""Error of a sharpness that a fit starts from."""

ROUGH_STEPS = 25
"""Most steps of a fit that only seeks a start."""

EXPLAINED = 2e-3
"""Share of the variance that may be left by a start that is good enough."""

LONGEST = 0.1
"""Longest step of the phase, waves rms."""

BEAM = 0.15
"""What the coefficients of the logarithm of the amplitude may be, one standard deviation: what is known of a beam beforehand."""

TILT = 0.1
"""The same of the tilts of a spot, waves rms, by the errors of a registration."""


@dataclass(frozen=True, eq=False)
class Scan:
    """What a scan measured.

    Attributes
    ----------
    sharpness : ndarray, shape (frames, spots, 2)
        Of the narrow and the wide core.
    smooth : ndarray of float32, shape (frames, nv, nu)
        Known smooth phase of each frame on the pupil's grid, rad.
    """

    sharpness: Real
    smooth: Single


@dataclass(frozen=True, eq=False)
class ScanFit:
    """What a scan tells.

    Attributes
    ----------
    waves : ndarray, shape (terms,)
        Phase terms, waves rms.
    covariance : ndarray, shape (terms, terms)
    logarithms : ndarray, shape (amplitude terms,)
        Terms of the logarithm of the amplitude; they are hardly told, but uncertain.
    misfit : float
        Rms of what is left of the sharpness.
    unexplained : float
        Its square over the variance of the sharpness.
    """

    waves: Real
    covariance: Real
    logarithms: Real
    misfit: float
    unexplained: float


def core_of(view: View, half_width: float) -> tuple[View, Single]:
    """Plan for the cores of spots alone, and the weights of its pixels.

    Parameters
    ----------
    view : View
    half_width : float
        Half width of the view's windows, in wavelength / NA.

    Returns
    -------
    View
        Of windows as large as the weights need.
    weights : ndarray of float32, shape (2, side, side)
    """
    middle = view.side // 2
    sigma = np.array(CORES)[:, None] / half_width * middle
    half = min(int(np.ceil(REACH * float(sigma[-1, 0]))), middle)
    rows = slice(middle - half, middle + half + 1)
    used = np.flatnonzero(np.abs(view.mean[rows]).sum(axis=0) > 0)
    part = slice(int(used[0]), int(used[-1]) + 1)
    core = replace(
        view, corner=view.corner + middle - half, side=2 * half + 1,
        across=view.across[part], down=view.down[part], mean=np.ascontiguousarray(view.mean[rows, part]),
    )  # fmt: skip
    place = np.exp(-((np.arange(-half, half + 1) / sigma) ** 2) / 2)
    return core, (place[:, :, None] * place[:, None, :]).astype(np.float32)


def sharpness(counts: Single, usable: NDArray[np.bool_], level: float, weights: Single) -> Real:
    """Sharpness of spots on camera frames.

    Parameters
    ----------
    counts : ndarray, shape (..., side, side)
    usable : ndarray of bool, same shape
        Pixels that are not are given the mean of their neighbours.
    level : float
        Counts of the background: a window has thousands of pixels, so a tenth of a count in each would be a part of its light.
    weights : ndarray, shape (2, core, core)
        From `core_of`.

    Returns
    -------
    ndarray, shape (..., 2)
        Weighted light over all light of the window.
    """
    from scipy.ndimage import uniform_filter

    size = (0,) * (counts.ndim - 2) + (3, 3)
    filled = np.where(
        usable, counts, uniform_filter(counts * usable, size) / np.maximum(uniform_filter(usable.astype(np.float32), size), 1e-3)
    )
    light = filled - level
    side = weights.shape[-1]
    cut = (counts.shape[-1] - side) // 2
    core = light[..., None, cut : cut + side, cut : cut + side]
    return np.asarray((core * weights).sum(axis=(-2, -1)) / light.sum(axis=(-2, -1))[..., None], np.float64)


def vertex(low: float, middle: float, high: float, step: float) -> float:
    """Where the parabola through values at ``-step``, 0 and ``step`` is highest, at most 1.5 steps away.

    Parameters
    ----------
    low, middle, high : float
        Values at ``-step``, 0 and ``step``.
    step : float
        Above 0, in any unit.

    Returns
    -------
    float
        In the unit of `step`.

    Examples
    --------
    >>> vertex(0.55, 0.8, 0.95, 0.1)
    0.15
    >>> vertex(0.2, 0.1, 0.3, 0.1)  # no top: towards the higher end
    0.1
    """
    bend = 2 * middle - low - high
    if bend <= 0:
        return step if high > low else -step
    return round(float(np.clip(step * (high - low) / (2 * bend), -1.5 * step, 1.5 * step)), 12)


def fit_scan(
    view: View, half_width: float, scan: Scan, phase: tuple[int, ...], amplitude: tuple[int, ...], starts: Sequence[Real]
) -> ScanFit:
    """Fit phase terms to the sharpness of all spots and frames.

    Parameters
    ----------
    view : View
    half_width : float
        As `core_of`.
    scan : Scan
    phase, amplitude : tuple of int
        Noll indices of the terms of the phase, and of the logarithm of the amplitude.
    starts : sequence of ndarray, shape (terms,)
        Waves rms of the phase terms. The best one, by a rough fit to one spot, is used; one that explains it ends the search.

    Returns
    -------
    ScanFit

    Notes
    -----
    Unknowns are the terms and two tilts per spot, which stand for what the registration is off; the latter, and the amplitude, are held
    near 0 by what is known beforehand (`TILT`, `BEAM`). Damped least squares, with the errors of the sharpness from what the fit leaves.
    """
    core, weights = core_of(view, half_width)
    count = len(phase)
    model = _Model(view, core, weights, scan, phase, amplitude)
    unknown = np.zeros(model.count)
    unknown[:count] = starts[0] if len(starts) == 1 else _best_start(view, core, weights, scan, phase, amplitude, starts)
    sigma = np.full(len(CORES), SIGMA)
    freedom = max(scan.sharpness[..., 0].size - count / len(CORES), 1)
    for _ in range(3):
        unknown, left, jacobian = _settled(model, unknown, sigma, STEPS)
        sigma = np.maximum(np.sqrt(np.square(left).sum(axis=(0, 1)) / freedom), 1e-6)
    scaled = jacobian.reshape(len(left), -1, len(CORES), model.count) / sigma[:, None]
    by_frame = scaled.reshape(len(left), -1, model.count)
    normal = np.swapaxes(by_frame, 1, 2) @ by_frame
    slope = np.einsum("kmj,km->kj", by_frame, (left / sigma).reshape(len(left), -1))
    return ScanFit(
        unknown[:count], widened(normal, slope, 1.0, model.prior)[:count, :count], unknown[count : count + len(amplitude)],
        float(sigma[0]), _unexplained(left, scan),
    )  # fmt: skip


def _unexplained(left: Real, scan: Scan) -> float:
    """Mean square of what is left over the variance of the sharpness, of the core where that is worse."""
    return float((np.square(left).mean(axis=(0, 1)) / scan.sharpness.var(axis=(0, 1))).max())


def _best_start(
    view: View, core: View, weights: Single, scan: Scan, phase: tuple[int, ...], amplitude: tuple[int, ...], starts: Sequence[Real]
) -> Real:
    """Result of the best of rough fits to the first spot alone, from each start until one explains it."""
    one, best, least = Scan(scan.sharpness[:, :1], scan.smooth), starts[0], np.inf
    model = _Model(view.of_spots(slice(0, 1)), core.of_spots(slice(0, 1)), weights, one, phase, amplitude)
    for start in starts:
        unknown = np.zeros(model.count)
        unknown[: len(phase)] = start
        unknown, left, _ = _settled(model, unknown, np.full(len(CORES), 5 * SIGMA), ROUGH_STEPS)
        unexplained = _unexplained(left, one)
        if unexplained < least:
            best, least = unknown[: len(phase)], unexplained
        if least < EXPLAINED:
            break
    return best


def _settled(model: _Model, unknown: Real, sigma: Real, steps: int) -> tuple[Real, Real, Real]:
    """Damped steps until they no longer help: the unknowns, what is left of the sharpness, and its derivatives."""
    left, jacobian = model.linearised(unknown)
    damping, worth = 1e-3, model.worth(left, unknown, sigma)
    for _ in range(steps):
        rows = jacobian / np.tile(sigma, len(jacobian) // len(sigma))[:, None]
        normal = rows.T @ rows + np.diag(model.prior)
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), rows.T @ (left / sigma).ravel() - model.prior * unknown)
        step *= min(1.0, LONGEST / float(np.sqrt(np.square(step[: model.phases]).sum())))
        trial, derivatives = model.linearised(unknown + step)
        gain = worth - model.worth(trial, unknown + step, sigma)
        if gain > 0:
            unknown, left, jacobian, damping, worth = unknown + step, trial, derivatives, damping / 5, worth - gain
        else:
            damping *= 5
        if damping > 1e6 or 0 < gain < 1e-4 * worth:
            break
    return unknown, left, jacobian


class _Model:
    """Sharpness of all spots and frames, and its derivatives."""

    def __init__(self, view: View, core: View, weights: Single, scan: Scan, phase: tuple[int, ...], amplitude: tuple[int, ...]) -> None:
        self._view, self._core, self._weights, self._scan = view, core, weights, scan
        self.phases, self._own = len(phase), len(phase) + len(amplitude)
        self._basis = view.terms((*phase, *amplitude, 2, 3))
        self.count = self._own + 2 * scan.sharpness.shape[1]
        self.prior = np.repeat([0.0, BEAM**-2, TILT**-2], [len(phase), len(amplitude), self.count - self._own])

    def worth(self, left: Real, unknown: Real, sigma: Real) -> float:
        """Chi squared, that of what is known beforehand included."""
        return float(np.square(left / sigma).sum() + (self.prior * unknown**2).sum())

    def linearised(self, unknown: Real) -> tuple[Real, Real]:
        """What is left of the sharpness, shape (frames, spots, 2), and the derivatives of the model, shape (frames * spots * 2, count)."""
        frames, spots, cores = self._scan.sharpness.shape
        phases, own = self.phases, self._own
        tilts = np.tensordot(unknown[own:].reshape(spots, 2), self._basis[own:], 1)
        psi = np.tensordot(unknown[:phases], self._basis[:phases], 1) + tilts
        shared = np.exp(np.tensordot(unknown[phases:own], self._basis[phases:own], 1) + 2j * np.pi * psi)
        value, jacobian = np.empty((frames, spots, cores)), np.zeros((frames, spots, cores, self.count))
        for k, m in np.ndindex(frames, spots):
            light = (self._view.light[m] * shared[m] * np.exp(1j * self._scan.smooth[k])).astype(np.complex64)
            value[k, m], by_phase, by_logarithm = self._sharpness(light)
            jacobian[k, m, :, :own] = np.concatenate([by_phase[:phases], by_logarithm[phases:own]]).T
            jacobian[k, m, :, own + 2 * m : own + 2 * m + 2] = by_phase[own:].T
        return self._scan.sharpness - value, jacobian.reshape(-1, self.count)

    def _sharpness(self, light: Light) -> tuple[Real, Real, Real]:
        """Sharpness of a spot, shape (2,), and its derivatives by the terms of phase (waves) and logarithm of the amplitude, (terms, 2).

        That of all light of the window is taken for that of all light in the pupil.
        """
        core, whole = fields(self._core, light), fields(self._view, light)
        turned = fields(self._core, self._basis * light) * core.conj()
        by_phase, by_logarithm = (self._weighted(part) for part in (-4 * np.pi * turned.imag, 2 * turned.real))
        total = float(over_pixels(self._view, np.square(whole.real) + np.square(whole.imag)).sum())
        value = self._weighted(np.square(core.real) + np.square(core.imag)) / total
        power = np.square(light.real) + np.square(light.imag)
        change = 2 * (self._basis * power).sum(axis=(1, 2)) / power.sum()
        return value, by_phase / total, by_logarithm / total - np.outer(change, value)

    def _weighted(self, values: Single) -> Real:
        return np.asarray(np.tensordot(over_pixels(self._core, values), self._weights, ((-2, -1), (-2, -1))), np.float64)
