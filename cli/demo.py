"""``holo demo``: a first mask in half a minute."""

from __future__ import annotations

from pathlib import Path

import click

from . import options
from .design import Outputs, designed
from .new import write_starter
from .output import note, show

PATTERN = "ring"
"""The starter pattern that is designed."""


@click.command()
@click.argument("folder", metavar="[DIR]", type=options.FILE, default=Path("holo-demo"))
@options.overwrite
@options.as_json
def command(folder: Path, overwrite: bool, as_json: bool) -> None:
    """Make starter files, a first mask and its report.

    They go into the folder DIR, by default holo-demo.
    """
    from holo.bench import derived_numbers
    from holo.design import DesignOptions, read_inputs
    from holo.errors import OutputExistsError
    from holo.registration import place

    if folder.exists() and not overwrite:
        raise OutputExistsError(f"{folder}: exists already; name another folder, or use --overwrite to replace the demo in it")
    write_starter(folder, overwrite)
    bench, mask, report = folder / "bench.toml", folder / f"{PATTERN}.tiff", folder / "report"
    inputs = read_inputs(bench, folder / "patterns" / f"{PATTERN}.toml")
    check = derived_numbers(inputs.bench, place(inputs.arrangement, inputs.bench.lattice))
    result = {"folder": folder, "bench": bench, **designed(inputs, DesignOptions(), Outputs(mask, report, overwrite))}
    if as_json:
        show({**result, "check": check}, as_json)
    else:
        show(check, as_json)
        show(result, as_json)
    note(
        f"""
next:
  open {report / "report.html"} in a browser
  holo check {bench} --arrangement {folder / "patterns" / "letters.toml"}
  holo nudge {mask} -o {folder / "nudged.tiff"} --by-um 1 0
  holo design {folder / "patterns" / "letters.toml"} --bench {bench} -o {folder / "letters.tiff"} --report {folder / "letters"}
  put your own numbers into {bench} and your own sites into an arrangement"""
    )
