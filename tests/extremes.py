"""Designs at the ends of what a bench or an arrangement may say, through the command, and how each of them ends."""

from __future__ import annotations

import json
from dataclasses import dataclass, field

import numpy as np
from click.testing import CliRunner
from small_bench import bench_text

from holo.arrangement import Arrangement, block, from_sites
from holo.cli import main

HALF = 46.667 / 8
"""An eighth of the field of the small bench: four steps from the axis lies its edge."""
SQUARE = {"vectors_um": [[1.2, 0.0], [0.0, 1.2]], "origin_um": [3.0, 3.0]}
CLOSE = {**SQUARE, "vectors_um": [[0.6, 0.0], [0.0, 0.6]]}
TRIANGULAR = {"geometry": "triangular", "spacing_um": 3.0, "origin_um": [6.0, 4.0]}
EDGE = {"vectors_um": [[HALF * 0.9999, 0.0], [0.0, HALF * 0.9999]], "origin_um": [0.0, 0.0]}
FOLDED = {"vectors_um": [[11.6666, 0.0], [0.0, 11.6666]], "origin_um": [0.0, 0.0]}


@dataclass(frozen=True)
class Extreme:
    """A design: arrangement, what to change on the small bench, options of the command."""

    arrangement: Arrangement
    changes: dict = field(default_factory=dict)
    options: tuple[str, ...] = ()


def _dim(target):
    """25 sites, one of them dimmer."""
    return block(5, 5).with_target(np.where(np.arange(25) == 7, target, 1.0))


def _optics(aperture, index):
    changes = {"optics__numerical_aperture": aperture, "optics__medium_index": index, "optics__relay_magnification": 10 * aperture}
    return {**changes, "lattice": SQUARE}


def extremes():
    """All of them by name."""
    one, five, three = from_sites([[0, 0]]), block(5, 5), block(3, 3)
    corners, height = [[0, 0], [1, 0], [0, 1], [1 / 3, 1 / 3]], 3.0 * (2 / 3) ** 0.5
    found = {
        "1 site": Extreme(one),
        "1 site on the axis": Extreme(one, {"lattice__origin_um": [0.0, 0.0]}),
        "no bright site": Extreme(from_sites([[0, 0]], 0.0)),
        "2 sites": Extreme(block(2, 1)),
        "2 sites and a dark one": Extreme(from_sites([[0, 0], [1, 0], [2, 0]], [1, 1, 0])),
        "3 sites at equal distance": Extreme(from_sites(corners[:3]), {"lattice": TRIANGULAR}),
        "4 sites at equal distance": Extreme(from_sites(corners, z_um=[0, 0, 0, height]), {"lattice": TRIANGULAR}),
        "3 of them closer than the resolution": Extreme(from_sites(corners[:3]), {"lattice": {**TRIANGULAR, "spacing_um": 0.6}}),
        "sites at the edge of the field": Extreme(from_sites([[-4, 0], [4, 1], [0, 4], [1, -4], [2, 2]]), {"lattice": EDGE}),
        "a dark site opposite on the edge": Extreme(from_sites([[-2, 0], [2, 0]], [1, 0]), {"lattice": FOLDED}),
        "beyond the edge": Extreme(from_sites([[4.01, 0]]), {"lattice": FOLDED}),
        "targets over 1 to 1e4": Extreme(five.with_target(np.logspace(-1, 3, 25))),
        "targets over 1e-6 to 1e3": Extreme(five.with_target(np.logspace(-6, 3, 25))),
        "the same, the dimmest as told": Extreme(five.with_target(np.maximum(np.logspace(-6, 3, 25), 4.3e-3))),
        "one site 1e4 dimmer": Extreme(_dim(1e-4)),
        "one site 1e6 dimmer": Extreme(_dim(1e-6)),
        "the same, as dim as told": Extreme(_dim(4.8e-5)),
        "the same, 1024 levels": Extreme(_dim(1e-6), {"panel__levels": 1024, "panel__level_for_2pi": 1000}),
        "close sites, targets to 1e4": Extreme(five.with_target(np.logspace(-1, 3, 25)), {"lattice": CLOSE}),
        "a beam beside the panel": Extreme(five, {"light__beam_diameter_mm": 0.01, "light__beam_centre_mm": [50.0, 0.0]}),
        "1 pixel": Extreme(one, {"panel__rows": 1, "panel__columns": 1}),
        "300 nm, sites beyond the field": Extreme(three.shifted(2, 0), {"light__wavelength_nm": 300.0}),
        "a response of less than 2 pi": Extreme(five, {"panel__level_for_2pi": 300}),
        "a panel of 2 levels": Extreme(five, {"panel__levels": 2, "panel__level_for_2pi": 2}),
        "2 levels in 2 pi, --effort high": Extreme(five, {"panel__level_for_2pi": 2}, ("--effort", "high")),
    }
    for part in (0.08, 0.01):
        found[f"a beam of {part / 0.8:.3g} of the panel"] = Extreme(five, {"light__beam_diameter_mm": part})
    far = from_sites([[-4, -3], [4, -3], [-4, 4], [4, 4]])
    found["a beam of 0.1 of the panel, sites apart"] = Extreme(far, {"light__beam_diameter_mm": 0.08})
    for side, along, across in (("row", block(5, 1), block(1, 5)), ("column", block(1, 5), block(5, 1))):
        found[f"1 {side}, sites along it"] = Extreme(along, {f"panel__{side}s": 1})
        found[f"1 {side}, sites across it"] = Extreme(across, {f"panel__{side}s": 1})
    for wavelength in (300.0, 2000.0):
        found[f"{wavelength:g} nm"] = Extreme(three, {"light__wavelength_nm": wavelength, "lattice": SQUARE})
    for aperture, index in ((0.95, 1.0), (1.25, 1.33), (1.4, 1.52), (0.001, 1.0)):
        found[f"NA {aperture:g}, index {index:g}"] = Extreme(three, _optics(aperture, index))
        bulk = three.at_depth(np.linspace(-2, 2, 9))
        found[f"NA {aperture:g}, index {index:g}, 9 depths"] = Extreme(bulk, _optics(aperture, index), ("--polarisation", "x"))
    for terms in ({"4": 10.0}, {"5": 10.0, "7": 10.0, "8": -10.0}, {"22": 20.0}):
        found[f"waves rms {terms}".replace("'", "")] = Extreme(five, {"optics__aberration": terms})
    for depth in (1e3, 1e4):
        found[f"depths over {depth:g} um to both sides"] = Extreme(three.at_depth(np.linspace(-depth, depth, 9)))
    for period in (2, 2.5, 3, 8, 256):
        found[f"{period:g} levels in 2 pi"] = Extreme(five, {"panel__level_for_2pi": period})
    return found


