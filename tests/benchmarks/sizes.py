"""Time and memory against the number of sites and of panel pixels.

    python tests/benchmarks/sizes.py [--runs 7] [--repeats 3]

First whole designs (`holo.design.design` at normal effort: search, levels, trimming, prediction), each in a process of its own for
its peak memory; then searches alone, which stop at a uniformity of 0.999, against the number of sites.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from bench_tools import bench_text, machine, panel_path, turned_lattice, uniformity

from holo.arrangement import block
from holo.bench import parse_bench
from holo.design import design
from holo.field.sites import SiteTransform, direct_fields
from holo.retrieve.spots import retrieve_spots

GOAL = 0.999
SPACING_UM, TURN_DEG = 3.0, 12.3
SIDES = (10, 32, 100)
"""Sites along each side of the arrays that are searched for on one panel."""
DESIGNS = ((512, 512, 32), (1024, 1024, 32), (1536, 1536, 32), (2048, 2048, 32), (4096, 2400, 32), (4096, 2400, 100))
"""Columns and rows of the panel, and sites along each side of the array."""


def near_axis(columns, rows, side):
    """A bench whose lattice is turned, and lies so that a block of `side` cells begins some 10 um from the undiffracted spot."""
    text = bench_text(columns, rows)
    turned_away = SPACING_UM * (side - 1) * np.sin(np.deg2rad(TURN_DEG))
    changes = {
        "vectors_um = [[5.0, 0.0], [0.0, 5.0]]": f'geometry = "square"\nspacing_um = {SPACING_UM}\nangle_deg = {TURN_DEG}',
        "origin_um = [60.0, 40.0]": f"origin_um = [{10 + turned_away:.3f}, 10.0]",
    }
    for old, new in changes.items():
        if old not in text:
            raise ValueError(f"the demo bench has no {old!r}")
        text = text.replace(old, new, 1)
    return parse_bench(text, "bench.toml")


def one_design(columns, rows, side):
    """Run in a fresh process: one design; its time, the peak memory of the process, and how good the mask is."""
    bench = near_axis(columns, rows, side)
    start = time.perf_counter()
    made = design(bench, block(side, side))
    seconds = time.perf_counter() - start
    unit = 1 if sys.platform == "darwin" else 1024  # bytes there, kilobytes elsewhere
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e9
    return {"seconds": seconds, "memory": memory, "uniformity": made.prediction.figures.uniformity}


def fresh(columns, rows, side):
    command = [sys.executable, __file__, "--one", str(columns), str(rows), str(side)]
    return json.loads(subprocess.run(command, stdout=subprocess.PIPE, check=True).stdout)


def designs(repeats):
    """Each design in turn, `repeats` rounds after one small one that compiles."""
    fresh(*DESIGNS[0])
    rounds = [[fresh(*case) for case in DESIGNS] for _ in range(repeats)]
    print("| panel | sites | seconds, median (min to max) | peak memory, GB | uniformity from the levels |")
    print("| --- | --- | --- | --- | --- |")
    for (columns, rows, side), runs in zip(DESIGNS, zip(*rounds, strict=True), strict=True):
        memory, level = max(run["memory"] for run in runs), runs[0]["uniformity"]
        print(f"| {columns} x {rows} | {side**2} | {told([run['seconds'] for run in runs])} | {memory:.2f} | {level:.5f} |")


def searches(count):
    """Searches on one panel, the sizes taking turns."""
    path = panel_path(1024, 1024)
    arrays = {side: turned_lattice(side, side, SPACING_UM, TURN_DEG, (6.0, 5.0)) for side in SIDES}
    times, last = {side: [] for side in SIDES}, {}
    for run in range(count + 1):  # the first round warms up
        for side, points in arrays.items():
            start = time.perf_counter()
            last[side] = retrieve_spots(
                path, points, np.ones(len(points)), rng=np.random.default_rng(run), effort="normal", uniformity=GOAL
            )
            if run:
                times[side].append(time.perf_counter() - start)
    unit = np.median(times[32])
    print("| sites | seconds, median (min to max) | time / that of 1024 sites | iterations | true uniformity |")
    print("| --- | --- | --- | --- | --- |")
    for side, points in arrays.items():
        level = uniformity(abs(direct_fields(path, last[side].phase, points)) ** 2)
        print(f"| {side**2} | {told(times[side])} | {np.median(times[side]) / unit:.2f} | {last[side].iterations} | {level:.5f} |")


def planes(count):
    """An iteration on one panel, its 1,024 sites shared out among planes."""
    path = panel_path(1024, 1024)
    points, waves = turned_lattice(32, 32, SPACING_UM, TURN_DEG), np.exp(1j * np.arange(1024.0))
    print("| planes | ms an iteration, median (min to max) |")
    print("| --- | --- |")
    for number in (1, 2, 5, 10):
        sites = points + np.column_stack([np.zeros((1024, 2)), np.arange(1024) % number * 2.0])
        transform, spent = SiteTransform(path, sites), []
        for _ in range(3 * count):
            start = time.perf_counter()
            transform.project(waves)
            spent.append(1e3 * (time.perf_counter() - start))
        print(f"| {number} | {told(spent)} |")


def told(seconds):
    return f"{np.median(seconds):.3f} ({min(seconds):.3f} to {max(seconds):.3f})"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=7, help="searches of each size")
    parser.add_argument("--repeats", type=int, default=3, help="designs of each size")
    parser.add_argument("--one", type=int, nargs=3, metavar=("COLUMNS", "ROWS", "SIDE"), help="one design, told as JSON")
    options = parser.parse_args()
    if options.one:
        print(json.dumps(one_design(*options.one)))
        return
    print(machine())
    print(f"Square lattices of {SPACING_UM:g} um turned by {TURN_DEG} degrees, Gaussian beam, normal effort.\n")
    print(f"Whole designs, near the axis, {options.repeats} of each in turn; largest peak memory of the process:\n")
    designs(options.repeats)  # first: on Linux the peak of a process counts what its parent had when starting it
    print(f"\nSearches on a 1024 x 1024 panel to a uniformity of {GOAL}, {options.runs} seeds of each in turn")
    print("(an array of few sites is searched for from more starts):\n")
    searches(options.runs)
    print("\nAn iteration of 1,024 sites in planes 2 um apart:\n")
    planes(options.runs)


if __name__ == "__main__":
    main()
