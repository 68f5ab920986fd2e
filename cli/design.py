"""``holo design``: from an arrangement to a mask."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from holo.starters import arrangement_file

from . import options
from .output import note, progress, show, warn

if TYPE_CHECKING:
    from holo.design import Design, DesignOptions
    from holo.design_smooth import SmoothDesign
    from holo.record import Inputs
    from holo.retrieve.dense import DenseOptions
    from holo.retrieve.stages import Progress

DENSE = ("darkness", "given_up", "drift_nm")
"""Options of the engine dense."""

RECORDED = ("arrangement", "registration", "effort", "seed", "uniformity", "iterations", "engine", "polarisation", "rms", "device", *DENSE)
"""What --again takes from the record of a mask."""


@click.command()
@click.argument("arrangement", type=options.FILE, required=False)
@click.option("--bench", type=options.FILE, help="Bench file (TOML); needed unless --again is given.")
@options.new_mask
@options.registration
@click.option("--report", type=options.FILE, metavar="DIR", help="Write a report into this folder: page, table of sites, pictures.")
@click.option("--effort", type=click.Choice(["quick", "normal", "high"]), default="normal", show_default=True, help="How long to search.")
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the random numbers: same inputs and seed, same mask.")
@click.option("--uniformity", type=float, metavar="U", help="Uniformity to stop at, instead of the effort's own (engine spots).")
@click.option("--iterations", type=int, metavar="N", help="Most iterations of each of the last two stages; with [smooth], of all.")
@click.option(
    "--engine",
    default="auto",
    show_default=True,
    metavar="E",
    help="What finds the phase: spots, dense (sites closer than the resolution) or auto.",
)
@click.option("--darkness", type=float, metavar="W", help="Engine dense: weight of dark sites against level bright ones (10).")
@click.option("--given-up", type=float, metavar="SHARE", help="Engine dense: share of the light given up for that (0.6).")
@click.option("--drift-nm", type=float, metavar="NM", help="Engine dense: demand the same at this distance in +-x and +-y (0).")
@options.polarisation
@click.option("--rms", type=float, metavar="E", help="With [smooth]: error of the intensity to stop at, instead of the effort's own.")
@options.device
@click.option("--again", type=options.FILE, metavar="MASK", help="Make this mask again from its own record.")
@options.overwrite
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    arrangement: Path | None,
    bench: Path | None,
    output: Path,
    registration: Path | None,
    report: Path | None,
    effort: str,
    seed: int,
    uniformity: float | None,
    iterations: int | None,
    engine: str,
    darkness: float | None,
    given_up: float | None,
    drift_nm: float | None,
    polarisation: str,
    rms: float | None,
    device: str,
    again: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Design the mask of an arrangement.

    ARRANGEMENT is a file or the name of a starter pattern such as ring.
    The figures printed are predicted from the levels as the panel shows them.
    Interrupted (Ctrl-C), the engine dense writes the best mask so far.
    """
    outputs = Outputs(output, report, overwrite)
    if again is not None:
        _refuse_recorded(context)
        result = remade(again, bench, outputs)
    elif arrangement is not None and bench is not None:
        from holo.design import DesignOptions
        from holo.record import read_inputs

        dense = _dense({"darkness": darkness, "given_up": given_up, "drift_nm": drift_nm})
        wanted = DesignOptions(effort, seed, uniformity, iterations, engine, polarisation, dense, rms, device)
        announce_device(device)
        result = designed(read_inputs(bench, arrangement_file(arrangement), registration), wanted, outputs)
    else:
        raise click.UsageError("needed: ARRANGEMENT and --bench, or --again", context)
    show(result, as_json)


def _dense(given: dict[str, float | None]) -> DenseOptions | None:
    """Options of the engine dense, as far as they are given; None if none is."""
    from holo.retrieve.dense import DenseOptions

    found = {name: value for name, value in given.items() if value is not None}
    return DenseOptions(**found) if found else None


def _refuse_recorded(context: click.Context) -> None:
    """Refuse beside --again what it takes from the record."""
    given = [name for name in RECORDED if context.get_parameter_source(name) is ParameterSource.COMMANDLINE]
    if given:
        raise click.UsageError(f"found {', '.join(given)} beside --again; allowed: neither, the mask's record has them", context)


@dataclass(frozen=True)
class Outputs:
    """Where a design goes."""

    mask: Path
    report: Path | None = None
    overwrite: bool = False


