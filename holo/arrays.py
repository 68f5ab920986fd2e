"""The one door to the array machinery: compiled kernels, Fourier plans and threads on the processor's cores.

Nothing else in holo imports numba or pyfftw, so that another back end needs changes here only.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor, wait
from pathlib import Path
from types import ModuleType
from typing import Any, TypeVar, cast

import numba
import numpy as np
import pyfftw
from numpy.typing import NDArray

from holo.errors import InputError

ComplexArray = NDArray[np.complex64]
Function = TypeVar("Function", bound=Callable[..., Any])
Task = TypeVar("Task")

THREADS = "HOLO_THREADS"
"""Environment variable: most threads that one process is to use, for machines that are shared."""


def kernel(function: Function) -> Function:
    """Compile a loop over arrays to machine code; it runs without the interpreter lock and is cached on disk."""
    return cast(Function, numba.njit(nogil=True, cache=True, fastmath={"contract", "arcp", "nsz"})(function))


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


def empty_complex(shape: tuple[int, ...]) -> ComplexArray:
    """Uninitialised complex64 array, aligned for vector instructions."""
    return cast(ComplexArray, pyfftw.empty_aligned(shape, dtype="complex64"))


def fourier_pair(buffer: ComplexArray, axis: int) -> tuple[Callable[[], None], Callable[[], None]]:
    """In-place, unnormalised Fourier transforms of `buffer` along `axis`: (sign -1, sign +1).

    The plans are estimated, never timed: a timed plan may differ from run to run, and with it the last bits of a mask.
    """
    plans = [
        pyfftw.FFTW(buffer, buffer, axes=(axis,), direction=direction, flags=("FFTW_ESTIMATE",), threads=1)
        for direction in ("FFTW_FORWARD", "FFTW_BACKWARD")
    ]
    return plans[0].execute, plans[1].execute


class Workers:
    """A few threads that share out independent pieces of work.

    Parameters
    ----------
    count : int
        Number of threads; with 1 the caller does everything itself.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool = ThreadPoolExecutor(count) if count > 1 else None

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

        futures = [self._pool.submit(run, worker) for worker in range(self.count)]
        try:
            for future in futures:
                future.result()
        finally:
            wait(futures)  # after a KeyboardInterrupt nobody may still write to the caller's arrays


def kernels_are_compiled(module: ModuleType) -> bool:
    """Tell whether an earlier run left machine code of the kernels of a module on disk; else its first call compiles for seconds."""
    kernels = [found for found in vars(module).values() if hasattr(found, "py_func")]
    indices = [f"*.{found.__name__}-{found.py_func.__code__.co_firstlineno}.*.nbi" for found in kernels]
    return any(any(Path(found.stats.cache_path).glob(index)) for found, index in zip(kernels, indices, strict=True))
