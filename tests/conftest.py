"""Benches that several tests share."""

from __future__ import annotations

import importlib
import json
from copy import deepcopy

import gpu_double
import pytest

from holo.arrays import Device, find_device
from holo.bench import demo_bench_text, parse_bench, read_bench

# A small bench: pupil of 40 pixels radius, Airy radius 0.71 um, field 46.7 um to a side; 5 x 5 sites of its lattice lie inside the field.
SMALL = {
    "name": "small bench",
    "light": {"wavelength_nm": 700.0, "power_mw": 2.0, "beam_diameter_mm": 0.72},
    "panel": {
        "columns": 96,
        "rows": 80,
        "pitch_um": 10.0,
        "levels": 256,
        "level_for_2pi": 212,
        "fill_factor": 0.93,
        "power_limit_w_cm2": 2.0,
    },
    "optics": {"focal_length_mm": 4.0, "numerical_aperture": 0.6, "relay_magnification": 6.0, "medium_index": 1.0},
    "lattice": {"vectors_um": [[3.0, 0.0], [0.0, 3.0]], "origin_um": [6.0, 4.0]},
}


def _bench_text(**changes):
    """TOML of the small bench; ``panel__levels=512`` sets a key, None takes it (or a whole table) away."""
    content = deepcopy(SMALL)
    for name, value in changes.items():
        *tables, key = name.split("__")
        place = content
        for table in tables:
            place = place.setdefault(table, {})
        place[key] = deepcopy(value)
        if value is None:
            del place[key]
    top = [f"{key} = {json.dumps(value)}" for key, value in content.items() if not isinstance(value, dict)]
    return "\n".join(top + [line for key, value in content.items() if isinstance(value, dict) for line in _table_lines(key, value)]) + "\n"


def _table_lines(name, table):
    lines = [f"[{name}]", *(f"{json.dumps(key)} = {json.dumps(value)}" for key, value in table.items() if not isinstance(value, dict))]
    return lines + [line for key, value in table.items() if isinstance(value, dict) for line in _table_lines(f"{name}.{key}", value)]


@pytest.fixture(scope="session")
def demo_bench():
    """The bench that ships with holo."""
    return parse_bench(demo_bench_text(), "demo_bench.toml")


@pytest.fixture(scope="session")
def small_bench_text():
    """Function that makes the text of a small bench file; see `_bench_text`."""
    return _bench_text


@pytest.fixture
def small_bench_file(tmp_path):
    """Function that writes a small bench file (changes as for `small_bench_text`) into tmp_path and returns its path."""

    def write(**changes):
        path = tmp_path / "bench.toml"
        path.write_text(_bench_text(**changes), encoding="utf-8")
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