def designed(inputs: Inputs, wanted: DesignOptions, outputs: Outputs) -> dict[str, Any]:
    """Design a mask from its inputs, write it and its report, and give what there is to say."""
    if inputs.arrangement.smooth is not None:
        from holo.design_smooth import design_smooth

        return made_smooth(
            inputs,
            lambda shown: design_smooth(inputs.bench, inputs.arrangement, inputs.registration, wanted, shown, sources=inputs.sources),
            outputs,
        )
    from holo.design import design

    return _made(
        inputs,
        wanted,
        lambda shown: design(inputs.bench, inputs.arrangement, inputs.registration, wanted, shown, sources=inputs.sources),
        outputs,
    )


def remade(again: Path, bench: Path | None, outputs: Outputs) -> dict[str, Any]:
    """Make a mask again from its record, and say whether it is the same."""
    import numpy as np

    from holo.arrays import find_device
    from holo.compose import is_blank
    from holo.design import recorded_options, remake
    from holo.design_smooth import remake_smooth
    from holo.errors import naming
    from holo.mask import read_mask
    from holo.plans import mark_of_plans
    from holo.record import recorded_inputs

    def make(shown: Progress | None) -> Design:
        with naming(again):
            return remake(old.record, bench, shown)

    def make_smooth(shown: Progress | None) -> SmoothDesign:
        with naming(again):
            return remake_smooth(old.record, bench, shown)

    old = read_mask(again)
    if is_blank(old.record):
        return _remade_blank(again, bench, outputs)
    with naming(again):
        inputs, wanted = recorded_inputs(old.record, bench), recorded_options(old.record)
    announce_device(wanted.device)
    result = _made(inputs, wanted, make, outputs) if inputs.arrangement.smooth is None else made_smooth(inputs, make_smooth, outputs)
    same, now = np.array_equal(read_mask(outputs.mask).levels, old.levels), mark_of_plans()
    if not same:
        why = "another machine or version may round otherwise"
        if old.record.get("plans", now) != now:
            why = "other timed Fourier plans were used than the cache folder holds now, and they round otherwise"
        if find_device(wanted.device).name != wanted.device:
            why = f"it was made on a {wanted.device}, and another device rounds otherwise"
        if old.record["figures"].get("interrupted"):
            why = "its search was interrupted"
        warn([f"the new mask differs from {again}, made by holo {old.record['holo']}: {why}"])
    return {**result, "same_mask": same}


def _remade_blank(again: Path, bench: Path | None, outputs: Outputs) -> dict[str, Any]:
    """Make a mask that nothing was retrieved for again; a report has nothing to say of it."""
    import numpy as np

    from holo.compose import remake_blank
    from holo.errors import InputError, naming
    from holo.files import check_output
    from holo.mask import read_mask, write_mask

    if outputs.report is not None:
        raise InputError(f"--report: found for {again}, which has no sites; allowed: with a mask of an arrangement")
    check_output(outputs.mask, outputs.overwrite)
    old = read_mask(again)
    with naming(again):
        mask = remake_blank(old.record, bench)
    write_mask(outputs.mask, mask, outputs.overwrite)
    same = np.array_equal(mask.levels, old.levels)
    if not same:
        warn([f"the new mask differs from {again}, made by holo {old.record['holo']}: another machine or version may round otherwise"])
    return {"mask": outputs.mask, "sites": 0, "same_mask": same}


def _made(inputs: Inputs, wanted: DesignOptions, make: Callable[[Progress | None], Design], outputs: Outputs) -> dict[str, Any]:
    """Refuse what cannot be written, warn, make the mask, write it and its report."""
    from holo.bench import bench_warnings, drowned
    from holo.design import check_sites, chosen_engine
    from holo.mask import write_mask
    from holo.registration import place

    _check_outputs(inputs, outputs)
    sites = place(inputs.arrangement, inputs.bench.lattice, inputs.registration)
    engine = chosen_engine(inputs.bench, sites, wanted)
    check_sites(inputs.bench, sites, engine.name)
    warnings = bench_warnings(inputs.bench, sites)
    warn(warnings)
    if engine.name == "spots" and engine.why == "as asked" and drowned(inputs.bench, sites).any():
        warn(["dark sites closer to a bright one than the resolution are judged, but the engine spots does not keep them dark"])
    if engine.name != "spots":
        note(f"engine {engine.name}: {engine.why}")
    _announce_compiling()
    with progress() as shown:
        made = make(shown)
    found = made.retrieval
    write_mask(outputs.mask, made.mask, outputs.overwrite)
    if outputs.report is not None:
        _report(outputs.report, inputs, made, outputs)
    missed = [made.shortfall] if made.shortfall else []
    warn(missed)
    return {
        "mask": outputs.mask,
        **({"report": outputs.report / "report.html"} if outputs.report else {}),
        "sites": len(made.prediction.sites.target),
        **made.prediction.summary(),
        "engine": engine.name,
        "iterations": found.iterations,
        "converged": made.converged,
        "seconds": made.seconds,
        "warnings": [*warnings, *missed],
    }


