"""``holo occupancy``: which sites hold an atom."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holo.starters import arrangement_file

from . import options
from .output import note, show, warn

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from holo.affine import Affine
    from holo.bench import Bench
    from holo.frames import Frame
    from holo.occupancy import Occupancy
    from holo.registration import Registration
    from holo.spread import Spread

WIDEST = 120
"""Columns of the picture of text, at most; of a wider one only the table of sites is written."""


@click.command()
@click.argument("frame", type=options.FILE)
@click.option("--registration", type=options.FILE, required=True, help="Registration file with the surveyed lattice.")
@click.option("--bench", type=options.FILE, help="Bench file (TOML): its camera, and the sites of one cell of its lattice.")
@click.option("--arrangement", type=options.FILE, help="Wanted arrangement: only its sites are read, and compared with it.")
@click.option("--before", type=options.FILE, metavar="FRAME", help="Earlier frame of the same atoms: loss and hopping since then.")
@click.option("--more", type=options.FILE, multiple=True, metavar="FRAME", help="More frames: each site gets a threshold of its own.")
@click.option("--spread-frame", type=options.FILE, metavar="FRAME", help="Frame of few atoms to measure an atom's spot in.")
@click.option("--airy-px", type=click.FloatRange(1, 200), metavar="R", help="Instead: a perfect spot with its first dark ring at R px.")
@click.option(
    "--width-px", type=click.FloatRange(0.5, 20), metavar="W", help="Width of an atom's spot to start from (one standard deviation)."
)
@click.option(
    "--method", type=click.Choice(("sums", "linear", "bounded", "atoms")), help="Way to the light of the sites; by their spacing."
)
@click.option(
    "--rounds", type=click.IntRange(2, 1000), default=4, show_default=True, help="Most rounds of drawing atoms, where they overlap."
)
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Seed of the draws.")
@click.option("-o", "--output", type=options.FILE, metavar="CSV", help="Table of sites to write (.csv).")
@click.option("--report", type=options.FILE, metavar="DIR", help="Folder for a report with pictures.")
@options.dark_frame
@options.overwrite
@options.as_json
def command(
    frame: Path,
    registration: Path,
    bench: Path | None,
    arrangement: Path | None,
    before: Path | None,
    more: Sequence[Path],
    spread_frame: Path | None,
    airy_px: float | None,
    width_px: float | None,
    method: str | None,
    rounds: int,
    seed: int,
    output: Path | None,
    report: Path | None,
    dark: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Find which lattice sites hold an atom.

    FRAME is a fluorescence frame. The sites are all that the camera sees, or those of the arrangement.
    Where spots overlap, their shape decides: measure it in a frame of few atoms (--spread-frame).
    """
    from holo.bench import read_bench
    from holo.errors import InputError
    from holo.files import check_output
    from holo.occupancy import changes, match, text_picture, write_occupancy
    from holo.registration import read_registration
    from holo.report.atoms import check_occupancy_folder, write_occupancy_report

    from .survey import frame_in

    if output is not None:
        check_output(output, overwrite)
    if report is not None:
        check_occupancy_folder(report, overwrite)
    used, placed = None if bench is None else read_bench(bench), read_registration(registration)
    lattice = _lattice(placed, registration)
    sites, wanted = _wanted(arrangement, used)
    frames = {path: frame_in(path, used, dark) for path in (frame, *([before] if before else []), *more)}
    if spread_frame is not None and airy_px is not None:
        raise InputError("--airy-px: found together with --spread-frame; allowed: one of them")
    spread = _spread(spread_frame or frame, frames, used, dark, lattice, airy_px, width_px)
    basis = ((0.0, 0.0),) if used is None else used.lattice.basis
    found = _found(frames, bool(more), lattice, sites, seed, basis=basis, spread=spread, method=method, rounds=rounds)
    compared = None if wanted is None else match(found[frame], wanted)
    changed = None if before is None else changes(found[before], found[frame])
    if output is not None:
        write_occupancy(output, found[frame], overwrite)
    if report is not None:
        write_occupancy_report(
            report, frames[frame], found[frame], title=frame.name, compared=compared, changed=changed, overwrite=overwrite
        )
    warn(found[frame].notes)
    told: dict[str, Any] = {"frame": frame, "table": output, "report": report, **found[frame].summary()}
    told |= ({} if compared is None else compared.summary()) | ({} if changed is None else changed.summary())
    picture = text_picture(found[frame], wanted)
    show(told | ({"picture": picture.split("\n")} if as_json else {}), as_json)
    if not as_json:
        _show_picture(picture)


def _show_picture(picture: str) -> None:
    """Print the picture of text, unless it is too wide for a page."""
    if max(map(len, picture.split("\n"))) > WIDEST:
        note(f"the picture of text is wider than {WIDEST} characters and left out; --json, --report and -o have all sites")
        return
    click.echo(f"\ni to the right, j down: x filled, . empty, + filled and not wanted, - wanted and empty\n{picture}")


def _found(
    frames: dict[Path, Frame], own: bool, lattice: Affine, sites: NDArray[np.float64] | None, seed: int, **how: Any
) -> dict[Path, Occupancy]:
    """Read some frames, with thresholds of each site's own if asked for."""
    import numpy as np

    from holo.errors import naming
    from holo.occupancy import occupancy, with_own_thresholds

    found = {}
    for path, frame in frames.items():
        with naming(path):
            found[path] = occupancy(frame, lattice, sites, rng=np.random.default_rng(seed), **how)
    return dict(zip(found, with_own_thresholds(list(found.values())), strict=True)) if own else found


def _lattice(placed: Registration, path: Path) -> Affine:
    """The map from the lattice to the camera."""
    from holo.errors import InputError

    if placed.lattice_to_camera is None:
        raise InputError(f"{path}: found no lattice_to_camera; needed: the registration that holo survey or holo track writes")
    return placed.lattice_to_camera


def _wanted(arrangement: Path | None, bench: Bench | None) -> tuple[NDArray[np.float64] | None, NDArray[np.bool_] | None]:
    """Sites of the arrangement, and which of them are wanted filled."""
    from holo.arrangement import read_arrangement
    from holo.errors import InputError

    if arrangement is None:
        return None, None
    if bench is None:
        raise InputError("--bench: found none; needed with --arrangement: the bench file, whose lattice the arrangement is drawn on")
    wanted = read_arrangement(arrangement_file(arrangement), bench.lattice)
    return wanted.ij, wanted.target > 0


def _spread(
    path: Path,
    frames: dict[Path, Frame],
    bench: Bench | None,
    dark: Path | None,
    lattice: Affine,
    airy_px: float | None,
    width_px: float | None,
) -> Spread:
    """The spread of an atom's light: given, or measured in a frame."""
    from holo.errors import naming
    from holo.occupancy import spread_in
    from holo.spread import airy_spread

    from .survey import frame_in

    if airy_px is not None:
        return airy_spread(airy_px)
    frame = frames[path] if path in frames else frame_in(path, bench, dark)
    with naming(path):
        return spread_in(frame, lattice, ((0.0, 0.0),) if bench is None else bench.lattice.basis, width_px)
