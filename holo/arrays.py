"""The one door to the array machinery: compiled kernels and threads on the processor's cores, and a GPU.

Nothing else in holo imports numba or cupy, so that another back end needs changes here only.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any, TypeVar, cast

import numba
import numpy as np
from llvmlite import binding
from numba.core.caching import FunctionCache
from numpy.typing import NDArray

from holo.errors import InputError

ComplexArray = NDArray[np.complex64]
Function = TypeVar("Function", bound=Callable[..., Any])
Task = TypeVar("Task")

THREADS = "HOLO_THREADS"
"""Environment variable: most threads that one process is to use, for machines that are shared."""


def kernel(function: Function) -> Function:
    """Compile a loop over arrays to machine code; it runs without the interpreter lock and is kept on disk, if it can be."""
    return _compiled(function)


def quick_kernel(function: Function) -> Function:
    """Compile as `kernel` does, but a division by 0 gives inf or nan, as in numpy: without that check loops become vector instructions."""
    return _compiled(function, error_model="numpy")


def _compiled(function: Function, **options: Any) -> Function:
    made = numba.njit(nogil=True, fastmath={"contract", "arcp", "nsz"}, **options)(function)
    with suppress(RuntimeError, UnicodeError):  # no folder can be written, or named: every process compiles for itself
        made._cache = _Kept(function)
    return cast(Function, made)


_Cache: Any = FunctionCache  # typed in parts, and in some versions only


class _Kept(_Cache):  # type: ignore[misc]
    """Machine code of a kernel on disk; a disk that is full, or has damaged files, costs the time to compile and nothing else."""

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Give what is kept, or None."""
        try:
            return super().load_overload(sig, target_context)
        except Exception:  # whatever unpickling a damaged file may raise
            with suppress(OSError):
                self.flush()
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep machine code, if that is possible."""
        try:
            super().save_overload(sig, data)
        except OSError:
            self._cache_path = None

    def _index_key(self, sig: Any, codegen: Any) -> Any:
        """Tell machine code by the kernels it was made with, too: they may be of other files, which numba does not look at."""
        return (*super()._index_key(sig, codegen), _codes(self._py_func))


def _codes(function: Any) -> tuple[Any, ...]:
    """What makes up a kernel and the kernels that it calls: instructions and constants."""
    code = function.__code__
    constants = tuple(repr(value) for value in code.co_consts if not isinstance(value, CodeType))
    called = [vars(found)["py_func"] for name in code.co_names if hasattr(found := function.__globals__.get(name), "py_func")]
    return code.co_code, constants, *map(_codes, called)


def core_count() -> int:
    """Number of processor cores this process may use, or fewer where the environment variable HOLO_THREADS says so.

    Raises
    ------
    InputError
        If that variable is no whole number above 0.

    Examples
    --------
    >>> core_count() >= 1
    True
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    wanted = os.environ.get(THREADS) or str(cores)
    if not (wanted.isascii() and wanted.isdigit() and len(wanted) < 6 and int(wanted)):
        raise InputError(f"{THREADS}: found {wanted[:80]!r}; allowed: a whole number from 1 to 99999, or nothing")
    return min(cores, int(wanted))


def fast_length(least: int) -> int:
    """Smallest even length from `least` up at which the Fourier transform is quick: a power of two times 1, 3, 5, 9 or 15.

    Examples
    --------
    >>> fast_length(1250), fast_length(7)
    (1280, 8)
    """
    powers = range(1, max(least, 2).bit_length() + 1)
    return min(factor << power for factor in (1, 3, 5, 9, 15) for power in powers if factor << power >= least)


@cache
def processor() -> str:
    """Name and abilities of the processor, as far as they decide which machine code runs on it."""
    return f"{binding.get_host_cpu_name()} {binding.get_host_cpu_features().flatten()}"


