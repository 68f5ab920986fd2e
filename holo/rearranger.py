"""The whole way from an occupancy to masks, prepared once so that the answer comes quickly.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import DEVICES, find_device
from holo.errors import InputError
from holo.moves import Course, Limits, MoveFrame, MoveOptions, course, step_um
from holo.rearrange import COSTS, SPARES, Rearrangement, away, rearrange
from holo.registration import Sites, closest_pair
from holo.retrieve.spots import retrieve_spots
from holo.stream import mover_on

if TYPE_CHECKING:
    from holo.bench import Bench

Real = NDArray[np.float64]

APART = 0.7
"""Least distance of two atoms on the way over that of neighbouring sites where nothing else is said: just below the root of a half."""


@dataclass(frozen=True)
class RearrangeOptions:
    """What a rearrangement keeps to.

    Attributes
    ----------
    apart_um : float or None
        Least distance of two atoms at any time; None for `APART` times the least distance of two sites.
    cost, spare : str
        See `holo.rearrange.rearrange`.
    limits : Limits or None
        None for steps of `holo.moves.STEP_CELLS` focal cells.
    moves : MoveOptions
    seed : int
        Of the starting phases.
    device : str
        Where the masks are made: one of `holo.arrays.DEVICES`.
    """

    apart_um: float | None = None
    cost: str = "squared"
    spare: str = "drop"
    limits: Limits | None = None
    moves: MoveOptions = field(default_factory=MoveOptions)
    seed: int = 0
    device: str = "cpu"

    def __post_init__(self) -> None:
        if self.apart_um is not None and not 0 < self.apart_um < np.inf:
            raise InputError(f"apart_um: found {self.apart_um:g}; allowed: a number above 0")
        for name, value, allowed in (("cost", self.cost, COSTS), ("spare", self.spare, SPARES), ("device", self.device, DEVICES)):
            if value not in allowed:
                raise InputError(f"{name}: found {value!r}; allowed: {', '.join(allowed)}")
        if self.seed < 0:
            raise InputError(f"seed: found {self.seed}; allowed: 0 or more")


@dataclass(frozen=True, eq=False)
class Answer:
    """What is to be done about an occupancy.

    Attributes
    ----------
    plan : Rearrangement
        Its `atoms` count among the sites of the reservoir.
    course : Course
    target : ndarray, shape (n,)
        Relative intensity of each carried atom's site, that of its goal.
    start : MoveFrame
        The mask that holds the carried atoms where they are.
    """

    plan: Rearrangement
    course: Course
    target: Real
    start: MoveFrame


@dataclass(frozen=True, eq=False)
class Latency:
    """How long an answer took, stage by stage.

    Attributes
    ----------
    plan_ms : float
        Assignment and paths.
    start_ms : float
        Mask of the atoms where they are.
    frame_ms : ndarray, shape (frames - 1,)
        Each mask after it.
    """

    plan_ms: float
    start_ms: float
    frame_ms: Real

    def summary(self) -> dict[str, float]:
        """The times as a JSON-compatible dict."""
        frames = (
            {"median_frame_ms": float(np.median(self.frame_ms)), "longest_frame_ms": float(self.frame_ms.max())}
            if len(self.frame_ms)
            else {}
        )
        return {"plan_ms": self.plan_ms, "start_ms": self.start_ms, **frames}


class Rearranger:
    """Brings atoms from the sites of a reservoir to wanted ones.

    Parameters
    ----------
    bench : Bench
    reservoir_um : ndarray, shape (sites, 3)
        Where there may be atoms: all sites that an occupancy tells about, in its order.
    wanted : Sites
        The wanted arrangement in the objective plane (`holo.registration.place`); dark sites are left out.
    options : RearrangeOptions, optional

    Raises
    ------
    InputError
        If nothing is wanted, an argument is malformed, or the bench does not tell the panel's frame rate.

    Notes
    -----
    Prepared are the light path, the plan of the transforms, and weights and phases that light the whole reservoir; those of the filled
    sites are the start of the first mask.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.arrangement import block
    >>> from holo.registration import place
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> wanted = place(block(2, 2).shifted(1, 1), bench.lattice)
    >>> reservoir = place(block(4, 4), bench.lattice).xyz_um
    >>> ready = Rearranger(bench, reservoir, wanted)
    >>> answer = ready.answer(np.arange(16) % 3 == 0)
    >>> answer.plan.summary()["unfilled"], len(list(ready.frames(answer))) == answer.course.frames
    (0, True)
    """

    def __init__(self, bench: Bench, reservoir_um: Real, wanted: Sites, options: RearrangeOptions | None = None) -> None:
        self.options = options or RearrangeOptions()
        self.reservoir_um = np.asarray(reservoir_um, np.float64)
        if not wanted.bright.any():
            raise InputError(f"wanted: found {len(wanted.target)} site(s), none of them bright; allowed: at least one bright site")
        if self.reservoir_um.ndim != 2 or self.reservoir_um.shape[1] != 3 or len(self.reservoir_um) == 0:
            raise InputError(f"reservoir_um: found shape {self.reservoir_um.shape}; allowed: (sites, 3), at least one")
        self.wanted_um, self.wanted_target = wanted.xyz_um[wanted.bright], wanted.target[wanted.bright]
        self.apart_um = self.options.apart_um or APART * min(_closest(self.reservoir_um), _closest(self.wanted_um))
        self.limits = self.options.limits or Limits(step_um(bench))
        if bench.panel.frame_rate_hz is None:
            raise InputError("panel.frame_rate_hz: missing in the bench file; needed: the rate at which the panel takes masks")
        self.frame_ms = 1000 / bench.panel.frame_rate_hz
        self.device = find_device(self.options.device)
        self.mover = mover_on(bench, self.options.moves, self.device)
        everywhere = np.ones(len(self.reservoir_um))
        rng = np.random.default_rng(self.options.seed)
        path, asked = self.mover.path, self.reservoir_um
        found = retrieve_spots(path, asked, everywhere, rng=rng, effort="quick", iterations=10, device=self.device)
        self.waves = found.waves

    def plan(self, filled: NDArray[np.bool_]) -> Rearrangement:
        """Say who goes where.

        Parameters
        ----------
        filled : ndarray of bool, shape (sites,)
            Which sites of the reservoir hold an atom.

        Returns
        -------
        Rearrangement
            Its `atoms` count among the sites of the reservoir.

        Raises
        ------
        InputError
            If `filled` has another shape, or no atom is there; and as `holo.rearrange.rearrange`.
        RearrangementError
            If there is no way.
        """
        held = np.asarray(filled, bool)
        if held.shape != (len(self.reservoir_um),):
            raise InputError(
                f"filled: found shape {held.shape}; allowed: ({len(self.reservoir_um)},), a value for each site of the reservoir"
            )
        sites = np.flatnonzero(held)
        if len(sites) == 0:
            raise InputError("filled: found no atom; allowed: at least one")
        found = self._planned(self.reservoir_um[sites], self.options.spare)
        return Rearrangement(
            found.stations_um, sites[found.atoms], found.goals, sites[found.dropped], found.unfilled, found.cost, found.bound
        )

    def replan(self, places_um: Real) -> Rearrangement:
        """Rearrange atoms at any places, as in a later round; spares are parked, so that a next one can use them."""
        return self._planned(places_um, "park")

    def _planned(self, places: Real, spare: str) -> Rearrangement:
        """Rearrange; spares are parked where there are atoms now, or if that does not do, anywhere in the reservoir."""
        enough = len(away(places, self.wanted_um, self.apart_um)) >= len(places) - len(self.wanted_um)
        return rearrange(
            places,
            self.wanted_um,
            apart_um=self.apart_um,
            cost=self.options.cost,
            spare=spare,
            parking_um=None if enough else self.reservoir_um,
        )

    def answer(self, filled: NDArray[np.bool_]) -> Answer:
        """Plan the moves of an occupancy and make their first mask; raises as `plan`."""
        return self.begun(self.plan(filled))

    def begun(self, plan: Rearrangement) -> Answer:
        """Make the first mask of a plan, and say where its sites are in time."""
        target = np.where(plan.goals >= 0, self.wanted_target[plan.goals], 1.0)
        moved = course(plan.stations_um, self.limits, self.frame_ms)
        return Answer(plan, moved, target, self.mover.start(moved.places_um(0), target, self.waves[plan.atoms]))

    def frames(self, answer: Answer, last: MoveFrame | None = None) -> Iterator[MoveFrame]:
        """Make the masks of an answer, the first one included; or from another frame of it on (`holo.moves.Mover.frames`)."""
        return self.mover.frames(answer.course, answer.target, last or answer.start)

    def measure(self, filled: NDArray[np.bool_], frames: int = 10) -> Latency:
        """Time an answer and some of its frames."""
        times = [time.perf_counter()]
        plan = self.plan(filled)
        times.append(time.perf_counter())
        answer = self.begun(plan)
        for frame in self.frames(answer):
            times.append(time.perf_counter())
            if frame.number == frames:
                break
        spent = 1000 * np.diff(times)
        return Latency(float(spent[0]), float(spent[1]), spent[2:])


def _closest(places: Real) -> float:
    """Least distance of two places; infinite where there is one only."""
    return closest_pair(places)[2] if len(places) > 1 else np.inf


def told_plan(answer: Answer) -> dict[str, Any]:
    """The figures of an answer as a JSON-compatible dict."""
    return {**answer.plan.summary(), "frames": answer.course.frames, "time_ms": (answer.course.frames - 1) * answer.course.frame_ms}
