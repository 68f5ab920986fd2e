"""``holo add``: sum masks and terms, or make a test pattern."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .output import show, warn

if TYPE_CHECKING:
    from holo.bench import Bench
    from holo.compose import Sum
    from holo.mask import Mask

Term = tuple[str, dict[str, float]]
"""Kind and values of a term."""

CAUTION = (
    "nothing spreads the light of this mask over sites: all of it may go into one spot; start at low power, and follow your laser safety"
    " officer, the panel's data sheet and the local rules"
)

PATTERNS = ("stripes", "checker", "half-plane", "crosshair")
"""Terms of two values."""


@click.command()
@click.argument("masks", type=options.FILE, nargs=-1, metavar="[MASK]...")
@options.new_mask
@click.option("--bench", type=options.FILE, help="Bench file (TOML); without it, the bench in the first mask's record.")
@click.option("--tilt-um", type=float, nargs=2, metavar="X Y", default=(0.0, 0.0), help="How far the light moves, um.")
@click.option("--focus-um", type=float, metavar="Z", default=0.0, help="How far it moves along the axis, um.")
@click.option("--zernike", type=(int, float), multiple=True, metavar="J WAVES", help="A Zernike polynomial, waves rms.")
@click.option("--index", type=click.Choice(["noll", "ansi"]), default="noll", show_default=True, help="What J counts.")
@click.option("--spiral", type=int, multiple=True, metavar="CHARGE", help="Turns of phase around the centre: rings out of spots.")
@click.option("--axicon-um", type=float, multiple=True, metavar="R", help="A cone of phase: rings of this radius out of spots, um.")
@click.option("--array", type=(options.FILE, float), multiple=True, metavar="FILE FACTOR", help="Phases from a file, rad, times FACTOR.")
@click.option("--grating", type=(float, float), multiple=True, metavar="PERIOD ANGLE", help="Blazed grating: pixels, deg from x towards y.")
@click.option("--stripes", type=(float, float), multiple=True, metavar="PERIOD ANGLE", help="Binary grating: pixels, deg from x towards y.")
@click.option("--checker", type=int, multiple=True, metavar="CELL", help="Chequered pattern of square cells: pixels.")
@click.option("--half-plane", type=float, multiple=True, metavar="ANGLE", help="The half of the panel that lies in this direction: deg.")
@click.option("--crosshair", type=int, multiple=True, metavar="WIDTH", help="A row and a column that cross at the centre: pixels.")
@click.option("--depth-rad", type=float, metavar="D", help="Phase of these four patterns where it is not 0; by default pi.")
@click.option(
    "--centre-mm",
    type=float,
    nargs=2,
    metavar="X Y",
    default=(0.0, 0.0),
    help="Centre of spirals, cones, halves, crosshairs.",
)
@click.option("--corrected", is_flag=True, help="Take the bench's known aberration off; masks have it off already.")
@click.option("--levels", type=int, nargs=2, metavar="LOW HIGH", help="Write one of these four patterns in two levels, as they are.")
@click.option("--level", type=int, metavar="L", help="Write this level everywhere, as it is.")
@options.overwrite
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    /,
    masks: tuple[Path, ...],
    output: Path,
    bench: Path | None,
    overwrite: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Sum masks and terms, or make a test pattern.

    The phases of the mask files MASK and of all terms are summed, and what corrects the panel,
    response and flatness, is applied to the sum, once; so is the aberration that masks take off.
    Without a MASK, the terms alone make a pattern to align with, for the panel of --bench.

    A sum of two masks puts the whole light of one in the place of each spot of the other. The new mask
    has no figures: "holo predict" tells them.

    --level and --levels write levels as they are, to measure the panel's response with.
    """
    from holo.bench import read_bench
    from holo.compose import add, blank_mask
    from holo.design import check_nudged
    from holo.errors import naming
    from holo.files import check_output
    from holo.mask import read_mask, write_mask
    from holo.record import read_bench_source, recorded_bench

    check_output(output, overwrite)
    wanted = _wanted(masks, given)
    if masks:
        first = read_mask(masks[0])
        with naming(masks[0]):
            used = read_bench(bench) if bench else recorded_bench(first.record)
        _warn_of_others(masks, used)
    elif bench is None:
        raise click.UsageError("needed: a MASK to add to, or --bench", context)
    else:
        used, source = read_bench_source(bench)
        first = blank_mask(used, source)
    raw = _levels(given)
    if raw is not None:
        made = _written(context, first, used, masks, wanted, raw)
    elif wanted.empty and len(masks) == 1:
        raise click.UsageError("found nothing to add; allowed: a second MASK, or options such as --tilt-um", context)
    else:
        with naming(masks[0] if masks else bench):
            made = add(first, used, wanted)
    if masks:
        warn(check_nudged(made.record, used))
    else:
        warn([CAUTION])
    write_mask(output, made, overwrite)
    show(_told(output, bench, masks, made, used), as_json)