class Workers:
    """A few threads that share out independent pieces of work.

    Parameters
    ----------
    count : int
        Number of threads, the caller's own among them; with 1 it does everything itself.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool = ThreadPoolExecutor(count - 1) if count > 1 else None

    def share(self, work: Callable[[int, Task], None], tasks: Iterable[Task]) -> None:
        """Call ``work(worker, task)`` for every task, `worker` being 0 .. count - 1; returns when all are done.

        Tasks must write to separate places: which thread takes which task is left to chance.
        """
        if self._pool is None:
            for task in tasks:
                work(0, task)
            return
        queue, lock = iter(tasks), threading.Lock()

        def run(worker: int) -> None:
            while True:
                with lock:
                    task = next(queue, None)
                if task is None:
                    return
                work(worker, task)

        futures = [self._pool.submit(run, worker) for worker in range(1, self.count)]
        try:
            run(0)
            for future in futures:
                future.result()
        finally:
            wait(futures)  # after a KeyboardInterrupt nobody may still write to the caller's arrays


def kernels_are_compiled(module: ModuleType) -> bool:
    """Tell whether an earlier run left machine code of the kernels of a module on disk; else its first call compiles for seconds."""
    kernels = _kernels(module)
    indices = [f"*.{found.__name__}-{found.py_func.__code__.co_firstlineno}.*.nbi" for found in kernels]
    return any(any(folder.glob(index)) for found, index in zip(kernels, indices, strict=True) for folder in _folders(found))


def kernels_are_kept(module: ModuleType) -> bool:
    """Tell whether the machine code of a module's kernels is kept for later runs: not where no folder can be written."""
    return all(map(_folders, _kernels(module)))


def unkept_kernels() -> list[str]:
    """Names of the kernels that this process has compiled and could not keep: no folder can be written, or the disk is full.

    Examples
    --------
    >>> unkept_kernels()
    []
    """
    modules = [module for name, module in [*sys.modules.items()] if name.startswith("holo.")]
    return sorted({found.__name__ for module in modules for found in _kernels(module) if found.overloads and not _folders(found)})


def _kernels(module: ModuleType) -> list[Any]:
    return [found for found in vars(module).values() if hasattr(found, "py_func")]


def _folders(kernel: Any) -> list[Path]:
    """Where machine code is kept: one folder, or none."""
    return [Path(folder) for folder in [kernel.stats.cache_path] if folder]


# ---------------------------------------------------------------------------------------------------------------------
# the GPU


DEVICES = ("cpu", "gpu", "auto")
"""What may be asked for: the processor's cores, an NVIDIA GPU, or the GPU if there is one."""


@dataclass(frozen=True)
class Device:
    """Where an engine keeps its arrays.

    Attributes
    ----------
    name : str
        cpu or gpu.
    note : str
        Why it is not the GPU that was asked for, for the user to read; empty if it is what was asked for.
    """

    name: str
    note: str = ""

    @property
    def is_gpu(self) -> bool:
        """Whether the arrays are those of cupy."""
        return self.name == "gpu"


CPU = Device("cpu")


def find_device(name: str) -> Device:
    """Find the device that is asked for, or the CPU, with the reason, where there is no GPU.

    Parameters
    ----------
    name : str
        One of `DEVICES`. Only gpu is worth a note where there is none.

    Raises
    ------
    InputError
        If it is none of these.

    Examples
    --------
    >>> find_device("cpu")
    Device(name='cpu', note='')
    """
    if name not in DEVICES:
        raise InputError(f"device: found {name!r}; allowed: {', '.join(DEVICES)}")
    missing = "" if name == "cpu" else _missing_gpu()
    if name == "cpu" or missing:
        return Device("cpu", f"device gpu: {missing}; the CPU goes on" if name == "gpu" else "")
    return Device("gpu")


def _missing_gpu() -> str:
    """What stands between this process and a GPU; empty if nothing does."""
    try:
        import cupy
    except ImportError as error:
        return f"cupy cannot be imported ({error}): pip install 'holo[gpu]'"
    try:
        count = cupy.cuda.runtime.getDeviceCount()
    except cupy.cuda.runtime.CUDARuntimeError as error:
        return f"found no NVIDIA GPU ({error})"
    return "" if count else "found no NVIDIA GPU"


def namespace(array: Any) -> Any:
    """Give the module whose functions take an array: cupy if it lies on a GPU, else numpy.

    Examples
    --------
    >>> namespace(np.zeros(3)).__name__
    'numpy'
    """
    return sys.modules["cupy"] if type(array).__module__.partition(".")[0] == "cupy" else np


def to_device(array: Any, device: Device) -> Any:
    """Give an array as one of the device's own; what is there already is not copied."""
    if not device.is_gpu:
        return np.asarray(array)
    import cupy

    return cupy.asarray(array)


def to_host(array: Any) -> NDArray[Any]:
    """Give an array as one of numpy's: waits for the device if it lies on one."""
    return np.asarray(array if namespace(array) is np else array.get())


GPU_THREADS = 256
"""Threads of a block, in kernels that work together on a sum."""

BLOCK_SUM = f"""
#define THREADS {GPU_THREADS}
__device__ double block_sum(double value) {{
    __shared__ double shared[THREADS];
    shared[threadIdx.x] = value;
    __syncthreads();
    for (int half = blockDim.x / 2; half > 0; half /= 2) {{
        if (threadIdx.x < half) shared[threadIdx.x] += shared[threadIdx.x + half];
        __syncthreads();
    }}
    const double total = shared[0];
    __syncthreads();
    return total;
}}
"""
"""For the source of kernels: adds up a number over the threads of a block, always in the same order; their number is a power of two."""


