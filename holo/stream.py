"""The masks of moving sites on a GPU: one after another without a word from the host, each copied out while the next is made.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import Device, Outbox, Repeated, gpu_empty, to_device
from holo.checks import check_numbers
from holo.errors import RearrangementError, RetrievalError
from holo.field.device import GPU, DeviceTransform
from holo.field.path import light_path
from holo.mask import level_choices
from holo.moves import HALVINGS, Course, MoveFrame, MoveOptions, Mover, own_phase, transition_factors
from holo.retrieve.device import DARK, HELD, DeviceLoop
from holo.retrieve.follow import GAIN, LEAD, beam_middle
from holo.transition import SHARES

if TYPE_CHECKING:
    from holo.bench import Bench

Real = NDArray[np.float64]

AHEAD = 2
"""Masks that are on their way at a time."""

CHUNK_BYTES = 2**28
"""Most memory for the places of the sites in the frames that are asked for at once."""


def mover_on(bench: Bench, options: MoveOptions | None, device: Device) -> Mover | DeviceMover:
    """Prepare the masks of moves on a device."""
    return DeviceMover(bench, options) if device.is_gpu else Mover(bench, options)


class DeviceMover:
    """What the masks of all moves on one bench share, prepared once, on a GPU.

    Parameters
    ----------
    bench : Bench
    options : MoveOptions

    Notes
    -----
    As `holo.moves.Mover`; the frames differ from its ones by what rounding in single precision changes. The places of the sites in many
    frames are put on the device at once; a frame is one graph of kernels there, from the places to the levels and, if asked for, the
    light in the transition to it. Nothing comes back in between but the finished frames.
    """

    def __init__(self, bench: Bench, options: MoveOptions | None = None) -> None:
        self.bench, self.options = bench, options or MoveOptions()
        self.path = light_path(bench)
        shift = own_phase(self.path, bench.panel)
        self.level = np.uint8 if bench.panel.levels <= 256 else np.uint16
        self._plan = DeviceTransform(self.path, np.zeros((1, 3)), level=self.level)
        box = self._plan.box
        self._offset = to_device(np.ascontiguousarray(-shift[box] / (2 * np.pi), np.float32), GPU)
        self._choices = [to_device(choice, GPU) for choice in level_choices(bench.panel)]
        self._middle = beam_middle(self.path)
        self._behind: Any = None
        self._factors: list[Any] = []
        if self.options.lowest is not None:
            behind = self.path.amplitude[box] * np.exp(1j * shift[box]) * self._plan.correction
            self._behind = to_device(behind.astype(np.complex64), GPU)
            self._factors = [to_device(factors, GPU) for factors in transition_factors(bench, self.options.response)]

    def start(self, places_um: Real, target: Real, waves: NDArray[np.complex128]) -> MoveFrame:
        """The frame before a move; as `holo.moves.Mover.start`."""
        return self.begin(places_um, target, waves).now()

    def begin(self, places_um: Real, target: Real, waves: NDArray[np.complex128]) -> Run:
        """Find the mask of sites that stand still; its levels are left in the memory of the device.

        Parameters
        ----------
        places_um : ndarray, shape (n, 3)
        target : ndarray, shape (n,)
        waves : ndarray of complex, shape (n,)
            What is known of weights and phases; phases by chance will do.

        Returns
        -------
        Run
            Its `levels` are the mask.
        """
        pace = self.options.pace
        blank = np.zeros((self.bench.panel.rows, self.bench.panel.columns), np.uint16)
        run = Run(self, np.asarray(places_um, np.float64)[None], target, waves, blank)
        run.settle(waves, max(8, pace.free), max(30, pace.limit))
        return run

    def frames(self, moved: Course, target: Real, last: MoveFrame) -> Iterator[MoveFrame]:
        """Make the masks of a move; as `holo.moves.Mover.frames`, but that a few frames are made ahead of the one that is given."""
        if last.number == 0:
            yield last
        goals: deque[tuple[float, int]] = deque()
        while last.progress < moved.frames - 1:
            if not goals:
                goals.extend((float(goal), 0) for goal in range(int(np.floor(last.progress + 1e-9)) + 1, moved.frames))
            most = max(2, CHUNK_BYTES // (28 * len(target)))
            these = list(goals)[:most]
            sets = np.array([moved.places_um(goal) for goal in (last.progress, *(goal for goal, _ in these))])
            run = Run(self, sets, target, last.waves, last.levels)
            made_ones = run.frames(last.number, [goal for goal, _ in these])
            for (_, halved), made in zip(these, made_ones, strict=True):
                if made.lowest is not None and self.options.lowest is not None and made.lowest.min() < self.options.lowest:
                    self._halve(goals, last, halved, made)
                    break
                goals.popleft()
                last = made
                yield made

    def _halve(self, goals: deque[tuple[float, int]], last: MoveFrame, halved: int, made: MoveFrame) -> None:
        """Put a frame in between; not more than `HALVINGS` times."""
        lowest = float(np.min(made.lowest)) if made.lowest is not None else 0.0
        if halved == HALVINGS:
            raise RearrangementError(
                f"frame {last.number + 1}: the light of a site falls to {lowest:.3g} of the mean in a step halved {HALVINGS} times; "
                f"allowed: {self.options.lowest:g}; ask for less, or for more iterations"
            )
        goal = goals[0][0]
        if goal != np.floor(goal):  # one that was put in between itself; after the new one comes the next of the course
            goals.popleft()
        goals.appendleft(((last.progress + goal) / 2, halved + 1))


class Run:
    """Sites on the device, in a row of places, with the mask that lights them.

    Parameters
    ----------
    mover : DeviceMover
    sets_um : ndarray, shape (frames, n, 3)
        Places of the sites in each frame, um; in the first one they are now.
    target : ndarray, shape (n,)
    waves : ndarray of complex, shape (n,)
    shown : ndarray of int, shape (rows, columns)
        Levels that the panel shows now.

    Attributes
    ----------
    levels : device array, in the shape of the plan's part of the panel
    outbox : Outbox
        For what belongs to a frame.
    """

    def __init__(self, mover: DeviceMover, sets_um: Real, target: Real, waves: NDArray[np.complex128], shown: NDArray[Any]) -> None:
        check_numbers(places_um=sets_um, target=target, waves=waves)
        self._mover, self._shown, self._free = mover, shown, mover.options.pace.free
        path = mover.path
        goals = np.sqrt(np.asarray(target, np.float64)) / np.array([path.envelope(places) for places in sets_um])
        goals /= goals.mean(axis=1, keepdims=True)
        self._transform = mover._plan.moved(sets_um)
        self._loop = DeviceLoop(self._transform, goals[0], path.amplitude_sum)
        self._loop.put(np.abs(waves), np.angle(waves))
        self._goals = to_device(goals.astype(np.float32), GPU)
        self._target = to_device(np.asarray(target, np.float32), GPU)
        self._frame = to_device(np.zeros(1, np.int32), GPU)
        self._ramp = to_device((self._transform.ramp / (2 * np.pi) % 1).astype(np.float32), GPU)
        self.levels = to_device(np.ascontiguousarray(shown[self._transform.box], mover.level), GPU)
        arrays = {name: self._loop.arrays[name] for name in ("weight", "phase", "result", "state")}
        if mover.options.lowest is not None:
            self._before = gpu_empty(self.levels.shape, mover.level)
            back = np.exp(-1j * self._transform.ramp).astype(np.complex64)[:, None]
            self._behind = mover._behind * to_device(back, GPU)
            arrays |= {name: gpu_empty(len(target), np.float32) for name in ("light", "lowest")}
        self._arrays = {**arrays, "levels": self.levels}
        self.outbox = Outbox(self._arrays)

    def now(self) -> MoveFrame:
        """The mask as it is, as frame 0; waits for the device."""
        self.outbox.stage()
        self.outbox.post()
        return self.frame(0, 0.0, self.outbox.take())

    def settle(self, waves: NDArray[np.complex128], free: int, limit: int) -> None:
        """Level sites that stand still, and leave the levels of their mask in the memory of the device.

        Parameters
        ----------
        waves : ndarray of complex, shape (n,)
            Where to start.
        free, limit : int
            Iterations with phases that follow the light, and most of those with held ones.
        """
        self._loop.put(np.abs(waves), np.angle(waves))
        pace, self._free = self._mover.options.pace, free
        self._loop.free(free, GAIN, LEAD)
        self._loop.hold(pace.uniformity, limit, patient=False)
        self._show()

    def frames(self, number: int, goals: list[float]) -> Iterator[MoveFrame]:
        """Make one frame after another, with the numbers after `number` and the progress that `goals` tells."""
        boxes = [self.outbox, *(Outbox(self._arrays) for _ in range(AHEAD - 1))]
        steps = [Repeated(partial(self._ask, box)) for box in boxes]
        self._loop.pace(GAIN, LEAD)
        asked = 0
        for count, goal in enumerate(goals):
            while asked < min(count + AHEAD, len(goals)):
                boxes[asked % AHEAD].wait()
                steps[asked % AHEAD]()
                boxes[asked % AHEAD].post()
                asked += 1
            yield self.frame(number + count + 1, goal, boxes[count % AHEAD].take())

    def _ask(self, box: Outbox) -> None:
        """Ask the device for the next frame."""
        loop, transform, pace = self._loop, self._transform, self._mover.options.pace
        loop.run("count_frame", (1,), (1,), self._frame)
        transform.place(self._frame)
        middle = (np.float64(value) for value in self._mover._middle)
        loop.each("carry", loop.search, transform.xyz, self._goals, loop.arrays["goal"], self._frame, *middle)
        loop.ask_free(pace.free)
        loop.begin()
        loop.ask_hold(pace.limit, pace.uniformity, pace.limit, False)
        loop.settle()
        if self._mover.options.lowest is not None:
            self._before[...] = self.levels
        self._show()
        if self._mover.options.lowest is not None:
            self._look()
        box.stage()

    def _show(self) -> None:
        """Find the levels of the present superposition."""
        self._loop.spread()
        choices, parts = self._mover._choices, np.int32(len(self._mover._choices[0]))
        self._transform.columns("levels", self._ramp, self._mover._offset, *choices, parts, self.levels, self.levels)

    def _look(self) -> None:
        """Follow the light of each site from the last mask to this one."""
        mover, transform, loop = self._mover, self._transform, self._loop
        half_side = np.float64(mover.path.scale * mover.path.side_um / 2)
        for share, factors in zip((0.0, *SHARES), mover._factors, strict=True):
            transform.place(self._frame, share)
            transform.columns("between", self._behind, self._before, self.levels, factors, np.int32(mover.bench.panel.levels))
            transform.gather()
            numbers = (np.int32(transform.count), np.float64(share), half_side)
            places = (transform.fields, transform.xyz, self._target, self._frame)
            loop.each("light_between", *places, *numbers, self._arrays["light"], self._arrays["lowest"])

    def frame(self, number: int, progress: float, told: dict[str, NDArray[Any]]) -> MoveFrame:
        """What came out of the outbox, as a frame."""
        if told["state"][DARK]:
            raise RetrievalError(f"frame {number}: a site gets no light; is it off the field?")
        weights = np.exp(told["weight"].astype(np.float64))
        levels = told["levels"]
        if not self._transform.covers_panel:
            levels = np.array(self._shown, self._mover.level)
            levels[self._transform.box] = told["levels"]
        efficiency, uniformity = (float(value) for value in told["result"][:2])
        lowest = told["lowest"].astype(np.float64) / told["light"].mean(dtype=np.float64) if "lowest" in told and number else None
        return MoveFrame(
            number=number,
            progress=progress,
            levels=levels,
            waves=weights / weights.mean() * np.exp(1j * told["phase"].astype(np.float64)),
            efficiency=efficiency,
            uniformity=uniformity,
            iterations=int(told["state"][HELD]) + self._free,
            lowest=lowest,
        )
