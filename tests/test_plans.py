"""Fourier plans: the signs they name, and what is kept of them on disk whatever happens to it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pyfftw
import pytest

from holo import plans
from holo.plans import ESTIMATED, fourier_lines, kept, mark_of_plans

ROOT = Path(__file__).parents[1]


@pytest.fixture
def cache(tmp_path, monkeypatch):
    """An empty cache folder."""
    monkeypatch.setattr(plans, "_cache_folder", lambda: tmp_path / "cache")
    return tmp_path / "cache"


def check(lines, length):
    values = np.random.default_rng(0).normal(size=lines.buffer.shape).astype(np.complex64)
    lines.buffer[:] = values
    lines.minus()
    np.testing.assert_allclose(lines.buffer, np.fft.fft(values), atol=1e-4)
    lines.buffer[:] = values
    lines.plus()
    np.testing.assert_allclose(lines.buffer, np.fft.ifft(values) * length, atol=1e-4)


def only_file(cache, name="3x18"):
    (found,) = cache.glob(f"holo/plans-*/{name}")
    return found


@pytest.mark.parametrize("timed", [False, True])
def test_lines_have_the_signs_they_name(cache, timed):
    blocks = fourier_lines(2, 3, 18, timed=timed)
    assert len(blocks) == 2
    for lines in blocks:
        assert not lines.buffer.any()
        check(lines, 18)


def test_timed_plans_are_timed_once(cache, monkeypatch):
    fourier_lines(1, 3, 18, timed=True)
    content = only_file(cache).read_bytes()
    monkeypatch.setattr(plans, "_timed", lambda buffer: pytest.fail("timed again"))
    (lines,) = fourier_lines(1, 3, 18, timed=True)
    check(lines, 18)
    assert only_file(cache).read_bytes() == content


def test_estimated_plans_leave_no_file(cache):
    fourier_lines(1, 3, 18)
    assert not cache.exists()


def test_the_library_is_left_as_it_was(cache):
    before = [sorted(text.split(b"\n")) for text in pyfftw.export_wisdom()]
    fourier_lines(1, 3, 18, timed=True)
    assert [sorted(text.split(b"\n")) for text in pyfftw.export_wisdom()] == before


def test_a_damaged_file_is_replaced(tmp_path):
    path = tmp_path / "folder" / "text"
    assert kept(path, lambda: "some text") == "some text"
    whole = path.read_bytes()
    for damaged in (b"", whole[:10], whole[:-1], whole + b"x", b"\xff" * 100, whole.replace(b"some", b"same")):
        path.write_bytes(damaged)
        assert kept(path, lambda: "other text") == "other text"
    assert [found.name for found in path.parent.iterdir()] == ["text"]


def test_a_plan_of_another_library_is_not_used(cache, monkeypatch):
    fourier_lines(1, 3, 18, timed=True)
    path = only_file(cache)
    path.unlink()
    kept(path, lambda: path.name)  # whole, but nothing that the library understands
    (lines,) = fourier_lines(1, 3, 18, timed=True)
    check(lines, 18)
    monkeypatch.setattr(pyfftw, "__version__", "another")
    fourier_lines(1, 3, 18, timed=True)
    assert len(list(cache.glob("holo/plans-*"))) == 2


@pytest.mark.parametrize("error", [PermissionError, OSError(28, "No space left on device")])
def test_where_nothing_can_be_written_plans_are_estimated(cache, monkeypatch, error):
    def refused(*_, **__):
        raise error

    monkeypatch.setattr(Path, "write_text", refused)
    (lines,) = fourier_lines(1, 3, 18, timed=True)
    check(lines, 18)
    assert mark_of_plans() == ESTIMATED
    assert not list(cache.glob("holo/plans-*/*"))


def test_a_file_in_place_of_the_folder_is_left_alone(cache):
    cache.write_text("mine")
    (lines,) = fourier_lines(1, 3, 18, timed=True)
    check(lines, 18)
    assert mark_of_plans() == ESTIMATED
    assert cache.read_text() == "mine"


def test_without_a_home_nothing_is_kept(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(plans, "_cache_folder", lambda: Path("~/.cache"))
    assert mark_of_plans() == ESTIMATED
    assert not list(tmp_path.iterdir())


def test_threads_that_ask_at_once_get_the_same(tmp_path):
    ready, found = threading.Barrier(8), []

    def ask(number):
        ready.wait()
        found.append(kept(tmp_path / "text", lambda: f"of thread {number}"))

    threads = [threading.Thread(target=ask, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 8
    assert len(set(found)) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["text"]


@pytest.mark.skipif(sys.platform != "linux", reason="the cache folder of this system has no variable of its own")
def test_processes_that_ask_at_once_get_the_same_and_one_that_dies_harms_none(tmp_path):
    """One of three is killed between writing and naming its file."""
    dies = "import os; os.link = lambda *_: os._exit(9)\n"
    asks = "from holo.plans import *; fourier_lines(1, 3, 18, timed=True); print(mark_of_plans())"
    environment = {**os.environ, "XDG_CACHE_HOME": str(tmp_path)}
    running = [
        subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True)
        for code in (dies + asks, asks, asks)
    ]
    killed, *told = [process.communicate()[0] for process in running]
    assert [process.returncode for process in running][1:] == [0, 0]
    assert len(told[0].strip()) == 8
    assert told[0] == told[1]
    assert killed in ("", told[0])
    (folder,) = tmp_path.glob("holo/plans-*")
    assert {path.name for path in folder.iterdir() if not path.name.startswith(".")} == {"3x18", "mark"}
