"""Continuous light: errors before and after levels, shares of power, vortices and times.

    python tests/benchmarks/smooth.py [--only box-60 box-80 ring ramp picture quick]

All figures come from matrix products in float64 on a grid that the engine does not use. A panel of 1024 x 1024 pixels of 8 bits, 212 of
their levels for 2 pi, a Gaussian beam whose 1/e^2 diameter is that of the pupil; sizes are in focal cells, wavelength / (2 NA).
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(ROOT / "tests"), str(ROOT)]

from bench_tools import bench_text, machine

from holo.arrangement import from_sites
from holo.bench import parse_bench
from holo.design import DesignOptions
from holo.design_smooth import design_smooth
from holo.mask import levels_of_phase
from holo.predict_smooth import cell_um, predict_smooth
from holo.smooth import Part, Smooth

AT = (100.0, 80.0)


def picture(side, rng):
    """Light and shade as a photograph has them: amplitudes that fall as one over the spatial frequency, values from 0.15 to 1."""
    frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(side), np.fft.fftfreq(side)))
    frequency[0, 0] = 1
    field = np.fft.ifft2(np.fft.fft2(rng.normal(size=(side, side))) / frequency).real
    low, high = np.quantile(field, [0.02, 0.98])
    return np.clip((field - low) / (high - low), 0, 1) * 0.85 + 0.15


def cases(cell):
    """Target, error to stop at and most iterations, by name."""
    box = {name: Part("box", {"width": side * cell, "height": side * cell}, at=AT) for name, side in (("wide", 100), ("small", 40))}
    slope = Part("ramp", {"low": 0.5, "high": 1.0, "length": 100 * cell}, at=AT)
    grey = Part("array", {"width": 100 * cell, "height": 100 * cell}, at=AT, values=picture(100, np.random.default_rng(3)))
    ring = Part("ring", {"inner": 25 * cell, "outer": 50 * cell}, at=AT)
    return {
        "box-60": (Smooth((box["wide"],), power=0.6), DesignOptions(rms=4.5e-4, iterations=1500)),
        "box-80": (Smooth((box["small"],), power=0.8), DesignOptions(rms=1e-3, iterations=1500)),
        "ring": (Smooth((ring,), power=0.4), DesignOptions(rms=4e-3)),
        "ramp": (Smooth((box["wide"],), (slope,), power=0.4), DesignOptions(rms=4e-3)),
        "picture": (Smooth((grey,), power=0.4), DesignOptions(rms=4e-3)),
        "quick": (Smooth((box["wide"],), power=0.6), DesignOptions(effort="quick")),
    }


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="*")
    chosen = parser.parse_args().only
    bench = parse_bench(bench_text(1024, 1024), "bench.toml")
    print(machine())
    print(
        f"{'case':10}{'power':>8}{'steps':>7}{'time s':>8}{'rms %':>9}{'levels %':>10}{'trimmed %':>11}{'flat top %':>12}{'vortices':>10}"
    )
    for name, (smooth, options) in cases(cell_um(bench)).items():
        if chosen and name not in chosen:
            continue
        made = design_smooth(bench, replace(from_sites([]), smooth=smooth), options=options)
        prediction, figures = made.prediction, made.prediction.figures
        nearest = predict_smooth(bench, levels_of_phase(made.mask.phase, bench.panel), prediction.placed, prediction.sites).figures.rms
        errors = f"{100 * made.rms_before_levels:9.4f}{100 * nearest:10.4f}{100 * figures.rms:11.4f}{100 * figures.rms_flat:12.4f}"
        print(
            f"{name:10}{figures.power_share:8.3f}{made.retrieval.iterations:7}{made.seconds:8.1f}{errors}{figures.vortices:10}", flush=True
        )


if __name__ == "__main__":
    main()
