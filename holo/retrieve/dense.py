"""The phase that keeps dark sites dark between bright ones closer than the resolution.

Neighbours interfere there, so every lattice site of the region, bright or dark, and the phase of its light are part of one
problem: `holo.retrieve.site_phases` finds the phases, here the panel is turned pixel by pixel by gradient descent until it
makes that light, first in blocks of pixels, then all of it.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import CPU, Device, namespace, to_device, to_host
from holo.checks import check_finite, checked_targets
from holo.errors import InputError
from holo.field.path import LightPath, wrap
from holo.field.sites import pupil_box
from holo.retrieve.demands import Demand, Fields, LitPanel, PanelLight
from holo.retrieve.dense_gpu import GpuLight, LinearCost, PhaseCost, search_on_gpu
from holo.retrieve.descent import Descent, descend
from holo.retrieve.descents import Descents, descend_all
from holo.retrieve.site_phases import Kinds, Start, search, site_waves
from holo.retrieve.spots import EFFORTS, Retrieval
from holo.retrieve.stages import Progress
from holo.retrieve.trim import uniformity_of

MODES, ROOM = 1.6, 8.0
"""Field of view, over the extent of the sites, of the blocks of the small model and of those that the panel starts from."""

FEWEST = (24, 64)
"""Least number of these blocks along a side of the pupil."""


@dataclass(frozen=True)
class DenseOptions:
    """What the dense engine weighs against what.

    Attributes
    ----------
    darkness : float
        Cost of light on dark sites next to that of unequal bright ones; above 0.
    given_up : float
        Share of the light that is given up for darkness and level sites: together the bright sites are to get the rest of what an
        unsplit focus would have. From 0 up to, not including, 1.
    drift_nm : float
        Displacement under which the same is demanded, to either side in x and in y; 0 or more.
    """

    darkness: float = 10.0
    given_up: float = 0.6
    drift_nm: float = 0.0

    def __post_init__(self) -> None:
        if not (_is_number(self.darkness) and 0 < self.darkness <= 1e6):
            raise InputError(f"darkness: found {self.darkness!r}; allowed: a number above 0, up to 1e6")
        if not (_is_number(self.given_up) and 0 <= self.given_up < 1):
            raise InputError(f"given_up: found {self.given_up!r}; allowed: a number from 0 up to, not including, 1")
        if not (_is_number(self.drift_nm) and 0 <= self.drift_nm <= 10_000):
            raise InputError(f"drift_nm: found {self.drift_nm!r}; allowed: a number from 0 to 10000")

    def displacements_um(self) -> NDArray[np.float64]:
        """Displacements under which the demands hold, shape (1 or 5, 3), none first."""
        aside = self.drift_nm / 1e3 * np.array([[0, 0, 0], [1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0]], np.float64)
        return aside if self.drift_nm else aside[:1]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


@dataclass(frozen=True)
class _Plan:
    """How long to search: what the word `effort` stands for here."""

    kinds: Kinds
    finalists: int
    """Starts that go on to the panel in blocks."""
    trial: int
    """Steps there before the best goes on alone."""
    blocks: int
    """Most steps that the best takes there."""
    pixels: int
    """Most steps on the whole panel."""
    settled: float
    """Share of the cost that ten steps must take off for a descent to go on."""


PLANS = {
    "quick": _Plan(Kinds((0.53, 0.9), (), 2), finalists=1, trial=20, blocks=100, pixels=15, settled=0.1),
    "normal": _Plan(Kinds(), finalists=3, trial=60, blocks=600, pixels=100, settled=0.01),
    "high": _Plan(Kinds(random=30), finalists=8, trial=150, blocks=2000, pixels=400, settled=0.002),
}


def retrieve_dense(
    path: LightPath,
    xyz_um: NDArray[np.floating[Any]],
    target: NDArray[np.floating[Any]],
    *,
    rng: np.random.Generator,
    ij: NDArray[np.floating[Any]] | None = None,
    options: DenseOptions | None = None,
    weights: Fields | None = None,
    effort: str = "normal",
    iterations: int | None = None,
    progress: Progress | None = None,
    start: NDArray[np.complexfloating[Any, Any]] | None = None,
    device: Device = CPU,
) -> Retrieval:
    """Find the phase that makes bright sites level and dark ones dark, however close they are.

    Parameters
    ----------
    path : LightPath
        The light path; its aberration is compensated.
    xyz_um : ndarray, shape (n, 3)
        All sites of which something is demanded, um.
    target : ndarray, shape (n,)
        Relative intensities; 0 where there is to be no light.
    rng : numpy.random.Generator
        Source of the random ones among the starting phases of the sites.
    ij : ndarray, shape (n, 2), optional
        Lattice coordinates of the sites, from which the structured starts are made; by default, all sites start as of one row.
    options : DenseOptions, optional
    weights : ndarray of complex, shape (components, rows, columns), optional
        What the components of the field take of a pixel's light (`holo.field.vector.focus_weights`); by default the model is scalar.
    effort : str
        quick, normal or high.
    iterations : int, optional
        Most steps of the panel in blocks, and most of the whole one, instead of the effort's own.
    progress : callable, optional
        See `holo.retrieve.stages.Progress`. A KeyboardInterrupt that comes during a descent ends the search with the best so far.
    start : ndarray of complex, shape (bright,), optional
        `Retrieval.waves` of an earlier retrieval of the same bright sites, in place of the starts of all kinds.
    device : Device
        Where to search. Other devices round otherwise, so that the mask differs and its figures hardly do.

    Returns
    -------
    Retrieval
        Its `weights` and `site_phases` are those of the fields at the bright sites. `converged` says that the last descent
        settled, `interrupted` that it was cut short.

    Raises
    ------
    InputError
        If `effort` or `iterations` is out of range, a number is not finite, a target is negative, none is positive, or `start` has not
        one number for each bright site.

    Notes
    -----
    The cost is that of `Demand.cost`, with the level ``(1 - given_up) / sum of the targets``. Its gradient by the phase of pixel p is
    ``Im(conj(E_p) sum_m slope_m exp(i k x_p X_m))``, the adjoint of the sum over pixels; the descent is that of `holo.retrieve.descent`.
    Holograms by gradient descent on such costs: Harte, Bruce, Keeling and Cassettari, Opt. Express 22, 26548 (2014).

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> path = light_path(parse_bench(demo_bench_text(), "bench.toml"))  # its Airy radius is 0.95 um
    >>> ij = np.array([[i, 0] for i in range(5)])
    >>> sites = np.column_stack([60 + 0.8 * ij, np.zeros(5)])
    >>> found = retrieve_dense(path, sites, np.array([1.0, 0, 1, 0, 1]), ij=ij, rng=np.random.default_rng(0), effort="quick")
    >>> found.crosstalk < 0.02, found.spread < 0.02
    (True, True)
    """
    options, points = options or DenseOptions(), np.asarray(xyz_um, np.float64)
    wanted, plan = checked_targets(target, len(points)), _plan(effort, iterations)
    for name, values in (("xyz_um", points), ("ij", ij), ("start", start)):
        if values is not None:
            check_finite(name, values)
    bright = wanted > 0
    if start is not None and np.shape(start) != (np.count_nonzero(bright),):
        raise InputError(f"start: found shape {np.shape(start)}; allowed: ({np.count_nonzero(bright)},), a number for each bright site")
    demand = Demand(wanted / wanted[bright].mean(), (1 - options.given_up) / np.count_nonzero(bright), options.darkness)
    lattice = np.zeros((len(points), 2)) if ij is None else np.asarray(ij, np.float64)
    run = _Run(path, LitPanel.of(path, weights), points, demand, options, progress, device)
    descents = run.descents_on_gpu if run.device.is_gpu else run.descents
    return run.result(descents(plan, list(run.waves(lattice, rng, plan, start))))


def _plan(effort: str, iterations: int | None) -> _Plan:
    if effort not in PLANS:
        raise InputError(f"effort: found {effort!r}; allowed: {', '.join(EFFORTS)}")
    if iterations is None:
        return PLANS[effort]
    if not 1 <= iterations <= 100_000:
        raise InputError(f"iterations: found {iterations}; allowed: 1 to 100000")
    return replace(PLANS[effort], blocks=iterations, pixels=iterations)


@dataclass(frozen=True, eq=False)
class _Found:
    """Where the descents ended."""

    phase: Any
    """Phase of the light behind the panel's pixels, about the middle of the sites, on the device."""
    fields: NDArray[np.complex64]
    """What it makes at the points of the demand, shape (components, points)."""
    converged: bool
    interrupted: bool
    history: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, eq=False)
