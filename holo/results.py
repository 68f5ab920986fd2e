"""The folder of a batch: masks, reports, tables, and the journal from which a batch goes on where it stopped."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from holo.errors import InputError, OutputExistsError
from holo.files import check_output_folder, digest, digest_of, locked, read_bytes, write_bytes, write_folder, write_text
from holo.jobs import Job
from holo.tables import shortened
from holo.worker import Made

JOURNAL = "journal.jsonl"
"""What is known of the jobs: a head, then a line for each job that has come to an end; the last line of a job counts."""

MASKS, REPORTS = "masks", "reports"
"""Folders of the masks, ``NAME.tiff``, and of the reports, a folder each."""

TABLES = ("table.csv", "table.jsonl", "table.parquet")
"""The table of all jobs; the last one only where pyarrow is installed."""

HEAD = {"format": "holo batch", "version": 1}
MAX_JOURNAL_BYTES = 2**30
RENAMED = ("uniformity", "iterations", "engine", "rms")
"""Options called like figures: in the table they are ``asked_uniformity``, ..."""


@dataclass(frozen=True, eq=False)
class Entry:
    """What the journal says of a job.

    Attributes
    ----------
    job : str
        Its name.
    inputs : str
        Digest of what it was made from (`holo.jobs.inputs_digest`).
    state : str
        ``done`` or ``failed``.
    tries : int
    figures : dict
    warnings : list of str
    error : str
        Empty if it is done.
    mask : str
        Digest of the mask file; empty if it failed.
    """

    job: str
    inputs: str
    state: str
    tries: int
    figures: dict[str, Any]
    warnings: list[str]
    error: str
    mask: str


class Results:
    """The folder of a batch, held against other processes while it is open.

    Parameters
    ----------
    folder : path
        Made if there is none; its parent must be there.
    overwrite : bool
        Whether everything is to be made again that an earlier batch left there.

    Raises
    ------
    InputError
        If the folder cannot be used, or another process is at work in it.
    OutputExistsError
        If it holds files but no journal of a batch.

    Notes
    -----
    A report and a mask are complete before they take their places, and take them before the journal says so, which is on the disk before
    the next job is looked at. What a kill leaves half done has a name that begins with a dot and is cleared away; a last line without its
    end does not count. So a kill between any two writes costs at most the jobs that were running.
    """

    def __init__(self, folder: str | os.PathLike[str], overwrite: bool = False) -> None:
        self.folder = Path(folder)
        self.entries: dict[str, Entry] = {}
        self._held = ExitStack()
        try:
            self._open(overwrite)
        except BaseException:
            self._held.close()
            raise

    def __enter__(self) -> Results:
        return self

    def __exit__(self, *_: object) -> None:
        self._held.close()

    def _open(self, overwrite: bool) -> None:
        try:
            check_output_folder(self.folder)
            self.folder.mkdir(exist_ok=True)
            self._held.enter_context(locked(self.folder))
            present = [path.name for path in self.folder.iterdir() if not path.name.startswith(".")]
            if JOURNAL in present:
                self.entries = {} if overwrite else _read_journal(self.folder / JOURNAL)
            elif present:
                raise OutputExistsError(f"{self.folder}: holds {present[0]} and no journal of a batch; name a new folder")
            self._clear()
            lines = [HEAD, *(vars(entry) for entry in self.entries.values())]
            write_text(self.folder / JOURNAL, "".join(_line(line) for line in lines), overwrite=True)
            (self.folder / MASKS).mkdir(exist_ok=True)  # after the journal, which makes the folder one of a batch
            self._journal: IO[str] = self._held.enter_context((self.folder / JOURNAL).open("a", encoding="utf-8"))
        except OSError as error:
            if isinstance(error, OutputExistsError):
                raise
            raise InputError(f"{self.folder}: cannot be used ({error.strerror or error})") from error

    def _clear(self) -> None:
        """Take away what a kill has left half done."""
        for pattern in (".journal-*.jsonl", ".table-*", f"{MASKS}/.*-*.tiff", f"{REPORTS}/.*-*"):
            for path in self.folder.glob(pattern):
                shutil.rmtree(path) if path.is_dir() else path.unlink()

    def mask(self, name: str) -> Path:
        """Place of a job's mask."""
        return self.folder / MASKS / f"{name}.tiff"

    def report(self, name: str) -> Path:
        """Folder of a job's report."""
        return self.folder / REPORTS / name

    def finished(self, job: Job, inputs: str) -> bool:
        """Whether a job is done already, from the same inputs, and its files are what it left."""
        entry = self.entries.get(job.name)
        if entry is None or entry.state != "done" or entry.inputs != inputs:
            return False
        if job.report and not (self.report(job.name) / "report.html").is_file():
            return False
        return self.mask(job.name).is_file() and digest(self.mask(job.name)) == entry.mask

    def keep(self, job: Job, inputs: str, made: Made, tries: int) -> Entry:
        """Write what came of a job, the journal last.

        Raises
        ------
        InputError
            If it cannot be written, as on a full disk.
        """
        if not made.error:
            if made.report:
                (self.folder / REPORTS).mkdir(exist_ok=True)
                write_folder(self.report(job.name), made.report, lambda: None)
            write_bytes(self.mask(job.name), made.mask, overwrite=True)
        state, mask = ("failed", "") if made.error else ("done", digest_of(made.mask))
        entry = Entry(job.name, inputs, state, tries, made.figures or {}, list(made.warnings), made.error, mask)
        try:
            self._journal.write(_line(vars(entry)))
            self._journal.flush()
            os.fsync(self._journal.fileno())
        except OSError as error:
            raise InputError(f"{self.folder / JOURNAL}: cannot be written ({error.strerror or error})") from error
        self.entries[job.name] = entry
        return entry

    def tabulate(self, jobs: Iterable[Job]) -> list[dict[str, Any]]:
        """Write the tables, a row for each job, and give the rows; jobs that have not ended are ``waiting``."""
        rows = _aligned([self._row(job) for job in jobs])
        write_text(self.folder / TABLES[0], _csv(rows), overwrite=True)
        write_text(self.folder / TABLES[1], "".join(map(_line, rows)), overwrite=True)
        parquet = _parquet(rows)
        if parquet is not None:
            write_bytes(self.folder / TABLES[2], parquet, overwrite=True)
        return rows

    def _row(self, job: Job) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
        """Parameters of a job, its figures, and what became of it."""
        parameters = {f"asked_{key}" if key in RENAMED else key: value for key, value in job.parameters().items()}
        entry = self.entries.get(job.name)
        told: dict[str, Any] = {"tries": 0, "mask": None, "report": None, "warnings": [], "error": ""}
        if entry is None:
            return {"job": job.name, "state": "waiting", **parameters}, {}, told
        if entry.state == "done":
            told["mask"] = self.mask(job.name).relative_to(self.folder).as_posix()
            told["report"] = (self.report(job.name) / "report.html").relative_to(self.folder).as_posix() if job.report else None
        told |= {"tries": entry.tries, "warnings": entry.warnings, "error": entry.error}
        figures = {key: value for key, value in entry.figures.items() if not isinstance(value, list)}
        return {"job": job.name, "state": entry.state, **parameters}, figures, told


