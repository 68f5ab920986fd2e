"""Damaged files, by the thousand: what reading them ends in.

    python tests/benchmarks/fuzz.py [--cases 5000] [--seed 1] [--only bench,mask] [--keep FOLDER]

Each reader gets so many cases, damaged at random and guided by the lines that they are the first to reach. Counted are the cases that were
read, those refused with a message, and failures: a traceback, more than 5 s, more than 1 GiB, or files left behind. Failures are kept, made
smaller, in a folder, from where they go into ``tests/data/corpus`` once mended.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from fuzzing import fuzz, readers, smaller

KINDS = ("read", "refused", "traceback", "hang", "memory", "left")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=5000, help="of each reader")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="names of readers, with commas")
    parser.add_argument("--keep", type=Path, help="folder for the cases that fail")
    options = parser.parse_args()
    shared = Path("/dev/shm")
    with TemporaryDirectory(dir=shared if shared.is_dir() else None) as name:
        folder = Path(name)
        every = readers(folder)
        print(f"| reader | cases | {' | '.join(KINDS)} | lines reached | seconds |\n| {'--- | ' * (len(KINDS) + 4)}")
        sums = dict.fromkeys(KINDS, 0)
        for one in options.only.split(",") if options.only else every:
            start = time.perf_counter()
            ends, failures, lines = fuzz(every[one], folder / "place", options.cases, f"{options.seed} {one}")
            taken = time.perf_counter() - start
            print(
                f"| {one} | {sum(ends.values())} | {' | '.join(str(ends.get(kind, 0)) for kind in KINDS)} | {lines} | {taken:.0f} |",
                flush=True,
            )
            sums = {kind: sums[kind] + ends.get(kind, 0) for kind in KINDS}
            keep(options.keep, one, every[one], folder / "less", failures)
        print(f"| all | {sum(sums.values())} | {' | '.join(map(str, sums.values()))} | | |")


def keep(place, name, reader, folder, failures):
    """Keep one case of each kind of failure, and tell what it was."""
    told = set()
    for file, content, verdict in failures:
        mark = verdict.kind + verdict.text.strip().splitlines()[-1][:60] + "".join(verdict.text.split("File")[-1].split(",")[:2])
        if mark in told:
            continue
        told.add(mark)
        print(
            f"{name}: {file}: {verdict.kind}: {content if isinstance(content, str) else len(content)}\n{verdict.text[-700:]}",
            file=sys.stderr,
        )
        if place is not None and isinstance(content, bytes):
            place.mkdir(parents=True, exist_ok=True)
            less = smaller(reader, folder, file, content, verdict)
            (place / f"{name}--{file.replace('/', '~')}--{hashlib.sha256(less).hexdigest()[:8]}").write_bytes(less)


if __name__ == "__main__":
    main()
