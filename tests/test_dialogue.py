from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import toy_dialogue
from toy_dialogue import STEPS, begin_run, dialogue, reopen, sources_of, take

import holo.files
from holo.dialogue import converse, open_run, start_run
from holo.errors import CalibrationError, InputError, LinkError, OutputExistsError
from holo.frames import read_frame
from holo.mask import read_mask


@pytest.fixture
def text(small_bench_text):
    return small_bench_text()


def content(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_run_from_start_to_result(tmp_path, text):
    run = begin_run(tmp_path / "run", text)
    assert run.mask_path == tmp_path / "run" / "mask-000.tiff"
    assert (read_mask(run.mask_path).levels == run.ask.mask.levels).all()
    told = []
    converse(run, take, lambda step, note: told.append((step, note)))
    assert told == [(step, f"frame {step}") for step in range(STEPS)]
    assert run.ask is None
    assert run.step == STEPS
    names = {f"{kind}-{step:03d}.tiff" for kind in ("mask", "frame") for step in range(STEPS)} | {"journal.json", "result.json"}
    assert set(content(tmp_path / "run")) == names
    journal = json.loads((tmp_path / "run" / "journal.json").read_text())
    assert journal["done"]
    assert journal["summary"] == {"total": run.outcome.total}
    result = json.loads((tmp_path / "run" / "result.json").read_text())
    assert result["frames"] == {f"frame-{step:03d}.tiff": entry["frame"] for step, entry in enumerate(journal["steps"])}


def test_frames_are_kept_as_they_were(tmp_path, text):
    run = begin_run(tmp_path / "run", text)
    frame = take(run.ask.mask.levels, 0).astype(np.float64) + 0.1
    run.answer(frame)
    kept = read_frame(tmp_path / "run" / "frame-000.tiff")
    assert kept.dtype == np.float64
    assert (kept == frame).all()


def test_step_by_step_in_new_processes_is_the_same(tmp_path, text):
    run = begin_run(tmp_path / "one", text)
    shutil.copytree(tmp_path / "one", tmp_path / "two")
    converse(run, take)
    while (again := reopen(tmp_path / "two")).ask is not None:
        again.answer(take(again.ask.mask.levels, again.step))
    assert content(tmp_path / "two") == content(tmp_path / "one")


def test_a_refused_frame_is_not_kept_and_another_one_is_taken(tmp_path, text):
    run = begin_run(tmp_path / "run", text)
    run.answer(take(run.ask.mask.levels, 0))
    before = content(tmp_path / "run")
    with pytest.raises(CalibrationError, match="frame 1: found no light"):
        run.answer(np.zeros((10, 12), np.uint16))
    assert content(tmp_path / "run") == before
    assert run.step == 1
    converse(run, take)
    assert run.outcome.history == reopen(tmp_path / "run").outcome.history


@pytest.mark.parametrize("wrong", [np.zeros(5), np.zeros((10, 12), complex), np.full((10, 12), np.nan), "frame", None])
def test_what_is_no_frame_is_refused(tmp_path, text, wrong):
    run = begin_run(tmp_path / "run", text)
    with pytest.raises(InputError, match=r"frame-000.tiff.*allowed"):
        run.answer(wrong)
    assert not (tmp_path / "run" / "frame-000.tiff").exists()


class Killed(BaseException):
    pass


@pytest.mark.parametrize("moment", range(8))
def test_killed_at_any_write_it_goes_on_to_the_same_result(tmp_path, text, monkeypatch, moment):
    run = begin_run(tmp_path / "one", text)
    shutil.copytree(tmp_path / "one", tmp_path / "two")
    converse(run, take)
    publish, move = holo.files._publish, Path.replace
    kills = 0

    def killing(original, *, after):
        count = 0

        def call(*args):
            nonlocal count, kills
            count += 1
            if count % 5 == moment % 5:
                kills += 1
                if after:
                    original(*args)
                raise Killed
            return original(*args)

        return call

    for _ in range(200):
        with monkeypatch.context() as patched:
            patched.setattr(holo.files, "_publish", killing(publish, after=moment >= 5))
            patched.setattr(Path, "replace", killing(move, after=moment >= 5))
            try:
                again = reopen(tmp_path / "two")
                converse(again, take)
                break
            except Killed:
                continue
        if kills > 15:
            break
    converse(reopen(tmp_path / "two"), take)
    assert kills > 1
    assert content(tmp_path / "two") == content(tmp_path / "one")


def test_killed_from_outside_it_goes_on_to_the_same_result(tmp_path, text):
    run = begin_run(tmp_path / "one", text)
    shutil.copytree(tmp_path / "one", tmp_path / "two")
    converse(run, take)
    chance = random.Random(5)
    steps = []
    command = [sys.executable, toy_dialogue.__file__, str(tmp_path / "two"), "0.02"]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)}
    for _ in range(6):
        with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as process:
            process.stdout.readline()
            time.sleep(chance.uniform(0, 0.2))
            process.send_signal(signal.SIGKILL)
        steps.append(len(list((tmp_path / "two").glob("frame-*.tiff"))))
    assert steps[-1] > 0
    for left in (tmp_path / "two").glob(".*"):  # what a killed write leaves beside its place
        left.unlink()
    converse(reopen(tmp_path / "two"), take)
    assert content(tmp_path / "two") == content(tmp_path / "one")


