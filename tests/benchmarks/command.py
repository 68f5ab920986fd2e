"""Time of whole commands as processes, with and without compiled caches.

    python tests/benchmarks/command.py [--runs 7] [--designs 5] [--firsts 2]

A first run finds an empty folder for the compiled kernels (NUMBA_CACHE_DIR) and for the font list of the pictures (MPLCONFIGDIR);
Python's own byte code is there in every run.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from bench_tools import bench_text, machine

ROOT = Path(__file__).parents[2]


def seconds(words, caches):
    """Wall time of ``python -m holo WORDS`` that keeps what it compiles in the folder `caches`."""
    places = {"NUMBA_CACHE_DIR": str(caches / "kernels"), "MPLCONFIGDIR": str(caches / "fonts")}
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "holo", *map(str, words)], cwd=ROOT, env=os.environ | places, capture_output=True, check=True)
    return time.perf_counter() - start


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=7, help="runs of holo --help")
    parser.add_argument("--designs", type=int, default=5, help="runs of holo design and holo demo with compiled caches")
    parser.add_argument("--firsts", type=int, default=2, help="first runs of each of these")
    options = parser.parse_args()
    with TemporaryDirectory() as name:
        folder = Path(name)
        bench, arrangement = folder / "bench.toml", folder / "block.toml"
        bench.write_text(bench_text(1024, 1024))
        arrangement.write_text("[[add]]\nblock = [32, 32]\n")
        commands = {
            "design": ["design", arrangement, "--bench", bench, "-o", folder / "mask.tiff", "--overwrite"],
            "demo": ["demo", folder / "demo", "--overwrite"],
        }
        warm = folder / "warm"
        for words in commands.values():  # byte code and caches for all that follows
            seconds(words, warm)
        times = {"holo --help": [seconds(["--help"], warm) for _ in range(options.runs)]}
        times |= {f"holo {command}, {when}": [] for command in commands for when in ("first run", "compiled caches")}
        for run in range(max(options.designs, options.firsts)):
            for command, words in commands.items():
                if run < options.firsts:
                    times[f"holo {command}, first run"].append(seconds(words, folder / f"{command}-{run}"))
                if run < options.designs:
                    times[f"holo {command}, compiled caches"].append(seconds(words, warm))
    print(machine())
    print(
        "design: 32 x 32 sites 5 um apart on a 1024 x 1024 panel, normal effort, no report; demo: the demo bench's ring with its report\n"
    )
    print("| whole process | runs | seconds, median (min to max) |")
    print("| --- | --- | --- |")
    for what, taken in times.items():
        if taken:
            print(f"| `{what.replace(',', '`,', 1) if ',' in what else what + '`'} | {len(taken)} | {told(taken)} |")


def told(taken):
    return f"{np.median(taken):.2f} ({min(taken):.2f} to {max(taken):.2f})"


if __name__ == "__main__":
    main()
