"""Benches that several tests share."""

from __future__ import annotations

import importlib

import gpu_double
import hypothesis
import pytest
from small_bench import bench_text

from holo.arrays import Device, find_device
from holo.bench import demo_bench_text, parse_bench, read_bench

# A machine that is busy with other things is no fault of what is tested.
hypothesis.settings.register_profile("any machine", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow])
hypothesis.settings.load_profile("any machine")


@pytest.fixture(scope="session")
def demo_bench():
    """The bench that ships with holo."""
    return parse_bench(demo_bench_text(), "demo_bench.toml")


@pytest.fixture(scope="session")
def small_bench_text():
    """Function that makes the text of a small bench file; see `small_bench.bench_text`."""
    return bench_text


@pytest.fixture
def small_bench_file(tmp_path):
    """Function that writes a small bench file (changes as for `small_bench_text`) into tmp_path and returns its path."""

    def write(**changes):
        path = tmp_path / "bench.toml"
        path.write_text(bench_text(**changes), encoding="utf-8")
        return path

    return write


@pytest.fixture
def small_bench(small_bench_file):
    """Function that makes the small bench with some changes."""
    return lambda **changes: read_bench(small_bench_file(**changes))


@pytest.fixture(params=["gpu", "double"])
def gpu_or_double(request, tmp_path_factory, monkeypatch):
    """The module cupy and the device gpu: once the real ones, once the tests' double of cupy (`gpu_double`)."""
    if request.param == "double":
        if gpu_double.compiler() is None:
            pytest.skip("the double of cupy needs g++")
        gpu_double.install(request.getfixturevalue("kernel_folder"), monkeypatch)
    elif not find_device("gpu").is_gpu:
        pytest.skip(find_device("gpu").note)
    return importlib.import_module("cupy"), Device("gpu")


@pytest.fixture(scope="session")
def kernel_folder(tmp_path_factory):
    return tmp_path_factory.mktemp("kernels")


@pytest.fixture(params=["cpu", "gpu"])
def device(request):
    """Where an engine keeps its arrays."""
    found = find_device(request.param)
    if found.name != request.param:
        pytest.skip(found.note)
    return found
