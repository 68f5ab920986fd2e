"""A sequence of masks on a screen without hardware: masks that came late, and time to read, draw and show one.

Usage: python tests/benchmarks/show.py [frames]

Needs Xvfb. Its pictures are memory copies: a graphics card and its driver add their own times, which only they tell.
"""

from __future__ import annotations

import json
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

from holo.files import digest
from holo.player import Ending, Player
from holo.screen import packing, showing
from holo.sequence import opened_sequence

RATE_HZ = 60.0


def write(folder, rows, columns, count):
    """A sequence of random masks of all levels, in the format of `holo.sequence`."""
    rng, entries = np.random.default_rng(0), []
    for number in range(count):
        name = f"frame-{number:05d}.tiff"
        tifffile.imwrite(folder / name, rng.integers(0, 256, (rows, columns), np.uint8))
        entries.append({"file": name, "digest": digest(folder / name)})
    manifest = {"format": "holo sequence", "version": 1, "frame_ms": 1e3 / RATE_HZ, "complete": True, "frames": entries}
    (folder / "manifest.json").write_text(json.dumps(manifest))


def timed(action):
    start = time.perf_counter()
    found = action()
    return found, 1e3 * (time.perf_counter() - start)


def row(columns, rows, count):
    with tempfile.TemporaryDirectory() as name, virtual_screen(columns, rows) as server:
        os.environ |= {"DISPLAY": server.display, "SDL_VIDEODRIVER": "x11"}
        folder = Path(name)
        write(folder, rows, columns, count)
        with opened_sequence(folder) as found, showing(found.shape, packing("grey")) as screen:
            parts = []
            wrong = 0
            for number in range(min(20, count)):
                levels, read = timed(lambda number=number: found.load(number))
                parts.append([read, timed(lambda levels=levels: screen.prepare(levels))[1], timed(screen.show)[1]])
                wrong += int((server.colours() != levels[..., None]).sum())
            played = Player(screen, found.load, found.count, Ending()).by_clock(1 / RATE_HZ, 0.0).summary()
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