class _Run:
    """One retrieval: what is wanted, and of which panel."""

    path: LightPath
    panel: LitPanel
    points: NDArray[np.float64]
    demand: Demand
    options: DenseOptions
    progress: Progress | None
    device: Device

    @property
    def centre(self) -> NDArray[np.float64]:
        """Middle of the sites in x and y, shape (3,); the light is moved there by a tilt in the end."""
        return np.asarray((self.points.max(axis=0) + self.points.min(axis=0)) / 2 * [1, 1, 0])

    def light(self, panel: LitPanel) -> PanelLight:
        """The light of a panel on the points of the demand, displaced ones included, about the middle of the sites."""
        return PanelLight(panel, *self._demanded())

    def _demanded(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Points of the demand, displaced ones included, about the middle of the sites, and the envelope at each."""
        points = (self.points + self.options.displacements_um()[:, None]).reshape(-1, 3)
        return points - self.centre, self.path.envelope(points)

    def blocks(self, room: float, fewest: int) -> LitPanel:
        """The panel in the largest blocks whose light repeats itself at `room` times the extent of the sites or farther."""
        extent = np.ptp(self.points[:, :2], axis=0).max() + 2e-3 * self.options.drift_nm
        path, shape = self.panel.path, self.panel.light.shape[1:]
        pitch = max(np.ptp(places) / max(len(places) - 1, 1) for places in (path.x_um, path.y_um))
        repeat = 2 * np.pi / (path.scale * pitch)
        return self.panel.binned(max(1, int(min(repeat / max(room * extent, 1e-9), min(shape) / fewest))))

    def waves(
        self, ij: NDArray[np.float64], rng: np.random.Generator, plan: _Plan, start: NDArray[np.complexfloating[Any, Any]] | None
    ) -> Iterator[tuple[str, Fields]]:
        """Names of starts, and the fields of all components at the points of the demand that they tend to."""
        towards = self.panel.light.sum(axis=(1, 2))[:, None] / self.panel.full
        amplitude, times = np.sqrt(self.demand.target), len(self.options.displacements_um())
        path = self.panel.path
        rim = path.scale * max(np.ptp(places) for places in (path.x_um, path.y_um)) / 2
        if start is not None:
            fields = np.zeros(len(amplitude), np.complex128)
            fields[amplitude > 0] = start
            yield "earlier", towards * np.tile(fields, times)
            return
        for name, phase in site_waves(ij, self.points[:, :2], rim, rng, plan.kinds):
            yield name, towards * np.tile(amplitude * np.exp(1j * phase), times)

    def descents(self, plan: _Plan, waves: list[tuple[str, Fields]]) -> _Found:
        """Go down in the small model, on the panel in blocks, on the panel."""
        small, coarse = self.light(self.blocks(MODES, FEWEST[0])), self.light(self.blocks(ROOM, FEWEST[1]))
        follow = _Follow(self.demand, self.progress)
        starts, stopped = search(small, self.demand, waves, keep=plan.finalists, report=follow.count("site phases"))
        tried = []
        for start in starts[:1] if stopped else starts:
            tried.append(follow.down("trials", coarse, _first_phase(small, coarse, start), 0 if stopped else plan.trial, plan.settled))
            stopped = stopped or tried[-1].interrupted
            if stopped:
                break
        best = min(tried, key=lambda descent: descent.value)
        if not stopped:
            best = follow.down("blocks", coarse, best.point, plan.blocks, plan.settled)
            stopped = best.interrupted
        if coarse.panel.step > 1:
            phase = coarse.panel.spread(best.point.astype(np.float32), self.panel)
            best = follow.down("panel", self.light(self.panel), phase, 0 if stopped else plan.pixels, plan.settled)
        stopped = stopped or best.interrupted
        phase = best.point.astype(np.float32)
        fields = self.light(self.panel).fields(np.exp(1j * phase).astype(np.complex64))
        return _Found(phase, fields, best.converged and not stopped, stopped, tuple(follow.history))

    def descents_on_gpu(self, plan: _Plan, waves: list[tuple[str, Fields]]) -> _Found:
        """As `descents`, on a GPU, with all starts and then all finalists side by side."""
        panels = (self.blocks(MODES, FEWEST[0]), self.blocks(ROOM, FEWEST[1]), self.panel)
        small, coarse = (GpuLight(panel, *self._demanded(), self.device) for panel in panels[:2])
        follow = _GpuFollow(self.progress)
        cost = PhaseCost(coarse, self.demand, self.device)
        whole = PhaseCost(GpuLight(panels[2], *self._demanded(), self.device), self.demand, self.device) if panels[1].step > 1 else cost
        fields = [field for _, field in waves]
        report = None if self.progress is None else follow.report("site phases")
        pupils, stopped = search_on_gpu(
            LinearCost(small, self.demand, self.device), self.demand, fields, self.device, keep=plan.finalists, report=report
        )
        pupils = pupils[:1] if stopped else pupils
        phases = namespace(pupils).angle(coarse.back(small.fields(pupils)))
        tried = follow.down("trials", cost, phases, 0 if stopped else plan.trial, plan.settled)
        first = int(np.argmin(tried.values))
        best, stopped = tried.one(first), stopped or tried.interrupted
        if not stopped:
            best = follow.down("blocks", cost, best.points, plan.blocks, plan.settled)
            stopped = best.interrupted
        if whole is not cost:
            phases = coarse.panel.spread(best.points[0], self.panel)[None]
            best = follow.down("panel", whole, phases, 0 if stopped else plan.pixels, plan.settled)
        stopped = stopped or best.interrupted
        seen = to_host(whole.light.fields(whole.unit(best.points)))[0]
        return _Found(best.points[0], seen, bool(best.converged[0]) and not stopped, stopped, tuple(follow.history))

    def result(self, found: _Found) -> Retrieval:
        """The mask: the light moved to where the sites are, and the aberration taken off."""
        phase, fields = found.phase, found.fields[:, : len(self.points)]
        ratio, stray = self.demand.ratios(fields)
        bright = fields[:, self.demand.target > 0]
        waves = bright[np.argmax((abs(bright) ** 2).sum(axis=1))].astype(np.complex128)
        weights = abs(waves)
        path, box = self.panel.path, pupil_box(self.path)
        x_um, y_um, aberration = (to_device(part, self.device) for part in (path.x_um, path.y_um, self.path.aberration[box]))
        tilt = path.scale * (float(self.centre[0]) * x_um[None, :] + float(self.centre[1]) * y_um[:, None])
        whole = np.zeros(self.path.amplitude.shape, np.float32)
        whole[box] = to_host(wrap(phase + tilt - aberration))
        return Retrieval(
            phase=whole,
            weights=weights / weights.mean(),
            site_phases=np.angle(waves),
            efficiency=float((abs(bright) ** 2).sum()),
            uniformity=uniformity_of(ratio),
            spread=float(ratio.std() / ratio.mean()),
            crosstalk=float(stray.max(initial=0)),
            iterations=len(found.history),
            converged=found.converged,
            history=found.history,
            interrupted=found.interrupted,
        )


class _Follow:
    """Follows the descents: what each step came to, for the history and for who watches."""

    def __init__(self, demand: Demand, progress: Progress | None) -> None:
        self.history: list[tuple[str, float, float]] = []
        self._demand, self._progress, self._steps = demand, progress, 0

    def count(self, stage: str) -> Callable[[int, float], None]:
        """Count the steps of a search that is not part of the history; its uniformity is not known."""

        def report(_: int, value: float) -> None:
            self._steps += 1
            if self._progress is not None:
                self._progress(stage, self._steps, float("nan"))

        return report

    def down(self, stage: str, light: PanelLight, phase: NDArray[np.float32], steps: int, settled: float) -> Descent:
        """Descend on the phase of a panel."""
        levels: dict[float, tuple[float, float]] = {}

        def cost(point: NDArray[Any]) -> tuple[float, NDArray[Any]]:
            value, gradient, fields = light.phase_cost(self._demand, point)
            ratio = self._demand.ratios(fields)[0]
            levels[value] = (float((ratio * self._demand.target[self._demand.target > 0]).sum()), uniformity_of(ratio))
            return value, gradient

        def report(_: int, value: float) -> None:
            self._steps += 1
            self.history.append((stage, *levels[value]))
            levels.clear()
            if self._progress is not None:
                self._progress(stage, self._steps, self.history[-1][2])

        return descend(cost, phase, steps=steps, settled=settled, report=report)


class _GpuFollow:
    """Follows descents on a GPU."""

    def __init__(self, progress: Progress | None) -> None:
        self.history: list[tuple[str, float, float]] = []
        self._progress, self._steps = progress, 0

    def report(self, stage: str) -> Callable[[int, int, NDArray[np.float64]], None]:
        """Count steps for who watches; the uniformity of the small model is not that of a mask."""

        def report(_: int, __: int, told: NDArray[np.float64]) -> None:
            self._steps += 1
            if self._progress is not None:
                self._progress(stage, self._steps, float("nan") if stage == "site phases" else float(told[2]))

        return report

    def down(self, stage: str, cost: PhaseCost, phases: Any, steps: int, settled: float) -> Descents:
        """Descend on phases of a panel."""
        report = None if self._progress is None else self.report(stage)
        found = descend_all(cost, phases, steps=steps, settled=settled, report=report, repeated=True)
        self.history += [(stage, float(told[1]), float(told[2])) for rows in found.history for told in rows[1:]]
        return found


def _first_phase(small: PanelLight, coarse: PanelLight, start: Start) -> NDArray[np.float32]:
    """Phase of the blocks whose light resembles that of the small model."""
    fields = small.fields((start.pupil[0] + 1j * start.pupil[1]).astype(np.complex64))
    return np.angle(coarse.back(fields)).astype(np.float32)