def _read_journal(path: Path) -> dict[str, Entry]:
    """Last line of each job; lines that are damaged do not count, so that their jobs are made again."""
    head, *lines = read_bytes(path, MAX_JOURNAL_BYTES).decode("utf-8", "replace").split("\n") or [""]
    if _json(head) != HEAD:
        raise InputError(f"{path}: found {shortened(head)}; allowed: the journal of a batch, {json.dumps(HEAD)}")
    entries: dict[str, Entry] = {}
    for line in lines[:-1]:  # what follows the last end of a line is empty, or was cut off
        found = _json(line)
        if isinstance(found, dict) and {*found} == _KINDS.keys() and all(type(found[key]) is kind for key, kind in _KINDS.items()):
            entries[found["job"]] = Entry(**found)
    return entries


_KINDS = {"job": str, "inputs": str, "state": str, "tries": int, "figures": dict, "warnings": list, "error": str, "mask": str}


def _json(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _line(content: Mapping[str, Any]) -> str:
    return json.dumps(content, allow_nan=False) + "\n"


# ---------------------------------------------------------------------------------------------------------------------
# tables


def _aligned(rows: Sequence[tuple[dict[str, Any], ...]]) -> list[dict[str, Any]]:
    """Rows with the same columns, part by part in the order in which they first appear; None where a row has no such value."""
    columns = [dict.fromkeys(key for row in rows for key in row[part]) for part in range(3)]
    return [{key: row[part].get(key) for part in range(3) for key in columns[part]} for row in rows]


def _csv(rows: Sequence[Mapping[str, Any]]) -> str:
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(rows[0] if rows else [])
    table.writerows([_cell(value) for value in row.values()] for row in rows)
    return text.getvalue()


def _cell(value: Any) -> Any:
    """Write a value for a cell: lists and the like as JSON, numbers with all their digits."""
    if isinstance(value, list | dict):
        return json.dumps(value, default=str) if value else ""
    return str(value).lower() if isinstance(value, bool) else value


def _parquet(rows: Sequence[Mapping[str, Any]]) -> bytes | None:
    """Content of the table as Parquet; None without pyarrow."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        return None
    file = io.BytesIO()
    pyarrow.parquet.write_table(pyarrow.table({key: _column([row[key] for row in rows]) for key in (rows[0] if rows else ())}), file)
    return file.getvalue()


def _column(values: Sequence[Any]) -> list[Any]:
    """Values of one kind: whole numbers beside real ones become real, all else that is mixed or too large for 64 bits becomes text."""
    kinds = {object if isinstance(value, int) and abs(value) >= 2**63 else type(value) for value in values if value is not None}
    if kinds <= {int, float} and len(kinds) == 2:
        return [None if value is None else float(value) for value in values]
    if len(kinds) <= 1 and not kinds & {list, dict, object}:
        return list(values)
    return [None if value is None else str(_cell(value)) for value in values]
