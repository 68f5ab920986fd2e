"""The iterations of `holo.retrieve.spots` on a GPU: from the first to the last of a stage nothing leaves the device.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import Repeated, gpu_empty, gpu_kernel, to_device, to_host
from holo.field.device import GPU, DeviceTransform, address, cuda_source
from holo.field.grid import WIDTH

Real = NDArray[np.float64]

THREADS, DEPTH = 512, 6
"""Threads of the one block that sees to the sites, and points that Anderson's method keeps; as in level.cu."""

TOGETHER = 8
"""Iterations that are launched as one; the end of a stage is looked for after so many."""

ROOM = 4096
"""Iterations whose figures are kept on the device."""

COUNT, HELD, DONE, BETTER, DARK, TICKET = range(6)
"""Places in the state of level.cu."""

MIX, VALUES = 3 + DEPTH, 9 + DEPTH
"""Place of Anderson's shares among its scalars, and number of values that its blocks sum up."""

ARRAYS = "weight phase best points steps fields values pull goal factor unit most pace partial scalar inner history least result state"
SEARCH = np.dtype([(name, np.uint64) for name in ARRAYS.split()] + [(name, np.int32) for name in ("n", "bright", "room", "padding")])
"""Structure `Search` of level.cu."""


@dataclass(frozen=True, eq=False)
class Found:
    """Where a stage ended.

    Attributes
    ----------
    weights, phases : ndarray, shape (bright,)
        Of the waves, the weights of mean 1.
    moduli : ndarray, shape (bright,)
        Of the fields at the bright sites when last looked at.
    efficiency, uniformity, spread, bound, crosstalk : float
        At the best level; `bound` as `_Stage.bound` of `holo.retrieve.spots`.
    history : ndarray, shape (iterations, 3)
        Efficiency, uniformity and crosstalk of each iteration.
    dark : bool
        Whether some site got no light.
    """

    weights: Real
    phases: Real
    moduli: Real
    efficiency: float
    uniformity: float
    spread: float
    bound: float
    crosstalk: float
    history: Real
    dark: bool


