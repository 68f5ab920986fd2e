"""Spots and moves on a GPU: an iteration against sites and panel, a mask from nothing, frames in a stream.

    python tests/benchmarks/gpu_spots.py [--quick]

The floor of an iteration is that of the design by Fourier transforms of the whole grid: two of them by the vendor's library, timed here.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import cupy
import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from bench_tools import bench_text, panel_path, turned_lattice, uniformity

from holo.bench import parse_bench
from holo.field.device import DeviceTransform
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import phase_of_levels
from holo.moves import Course, MoveOptions, step_um
from holo.retrieve.device import DeviceLoop
from holo.retrieve.follow import Pace
from holo.stream import DeviceMover

SPACING_UM = 3.0
CASES = [
    (512, 10),
    (512, 45),
    (1024, 10),
    (1024, 32),
    (1024, 45),
    (1024, 100),
    (2048, 45),
    (2048, 100),
    (4096, 45),
    (4096, 100),
    (4096, 316),
]
"""Pixels along each side of the panel, and sites along each side of the array."""
LARGE = [(6400, 45), (6400, 316)]


def card():
    """One line on device and versions."""
    found = cupy.cuda.runtime.getDeviceProperties(0)
    version = cupy.cuda.runtime.runtimeGetVersion()
    return f"{found['name'].decode()}, CUDA {version // 1000}.{version % 1000 // 10}, cupy {cupy.__version__}, numpy {np.__version__}"


def microseconds(work, count, rounds=7):
    """Median and spread (quartiles) of the time of one of `count` calls, by the device's clock."""
    for _ in range(3):
        work()
    spent = []
    for _ in range(rounds):
        start, end = cupy.cuda.Event(), cupy.cuda.Event()
        start.record()
        for _ in range(count):
            work()
        end.record()
        end.synchronize()
        spent.append(1e3 * cupy.cuda.get_elapsed_time(start, end) / count)
    return np.percentile(spent, [50, 25, 75])


def transforms(shape):
    """Two Fourier transforms of a grid by the vendor's library."""
    grid = cupy.zeros(shape, cupy.complex64)
    plan = cupy.fft.fft2
    from cupyx.scipy.fft import get_fft_plan

    with get_fft_plan(grid):
        return 2 * microseconds(lambda: plan(grid), 30)


def iterations(cases):
    print("| panel | sites | grid | us an iteration, median (quartiles) | two transforms of the grid, us | memory, MB |")
    print("| --- | --- | --- | --- | --- | --- |")
    for size, side in cases:
        path, sites = panel_path(size, size), turned_lattice(side, side, SPACING_UM, 12.3)
        plan = DeviceTransform(path, sites, whole_panel=True)
        loop = DeviceLoop(plan, np.ones(len(sites)), path.amplitude_sum)
        loop.put(np.ones(len(sites)), np.random.default_rng(0).uniform(0, 6.28, len(sites)))
        memory = sum(array.nbytes for array in vars(plan).values() if isinstance(array, cupy.ndarray)) / 1e6
        loop.free(8, 0.0)
        median, low, high = microseconds(lambda loop=loop: loop.free(8, 0.0), 20) / 8
        floor = transforms(plan.grid)[0]
        grid = f"{plan.grid[0]} x {plan.grid[1]}"
        print(
            f"| {size} x {size} | {len(sites)} | {grid} | {median:.1f} ({low:.1f} to {high:.1f}) | {floor:.0f} | {memory:.0f} |", flush=True
        )


def planes():
    print("\n| planes, 2 um apart, 1024 x 1024, 1024 sites | us an iteration, median (quartiles) |")
    print("| --- | --- |")
    path, points = panel_path(1024, 1024), turned_lattice(32, 32, SPACING_UM, 12.3)
    for number in (1, 2, 5, 10):
        sites = points + np.column_stack([np.zeros((1024, 2)), np.arange(1024) % number * 2.0])
        loop = DeviceLoop(DeviceTransform(path, sites, whole_panel=True), np.ones(1024), path.amplitude_sum)
        loop.put(np.ones(1024), np.random.default_rng(0).uniform(0, 6.28, 1024))
        loop.free(8, 0.0)
        median, low, high = microseconds(lambda loop=loop: loop.free(8, 0.0), 20) / 8
        print(f"| {number} | {median:.1f} ({low:.1f} to {high:.1f}) |", flush=True)


