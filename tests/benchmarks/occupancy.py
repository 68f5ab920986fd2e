"""Occupancy on frames of the tests' own simulator: errors made and predicted, by spacing, method and noise; time.

Airy spots averaged over the pixels, the brightness of atoms differing by 15 %, half of the sites filled, one electron a count.

Usage: python tests/benchmarks/occupancy.py [frames]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import machine
from fluorescence import airy_atoms, filling

from holo.occupancy import METHODS, occupancy, spread_in
from holo.spread import airy_spread
from holo.threshold import Peaks


def ideal(first_dark, electrons, background, read_noise, varied=0.15):
    """Error of two Gaussians for a matched filter, from the true spot and noise alone."""
    spot = airy_atoms(np.array([[60.0, 60.0]]), 1.0, (121, 121), first_dark)
    floor = (background + read_noise**2) / (spot**2).sum()
    own = electrons * (spot**3).sum() / (spot**2).sum() ** 2
    return Peaks(0, np.sqrt(floor), electrons, np.sqrt(floor + own + (varied * electrons) ** 2), 0.5).error()


def apart(frames):
    print(
        f"\nSites 3 Airy radii (9 px) apart, 300 electrons an atom, {frames} frames of 40 x 40 sites; spread given / measured in the frame"
    )
    print("background  read noise  two Gaussians  made, given  predicted  made, measured  predicted")
    for background, read_noise in ((2.0, 2.0), (20.0, 6.0), (60.0, 9.0), (100.0, 12.0)):
        made, told = np.zeros(2), np.zeros(2)
        for seed in range(frames):
            truth = filling(np.random.default_rng([1, seed]), 40, 9.0, 3.0, electrons=300, background=background, read_noise=read_noise)
            frame = truth.frame()
            for k, spread in enumerate((airy_spread(3.0), None)):
                found = occupancy(frame, truth.lattice, truth.ij, spread=spread)
                made[k] += (found.filled != truth.filled).mean() / frames
                told[k] += found.error / frames
        bound = ideal(3.0, 300, background, read_noise)
        print(f"{background:10.0f}  {read_noise:10.0f}  {bound:13.2e}  {made[0]:11.2e}  {told[0]:9.2e}  {made[1]:14.2e}  {told[1]:9.2e}")


def overlapping(frames):
    print(f"\n60 x 60 sites 2.5 px apart, 400 electrons an atom, background 1, read noise 1, {frames} frames; share of sites told right")
    print("spacing / Rayleigh  " + "  ".join(f"{method:>8}" for method in METHODS[1:]) + "  atoms' own prediction")
    for ratio in (0.9, 0.7, 0.6, 0.5, 0.45, 0.4):
        right = {method: [] for method in METHODS[1:]}
        claimed = []
        for seed in range(frames):
            truth = filling(np.random.default_rng([2, seed]), 60, 2.5, 2.5 / ratio)
            frame, spread = truth.frame(), airy_spread(2.5 / ratio)
            for method in right:
                found = occupancy(frame, truth.lattice, truth.ij, spread=spread, method=method)
                right[method].append((found.filled == truth.filled).mean())
            claimed.append(1 - found.error)
        print(
            f"{ratio:18.2f}  " + "  ".join(f"{np.mean(share):8.4f}" for share in right.values()) + f"  {np.mean(claimed):.4f}", flush=True
        )


def noise(frames):
    print(f"\nThe same at 0.45: read noise, and spread measured in a frame of 0.6 % filling ({frames} frames)")
    for read_noise in (1.0, 2.0, 3.0):
        for measured in (False, True):
            right = []
            for seed in range(frames):
                rng = np.random.default_rng([3, seed])
                truth = filling(rng, 60, 2.5, 2.5 / 0.45, read_noise=read_noise)
                spread = airy_spread(2.5 / 0.45)
                if measured:
                    sparse = filling(rng, 100, 2.5, 2.5 / 0.45, share=0.006, electrons=800, read_noise=read_noise)
                    spread = spread_in(sparse.frame(), sparse.lattice)
                found = occupancy(truth.frame(), truth.lattice, truth.ij, spread=spread)
                right.append((found.filled == truth.filled).mean())
            told = "measured" if measured else "given"
            print(f"read noise {read_noise:g}, spread {told}: {np.mean(right):.4f} of the sites right", flush=True)


def timing():
    print("\nTime of one frame, 100 x 100 sites, spread given: median of 5 runs")
    cases = (("9 px, 3 Airy radii", 9.0, 3.0, (None,)), ("3 px, 0.9 of Rayleigh's distance", 3.0, 3.0 / 0.9, METHODS[1:]))
    for name, spacing, dark, methods in (*cases, ("2.5 px, 0.45", 2.5, 2.5 / 0.45, METHODS[1:])):
        truth = filling(np.random.default_rng(4), 100, spacing, dark)
        frame, spread = truth.frame(), airy_spread(dark)
        for method in methods:
            seconds = []
            for _ in range(6 if spacing > 2.5 else 3):
                begun, spent = time.perf_counter(), time.process_time()
                found = occupancy(frame, truth.lattice, truth.ij, spread=spread, method=method)
                seconds.append((time.perf_counter() - begun, time.process_time() - spent))
            right = (found.filled == truth.filled).mean()
            wall, cpu = np.median(seconds[1:], axis=0)
            print(f"{name:34}  {found.method:8}  {wall:6.2f} s, processor {cpu:6.2f} s  {right:.4f} right", flush=True)


def main(frames):
    print(machine())
    apart(2 * frames)
    overlapping(frames)
    noise(max(frames // 2, 1))
    timing()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
