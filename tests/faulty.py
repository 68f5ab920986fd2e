"""Saves that are broken off: every call by which a file changes may fail, or be the last thing that a process does.

`Faults` counts the calls, on files opened for writing and on names, and makes one of them fail. `SAVES` are the ways in which holo saves
something; each is broken off at each of its calls in turn, and then tried again.
"""

from __future__ import annotations

import builtins
import errno
import io
import json
import os
import shutil
import signal
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from unittest import mock

import numpy as np
from fuzzing import PLAIN, TINY, light_dialogue, mask_bytes, record

import holo.compose
import holo.dialogue
from holo.errors import HoloError, OutputExistsError

NAMES = ("open", "fsync", "link", "rename", "replace", "unlink", "remove", "mkdir", "rmdir", "chmod")
"""Functions of `os` by which files change."""

GROWING = ("open", "write", "link", "mkdir", "fsync", "close")
"""Calls that fail on a full disk."""

HOWS = ("full", "once", "broken", "killed before", "killed after")
"""What happens at the chosen call: the disk is full from then on; that one call fails; all fail from then on; the process ends."""


class Faults:
    """Counts calls that change files, and breaks one of them."""

    def __init__(self, at=-1, how="once"):
        self.at, self.how, self.count = at, how, 0
        self.stuck = False  # whether something could not be taken away

    def call(self, name, function, *args, **options):
        """Make one call, or not."""
        number, self.count = self.count, self.count + 1
        if self.how == "killed before" and number == self.at:
            os.kill(os.getpid(), signal.SIGKILL)
        reached = number == self.at or (self.how in ("full", "broken") and 0 <= self.at <= number)
        if reached and self.how == "full" and name in GROWING:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if reached and self.how in ("once", "broken"):
            self.stuck |= name in ("unlink", "rmdir")
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        try:
            return function(*args, **options)
        finally:
            if self.how == "killed after" and number == self.at:
                os.kill(os.getpid(), signal.SIGKILL)

    @contextmanager
    def watching(self):
        """Count the calls of a block."""
        opened, names = io.open, {name: getattr(os, name) for name in NAMES}

        def open_file(file, mode="r", *args, **options):
            if not set(mode) & set("wax+"):
                return opened(file, mode, *args, **options)
            return Written(self, self.call("open", opened, file, mode, *args, **options))

        def counted(name):
            return lambda *args, **options: self.call(name, names[name], *args, **options)

        def open_name(path, flags, *args, **options):
            if not flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
                return names["open"](path, flags, *args, **options)
            return self.call("open", names["open"], path, flags, *args, **options)

        with (
            mock.patch.multiple(os, **{name: counted(name) for name in NAMES} | {"open": open_name}),
            mock.patch.object(io, "open", open_file),
            mock.patch.object(builtins, "open", open_file),
        ):
            yield self


