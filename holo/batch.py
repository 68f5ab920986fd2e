"""A batch: many designs, on the cores of one machine or on a cluster, that goes on where it stopped."""

from __future__ import annotations

import os
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from holo.arrays import core_count
from holo.crew import Crew, Processes
from holo.errors import ClusterError, HoloError, InputError
from holo.jobs import Checker, Job, inputs_digest
from holo.results import Results
from holo.worker import Made, Task

TABLES_EVERY_S = 60.0
"""How old the tables may become while a batch is running."""


@dataclass(frozen=True)
class Step:
    """One job of a batch that has come to an end, or is tried again; before them, the beginning.

    Attributes
    ----------
    job : str
        Its name; empty at the beginning.
    state : str
        ``done``, ``failed`` or ``again``; ``begun`` at the beginning, when all jobs are checked.
    figures : dict
    warnings : tuple of str
    error : str
    finished, total : int
        Jobs that have ended, those of earlier runs included, and all of them.
    seconds_left : float
        As the jobs until now took.
    """

    job: str
    state: str
    figures: dict[str, Any]
    warnings: tuple[str, ...]
    error: str
    finished: int
    total: int
    seconds_left: float


@dataclass(frozen=True, eq=False)
class Batch:
    """What came of a batch.

    Attributes
    ----------
    folder : Path
    rows : tuple of dict
        The table: for each job its name, state, parameters, figures, tries, files, warnings and error, the same keys in all of them.
    done, failed, kept : int
        Jobs that are done, those among them that an earlier run had made, and jobs that failed.
    seconds : float
    """

    folder: Path
    rows: tuple[dict[str, Any], ...]
    done: int
    failed: int
    kept: int
    seconds: float


@dataclass(frozen=True, eq=False)
class _Attempt:
    job: Job
    inputs: str
    tries: int = 1


def run_jobs(
    jobs: Sequence[Job],
    folder: str | os.PathLike[str],
    crew: Crew | None = None,
    *,
    retries: int = 2,
    overwrite: bool = False,
    told: Callable[[Step], None] | None = None,
) -> Batch:
    """Design the masks of many jobs.

    Parameters
    ----------
    jobs : sequence of Job
        With names that differ; see `holo.jobs.read_jobs`.
    folder : path
        For the results (`holo.results`): ``masks``, ``reports``, ``table.csv`` and its like, ``journal.jsonl``. If an earlier run left it,
        what that has done from the same inputs is kept, and the rest is made.
    crew : Crew, optional
        Who makes them, let go in the end: `holo.crew.Processes`, by default one for each core, or `holo.crew.Cluster`.
    retries : int
        How often a job is tried again after its worker died, or memory or the system failed; never after an error in what it asks for.
    overwrite : bool
        Whether to make everything again that an earlier run has done.
    told : callable, optional
        Called with a `Step` at the beginning and after each job, from this thread.

    Returns
    -------
    Batch
        Jobs that fail do not stop the others: their rows say why.

    Raises
    ------
    InputError
        If a job cannot be done, as far as that is known before any is begun; then nothing is written. Later, if the folder cannot be
        written.
    ClusterError
        If the cluster is gone. The same call goes on later, as after Ctrl-C.
    KeyboardInterrupt
        After Ctrl-C. The tables are up to date then, as they are to a minute during the run, and the same call goes on.

    Notes
    -----
    The masks are those of `holo.design.design` and `holo.design_smooth.design_smooth` with the same inputs, bit for bit on the same
    machine, whoever makes them.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from holo.starters import patterns
    >>> with TemporaryDirectory() as folder:
    ...     run_jobs([Job("ring", patterns()["ring"], Path("bench.toml"))], Path(folder) / "results")
    Traceback (most recent call last):
    ...
    holo.errors.InputError: job: job ring: bench.toml: no such file
    """
    begin = time.perf_counter()
    crew = crew or Processes(min(core_count(), max(len(jobs), 1)))
    try:
        names = Counter(job.name for job in jobs)
        if not jobs or max(names.values()) > 1:
            found = f"{names.most_common(1)[0][0]!r} more than once" if jobs else "none"
            raise InputError(f"jobs: found {found}; allowed: at least one job, and names that differ")
        checker = Checker()
        checked = [_Attempt(job, checker.check(job)) for job in jobs]
        with Results(folder, overwrite) as results:
            waiting = deque(attempt for attempt in checked if not results.finished(attempt.job, attempt.inputs))
            kept = len(jobs) - len(waiting)
            for attempt in waiting:
                results.entries.pop(attempt.job.name, None)
            try:
                _Run(results, crew, checker, jobs, waiting, retries, told).go()
            except (KeyboardInterrupt, ClusterError):
                results.tabulate(jobs)
                raise
            rows = results.tabulate(jobs)
    finally:
        crew.close()
    states = Counter(row["state"] for row in rows)
    return Batch(Path(folder), tuple(rows), states["done"], states["failed"], kept, time.perf_counter() - begin)


class _Run:
    """The jobs that are not done yet, until they are."""

    def __init__(
        self,
        results: Results,
        crew: Crew,
        checker: Checker,
        jobs: Sequence[Job],
        waiting: deque[_Attempt],
        retries: int,
        told: Callable[[Step], None] | None,
    ) -> None:
        self._results, self._crew, self._checker = results, crew, checker
        self._jobs, self._waiting, self._retries, self._told = jobs, waiting, retries, told
        self._kept = self._finished = len(jobs) - len(waiting)
        self._begin = self._tabulated = time.perf_counter()
        self._running: dict[Future[Made], _Attempt] = {}

    def go(self) -> None:
        """Have twice as many jobs under way as are worked at, so that nobody waits for what is read and written here."""
        self._tell("", "begun", Made())
        most = 2 * self._crew.size
        with ThreadPoolExecutor(most) as pool:
            try:
                while self._waiting or self._running:
                    while self._waiting and len(self._running) < most:
                        attempt = self._waiting.popleft()
                        self._running[pool.submit(self._ask, attempt)] = attempt
                    for future in wait(self._running, return_when=FIRST_COMPLETED).done:
                        self._take(self._running.pop(future), future.result())
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                self._crew.close()
                raise

    def _ask(self, attempt: _Attempt) -> Made:
        try:
            inputs = self._checker.inputs(attempt.job)
        except HoloError as error:
            return Made(error=str(error))
        if inputs_digest(inputs, attempt.job) != attempt.inputs:
            return Made(error="its bench, arrangement or registration has changed since the batch was started; start it again")
        return self._crew.ask(Task(inputs, attempt.job.options, attempt.job.report))

    def _take(self, attempt: _Attempt, made: Made) -> None:
        if made.again and attempt.tries <= self._retries:
            self._tell(attempt.job.name, "again", made)
            self._waiting.append(replace(attempt, tries=attempt.tries + 1))
            return
        entry = self._results.keep(attempt.job, attempt.inputs, made, attempt.tries)
        self._finished += 1
        self._tell(attempt.job.name, entry.state, made)
        if time.perf_counter() - self._tabulated > TABLES_EVERY_S:
            self._results.tabulate(self._jobs)
            self._tabulated = time.perf_counter()

    def _tell(self, job: str, state: str, made: Made) -> None:
        if self._told is None:
            return
        each = (time.perf_counter() - self._begin) / max(self._finished - self._kept, 1)
        left = each * (len(self._jobs) - self._finished)
        self._told(Step(job, state, made.figures or {}, made.warnings, made.error, self._finished, len(self._jobs), left))
