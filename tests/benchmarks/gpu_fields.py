"""Continuous light and sites closer than the resolution on a GPU against two cores of the same machine's CPU.

    python tests/benchmarks/gpu_fields.py [--runs 5] [--cpu-runs 3] [--only smooth dense]

The whole retrieval, from a light path in memory to a phase in the host's memory: a box of 100 focal cells with 60 % of the light on a
panel of 1024 x 1024 pixels (`smooth.py`), and a chequerboard of 30 x 30 sites at 0.75 Airy radii on another (`dense.py`). The CPU's
times come from a process that may use two cores only. The first run on the GPU, which compiles and loads kernels, is left out and told
apart. A floor is the sum over all evaluations of the time in which the light would go there and back at the rates below, were each
evaluation nothing but that: 4e13 operations a second for matrix products, 4e12 bytes a second for transforms and the memory of the descent.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(ROOT / "tests"), str(ROOT)]

import dense as dense_case
import smooth as smooth_case
from bench_tools import bench_text, machine
from microscope import region

from holo.arrangement import from_sites
from holo.arrays import CPU, Device, find_device
from holo.bench import parse_bench
from holo.design_smooth import _goal, _window, placed_light
from holo.field.path import light_path
from holo.predict_smooth import cell_um
from holo.retrieve.dense import retrieve_dense
from holo.retrieve.smooth import retrieve_smooth, start_phase

OPERATIONS, BYTES = 4e13, 4e12
MEMORY = 24 * 2
"""Arrays of float32 that a step of the descent reads and writes for each pixel: ten pairs and what is new, twice."""


def smooth():
    """Function of a device that retrieves, and one that gives figures and the floor in s."""
    bench = parse_bench(bench_text(1024, 1024), "bench.toml")
    light, options = smooth_case.cases(cell_um(bench))["box-60"]
    placed, sites = placed_light(bench, replace(from_sites([]), smooth=light), None)
    path = light_path(bench)

    def run(device):
        window = _window(bench, path, placed, sites)
        goal = _goal(bench, window, placed, sites)
        theta = start_phase(window, goal.continuous, goal.continuous > 0, goal.power, device)
        asked = {"power": goal.power, "rms": options.rms, "iterations": options.iterations, "bright": goal.bright}
        return retrieve_smooth(window, goal.target, goal.region, **asked, start=theta, device=device), window

    def told(result):
        found, window = result
        (rows, columns), points = window.amplitude.shape, (len(window.y_um), len(window.x_um))
        each = 2 * 8 * rows * points[1] * (columns + points[0]) / OPERATIONS + 4 * MEMORY * rows * columns / BYTES
        figures = f"rms {100 * found.rms:.4f} %, power {found.power:.3f}, vortices {found.vortices}, {found.iterations} steps"
        return figures, found.iterations * each

    return run, told


def dense():
    """As `smooth`."""
    ij, xyz, target = region("checkerboard")

    def run(device):
        return retrieve_dense(dense_case.PATH, xyz, target, rng=np.random.default_rng(0), ij=ij, device=device)

    def told(found):
        light = dense_case.light(found.phase, xyz, target)
        steps = [stage for stage, _, _ in found.history]
        floor = steps.count("panel") * 4 * (MEMORY + 8) * 1024**2 / BYTES + 400 * 2 * 8 * 51 * 43**2 * 900 / OPERATIONS
        figures = (
            f"crosstalk mean {100 * light.crosstalk_mean:.2f} %, max {100 * light.crosstalk_max:.2f} %, spread {100 * light.spread:.2f} %"
        )
        return f"{figures}, efficiency {light.efficiency:.3f}, {len(steps)} steps", floor

    return run, told


CASES = {"smooth": smooth, "dense": dense}


def timed(name, device, runs):
    """Seconds of a first run and of some more, figures and floor."""
    run, told = CASES[name]()
    seconds = []
    for _ in range(runs + 1):
        start = time.perf_counter()
        found = run(device)
        seconds.append(time.perf_counter() - start)
    return {"first": seconds[0], "seconds": seconds[1:], "told": told(found)}


def on_two_cores(name, runs):
    """The same in a process that may use two cores."""
    words = [sys.executable, __file__, "--worker", name, "--cpu-runs", str(runs)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    return json.loads(done.stdout.splitlines()[-1])


def line(what, found, floor=None):
    seconds = np.array(found["seconds"])
    low, high, first = seconds.min(), seconds.max(), found["first"]
    spread = f"{1e3 * np.median(seconds):9.1f} ms (from {1e3 * low:.1f} to {1e3 * high:.1f}; first {1e3 * first:.0f})"
    print(f"{what:22}{spread}" + ("" if floor is None else f", floor {1e3 * floor:.1f} ms") + f"\n{'':22}{found['told'][0]}", flush=True)
    return float(np.median(seconds))


def gpu():
    """One line on the GPU and its libraries."""
    import cupy

    name = cupy.cuda.runtime.getDeviceProperties(0)["name"].decode()
    return f"{name}, cupy {cupy.__version__}, CUDA runtime {cupy.cuda.runtime.runtimeGetVersion()}"


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--cpu-runs", type=int, default=3)
    parser.add_argument("--only", nargs="*", choices=list(CASES))
    parser.add_argument("--worker", choices=list(CASES))
    chosen = parser.parse_args()
    if chosen.worker:
        os.sched_setaffinity(0, set(sorted(os.sched_getaffinity(0))[:2]))
        print(json.dumps(timed(chosen.worker, CPU, chosen.cpu_runs)))
        return
    device = find_device("gpu")
    print(machine())
    print(gpu() if device.is_gpu else device.note)
    for name in chosen.only or CASES:
        slow = line(f"{name}, 2 cores", on_two_cores(name, chosen.cpu_runs))
        if device.is_gpu:
            found = timed(name, Device("gpu"), chosen.runs)
            print(f"{'':22}{slow / line(f'{name}, GPU', found, found['told'][1]):.1f} times as fast", flush=True)


if __name__ == "__main__":
    main()
