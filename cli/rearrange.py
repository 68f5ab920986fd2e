"""``holo rearrange``: from an occupancy to a sequence of masks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holo.starters import arrangement_file

from . import options
from .output import note, plain, show, warn

if TYPE_CHECKING:
    from holo.loss import Atoms
    from holo.rearranger import Answer, RearrangeOptions, Rearranger


@click.command()
@click.argument("occupancy", type=options.FILE)
@click.option("--arrangement", type=options.FILE, required=True, help="Wanted sites: a file, or the name of a starter pattern.")
@options.bench
@options.registration
@click.option("-o", "--output", type=options.FILE, required=True, help="Folder to write, or one TIFF file of many pages (.tiff).")
@click.option("--report", type=options.FILE, metavar="DIR", help="Write a report into this folder: animation, page, pictures.")
@click.option("--apart-um", type=float, metavar="D", help="Least distance of two atoms at any time; 0.7 of that of two sites by default.")
@click.option(
    "--cost", type=click.Choice(["squared", "distance", "longest"]), default="squared", show_default=True, help="What is made small."
)
@click.option("--spare", type=click.Choice(["drop", "park"]), default="drop", show_default=True, help="What becomes of spare atoms.")
@click.option("--step-cells", type=float, default=0.25, show_default=True, help="Longest step between two frames, in focal cells.")
@click.option("--velocity", type=float, metavar="V", help="Highest velocity of a site, um/ms.")
@click.option("--acceleration", type=float, metavar="A", help="Highest acceleration of a site, um/ms^2.")
@click.option("--lowest", type=float, default=0.75, show_default=True, help="Least light of a trap in a transition; 0 does not look at it.")
@click.option("--response", type=click.Choice(["shortest", "raw"]), default="shortest", show_default=True, help="How pixels change phase.")
@click.option(
    "--depth", type=float, default=20.0, show_default=True, help="Depth of the first traps over the temperature, to predict losses."
)
@click.option("--lifetime-s", type=float, metavar="T", help="Lifetime of an atom in its trap, to predict losses.")
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the random numbers: same inputs and seed, same masks.")
@options.device
@options.overwrite
@options.as_json
def command(
    occupancy: Path,
    arrangement: Path,
    bench: Path,
    registration: Path | None,
    output: Path,
    report: Path | None,
    apart_um: float | None,
    cost: str,
    spare: str,
    step_cells: float,
    velocity: float | None,
    acceleration: float | None,
    lowest: float,
    response: str,
    depth: float,
    lifetime_s: float | None,
    seed: int,
    device: str,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Bring atoms to the wanted sites: one mask a frame.

    OCCUPANCY is a CSV file with the columns i, j and filled (0 or 1), a line for each site that may
    hold an atom. A run that was broken off goes on where it was.
    """
    from math import inf

    from holo.bench import read_bench
    from holo.errors import InputError
    from holo.loss import Atoms
    from holo.moves import Limits, MoveOptions, step_um
    from holo.rearranger import RearrangeOptions

    if not 0 < step_cells <= 100:
        raise InputError(f"--step-cells: found {step_cells:g}; allowed: above 0, at most 100")
    moves = MoveOptions(lowest=lowest or None, response=response)
    bounds = (inf if bound is None else bound for bound in (velocity, acceleration))
    limits = Limits(step_um(read_bench(bench), step_cells), *bounds)
    atoms = Atoms(depth=depth, lifetime_ms=inf if lifetime_s is None else 1e3 * lifetime_s)
    inputs = Inputs(occupancy, arrangement_file(arrangement), bench, registration)
    wanted = RearrangeOptions(apart_um, cost, spare, limits, moves, seed, device)
    show(rearranged(inputs, wanted, Outputs(output, report, overwrite), atoms), as_json)


@dataclass(frozen=True)
class Inputs:
    """Files that a rearrangement is made from."""

    occupancy: Path
    arrangement: Path
    bench: Path
    registration: Path | None


@dataclass(frozen=True)
class Outputs:
    """Where it goes."""

    sequence: Path
    report: Path | None
    overwrite: bool


