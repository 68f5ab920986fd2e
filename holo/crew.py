"""Who makes the designs of a batch: processes on this machine, or the workers of a Dask cluster."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Protocol

from holo.arrays import THREADS
from holo.errors import ClusterError, InputError
from holo.worker import Made, Task, make

if TYPE_CHECKING:
    from distributed import Client, Future

LOOKED_AFTER_S = 2.0
"""How often a job looks whether the scheduler that it was given to is still there."""

_BLAS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


class Crew(Protocol):
    """Whoever makes designs, several at a time."""

    size: int
    """How many designs it makes at a time; a few more may be asked for, so that nobody waits for the next task."""

    def ask(self, task: Task) -> Made:
        """Have a design made, and wait for it; a worker that is lost is an error that may be tried again.

        Parameters
        ----------
        task : Task
            Inputs and options of one design.

        Returns
        -------
        Made
            What came of it; its `again` says whether another try may help.
        """

    def close(self) -> None:
        """Let all workers go, in the middle of their tasks too; who waits in `ask` gets an answer."""


class Processes:
    """Worker processes on this machine, each started when it is first needed, and again when it has died.

    Parameters
    ----------
    size : int
        How many.
    threads : int
        Threads of each of them.
    """

    def __init__(self, size: int, threads: int = 1) -> None:
        self.size = size
        self._environment = {**os.environ, **dict.fromkeys((THREADS, *_BLAS), str(threads))}
        above = str(Path(__file__).parent.parent)  # the same holo as this one, wherever it was imported from
        self._environment["PYTHONPATH"] = os.pathsep.join(filter(None, (above, os.environ.get("PYTHONPATH"))))
        self._idle: SimpleQueue[subprocess.Popen[bytes]] = SimpleQueue()
        self._all: list[subprocess.Popen[bytes]] = []
        self._lock, self._free = threading.Lock(), threading.Semaphore(size)
        self._closed = False

    def ask(self, task: Task) -> Made:
        """Have a design made by an idle process, or a new one; see `Crew`.

        Parameters
        ----------
        task : Task
            It goes to the process pickled, over a pipe.

        Returns
        -------
        Made
            With an error, to be tried again, if the process was lost.
        """
        with self._free:
            try:
                worker = self._idle.get_nowait()
            except Empty:
                worker = self._started()
            try:
                pickle.dump(task, worker.stdin, pickle.HIGHEST_PROTOCOL)  # type: ignore[arg-type]
                worker.stdin.flush()  # type: ignore[union-attr]
                made: Made = pickle.load(worker.stdout)  # type: ignore[arg-type]  # from the process that was started here
            except (OSError, EOFError, pickle.UnpicklingError, ValueError):
                return Made(error=f"its worker was lost: {_end(worker)}", again=True)
            self._idle.put(worker)
            return made

    def _started(self) -> subprocess.Popen[bytes]:
        with self._lock:
            if self._closed:
                raise OSError("the batch is over")
            worker = subprocess.Popen(
                [sys.executable, "-P", "-c", "from holo.worker import serve; serve()"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env=self._environment,
            )
            self._all.append(worker)
            return worker

    def close(self) -> None:
        """End all processes at once."""
        with self._lock:
            self._closed = True
            for worker in self._all:
                worker.kill()
            for worker in self._all:
                _end(worker)


def _end(worker: subprocess.Popen[bytes]) -> str:
    """How a process that does not answer has ended; one that lives on is ended."""
    try:
        code = worker.wait(5)
    except subprocess.TimeoutExpired:
        worker.kill()
        code = worker.wait()
    for pipe in (worker.stdin, worker.stdout):
        with suppress(OSError):  # what was still to be sent to it
            pipe.close()  # type: ignore[union-attr]
    return f"killed by signal {-code}, perhaps for want of memory" if code < 0 else f"ended with exit code {code}"


class Cluster:
    """The workers of a Dask cluster, which need holo in the same version and no file of this machine.

    Parameters
    ----------
    address : str
        Of its scheduler, as ``tcp://10.0.0.1:8786``.
    size : int, optional
        How many designs it makes at a time; by default as many as its workers have threads.
    patience_s : float
        How long to wait for the scheduler and a first worker, and for a scheduler that was lost.

    Raises
    ------
    InputError
        If Dask is not installed, no scheduler answers, or it has no worker.
    """

    def __init__(self, address: str, size: int | None = None, patience_s: float = 30.0) -> None:
        try:
            from distributed import Client
        except ImportError as error:
            found = f"scheduler: found no Dask to reach {address} with ({error})"
            raise InputError(f"{found}; install it: pip install 'holo[cluster]'") from error
        try:
            self._client: Client = Client(address, timeout=patience_s, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            raise InputError(f"scheduler: found none that answers at {address} within {patience_s:g} s ({error})") from error
        self._address, self._patience_s, self._closed = address, patience_s, False
        self.wait_for(1)
        self.size = size or sum(self._client.nthreads().values())
        self._running: set[Future[Any]] = set()

    def wait_for(self, workers: int) -> None:
        """Wait until there are so many workers; the cluster is left if they do not come.

        Parameters
        ----------
        workers : int
            Least number of them.

        Raises
        ------
        InputError
            If they do not come within the patience that the cluster was opened with.
        """
        try:
            self._client.wait_for_workers(workers, timeout=self._patience_s)
        except TimeoutError as error:
            self._client.close()
            found = f"scheduler: found too few workers at {self._address} within {self._patience_s:g} s"
            raise InputError(f"{found}; allowed: {workers} or more; start one: dask worker {self._address}") from error

    def ask(self, task: Task) -> Made:
        """Have a design made by some worker; the cluster itself moves it to another one a few times when its worker dies.

        Parameters
        ----------
        task : Task
            It goes to the worker by way of the scheduler.

        Returns
        -------
        Made
            With an error if its worker was lost; to be tried again if the scheduler was.

        Raises
        ------
        ClusterError
            If the scheduler is gone for good.
        """
        from concurrent.futures import CancelledError

        from distributed import KilledWorker

        if self._client.status == "closed":
            raise self._lost()
        future = self._client.submit(make, task, pure=False, retries=0)
        self._running.add(future)
        try:
            return self._answer(future)
        except KilledWorker as error:
            return Made(error=f"its worker was lost again and again: {error}")
        except CancelledError:  # the scheduler was lost for a while; if it comes back in time, another try finds it
            return Made(error=f"the scheduler at {self._address} was lost", again=True)
        except ClusterError:
            raise
        except Exception as error:  # a worker without holo, a message too large, ...
            return Made(error=f"the cluster could not run it: {type(error).__name__}: {error}", again=True)
        finally:
            self._running.discard(future)

    def _answer(self, future: Future[Any]) -> Made:
        """Wait for an answer, as long as there is somebody to give it."""
        while True:
            try:
                made: Made = future.result(timeout=LOOKED_AFTER_S)
                return made
            except TimeoutError as error:  # `make` raises nothing
                if self._client.status == "closed":
                    raise self._lost() from error

    def _lost(self) -> ClusterError:
        return ClusterError(
            f"scheduler: lost the one at {self._address} for more than {self._patience_s:g} s; the same command goes on later"
        )

    def close(self) -> None:
        """Cancel what is running and leave the cluster."""
        if self._closed:
            return
        self._closed = True
        try:
            if self._client.status == "running":
                self._client.cancel(list(self._running))
        finally:
            self._client.close()
