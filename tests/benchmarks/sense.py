"""Sense against many random truths: what is left of the aberration, told errors, frames and time, for each method.

    python tests/benchmarks/sense.py [--truths 6] [--methods diversity,modal,patches] [--on simulator,twin]

Truths have 0.25 waves rms spread at random over Noll 4 to 21. The simulator is the tests' own, which shares no code with holo; its beam is
aside, wider and lumpy. The twin is that of the demo
bench, its camera with 16 bits, with all its faults: ghost, undiffracted light, crosstalk, a response that is off, distortion, vignetting.
Residuals are of the terms 4 to 21, tilt and piston left out; pulls are errors over told errors.
"""

from __future__ import annotations

import argparse
import re
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import machine
from sensing import TIME, answered, odd_beam, residual, simulator_of, spread, start_of

from holo.bench import demo_bench_text, parse_bench
from holo.dialogue import Start
from holo.registration import Registration
from holo.sense import sense
from holo.twin import read_twin, twin_text

RMS = 0.25
BENCH = demo_bench_text().replace("bits = 12", "bits = 16")  # room for 50,000 electrons
ELECTRONS = (10_000, 50_000)


def of_simulator(method, electrons, seed):
    """What the dialogue ends in, frames and truth, on the tests' simulator."""
    rng = np.random.default_rng(seed)
    truth = spread(RMS, rng)
    spots = 4 if method == "patches" else 3
    start = start_of(method=method, spots=spots)
    return *answered(start, simulator_of(start, truth, odd_beam), rng, electrons, 13.0 if method == "patches" else 9.0), truth


def of_twin(method, electrons, seed):
    """The same on a random twin of the demo bench."""
    truth = spread(RMS, np.random.default_rng(seed))
    with TemporaryDirectory() as folder:
        (Path(folder) / "bench.toml").write_text(BENCH)
        text = twin_text("bench.toml", np.random.default_rng(seed))
        terms = "\n".join(f"{j} = {waves!r}" for j, waves in truth.items())
        text = re.sub(r"(\[aberration\][^\n]*\n).*?\n\n", lambda found: f"{found[1]}{terms}\n\n", text, flags=re.DOTALL)
        text = re.sub(r"electrons_at_peak = \d+", f"electrons_at_peak = {electrons}", text)
        (Path(folder) / "twin.toml").write_text(text)
        twin = read_twin(Path(folder) / "twin.toml")
    bench = parse_bench(BENCH, "bench.toml")
    source = {"path": "", "digest": bench.digest, "text": bench.text, "files": {}}
    registration = Registration(plane_to_camera=twin.plane_to_camera, time=TIME)
    sources = {"bench": source, "registration": None, "arrangement": None}
    dialogue = sense(Start(bench, sources, registration, None, {"method": method}, TIME))
    ask, frames = next(dialogue), 0
    while True:
        frames += 1
        try:
            ask = dialogue.send(twin.show(ask.mask.levels, frames))
        except StopIteration as end:
            return end.value, frames, truth


def main(truths, methods, sources):
    print(machine())
    print("frames | electrons | source    | method    | residual rms, waves: median, worst | told   | pulls rms | Strehl after | s a run")
    for source in sources:
        for method in methods:
            for electrons in ELECTRONS:
                rows = []
                for seed in range(truths):
                    begun = time.perf_counter()
                    sensed, frames, truth = {"simulator": of_simulator, "twin": of_twin}[source](method, electrons, seed)
                    pulls = [(sensed.waves[j] - truth[j]) / sensed.errors[j] for j in truth]
                    told = float(np.sqrt(np.square([*sensed.errors.values()]).sum()))
                    rows.append((residual(sensed, truth), told, np.sqrt(np.mean(np.square(pulls))), sensed.strehl_after))
                    rows[-1] += (time.perf_counter() - begun,)
                left, told, pull, strehl, seconds = np.array(rows).T
                print(
                    f"{frames:6d} | {electrons:9d} | {source:9s} | {method:9s} | {np.median(left):.5f} (1/{1 / np.median(left):4.0f}) "
                    f"{left.max():.5f} (1/{1 / left.max():4.0f}) | {np.median(told):.5f} | {np.sqrt(np.mean(pull**2)):9.2f} | "
                    f"{np.median(strehl):.5f} | {np.median(seconds):.1f}",
                    flush=True,
                )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--truths", type=int, default=6)
    parser.add_argument("--methods", default="diversity,modal,patches")
    parser.add_argument("--on", default="simulator,twin")
    chosen = parser.parse_args()
    main(chosen.truths, chosen.methods.split(","), chosen.on.split(","))