def rearranged(inputs: Inputs, wanted: RearrangeOptions, outputs: Outputs, atoms: Atoms) -> dict[str, Any]:
    """Rearrange, write the sequence and the report, and give what there is to say."""
    from holo.rearranger import told_plan
    from holo.report.moves import FILES
    from holo.report.page import check_folder
    from holo.sequence import check_sequence, write_sequence

    check_sequence(outputs.sequence, outputs.overwrite)
    if outputs.report is not None:
        check_folder(outputs.report, outputs.overwrite, FILES)
    ready, filled, made_from = _prepared(inputs, wanted)
    answer = ready.answer(filled)
    warn(_warnings(ready, answer))
    with _counted(answer.course.frames) as told:
        manifest, lowest = write_sequence(
            outputs.sequence,
            made_from,
            lambda last: ready.frames(answer, last),
            ready.frame_ms,
            overwrite=outputs.overwrite,
            report=told,
        )
    made = [entry.figures for entry in manifest.masks]
    result = {
        "sequence": outputs.sequence,
        **told_plan(answer),
        "frames": len(made),
        "time_ms": manifest.masks[-1].time_ms,
        "efficiency": min(entry["efficiency"] for entry in made),
        "uniformity": min(entry["uniformity"] for entry in made),
        "lowest": float(lowest.min()) if lowest.size else None,
    }
    if lowest.size:
        result |= _predicted(lowest, [entry["efficiency"] for entry in made], ready, answer, atoms)
    if outputs.report is not None:
        from holo.report.moves import write_moves_report

        result["report"] = outputs.report
        write_moves_report(outputs.report, ready, answer, manifest, lowest, result, outputs.overwrite)
    return result


def _prepared(inputs: Inputs, wanted: RearrangeOptions) -> tuple[Rearranger, Any, dict[str, Any]]:
    """What brings the atoms, which sites hold one, and what the manifest says that the masks were made from."""
    from dataclasses import asdict

    from holo import __version__
    from holo.arrangement import from_sites, read_arrangement
    from holo.bench import read_bench
    from holo.errors import naming
    from holo.files import digest
    from holo.rearrange import read_occupancy
    from holo.rearranger import Rearranger
    from holo.registration import place, read_registration

    bench = read_bench(inputs.bench)
    measured = None if inputs.registration is None else read_registration(inputs.registration)
    sites = place(read_arrangement(inputs.arrangement, bench.lattice), bench.lattice, measured)
    ij, filled = read_occupancy(inputs.occupancy)
    with naming(inputs.occupancy):
        reservoir = place(from_sites(ij), bench.lattice, measured).xyz_um
        ready = Rearranger(bench, reservoir, sites, wanted)
    files = {name: digest(path) for name, path in vars(inputs).items() if path is not None}
    return ready, filled, {"holo": __version__, "levels": bench.panel.levels, "inputs": files, "options": plain(asdict(wanted))}


def _warnings(ready: Rearranger, answer: Answer) -> list[str]:
    """What a user should know before showing the masks."""
    from holo.transition import share_after

    bench, plan = ready.mover.bench, answer.plan
    texts = [ready.device.note] if ready.device.note else []
    if len(plan.unfilled):
        texts.append(f"{len(plan.unfilled)} of {len(ready.wanted_um)} wanted sites stay empty: there are not enough atoms")
    if plan.approach.distance_um < 2 * bench.airy_radius_um:
        found = f"two atoms come within {plan.approach.distance_um:.3g} um"
        texts.append(f"{found}, less than two Airy radii ({2 * bench.airy_radius_um:.3g} um): their traps will disturb each other")
    share = share_after(ready.frame_ms, bench.panel.settling_ms or 0.0)
    if share < 0.9:
        texts.append(f"a frame of {ready.frame_ms:.3g} ms is too short to settle: {100 * share:.0f} % of a change is done in it")
    return texts


def _predicted(lowest: Any, efficiency: list[float], ready: Rearranger, answer: Answer, atoms: Atoms) -> dict[str, float]:
    """Share of the atoms that are expected to survive, and of the wanted sites to be filled; the mean light goes with the efficiency."""
    import numpy as np

    from holo.loss import survival

    mean = np.array(efficiency[:-1]) / efficiency[0]
    chance = survival(lowest * mean[:, None], ready.frame_ms, atoms)[-1]
    return {"survival": float(chance.mean()), "filled": float(chance[answer.plan.goals >= 0].sum() / len(ready.wanted_um))}


@contextmanager
def _counted(total: int) -> Iterator[Callable[[int], None] | None]:
    """Tell how many frames are written, where somebody watches a terminal."""
    import sys

    if not sys.stderr.isatty():
        yield None
        return
    try:
        yield lambda count: click.echo(f"\r\x1b[Kframe {count} of {total} or more", err=True, nl=False)
    finally:
        note("\r\x1b[K")
