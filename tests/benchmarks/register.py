"""Register against many random truths, on frames of the tests' own simulator: errors, pulls and wrong answers.

Usage: python tests/benchmarks/register.py [truths]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import machine
from registered import answered, start_of, truth_of

from holo.errors import CalibrationError


def main(truths):
    start = start_of()
    pulls, errors, predicted, refused, wrong, seconds = [], [], [], 0, 0, []
    for seed in range(truths):
        rng = np.random.default_rng(seed)
        matrix, offset = truth_of(rng)
        begun = time.perf_counter()
        try:
            found = answered(start, matrix, offset, rng).registration.plane_to_camera
        except CalibrationError as error:
            refused += 1
            print(f"  truth {seed}: refused: {error}")
            continue
        seconds.append(time.perf_counter() - begun)
        field = np.stack(np.meshgrid(np.linspace(0, 1199, 7), np.linspace(0, 899, 7)), axis=-1).reshape(-1, 2)
        plane = (field - offset) @ np.linalg.inv(matrix).T
        error = np.hypot(*(found.apply(plane) - field).T).max()
        wrong += error > 1
        pulls.append((np.append(found.matrix.ravel(), found.offset) - np.append(matrix.ravel(), offset)) / found.errors())
        errors.append(error)
        predicted.append(found.prediction_error(plane).max())
    pulls = np.array(pulls)
    print(machine())
    print(f"truths {truths}: refused {refused}, wrong {wrong}")
    shares = ", ".join(f"within {k}: {(np.abs(pulls) < k).mean():.4f}" for k in (1, 2, 3))
    print(f"error over the frame, px: median {np.median(errors):.4f}, largest {np.max(errors):.4f}; predicted {np.median(predicted):.4f}")
    print(f"pulls of the six parameters: std {pulls.std():.3f}, mean {pulls.mean():+.3f}; {shares}; largest {np.abs(pulls).max():.2f}")
    print(f"  of {pulls.size} (a normal distribution has 0.6827, 0.9545, 0.9973 within 1, 2, 3)")
    print(f"seconds per registration, frames included: {np.median(seconds):.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
