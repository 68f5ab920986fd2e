"""``holo track``: where the lattice has moved."""

from __future__ import annotations

from pathlib import Path

import click

from . import options
from .output import show, warn
from .survey import frame_in, now, width


@click.command()
@click.argument("frame", type=options.FILE)
@click.option("--registration", type=options.FILE, required=True, help="Registration file with the surveyed lattice.")
@click.option("--bench", type=options.FILE, help="Bench file (TOML): its camera, and the sites of one cell of its lattice.")
@click.option("-o", "--output", type=options.FILE, metavar="REGISTRATION", help="Registration file to write, with the new offset.")
@options.dark_frame
@width
@options.overwrite
@options.as_json
def command(
    frame: Path,
    registration: Path,
    bench: Path | None,
    output: Path | None,
    dark: Path | None,
    width_px: float | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Find how far the lattice has moved since it was surveyed.

    The offset alone is fitted to the atoms in the fluorescence frame FRAME, three or more of them; the
    vectors stay. Whole sites cannot be seen. "holo nudge --follow" moves a mask to the new offset.
    """
    from holo.bench import read_bench
    from holo.errors import naming
    from holo.files import check_output, digest
    from holo.registration import read_registration, write_registration
    from holo.track import followed, track

    if output is not None:
        check_output(output, overwrite)
    used, old = None if bench is None else read_bench(bench), read_registration(registration)
    basis = ((0.0, 0.0),) if used is None else used.lattice.basis
    seen = frame_in(frame, used, dark)
    with naming(registration):
        found = track(seen, old, basis=basis, width_px=width_px)
    if output is not None:
        write_registration(output, followed(found, old, now(), {frame.name: digest(frame)}), overwrite)
    warn(found.notes)
    show({"frame": frame, "registration": output, **found.summary()}, as_json)
