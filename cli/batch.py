"""``holo batch``: many designs from one file."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .output import note, printable, show, warn

if TYPE_CHECKING:
    from holo.batch import Batch, Step
    from holo.crew import Crew
    from holo.jobs import Job

SHOWN = 20
"""Most failed jobs that are listed; the table has all."""


@click.command()
@click.argument("jobs", metavar="JOBS", type=options.FILE)
@click.option("-o", "--output", type=options.FILE, metavar="DIR", help="Folder of the results; by default JOBS-results beside the file.")
@click.option(
    "--workers", type=click.IntRange(1, 4096), metavar="N", help="Designs at a time; by default one for each core or cluster thread."
)
@click.option("--threads", type=click.IntRange(1, 4096), default=1, show_default=True, help="Threads of each worker on this machine.")
@click.option("--scheduler", metavar="ADDRESS", help="Use the Dask cluster of this scheduler, as tcp://10.0.0.1:8786.")
@click.option("--retries", type=click.IntRange(0, 100), default=2, show_default=True, help="Tries again after a worker has died.")
@click.option("--list", "only_list", is_flag=True, help="Only check the file and list its jobs.")
@click.option("--overwrite", is_flag=True, help="Make everything again, also what an earlier run has done.")
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    jobs: Path,
    output: Path | None,
    workers: int | None,
    threads: int,
    scheduler: str | None,
    retries: int,
    only_list: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Design many masks, on all cores or on a cluster.

    JOBS is a file (TOML) with tables [common], [[job]] and [sweep]; see the README. All jobs are checked before the
    first one is begun. Masks, reports, a table (CSV, JSON lines, and Parquet where pyarrow is installed) and
    a journal go into one folder. A job that fails does not stop the others; the exit code is 1 then.

    Interrupted or killed, the same command goes on where it stopped, and makes again what has failed or changed.
    """
    from holo.batch import run_jobs
    from holo.jobs import Checker, read_jobs

    wanted = read_jobs(jobs)
    folder = output or jobs.with_name(f"{jobs.stem}-results")
    if only_list:
        checker = Checker()
        for job in wanted:
            checker.check(job)
        show({"jobs": len(wanted), "list": [*map(_listed, wanted)]}, as_json)
        return
    crew = _crew(scheduler, workers, threads, len(wanted))
    with _followed() as told:
        try:
            made = run_jobs(wanted, folder, crew, retries=retries, overwrite=overwrite, told=told)
        except KeyboardInterrupt:
            note(f"\nthe same command goes on where this one stopped, in {folder}")
            raise
    show(summary(made), as_json)
    if made.failed:
        context.exit(1)


def _listed(job: Job) -> dict[str, Any]:
    return {"job": job.name, "arrangement": job.arrangement.name, "bench": job.bench.name, "effort": job.options.effort}


def _crew(scheduler: str | None, workers: int | None, threads: int, jobs: int) -> Crew:
    from holo.arrays import core_count
    from holo.crew import Cluster, Processes

    if scheduler is not None:
        return Cluster(scheduler, workers)
    return Processes(min(workers or max(core_count() // threads, 1), jobs), threads)


def summary(made: Batch) -> dict[str, Any]:
    """What there is to say of a batch."""
    failures = [{"job": row["job"], "error": row["error"]} for row in made.rows if row["state"] == "failed"]
    return {
        "folder": made.folder,
        "table": made.folder / "table.csv",
        "jobs": len(made.rows),
        "done": made.done,
        "kept": made.kept,
        "failed": made.failed,
        "seconds": made.seconds,
        **({"failures": failures[:SHOWN]} if failures else {}),
    }


@contextmanager
def _followed() -> Iterator[Callable[[Step], None]]:
    """Tell of each job: on a terminal in one line that is written over, but for what went wrong; warnings once each."""
    seen: set[str] = set()
    one_line = sys.stderr.isatty()
    wipe = "\r\x1b[K" if one_line else ""

    def told(step: Step) -> None:
        if step.state == "begun":
            note(f"jobs: {step.total}, done before: {step.finished}")
            return
        fresh = [text for text in step.warnings if text not in seen]
        seen.update(fresh)
        if wipe and (fresh or step.error):
            click.echo(wipe, err=True, nl=False)
        warn(f"{step.job}: {text} (told once)" for text in fresh)
        kept = one_line and not step.error
        click.echo(wipe * kept + printable(_line(step)), err=True, nl=not kept)

    try:
        yield told
    finally:
        click.echo(wipe, err=True, nl=False)


def _line(step: Step) -> str:
    left = f", {_span(step.seconds_left)} left" if step.finished < step.total else ""
    told = step.error or ", ".join(_figures(step.figures))
    again = " and is tried again" if step.state == "again" else ""
    return f"{step.finished}/{step.total}{left}  {step.job}: {'failed' if step.error else 'done'}{again}" + (f": {told}" if told else "")


def _figures(figures: dict[str, Any]) -> Sequence[str]:
    names = ("uniformity", "rms", "crosstalk_max")
    return [f"{name.replace('_', ' ')} {figures[name]:.4g}" for name in names if isinstance(figures.get(name), float)]


def _span(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.1f} h"