@dataclass(frozen=True)
class Ended:
    """How a design ended."""

    kind: str
    """converged, short, refused (bad input), failed, or what must not be: traceback, not finite, partial."""
    said: str
    uniformity: float | None = None
    efficiency: float | None = None


def ended(extreme, folder):
    """Run ``holo design`` on an extreme in an empty folder."""
    bench, wanted, mask = (folder / name for name in ("bench.toml", "wanted.toml", "mask.tiff"))
    bench.write_text(bench_text(**extreme.changes), encoding="utf-8")
    listed = np.column_stack([extreme.arrangement.ij, extreme.arrangement.target, extreme.arrangement.z_um]).tolist()
    blocks = [f"[[add]]\nsites = [[{i!r}, {j!r}]]\ntarget = {target!r}\nz_um = {z!r}\n" for i, j, target, z in listed]
    wanted.write_text("".join(blocks), encoding="utf-8")
    arguments = ["design", wanted, "--bench", bench, "-o", mask, "--json", *extreme.options]
    run = CliRunner().invoke(main, [str(argument) for argument in arguments])
    said = run.stderr.replace(str(folder), "").strip()
    if run.exception is not None and not isinstance(run.exception, SystemExit):
        return Ended("traceback", repr(run.exception))
    if run.exit_code:
        left = sorted(path.name for path in folder.iterdir())
        kind = {1: "failed", 2: "refused"}[run.exit_code]
        return Ended(kind if left == ["bench.toml", "wanted.toml"] and not run.stdout else "partial", said)
    told = json.loads(run.stdout)
    numbers = [told[key] for key in ("uniformity", "efficiency", "spread", "power_fraction", "undiffracted")]
    kind = "converged" if told["converged"] else "short"
    if any(number is None for number in numbers) or not mask.is_file():  # JSON has null for what is no finite number
        kind = "not finite"
    return Ended(kind, said, told["uniformity"], told["efficiency"])
