"""Dialogues and the folders that keep them.

A dialogue is a calibration written as a generator: it yields an `Ask`, a mask of which it wants a camera frame, is sent the frame, asks
again, and in the end returns its outcome. Nothing in it knows where frames come from or where they are kept.

A run folder keeps a dialogue: ``journal.json`` (what it was started with, and the digests of what followed), ``mask-000.tiff``,
``frame-000.tiff``, ``mask-001.tiff`` ... and in the end the files of the outcome. The frames are what counts: a dialogue is
brought back to where it stopped by sending it the recorded frames once more, so that a run may be killed at any moment and go on later
with the same result, bit for bit. A frame that the dialogue refuses is not kept, so that a better one can be taken in its place.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from holo import __version__
from holo.arrangement import Arrangement
from holo.bench import Bench
from holo.errors import HoloError, InputError, OutputExistsError, naming
from holo.files import check_output_folder, digest, read_text, write_bytes, write_folder
from holo.frames import check_stack, read_frame, write_frame
from holo.manifest import levels_digest
from holo.mask import SOURCES, Levels, Mask, check_keys, check_mask, check_source, mask_bytes
from holo.record import recorded_arrangement, recorded_bench, recorded_registration
from holo.registration import Registration
from holo.tables import shortened

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.record import Source

FORMAT = "holo run"
"""What the journal of a run folder calls itself."""

VERSION = 1
"""Version of the journal that this program writes and reads."""

JOURNAL = "journal.json"
"""Name of the journal in its folder."""


@dataclass(frozen=True, eq=False)
class Ask:
    """What a dialogue wants next: a camera frame of a mask.

    Attributes
    ----------
    mask : Mask
    note : str
        What the frame is for, and what matters when it is taken.
    """

    mask: Mask
    note: str


class Outcome(Protocol):
    """What a dialogue ends in."""

    def files(self, digests: Mapping[str, str]) -> Mapping[str, bytes]:
        """Give the content of each file of the result by its name; `digests` has those of the frames, by name."""
        ...

    def summary(self) -> Mapping[str, Any]:
        """Give the figures of the result as JSON-compatible values."""
        ...


Dialogue = Generator[Ask, "NDArray[Any]", Outcome]
"""Yields masks, is sent frames of shape (shots, rows, columns), returns its outcome."""

Link = Callable[[Levels, int], "NDArray[Any]"]
"""Who answers: called with the levels for the panel, shape (rows, columns), and the number of the mask in its run, from 0; gives the
camera's frame, shape (rows, columns) or (shots, rows, columns)."""


@dataclass(frozen=True, eq=False)
class Start:
    """What a dialogue is started with.

    Attributes
    ----------
    bench : Bench
    sources : dict of str to Source or None
        Where the three came from, for the records of masks.
    registration : Registration or None
    arrangement : Arrangement or None
    options : dict
        Of the dialogue; JSON-compatible.
    time : str
        When it was started, ISO 8601 with zone; stands for the time of all that follows, so that a replay gives the same files.
    """

    bench: Bench
    sources: dict[str, Source | None]
    registration: Registration | None
    arrangement: Arrangement | None
    options: dict[str, Any]
    time: str

    @property
    def bench_path(self) -> str:
        """Where the bench file was, or nothing if it came from no file."""
        source = self.sources["bench"]
        return "" if source is None else str(source["path"])


Begin = Callable[[Start], Dialogue]
"""What makes a dialogue."""


