"""Saves that are broken off, and commands that meet in one folder; `tests/benchmarks/faults.py` does every call of every save."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
from pathlib import Path
from unittest import mock

import faulty
import numpy as np
import pytest
from click.testing import CliRunner
from faulty import READS, answer, broken, contents, known, read_again, read_by, reopen, saves, start, vanished
from fuzzing import PLAIN, TINY, mask_bytes, readers, record

import holo.dialogue
import holo.files
from holo.bench import parse_bench
from holo.cli import main
from holo.errors import InputError
from holo.files import locked, read_text, write_text
from holo.manifest import check_manifest, manifest_of, write_manifest
from holo.mask import read_mask
from holo.sequence import write_sequence
from holo.shelf import Shelf

QUICK = ("mask, again", "folder", "folder, again", "run, again", "manifest, again", "mask of a service, one more")


@pytest.mark.parametrize("name", QUICK)
@pytest.mark.parametrize("how", ["full", "once"])
def test_a_save_that_fails_at_any_call_leaves_whole_files_and_can_be_repeated(tmp_path, name, how):
    save = saves()[name]
    facts = known(save, tmp_path / "place")
    assert facts.calls >= 8
    for at in range(0, facts.calls, 1 if name == "mask, again" else 3):
        assert broken(save, tmp_path / "place", facts, at, how) == ""


@pytest.mark.parametrize("name", ["mask, again", "run, again"])
def test_a_save_that_is_killed_leaves_whole_files_and_can_be_repeated(tmp_path, name):
    save = saves()[name]
    facts = known(save, tmp_path / "place")
    for at in range(1, facts.calls, 4):
        assert broken(save, tmp_path / "place", facts, at, "killed before") == ""


def test_the_judge_sees_half_a_file(tmp_path):
    def half(folder):
        with Path(folder / "note").open("wb") as file:
            file.write(b"new content")

    save = faulty.Save(lambda folder: (folder / "note").write_bytes(b"old"), half)
    facts = known(save, tmp_path / "place")
    assert "neither what it was" in broken(save, tmp_path / "place", facts, 1, "once")


def test_a_sequence_killed_between_old_and_new_has_the_old_one_back(tmp_path):
    save = saves()["sequence, again"]
    save.before(tmp_path)
    old = contents(tmp_path)
    (tmp_path / "moves").rename(tmp_path / ".moves.old")
    with pytest.raises(InputError, match="exists already"):
        write_sequence(tmp_path / "moves", {}, lambda last: iter(()), 10.0)
    assert contents(tmp_path) == old


# ---------------------------------------------------------------------------------------------------------------------
# two at once

HOLD = """
import sys
from pathlib import Path
from holo.files import locked
with locked(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def held(tmp_path):
    """A folder that another process holds, and that process."""
    folder = tmp_path / "run"
    folder.mkdir()
    environment = {**os.environ, "PYTHONPATH": str(Path(holo.__file__).parents[1])}
    command = [sys.executable, "-c", HOLD, str(folder)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment) as process:
        process.stdout.readline()
        yield folder, process
        process.kill()


def test_a_folder_in_use_is_refused_until_the_other_command_ends_however_it_ends(held):
    folder, other = held
    with pytest.raises(InputError, match=r"run: another command is at work in it; wait until it is done, or end it first"), locked(folder):
        raise AssertionError
    other.kill()
    other.wait()
    with locked(folder):
        pass
    assert list(folder.iterdir()) == []


def test_a_command_in_a_run_folder_in_use_is_refused(held, tmp_path):
    (tmp_path / "bench.toml").write_text(TINY.format(**PLAIN))
    for words in (["start", "--bench", str(tmp_path / "bench.toml")], ["step", "--frame", "frame.tiff"], ["run", "--link", "twin"]):
        result = CliRunner().invoke(main, ["register", *words, "--run", str(held[0])])
        assert result.exit_code == 2
        assert "another command is at work in it" in result.output
    assert list(held[0].iterdir()) == []


def test_two_services_on_one_folder_lose_no_mask(tmp_path):
    panel, mask = parse_bench(TINY.format(**PLAIN), "bench.toml").panel, faulty._mask(3)
    shelves = [Shelf(tmp_path, panel), Shelf(tmp_path, panel)]
    threads = [
        threading.Thread(target=lambda one=one: [shelves[one].add(f"{one} {number}", mask) for number in range(8)]) for one in (0, 1)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    listed = {entry.name for entry in check_manifest(tmp_path / "manifest.json").masks}
    assert listed == {f"{one} {number}" for one in (0, 1) for number in range(8)}


def test_a_service_whose_folder_is_held_adds_nothing(held, monkeypatch):
    folder, _ = held
    monkeypatch.setattr("holo.shelf.WAIT_S", 0.05)
    shelf = Shelf(folder, parse_bench(TINY.format(**PLAIN), "bench.toml").panel)
    with pytest.raises(InputError, match="another command is at work in it"):
        shelf.add("new", faulty._mask(3))
    assert list(folder.iterdir()) == []


def test_a_mask_file_that_no_manifest_lists_is_not_replaced(tmp_path):
    (tmp_path / "new.tiff").write_bytes(b"somebody's")
    with pytest.raises(InputError, match=r"new.tiff is there already, though manifest.json does not list it; allowed: a new name, or take"):
        saves()["mask of a service"].save(tmp_path)
    assert (tmp_path / "new.tiff").read_bytes() == b"somebody's"


def test_a_sequence_that_is_being_made_is_refused(tmp_path):
    (tmp_path / ".moves.part").mkdir()
    with locked(tmp_path / ".moves.part"), pytest.raises(InputError, match="another command is at work"):
        write_sequence(tmp_path / "moves", {}, lambda last: iter(()), 10.0)


def test_a_folder_that_is_not_there_or_was_replaced(tmp_path):
    with locked(tmp_path / "none"):
        pass
    (tmp_path / "run").mkdir()
    with (
        mock.patch.object(os.path, "samestat", return_value=False),
        pytest.raises(InputError, match="moved or replaced"),
        locked(tmp_path / "run"),
    ):
        raise AssertionError


# ---------------------------------------------------------------------------------------------------------------------
# what else happens to files


def test_a_file_that_vanishes_between_check_and_use(tmp_path):
    (tmp_path / "note.toml").write_text("x = 1")
    checked = holo.files.check_file

    def vanishing(path):
        checked(path)
        Path(path).unlink()

    with mock.patch("holo.files.check_file", vanishing), pytest.raises(InputError, match=r"note.toml: cannot be read \(No such file"):
        read_text(tmp_path / "note.toml")
    (tmp_path / "mask.tiff").write_bytes(mask_bytes("{}"))
    with mock.patch("holo.files.check_file", vanishing), pytest.raises(InputError, match=r"mask.tiff: cannot be read \(No such file"):
        read_mask(tmp_path / "mask.tiff")


@pytest.mark.parametrize("name", READS)
def test_a_file_that_vanishes_in_the_midst_of_a_command(tmp_path, name):
    for at in range(0, 100, 3):
        wrong, taken = vanished(read_by(name), tmp_path / "place", at)
        assert wrong == ""
        if not taken:
            break
    assert at >= 3


def test_a_file_that_vanishes_in_the_midst_of_a_reader(tmp_path):
    every = readers(tmp_path)
    for name in ("bench-files", "arrangement", "mask", "frame-tiff", "jobs", "manifest", "species"):
        assert vanished(read_again(every[name]), tmp_path / "place", 1) == ("", True)


def test_the_judge_of_what_vanishes_sees_faults(tmp_path):
    def bare(folder):
        (folder / "one.tiff").read_bytes()

    def careless(folder):
        (folder / "new").write_text("half")
        if not (folder / "one.tiff").is_file():
            raise InputError("one.tiff: no such file")

    for save, wrong in ((bare, "one.tiff taken at 0: FileNotFoundError"), (careless, "left {'new'}")):
        assert wrong in vanished(faulty.Save(faulty._masks, save), tmp_path / "place", 0)[0]


@pytest.mark.parametrize(
    "words",
    [
        *(READS[name] for name in ("manifest", "sum", "trap table", "nudge", "levels", "service", "response")),
        ("batch", "@jobs.toml"),
        ("new", "@lab"),
    ],
    ids=lambda words: words[0],
)
def test_a_command_in_a_folder_that_is_read_only(tmp_path, words):
    folder = tmp_path / "place"
    folder.mkdir()
    read_by("manifest").before(folder)
    old = contents(folder)
    refused = mock.Mock(side_effect=PermissionError(13, "Permission denied"))
    readable = mock.Mock(side_effect=lambda path, mode, **_: mode != os.W_OK)
    with mock.patch.multiple(os, access=readable, mkdir=refused, rename=refused):
        found = CliRunner().invoke(main, [str(folder / word[1:]) if word.startswith("@") else word for word in words])
    assert found.exit_code == 2, found.output
    assert re.search(r"error: .*cannot be written \((nothing may be written into|Permission denied)", found.output), found.output
    assert contents(folder) == old


def test_a_folder_that_turns_read_only(tmp_path):
    (tmp_path / "note.toml").write_text("old")
    refused = mock.Mock(side_effect=PermissionError(13, "Permission denied"))
    for name in ("open", "replace"):
        with mock.patch.object(os, name, refused), pytest.raises(InputError, match=r"note.toml: cannot be written \(Permission denied\)"):
            write_text(tmp_path / "note.toml", "new", overwrite=True)
        assert (tmp_path / "note.toml").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["note.toml"]


def test_a_clock_that_goes_back(tmp_path):
    start(tmp_path)
    with mock.patch.object(holo.dialogue, "datetime", mock.Mock(now=lambda zone: faulty.TIME.replace(year=1990))):
        for path in (tmp_path / "run").iterdir():
            os.utime(path, (2**33, 2**33))  # files from the future
        answer(tmp_path)
        answer(tmp_path)
        assert reopen(tmp_path).ask is None
    (tmp_path / "same").mkdir()
    start(tmp_path / "same")
    answer(tmp_path / "same")
    answer(tmp_path / "same")
    assert contents(tmp_path / "run") == contents(tmp_path / "same" / "run")


def test_a_manifest_from_the_past_is_seen(tmp_path):
    faulty._masks(tmp_path)
    saves()["mask of a service, one more"].save(tmp_path)
    shelf = Shelf(tmp_path, parse_bench(TINY.format(**PLAIN), "bench.toml").panel)
    assert [entry.name for entry in shelf.manifest().masks] == ["new"]
    write_manifest(tmp_path / "manifest.json", manifest_of(tmp_path / "manifest.json", [tmp_path / "one.tiff"]), overwrite=True)
    os.utime(tmp_path / "manifest.json", (0, 0))
    assert [entry.name for entry in shelf.manifest().masks] == ["one"]


def test_a_mask_from_the_future_is_read(tmp_path):
    (tmp_path / "mask.tiff").write_bytes(mask_bytes(json.dumps({**record(), "time": "2999-01-01T00:00:00+00:00"})))
    assert np.all(read_mask(tmp_path / "mask.tiff").levels >= 0)