class DeviceLoop:
    """The numbers of a search in the memory of a GPU, and the stages that change them.

    Parameters
    ----------
    transform : DeviceTransform
        Its bright points come first.
    goal : ndarray, shape (bright,)
        Wanted moduli of the fields at the bright points.
    full : float
        Sum of the beam's amplitude.
    """

    def __init__(self, transform: DeviceTransform, goal: Real, full: float) -> None:
        self.transform, self.full = transform, np.float64(full)
        count, bright = transform.count, len(goal)
        self.bright = bright
        self.source = transform.source + cuda_source("level.cu", "holo.retrieve")
        threads, blocks = transform.gatherers()
        self._gatherers = (threads, blocks)
        shapes = {
            **dict.fromkeys(("weight", "phase", "best"), (bright, np.float32)),
            **dict.fromkeys(("points", "steps"), ((DEPTH, bright), np.float32)),
            "pull": (count, np.complex64),
            "pace": (2, np.float32),
            "partial": ((VALUES, blocks[0]), np.float64),
            "scalar": (MIX + DEPTH, np.float64),
            "inner": ((DEPTH, DEPTH), np.float64),
            "history": ((ROOM, 3), np.float64),
            "least": (ROOM, np.float64),
            "result": (5, np.float64),
            "state": (TICKET + 1, np.int32),
        }
        arrays = {name: gpu_empty(*shape) for name, shape in shapes.items()}
        arrays["goal"] = to_device(np.concatenate([goal, np.zeros(count - bright)]).astype(np.float32), GPU)
        arrays |= {"fields": transform.fields, "values": transform.values, "factor": transform.factor}
        arrays |= {"unit": transform.unit_step, "most": transform.most}
        self.arrays = arrays
        self.done, self._better = (arrays["state"][place : place + 1] for place in (DONE, BETTER))
        self.search = np.array((*(address(arrays[name]) for name in ARRAYS.split()), count, bright, ROOM, 0), SEARCH)
        self._free = {count: Repeated(partial(self.ask_free, count)) for count in (1, TOGETHER)}

    def run(self, name: str, blocks: tuple[int], threads: tuple[int], *arguments: Any, shared: int = 0) -> None:
        """Run a kernel of level.cu.

        Parameters
        ----------
        name : str
            As declared there.
        blocks, threads : (int)
            Shape of the grid, and of a block of it.
        arguments : object
            As the kernel declares them.
        shared : int
            Bytes of shared memory.
        """
        gpu_kernel(self.source, name)(blocks, threads, arguments, shared_mem=shared)

    def each(self, name: str, *arguments: Any) -> None:
        """Run a kernel of level.cu with a thread for each site.

        Parameters
        ----------
        name : str
            As declared there.
        arguments : object
            As the kernel declares them.
        """
        self.run(name, (-(-self.transform.count // 128),), (128,), *arguments)

    # ---------------------------------------------------------------------------------------------------------------------
    # stages

    def put(self, weights: Real, phases: Real) -> None:
        """Give the waves new weights and phases.

        Parameters
        ----------
        weights : ndarray, shape (n,)
            Above 0.
        phases : ndarray, shape (n,)
            rad.
        """
        logarithm = np.log(weights)
        self.arrays["weight"].set((logarithm - logarithm.max()).astype(np.float32))
        self.arrays["phase"].set(phases.astype(np.float32))
        self.arrays["scalar"].fill(0)
        self.arrays["state"].fill(0)

    def pace(self, gain: float, lead: float) -> None:
        """Set the exponent of the weight update, and how many times as far as the light the phases go.

        Parameters
        ----------
        gain, lead : float
        """
        self.arrays["pace"].set(np.array([gain, lead], np.float32))

    def free(self, count: int, gain: float, lead: float = 1.0) -> None:
        """Iterate with phases that follow the light.

        Parameters
        ----------
        count : int
            Iterations.
        gain, lead : float
            See `pace`.
        """
        self.pace(gain, lead)
        for _ in range(count // TOGETHER):
            self._free[TOGETHER]()
        for _ in range(count % TOGETHER):
            self._free[1]()

    def spread(self, hold: bool = False) -> None:
        """Put the present superposition onto the bands.

        Parameters
        ----------
        hold : bool
            Whether to do nothing once the stage has ended.
        """
        transform = self.transform
        blocks = (-(-self.bright * WIDTH // 128),)
        self.run("spread_search", blocks, (128,), self.search, transform.places, transform.cells, np.int32(hold))
        transform.rows_out(self.done if hold else None)

    def iterate(self, hold: bool, uniformity: float = 1.0, limit: int = 0, patient: bool = False) -> None:
        """Ask for an iteration; with the phases held it does nothing once the stage has ended.

        Parameters
        ----------
        hold : bool
            Whether the phases of the sites are held.
        uniformity, limit : float and int
            Where a stage with phases held ends: figure, and number of iterations.
        patient : bool
            Whether it also ends where it no longer helps.
        """
        transform, done = self.transform, self.done if hold else None
        self.spread(hold)
        transform.columns("replace", transform.light, done)
        transform.rows_in(done)
        threads, blocks = self._gatherers
        numbers = (self.full, np.int32(hold), np.float64(uniformity), np.int32(limit), np.int32(patient))
        self.run("gather_search", blocks, threads, transform.back, transform.places, self.search, *numbers, shared=8 * threads[0])

    def ask_free(self, count: int) -> None:
        """Ask for iterations with free phases, as set by `pace`.

        Parameters
        ----------
        count : int
            Iterations.
        """
        for _ in range(count):
            self.iterate(False)

    def ask_hold(self, count: int, uniformity: float, limit: int, patient: bool) -> None:
        """Ask for iterations with the phases held.

        Parameters
        ----------
        count : int
            Iterations.
        uniformity, limit, patient : float, int and bool
            See `iterate`.
        """
        for _ in range(count):
            self.iterate(True, uniformity, limit, patient)

    def hold(self, uniformity: float, limit: int, patient: bool = True) -> None:
        """Level the sites with their phases held, until that is good enough or no longer helps.

        Parameters
        ----------
        uniformity : float
            That is good enough.
        limit : int
            Most iterations.
        patient : bool
            Whether to end where it no longer helps.
        """
        limit = min(limit, ROOM)
        self.begin()
        step = Repeated(lambda: self.ask_hold(TOGETHER // 2, uniformity, limit, patient))
        for _ in range(-(-limit // (TOGETHER // 2))):
            step()
            if self.ended():
                break
        self.settle()

    def settle(self) -> None:
        """Take the best weights of a stage with the phases held."""
        self.each("settle", self.search)

    def begin(self) -> None:
        """Start to count the iterations of a stage that ends by itself."""
        self.run("start_hold", (1,), (1,), self.arrays["state"])

    def ended(self) -> bool:
        """Whether such a stage has ended; waits for the device.

        Returns
        -------
        bool
        """
        return bool(to_host(self.arrays["state"])[DONE])

    def turn(self, unit: Any, best: Any, uniformity: float, darkness: float, limit: int, scale: float, momentum: float) -> None:
        """Turn the pixels until sites are level and dark; the best phase factors end up in `best`.

        Parameters
        ----------
        unit, best : device arrays of complex64, in the shape of the plan's part of the panel
            Phase factors, as `columns_unit` of sites.cu gives them.
        uniformity, darkness : float
            Where to stop.
        limit : int
            Most turns.
        scale, momentum : float
            Of the pull, see `holo.retrieve.spots`.
        """
        limit = min(limit, ROOM)
        transform, light = self.transform, self.transform.light
        numbers = (np.float64(uniformity), np.float64(darkness), np.int32(limit), np.float32(scale), np.float32(momentum))
        self.begin()
        self.arrays["pull"].fill(0)
        self.run("update_turn", (1,), (THREADS,), self.search, self.full, *numbers)

        def ask() -> None:
            for _ in range(TOGETHER):
                transform.spread(self.done)
                transform.columns("turn", light, unit, best, self._better, self.done)
                transform.gather(self.done)
                self.run("update_turn", (1,), (THREADS,), self.search, self.full, *numbers)

        step = Repeated(ask)
        while not self.ended():
            step()
        if bool(to_host(self.arrays["state"])[BETTER]):
            best[...] = unit

    def load(self, values: NDArray[np.complexfloating[Any, Any]]) -> None:
        """Take any values for the next `DeviceTransform.spread`.

        Parameters
        ----------
        values : ndarray of complex, shape (n,)
            Of bright sites and dark ones.
        """
        self.transform.values.set(np.asarray(values, np.complex64))
        self.run("prepare_values", (1,), (THREADS,), self.search)

    def measure(self) -> None:
        """Look once more at what the present superposition gives."""
        self.pace(0, 0)
        self.iterate(False)

    def found(self) -> Found:
        """Bring the numbers to the host; waits for the device.

        Returns
        -------
        Found
        """
        state, result = to_host(self.arrays["state"]), to_host(self.arrays["result"])
        weights = np.exp(to_host(self.arrays["weight"]).astype(np.float64))
        efficiency, uniformity, spread, bound, crosstalk = (float(value) for value in result)
        return Found(
            weights=weights / weights.mean(),
            phases=to_host(self.arrays["phase"]).astype(np.float64),
            moduli=np.abs(to_host(self.transform.fields)[: self.bright]).astype(np.float64),
            efficiency=efficiency,
            uniformity=uniformity,
            spread=spread,
            bound=bound,
            crosstalk=crosstalk,
            history=to_host(self.arrays["history"][: min(int(state[COUNT]), ROOM)]),
            dark=bool(state[DARK]),
        )