def made_smooth(inputs: Inputs, make: Callable[[Progress | None], SmoothDesign], outputs: Outputs) -> dict[str, Any]:
    """Do for continuous light what `_made` does for sites; Ctrl-C ends the search, and the best mask until then is written."""
    from holo.bench import bench_warnings
    from holo.design_smooth import placed_light, smooth_warnings
    from holo.errors import naming
    from holo.mask import write_mask

    _check_outputs(inputs, outputs)
    source = inputs.sources["arrangement"]
    with naming(source["path"] if source else "arrangement"):
        placed, sites = placed_light(inputs.bench, inputs.arrangement, inputs.registration)
    warnings = [*bench_warnings(inputs.bench, sites), *smooth_warnings(inputs.bench, placed)]
    warn(warnings)
    _announce_compiling()
    with progress("rms error") as shown:
        made = make(shown)
    found, judged = made.retrieval, made.prediction
    write_mask(outputs.mask, made.mask, outputs.overwrite)
    if outputs.report is not None:
        _report_smooth(outputs.report, inputs, made, outputs)
    missed = [made.shortfall] if made.shortfall else []
    warn(missed)
    return {
        "mask": outputs.mask,
        **({"report": outputs.report / "report.html"} if outputs.report else {}),
        "sites": len(judged.sites.target),
        **judged.summary(),
        "rms_before_levels": made.rms_before_levels,
        "iterations": found.iterations,
        "converged": made.converged,
        "interrupted": found.interrupted,
        "seconds": made.seconds,
        "warnings": [*warnings, *missed],
    }


def _report_smooth(folder: Path, inputs: Inputs, made: SmoothDesign, outputs: Outputs) -> None:
    """Write the report of continuous light; if that fails, say that the mask is there."""
    from holo.report.smooth import write_smooth_report

    try:
        write_smooth_report(folder, inputs.bench, made, title=inputs.arrangement.title, overwrite=outputs.overwrite)
    except BaseException:
        note(f"{outputs.mask} is written, but not its report")
        raise


def _report(folder: Path, inputs: Inputs, made: Design, outputs: Outputs) -> None:
    """Write the report; if that fails, say that the mask is there."""
    from holo.report.page import write_report

    try:
        write_report(
            folder,
            inputs.bench,
            made.mask,
            made.prediction,
            title=inputs.arrangement.title,
            retrieval=made.retrieval,
            seconds=made.seconds,
            overwrite=outputs.overwrite,
        )
    except BaseException:
        note(f"{outputs.mask} is written, but not its report")
        raise


def _check_outputs(inputs: Inputs, outputs: Outputs) -> None:
    """Refuse outputs that cannot be written, or, overwrite or not, that are files which the design reads."""
    from holo.errors import InputError
    from holo.files import check_output
    from holo.report.page import FILES, check_folder

    check_output(outputs.mask, outputs.overwrite)
    written = [outputs.mask]
    if outputs.report is not None:
        check_folder(outputs.report, outputs.overwrite)
        if outputs.report.resolve() == outputs.mask.resolve():
            raise InputError(f"{outputs.report}: found as the mask and as the folder of its report; allowed: two names")
        written += [outputs.report / name for name in FILES]
    read = {(Path(source["path"]).parent / name).resolve() for source in inputs.sources.values() if source for name in source["files"]}
    for path in written:
        if path.resolve() in read:
            raise InputError(f"{path}: is read by this design and would be replaced; write elsewhere")


def announce_device(name: str) -> None:
    """Say where the search goes on if there is no GPU."""
    from holo.arrays import find_device

    found = find_device(name)
    if found.note:
        note(found.note)


def _announce_compiling() -> None:
    from holo.arrays import kernels_are_compiled, kernels_are_kept
    from holo.field import grid

    if not kernels_are_kept(grid):
        note("kernels are being compiled, which takes some seconds")
    elif not kernels_are_compiled(grid):
        note("first run: kernels are being compiled and transforms timed, which takes some seconds; later runs start at once")
