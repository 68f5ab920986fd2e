"""What makes the design of one job, in whatever process: from inputs to the content of files."""

from __future__ import annotations

import os
import pickle
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from tempfile import TemporaryDirectory
from typing import IO, Any

from holo import __version__
from holo.bench import bench_warnings
from holo.design import Design, DesignOptions, design
from holo.design_smooth import SmoothDesign, design_smooth
from holo.errors import HoloError
from holo.files import read_bytes
from holo.mask import mask_bytes
from holo.record import Inputs
from holo.report.page import FILES, write_report
from holo.report.smooth import write_smooth_report

MAX_REPORT_BYTES = 2**30
"""Largest file of a report that is taken over."""


@dataclass(frozen=True, eq=False)
class Task:
    """What a worker needs to know of a job; it reads no file."""

    inputs: Inputs
    options: DesignOptions
    report: bool = False
    version: str = __version__
    """Of the holo that asks."""


@dataclass(frozen=True, eq=False)
class Made:
    """What came of a task.

    Attributes
    ----------
    mask : bytes
        Content of the mask file; empty if there is none, because of `error`.
    report : dict of str to bytes
        Content of the files of the report, by name; none if it was not asked for.
    figures : dict
        As ``holo design --json`` has them.
    warnings : tuple of str
    error : str
        Why there is no mask; empty if there is one.
    again : bool
        Whether another try may end better: not after an error in what was asked for.
    """

    mask: bytes = b""
    report: dict[str, bytes] | None = None
    figures: dict[str, Any] | None = None
    warnings: tuple[str, ...] = ()
    error: str = ""
    again: bool = False


def make(task: Task) -> Made:
    """Make the design of a task; whatever goes wrong becomes part of the answer.

    Parameters
    ----------
    task : Task

    Returns
    -------
    Made
        The same mask as `holo.design.design` gives for these inputs, but for the time in its record.

    Examples
    --------
    >>> from holo.arrangement import block
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> far = Inputs(bench, block(200, 1), None, {"bench": None, "arrangement": None, "registration": None})
    >>> make(Task(far, DesignOptions())).error
    'site (67, 0) at (395.00, 40.00, 0.00) um (and 132 more): found outside the field; allowed: x and y from -390.83 to 390.83 um'
    """
    if task.version != __version__:
        return Made(error=f"found holo {__version__} on this worker; allowed: {task.version}, as where the batch was started")
    try:
        return _made(task)
    except HoloError as error:
        return Made(error=str(error))
    except MemoryError as error:
        return Made(error=f"not enough memory ({error or 'no details'}); fewer workers at a time need less", again=True)
    except Exception as error:  # one job that fails, for whatever reason, must not stop the others
        return Made(error=f"{type(error).__name__}: {error}", again=True)


def _made(task: Task) -> Made:
    inputs = task.inputs
    given = (inputs.bench, inputs.arrangement, inputs.registration, task.options)
    smooth = inputs.arrangement.smooth is not None
    made: Design | SmoothDesign = design_smooth(*given, sources=inputs.sources) if smooth else design(*given, sources=inputs.sources)
    figures = {
        "sites": len(made.prediction.sites.target),
        **made.mask.record["figures"],
        "engine": "smooth" if smooth else made.mask.record["options"]["engine"],
        "iterations": made.retrieval.iterations,
        "converged": made.converged,
        "design_seconds": made.seconds,
    }
    warnings = (*bench_warnings(inputs.bench, made.prediction.sites), *([made.shortfall] if made.shortfall else []))
    return Made(mask_bytes(made.mask), _report(inputs, made) if task.report else {}, figures, warnings)


def _report(inputs: Inputs, made: Design | SmoothDesign) -> dict[str, bytes]:
    """Content of the files of a report."""
    title = inputs.arrangement.title
    with TemporaryDirectory() as temporary:
        folder = Path(temporary) / "report"
        if isinstance(made, SmoothDesign):
            write_smooth_report(folder, inputs.bench, made, title=title)
        else:
            write_report(folder, inputs.bench, made.mask, made.prediction, title=title, retrieval=made.retrieval, seconds=made.seconds)
        return {name: read_bytes(folder / name, MAX_REPORT_BYTES) for name in FILES if (folder / name).is_file()}


# ---------------------------------------------------------------------------------------------------------------------
# a process of its own


def serve() -> None:
    """Answer the tasks that come in by standard input, pickled one after the other, on standard output, until the input ends.

    It ends at once then, in the middle of a task too: nobody waits for it. What libraries print goes to standard error.
    """
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the caller's to answer
    with _private_output() as answers:
        tasks: SimpleQueue[Task] = SimpleQueue()
        threading.Thread(target=_listen, args=(sys.stdin.buffer, tasks), daemon=True).start()
        while True:
            pickle.dump(make(tasks.get()), answers, pickle.HIGHEST_PROTOCOL)
            answers.flush()


def _listen(tasks_in: IO[bytes], tasks: SimpleQueue[Task]) -> None:
    while True:
        try:
            tasks.put(pickle.load(tasks_in))  # from the process that started this one, and nobody else
        except Exception:  # the end of the input, or a caller that died while it wrote
            os._exit(0)


@contextmanager
def _private_output() -> Iterator[IO[bytes]]:
    """Give standard output to the caller alone."""
    with os.fdopen(os.dup(1), "wb") as answers:
        os.dup2(2, 1)
        yield answers
