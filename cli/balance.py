"""``holo balance``: level the sites."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .dialogues import dialogue_commands
from .output import show, warn

if TYPE_CHECKING:
    from holo.dialogue import Begin, Run

_OPTIONS = (
    click.option("--registration", type=options.FILE, help="Registration file (TOML) with plane_to_camera; needed to start."),
    click.option("--arrangement", type=options.FILE, help="Arrangement file or starter pattern; needed to start."),
    click.option("--frames", type=int, default=8, show_default=True, help="Most frames to take."),
    click.option(
        "--effort", type=click.Choice(["quick", "normal", "high"]), default="normal", show_default=True, help="How long to search."
    ),
    click.option("--seed", type=int, default=0, show_default=True, help="Seed of the search."),
)


def _begin() -> Begin:
    from holo.balance import balance

    return balance


RESULTS = ("balanced.tiff", "balance.csv", "balance.png")
"""Files of a run's result."""


def finish(run: Run) -> dict[str, Any]:
    """Draw the light before and after, and say where the result is."""
    from holo.balance import Balanced
    from holo.files import write_bytes
    from holo.report.balancing import balance_picture

    assert isinstance(run.outcome, Balanced)
    mask, table, picture = (run.folder / name for name in RESULTS)
    write_bytes(picture, balance_picture(run.outcome), overwrite=True)
    return {"balanced": mask, "table": table, "picture": picture}


command = dialogue_commands(
    "balance",
    """Level the sites of an arrangement.

    A mask is shown and a camera frame is taken of it, by hand (start, then step) or by a link
    (run); what the frames tell goes into the next mask. The result is the mask balanced.tiff in the
    run folder, with a table of the sites, balance.csv, and a picture, balance.png, beside it.

    The camera's own faults (vignetting, pixels that differ) are imprinted on the light. Values that the
    atoms themselves gave have no such fault: "holo balance apply" corrects a mask by a table of them.
    """,
    _begin,
    _OPTIONS,
    RESULTS,
    finish,
)


@command.command()
@click.argument("table", type=options.FILE)
@click.option("--mask", type=options.FILE, required=True, help="Mask file that the values were measured with.")
@options.new_mask
@click.option("--power", type=float, default=1.0, show_default=True, help="Values go as this power of the light; below 0 if they fall.")
@click.option("--bench", type=options.FILE, help="Bench file of the mask, if the files beside it are no longer where its record says.")
@options.overwrite
@options.as_json
def apply(table: Path, mask: Path, output: Path, power: float, bench: Path | None, overwrite: bool, as_json: bool) -> None:
    """Correct a mask by values that were measured with the atoms.

    TABLE is a CSV file with the columns i,j,value or i,j,value,error: what was measured at a site, in
    any unit, and its standard error, by which the correction is damped. Sites that are not in it are
    left as they are. Light shifts go as the light itself; for what goes as another power of it, such
    as the frequency of a trap (0.5), or falls with it, such as a loss, give --power; if that is only
    roughly known, measure again with the new mask and repeat.
    """
    import numpy as np

    from holo.balance import correct
    from holo.errors import naming
    from holo.files import check_output, read_csv
    from holo.mask import read_mask, write_mask

    check_output(output, overwrite)
    old, columns = read_mask(mask), read_csv(table, ("i", "j", "value"), ("error",))
    with naming(f"{mask} by {table}"):
        found = correct(old, np.column_stack([columns["i"], columns["j"]]), columns["value"], columns.get("error"), bench, power)
    if not found.same:
        warn([f"{mask}: comes out otherwise on this machine or version: the new mask resembles it less, and may need another correction"])
    write_mask(output, found.design.mask, overwrite)
    show({"mask": output, "table": table, **found.summary()}, as_json)
