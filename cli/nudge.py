"""``holo nudge``: move the light of a mask without retrieving again."""

from __future__ import annotations

from pathlib import Path

import click

from . import options
from .output import show, warn


@click.command()
@options.mask
@options.new_mask
@options.recorded_bench
@click.option("--by-um", type=float, nargs=2, metavar="X Y", required=True, help="How far the light moves in the objective plane, um.")
@click.option("--focus-um", type=float, metavar="Z", default=0.0, help="How far it moves along the axis, um.")
@options.overwrite
@options.as_json
def command(
    mask: Path, output: Path, bench: Path | None, by_um: tuple[float, float], focus_um: float, overwrite: bool, as_json: bool
) -> None:
    """Move or refocus the light of a mask.

    The phase that does so is added to the mask file MASK; nothing is retrieved again. The new mask
    has no figures: "holo predict" tells them.
    """
    from holo.bench import read_bench
    from holo.design import check_sites, recorded_bench, recorded_sites
    from holo.errors import InputError, naming
    from holo.field.path import light_path
    from holo.files import check_output
    from holo.mask import nudge_mask, read_mask, write_mask

    check_output(output, overwrite)
    old = read_mask(mask)
    used = read_bench(bench) if bench else recorded_bench(old.record)
    with naming(mask):
        moved = nudge_mask(old, light_path(used), used.panel, by_um, focus_um)
    try:
        sites = recorded_sites(moved.record, used)
    except InputError as error:
        warn([f"whether the sites stay inside the field is not known ({error})"])
    else:
        check_sites(used, sites)
    write_mask(output, moved, overwrite)
    show({"mask": output, "bench": bench, "by_um": by_um, "focus_um": focus_um, "nudges": len(moved.record["nudges"])}, as_json)
