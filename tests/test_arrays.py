"""The door to the array machinery."""

from __future__ import annotations

import errno
import importlib.util
import re
import sys
import threading
import time
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holo.arrays import (
    Device,
    Workers,
    core_count,
    fast_length,
    find_device,
    kernels_are_compiled,
    kernels_are_kept,
    namespace,
    to_device,
    to_host,
    unkept_kernels,
)
from holo.errors import InputError


@given(st.integers(1, 20000))
def test_fast_length_is_enough_and_not_much_more(least):
    length = fast_length(least)
    odd = length
    while odd % 2 == 0:
        odd //= 2
    assert least <= length <= max(1.25 * least, least + 1)
    assert length % 2 == 0
    assert odd in (1, 3, 5, 9, 15)


@pytest.mark.parametrize("count", [1, 3])
def test_workers_do_every_task_once(count):
    done, lock = [], threading.Lock()

    def work(worker, task):
        assert 0 <= worker < count
        with lock:
            done.append(task)

    Workers(count).share(work, range(50))
    assert sorted(done) == list(range(50))


@pytest.mark.parametrize("count", [1, 3])
def test_workers_pass_errors_on(count):
    def work(_, task):
        raise ValueError(f"task {task}")

    with pytest.raises(ValueError, match="task"):
        Workers(count).share(work, range(5))


def test_there_is_a_core():
    assert core_count() >= 1


def test_nobody_works_on_after_an_exception():
    """The caller may then use its arrays again."""
    done = []

    def work(worker, task):
        if task == 0:
            raise KeyboardInterrupt
        time.sleep(0.1)
        done.append(task)

    with pytest.raises(KeyboardInterrupt):
        Workers(2).share(work, [0, 1])
    assert done == [1]


def test_the_cpu_goes_on_with_one_message_where_there_is_no_cupy(monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", None)  # as if it were not installed
    found = find_device("gpu")
    assert found.name == "cpu"
    assert re.fullmatch(r"device gpu: cupy cannot be imported \(.*\): pip install 'holo\[gpu\]'; the CPU goes on", found.note)
    assert find_device("auto") == find_device("cpu") == Device("cpu")


def test_cupy_without_a_gpu_is_told_from_none(monkeypatch):
    class CUDARuntimeError(RuntimeError):
        pass

    def count():
        raise CUDARuntimeError("no CUDA-capable device is detected")

    runtime = SimpleNamespace(CUDARuntimeError=CUDARuntimeError, getDeviceCount=count)
    monkeypatch.setitem(sys.modules, "cupy", SimpleNamespace(cuda=SimpleNamespace(runtime=runtime)))
    assert find_device("gpu").note == "device gpu: found no NVIDIA GPU (no CUDA-capable device is detected); the CPU goes on"
    assert find_device("auto") == Device("cpu")


def test_other_devices_are_refused():
    with pytest.raises(InputError, match=r"^device: found 'tpu'; allowed: cpu, gpu, auto$"):
        find_device("tpu")


def test_arrays_of_the_host_stay_what_they_are():
    array = np.arange(3)
    assert to_device(array, Device("cpu")) is array
    assert to_host(array) is array
    assert namespace(array) is np


# ---------------------------------------------------------------------------------------------------------------------
# kernels on disk

KERNELS = "from holo.arrays import kernel\n{more}\n\n@kernel\ndef scaled(value):\n    return {body}\n"


@pytest.fixture
def load(tmp_path, monkeypatch):
    """Function that writes a module of kernels and imports it as another process would."""
    monkeypatch.syspath_prepend(tmp_path)

    def load(name="kernels_here", body="3 * value", more="", place=tmp_path):
        path, text = place / f"{name}.py", KERNELS.format(body=body, more=more)
        if not path.exists() or path.read_text() != text:  # older versions of numba go by the time of a file
            path.write_text(text)
        importlib.invalidate_caches()
        specification = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(specification)
        monkeypatch.setitem(sys.modules, name, module)
        monkeypatch.setattr(sys, "dont_write_bytecode", True)
        specification.loader.exec_module(module)
        return module

    return load


def test_kernels_are_kept_beside_their_module(load, tmp_path):
    first, second = load(), load()
    assert not kernels_are_compiled(first)
    assert first.scaled(2) == 6
    assert kernels_are_compiled(second)
    assert kernels_are_kept(second)
    assert second.scaled(2) == 6
    assert sum(second.scaled.stats.cache_hits.values()) == 1
    assert {path.parent for path in tmp_path.rglob("*.nbc")} == {tmp_path / "__pycache__"}


@pytest.mark.parametrize("home", ["__pycache__/home", "home"])
def test_kernels_run_where_nothing_can_be_kept(load, tmp_path, monkeypatch, home):
    """As with a home that is read only or none at all, and somebody else's installation; or in a place that the locale cannot spell."""
    for name in ("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / home))
    place = tmp_path / ("\udcfc" if home == "home" else "source")
    place.mkdir()
    for folder in (tmp_path, place):
        (folder / "__pycache__").write_text("not a folder")
    module = load("holo.kernels_here", place=place)
    assert not kernels_are_kept(module)
    assert unkept_kernels() == []  # none has been compiled so far
    assert module.scaled(2) == 6
    assert unkept_kernels() == ["scaled"]
    assert not kernels_are_compiled(module)


def test_kernels_run_where_the_disk_is_full(load, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    module = load("holo.kernels_here")
    monkeypatch.setattr("numba.core.caching.IndexDataCacheFile._save_data", full)
    assert module.scaled(2) == 6
    assert unkept_kernels() == ["scaled"]
    monkeypatch.undo()
    assert load().scaled(2) == 6


@pytest.mark.parametrize("suffix", ["nbi", "nbc"])
@pytest.mark.parametrize("content", [b"", b"\x80\x05damaged"])
def test_damaged_machine_code_is_made_again(load, tmp_path, suffix, content):
    assert load().scaled(2) == 6
    for path in tmp_path.rglob(f"*.{suffix}"):
        path.write_bytes(content)
    assert load().scaled(2) == 6
    last = load()
    assert last.scaled(2) == 6
    assert sum(last.scaled.stats.cache_hits.values()) == 1


def test_a_kernel_is_compiled_anew_when_one_of_another_file_has_changed(load):
    """As after an update that changes one of two files; the machine code of the first has that of the second in it."""
    load("kernels_below")
    other = {"name": "kernels_above", "body": "below(value) + 1", "more": "from kernels_below import scaled as below"}
    assert load(**other).scaled(2) == 7
    load("kernels_below", body="5 * value")
    assert load(**other).scaled(2) == 11
    again = load(**other)
    assert again.scaled(2) == 11
    assert sum(again.scaled.stats.cache_hits.values()) == 1
