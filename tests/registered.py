"""Register on frames of the tests' own simulator."""

from __future__ import annotations

import re

import numpy as np
from simulated_frames import affine, airy_spots, exposed

from holo.bench import demo_bench_text, parse_bench
from holo.dialogue import Start
from holo.record import recorded_sites
from holo.register import register

FIRST_DARK_PX = 4.77
"""First dark ring of the demo bench's spots on its camera."""


def start_of(**options):
    """Start of a dialogue on the demo bench, with a quarter of the panel's pixels for speed."""
    text = demo_bench_text().replace("columns = 1200\nrows = 1000\npitch_um = 10.0", "columns = 600\nrows = 500\npitch_um = 20.0")
    text = re.sub("electrons_per_count.*\n", "", text)  # the simulated camera has another gain: the noise is estimated
    bench = parse_bench(text, "bench.toml")
    source = {"path": "", "digest": bench.digest, "text": text, "files": {}}
    return Start(bench, {"bench": source, "registration": None, "arrangement": None}, None, None, options, "2025-06-30T14:05:00+02:00")


def truth_of(rng):
    """A plane-to-camera map: any turn, mirrored or not, 2 % of shear, axis up to 40 px from the frame's middle, scale right to 5 %."""
    return affine(rng, scale=5.0 * rng.uniform(0.95, 1.05), offset=(599.5, 449.5))


def frame_of_sites(sites_um, matrix, offset, rng, *, peak=300.0, missing=0.12, false=0.10, shape=(900, 1200), **camera):
    """Frame of spots at sites of the plane, some of them missing, some false ones among them."""
    seen = sites_um @ matrix.T + offset
    seen = seen[rng.random(len(seen)) >= missing]
    low, high = seen.min(axis=0), seen.max(axis=0)
    seen = np.vstack([seen, rng.uniform(low, high, (round(false * len(sites_um)), 2))])
    return exposed(airy_spots(seen, peak, shape, FIRST_DARK_PX), rng, **camera)


def answered(start, *truth, **frames):
    """Let the simulator answer the dialogue, and give what it ends in: from matrix, offset and rng, or from a function of the sites."""
    draw = truth[0] if callable(truth[0]) else lambda sites: frame_of_sites(sites, *truth, **frames)
    dialogue = register(start)
    ask = next(dialogue)
    while True:
        try:
            ask = dialogue.send(draw(recorded_sites(ask.mask.record, start.bench).xyz_um[:, :2]))
        except StopIteration as end:
            return end.value
