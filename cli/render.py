"""``holo render``: the levels of a mask as a picture or array file."""

from __future__ import annotations

from pathlib import Path

import click

from . import options
from .output import show


@click.command()
@options.mask
@click.option("-o", "--output", type=options.FILE, required=True, help="File to write: .bmp, .png or .npy.")
@options.overwrite
@options.as_json
def command(mask: Path, output: Path, overwrite: bool, as_json: bool) -> None:
    """Write the levels of a mask as a picture or array file.

    Each pixel of the picture is at the exact level that the mask file MASK has for it.
    """
    from holo.files import check_output
    from holo.mask import read_mask, render_levels

    check_output(output, overwrite)
    levels = read_mask(mask).levels
    render_levels(output, levels, overwrite)
    rows, columns = levels.shape
    show({"output": output, "columns": columns, "rows": rows, "type": str(levels.dtype)}, as_json)