def gpu_kernel(source: str, name: str, shared_bytes: int = 0) -> Callable[..., None]:
    """Give a CUDA kernel, compiled from C++; it is called with the shapes of grid and block and a tuple of arguments.

    Parameters
    ----------
    source : str
    name : str
        Declared as ``extern "C"``.
    shared_bytes : int
        Most shared memory that its launches take, where that is more than the 48 KiB that every kernel may have.
    """
    return _gpu_kernel(sys.modules["cupy"], source, name, shared_bytes)


@cache
def _gpu_kernel(cupy: Any, source: str, name: str, shared_bytes: int) -> Callable[..., None]:
    found = _gpu_module(cupy, source).get_function(name)
    if shared_bytes:
        found.max_dynamic_shared_size_bytes = shared_bytes
    return cast(Callable[..., None], found)


@cache
def _gpu_module(cupy: Any, source: str) -> Any:
    return cupy.RawModule(code=source, options=("-std=c++17",))


def gpu_empty(shape: int | tuple[int, ...], dtype: Any) -> Any:
    """Uninitialised array in the memory of the GPU."""
    import cupy

    return cupy.empty(shape, dtype)


class Repeated:
    """Work on the GPU that is asked for again and again: kept as a graph, which is launched as one.

    Parameters
    ----------
    work : callable
        Asks for kernels, always the same ones with the same arguments, and waits for nothing. The first time it is simply called, so that
        whatever must be compiled is; the second time its kernels are recorded.
    """

    def __init__(self, work: Callable[[], None]) -> None:
        self._work, self._called = work, False
        self._launch: Callable[[], None] | None = None

    def __call__(self) -> None:
        """Ask for the work once more."""
        if not self._called:
            self._called = True
            self._work()
            return
        if self._launch is None:
            self._launch = _recorded(self._work)
        self._launch()


class Outbox:
    """Arrays of the GPU that are brought to the host while the GPU goes on with what comes next.

    Parameters
    ----------
    arrays : dict of device arrays
        What is to be brought, by name.

    Notes
    -----
    The arrays are copied where they are, and from there, beside the other work, to memory of the host that stays in its place.
    """

    def __init__(self, arrays: dict[str, Any]) -> None:
        import cupy

        self._arrays = arrays
        self._staged = {name: cupy.empty_like(array) for name, array in arrays.items()}
        self._pinned = {name: _pinned(array.shape, array.dtype) for name, array in arrays.items()}
        self._beside = cupy.cuda.Stream(non_blocking=True)
        self._staging_done, self._copying_done = (cupy.cuda.Event(disable_timing=True) for _ in range(2))
        self._copying_done.record(self._beside)

    def stage(self) -> None:
        """Ask for the copies on the device; may be part of work that is `Repeated`."""
        for name, array in self._arrays.items():
            self._staged[name][...] = array

    def wait(self) -> None:
        """Let the device not stage anything before what was staged last is on its way."""
        import cupy

        cupy.cuda.get_current_stream().wait_event(self._copying_done)

    def post(self) -> None:
        """Ask for the copies to the host, once all that was asked for until now is done."""
        import cupy

        self._staging_done.record(cupy.cuda.get_current_stream())
        self._beside.wait_event(self._staging_done)
        for name, array in self._staged.items():
            kind = cupy.cuda.runtime.memcpyDeviceToHost
            cupy.cuda.runtime.memcpyAsync(self._pinned[name].ctypes.data, array.data.ptr, array.nbytes, kind, self._beside.ptr)
        self._copying_done.record(self._beside)

    def take(self) -> dict[str, NDArray[Any]]:
        """Wait for what was posted, and give copies of it."""
        self._copying_done.synchronize()
        return {name: array.copy() for name, array in self._pinned.items()}


def _pinned(shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
    """Array in memory of the host that the GPU writes to directly."""
    import cupy

    count = int(np.prod(shape))
    memory = cupy.cuda.alloc_pinned_memory(max(count, 1) * np.dtype(dtype).itemsize)
    return np.frombuffer(memory, dtype, count).reshape(shape)


def _recorded(work: Callable[[], None]) -> Callable[[], None]:
    import cupy

    stream = cupy.cuda.Stream(non_blocking=True)
    with stream:
        stream.begin_capture()
        try:
            work()
        finally:
            graph = stream.end_capture()
    return cast(Callable[[], None], graph.launch)