def masks(runs):
    """From phases by chance to levels in the device's memory, the bench being prepared."""
    print("\n| mask from nothing | sites | ms, median (least to most) | iterations | uniformity of the levels, plain sum | efficiency |")
    print("| --- | --- | --- | --- | --- | --- |")
    for size, side, level in ((1024, 45, 0.995), (1024, 45, 0.999), (1024, 100, 0.995), (4096, 100, 0.995), (4096, 316, 0.995)):
        bench = parse_bench(bench_text(size, size), "bench.toml")
        path, sites = light_path(bench), turned_lattice(side, side, SPACING_UM, 12.3)
        mover = DeviceMover(bench, MoveOptions(Pace(free=20, uniformity=level, limit=40), lowest=None), path)
        count, spent = len(sites), []
        for seed in range(runs + 2):
            waves = np.exp(1j * np.random.default_rng(seed).uniform(0, 2 * np.pi, count))
            cupy.cuda.Device().synchronize()
            start = time.perf_counter()
            if seed == 0:
                run = mover.begin(sites, np.ones(count), waves)
            else:
                run.settle(waves, 20, 40)
            cupy.cuda.Device().synchronize()
            spent.append(1e3 * (time.perf_counter() - start))
        frame = run.now()
        if count <= 10_000 or size <= 1024:
            light = np.abs(direct_fields(path, phase_of_levels(frame.levels, bench.panel), sites)) ** 2
            told = f"{uniformity(light):.4f} | {light.sum():.3f}"
        else:
            told = f"{frame.uniformity:.4f} by the engine | {frame.efficiency:.3f}"
        times = spent[2:]
        size_told = f"{size} x {size}, to {level}"
        print(
            f"| {size_told} | {count} | {np.median(times):.2f} ({min(times):.2f} to {max(times):.2f}) | {frame.iterations} | {told} |",
            flush=True,
        )


class Circles(Course):
    """Every site on a circle of a focal cell, each at a phase of its own: the direction of each step is anybody's."""

    def places_um(self, frame):
        centres, cell, phase = self.stations_um
        turn = phase + frame * 0.25
        return centres + cell * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])


def streams(frames):
    print("\nEvery site moving in a direction of its own, a quarter of a focal cell a frame; a frame ends in the host's memory:\n")
    print("| panel | sites | frames a second | iterations | least uniformity, settled, 8 bit, plain sum | lowest trap | efficiency, last |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for size, side, lowest in ((1024, 32, None), (1024, 45, None), (1024, 45, 0.0), (1024, 100, None), (2048, 45, None), (4096, 45, None)):
        bench = parse_bench(bench_text(size, size), "bench.toml")
        path, centres = light_path(bench), turned_lattice(side, side, 5.0 if side < 100 else SPACING_UM, 11.0)
        count = len(centres)
        phase = np.random.default_rng(1).uniform(0, 2 * np.pi, count)
        mover = DeviceMover(bench, MoveOptions(lowest=lowest), path)
        moved = Circles((centres, step_um(bench, 1.0), phase), (frames,), 1.0)
        begun = mover.start(moved.places_um(0), np.ones(count), np.exp(1j * np.random.default_rng(0).uniform(0, 2 * np.pi, count)))
        stream = mover.frames(moved, np.ones(count), begun)
        made = [next(stream) for _ in range(6)]
        times = [time.perf_counter()]
        for frame in stream:
            made.append(frame)
            times.append(time.perf_counter())
        rate = (len(times) - 1) / (times[-1] - times[0])
        looked = made[:: max(1, len(made) // 8)] if size <= 1024 else made[-1:]
        level = min(
            uniformity(np.abs(direct_fields(path, phase_of_levels(frame.levels, bench.panel), moved.places_um(frame.progress))) ** 2)
            for frame in looked
        )
        rounds, last = np.mean([frame.iterations for frame in made[1:]]), made[-1].efficiency
        least = "not looked at" if lowest is None else f"{min(frame.lowest.min() for frame in made[1:]):.3f}"
        print(f"| {size} x {size} | {count} | {rate:.0f} | {rounds:.1f} | {level:.4f} | {least} | {last:.3f} |", flush=True)


if __name__ == "__main__":
    quick = "--quick" in sys.argv
    print(card(), "\n")
    iterations(CASES[:6] if quick else CASES + LARGE)
    planes()
    masks(3 if quick else 9)
    streams(200 if quick else 400)