def _wanted(masks: tuple[Path, ...], given: dict[str, Any]) -> Sum:
    """What the options ask for, beside levels."""
    from holo.compose import Sum

    files = tuple(given["array"])
    terms = (*_polynomials(given), *_shapes(given), *_patterns(given))
    return Sum(given["tilt_um"], given["focus_um"], terms, files, masks[1:], given["corrected"])


def _polynomials(given: dict[str, Any]) -> list[Term]:
    from holo.zernike import ansi_to_nm, noll_index

    by_ansi = given["index"] == "ansi"
    return [("zernike", {"noll": noll_index(*ansi_to_nm(j)) if by_ansi else j, "waves": waves}) for j, waves in given["zernike"]]


def _shapes(given: dict[str, Any]) -> list[Term]:
    centre = dict(zip(("x_mm", "y_mm"), given["centre_mm"], strict=True))
    return [
        *(("spiral", {"charge": charge, **centre}) for charge in given["spiral"]),
        *(("axicon", {"radius_um": radius, **centre}) for radius in given["axicon_um"]),
        *(("grating", {"period_px": period, "angle_deg": angle}) for period, angle in given["grating"]),
    ]


def _patterns(given: dict[str, Any]) -> list[Term]:
    """Patterns of two values, with their depth."""
    import math

    depth = {"depth_rad": math.pi if given["depth_rad"] is None else given["depth_rad"]}
    centre = dict(zip(("x_mm", "y_mm"), given["centre_mm"], strict=True))
    return [
        *(("stripes", {"period_px": period, "angle_deg": angle, **depth}) for period, angle in given["stripes"]),
        *(("checker", {"cell_px": cell, **depth}) for cell in given["checker"]),
        *(("half-plane", {"angle_deg": angle, **centre, **depth}) for angle in given["half_plane"]),
        *(("crosshair", {"width_px": width, **centre, **depth}) for width in given["crosshair"]),
    ]


def _levels(given: dict[str, Any]) -> tuple[int, int] | None:
    """The levels to write as they are; None if phases are wanted."""
    if given["level"] is not None and given["levels"] is not None:
        raise click.UsageError("found both --level and --levels; allowed: one of them")
    return given["levels"] if given["level"] is None else (given["level"], given["level"])


def _written(context: click.Context, blank: Mask, bench: Bench, masks: tuple[Path, ...], wanted: Sum, levels: tuple[int, int]) -> Mask:
    """Levels as they are, in one pattern or, if they are the same, in none."""
    from dataclasses import replace

    from holo.addends import write_levels
    from holo.compose import Sum

    if masks or replace(wanted, terms=()) != Sum():
        raise click.UsageError("found masks or terms beside levels; allowed: --level alone, or --levels and one pattern", context)
    shapes = [{"kind": kind, **{name: value for name, value in values.items() if name != "depth_rad"}} for kind, values in wanted.terms]
    uniform = context.params["level"] is not None
    if len(shapes) != (0 if uniform else 1) or any(shape["kind"] not in PATTERNS for shape in shapes):
        raise click.UsageError(
            f"found {len(shapes)} terms beside levels; allowed: none with --level; with --levels one of --{', --'.join(PATTERNS)}", context
        )
    if context.params["depth_rad"] is not None:
        raise click.UsageError("found --depth-rad beside levels; allowed: one or the other", context)
    return write_levels(blank, bench, *levels, None if uniform else shapes[0])


def _warn_of_others(masks: tuple[Path, ...], bench: Bench) -> None:
    """Warn of masks that were made for another bench."""
    from holo.mask import read_mask

    for path in masks:
        if read_mask(path).record["bench"]["digest"] != bench.digest:
            warn([f"{path}: was made for another bench; its aberration, response and flatness are taken for those of the bench used here"])


def _told(output: Path, bench: Path | None, masks: tuple[Path, ...], mask: Mask, used: Bench) -> dict[str, Any]:
    """What there is to say of a sum."""
    from holo.terms import first_order_um, told

    (step, *_) = mask.record["nudges"][-1:]
    added = step.get("added", [])
    orders = [first_order_um(used, entry["period_px"], entry["angle_deg"]) for entry in map(_grating, added) if entry]
    return {
        "mask": output,
        "bench": bench,
        "to": masks[0] if masks else None,
        "added": [{"term": told(entry)} for entry in added],
        "tilt_um": (step["x_um"], step["y_um"]) if step["x_um"] or step["y_um"] else None,
        "focus_um": step["focus_um"] or None,
        "first_order_um": orders[0] if len(orders) == 1 else None,
        "levels": [int(mask.levels.min()), int(mask.levels.max())],
    }


def _grating(entry: dict[str, Any]) -> dict[str, Any] | None:
    """The grating in what was added, written as phases or levels."""
    found = entry.get("pattern") or entry if entry["kind"] == "levels" else entry
    return found if "period_px" in found else None
