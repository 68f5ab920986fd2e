"""The phase for continuous light: boxes, rings, ramps, pictures.

In a signal region around the target the intensity is to be as wanted, dark rim included; outside it the light is free. That freedom is
what makes the problem soluble: a panel that changes phases only has as many numbers as the field has intensities, and each vortex
inside the region would leave a dark hole that no small change can mend. So the search starts from a phase without any, and
lets a wanted share of the light go where it likes.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import CPU, Device, namespace, to_device, to_host
from holo.errors import InputError
from holo.field.path import wrap
from holo.field.window import WindowTransform
from holo.field.window_gpu import GpuWindow
from holo.retrieve.descent import descend
from holo.retrieve.descents import descend_all
from holo.retrieve.smooth_gpu import GpuIntensityError
from holo.retrieve.transport import transport_phase

Array = NDArray[np.float64]
Single = NDArray[np.float32]
Progress = Callable[[str, int, float], None]
"""Called after each iteration with the stage, the number of iterations so far and the rms error."""


@dataclass(frozen=True)
class SmoothEffort:
    """How long to search."""

    mixes: int
    """Mixed-region iterations: the quick way."""
    steps: int
    """Most steps of the descent: the accurate way."""
    rms: float
    """Error at which the search may stop."""
    trim: int
    """Corrections for the levels of the panel that a design adds."""


SMOOTH_EFFORTS = {
    "quick": SmoothEffort(mixes=80, steps=0, rms=0.02, trim=0),
    "normal": SmoothEffort(mixes=0, steps=400, rms=1e-3, trim=12),
    "high": SmoothEffort(mixes=0, steps=2000, rms=2e-4, trim=20),
}
"""The searches that the word `effort` stands for."""

HALO = 2.3
"""Width of the light around the target at the start, over the target's own, per axis."""

SURPLUS = 0.12
"""Light in the signal region at the start beyond the wanted share: what the descent takes away it need not bring."""

BRIGHT = 0.5
"""Share of the target's maximum above which the error counts (`SmoothRetrieval.rms`)."""

FLAT = 0.99
"""Share of the target's maximum above which its top is flat."""


@dataclass(frozen=True, eq=False)
class SmoothRetrieval:
    """What a search for continuous light found."""

    phase: NDArray[np.float32]
    """Phase that the mask must add, aberration already subtracted, rad in [0, 2 pi), shape (rows, columns)."""
    rms: float
    """Standard deviation of intensity over target, over its mean, where the target exceeds half its maximum."""
    power: float
    """Share of the light of the pupil that falls into the signal region."""
    vortices: int
    """Points in that bright part around which the phase turns."""
    iterations: int
    converged: bool
    """Whether the wanted error was reached."""
    interrupted: bool
    """Whether the search was ended by a KeyboardInterrupt; the best phase until then was kept."""
    history: tuple[tuple[str, float], ...]
    """Stage and rms error of each iteration, as the engine saw it."""