class Written:
    """A file open for writing, whose calls are counted; a write that fails has written half."""

    def __init__(self, faults, file):
        self.faults, self.file = faults, file

    def __getattr__(self, name):
        return getattr(self.file, name)

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self.close()

    def write(self, content):
        try:
            return self.faults.call("write", self.file.write, content)
        except OSError:
            self.file.write(content[: len(content) // 2])
            raise

    def close(self):
        if not self.file.closed:
            try:
                self.faults.call("close", self.file.close)
            finally:
                self.file.close()


# ---------------------------------------------------------------------------------------------------------------------
# saves

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


@dataclass(frozen=True)
class Save:
    """A way of saving: what is there before, the save itself; what must open before a repeat, and what messages ask to do for one."""

    before: Callable[[Path], object]
    save: Callable[[Path], object]
    opens: Callable[[Path], object] = lambda folder: None
    clear: Callable[[Path], object] = lambda folder: None


def _mask(level):
    from holo.mask import Mask

    return Mask(np.full((20, 24), level, np.uint8), np.full((20, 24), level / 40, np.float32), record())


def _write_mask(level, overwrite=False):
    from holo.mask import write_mask

    return lambda folder: write_mask(folder / "mask.tiff", _mask(level), overwrite)


def _render(suffix):
    from holo.mask import render_levels

    return lambda folder: render_levels(folder / f"levels{suffix}", _mask(3).levels, overwrite=True)


def _frame(folder):
    from holo.frames import write_frame

    write_frame(folder / "frame.tiff", np.full((3, 10, 12), 5, np.uint16))


def _folder(name, content):
    from holo.files import write_folder

    return lambda folder: write_folder(folder / name, {"a.txt": content, "b.txt": content * 2, "in/c.txt": content * 3}, lambda: None)


def _registration(offset, overwrite=False):
    from holo.affine import Affine
    from holo.registration import Registration, write_registration

    def save(folder):
        made = Registration(lattice_to_plane=Affine(np.eye(2), [offset, 0.0]), time=TIME.isoformat())
        write_registration(folder / "registration.toml", made, overwrite)

    return save


def _sources():
    return {"arrangement": None, **{key: record()[key] for key in ("bench", "registration")}}


def start(folder, seed=1, overwrite=False):
    """Start a run of the light dialogue in a folder, at a fixed time."""
    with mock.patch.object(holo.dialogue, "datetime", mock.Mock(now=lambda zone: TIME)):
        return holo.dialogue.start_run(folder / "run", "light", light_dialogue, _sources(), {"seed": seed}, ("result.txt",), overwrite)


def reopen(folder):
    """Open that run."""
    return holo.dialogue.open_run(folder / "run", "light", light_dialogue)


def answer(folder):
    """Give the run its next frame, if it wants one."""
    run = reopen(folder)
    if run.ask is not None:
        run.answer(np.full((10, 12), 7 + run.step, np.uint16))


def _answered(count):
    def before(folder):
        start(folder)
        for _ in range(count):
            answer(folder)

    return before


def _answer_to(step):
    """Answer until so many frames were given, so that a repeat does no more."""

    def save(folder):
        while reopen(folder).step < step:
            answer(folder)

    return save


def _sequence(name, level, overwrite=False):
    from holo.moves import MoveFrame
    from holo.sequence import write_sequence

    def make(last):
        for number in range(0 if last is None else last.number, 3):
            levels = np.full((20, 24), level + number, np.uint16)
            yield MoveFrame(number, float(number), levels, np.full(4, level + 1j), 0.9, 0.99, 3, np.full(4, 0.5) if number else None)

    return lambda folder: write_sequence(folder / name, {"levels": 256, "level": level}, make, 10.0, overwrite=overwrite)


def _command(*words):
    from click.testing import CliRunner

    from holo.cli import main

    def save(folder):
        result = CliRunner().invoke(main, [str(folder / word[1:]) if word.startswith("@") else word for word in words])
        assert "fault in holo" not in result.output, result.output
        if result.exit_code:
            raise (OutputExistsError if "exists already" in result.output else HoloError)(result.output)

    return save


def _nothing(folder):
    pass


def _masks(folder):
    """Two mask files and a bench."""
    (folder / "bench.toml").write_text(TINY.format(**PLAIN))
    for name in ("one", "two"):
        (folder / f"{name}.tiff").write_bytes(mask_bytes(json.dumps(record())))


def _both(*steps):
    def save(folder):
        for step in steps:
            step(folder)

    return save


def _add(folder):
    with mock.patch.object(holo.compose, "datetime", mock.Mock(now=lambda zone: TIME)):
        _command("add", "@one.tiff", "-o", "@out.tiff", "--bench", "@bench.toml", "--tilt-um", "0.1", "0.1", "--spiral", "1")(folder)


def _jobs(tag, overwrite=False):
    """The folder of a batch of two jobs, one of them with a report, and the tables."""
    from holo.jobs import Job
    from holo.results import Results
    from holo.worker import Made

    jobs = [Job(name, Path("a.toml"), Path("b.toml"), report=name == "two") for name in ("one", "two")]
    made = Made(tag * 5000, {"report.html": tag * 300, "sites.csv": tag}, {"uniformity": 0.9}, ("a warning",))

    def save(folder):
        with Results(folder / "out", overwrite) as results:
            for job in jobs:
                if not results.finished(job, tag.decode()):
                    results.keep(job, tag.decode(), made, 1)
            results.tabulate(jobs)

    return save


def _shelved(folder):
    """A mask that a service adds to its folder."""
    from holo.bench import parse_bench
    from holo.shelf import Shelf

    Shelf(folder, parse_bench(TINY.format(**PLAIN), "bench.toml").panel).add("new", _mask(3))


def _unlisted(folder):
    """What the message about a file that is in no manifest asks for."""
    manifest = folder / "manifest.json"
    if not (manifest.is_file() and '"new.tiff"' in manifest.read_text()):
        (folder / "new.tiff").unlink(missing_ok=True)


def _plan(folder):
    """A plan of Fourier transforms that is kept."""
    from holo.plans import kept

    kept(folder / "cache" / "plans" / "96x80", lambda: "a plan")


MANIFEST = ("manifest", "@one.tiff", "@two.tiff", "-o", "@manifest.json")
TRAPS = ("trap", "@one.tiff", "--bench", "@bench.toml", "--species", "Li-6", "--table", "@traps.csv")


def saves():
    """All ways of saving, by name."""
    first, second = _write_mask(1), _write_mask(2, overwrite=True)
    return {
        "mask": Save(_nothing, first),
        "mask, again": Save(first, second),
        "levels.png": Save(_nothing, _render(".png")),
        "levels.npy": Save(_nothing, _render(".npy")),
        "frame": Save(_nothing, _frame),
        "registration, again": Save(_registration(1.0), _registration(2.0, overwrite=True)),
        "folder": Save(_nothing, _folder("new", b"new")),
        "folder, again": Save(_folder("new", b"old"), _folder("new", b"new")),
        "run": Save(_nothing, start, reopen),
        "run, in an empty folder": Save(lambda folder: (folder / "run").mkdir(), start, reopen),
        "run, again": Save(_answered(2), lambda folder: start(folder, 2, overwrite=True), reopen),
        "first frame": Save(_answered(0), _answer_to(1), reopen),
        "last frame": Save(_answered(1), _answer_to(2), reopen),
        "sequence": Save(_nothing, _sequence("moves", 1)),
        "sequence, again": Save(_sequence("moves", 1), _sequence("moves", 2, overwrite=True)),
        "sequence of pages": Save(_nothing, _sequence("moves.tiff", 1)),
        "nudge": Save(
            lambda folder: (folder / "mask.tiff").write_bytes(mask_bytes(json.dumps(record()))),
            _command("nudge", "@mask.tiff", "-o", "@out.tiff", "--by-um", "0.1", "0.1"),
        ),
        "sum": Save(_masks, _add),
        "manifest": Save(_masks, _command(*MANIFEST, "--rate-hz", "10")),
        "manifest, again": Save(
            _both(_masks, _command(*MANIFEST, "--rate-hz", "10")), _command(*MANIFEST, "--rate-hz", "20", "--overwrite")
        ),
        "trap table": Save(_masks, _command(*TRAPS)),
        "starter files": Save(_nothing, _command("new", "@lab")),
        "batch": Save(_nothing, _jobs(b"new")),
        "batch, again": Save(_jobs(b"old"), _jobs(b"new", overwrite=True)),
        "mask of a service": Save(_nothing, _shelved, clear=_unlisted),
        "mask of a service, one more": Save(_both(_masks, _command(*MANIFEST, "--rate-hz", "10")), _shelved, clear=_unlisted),
        "plan": Save(_nothing, _plan),
    }


# ---------------------------------------------------------------------------------------------------------------------
# files that vanish


class Vanishing:
    """Counts how often a file of a folder is looked at or opened for reading, and takes one away just before."""

    def __init__(self, folder, at=-1):
        self.folder, self.at, self.count, self.taken = folder, at, 0, None

    def _look(self, path):
        if not isinstance(path, str | os.PathLike) or os.fspath(path) not in self._there:
            return
        if self.count == self.at:
            self.taken = self._there[os.fspath(path)]
            Path(path).unlink()
        self.count += 1

    @contextmanager
    def watching(self):
        """Watch the files that a folder has now."""
        self._there = {str(path): str(path.relative_to(self.folder)) for path in self.folder.rglob("*") if path.is_file()}
        opened, looked = io.open, os.stat

        def open_file(file, mode="r", *args, **options):
            if not set(mode) & set("wax+"):
                self._look(file)
            return opened(file, mode, *args, **options)

        def stat(path, *args, **options):
            self._look(path)
            return looked(path, *args, **options)

        with mock.patch.object(io, "open", open_file), mock.patch.object(builtins, "open", open_file), mock.patch.object(os, "stat", stat):
            yield self


def vanished(save, folder, at):
    """Take a file away in the midst of a save; returns what is wrong, or nothing, and whether a file was taken at all."""
    _fresh(folder)
    save.before(folder)
    old = contents(folder)
    watch = Vanishing(folder, at)
    ended = ""
    try:
        with watch.watching():
            save.save(folder)
    except HoloError as error:
        ended = str(error)
    except Exception as error:
        return f"{watch.taken} taken at {at}: {type(error).__name__}: {str(error)[-500:]}", True
    if watch.taken is None:
        return "", False
    now = contents(folder)
    if {name: now.get(name) for name in old if name != watch.taken} != {name: old[name] for name in old if name != watch.taken}:
        return f"{watch.taken} taken at {at}: other files have changed", True
    if ended and now.keys() - old.keys():
        return f"{watch.taken} taken at {at}: left {now.keys() - old.keys()}", True
    if left(folder):
        return f"{watch.taken} taken at {at}: left {left(folder)}", True
    return ("" if not ended or Path(watch.taken).stem in ended else f"{watch.taken} taken at {at}, but told: {ended}"), True


READS = {
    "manifest": MANIFEST,
    "sum": ("add", "@one.tiff", "@two.tiff", "-o", "@out.tiff", "--bench", "@bench.toml"),
    "trap table": TRAPS,
    "nudge": ("nudge", "@one.tiff", "-o", "@out.tiff", "--by-um", "0.1", "0.1", "--bench", "@bench.toml"),
    "levels": ("render", "@one.tiff", "-o", "@levels.png"),
    "look": ("inspect", "@one.tiff"),
    "forecast": ("predict", "@one.tiff", "--bench", "@bench.toml"),
    "jobs": ("batch", "@jobs.toml", "--list"),
    "service": ("serve", "@", "--bench", "@bench.toml", "--wanted", "@sites.toml", "--reservoir", "@sites.csv"),
    "response": ("response", "start", "--bench", "@bench.toml", "--run", "@run"),
    "screen": ("show", "@one.tiff"),
}
"""Commands that read files of `read_by`, by what they do."""


def read_by(name):
    """A command that reads files, with those that it reads; a service ends as soon as it could begin."""
    sites = "i,j\n-4,-3\n-1,-3\n-4,0\n"
    files = {"sites.csv": sites, "sites.toml": '[[add]]\nsites_csv = "sites.csv"\n', "jobs.toml": JOBS}

    def before(folder):
        _masks(folder)
        for file, text in files.items():
            (folder / file).write_text(text)
        rate = "level_for_2pi = 212\nframe_rate_hz = 60.0\nsettling_ms = 5.0"
        (folder / "bench.toml").write_text(TINY.format(**{**PLAIN, "response": rate}))

    def save(folder):
        with mock.patch("holo.serve.run"):
            _command(*READS[name])(folder)

    return Save(before, save)


def read_again(reader):
    """A reader of `fuzzing`, with its files."""

    def before(folder):
        for name, content in reader.files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)

    return Save(before, reader.read)


JOBS = """[common]
bench = "bench.toml"
[[job]]
arrangement = "sites.toml"
"""

# ---------------------------------------------------------------------------------------------------------------------
# the judge


def contents(folder):
    """Content of all files of a folder that are not hidden, by their path in it."""
    paths = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in paths if not _hidden(path, folder)}