class Run:
    """A dialogue in its folder; `start_run` and `open_run` give one.

    Attributes
    ----------
    folder : Path
    start : Start
        What the dialogue was started with.
    step : int
        Number of frames that were given.
    ask : Ask or None
        What the dialogue waits for; None when it is done.
    outcome : Outcome or None
        Its result, when it is done.
    """

    def __init__(self, folder: Path, journal: dict[str, Any], begin: Begin, *, fresh: bool = False) -> None:
        self.folder = folder
        self.start = _start_of(folder, journal)
        self.outcome: Outcome | None = None
        self._head = {key: journal[key] for key in _HEAD}
        self._recorded: list[dict[str, Any]] = journal["steps"]
        self._begin = begin
        self._set_out()
        if not fresh:
            self._replay()

    @property
    def mask_path(self) -> Path:
        """File of the mask of which a frame is wanted, or of the last one."""
        return self._file("mask", self.step if self.ask is not None else self.step - 1)

    def answer(self, frame: NDArray[Any]) -> None:
        """Give the dialogue the frame that it waits for, and keep it in the folder.

        Parameters
        ----------
        frame : ndarray, shape (rows, columns) or (shots, rows, columns)

        Raises
        ------
        CalibrationError, InputError
            If the dialogue refuses the frame; then nothing is kept, and another frame can be given.
        OutputExistsError
            If another command has given this frame meanwhile.
        """
        if self.ask is None:
            raise InputError(f"{self.folder}: is done; allowed: frames while it is not")
        place = self._file("frame", self.step)
        stack = check_stack(frame, str(place))
        try:
            self._send(stack)
        except HoloError:
            self._set_out()
            self._replay()
            raise
        write_frame(place, stack)
        self._steps[-1]["frame"] = digest(place)
        self.keep()

    def keep(self) -> None:
        """Bring the files of the folder up to where the dialogue is."""
        for name, content in self.files().items():
            write_bytes(self.folder / name, content, overwrite=True)

    def files(self) -> dict[str, bytes]:
        """Give the content of the files that tell where the dialogue is, by name: mask or results first, the journal last."""
        made: dict[str, bytes] = {}
        waiting = []
        if self.ask is not None:
            check_mask(self.mask_path, self.ask.mask)
            made[self.mask_path.name] = mask_bytes(self.ask.mask)
            waiting = [_entry(self.ask)]
        if self.outcome is not None:
            made |= self.outcome.files({self._file("frame", step).name: entry["frame"] for step, entry in enumerate(self._steps)})
        summary = {} if self.outcome is None else self.outcome.summary()
        journal = {**self._head, "steps": [*self._steps, *waiting], "done": self.ask is None, "summary": summary}
        return {**made, JOURNAL: (json.dumps(journal, indent=1) + "\n").encode()}

    def _file(self, kind: str, step: int) -> Path:
        return self.folder / f"{kind}-{step:03d}.tiff"

    def _set_out(self) -> None:
        """Begin the dialogue, which asks for its first frame."""
        self._dialogue = self._begin(self.start)
        self._steps: list[dict[str, Any]] = []
        self.step = 0
        self.ask: Ask | None = next(self._dialogue)

    def _replay(self) -> None:
        """Send all recorded frames."""
        while self.ask is not None and (frame := self._file("frame", self.step)).exists():
            found = digest(frame)
            self._check(frame, found)
            self._send(read_frame(frame))
            self._steps[-1]["frame"] = found

    def _send(self, stack: NDArray[Any]) -> None:
        assert self.ask is not None
        entry = _entry(self.ask)
        try:
            self.ask = self._dialogue.send(stack)
        except StopIteration as end:
            self.ask, self.outcome = None, end.value
        self._steps.append(entry)
        self.step += 1

    def _check(self, frame: Path, found: str) -> None:
        """Refuse a frame that is not the recorded one, or that was taken of another mask than the one asked for now."""
        assert self.ask is not None
        if self.step >= len(self._recorded):
            return
        recorded = self._recorded[self.step]
        if recorded["frame"] not in (None, found):
            raise InputError(f"{frame}: is not the file that this run was given; put that one back, or start a new run")
        if recorded["levels"] != _entry(self.ask)["levels"]:
            raise InputError(
                f"{self._file('mask', self.step)}: this version of holo, or this machine, makes another mask than the one of this run, "
                f"started with holo {self._head['holo']}; start a new run"
            )


def _entry(ask: Ask) -> dict[str, Any]:
    return {"note": ask.note, "levels": levels_digest(ask.mask.levels), "frame": None}


def start_run(
    folder: str | os.PathLike[str],
    dialogue: str,
    begin: Begin,
    sources: Mapping[str, Source | None],
    options: Mapping[str, Any],
    results: Sequence[str] = (),
    overwrite: bool = False,
) -> Run:
    """Start a dialogue in a new run folder.

    Parameters
    ----------
    folder : path
        Made if there is none.
    dialogue : str
        Its name.
    begin : callable
        What makes it.
    sources : mapping
        Where bench, registration and arrangement came from (`holo.record.read_bench_source` and its like), by these names; the last
        two may be None.
    options : mapping
        Of the dialogue; JSON-compatible.
    results : sequence of str
        Names of the files that an earlier run may have left as its results.
    overwrite : bool
        Whether such a run may be replaced; other files in the folder stay.

    Returns
    -------
    Run
        Waiting for its first frame; the first mask is in the folder.

    Raises
    ------
    OutputExistsError
        If the folder holds anything and `overwrite` is false.
    InputError
        If the folder cannot be written, and what the dialogue refuses; then nothing is written.
    """
    folder = Path(folder)
    _check_folder(folder, overwrite)
    time = datetime.now(UTC).isoformat(timespec="seconds")
    journal = {"format": FORMAT, "version": VERSION, "dialogue": dialogue, "time": time, "holo": __version__}
    journal |= {**sources, "options": dict(options), "steps": []}
    run = Run(folder, journal, begin, fresh=True)
    frames = [path for kind in ("frame", "mask") for path in folder.glob(f"{kind}-[0-9][0-9][0-9].tiff")]
    old = [*(folder / name for name in results), *sorted(frames, key=lambda path: path.stem[-3:], reverse=True)]
    new = dict(reversed(run.files().items()))  # a journal without its mask can be opened, a mask without a journal cannot
    write_folder(folder, new, lambda: _remove(old))
    return run


