"""Balance: true spread of the sites before and after, on simulated benches whose truth is hidden from it.

    python tests/benchmarks/balance.py [--truths 3] [--sides 10 32] [--benches plain sensed unsensed] [--electrons 40000]

- plain: the tests' own simulator (tests/lit_sites.py), light by a float64 sum; factors of the sites are drawn at random, 15 %.
- sensed: a twin whose beam, response, crosstalk between pixels, undiffracted light and ghost differ from the bench file, so that it starts
  from about 15 %, and whose light path has 0.009 waves rms of unknown aberration, as is left after sensing.
- unsensed: the same with 0.067 waves rms.

Frames have so many electrons in the spot of the mean site, read noise of 2 electrons and 2.5 electrons per count. The true spread is that
of the intensity at the middle of the spots, by the plain sum over the panel.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import machine
from lit_sites import SIGMA_PX, TIME, bench_with
from simulated_frames import exposed

from holo.affine import Affine
from holo.arrangement import block
from holo.balance import balance
from holo.bench import demo_bench_text
from holo.dialogue import Start
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.record import sources_of
from holo.registration import Registration
from holo.twin import read_twin

SPACING_UM, ORIGIN_UM = 5.0, (60.0, 40.0)
CROSSTALK_PX = {10: 0.8, 32: 0.32}
"""Such that the start is 15 %: the more sites, the more a mask suffers from crosstalk."""

FAULTS = """
bench = "bench.toml"
seed = {seed}
[camera_map]
offset_px = {offset}
[aberration]
4 = {waves}
5 = {waves}
7 = {waves}
8 = {waves}
11 = {waves}
[beam]
shift_mm = [0.3, -0.4]
size = 1.04
lumpiness = 0.1
[panel]
crosstalk_px = {crosstalk}
response_gain = 0.02
response_quadratic = 0.02
undiffracted = 0.03
ghost = 0.005
ghost_um = [4.0, 0.5]
"""


class TwinTruth:
    """A twin that looks at an array of side x side sites; frames with the tests' own noise."""

    def __init__(self, side, waves, seed, electrons):
        middle = np.array(ORIGIN_UM) + (side - 1) * SPACING_UM / 2
        faults = FAULTS.format(seed=seed, offset=(-5 * middle).tolist(), waves=waves, crosstalk=CROSSTALK_PX.get(side, 0.3))
        with TemporaryDirectory() as folder:
            (Path(folder) / "bench.toml").write_text(demo_bench_text())
            (Path(folder) / "twin.toml").write_text(faults)
            self.twin = read_twin(Path(folder) / "twin.toml")
        self.path, self.seed, self.electrons, self.shift_um = light_path(self.twin.hidden), seed, electrons, np.zeros(2)
        to_plane, arrangement = Affine(SPACING_UM * np.eye(2), np.array(ORIGIN_UM)), block(side, side)
        registration = Registration(lattice_to_plane=to_plane, plane_to_camera=self.twin.plane_to_camera, time=TIME)
        sources = sources_of(self.twin.bench, arrangement, registration)
        self.start = Start(self.twin.bench, sources, registration, arrangement, {}, TIME)
        self.xy_um = to_plane.apply(arrangement.ij)

    def light(self, levels):
        places = np.pad(self.xy_um + self.shift_um, ((0, 0), (0, 1)))
        ghost, phase = self.twin.panel.ghost, self.twin.phase(levels)
        light, beside = (abs(direct_fields(self.path, phase, places - [x, y, 0])) ** 2 for x, y in ((0, 0), self.twin.panel.ghost_um))
        return light + ghost * beside

    def spread(self, levels):
        light = self.light(levels)
        return light.std() / light.mean()

    def take(self, levels, step):
        scale = self.electrons / (2 * np.pi * SIGMA_PX**2) / self.light(levels).mean()
        return exposed(self.twin.picture(levels).astype(float) * scale, np.random.default_rng([self.seed, step]), gain=1 / 2.5)

    def follow(self, shift_px):
        """Take the places of the sites for where the spots are: an unknown aberration moves all of them, and a survey would have told."""
        self.shift_um = np.asarray(shift_px) @ np.linalg.inv(self.twin.plane_to_camera.matrix).T


def truth_of(bench, side, seed, electrons):
    if bench == "plain":
        truth = bench_with(side, seed=seed, electrons=electrons, coarse=2.5 if side <= 20 else 1.25)
        truth.follow = lambda shift_px: None
        return truth
    return TwinTruth(side, {"sensed": 0.004, "unsensed": 0.03}[bench], seed, electrons)


def levelled(truth):
    """True spreads before and after, what was expected, the floor, number of frames, and seconds per frame without the simulation."""
    dialogue = balance(truth.start)
    ask, count, seconds = next(dialogue), 0, 0.0
    first = ask.mask.levels
    while True:
        frame = truth.take(ask.mask.levels, count)
        begun, count = time.perf_counter(), count + 1
        try:
            ask = dialogue.send(frame)
        except StopIteration as end:
            outcome = end.value
            break
        finally:
            seconds += time.perf_counter() - begun
    truth.follow(outcome.rounds[-1].shift_px)
    last = truth.spread(outcome.design.mask.levels)
    return truth.spread(first), last, outcome.expected_spread, outcome.floor, count, seconds / count


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--truths", type=int, default=3)
    parser.add_argument("--sides", type=int, nargs="+", default=[10, 32])
    parser.add_argument("--benches", nargs="+", default=["plain", "sensed", "unsensed"])
    parser.add_argument("--electrons", type=float, default=40_000.0)
    options = parser.parse_args()
    print(machine())
    print(f"electrons per site and frame {options.electrons:g}\n")
    print("bench     sites  truth   start %   after %  expected %  floor %  frames  s per frame", flush=True)
    for side in options.sides:
        for bench in options.benches:
            for seed in range(options.truths):
                start, last, expected, floor, frames, seconds = levelled(truth_of(bench, side, seed, options.electrons))
                numbers = f"{100 * start:8.2f}  {100 * last:8.3f}  {100 * expected:10.3f}  {100 * floor:7.3f}  {frames:6}  {seconds:11.2f}"
                print(f"{bench:8}  {side**2:5}  {seed:5}  {numbers}", flush=True)


if __name__ == "__main__":
    main()
