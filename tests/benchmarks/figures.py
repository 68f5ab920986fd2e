"""The figures of merit that the README quotes, all judged by the float64 direct sum.

    python tests/benchmarks/figures.py [--only levels published splitters crosstalk] [--seeds 3 4 8]

`--seeds` says how many seeds the first three tables take.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(ROOT / "tests"), str(ROOT)]

from bench_tools import bench_text, machine, panel_path, turned_lattice, uniformity
from test_spots import SPLITTERS

from holo.arrangement import read_arrangement
from holo.bench import demo_bench_text, parse_bench
from holo.design import design
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import levels_of_phase, phase_of_levels
from holo.predict import predict
from holo.registration import place
from holo.retrieve.spots import EFFORTS, retrieve_spots
from holo.retrieve.trim import trim

PERIOD = 128
"""Pixels in a period of the splitters."""


def judged(path, phase, points):
    """Efficiency, pixel envelope included, and uniformity of equal spots."""
    intensity = abs(direct_fields(path, phase, points)) ** 2
    return intensity.sum(), uniformity(intensity)


def retrieved(path, points, seed, effort="high"):
    return retrieve_spots(path, points, np.ones(len(points)), rng=np.random.default_rng(seed), effort=effort).phase


def uniform_beam(side):
    """A square panel of point pixels, all equally lit."""
    lit = np.ones((side, side))
    return replace(panel_path(side, side), amplitude=lit, amplitude_sum=lit.sum(), pupil=lit > 0, pupil_share=1.0, side_um=0.0)


def bins_um(path, count):
    """A distance in the objective plane in bins of the panel's own Fourier transform."""
    return count * 2 * np.pi / (path.scale * len(path.x_um) * (path.x_um[1] - path.x_um[0]))


def after_levels(path, panel, phase, points, steps):
    """Efficiency and uniformity after the nearest levels, and after trimmed ones as `holo.design.design` makes them."""

    def shown(wanted):
        return phase_of_levels(levels_of_phase(wanted, panel), panel)

    trimmed = trim(path, phase, points, np.ones(len(points)), shown, steps=steps).phase
    return judged(path, shown(phase), points), judged(path, shown(trimmed), points)


def levels(seeds):
    bench = parse_bench(bench_text(1024, 1024), "bench.toml")
    path, points = light_path(bench), turned_lattice(32, 32, 2.0, 12.3, (6.0, 5.0))
    print("### Before and after the levels\n")
    print("32 x 32 sites 2 um apart, turned by 12.3 degrees about (6, 5) um, 1024 x 1024 panel, Gaussian beam, 256 levels of which 212 or")
    print(f"256 make 2 pi; trimming in {', '.join(f'{effort.trim} ({name})' for name, effort in EFFORTS.items())} steps.\n")
    print("| effort | seed | e | u of the phase | u, 212 nearest | u, 212 trimmed | u, 256 nearest | u, 256 trimmed | e, 212 trimmed |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for effort, search in EFFORTS.items():
        for seed in range(seeds):
            phase = retrieved(path, points, seed, effort)
            e, u = judged(path, phase, points)
            panels = (replace(bench.panel, level_for_2pi=count) for count in (212, 256))
            (near, trimmed), (near_256, trimmed_256) = (after_levels(path, panel, phase, points, search.trim) for panel in panels)
            cells = " | ".join(f"{value:.5f}" for value in (u, near[1], trimmed[1], near_256[1], trimmed_256[1]))
            print(f"| {effort} | {seed} | {e:.4f} | {cells} | {trimmed[0]:.4f} |", flush=True)


def published(seeds):
    path = uniform_beam(768)
    points = turned_lattice(10, 10, bins_um(path, 16), 0)
    print("### Against a published comparison\n")
    print(
        "10 x 10 spots 16 bins of the panel's Fourier transform apart, 768 x 768 point pixels, uniform beam, high effort, before levels.\n"
    )
    print("| | e | u |")
    print("| --- | --- | --- |")
    print("| weighted, 30 iterations: Di Leonardo, Ianni, Ruocco, Opt. Express 15, 1913 (2007), Table 1, from memory | 0.93 | 0.99 |")
    for seed in range(seeds):
        e, u = judged(path, retrieved(path, points, seed), points)
        print(f"| holo, seed {seed} | {e:.4f} | {u:.5f} |", flush=True)


def splitters(seeds):
    path = uniform_beam(512)
    print("### Splitters\n")
    print(f"N equal spots in a row, {512 // PERIOD} periods of {PERIOD} point pixels, uniform beam, high effort, {seeds} seeds, no levels.")
    print("The optimum is that of a continuous phase; for even N, whose phase jumps, pixels shift it by the order of 1 / PERIOD^2.\n")
    print("| N | optimum | best e | its u | worst e | best - optimum |")
    print("| --- | --- | --- | --- | --- | --- |")
    for count, optimum in SPLITTERS.items():
        points = turned_lattice(count, 1, bins_um(path, 512 // PERIOD), 0)
        results = sorted(judged(path, retrieved(path, points, seed), points) for seed in range(seeds))
        (worst, _), (best, u) = results[0], results[-1]
        print(f"| {count} | {optimum:.4f} | {best:.4f} | {u:.5f} | {worst:.4f} | {best - optimum:+.4f} |", flush=True)


def crosstalk():
    bench = parse_bench(demo_bench_text(), "bench.toml")
    print("### Darkness\n")
    print("Demo bench, normal effort, seed 0, from trimmed levels: light at the centres of all dark sites within the margin (in spacings)")
    print("over the mean of the bright ones, when darkness there is not asked for and when it is.\n")
    print("| arrangement | margin | bright | dark | asked for | crosstalk max | crosstalk mean | e | u |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for pattern in ("ring", "random"):
        wanted = read_arrangement(ROOT / "patterns" / f"{pattern}.toml", bench.lattice).bright
        unasked = design(bench, wanted).mask.levels
        for margin in (1.0, 3.0):
            margined = wanted.with_dark_margin(margin, bench.lattice)
            for asked in ("no", "yes"):
                shown = unasked if asked == "no" else design(bench, margined).mask.levels
                found = predict(bench, shown, place(margined, bench.lattice)).figures
                cells = f"{found.crosstalk_max:.1e} | {found.crosstalk_mean:.1e} | {found.efficiency:.4f} | {found.uniformity:.5f}"
                print(f"| {wanted.title} | {margin:g} | {found.bright} | {found.dark} | {asked} | {cells} |", flush=True)


def main():
    tables = ("levels", "published", "splitters", "crosstalk")
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="+", choices=tables, default=tables)
    parser.add_argument("--seeds", type=int, nargs=3, default=(3, 4, 8), metavar=tuple(name.upper() for name in tables[:3]))
    options = parser.parse_args()
    print(f"{machine()}\n\ne: efficiency, pixel envelope included; u: uniformity.")
    runs = [lambda: levels(options.seeds[0]), lambda: published(options.seeds[1]), lambda: splitters(options.seeds[2]), crosstalk]
    for name, run in zip(tables, runs, strict=True):
        if name in options.only:
            print()
            run()


if __name__ == "__main__":
    main()
