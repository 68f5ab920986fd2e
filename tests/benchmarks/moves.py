"""Rearrangement and moves: assignment and ways, the light of moving traps, and the time of a frame.

Usage: python tests/benchmarks/moves.py [--quick]
"""

from __future__ import annotations

import sys
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import bench_text, machine, turned_lattice, uniformity
from scipy.optimize import linear_sum_assignment
from scipy.spatial import KDTree
from scipy.spatial.distance import cdist

from holo.bench import parse_bench
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import phase_of_levels
from holo.moves import Course, MoveOptions, Mover
from holo.rearrange import rearrange
from holo.retrieve.spots import retrieve_spots


def timed(call):
    """Result, seconds on the clock and seconds of processor."""
    clock, processor = time.perf_counter(), time.process_time()
    result = call()
    return result, time.perf_counter() - clock, time.process_time() - processor


def closest(stations, times=400):
    """Least distance of any two atoms on a fine grid of times."""
    least = np.inf
    for here, there in pairwise(stations):
        for share in np.linspace(0, 1, times):
            places = here + share * (there - here)
            least = min(least, KDTree(places).query(places, k=2)[0][:, 1].min())
    return least


def assignments(seeds):
    i, j = np.meshgrid(np.arange(70.0), np.arange(60.0))
    sites = np.column_stack([5 * i.ravel(), 5 * j.ravel(), np.zeros(i.size)])
    wanted = sites[np.argsort(np.hypot(*(sites - sites.mean(axis=0))[:, :2].T), kind="stable")[:2000]]
    bound = 0.7 * 5
    rearrange(sites[::9], wanted[:9], apart_um=bound)  # compile
    print("\n2,000 wanted out of 4,200 half-filled sites, spacing 5 um, 3.5 um apart at any time:\n")
    print("| case | seconds (clock) | seconds (one core) | cost / optimum - 1 | steps | closest, 400 times, um | scipy's solver, s |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for seed in range(seeds):
        atoms = sites[np.random.default_rng(seed).random(len(sites)) < 0.5]
        for name, options in (("drop", {}), ("park", {"spare": "park"}), ("longest", {"cost": "longest"}))[: 3 if seed == 0 else 1]:
            plan, clock, processor = timed(lambda atoms=atoms, options=options: rearrange(atoms, wanted, apart_um=bound, **options))
            excess, solver = "-", 0.0
            if name == "drop":
                table = cdist(wanted, atoms, "sqeuclidean")
                pairs, _, solver = timed(lambda table=table: linear_sum_assignment(table))
                excess = f"{plan.cost / table[pairs].sum() - 1:.1e}"
            steps, near = len(plan.stations_um) - 1, closest(plan.stations_um)
            print(f"| {name}, loading {seed} | {clock:.2f} | {processor:.2f} | {excess} | {steps} | {near:.3f} | {solver or '-':.3} |")


class Circles(Course):
    """Every site on a circle of a focal cell, each at a phase of its own: the direction of each step is anybody's."""

    def places_um(self, frame):
        centres, cell, phase, angle = self.stations_um
        turn = phase + frame * angle
        return centres + cell * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])


def moving(frames):
    bench = parse_bench(bench_text(1024, 1024), "bench.toml")
    path = light_path(bench)
    sites = turned_lattice(40, 25, 5.0, 11.0, (180.0, 150.0))
    cell, count = min(bench.focal_cell_um), len(sites)
    phase = np.random.default_rng(1).uniform(0, 2 * np.pi, count)
    waves = retrieve_spots(path, sites, np.ones(count), rng=np.random.default_rng(0), effort="quick").waves
    print(f"\n{count} sites on a 1024 x 1024 panel, 5 um apart, every site moving in a direction of its own, {frames} frames:\n")
    print(
        "| step, focal cells | response | lowest trap in any transition | mean trap | uniformity settled, 8 bit, worst | efficiency, last |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for step in (0.1, 0.25, 0.5):
        for response in ("shortest", "raw"):
            course = Circles((sites, cell, phase, step), (frames,), 16.7)
            mover = Mover(bench, MoveOptions(lowest=0.0, response=response), path)
            made = list(mover.frames(course, np.ones(count), mover.start(course.places_um(0), np.ones(count), waves)))
            lowest = np.array([frame.lowest for frame in made[1:]])
            settled = [
                np.abs(direct_fields(path, phase_of_levels(frame.levels, bench.panel), course.places_um(frame.progress))) ** 2
                for frame in made
            ]
            worst = min(map(uniformity, settled))
            print(f"| {step} | {response} | {lowest.min():.3f} | {lowest.mean():.3f} | {worst:.4f} | {made[-1].efficiency:.3f} |")
    print("\n| a frame at a quarter of a cell | clock, ms: median (least) | both cores together, ms | iterations |")
    print("| --- | --- | --- | --- |")
    for name, lowest in (("mask and levels", None), ("the same, and its transition looked at", 0.0)):
        course = Circles((sites, cell, phase, 0.25), (frames,), 16.7)
        mover = Mover(bench, MoveOptions(lowest=lowest), path)
        stream = mover.frames(course, np.ones(count), mover.start(course.places_um(0), np.ones(count), waves))
        next(stream)
        spent = [timed(lambda stream=stream: next(stream)) for _ in range(frames)]
        clock, processor = (1e3 * np.array([entry[k] for entry in spent]) for k in (1, 2))
        rounds = np.mean([entry[0].iterations for entry in spent])
        print(f"| {name} | {np.median(clock):.0f} ({clock.min():.0f}) | {np.median(processor):.0f} | {rounds:.1f} |")


if __name__ == "__main__":
    quick = "--quick" in sys.argv
    print(machine())
    assignments(1 if quick else 4)
    moving(3 if quick else 12)
