"""Numerics: float32 transforms against the plain float64 sum over the range of sizes, and extremes through the whole design.

    python tests/benchmarks/numerics.py [--only errors|extremes]

The first table has the errors of the fields of `SiteTransform` (one iteration, `project`) and of `WindowTransform` over the root of the
power in the pupil, the scale of the bound 5e-5 that the first one states. The second has designs at the ends of what a bench or an
arrangement may say, judged by the float64 sum over the levels of the mask: each converges, or a refusal or a warning says why it cannot.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_tools import machine, panel_path
from conftest import _bench_text

from holo.arrangement import block, from_sites
from holo.bench import bench_warnings, parse_bench
from holo.design import DesignOptions, design
from holo.errors import HoloError
from holo.field.path import LightPath
from holo.field.plane import PlaneTransform
from holo.field.sites import SiteTransform, direct_fields
from holo.field.window import WindowTransform
from holo.registration import place

PANELS = ((1, 4096), (4096, 1), (16, 16), (64, 64), (256, 256), (1024, 1024), (4096, 4096))
SITES = (1, 2, 100, 10_000)
CHECKED = 200
"""Most sites, and points of a window along each axis, whose fields are summed in float64."""

HALF = 46.667 / 8
"""An eighth of the field of the small bench: four steps from the axis lies its edge."""
SQUARE = {"vectors_um": [[1.2, 0.0], [0.0, 1.2]], "origin_um": [3.0, 3.0]}
TRIANGULAR = {"geometry": "triangular", "spacing_um": 3.0, "origin_um": [6.0, 4.0]}
EDGE = {"vectors_um": [[HALF * 0.9999, 0.0], [0.0, HALF * 0.9999]], "origin_um": [0.0, 0.0]}
FOLDED = {"vectors_um": [[11.6666, 0.0], [0.0, 11.6666]], "origin_um": [0.0, 0.0]}
DIM = np.where(np.arange(25) == 7, 1e-4, 1.0)


def lit(rows, columns):
    """A light path; a bench with a pupil of the panel's shorter side, but for panels of one row or column, which have light all over."""
    if min(rows, columns) >= 16:
        return panel_path(columns, rows)
    x, y = ((np.arange(count) - (count - 1) / 2) * 10.0 for count in (columns, rows))
    amplitude = np.exp(-((np.hypot(x, y[:, None]) / (10.0 * max(rows, columns) / 2)) ** 2))
    scale, none = 2 * np.pi / (0.938 * 8333.3), np.zeros(amplitude.shape)
    return LightPath(x, y, amplitude, none, none, scale, 9.6, float(amplitude.sum()), amplitude > 0, 1.0)


def site_error(path, count, rng):
    """Largest error of one iteration on some sites over the field, over the root of the power in the pupil."""
    half = np.pi / (path.scale * 10.0)
    xyz = np.column_stack([rng.uniform(-half, half, (count, 2)), np.zeros(count)])
    values = rng.uniform(0.5, 1.5, count) * np.exp(2j * np.pi * rng.random(count))
    transform = SiteTransform(path, xyz, whole_panel=True)
    some = rng.permutation(count)[:CHECKED]
    wanted = direct_fields(path, transform.mask_phase(values), xyz[some]) * path.amplitude_sum / path.envelope(xyz[some])
    return np.abs(transform.project(values)[some] - wanted).max() / np.linalg.norm(path.amplitude)


def window_error(path, rng):
    """The same for a window over the middle of the field."""
    half = np.pi / (path.scale * 10.0)
    window = WindowTransform(path, (0.3 * half, -0.2 * half), (half, half))
    theta = rng.uniform(0, 2 * np.pi, window.amplitude.shape).astype(np.float32)
    rows, columns = (rng.permutation(length)[:CHECKED] for length in (len(window.y_um), len(window.x_um)))
    plain = PlaneTransform(path, window.x_um[columns], window.y_um[rows])
    wanted = plain.forward(path.amplitude * np.exp(1j * (window.mask_phase(theta) + path.aberration)))
    return np.abs(window.forward(window.light(theta))[np.ix_(rows, columns)] - wanted).max() / np.linalg.norm(path.amplitude)


