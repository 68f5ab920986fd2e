"""The door to the array machinery."""

from __future__ import annotations

import re
import sys
import threading
import time
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holo.arrays import Device, Workers, core_count, fast_length, find_device, namespace, to_device, to_host
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
