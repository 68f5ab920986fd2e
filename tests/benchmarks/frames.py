"""Spots in a camera frame of 2048 x 2048 pixels: time and errors, against the tools of a general image library.

Usage: python tests/benchmarks/frames.py [runs]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial import KDTree
from skimage.feature import peak_local_max

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import machine
from simulated_frames import exposed, gaussian_spots

from holo.frames import frame_of, read_frame, write_frame
from holo.spots import find_spots

SIDE, SPOTS, WIDTH = 2048, 2000, 1.6


def places(rng):
    """Places of the spots, 15 px apart or more."""
    grid = np.stack(np.meshgrid(np.arange(45), np.arange(45)), axis=-1).reshape(-1, 2)[:SPOTS]
    return grid * 44.0 + 50 + rng.uniform(-14, 14, (SPOTS, 2))


def with_library(path):
    """Local maxima of a general image library, and a least-squares fit of a Gaussian to each."""
    image = read_frame(path)[0].astype(float)
    found = peak_local_max(image, min_distance=5, threshold_abs=np.median(image) + 60)
    inner = np.arange(-5, 6)
    fitted = []
    for row, column in found:
        window = image[row - 5 : row + 6, column - 5 : column + 6]
        if window.shape != (11, 11):
            continue

        def off(p, window=window):
            x, y, height, base = p
            return (height * np.exp(-((inner - x) ** 2 + (inner[:, None] - y) ** 2) / (2 * WIDTH**2)) + base - window).ravel()

        x, y, _, _ = least_squares(off, [0, 0, window.max() - window.min(), window.min()], method="lm").x
        fitted.append([column + x, row + y])
    return np.array(fitted)


def misses(found, truth):
    """Share of the spots found, false ones, and rms error of those found, px."""
    distance, which = KDTree(truth).query(found)
    near = distance < 1
    return len(set(which[near])) / len(truth), int((~near).sum()), float(np.sqrt((distance[near] ** 2).mean() / 2))


def main(runs):
    rng = np.random.default_rng(0)
    truth = places(rng)
    stack = exposed(gaussian_spots(truth, 300 * 2 * np.pi * WIDTH**2, (SIDE, SIDE), WIDTH), rng)
    ways = {
        "holo": lambda path: find_spots(frame_of(read_frame(path))).xy_px,
        "holo, width given": lambda path: find_spots(frame_of(read_frame(path)), WIDTH).xy_px,
        "image library and least squares": with_library,
    }
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.tiff"
        write_frame(path, stack)
        seconds = {name: [] for name in ways}
        results = {}
        for run in range(runs + 1):
            for name, way in ways.items():
                begun = time.perf_counter()
                results[name] = way(path)
                if run:  # the first compiles
                    seconds[name].append(time.perf_counter() - begun)
    print(machine())
    print(f"{SIDE} x {SIDE} pixels, {SPOTS} spots of 300 electrons at the peak; read, found and fitted; {runs} runs in turn")
    print("| way | seconds, median (min to max) | found | false | rms error, px |\n| --- | --- | --- | --- | --- |")
    for name, found in results.items():
        share, false, error = misses(found, truth)
        taken = seconds[name]
        print(f"| {name} | {np.median(taken):.2f} ({min(taken):.2f} to {max(taken):.2f}) | {share:.4f} | {false} | {error:.4f} |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
