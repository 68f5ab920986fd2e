"""A sequence of masks on a screen without hardware: masks that came late, and time to read, draw and show one.

Usage: python tests/benchmarks/show.py [frames]

Needs Xvfb. Its pictures are memory copies: a graphics card and its driver add their own times, which only they tell.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

import numpy as np
import tifffile

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import machine
from virtual_screen import virtual_screen

from holo.manifest import manifest_of, opened_levels, times_from
from holo.player import Ending, Player
from holo.screen import packing, showing

RATE_HZ = 60.0


def write(folder, rows, columns, count):
    """The manifest of random masks of all levels, in a folder."""
    rng, files = np.random.default_rng(0), [folder / f"frame-{number:05d}.tiff" for number in range(count)]
    for file in files:
        tifffile.imwrite(file, rng.integers(0, 256, (rows, columns), np.uint8))
    return manifest_of(folder / "manifest.json", files, times_from(RATE_HZ, count))


def timed(action):
    start = time.perf_counter()
    found = action()
    return found, 1e3 * (time.perf_counter() - start)


def row(columns, rows, count):
    with tempfile.TemporaryDirectory() as name, virtual_screen(columns, rows) as server:
        os.environ |= {"DISPLAY": server.display, "SDL_VIDEODRIVER": "x11"}
        folder = Path(name)
        manifest = write(folder, rows, columns, count)
        with opened_levels(folder / "manifest.json", manifest) as load, showing((rows, columns), packing("grey")) as screen:
            parts = []
            wrong = 0
            for number in range(min(20, count)):
                levels, read = timed(lambda number=number: load(number))
                parts.append([read, timed(lambda levels=levels: screen.prepare(levels))[1], timed(screen.show)[1]])
                wrong += int((server.colours() != levels[..., None]).sum())
            played = Player(screen, load, count, Ending()).by_clock(1 / RATE_HZ, 0.0).summary()
        read, drawn, shown = np.median(parts, axis=0)
        times = f"{played['median_ms']:.2f} ({played['shortest_ms']:.2f} to {played['longest_ms']:.2f})"
        print(
            f"| {columns} x {rows} | {count} | {played['dropped']} | {times} | {read:.1f} | {drawn:.1f} | {shown:.1f} | {wrong} |",
            flush=True,
        )


def main(count=300):
    print(f"{machine()}, pygame-ce {version('pygame-ce')}; masks at {RATE_HZ:g} a second\n")
    print(
        "| panel | masks | dropped periods | ms between masks, median (min to max) | read, ms | draw, ms | show, ms | wrong pixels in 20 |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for columns, rows in ((1200, 1000), (1920, 1200), (4096, 2400)):
        row(columns, rows, count if columns < 4000 else count // 4)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
