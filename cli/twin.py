"""``holo twin``: a frame of the simulated bench."""

from __future__ import annotations

from pathlib import Path

import click

from . import options
from .output import show


@click.command()
@click.argument("mask", type=options.FILE, required=False)
@click.option("--atoms", is_flag=True, help="Instead: a frame of the atoms' fluorescence.")
@click.option("-o", "--output", type=options.FILE, required=True, callback=options.mask_output, help="Frame file to write (.tiff).")
@click.option("--twin", type=options.FILE, default=Path("twin.toml"), show_default=True, help="Twin file (TOML).")
@click.option("--step", type=click.IntRange(min=0), default=0, show_default=True, help="Number of the frame: each has its own noise.")
@options.overwrite
@options.as_json
@click.pass_context
def command(
    context: click.Context, mask: Path | None, atoms: bool, output: Path, twin: Path, step: int, overwrite: bool, as_json: bool
) -> None:
    """Take a frame with a simulated bench.

    The frame is what the camera of the twin sees of the mask file MASK, or of atoms in its lattice. What is true of the twin
    stands in its file alone; "holo new DIR --twin" makes one to start from.
    """
    from holo.files import check_output
    from holo.frames import write_frame
    from holo.mask import read_mask
    from holo.twin import read_twin

    if atoms == (mask is not None):
        raise click.UsageError(f"found {'both' if atoms else 'neither'}; allowed: one of MASK and --atoms", context)
    check_output(output, overwrite)
    simulated = read_twin(twin)
    frame = simulated.atoms(step) if mask is None else simulated.show(read_mask(mask).levels, step)
    write_frame(output, frame, overwrite)
    shots, rows, columns = frame.shape
    top = 2**simulated.camera.bits - 1
    counts = {"highest_count": int(frame.max()), "saturated_pixels": int((frame >= top).sum())}
    show({"frame": output, "step": step, "shots": shots, "columns": columns, "rows": rows, **counts}, as_json)
