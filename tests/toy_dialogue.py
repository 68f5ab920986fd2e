"""A dialogue for the tests: each mask depends on all frames before, and so does the result. As a script, it runs one in a folder.

Usage: python toy_dialogue.py FOLDER [SECONDS_PER_FRAME]
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from holo.arrangement import from_sites
from holo.bench import parse_bench
from holo.design import DesignOptions, design
from holo.dialogue import Ask, converse, open_run, start_run
from holo.errors import CalibrationError

STEPS = 8


@dataclass(frozen=True)
class Outcome:
    total: float
    history: tuple[int, ...]

    def files(self, digests):
        return {"result.json": json.dumps({"total": self.total, "history": self.history, "frames": dict(digests)}).encode()}

    def summary(self):
        return {"total": self.total}


def dialogue(start):
    mask = design(start.bench, from_sites([[0, 0]]), options=DesignOptions(effort="quick")).mask
    mask = replace(mask, record={**mask.record, "time": start.time})
    rng = np.random.default_rng(start.options["seed"])
    total, history = 0.0, []
    for step in range(STEPS):
        levels = ((mask.levels.astype(int) + int(total) + int(rng.integers(256))) % 256).astype(np.uint8)
        frame = yield Ask(replace(mask, levels=levels), f"frame {step}")
        if frame.max() == 0:
            raise CalibrationError(f"frame {step}: found no light; needed: some")
        total += float(frame.sum())
        history.append(int(levels[0, 0]))
    return Outcome(total, tuple(history))


def take(levels, step):
    """A camera that answers by the mask and the step alone."""
    rng = np.random.default_rng([step, int(levels.astype(np.int64).sum())])
    return rng.integers(0, 4096, (2, 10, 12)).astype(np.uint16)


def sources_of(text):
    bench = {"path": "", "digest": parse_bench(text, "bench.toml").digest, "text": text, "files": {}}
    return {"bench": bench, "registration": None, "arrangement": None}


def begin_run(folder, text, **options):
    return start_run(folder, "toy", dialogue, sources_of(text), {"seed": 1}, ("result.json",), **options)


def reopen(folder):
    return open_run(folder, "toy", dialogue)


if __name__ == "__main__":
    run = reopen(Path(sys.argv[1]))
    sys.stdout.write("open\n")
    sys.stdout.flush()

    def slowly(levels, step):
        time.sleep(float(sys.argv[2]))
        return take(levels, step)

    converse(run, slowly)