def _remove(paths: Sequence[Path]) -> None:
    """Take the files of an older run away, the last first: a kill on the way leaves that run at an earlier step."""
    for path in paths:
        path.unlink(missing_ok=True)


def open_run(folder: str | os.PathLike[str], dialogue: str, begin: Begin) -> Run:
    """Open a run folder, and bring its dialogue back to where it stopped.

    Parameters
    ----------
    folder : path
    dialogue : str
        Name of the dialogue that it must be.
    begin : callable
        What makes it.

    Returns
    -------
    Run

    Raises
    ------
    InputError
        If the folder holds no run of this dialogue, or a file in it is not what the run left there.
    """
    path = Path(folder) / JOURNAL
    try:
        journal = json.loads(read_text(path))
    except (ValueError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path}: found no JSON ({error}); allowed: the journal of a run") from error
    _check_journal(path, journal, dialogue)
    run = Run(Path(folder), journal, begin)
    run.keep()
    return run


def converse(run: Run, link: Link, told: Callable[[int, str], None] | None = None) -> None:
    """Let a link answer until the dialogue is done.

    Parameters
    ----------
    run : Run
    link : callable
        See `Link`.
    told : callable, optional
        Called with step and note of each ask before it is answered.

    Raises
    ------
    LinkError, CalibrationError, InputError
        As the link and `Run.answer` raise; the run can go on from there later.
    """
    while run.ask is not None:
        if told is not None:
            told(run.step, run.ask.note)
        run.answer(link(run.ask.mask.levels, run.step))


_HEAD = ("format", "version", "dialogue", "time", "holo", *SOURCES, "options")


def _check_folder(folder: Path, overwrite: bool) -> None:
    try:
        check_output_folder(folder)
        if folder.exists() and any(not path.name.startswith(".") for path in folder.iterdir()) and not overwrite:
            raise OutputExistsError(f"{folder}: holds files already; name a new folder, or use --overwrite to start anew in it")
    except OSError as error:
        if isinstance(error, OutputExistsError):
            raise
        raise InputError(f"{folder}: cannot be used ({error.strerror or error})") from error


def _check_journal(path: Path, journal: Any, dialogue: str) -> None:
    if not isinstance(journal, dict) or journal.get("format") != FORMAT:
        raise InputError(f"{path}: found {shortened(journal)}; allowed: the journal of a run, with format {FORMAT!r}")
    if journal.get("version") != VERSION:
        raise InputError(f"{path}: version: found {shortened(journal.get('version'))}; allowed: {VERSION}, the one read here")
    if journal.get("dialogue") != dialogue:
        raise InputError(
            f"{path}: dialogue: found {shortened(journal.get('dialogue'))}; allowed: {dialogue!r}, or use the command of that name"
        )
    check_keys(path, "journal", journal, _KEYS)
    for source in SOURCES:
        if journal[source] is not None:
            check_source(path, source, journal[source])
    for number, step in enumerate(journal["steps"]):
        check_keys(path, f"steps[{number}]", step, _STEP_KEYS)


_KEYS: dict[str, tuple[type, ...]] = {
    "time": (str,),
    "holo": (str,),
    "bench": (dict,),
    "registration": (dict, type(None)),
    "arrangement": (dict, type(None)),
    "options": (dict,),
    "steps": (list,),
}
_STEP_KEYS: dict[str, tuple[type, ...]] = {"note": (str,), "levels": (str,), "frame": (str, type(None))}


def _start_of(folder: Path, journal: dict[str, Any]) -> Start:
    with naming(folder / JOURNAL):
        bench = recorded_bench(journal)
        arrangement = None if journal["arrangement"] is None else recorded_arrangement(journal, bench.lattice)
        sources = {name: journal[name] for name in SOURCES}
        return Start(bench, sources, recorded_registration(journal), arrangement, journal["options"], journal["time"])
