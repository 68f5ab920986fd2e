"""Numerics: float32 transforms against the plain float64 sum over the range of sizes, and extremes through the whole design.

    python tests/benchmarks/numerics.py [--only precision|errors|extremes]

The first table has one iteration of the search, in single precision, against the same in float64 by plain sums: the waves are those that a
search ends with. The second has the errors of the fields of `SiteTransform` (`project`, sites anywhere in the field) and of
`WindowTransform` over the root of the power in the pupil, the scale of the bound 5e-5 that the first one states. The third has designs at
the ends of what a bench or an arrangement may say, through the command, judged by the float64 sum over the levels of the mask: each
converges, or a refusal or a warning says why it cannot.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import machine, panel_path
from extremes import ended, extremes
from precision import compared, levelled

from holo.field.path import LightPath
from holo.field.plane import PlaneTransform
from holo.field.sites import SiteTransform, direct_fields
from holo.field.window import WindowTransform

PANELS = ((1, 4096), (4096, 1), (16, 16), (64, 64), (256, 256), (1024, 1024), (4096, 4096))
SIDES = (64, 256, 1024, 4096)
SITES = (1, 2, 100, 10_000)
CHECKED = 200
"""Most sites, and points of a window along each axis, whose fields are summed in float64."""


def lit(rows, columns):
    """A light path; a bench with a pupil of the panel's shorter side, but for panels of one row or column, which have light all over."""
    if min(rows, columns) >= 16:
        return panel_path(columns, rows)
    x, y = ((np.arange(count) - (count - 1) / 2) * 10.0 for count in (columns, rows))
    amplitude = np.exp(-((np.hypot(x, y[:, None]) / (10.0 * max(rows, columns) / 2)) ** 2))
    scale, none = 2 * np.pi / (0.938 * 8333.3), np.zeros(amplitude.shape)
    return LightPath(x, y, amplitude, none, none, scale, 9.6, float(amplitude.sum()), amplitude > 0, 1.0)


def site_error(path, count, rng):
    """Largest error of one iteration on some sites over the field, over the root of the power in the pupil."""
    half = np.pi / (path.scale * 10.0)
    xyz = np.column_stack([rng.uniform(-half, half, (count, 2)), np.zeros(count)])
    values = rng.uniform(0.5, 1.5, count) * np.exp(2j * np.pi * rng.random(count))
    transform = SiteTransform(path, xyz, whole_panel=True)
    some = rng.permutation(count)[:CHECKED]
    wanted = direct_fields(path, transform.mask_phase(values), xyz[some]) * path.amplitude_sum / path.envelope(xyz[some])
    return np.abs(transform.project(values)[some] - wanted).max() / np.linalg.norm(path.amplitude)


def window_error(path, rng):
    """The same for a window over the middle of the field."""
    half = np.pi / (path.scale * 10.0)
    window = WindowTransform(path, (0.3 * half, -0.2 * half), (half, half))
    theta = rng.uniform(0, 2 * np.pi, window.amplitude.shape).astype(np.float32)
    rows, columns = (rng.permutation(length)[:CHECKED] for length in (len(window.y_um), len(window.x_um)))
    plain = PlaneTransform(path, window.x_um[columns], window.y_um[rows])
    wanted = plain.forward(path.amplitude * np.exp(1j * (window.mask_phase(theta) + path.aberration)))
    return np.abs(window.forward(window.light(theta))[np.ix_(rows, columns)] - wanted).max() / np.linalg.norm(path.amplitude)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", choices=("precision", "errors", "extremes"))
    only = parser.parse_args().only
    warnings.simplefilter("error")
    print(machine())
    if only in (None, "precision"):
        print("| panel | sites | field at the sites | intensity | uniformity | pixels with another level | by |")
        print(f"|{' --- |' * 7}")
        for side in SIDES:
            for count in (1, 100, 10_000):
                if 4 * count < side * side:
                    path = panel_path(side, side)
                    found = compared(path, *levelled(path, count))
                    numbers = " | ".join(f"{value:.1e}" for value in (found.field, found.intensity, found.uniformity, found.levels))
                    print(f"| {side} x {side} | {count} | {numbers} | {found.apart} |", flush=True)
        print()
    if only in (None, "errors"):
        print(f"| panel, rows x columns | {' | '.join(f'{count} sites' for count in SITES)} | window |\n|{' --- |' * (len(SITES) + 2)}")
        for size in PANELS:
            path, rng = lit(*size), np.random.default_rng(1)
            found = [site_error(path, count, rng) for count in SITES] + [window_error(path, rng)]
            print(f"| {size[0]} x {size[1]} | {' | '.join(f'{error:.1e}' for error in found)} |", flush=True)
    if only in (None, "extremes"):
        print("\n| design | ended | uniformity | efficiency | s | said |\n| --- | --- | --- | --- | --- | --- |")
        kinds: Counter[str] = Counter()
        for name, extreme in extremes().items():
            start = time.perf_counter()
            with TemporaryDirectory() as folder:
                found = ended(extreme, Path(folder))
            kinds[found.kind] += 1
            numbers = "| |" if found.uniformity is None else f"{found.uniformity:.5f} | {found.efficiency:.3f} |"
            said = found.said.replace("\n", "; ")
            print(f"| {name} | {found.kind} | {numbers} {time.perf_counter() - start:.1f} | {said} |", flush=True)
        print(f"\n{sum(kinds.values())} designs: {', '.join(f'{count} {kind}' for kind, count in kinds.most_common())}")


if __name__ == "__main__":
    main()
