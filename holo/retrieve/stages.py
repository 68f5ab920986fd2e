"""The iterations of the search for level spots, stage by stage, on the CPU's cores or on a GPU.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from holo.arrays import Device, gpu_empty, to_host
from holo.errors import RetrievalError
from holo.field.device import DeviceTransform
from holo.field.path import LightPath
from holo.field.sites import SiteTransform
from holo.retrieve.device import DeviceLoop, Found
from holo.retrieve.trim import uniformity_of

Real = NDArray[np.float64]
Waves = NDArray[np.complex128]
History: TypeAlias = tuple[tuple[str, float, float], ...]
"""Stage, efficiency and uniformity of each iteration."""

Progress = Callable[[str, int, float], None]
"""Called after each iteration with the stage, the number of iterations so far and the uniformity."""

DEPTH = 5
"""Earlier iterations that the acceleration of the stage with the phases held looks back on."""

PATIENCE = 4
"""Iterations within which the error must halve, or that stage ends."""

LOWEST = -25.0
"""Least logarithm of a weight over the largest."""

PULL, MOMENTUM = 0.5, 0.6
"""Share of the measured errors that a correction on the panel takes off, and of the last correction that it repeats."""


@dataclass(frozen=True, eq=False)
class Turned:
    """What the corrections on the panel came to."""

    angle: NDArray[np.float32]
    """By how much each pixel was turned, rad, shape (rows, columns)."""
    moduli: Real
    crosstalk: float
    history: History


@dataclass(frozen=True, eq=False)
class State:
    """Where a search stands: the superposition, the fields it gave when last tried, and the way it came."""

    weights: Real
    phases: Real
    moduli: Real
    history: History = ()

    @property
    def waves(self) -> Waves:
        """Weight and phase of each wave as one number, shape (n,)."""
        return np.asarray(self.weights * np.exp(1j * self.phases))


@dataclass(frozen=True, eq=False)
class Stage:
    """Iterations on one sampling of the panel.

    Attributes
    ----------
    transform : SiteTransform
    points : ndarray, shape (n, 3)
        The bright sites that it is for.
    goal : ndarray, shape (n,)
        Wanted moduli of their fields.
    full : float
        Sum of the beam's amplitude.
    progress : callable or None
    """

    transform: SiteTransform
    points: Real
    goal: Real
    full: float
    progress: Progress | None

    def apply(self, name: str, state: State) -> tuple[State, Real]:
        """Fields of the present superposition: the state with their moduli, and their phases."""
        fields = self.transform.project(state.waves)
        moduli = abs(fields).astype(np.float64)
        if not np.all(moduli > 0):
            raise RetrievalError(
                f"site {int(np.argmin(moduli)) + 1} of {len(moduli)} gets no light; is it a copy of another site or off the field?"
            )
        level = self.figures(moduli)
        if self.progress is not None:
            self.progress(name, len(state.history) + 1, level[1])
        return replace(state, moduli=moduli, history=(*state.history, (name, *level))), np.angle(fields).astype(np.float64)

    def figures(self, moduli: Real) -> tuple[float, float]:
        """Efficiency, pixel envelope left out, and uniformity."""
        ratio = (moduli / self.goal) ** 2
        return float(np.sum((moduli / self.full) ** 2)), uniformity_of(ratio)

    def free(self, name: str, state: State, count: int, gain: float) -> State:
        """Iterate with the phases of the sites following the light."""
        for _ in range(count):
            state, phases = self.apply(name, state)
            weights = normalised(np.log(state.weights) + gain * np.log(self.goal / state.moduli))
            state = replace(state, phases=phases, weights=weights)
        return state

    def hold(self, state: State, uniformity: float, limit: int) -> State:
        """Level the sites with their phases held, as far as that goes quickly; keeps the best weights that were seen."""
        best, errors = state, [np.inf]
        points: list[Real] = []
        steps: list[Real] = []
        for _ in range(limit):
            state, _ = self.apply("hold", state)
            error = 1 - state.history[-1][2]
            best = state if error < errors[-1] else best
            errors.append(min(error, errors[-1]))
            if errors[-1] <= 1 - uniformity or (len(errors) > PATIENCE + 1 and errors[-1] > errors[-1 - PATIENCE] / 2):
                break
            points.append(np.log(state.weights))
            step = np.log(self.goal / state.moduli)
            steps.append(step - step.mean())
            logarithm = accelerated(points[-DEPTH - 1 :], steps[-DEPTH - 1 :])
            state = replace(state, weights=normalised(logarithm))
        return replace(best, history=state.history)

    def bound(self, state: State) -> float:
        """Level that the weights would give all sites alike; no mask with these site phases gives more."""
        return bound_of(state, self.goal, self.full)

    def mask_phase(self, state: State, moved_um: tuple[float, float]) -> NDArray[np.float32]:
        """Phase of the mask over the whole panel, its light moved (`SiteTransform.mask_phase`)."""
        whole = self.transform
        if not whole.covers_panel:
            whole = SiteTransform(whole.path, self.points, whole_panel=True)
        return whole.mask_phase(state.waves, moved_um)

    def turn(self, dark: Real, state: State, uniformity: float, darkness: float, limit: int) -> Turned:
        """Turn the pixels until the bright sites are level and the others dark; keeps the best that was seen.

        Parameters
        ----------
        dark : ndarray, shape (n, 3)
            Dark sites, in the frame of the bright ones.
        state : State
            Whose superposition it starts from.
        uniformity, darkness : float
            Where to stop.
        limit : int
            Most turns.
        """
        count, history = len(self.goal), state.history
        transform = self.transform.moved(np.concatenate([self.points, dark]))
        values = np.concatenate([state.waves, np.zeros(len(dark))])
        unit = transform.unit(values)
        fields, pull = transform.project(values), np.zeros(len(values), np.complex128)
        scale = 2 * PULL / float(np.sum(transform.path.amplitude**2))
        before, after, least = unit.copy(), unit.copy(), np.inf
        best = Turned(np.zeros(0, np.float32), np.zeros(0), np.inf, ())
        for _ in range(limit + 1):
            moduli = np.abs(fields[:count]).astype(np.float64)
            figures = self.figures(moduli)
            crosstalk = float(np.max(np.abs(fields[count:]) ** 2, initial=0) / np.mean(moduli**2))
            history = (*history, ("turn", *figures))
            if self.progress is not None:
                self.progress("turn", len(history), figures[1])
            excess = max((1 - figures[1]) / (1 - uniformity), crosstalk / darkness)
            if excess < least:
                after[:] = unit  # into memory that is there: new memory would cost more than the copy
                least, best = excess, replace(best, moduli=moduli, crosstalk=crosstalk)
            if excess <= 1:
                break
            error = np.log(moduli / self.goal)
            even = np.average(error, weights=moduli**2)  # of the light, which there is no more of: a dim site must not pull at all others
            change = np.concatenate([(error - even) * fields[:count], fields[count:]])
            pull = MOMENTUM * pull - scale * change
            fields = transform.turn(unit, pull)
        return replace(best, angle=transform.angle_between(before, after), history=history)


@dataclass(frozen=True, eq=False)
class DeviceStage:
    """The same iterations on a GPU; between the stages the numbers of the sites come to the host, within them nothing does.

    Attributes
    ----------
    loop : DeviceLoop
    points, goal, full, progress
        As those of `Stage`.
    """

    loop: DeviceLoop
    points: Real
    goal: Real
    full: float
    progress: Progress | None

    def apply(self, name: str, state: State) -> tuple[State, Real]:
        """As `Stage.apply`."""
        self.loop.put(state.weights, state.phases)
        self.loop.measure()
        found = self.loop.found()
        return replace(self._followed(name, state, found), weights=state.weights, phases=state.phases), found.phases

    def free(self, name: str, state: State, count: int, gain: float) -> State:
        """As `Stage.free`."""
        if not count:
            return state
        self.loop.put(state.weights, state.phases)
        self.loop.free(count, gain)
        return self._followed(name, state, self.loop.found())

    def hold(self, state: State, uniformity: float, limit: int) -> State:
        """As `Stage.hold`."""
        self.loop.put(state.weights, state.phases)
        self.loop.hold(uniformity, limit)
        self.loop.measure()
        return self._followed("hold", state, self.loop.found())

    def bound(self, state: State) -> float:
        """As `Stage.bound`."""
        return bound_of(state, self.goal, self.full)

    def mask_phase(self, state: State, moved_um: tuple[float, float]) -> NDArray[np.float32]:
        """As `Stage.mask_phase`."""
        self.loop.put(state.weights, state.phases)
        self.loop.spread()
        return self.loop.transform.mask_phase(moved_um)

    def turn(self, dark: Real, state: State, uniformity: float, darkness: float, limit: int) -> Turned:
        """As `Stage.turn`."""
        transform = DeviceTransform(self.loop.transform.path, np.concatenate([self.points, dark]), whole_panel=True)
        loop = DeviceLoop(transform, self.goal, self.full)
        loop.load(np.concatenate([state.waves, np.zeros(len(dark))]))
        transform.spread()
        unit, best = (gpu_empty(transform.size, np.complex64) for _ in range(2))
        transform.columns("unit", unit)
        before = to_host(unit)
        loop.put(state.weights, state.phases)
        loop.load(np.concatenate([state.waves, np.zeros(len(dark))]))
        transform.replace()
        loop.turn(unit, best, uniformity, darkness, limit + 1, 2 * PULL / float(np.sum(transform.path.amplitude**2)), MOMENTUM)
        found = loop.found()
        ended = self._followed("turn", state, found)
        return Turned(transform.angle_between(before, to_host(best)), found.moduli, found.crosstalk, ended.history)

    def _followed(self, name: str, state: State, found: Found) -> State:
        """The state after a stage; who follows the search is told of each of its iterations."""
        if found.dark:
            raise RetrievalError(
                f"site {int(np.argmin(found.moduli)) + 1} of {len(found.moduli)} gets no light; "
                "is it a copy of another site or off the field?"
            )
        history = state.history
        for efficiency, uniformity, _ in found.history:
            history = (*history, (name, float(efficiency), float(uniformity)))
            if self.progress is not None:
                self.progress(name, len(history), float(uniformity))
        return State(found.weights, found.phases, found.moduli, history)


def stage_on(path: LightPath, points: Real, goal: Real, progress: Progress | None, device: Device) -> Stage | DeviceStage:
    """The stages for some sites on the whole panel."""
    if device.is_gpu:
        loop = DeviceLoop(DeviceTransform(path, points, whole_panel=True), goal, path.amplitude_sum)
        return DeviceStage(loop, points, goal, path.amplitude_sum, progress)
    return Stage(SiteTransform(path, points), points, goal, path.amplitude_sum, progress)


def bound_of(state: State, goal: Real, full: float) -> float:
    """Level that the weights of a state would give all sites alike, over the field of an unsplit focus."""
    return float(state.weights @ state.moduli / (state.weights @ goal)) / full


def normalised(logarithm: Real) -> Real:
    """Weights of mean 1; none vanishes for good, as one would whose site gets its light from a close neighbour."""
    weights = np.exp(np.maximum(logarithm - logarithm.max(), LOWEST))
    return np.asarray(weights / weights.mean())


def accelerated(points: list[Real], steps: list[Real]) -> Real:
    """Next point of Anderson's method from the last ones and the plain steps they ask for (Walker and Ni 2011, eq. 2.4)."""
    if len(points) == 1:
        return points[-1] + steps[-1]
    moves = np.diff(np.array(points), axis=0).T
    bends = np.diff(np.array(steps), axis=0).T
    mix = np.linalg.lstsq(bends, steps[-1], rcond=1e-6)[0]
    return np.asarray(points[-1] + steps[-1] - (moves + bends) @ mix)
