"""Response against random truths on twins of the demo bench: errors of the phase, told errors, pulls, and what a check tells.

    python tests/benchmarks/response.py [--truths 8] [--across 2] [--frames 40] [--crosstalk 0.3]

A truth has all faults of the twin (crosstalk between pixels, flicker, undiffracted light, ghost, lumpy beam, aberration, vignetting), a
response that is up to 15 % steeper or flatter than the bench file's, bent up to 15 % over a turn and by a wave of up to 0.5 rad, and
changes by up to 2 % from the middle of the panel to its edges. Errors are those of the phase of all levels against the twin's own, weighted
over the patches as their light is, less their mean; pulls are errors over told errors.
"""

from __future__ import annotations

import argparse
import re
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from bench_tools import machine

from holo.bench import demo_bench_text, parse_bench
from holo.dialogue import Start
from holo.field.path import light_path
from holo.registration import Registration
from holo.response import phase_error, response
from holo.twin import read_twin, twin_text

TIME = "2025-06-30T14:05:00+02:00"


def twin_of(seed, crosstalk):
    """A twin whose response is far off."""
    rng = np.random.default_rng([seed, 1])
    gain, quadratic, wave, right, down = np.round(rng.uniform(-1, 1, 5) * [0.15, 0.15, 0.5, 0.02, 0.02], 4)
    keys = {"response_gain": gain, "response_quadratic": quadratic, "response_wave": wave, "response_tilt": [float(right), float(down)]}
    text = twin_text("bench.toml", np.random.default_rng(seed))
    for key, value in (keys | {"crosstalk_px": crosstalk}).items():
        text = re.sub(rf"^{key} = [^#\n]*", f"{key} = {value}  ", text, flags=re.MULTILINE)
    with TemporaryDirectory() as folder:
        (Path(folder) / "bench.toml").write_text(demo_bench_text())
        (Path(folder) / "twin.toml").write_text(text)
        return read_twin(Path(folder) / "twin.toml")


def measured(twin, **options):
    """What the dialogue ends in."""
    bench = parse_bench(demo_bench_text(), "bench.toml")
    source = {"path": "", "digest": bench.digest, "text": bench.text, "files": {}}
    registration = Registration(plane_to_camera=twin.plane_to_camera, time=TIME)
    dialogue = response(Start(bench, {"bench": source, "registration": None, "arrangement": None}, registration, None, options, TIME))
    ask, frames = next(dialogue), 0
    while True:
        try:
            ask = dialogue.send(twin.show(ask.mask.levels, frames))
        except StopIteration as end:
            return end.value
        frames += 1


def truth_of(twin):
    """Phase of each level, weighted with the light of the true beam as the patches are."""
    path, (right, down) = light_path(twin.bench), twin.panel.response_tilt
    power, panel = path.amplitude**2, twin.bench.panel
    x, y = (axis / (len(axis) * panel.pitch_um / 2) for axis in (path.x_um, path.y_um))
    tilt = float((power * (right * x + down * y[:, None])).sum() / power.sum())
    return twin.hidden.panel.response[:, 1] * (1 + tilt)


def main(truths, across, frames, crosstalk):
    print(machine())
    print("truth | rms error, rad | largest | told  | pulls rms | bench file off by, rad rms: true, measured, checked | frames, check | s")
    rows = []
    for seed in range(truths):
        twin, begun = twin_of(seed, crosstalk), time.perf_counter()
        found = measured(twin, across=across, frames=frames, seed=seed)
        seconds = time.perf_counter() - begun
        checked = measured(twin, check=True, seed=seed)
        error = found.phase - truth_of(twin)
        error -= error.mean()
        pulls, told = error / found.fit.error, np.sqrt(np.mean(found.fit.error**2))
        off = [phase_error(twin.bench.panel, phase)[0] for phase in (truth_of(twin), found.phase, checked.phase)]
        rows.append([error.std(), np.abs(error).max(), told, np.sqrt(np.mean(pulls**2))])
        print(
            f"{seed:5d} | {rows[-1][0]:14.4f} | {rows[-1][1]:7.4f} | {told:.3f} | {rows[-1][3]:9.2f} | "
            f"{off[0]:.4f}, {off[1]:.4f}, {off[2]:.4f} | {found.frames}, {checked.frames} | {seconds:.0f}",
            flush=True,
        )
    rms, largest, told, pulls = np.array(rows).T
    print(
        f"median {np.median(rms):.4f}, worst {rms.max():.4f}, largest {largest.max():.4f} rad; pulls rms {np.sqrt(np.mean(pulls**2)):.2f}"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--truths", type=int, default=8)
    parser.add_argument("--across", type=int, default=2)
    parser.add_argument("--frames", type=int, default=40)
    parser.add_argument("--crosstalk", type=float, default=0.3)
    chosen = parser.parse_args()
    main(chosen.truths, chosen.across, chosen.frames, chosen.crosstalk)
