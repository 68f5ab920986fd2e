"""Sites closer than the resolution: crosstalk, level and time of the dense engine on an invented microscope.

    python tests/benchmarks/dense.py

30 x 30 sites at a spacing of 0.532 um, NA 0.68, 787 nm (Airy radius 0.706 um), a Gaussian beam of the pupil's diameter, a panel of
1024 x 1024 pixels. All figures come from the float64 direct sum: of the phase as found, and of 256 levels as a panel shows them; under
drift, the worst of four displacements in +-x and +-y, of the levels. Times are of the whole retrieval.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1]), str(Path(__file__).parent)]

from bench_tools import machine
from microscope import PATTERNS, microscope, region

from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.field.vector import focus_weights, vector_fields
from holo.mask import levels_of_phase, phase_of_levels
from holo.predict import figures
from holo.retrieve.dense import DenseOptions, retrieve_dense

PIXELS, SEED, DRIFT_NM = 1024, 0, 40.0
BENCH = microscope(PIXELS)
PATH = light_path(BENCH)
SIDES_UM = DRIFT_NM / 1e3 * np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0]])


def light(phase, xyz, target):
    return figures(abs(direct_fields(PATH, phase, xyz)) ** 2, target)


def vector(phase, xyz, target, polarisation):
    return figures((abs(vector_fields(BENCH, PATH, phase, xyz, polarisation)) ** 2).sum(axis=0), target)


def told(found):
    """Mean and highest crosstalk and spread, %."""
    return f"{100 * found.crosstalk_mean:6.2f} {100 * found.crosstalk_max:6.2f} {100 * found.spread:6.2f}"


def retrieved(name, options, polarisation="scalar", effort="normal"):
    """Seconds, retrieval, phase that the levels make, places and targets."""
    ij, xyz, target = region(name)
    weights = focus_weights(BENCH, polarisation)
    start = time.perf_counter()
    found = retrieve_dense(PATH, xyz, target, rng=np.random.default_rng(SEED), ij=ij, options=options, weights=weights, effort=effort)
    seconds = time.perf_counter() - start
    return seconds, found, phase_of_levels(levels_of_phase(found.phase, BENCH.panel), BENCH.panel), xyz, target


def patterns():
    print("\nmean and highest crosstalk and spread, %, of the phase, of the levels, and of those under a drift of 40 nm")
    print("pattern         drift nm      s  effic. |  mean    max spread |  mean    max spread |  mean    max spread")
    for name in PATTERNS:
        for drift in (0.0, DRIFT_NM):
            seconds, found, shown, xyz, target = retrieved(name, DenseOptions(drift_nm=drift))
            plain, rounded = (light(phase, xyz, target) for phase in (found.phase, shown))
            aside = max((light(shown, xyz + side, target) for side in SIDES_UM), key=lambda figures: figures.crosstalk_max)
            start = f"{name:14}  {drift:8.0f}  {seconds:5.1f}   {rounded.efficiency:5.3f}"
            print(f"{start} |{told(plain)} |{told(rounded)} |{told(aside)}", flush=True)


def trade():
    print("\nwhat giving light up buys (checkerboard, levels)\ngiven up  effic.    mean    max spread")
    for share in (0.3, 0.4, 0.5, 0.6, 0.7, 0.8):
        _, _, shown, xyz, target = retrieved("checkerboard", DenseOptions(given_up=share))
        rounded = light(shown, xyz, target)
        print(f"{share:8.2f}  {rounded.efficiency:6.3f}  {told(rounded)}", flush=True)


def models():
    print("\nlevels by the scalar model, and by the vector model with light polarised along x, along y and circularly")
    print("pattern         found with       s |  mean    max spread |  mean    max spread |  mean    max spread |  mean    max spread")
    for name in PATTERNS:
        for polarisation in ("scalar", "x", "y", "circular-xy"):
            seconds, _, shown, xyz, target = retrieved(name, DenseOptions(), polarisation)
            judged = [light(shown, xyz, target), *(vector(shown, xyz, target, kind) for kind in ("x", "y", "circular-xy"))]
            print(f"{name:14}  {polarisation:11} {seconds:5.1f} |{' |'.join(map(told, judged))}", flush=True)


def efforts():
    print("\neffort (checkerboard, levels)\neffort       s  iterations    mean    max spread")
    for effort in ("quick", "normal", "high"):
        seconds, found, shown, xyz, target = retrieved("checkerboard", DenseOptions(), effort=effort)
        print(f"{effort:8} {seconds:5.1f}  {found.iterations:10d}  {told(light(shown, xyz, target))}", flush=True)


if __name__ == "__main__":
    print(machine())
    retrieve_dense(PATH, np.zeros((1, 3)), np.ones(1), rng=np.random.default_rng(0), effort="quick")  # compile
    patterns()
    efforts()
    trade()
    models()
