"""Moves: where the sites are in time, and the masks that carry them there, one a frame.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.checks import check_finite, check_numbers
from holo.errors import InputError, RearrangementError
from holo.field.path import light_path
from holo.field.sites import SiteTransform
from holo.mask import level_choices, response_of_levels
from holo.retrieve.follow import Followed, Pace, beam_middle, carried, follow
from holo.transition import RESPONSES, SHARES, relaxed

if TYPE_CHECKING:
    from holo.bench import Bench
    from holo.field.path import LightPath
    from holo.parts import Panel

Real = NDArray[np.float64]

PEAK_VELOCITY, PEAK_ACCELERATION = 15 / 8, 10 / np.sqrt(3)
"""Of a move of minimum jerk, over its mean velocity and over its length divided by the square of its time."""

STEP_CELLS = 0.25
"""Longest way of a site between two frames, in focal cells of the panel, where nothing else is said."""

MOST_LEVELS = 1024
"""Most levels of a panel whose transitions are looked at."""

HALVINGS = 5
"""How often a step may be halved until the light in it does not fall too low."""


def minimum_jerk(share: ArrayLike) -> Real:
    """Progress of a smooth move at a share of its time.

    Parameters
    ----------
    share : array_like
        0 to 1; what lies beyond counts as 0 or 1.

    Returns
    -------
    ndarray
        ``10 s^3 - 15 s^4 + 6 s^5``: velocity and acceleration vanish at both ends, and the integral of the square of the jerk is as small
        as it can be (T. Flash and N. Hogan, J. Neurosci. 5, 1688 (1985), eq. 3; number of the equation from memory).

    Examples
    --------
    >>> minimum_jerk([0.0, 0.5, 1.0])
    array([0. , 0.5, 1. ])
    """
    check_finite("share", share)
    s = np.clip(np.asarray(share, np.float64), 0, 1)
    return np.asarray(s**3 * (10 + s * (6 * s - 15)))


@dataclass(frozen=True)
class Limits:
    """How fast sites may move.

    Attributes
    ----------
    step_um : float
        Longest way between two frames.
    velocity_um_per_ms, acceleration_um_per_ms2 : float
        Highest velocity and acceleration.
    """

    step_um: float
    velocity_um_per_ms: float = np.inf
    acceleration_um_per_ms2: float = np.inf

    def __post_init__(self) -> None:
        for name in ("step_um", "velocity_um_per_ms", "acceleration_um_per_ms2"):
            if not getattr(self, name) > 0:
                raise InputError(f"{name}: found {getattr(self, name):g}; allowed: a number above 0")

    def frames(self, length_um: float, frame_ms: float) -> int:
        """Number of frames of a move of minimum jerk over a length, one at least unless it is 0."""
        check_numbers(length_um=length_um, frame_ms=frame_ms)
        if length_um == 0:
            return 0
        time_ms = max(
            PEAK_VELOCITY * length_um / self.velocity_um_per_ms, np.sqrt(PEAK_ACCELERATION * length_um / self.acceleration_um_per_ms2)
        )
        return int(np.ceil(max(time_ms / frame_ms, PEAK_VELOCITY * length_um / self.step_um, 1) - 1e-9))


@dataclass(frozen=True, eq=False)
class Course:
    """Where sites are in time.

    Attributes
    ----------
    stations_um : ndarray, shape (steps + 1, n, 3)
        As `holo.paths.journey` gives them: straight from one to the next.
    counts : tuple of int
        Frames of each step.
    frame_ms : float
        Time from one frame to the next.
    """

    stations_um: Real
    counts: tuple[int, ...]
    frame_ms: float

    @property
    def frames(self) -> int:
        """Number of frames, the first one, before anything moves, included."""
        return 1 + sum(self.counts)

    def places_um(self, frame: float) -> Real:
        """Places of the sites at a frame, which may lie between two, shape (n, 3)."""
        ends = np.cumsum((0, *self.counts))
        step = int(np.clip(np.searchsorted(ends, frame, side="right") - 1, 0, max(len(self.counts) - 1, 0)))
        if not self.counts or self.counts[step] == 0:
            return np.asarray(self.stations_um[-1 if self.counts and frame >= ends[-1] else step])
        progress = minimum_jerk((frame - ends[step]) / self.counts[step])
        here, there = self.stations_um[step], self.stations_um[step + 1]
        return np.asarray(there if progress == 1 else here + progress * (there - here))


def course(stations_um: Real, limits: Limits, frame_ms: float) -> Course:
    """Give each step of a journey as many frames as its longest way needs.

    Parameters
    ----------
    stations_um : ndarray, shape (steps + 1, n, 3)
    limits : Limits
    frame_ms : float

    Returns
    -------
    Course

    Raises
    ------
    InputError
        If `frame_ms` is not above 0.

    Examples
    --------
    >>> found = course(np.array([[[0.0, 0, 0]], [[4.0, 0, 0]]]), Limits(step_um=0.5), 10.0)
    >>> found.frames, found.places_um(7.5).tolist()
    (16, [[2.0, 0.0, 0.0]])
    """
    if not 0 < frame_ms < np.inf:
        raise InputError(f"frame_ms: found {frame_ms:g}; allowed: a number above 0")
    check_finite("stations_um", stations_um)
    stations = np.asarray(stations_um, np.float64)
    longest = np.linalg.norm(np.diff(stations, axis=0), axis=2).max(axis=1, initial=0)
    return Course(stations, tuple(limits.frames(float(length), frame_ms) for length in longest), frame_ms)


@dataclass(frozen=True)
class MoveOptions:
    """How the masks of a move are made.

    Attributes
    ----------
    pace : Pace
    lowest : float or None
        Least intensity of any site in a transition, over the mean of the sites before it; where it would be less, the step is halved.
        None: transitions are not looked at, which saves most of the time of a frame.
    response : str
        One of `holo.transition.RESPONSES`.
    """

    pace: Pace = field(default_factory=Pace)
    lowest: float | None = 0.75
    response: str = "shortest"

    def __post_init__(self) -> None:
        if self.lowest is not None and not 0 <= self.lowest < 1:
            raise InputError(f"lowest: found {self.lowest:g}; allowed: 0 or more, below 1")
        if self.response not in RESPONSES:
            raise InputError(f"response: found {self.response!r}; allowed: {', '.join(RESPONSES)}")


@dataclass(frozen=True, eq=False)
class MoveFrame:
    """One mask of a move; the next can be made from it.

    Attributes
    ----------
    number : int
        From 0.
    progress : float
        Frame of the course that it stands for; not whole where a step was halved.
    levels : ndarray of uint8 or uint16, shape (rows, columns)
    waves : ndarray of complex128, shape (n,)
        Weight and phase of each site.
    efficiency, uniformity : float
        Of the settled light as the engine saw it, before rounding to levels (`holo.retrieve.follow.Followed`).
    iterations : int
    lowest : ndarray, shape (n,), or None
        Least intensity of each site in the transition to this frame, over the mean of all sites before it.
    """

    number: int
    progress: float
    levels: NDArray[Any]
    waves: NDArray[np.complex128]
    efficiency: float
    uniformity: float
    iterations: int
    lowest: Real | None


class Mover:
    """What the masks of all moves on one bench share, prepared once.

    Parameters
    ----------
    bench : Bench
    options : MoveOptions

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> mover = Mover(parse_bench(demo_bench_text(), "bench.toml"))
    >>> stations = np.array([[[60.0, 40.0, 0.0], [65.0, 40.0, 0.0]], [[60.0, 40.0, 0.0], [65.5, 40.0, 0.0]]])
    >>> made = list(mover.frames(course(stations, Limits(0.2), 16.7), np.ones(2), mover.start(stations[0], np.ones(2), np.array([1, 1j]))))
    >>> len(made), bool(made[-1].lowest.min() > 0.9)
    (6, True)
    """

    def __init__(self, bench: Bench, options: MoveOptions | None = None) -> None:
        self.bench, self.options = bench, options or MoveOptions()
        self.path = light_path(bench)
        shift = own_phase(self.path, bench.panel)
        self._offset = (-shift / (2 * np.pi)).astype(np.float32)
        self._choices = level_choices(bench.panel)
        self._plan = SiteTransform(self.path, np.zeros((1, 3)))
        self._middle = beam_middle(self.path)
        self._behind = (self.path.amplitude * np.exp(1j * shift)).astype(np.complex64)
        self._factors = transition_factors(bench, self.options.response) if self.options.lowest is not None else ()

    def start(self, places_um: Real, target: Real, waves: NDArray[np.complex128]) -> MoveFrame:
        """The frame before a move.

        Parameters
        ----------
        places_um : ndarray, shape (n, 3)
        target : ndarray, shape (n,)
        waves : ndarray of complex, shape (n,)
            What is known of weights and phases, as `holo.retrieve.spots.Retrieval.waves`; phases by chance will do.

        Returns
        -------
        MoveFrame
        """
        pace = replace(self.options.pace, free=max(8, self.options.pace.free), limit=max(30, self.options.pace.limit))
        found = follow(self._plan.moved(places_um), waves, places_um, target, pace)
        blank = np.zeros((self.bench.panel.rows, self.bench.panel.columns), np.uint16)
        return self._frame(0, 0.0, found, blank)

    def frames(self, moved: Course, target: Real, last: MoveFrame) -> Iterator[MoveFrame]:
        """Make the masks of a move, from a frame on, that one first if it is the start.

        Parameters
        ----------
        moved : Course
        target : ndarray, shape (n,)
            Relative intensities of the sites, all above 0.
        last : MoveFrame
            The start, or any frame of this move, after which it is to go on.

        Yields
        ------
        MoveFrame
            In order; nothing else is kept in memory.

        Raises
        ------
        RearrangementError
            If a step halved `HALVINGS` times still lets the light of a site fall too low.
        """
        if last.number == 0:
            yield last
        while last.progress < moved.frames - 1:
            last = self._next(moved, target, last)
            yield last

    def _next(self, moved: Course, target: Real, last: MoveFrame) -> MoveFrame:
        """The frame after another: the next one of the course, or one on the way there where that lets the light fall too low."""
        goal = np.floor(last.progress + 1e-9) + 1
        here = moved.places_um(last.progress)
        for _ in range(HALVINGS + 1):
            there = moved.places_um(goal)
            plan = self._plan.moved(there)
            found = follow(plan, carried(self._middle, last.waves, there - here), there, target, self.options.pace)
            made = self._frame(last.number + 1, float(goal), found, last.levels)
            if self.options.lowest is None:
                return made
            lowest = self.lowest(last, made, (here, there), target)
            if lowest.min() >= self.options.lowest:
                return replace(made, lowest=lowest)
            goal = (last.progress + goal) / 2
        raise RearrangementError(
            f"frame {last.number + 1}: the light of a site falls to {lowest.min():.3g} of the mean in a step of "
            f"{np.linalg.norm(there - here, axis=1).max():.3g} um; allowed: {self.options.lowest:g}; ask for less, or for more iterations"
        )

    def lowest(self, before: MoveFrame, after: MoveFrame, places_um: tuple[Real, Real], target: Real) -> Real:
        """Least intensity of each site from one frame to the next, over its target and the mean over all sites before, shape (n,)."""
        shown = before.levels.astype(np.int32) * self.bench.panel.levels + after.levels
        light = []
        for share, factors in zip((0.0, *SHARES), self._factors, strict=True):
            places = places_um[0] + share * (places_um[1] - places_um[0])
            field = self._plan.moved(places).forward(self._behind * factors[shown]) * self.path.envelope(places)
            light.append(np.abs(field).astype(np.float64) ** 2 / target)
        return np.asarray(np.min(light[1:], axis=0) / light[0].mean())

    def _frame(self, number: int, progress: float, found: Followed, last: NDArray[np.uint16]) -> MoveFrame:
        levels = found.transform.mask_levels(found.waves, self._offset, self._choices, last)
        return MoveFrame(number, progress, levels, found.waves, found.efficiency, found.uniformity, found.iterations, None)


def own_phase(path: LightPath, panel: Panel) -> Real:
    """Phase that the light has without a mask, rad, shape (rows, columns): aberration of the light path, and flatness of the panel."""
    return path.aberration if panel.flatness is None else path.aberration + panel.flatness


def transition_factors(bench: Bench, response: str) -> tuple[NDArray[np.complex64], ...]:
    """Phase factor of a pixel between every two levels, at each share of the change, shape (levels * levels,)."""
    if bench.panel.levels > MOST_LEVELS:
        raise InputError(
            f"panel.levels: found {bench.panel.levels}; allowed: at most {MOST_LEVELS} for a look at transitions (lowest = 0: none)"
        )
    phase = response_of_levels(bench.panel)
    pairs = np.repeat(phase, len(phase)), np.tile(phase, len(phase))
    return tuple(np.exp(1j * relaxed(*pairs, share, response)).astype(np.complex64) for share in (0.0, *SHARES))


def step_um(bench: Bench, cells: float = STEP_CELLS) -> float:
    """Length of a step of so many focal cells, the shorter way of the cell, um."""
    check_finite("cells", cells)
    return cells * min(bench.focal_cell_um)


def told(frame: MoveFrame) -> dict[str, Any]:
    """The single figures of a frame as a JSON-compatible dict."""
    return {
        "progress": frame.progress,
        "efficiency": frame.efficiency,
        "uniformity": frame.uniformity,
        "iterations": frame.iterations,
        "lowest": None if frame.lowest is None else float(frame.lowest.min()),
    }