def retrieve_smooth(
    window: WindowTransform,
    target: Array,
    region: NDArray[np.bool_],
    *,
    power: float,
    effort: str = "normal",
    rms: float | None = None,
    iterations: int | None = None,
    progress: Progress | None = None,
    start: Single | None = None,
    bright: NDArray[np.bool_] | None = None,
    device: Device = CPU,
) -> SmoothRetrieval:
    """Find the phase that makes continuous light.

    Parameters
    ----------
    window : WindowTransform
        The light path, and the window that holds the signal region.
    target : ndarray, shape (ny, nx)
        Wanted intensity on the window, in any unit, not negative; the pixel envelope already divided out. It counts inside `region` only.
    region : ndarray of bool, shape (ny, nx)
        The signal region: where the intensity is to be that of the target, 0 included. Elsewhere the light is free.
    power : float
        Share of the light of the pupil that goes into the region.
    effort : str
        One of `SMOOTH_EFFORTS`.
    rms : float, optional
        Error to stop at; by default that of the effort.
    iterations : int, optional
        Most iterations; by default those of the effort.
    progress : callable, optional
    start : ndarray of float32, in the shape of the window's box, optional
        Where to start, as ``theta`` of `WindowTransform`; by default `start_phase`.
    bright : ndarray of bool, shape (ny, nx), optional
        The part of the region whose error counts; by default where the target exceeds `BRIGHT` of its maximum.
    device : Device
        Where to search. Other devices round otherwise, so that the mask differs and its figures hardly do.

    Returns
    -------
    SmoothRetrieval

    Raises
    ------
    InputError
        If the target has no light in the region, shapes differ, or a number is out of range.

    Notes
    -----
    The quick way: the mixed-region iteration, which replaces the modulus inside the region, keeps the field outside it up to the factor
    that leaves it the rest of the power, and goes back to the panel (Pasienski and DeMarco, Opt. Express 16, 2176 (2008), from memory,
    with the shares of power fixed).

    The accurate way: `holo.retrieve.descent` on::

        L = sum_region w (|V|^2 - T)^2,    dL / d theta_p = 4 Im(conj(A_p exp(i theta_p)) adjoint(w (|V|^2 - T) V)_p)

    as Harte, Bruce, Keeling and Cassettari, Opt. Express 22, 26548 (2014), from memory, with conjugate gradients. The target T is scaled
    to the wanted power; the weights ``w = 1 / max(T, median T)^2`` make the errors relative ones.
    """
    chosen = _chosen(effort)
    goal = scaled_goal(window, target, region, power)
    bright = region & (target > BRIGHT * target[region].max() if bright is None else bright)
    theta = (start_phase(window, target, region, power, device) if start is None else start).astype(np.float32)
    wanted = chosen.rms if rms is None else rms
    search = _mix if chosen.mixes else _descent_on_gpu if device.is_gpu else _descent
    limit = (chosen.mixes or chosen.steps) if iterations is None else iterations
    found = search(_Task(window, goal, region, bright, limit, wanted, progress, device), theta)
    fields = window.forward(window.light(found.theta))
    error = spread_of(np.abs(fields[bright]).astype(np.float64) ** 2, goal[bright])
    return SmoothRetrieval(
        phase=wrap(window.mask_phase(found.theta)),
        rms=error,
        power=float(np.sum(np.abs(fields[region]).astype(np.float64) ** 2) / total_power(window)),
        vortices=int(np.count_nonzero(vortices(fields) * plaquettes(bright))),
        iterations=found.iterations,
        converged=error <= wanted,
        interrupted=found.interrupted,
        history=found.history,
    )


def _chosen(effort: str) -> SmoothEffort:
    if effort not in SMOOTH_EFFORTS:
        raise InputError(f"effort: found {effort!r}; allowed: {', '.join(SMOOTH_EFFORTS)}")
    return SMOOTH_EFFORTS[effort]


def total_power(window: WindowTransform) -> float:
    """Sum of ``|V|^2`` over the whole grid of a window: Parseval's theorem."""
    return float(window.grid[0] * window.grid[1] * np.sum(np.square(window.amplitude, dtype=np.float64)))


def scaled_goal(window: WindowTransform, target: Array, region: NDArray[np.bool_], power: float) -> Array:
    """Intensity ``|V|^2`` wanted at each point of a window: the target scaled to its share of the power; 0 outside the region.

    Raises
    ------
    InputError
        If shapes differ, the share is not between 0 and 1, or the target is negative somewhere or zero throughout the region.
    """
    shape = (len(window.y_um), len(window.x_um))
    if np.shape(target) != shape or np.shape(region) != shape:
        raise InputError(f"target: found shapes {np.shape(target)} and {np.shape(region)}; allowed: {shape}, that of the window")
    if not 0 < power < 1:
        raise InputError(f"power: found {power:g}; allowed: above 0, below 1")
    inside = np.where(region, np.asarray(target, np.float64), 0.0)
    if not (np.isfinite(inside).all() and inside.min() >= 0 and inside.max() > 0):
        raise InputError(f"target: found {inside.min():g} to {inside.max():g}; allowed: finite values, none below 0, not all 0")
    return np.asarray(inside * (power * total_power(window) / inside.sum()), np.float64)


def spread_of(intensity: Array, target: Array) -> float:
    """Standard deviation of intensity over target, over its mean: the rms error.

    Examples
    --------
    >>> round(spread_of(np.array([1.0, 2.2]), np.array([1.0, 2.0])), 4)
    0.0476
    """
    ratio = intensity / target
    return float(to_host(ratio.std() / ratio.mean()))


# ---------------------------------------------------------------------------------------------------------------------
# vortices


def vortices(fields: NDArray[np.complexfloating[Any, Any]]) -> NDArray[np.int8]:
    """Turns of the phase around each cell of a grid: +1 or -1 where a vortex lies inside it, else 0.

    Parameters
    ----------
    fields : ndarray of complex, shape (ny, nx)

    Returns
    -------
    ndarray of int8, shape (ny - 1, nx - 1)
        Positive where the phase rises from +x towards +y.

    Notes
    -----
    The sum of the four steps of the phase around the cell, each between -pi and pi, over 2 pi (Nye and Berry, Proc. R. Soc. Lond. A
    336, 165 (1974), for what they are; from memory).

    Examples
    --------
    >>> x = np.arange(4) - 1.5
    >>> vortices(x[None, :] + 1j * x[:, None])
    array([[0, 0, 0],
           [0, 1, 0],
           [0, 0, 0]], dtype=int8)
    """
    across = np.angle(fields[:, 1:] * fields[:, :-1].conj())
    down = np.angle(fields[1:] * fields[:-1].conj())
    turns = across[:-1] + down[:, 1:] - across[1:] - down[:, :-1]
    return np.rint(turns / (2 * np.pi)).astype(np.int8)


