"""Light from the panel to arbitrary points of the objective plane, and back, on a GPU: the plan of `holo.field.sites` in CUDA.

Everything stays in the device's memory and in the order in which it is asked for; nothing here waits for the device but what says so.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import Device, gpu_empty, gpu_kernel, to_device, to_host
from holo.errors import InputError
from holo.field import grid
from holo.field.grid import SHARPNESS, WIDTH
from holo.field.path import LightPath, wrap
from holo.field.sites import pupil_box

GPU = Device("gpu")

SHARED_BYTES = 220 * 1024
"""Shared memory that a block may take."""

BLOCK, RADIX = 640, 8
"""Most threads of a block, and longest transform in registers: both from what the registers of a multiprocessor hold."""

LINES_DOWN, BLOCK_ACROSS = 4, 256
"""Columns of the grid that a block takes: 32 bytes, which memory gives at a time; and threads that share rows."""

GATHERED, MANY = (32, 64), 32768
"""Points that a block gathers where they are few and where they are many, and how many are many."""

PLACES = np.dtype([(name, np.uint64) for name in ("row", "column", "down", "across", "factor")])
BAND = np.dtype([("lines", np.uint64), ("defocus", np.uint64), ("turn", np.uint64), ("rows", np.int32), ("planes", np.int32)])
"""Structures of sites.cu."""


def radices(length: int) -> tuple[int, ...]:
    """Factors of a length of the Fourier grid, each of a transform in registers, largest first but for those of 3 and 5, which come last.

    Parameters
    ----------
    length : int
        With no factors but 2, 3 and 5.

    Returns
    -------
    tuple of int

    Examples
    --------
    >>> radices(1280), radices(96)
    ((8, 8, 4, 5), (8, 4, 3))
    """
    odd = []
    for factor in (3, 5):
        while length % factor == 0:
            odd.append(factor)
            length //= factor
    even: list[int] = []
    while length > 1:
        even.append(min(length, RADIX))
        length //= even[-1]
    return (*even, *odd)


def line_bytes(length: int) -> int:
    """Shared memory of a line of the grid (`Line` of sites.cu).

    Parameters
    ----------
    length : int
        Points of the line.

    Returns
    -------
    int
    """
    return 8 * ((length + length // 16) // 16 * 16 + 20)


@dataclass(frozen=True)
class _Lines:
    """How blocks of threads take the lines of the grid along one axis."""

    length: int
    threads: int
    """For a line."""
    lines: int
    """In a block."""

    @property
    def shape(self) -> tuple[int]:
        return (self.threads * self.lines,)

    @property
    def shared(self) -> int:
        return self.lines * line_bytes(self.length)

    def blocks(self, count: int) -> tuple[int]:
        return (-(-count // self.lines),)


def _lines(length: int, wanted: int) -> _Lines:
    """As many lines in a block as are wanted and fit: more threads than `BLOCK` would have too few registers each."""
    threads = length // radices(length)[0]
    while threads > BLOCK:
        threads = -(-threads // 2)
    lines = max(1, min(wanted, BLOCK // threads, SHARED_BYTES // line_bytes(length)))
    if lines * line_bytes(length) > SHARED_BYTES:
        raise InputError(f"panel: found a Fourier grid {length} long; allowed on a GPU: {SHARED_BYTES // 9} at most; use device cpu")
    return _Lines(length, threads, 1 << (lines.bit_length() - 1))


class DeviceTransform:
    """A plan for the light between one panel and sets of points, on a GPU.

    Parameters
    ----------
    path : LightPath
        The light path.
    xyz_um : ndarray, shape (n, 3) or (frames, n, 3)
        Points in the objective plane, um; in several sets, of which one counts at a time (`place`). Points of equal z in the first set
        share a plane, in which they stay.
    whole_panel : bool
        Whether the pixels outside the pupil, which carry no light, take part too.
    level : dtype
        Type of the panel's levels.

    Notes
    -----
    As `holo.field.sites.SiteTransform`, in the same numbers but for rounding: the kernel is 9 wide, the grid holds integers of 32 bits
    scaled to the largest value, and sums are taken in an order that does not depend on the order of the threads. A whole iteration,
    `project`, takes four kernels: points to grid; rows to the panel; columns to the panel, the beam's modulus, and back; rows back; and
    points from the grid.

    Raises
    ------
    InputError
        If the grid is too long for the device.
    """

    def __init__(
        self,
        path: LightPath,
        xyz_um: NDArray[np.floating[Any]],
        *,
        whole_panel: bool = False,
        level: type[np.unsignedinteger[Any]] = np.uint8,
    ) -> None:
        self.path = path
        everything = (slice(0, len(path.y_um)), slice(0, len(path.x_um)))
        self.box = everything if whole_panel else pupil_box(path)
        self.covers_panel = self.box == everything
        y, x = path.y_um[self.box[0]], path.x_um[self.box[1]]
        self.size = (len(y), len(x))
        self.grid = (grid.grid_length(len(y)), grid.grid_length(len(x)))
        self._down, self._across = (
            _lines(self.grid[0], LINES_DOWN),
            _lines(self.grid[1], max(1, BLOCK_ACROSS // _lines(self.grid[1], 1).threads)),
        )
        self._panel(x, y)
        self.level = level
        self._take(xyz_um)

    def moved(self, xyz_um: NDArray[np.floating[Any]]) -> DeviceTransform:
        """The plan for other points, of any number, made from this one in a fraction of the time; each has memory of its own.

        Parameters
        ----------
        xyz_um : ndarray, shape (n, 3)
            (x, y, z), um.

        Returns
        -------
        DeviceTransform
        """
        other = copy(self)
        other._take(xyz_um)
        return other

    # ---------------------------------------------------------------------------------------------------------------------
    # set-up

    def _panel(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """What does not depend on the points."""
        self._scales = (self._per_um(x, self.grid[1]), self._per_um(y, self.grid[0]))
        self._turns = (self.path.scale * float(x[len(x) // 2]), self.path.scale * float(y[len(y) // 2]))
        down = grid.axis(np.zeros(1), y, self.path.scale, self.grid[0], WIDTH, shift=False)
        across = grid.axis(np.zeros(1), x, self.path.scale, self.grid[1], WIDTH, shift=False)
        self._first = (down.first, across.first)
        self.correction = down.correction[:, None] * across.correction
        light = (self.path.amplitude[self.box] * self.correction).astype(np.float32)
        self.light = to_device(np.ascontiguousarray(light.T), GPU)
        self._turn = [to_device(np.exp(2j * np.pi * np.arange(length) / length).astype(np.complex64), GPU) for length in self.grid]
        self._depths, self._defocus = np.zeros(0), None

    def _take(self, xyz_um: NDArray[np.floating[Any]]) -> None:
        """Points: planes, the common shift of the rows, the length of the band that they fill, and the memory for them."""
        points = np.asarray(xyz_um, np.float64)
        sets = points if points.ndim == 3 else points[None]
        self.count = sets.shape[1]
        across, down = sets[..., 0] * self._scales[0], sets[..., 1] * self._scales[1]
        if max(abs(across).max(), abs(down).max()) > 1e6:
            raise InputError(f"sites: found one {np.abs(sets[..., :2]).max():.3g} um from the axis; allowed: inside the field")
        shift = float(np.floor(down.min()) - WIDTH // 2)
        self._moved = shift
        self.rows = int(np.ceil(down.max() - shift - WIDTH / 2)) + WIDTH
        self.ramp = 2 * np.pi * shift * (np.arange(self.size[0]) - self.size[0] // 2) / self.grid[0]
        depths, plane = np.unique(sets[0, :, 2], return_inverse=True)
        self._plane = to_device(plane.reshape(-1).astype(np.int32), GPU)
        if not np.array_equal(depths, self._depths):
            self._refocus(depths)
        self.xyz = to_device(sets, GPU)
        self._reserve()
        self.place()

    def _per_um(self, pixels: NDArray[np.float64], length: int) -> float:
        """Grid points per um."""
        pitch = float(pixels[1] - pixels[0]) if len(pixels) > 1 else 1.0
        return self.path.scale * pitch * length / (2 * np.pi)

    def _refocus(self, depths: NDArray[np.float64]) -> None:
        """What the depth of each plane does to the light of each pixel, and the source of the kernels."""
        self._depths = depths
        focused = len(depths) == 1 and depths[0] == 0
        defocus = self.path.defocus[self.box]
        self._defocus = None if focused else to_device(np.array([np.exp(-1j * defocus * depth) for depth in depths], np.complex64), GPU)
        down, across = radices(self.grid[0]), radices(self.grid[1])
        chosen = {
            "ROWS": self.size[0],
            "COLUMNS": self.size[1],
            "GRID_ROWS": self.grid[0],
            "GRID_COLUMNS": self.grid[1],
            "FIRST_ROW": self._first[0],
            "FIRST_COLUMN": self._first[1],
            "WIDTH": WIDTH,
            "SHARPNESS": repr(float(SHARPNESS)),
            "FOCUSED": int(focused),
            "LEVEL": "unsigned char" if self.level is np.uint8 else "unsigned short",
            "DOWN": ",".join(map(str, down)),
            "DOWN_BACK": ",".join(map(str, down[::-1])),
            "ACROSS": ",".join(map(str, across)),
            "ACROSS_BACK": ",".join(map(str, across[::-1])),
            "DOWN_THREADS": self._down.threads,
            "DOWN_LINES": self._down.lines,
            "DOWN_BLOCKS": BLOCK // self._down.shape[0],
            "ACROSS_THREADS": self._across.threads,
            "ACROSS_LINES": self._across.lines,
        }
        chosen_here = "".join(f"#define {name} {value}\n" for name, value in chosen.items())
        self.source = chosen_here + cuda_source("complex.cu") + cuda_source("sites.cu")

    def _reserve(self) -> None:
        """Memory of the device: points, grid, bands."""
        count, planes = self.count, len(self._depths)
        self._row, self._column = gpu_empty(count, np.int32), gpu_empty(count, np.int32)
        self._weights = gpu_empty((2, count, WIDTH), np.float32)
        self.factor = gpu_empty(count, np.complex64)
        self._crowd = gpu_empty((self.rows * planes // 16 + 1) * (self.grid[1] // 16 + 1), np.int32)
        self.most, self.unit_step = gpu_empty(1, np.int32), gpu_empty(1, np.float32)
        self.cells = gpu_empty((self.rows * planes, self.grid[1]), np.int64)
        self.cells.fill(0)
        self._band = gpu_empty((planes, self.rows, self.size[1]), np.complex64)
        self.back = gpu_empty((planes * self.rows, self.grid[1]), np.complex64)
        self.values, self.fields = gpu_empty(count, np.complex64), gpu_empty(count, np.complex64)
        weights = (self._weights[0], self._weights[1])
        self.places = np.array(tuple(address(array) for array in (self._row, self._column, *weights, self.factor)), PLACES)
        bands = (address(self._band), address(self._defocus), address(self._turn[0]), self.rows, planes)
        self._lines = np.array(bands, BAND)

    # ---------------------------------------------------------------------------------------------------------------------
    # steps, in the order in which they are asked for

    def kernel(self, name: str, blocks: tuple[int, ...], threads: tuple[int, ...], *arguments: Any, shared: int = 0) -> None:
        """Run a kernel of sites.cu.

        Parameters
        ----------
        name : str
            As declared there.
        blocks, threads : tuple of int
            Shape of the grid, and of a block of it.
        arguments : object
            As the kernel declares them; arrays of the device, numbers of numpy.
        shared : int
            Bytes of shared memory.
        """
        gpu_kernel(self.source, name, SHARED_BYTES if shared > 48 * 1024 else 0)(blocks, threads, arguments, shared_mem=shared)

    def place(self, frame: Any = None, share: float = 1.0) -> None:
        """Find where the points lie on the grid.

        Parameters
        ----------
        frame : device array of int32, shape (1,), optional
            Number of the set that counts, 1 or more if `share` is not 1; by default the first one.
        share : float
            How far the points have come on their way from the set before.
        """
        self._crowd.fill(0)
        self.most.fill(0)
        places = (self._row, self._column, self._weights[0], self._weights[1], self.factor, self._crowd, self.most)
        numbers = (np.float64(share), self._plane, np.int32(self.count), np.int32(self.rows))
        scales = (np.float64(value) for value in (*self._scales, self._moved, *self._turns))
        self.kernel("place", (-(-self.count // 64),), (64,), self.xyz, frame, *numbers, *scales, *places)

    def spread(self, done: Any = None) -> None:
        """From `values`, scaled by `unit_step`, to the bands.

        Parameters
        ----------
        done : array on the device, optional
            A flag: once it is set the kernels do nothing.
        """
        blocks = (-(-self.count * WIDTH // 128),)
        self.kernel("spread", blocks, (128,), self.values, self.places, np.int32(self.count), self.cells, done)
        self.rows_out(done)

    def rows_out(self, done: Any = None) -> None:
        """From the grid to the bands; leaves the grid empty.

        Parameters
        ----------
        done : array on the device, optional
            See `spread`.
        """
        self._rows("rows_out", self.cells, self.unit_step, self._band, done)

    def rows_in(self, done: Any = None) -> None:
        """From the bands to the grid of what comes back.

        Parameters
        ----------
        done : array on the device, optional
            See `spread`.
        """
        self._rows("rows_in", self._band, self.back, done)

    def _rows(self, name: str, *arguments: Any) -> None:
        *arrays, done = arguments
        count, lines = len(self.cells), self._across
        self.kernel(name, lines.blocks(count), lines.shape, *arrays, np.int32(count), self._turn[1], done, shared=lines.shared)

    def columns(self, name: str, *arguments: Any) -> None:
        """From the bands to the panel, and back where the operation says so.

        Parameters
        ----------
        name : str
            Of the operation on the panel: that of the kernel, without ``columns_``.
        arguments : object
            Of the operation.
        """
        lines = self._down
        self.kernel(f"columns_{name}", lines.blocks(self.size[1]), lines.shape, self._lines, *arguments, shared=lines.shared)

    def gather(self, done: Any = None) -> None:
        """From the bands to `fields`.

        Parameters
        ----------
        done : array on the device, optional
            See `spread`.
        """
        self.rows_in(done)
        shape, blocks = self.gatherers()
        self.kernel("gather", blocks, shape, self.back, self.places, np.int32(self.count), self.fields, done, shared=8 * shape[0])

    def gatherers(self) -> tuple[tuple[int], tuple[int]]:
        """Threads of a block that gathers fields, and number of blocks.

        Returns
        -------
        threads, blocks : tuple of int
        """
        sites = GATHERED[self.count > MANY]
        return (sites * WIDTH,), (-(-self.count // sites),)

    def replace(self, done: Any = None) -> None:
        """A whole iteration: from `values` to the fields of the mask that has the phase of their superposition.

        Parameters
        ----------
        done : array on the device, optional
            See `spread`.
        """
        self.spread(done)
        self.columns("replace", self.light, done)
        self.gather(done)

    # ---------------------------------------------------------------------------------------------------------------------
    # results

    def mask_phase(self, moved_um: tuple[float, float] = (0.0, 0.0)) -> NDArray[np.float32]:
        """Phase of the mask of the superposition that lies on the bands, as `SiteTransform.mask_phase`; waits for the device.

        Parameters
        ----------
        moved_um : (float, float)
            By which the light is moved, (x, y).

        Returns
        -------
        ndarray of float32, shape (rows, columns)
            In [0, 2 pi).
        """
        field = gpu_empty(self.size, np.complex64)
        self.columns("out", field)
        phase = np.zeros(self.path.amplitude.shape, np.float32)
        ramp = self.path.scale * moved_um[1] * self.path.y_um[self.box[0]] + self.ramp
        across = self.path.scale * moved_um[0] * self.path.x_um[self.box[1]]
        phase[self.box] = wrap(np.angle(to_host(field)) + ramp[:, None] + across - self.path.aberration[self.box])
        return phase

    def angle_between(self, before: NDArray[np.complex64], after: NDArray[np.complex64]) -> NDArray[np.float32]:
        """As `SiteTransform.angle_between`.

        Parameters
        ----------
        before, after : ndarray of complex64
            Phase factors, in the shape of the box.

        Returns
        -------
        ndarray of float32, shape (rows, columns)
            rad; 0 outside the box.
        """
        angle = np.zeros(self.path.amplitude.shape, np.float32)
        angle[self.box] = np.angle(after * before.conj())
        return angle


def address(array: Any) -> int:
    """Address of an array; 0 for none.

    Parameters
    ----------
    array : array on the device or None

    Returns
    -------
    int
    """
    return 0 if array is None else int(array.data.ptr)


def cuda_source(name: str, package: str = "holo.field") -> str:
    """Text of a file of kernels.

    Parameters
    ----------
    name : str
        Of the file.
    package : str
        Where it lies.

    Returns
    -------
    str
    """
    return (files(package) / name).read_text(encoding="utf-8")
