"""Sequences on disk: complete or not there, the same bit for bit after a break, in a folder and in one file."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image

import holo
from holo.bench import parse_bench
from holo.cli import main
from holo.errors import InputError, OutputExistsError
from holo.manifest import check_manifest, read_manifest
from holo.moves import Course, MoveOptions, Mover
from holo.sequence import write_sequence

HEAD = {"levels": 256, "inputs": {"bench": "sha256:0"}}


@pytest.fixture
def make(small_bench_text):
    """What makes the frames of a short move; counts the masks that it makes."""
    bench = parse_bench(small_bench_text(), "bench.toml")
    places = np.array([[6.0, 4, 0], [9, 4, 0], [6, 7, 0], [9, 7, 0]])
    moved = Course(np.stack([places, places + [2.0, 1.0, 0]]), (5,), 10.0)
    mover = Mover(bench, MoveOptions(lowest=0.1))
    begun = mover.start(places, np.ones(4), np.exp(1j * np.arange(4.0) ** 2))

    def frames(last):
        for frame in mover.frames(moved, np.ones(4), last or begun):
            frames.made += 1
            yield frame

    frames.made = 0
    return frames


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_folder_holds_frames_and_a_manifest_that_names_them(tmp_path, make):
    manifest, lowest = write_sequence(tmp_path / "moves", HEAD, make, 10.0)
    assert check_manifest(tmp_path / "moves" / "manifest.json") == manifest
    assert [entry.time_ms for entry in manifest.masks] == [0, 10, 20, 30, 40, 50]
    assert [entry.name for entry in manifest.masks] == [f"frame-{number:05d}" for number in range(6)]
    assert manifest.made_from == HEAD
    assert tifffile.imread(tmp_path / "moves" / "frame-00003.tiff").dtype == np.uint8
    assert np.array_equal(np.load(tmp_path / "moves" / "lowest.npy"), lowest)
    assert lowest.shape == (5, 4)
    assert [entry.figures["lowest"] for entry in manifest.masks[1:]] == pytest.approx(lowest.min(axis=1).tolist())
    assert sorted(path.name for path in tmp_path.iterdir()) == ["moves"]
    assert len(contents(tmp_path / "moves")) == 6 + 2


def test_one_file_holds_the_same_frames_page_by_page(tmp_path, make):
    write_sequence(tmp_path / "folder", HEAD, make, 10.0)
    manifest, lowest = write_sequence(tmp_path / "moves.tiff", HEAD, make, 10.0)
    pages = tifffile.imread(tmp_path / "moves.tiff")
    for page, entry in enumerate(manifest.masks):
        assert (entry.file, entry.page) == ("moves.tiff", page)
        assert np.array_equal(pages[page], tifffile.imread(tmp_path / "folder" / f"frame-{page:05d}.tiff"))
    assert check_manifest(tmp_path / "moves.json") == manifest
    assert lowest.shape == (5, 4)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder", "moves.json", "moves.tiff"]


@pytest.mark.parametrize("name", ["moves", "moves.tiff"])
@pytest.mark.parametrize("after", [1, 3, 6])
def test_a_broken_run_goes_on_where_it_was(tmp_path, make, name, after):
    def stop(count):
        if count == after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_sequence(tmp_path / name, HEAD, make, 10.0, report=stop)
    assert not (tmp_path / name).exists()
    made = make.made
    manifest, lowest = write_sequence(tmp_path / name, HEAD, make, 10.0)
    assert make.made - made == 6 - after + (after == 1)  # the start, at hand anyway, is given again
    (tmp_path / "whole").mkdir()
    whole, rows = write_sequence(tmp_path / "whole" / name, HEAD, make, 10.0)
    assert manifest == whole
    assert np.array_equal(lowest, rows)
    if name == "moves":
        assert contents(tmp_path / name) == contents(tmp_path / "whole" / name)
    else:
        assert np.array_equal(tifffile.imread(tmp_path / name), tifffile.imread(tmp_path / "whole" / name))


@pytest.mark.parametrize("spoil", ["frame", "journal", "state", "head"])
def test_what_cannot_go_on_is_made_anew(tmp_path, make, spoil):
    def stop(count):
        if count == 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_sequence(tmp_path / "moves", HEAD, make, 10.0, report=stop)
    part = tmp_path / ".moves.part"
    files = {"frame": part / "frame-00001.tiff", "journal": part / "journal.jsonl", "state": part / "state-00003.npy"}
    if spoil in files:
        files[spoil].write_bytes(files[spoil].read_bytes()[:30])
    made = make.made
    head = {**HEAD, "inputs": {"bench": "sha256:1"}} if spoil == "head" else HEAD
    manifest, _ = write_sequence(tmp_path / "moves", head, make, 10.0)
    assert make.made - made == 6
    assert manifest.made_from == head
    assert len(contents(tmp_path / "moves")) == 8


def test_only_a_sequence_is_replaced_and_only_if_told(tmp_path, make):
    write_sequence(tmp_path / "moves", HEAD, make, 10.0)
    with pytest.raises(OutputExistsError, match="moves: exists already; use --overwrite"):
        write_sequence(tmp_path / "moves", HEAD, make, 10.0)
    write_sequence(tmp_path / "moves", HEAD, make, 20.0, overwrite=True)
    assert read_manifest(tmp_path / "moves" / "manifest.json").masks[1].time_ms == 20.0
    (tmp_path / "moves" / "thesis.txt").write_text("years of work")
    with pytest.raises(InputError, match=r"found 'thesis\.txt' in it"):
        write_sequence(tmp_path / "moves", HEAD, make, 10.0, overwrite=True)
    with pytest.raises(InputError, match="there is no folder"):
        write_sequence(tmp_path / "nowhere" / "moves", HEAD, make, 10.0)


# ---------------------------------------------------------------------------------------------------------------------
# the command


@pytest.fixture
def inputs(tmp_path, small_bench_file):
    """Arguments of a small rearrangement."""
    filled = [1, 0, 1, 0, 1, 1, 0, 1, 0, 1, 0, 0, 1, 0, 0, 1]
    lines = [f"{number % 4},{number // 4},{held},0.99" for number, held in enumerate(filled)]
    (tmp_path / "occupancy.csv").write_text("i,j,filled,probability\n" + "\n".join(lines) + "\n")
    (tmp_path / "wanted.toml").write_text('title = "four"\n[[add]]\nblock = [2, 2]\nat = [1, 1]\n')
    bench = small_bench_file(panel__frame_rate_hz=60.0, panel__settling_ms=5.0)
    return [tmp_path / "occupancy.csv", "--arrangement", tmp_path / "wanted.toml", "--bench", bench]


def rearranged(*args):
    return CliRunner().invoke(main, ["rearrange", *map(str, args)], catch_exceptions=False)


def test_the_command_fills_the_wanted_sites_and_reports(tmp_path, inputs):
    run = rearranged(*inputs, "-o", tmp_path / "moves", "--report", tmp_path / "report", "--json")
    assert run.exit_code == 0, run.stderr
    told = json.loads(run.stdout)
    assert told["carried"] == 4
    assert told["unfilled"] == 0
    assert told["closest_um"] >= 0.7 * 3
    assert told["lowest"] >= 0.75
    assert told["frames"] == len(list((tmp_path / "moves").glob("frame-*.tiff")))
    assert 0.9 < told["filled"] <= 1
    page = (tmp_path / "report" / "report.html").read_text()
    assert "laser safety officer" in page
    assert "data:image/gif;base64," in page
    assert page.count("<img") == 3
    with Image.open(tmp_path / "report" / "animation.gif") as moving:
        assert moving.n_frames == min(told["frames"], 60)


def test_the_command_parks_spares_and_writes_one_file(tmp_path, inputs):
    run = rearranged(
        *inputs, "-o", tmp_path / "moves.tiff", "--spare", "park", "--lowest", "0", "--step-cells", "1", "--velocity", "0.01", "--json"
    )
    assert run.exit_code == 0, run.stderr
    told = json.loads(run.stdout)
    assert (told["carried"], told["parked"], told["dropped"]) == (8, 4, 0)
    assert told["lowest"] is None
    assert told["time_ms"] >= 15 / 8 * told["longest_um"] / 0.01
    with tifffile.TiffFile(tmp_path / "moves.tiff") as pages:
        assert len(pages.pages) == told["frames"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (["--step-cells", "0"], "--step-cells: found 0; allowed: above 0"),
        (["--apart-um", "9"], "start_um: found atoms"),
        (["--lowest", "1.5"], "lowest: found 1.5; allowed: 0 or more, below 1"),
        (["--seed", "-1"], "seed: found -1; allowed: 0 or more"),
        (["--depth", "0"], "depth: found 0; allowed: a positive number"),
        (["--lifetime-s", "0"], "lifetime_ms: found 0; allowed: a positive number"),
        (["--velocity", "-1"], "velocity_um_per_ms: found -1; allowed: a number above 0"),
        (["--report", "nowhere/report"], "there is no folder"),
    ],
)
def test_bad_options_write_nothing(tmp_path, inputs, change, message):
    run = rearranged(*inputs, "-o", tmp_path / "moves", *change)
    assert run.exit_code == 2
    assert message in run.stderr
    assert not [path for path in tmp_path.iterdir() if "moves" in path.name]


def test_a_killed_command_goes_on_with_the_same_masks(tmp_path, inputs):
    where = str(Path(holo.__file__).parent.parent)
    command = [sys.executable, "-m", "holo", "rearrange", *map(str, inputs), "--step-cells", "0.1", "--lowest", "0", "-o"]
    running = subprocess.Popen([*command, str(tmp_path / "moves")], env={**os.environ, "PYTHONPATH": where}, stderr=subprocess.PIPE)
    part = tmp_path / ".moves.part"
    deadline = time.monotonic() + 60
    while len(list(part.glob("frame-*.tiff"))) < 10 and time.monotonic() < deadline and running.poll() is None:
        time.sleep(0.01)
    running.send_signal(signal.SIGKILL)
    running.communicate()
    assert running.returncode == -signal.SIGKILL
    assert not (tmp_path / "moves").exists()
    assert (part / "journal.jsonl").read_text().count("\n") >= 10
    for name in ("moves", "whole"):
        run = rearranged(*inputs, "--step-cells", "0.1", "--lowest", "0", "-o", tmp_path / name)
        assert run.exit_code == 0, run.stderr
    assert contents(tmp_path / "moves") == contents(tmp_path / "whole")
