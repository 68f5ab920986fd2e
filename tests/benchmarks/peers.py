"""Time to level 1,024 sites to a uniformity of 0.999, side by side with loops on general libraries.

    python tests/benchmarks/peers.py [--runs 5] [--side 32] [--slow]

Every peer runs the plain weighted iteration with the phases of the sites held from the tenth iteration on, in float32, with a
compiled projection on the panel, its best set-up known to us, and is stopped as soon as its own fields are level to 0.999.
`--slow` adds the padded FFT in numpy, which takes a minute.
"""

from __future__ import annotations

import argparse
import sys
import time
from functools import cache
from pathlib import Path

import finufft
import numba
import numpy as np
import pyfftw

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from bench_tools import machine, panel_path, turned_lattice, uniformity

from holo.arrays import core_count
from holo.field.sites import direct_fields
from holo.retrieve.spots import retrieve_spots

GOAL = 0.999
FREE = 10
PADDED = 4096


@numba.njit(parallel=True, fastmath=True, cache=True)
def with_modulus(field, modulus):
    for row in numba.prange(field.shape[0]):
        for column in range(field.shape[1]):
            value = field[row, column]
            field[row, column] = value * (modulus[row, column] / np.sqrt(value.real**2 + value.imag**2 + np.float32(1e-30)))


def loop(adjoint, forward, amplitude, count, rng):
    """The plain weighted iteration; returns the field on the panel and the number of iterations."""
    weights, phases = np.ones(count), rng.uniform(0, 2 * np.pi, count)
    for iteration in range(1, 200):
        field = adjoint((weights * np.exp(1j * phases)).astype(np.complex64))
        with_modulus(field, amplitude)
        fields = forward(field)
        moduli = abs(fields)
        if iteration <= FREE:
            phases = np.angle(fields)
        if uniformity(moduli.astype(float) ** 2) >= GOAL:
            break
        weights *= moduli.mean() / moduli
        weights /= weights.mean()
    return field, iteration


def padded(path, points, transform_pair):
    """Sites at the nearest points of a zero-padded FFT."""
    rows, columns = path.amplitude.shape
    pitch = path.x_um[1] - path.x_um[0]
    place = np.rint(points[:, 1::-1] * path.scale * pitch * PADDED / (2 * np.pi)).astype(int) % PADDED
    flat = place[:, 0] * PADDED + place[:, 1]
    grid, forward_fft, backward_fft = transform_pair((PADDED, PADDED))

    def adjoint(values):
        grid[:] = 0
        grid.reshape(-1)[flat] = values
        return backward_fft()[:rows, :columns].copy()

    def forward(field):
        grid[:] = 0
        grid[:rows, :columns] = field
        return forward_fft().reshape(-1)[flat]

    return adjoint, forward


def numpy_pair(shape):
    grid = np.zeros(shape, np.complex64)
    return grid, lambda: np.fft.fft2(grid), lambda: np.fft.ifft2(grid)


@cache  # planned by measurement, once and outside the timing
def pyfftw_pair(shape):
    grid = pyfftw.zeros_aligned(shape, "complex64")
    plans = [
        pyfftw.FFTW(grid, grid, axes=(0, 1), direction=way, flags=("FFTW_MEASURE",), threads=core_count())
        for way in ("FFTW_FORWARD", "FFTW_BACKWARD")
    ]

    def run(plan):
        plan.execute()
        return grid

    return grid, lambda: run(plans[0]), lambda: run(plans[1])


def matrix(path, points):
    """The factorised sum as two complex matrix products."""
    across = np.exp(-1j * path.scale * np.outer(path.x_um, points[:, 0])).astype(np.complex64)
    down = np.exp(-1j * path.scale * np.outer(points[:, 1], path.y_um)).astype(np.complex64)
    back_across, back_down = across.conj().T.copy(), down.conj().T.copy()

    def adjoint(values):
        return (back_down * values) @ back_across

    def forward(field):
        return np.einsum("my,ym->m", down, field @ across)

    return adjoint, forward


def nonuniform(path, points):
    """A general non-uniform FFT library at a relative tolerance of 1e-4."""
    pitch = path.x_um[1] - path.x_um[0]
    y, x = ((points[:, axis] * path.scale * pitch).astype(np.float32) for axis in (1, 0))
    shape = path.amplitude.shape
    first = finufft.Plan(1, shape, eps=1e-4, isign=1, dtype="complex64", nthreads=core_count())
    second = finufft.Plan(2, shape, eps=1e-4, isign=-1, dtype="complex64", nthreads=core_count())
    first.setpts(y, x)
    second.setpts(y, x)
    return first.execute, second.execute


PEERS = {
    "padded 4096 x 4096 FFT, numpy": lambda path, points: padded(path, points, numpy_pair),
    "padded 4096 x 4096 FFT, pyfftw": lambda path, points: padded(path, points, pyfftw_pair),
    "matrix products": matrix,
    "non-uniform FFT library, 1e-4": nonuniform,
}


def run_peer(name, path, points, seed):
    start = time.perf_counter()
    adjoint, forward = PEERS[name](path, points)
    field, iterations = loop(adjoint, forward, path.amplitude.astype(np.float32), len(points), np.random.default_rng(seed))
    phase = np.angle(field)
    return time.perf_counter() - start, iterations, phase


def run_holo(effort, path, points, seed):
    start = time.perf_counter()
    found = retrieve_spots(path, points, np.ones(len(points)), rng=np.random.default_rng(seed), effort=effort, uniformity=GOAL)
    return time.perf_counter() - start, found.iterations, found.phase


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--side", type=int, default=32)
    parser.add_argument("--spacing", type=float, default=5.0)
    parser.add_argument("--slow", action="store_true")
    options = parser.parse_args()
    path = panel_path(1024, 1024)
    points = turned_lattice(options.side, options.side, options.spacing, 12.3)
    contestants = {
        name: lambda seed, name=name: run_peer(name, path, points, seed) for name in PEERS if options.slow or "numpy" not in name
    }
    contestants |= {f"holo, {effort}": lambda seed, effort=effort: run_holo(effort, path, points, seed) for effort in ("quick", "normal")}
    times = {name: [] for name in contestants}
    last = {}
    for run in range(options.runs + 1):  # the first round warms up
        for name, contestant in contestants.items():
            if "numpy" in name and run > 1:
                continue
            seconds, iterations, phase = contestant(run)
            if run or "numpy" in name:
                times[name].append(seconds)
            last[name] = (iterations, phase)
    print(machine())
    print(f"1024 x 1024 panel, Gaussian beam, {len(points)} sites turned by 12.3 degrees, to a uniformity of {GOAL};")
    print(f"median of {options.runs} runs\n")
    best = min(np.median(times[name]) for name in PEERS if name in times)
    print("| | seconds (min to max) | iterations | true uniformity | efficiency | best peer / this |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, taken in times.items():
        iterations, phase = last[name]
        intensity = abs(direct_fields(path, phase, points) / path.envelope(points)) ** 2
        if name.startswith("holo"):
            level = abs(direct_fields(path, phase, points)) ** 2
        else:
            level = intensity  # the peers know nothing of the pixel envelope: judge them without
        print(
            f"| {name} | {np.median(taken):.3f} ({min(taken):.3f} to {max(taken):.3f}) | {iterations} | {uniformity(level):.4f} "
            f"| {intensity.sum():.3f} | {best / np.median(taken):.1f} |"
        )


if __name__ == "__main__":
    main()