def test_a_link_that_fails_leaves_the_run_as_it_was(tmp_path, text):
    run = begin_run(tmp_path / "run", text)

    def failing(levels, step):
        if step == 3:
            raise LinkError("no frame came")
        return take(levels, step)

    with pytest.raises(LinkError):
        converse(run, failing)
    assert reopen(tmp_path / "run").step == 3


def test_a_done_run_takes_no_frames(tmp_path, text):
    run = begin_run(tmp_path / "run", text)
    converse(run, take)
    with pytest.raises(InputError, match="is done"):
        run.answer(take(np.zeros((2, 2)), 0))


def test_an_existing_run_is_replaced_only_if_asked(tmp_path, text):
    converse(begin_run(tmp_path / "run", text), take)
    (tmp_path / "run" / "notes.txt").write_text("mine")
    before = content(tmp_path / "run")
    with pytest.raises(OutputExistsError, match="--overwrite"):
        begin_run(tmp_path / "run", text)
    assert content(tmp_path / "run") == before
    run = begin_run(tmp_path / "run", text, overwrite=True)
    assert run.step == 0
    assert set(content(tmp_path / "run")) == {"mask-000.tiff", "journal.json", "notes.txt"}


def test_a_dialogue_that_cannot_begin_writes_nothing(tmp_path, text):
    def hopeless(start):
        raise InputError("bench: found no camera")
        yield

    with pytest.raises(InputError, match="no camera"):
        start_run(tmp_path / "run", "toy", hopeless, sources_of(text), {})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("place", "message"), [("file", "is a file; name a folder"), ("none/run", "there is no folder"), ("full", "holds files already")]
)
def test_folders_that_cannot_be_used(tmp_path, text, place, message):
    (tmp_path / "file").write_text("")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "thesis.tex").write_text("dear reader")
    with pytest.raises(InputError, match=message):
        begin_run(tmp_path / place, text)


def edited(folder, **changes):
    path = folder / "journal.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), **changes}))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"format": "other"}, "allowed: the journal of a run"),
        ({"version": 2}, "version: found 2; allowed: 1"),
        ({"dialogue": "sense"}, "dialogue: found 'sense'; allowed: 'toy'"),
        ({"steps": 5}, "journal.steps: found 5; allowed: a list"),
        ({"steps": [{"note": 1}]}, r"steps\[0\].note: found 1"),
        ({"bench": {}}, "bench.path: missing"),
        ({"options": None}, "journal.options"),
        ({"time": 4}, "journal.time"),
    ],
)
def test_journals_that_are_none(tmp_path, text, changes, message):
    begin_run(tmp_path / "run", text)
    edited(tmp_path / "run", **changes)
    with pytest.raises(InputError, match=message) as caught:
        reopen(tmp_path / "run")
    assert "journal.json" in str(caught.value)


def test_a_folder_without_a_run(tmp_path):
    with pytest.raises(InputError, match=r"journal\.json: no such file"):
        reopen(tmp_path)


@pytest.mark.parametrize("text_", ["", "{", "[" * 100_000])
def test_a_journal_that_is_no_json(tmp_path, text, text_):
    begin_run(tmp_path / "run", text)
    (tmp_path / "run" / "journal.json").write_text(text_)
    with pytest.raises(InputError, match=r"journal\.json: found no JSON"):
        reopen(tmp_path / "run")


def test_an_exchanged_frame_is_noticed(tmp_path, text):
    run = begin_run(tmp_path / "run", text)
    for _ in range(3):
        run.answer(take(run.ask.mask.levels, run.step))
    shutil.copy(tmp_path / "run" / "frame-000.tiff", tmp_path / "run" / "frame-001.tiff")
    with pytest.raises(InputError, match=r"frame-001.tiff: is not the file that this run was given"):
        reopen(tmp_path / "run")


def test_a_mask_that_comes_out_otherwise_is_noticed(tmp_path, text):
    run = begin_run(tmp_path / "run", text)
    run.answer(take(run.ask.mask.levels, 0))

    def other(start):
        return dialogue(replace(start, options={"seed": 2}))

    with pytest.raises(InputError, match=r"mask-000.tiff: this version of holo, or this machine, makes another mask"):
        open_run(tmp_path / "run", "toy", other)