def cases():
    """Name, arrangement, what to change on the small bench, and options."""
    one, five, three = from_sites([[0, 0]]), block(5, 5), block(3, 3)
    yield "1 site", one, {}, {}
    yield "1 site on the axis", one, {"lattice__origin_um": [0.0, 0.0]}, {}
    yield "no bright site", from_sites([[0, 0]], 0.0), {}, {}
    yield "2 sites", block(2, 1), {}, {}
    yield "2 sites and a dark one", from_sites([[0, 0], [1, 0], [2, 0]], [1, 1, 0]), {}, {}
    yield "3 sites at equal distance", from_sites([[0, 0], [1, 0], [0, 1]]), {"lattice": TRIANGULAR}, {}
    yield "3 of them closer than the resolution", from_sites([[0, 0], [1, 0], [0, 1]]), {"lattice": {**TRIANGULAR, "spacing_um": 0.6}}, {}
    yield "sites at the edge of the field", from_sites([[-4, 0], [4, 1], [0, 4], [1, -4], [2, 2]]), {"lattice": EDGE}, {}
    yield "a dark site opposite on the edge", from_sites([[-2, 0], [2, 0]], [1, 0]), {"lattice": FOLDED}, {}
    yield "beyond the edge", from_sites([[4.01, 0]]), {"lattice": FOLDED}, {}
    yield "targets over 1 to 1e4", five.with_target(np.logspace(0, 4, 25)), {}, {}
    yield "targets over 1e-6 to 1e6", five.with_target(np.logspace(-6, 6, 25)), {}, {}
    yield "one site 1e4 dimmer", five.with_target(DIM), {}, {}
    yield "one site 1e6 dimmer", five.with_target(np.where(DIM < 1, 1e-6, 1)), {}, {}
    yield (
        "close sites, targets to 1e4",
        five.with_target(np.logspace(0, 4, 25)),
        {"lattice": {**SQUARE, "vectors_um": [[0.6, 0], [0, 0.6]]}},
        {},
    )
    for part in (0.08, 0.01):
        yield f"a beam of {part / 0.8:.3g} of the panel", five, {"light__beam_diameter_mm": part}, {}
    yield "a beam beside the panel", five, {"light__beam_diameter_mm": 0.01, "light__beam_centre_mm": [50.0, 0.0]}, {}
    for side, along, across in (("row", block(5, 1), block(1, 5)), ("column", block(1, 5), block(5, 1))):
        yield f"1 {side}, sites along it", along, {f"panel__{side}s": 1}, {}
        yield f"1 {side}, sites across it", across, {f"panel__{side}s": 1}, {}
    yield "1 pixel", one, {"panel__rows": 1, "panel__columns": 1}, {}
    for wavelength in (300.0, 2000.0):
        yield f"{wavelength:g} nm", three, {"light__wavelength_nm": wavelength, "lattice": SQUARE}, {}
    yield "300 nm, sites beyond the field", three.shifted(2, 0), {"light__wavelength_nm": 300.0}, {}
    for aperture, index in ((0.95, 1.0), (1.25, 1.33), (1.4, 1.52), (0.001, 1.0)):
        optics = {"optics__numerical_aperture": aperture, "optics__medium_index": index, "optics__relay_magnification": 10 * aperture}
        bulk = three.at_depth(np.linspace(-2, 2, 9))
        yield f"NA {aperture:g}, index {index:g}, 9 depths", bulk, {**optics, "lattice": SQUARE}, {"polarisation": "x"}
    for terms in ({"4": 10.0}, {"5": 10.0, "7": 10.0, "8": -10.0}, {"22": 20.0}):
        yield f"waves rms {terms}".replace("'", ""), five, {"optics__aberration": terms}, {}
    for depth in (1e3, 1e4):
        yield f"depths over {depth:g} um to both sides", three.at_depth(np.linspace(-depth, depth, 9)), {}, {}
    for period in (2, 2.5, 3, 256):
        yield f"{period:g} levels in 2 pi", five, {"panel__level_for_2pi": period}, {}
    yield "a response of less than 2 pi", five, {"panel__level_for_2pi": 300}, {}
    yield "a panel of 2 levels", five, {"panel__levels": 2, "panel__level_for_2pi": 2}, {}


def ended(arrangement, changes, options):
    """How a design ended: kind, uniformity, efficiency, and what was said."""
    try:
        bench = parse_bench(_bench_text(**changes), "bench.toml")
        said = [text for text in bench_warnings(bench, place(arrangement, bench.lattice)) if "power" not in text]
        made = design(bench, arrangement, options=DesignOptions(**options))
    except HoloError as error:
        return "refused", None, None, str(error)
    found = made.prediction.figures
    numbers = [value for value in made.prediction.summary().values() if isinstance(value, float)]
    kind = "converged" if made.retrieval.converged else "short"
    if not np.isfinite(numbers).all():
        kind = "not finite"
    words = said if kind == "converged" else [made.prediction.worst(), *said]
    return kind, found.uniformity, found.efficiency, "; ".join(words)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", choices=("errors", "extremes"))
    only = parser.parse_args().only
    warnings.simplefilter("error")
    print(machine())
    if only != "extremes":
        print(f"| panel, rows x columns | {' | '.join(f'{count} sites' for count in SITES)} | window |\n|{' --- |' * (len(SITES) + 2)}")
        for size in PANELS:
            path, rng = lit(*size), np.random.default_rng(1)
            found = [site_error(path, count, rng) for count in SITES] + [window_error(path, rng)]
            print(f"| {size[0]} x {size[1]} | {' | '.join(f'{error:.1e}' for error in found)} |", flush=True)
    if only != "errors":
        print("\n| design | ended | uniformity | efficiency | s | said |\n| --- | --- | --- | --- | --- | --- |")
        for name, arrangement, changes, options in cases():
            start = time.perf_counter()
            kind, uniformity, efficiency, said = ended(arrangement, changes, options)
            numbers = "| |" if uniformity is None else f"{uniformity:.5f} | {efficiency:.3f} |"
            print(f"| {name} | {kind} | {numbers} {time.perf_counter() - start:.1f} | {said} |", flush=True)


if __name__ == "__main__":
    main()