def _hidden(path, folder):
    return any(part.startswith(".") for part in path.relative_to(folder).parts)


def left(folder):
    """Hidden files and folders that a save has left; what a sequence goes on from is meant to stay."""
    return [path.name for path in folder.rglob(".*") if not path.name.endswith(".part")]


@dataclass(frozen=True)
class Known:
    """What a save comes from and goes to."""

    old: dict[str, bytes]
    new: dict[str, bytes]
    calls: int


def known(save, folder):
    """Save without a fault, and count the calls."""
    _fresh(folder)
    save.before(folder)
    old = contents(folder)
    with Faults().watching() as faults:
        save.save(folder)
    assert not left(folder)
    return Known(old, contents(folder), faults.count)


def _fresh(folder):
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)


def broken(save, folder, facts, at, how):
    """Break a save off at a call, then try again; returns what is wrong, or nothing."""
    _fresh(folder)
    save.before(folder)
    faults = Faults(at, how)
    ended = _killed(save, folder, faults) if how.startswith("killed") else _failed(save, folder, faults)
    if ended:
        return ended
    if (folder / ".moves.old").is_dir() and not (folder / "moves").exists():  # comes back by itself with the next command
        (folder / ".moves.old").rename(folder / "moves")
    now = contents(folder)
    for name in facts.old.keys() | now.keys():
        allowed = {facts.old.get(name), facts.new.get(name)}
        if now.get(name) not in allowed and not _on_the_way(name, now.get(name), facts):
            return f"{name} is neither what it was nor what it was to be"
    if how in ("full", "once") and not faults.stuck and left(folder):
        return f"left {left(folder)}"
    try:
        if (folder / "run").is_dir() and any((folder / "run").glob("[!.]*")):
            save.opens(folder)
        save.clear(folder)
        save.save(folder)
    except OutputExistsError:  # it is there already, or this has brought it to its end
        if contents(folder) != facts.new:
            return "cannot be repeated"
    except Exception as error:
        return f"repeated: {type(error).__name__}: {error}"
    return "" if contents(folder) == facts.new else f"repeated, it ends elsewhere: {contents(folder).keys() ^ facts.new.keys()}"


def _on_the_way(name, content, facts):
    """Whether a file is that of an older run at an earlier step, or a journal that goes on from line to line."""
    if name.startswith("run/"):
        return "run/result.txt" in facts.old
    return name == "out/journal.jsonl" and content is not None and facts.new[name].startswith(content)


def _failed(save, folder, faults):
    try:
        with faults.watching():
            save.save(folder)
    except (HoloError, OSError) as error:
        return "" if str(error) else "no message"
    except Exception as error:
        return f"{type(error).__name__}: {error}"
    return ""


def _killed(save, folder, faults):
    child = os.fork()
    if child == 0:
        try:
            with faults.watching():
                save.save(folder)
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return "" if os.WIFSIGNALED(status) else "was not killed"
