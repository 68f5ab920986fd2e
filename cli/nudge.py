"""``holo nudge``: move the light of a mask without retrieving again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .output import show, warn

if TYPE_CHECKING:
    from holo.record import Drift

MOST_OFFSET = 0.05
"""Distance of a site from its light, over the spacing, above which moving the mask is not enough."""


@click.command()
@options.mask
@options.new_mask
@options.recorded_bench
@click.option("--by-um", type=float, nargs=2, metavar="X Y", help="How far the light moves in the objective plane, um.")
@click.option(
    "--follow",
    type=options.FILE,
    metavar="REGISTRATION",
    help="Instead: move the light to where this registration has the sites on average.",
)
@click.option("--focus-um", type=float, metavar="Z", default=0.0, help="How far it moves along the axis, um.")
@options.overwrite
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    mask: Path,
    output: Path,
    bench: Path | None,
    by_um: tuple[float, float] | None,
    follow: Path | None,
    focus_um: float,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Move or refocus the light of a mask.

    The phase that does so is added to the mask file MASK; nothing is retrieved again. The new mask
    has no figures: "holo predict" tells them.

    With --follow the light goes after a drifting lattice: by the mean displacement of the bright sites
    from where the mask has its light, earlier nudges included. Following the same registration again
    moves nothing.
    """
    from holo.bench import read_bench
    from holo.design import check_nudged
    from holo.errors import naming
    from holo.field.path import light_path
    from holo.files import check_output
    from holo.mask import nudge_mask, read_mask, write_mask
    from holo.record import recorded_bench

    check_output(output, overwrite)
    old = read_mask(mask)
    used = read_bench(bench) if bench else recorded_bench(old.record)
    followed: dict[str, Any] = {}
    if by_um is None and follow is not None:
        drifted = _drift(mask, old.record, follow)
        by_um, followed = drifted.by_um, {"registration": follow, "largest_offset_um": drifted.largest_offset_um}
    elif by_um is None or follow is not None:
        raise click.UsageError(f"found {'both' if follow else 'neither'}; allowed: one of --by-um and --follow", context)
    with naming(mask):
        moved = nudge_mask(old, light_path(used), used.panel, by_um, focus_um)
    warn(check_nudged(moved.record, used))
    write_mask(output, moved, overwrite)
    show({"mask": output, "bench": bench, **followed, "by_um": by_um, "focus_um": focus_um, "nudges": len(moved.record["nudges"])}, as_json)


def _drift(mask: Path, record: dict[str, Any], follow: Path) -> Drift:
    """Measure how far the sites have moved, and warn where a nudge cannot follow them."""
    from holo.errors import naming
    from holo.record import drift, told_map
    from holo.registration import read_registration

    registration = read_registration(follow)
    with naming(follow):
        now = told_map(registration)
    with naming(mask):
        found = drift(record, now)
    off = found.largest_offset_um
    if off > MOST_OFFSET * found.spacing_um:
        warn(
            [
                f"after the move a site still lies {off:.3g} um, {off / found.spacing_um:.2g} of the spacing, from its light, as the"
                f" lattice vectors changed too: design the mask again with --registration {follow}"
            ]
        )
    return found
