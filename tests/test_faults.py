"""Saves that are broken off, and commands that meet in one folder; `tests/benchmarks/faults.py` does every call of every save."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from unittest import mock

import faulty
import numpy as np
import pytest
from click.testing import CliRunner
from faulty import answer, broken, contents, known, reopen, saves, start
from fuzzing import PLAIN, TINY, mask_bytes, record

import holo.dialogue
from holo.cli import main
from holo.errors import InputError
from holo.files import locked, read_text, write_text
from holo.mask import read_mask
from holo.sequence import write_sequence

QUICK = ("mask, again", "folder", "folder, again", "run, again")


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
    seen = Path.is_file

    def vanishing(path):
        there = seen(path)
        path.unlink(missing_ok=True)
        return there

    with mock.patch.object(Path, "is_file", vanishing), pytest.raises(InputError, match=r"note.toml: cannot be read \(No such file"):
        read_text(tmp_path / "note.toml")
    (tmp_path / "mask.tiff").write_bytes(mask_bytes("{}"))
    with mock.patch.object(Path, "is_file", vanishing), pytest.raises(InputError, match=r"mask.tiff: "):
        read_mask(tmp_path / "mask.tiff")


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


def test_a_mask_from_the_future_is_read(tmp_path):
    (tmp_path / "mask.tiff").write_bytes(mask_bytes(json.dumps({**record(), "time": "2999-01-01T00:00:00+00:00"})))
    assert np.all(read_mask(tmp_path / "mask.tiff").levels >= 0)