def plaquettes(points: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Cells of a grid all of whose corners are among some points."""
    return points[1:, 1:] & points[1:, :-1] & points[:-1, 1:] & points[:-1, :-1]


# ---------------------------------------------------------------------------------------------------------------------
# the start


def start_phase(window: WindowTransform, target: Array, region: NDArray[np.bool_], power: float, device: Device = CPU) -> Single:
    """Phase, as ``theta`` of the window, that carries the beam onto the target and a halo around it; a transport is solved on a device.

    Notes
    -----
    The beam is carried (`holo.retrieve.transport`) onto the target and a wide Gaussian around it, which holds the light that is
    to stay outside: the region then has its share from the start, and nothing must be torn out of it, which is what makes vortices. Where
    the Gaussian alone brings enough light into the region, it is widened until it does no more and the target is left to the search:
    a Gaussian beam onto a wider Gaussian is a quadratic phase.
    """
    inside = np.where(region, target, 0.0)
    x_um, y_um, wide, within = _halo_grid(window, inside, region)
    share, halo = _halo(window, inside, x_um, y_um, within, power + SURPLUS)
    wanted = share * wide / wide.sum() + (1 - share) * halo
    beam = np.square(window.amplitude, dtype=np.float64)
    x, y = window.path.x_um[window.box[1]], window.path.y_um[window.box[0]]
    theta = transport_phase(x, y, beam, x_um - window.x_um[0], y_um - window.y_um[0], wanted, window.path.scale, device)
    return theta.astype(np.float32)


def _halo_grid(window: WindowTransform, inside: Array, region: NDArray[np.bool_]) -> tuple[Array, Array, Array, Array]:
    """Target and region on a grid three times as wide as the window, where the halo fits."""
    height, width = inside.shape
    step = max(1, max(inside.shape) // 100)
    x_um, y_um = (
        axis[0] + (axis[1] - axis[0]) * np.arange(-len(axis), 2 * len(axis), step) if len(axis) > 1 else axis
        for axis in (window.x_um, window.y_um)
    )
    wide, within = (np.pad(values.astype(np.float64), ((height, height), (width, width)))[::step, ::step] for values in (inside, region))
    return x_um, y_um, wide, within


def _halo(window: WindowTransform, inside: Array, x_um: Array, y_um: Array, within: Array, power: float) -> tuple[float, Array]:
    """Share of the light that goes onto the target itself, and the Gaussian that holds the rest, of sum 1."""
    widths = [_deviation(axis, inside.sum(axis=k)) for k, axis in ((0, window.x_um), (1, window.y_um))]
    for factor in HALO * 1.1 ** np.arange(12):
        across, down = (
            np.exp(-0.5 * ((axis - mean) / (factor * width)) ** 2) for axis, (mean, width) in zip((x_um, y_um), widths, strict=True)
        )
        halo = np.outer(down, across)
        halo /= halo.sum()
        caught = float((halo * within).sum())
        if caught <= power:
            return min((power - caught) / (1 - caught), 1.0), halo
    return 0.0, halo


def _deviation(axis: Array, density: Array) -> tuple[float, float]:
    """Mean and standard deviation of a density, the latter at least two points of the axis."""
    mean = float(axis @ density / density.sum())
    variance = float((axis - mean) ** 2 @ density / density.sum())
    return mean, max(float(np.sqrt(variance)), 2 * float(np.ptp(axis)) / max(len(axis) - 1, 1))


# ---------------------------------------------------------------------------------------------------------------------
# the two searches


@dataclass(frozen=True, eq=False)
class _Found:
    theta: Single
    iterations: int
    interrupted: bool
    history: tuple[tuple[str, float], ...]


@dataclass(frozen=True, eq=False)
class _Task:
    """What a search is asked for, all but where it starts."""

    window: WindowTransform
    goal: Array
    region: NDArray[np.bool_]
    bright: NDArray[np.bool_]
    steps: int
    wanted: float
    progress: Progress | None
    device: Device

    @property
    def weights(self) -> Array:
        """Weights that make the sum of squared errors of the intensity the mean square of relative errors."""
        goal, bright = self.goal, self.bright
        return np.where(self.region, 1.0 / np.maximum(goal, np.median(goal[bright])) ** 2, 0.0) / np.count_nonzero(bright)


@dataclass(eq=False)
class IntensityError:
    """The function that the descent lowers: the weighted squared error of the intensity, with its gradient.

    Parameters
    ----------
    window : WindowTransform
    goal, weights : ndarray, shape (ny, nx)
        Wanted ``|V|^2`` and weight of its squared error.
    bright : ndarray of bool, shape (ny, nx)
        Where `rms` is taken.
    """

    window: WindowTransform
    goal: Array
    weights: Array
    bright: NDArray[np.bool_]
    rms: float = np.inf
    """Error of the bright part at the point that was last looked at (`spread_of`)."""

    def __post_init__(self) -> None:
        self._unit = np.float32(1 / self.goal.max())  # squares of intensities might leave the range of float32
        self._goal = (self.goal / self.goal.max()).astype(np.float32)
        self._weights = (self.weights * self.goal.max() ** 2).astype(np.float32)

    def __call__(self, theta: Single) -> tuple[float, Single]:
        """Value and gradient at a `theta` in the shape of the window's box; see `retrieve_smooth`."""
        light = self.window.light(theta)
        fields = self.window.forward(light)
        intensity = (np.square(fields.real) + np.square(fields.imag)) * self._unit
        excess = intensity - self._goal
        self.rms = spread_of(intensity[self.bright].astype(np.float64), self.goal[self.bright])
        value = float(np.sum(self._weights * np.square(excess), dtype=np.float64))
        return value, self.window.pull(light, (self._weights * excess) * fields) * (4 * self._unit)


def _descent(task: _Task, theta: Single) -> _Found:
    error = IntensityError(task.window, task.goal, task.weights, task.bright)
    history: list[tuple[str, float]] = []

    def told(step: int, _: float) -> bool:
        history.append(("descend", error.rms))
        if task.progress is not None:
            task.progress("descend", step, error.rms)
        return error.rms <= task.wanted

    found = descend(error, theta, steps=task.steps, settled=1e-3, report=told)
    return _Found(np.asarray(found.point, np.float32), found.steps, found.interrupted, tuple(history))


def _descent_on_gpu(task: _Task, theta: Single) -> _Found:
    error = GpuIntensityError(GpuWindow(task.window, task.device), task.goal, task.weights, task.bright, task.device)
    shown = task.progress

    def report(_: int, step: int, told: Array) -> None:
        if shown is not None:
            shown("descend", step, float(told[1]))

    found = descend_all(
        error,
        to_device(theta[None], task.device),
        steps=task.steps,
        settled=1e-3,
        enough=task.wanted,
        report=None if shown is None else report,
    )
    history = tuple(("descend", float(told[1])) for told in found.history[0][1:])
    return _Found(to_host(found.points)[0], len(history), found.interrupted, history)


def _mix(task: _Task, theta: Single) -> _Found:
    window, goal, device = task.window, task.goal, task.device
    history: list[tuple[str, float]] = []
    plan: WindowTransform | GpuWindow = window
    part: Any = (task.region, task.bright)
    total = total_power(window)
    if device.is_gpu:
        plan, theta, goal = GpuWindow(window, device), to_device(theta, device), to_device(goal, device)
        part = [tuple(to_device(places, device) for places in np.nonzero(where)) for where in part]  # so that no step has to count them
    best, least, interrupted = theta, np.inf, False
    try:
        for step in range(task.steps + 1):
            light = plan.light(theta)
            fields = plan.forward(light)
            intensity = np.abs(fields[part[1]]).astype(np.float64) ** 2
            error = spread_of(intensity, goal[part[1]])
            if error < least:
                best, least = theta, error
            if step:
                history.append(("mix", error))
            if step and task.progress is not None:
                task.progress("mix", step, error)
            if step == task.steps or error <= task.wanted:
                break
            theta = _mixed(plan, light, fields, goal, part[0], total)
    except KeyboardInterrupt:
        interrupted = True
    return _Found(to_host(best), len(history), interrupted, tuple(history))


def _mixed(plan: WindowTransform | GpuWindow, light: Any, fields: Any, goal: Any, region: Any, total: float) -> Any:
    """Phase of the light whose field has the wanted modulus in the region, and outside it is the same but for a factor."""
    inside, wanted, xp = np.abs(fields[region]).astype(np.float64), goal[region], namespace(fields)
    rest = np.sqrt((total - wanted.sum()) / (total - (inside**2).sum()))
    change = xp.zeros_like(fields)
    change[region] = (fields[region] * (np.sqrt(wanted) / np.maximum(inside, 1e-12 * inside.max()) - rest)).astype(np.complex64)
    back = plan.adjoint(change) / np.float32(plan.grid[0] * plan.grid[1])
    return xp.angle(back + rest.astype(np.float32) * light)
