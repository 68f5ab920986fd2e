"""``holo survey``: the lattice in fluorescence frames."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .output import show, warn

if TYPE_CHECKING:
    from holo.affine import Affine
    from holo.bench import Bench
    from holo.frames import Frame
    from holo.registration import Registration

width = click.option("--width-px", type=float, metavar="W", help="Width of an atom's spot (one standard deviation); estimated by default.")


@click.command()
@click.argument("frames", type=options.FILE, nargs=-1, required=True, metavar="FRAME...")
@options.bench
@click.option("--registration", type=options.FILE, help="Registration that tells where the objective plane lies on the camera.")
@click.option("-o", "--output", type=options.FILE, required=True, metavar="REGISTRATION", help="Registration file to write (.toml).")
@click.option(
    "--chromatic-px",
    type=float,
    nargs=2,
    metavar="DX DY",
    default=(0.0, 0.0),
    help="Where fluorescence appears, from trapping light of the same place, px.",
)
@options.dark_frame
@width
@click.option("--picture", type=options.FILE, metavar="PNG", help="Picture of the atoms and the lattice to write.")
@options.overwrite
@options.as_json
def command(
    frames: Sequence[Path],
    bench: Path,
    registration: Path | None,
    output: Path,
    chromatic_px: tuple[float, float],
    dark: Path | None,
    width_px: float | None,
    picture: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Find the lattice in fluorescence frames of atoms.

    FRAME... are one or more frames of the same lattice in the order in which they were taken; the
    offset is that of the last one. The sites keep the names that a lattice in the registration gives
    them; else they are named by the nominal lattice of the bench file.
    """
    from holo.bench import read_bench
    from holo.registration import read_registration

    previous = None if registration is None else read_registration(registration)
    show(surveyed(frames, read_bench(bench), previous, output, chromatic_px, dark, picture, overwrite, width_px), as_json)


def surveyed(
    paths: Sequence[Path],
    bench: Bench,
    previous: Registration | None,
    output: Path,
    chromatic_px: tuple[float, float] = (0.0, 0.0),
    dark: Path | None = None,
    picture: Path | None = None,
    overwrite: bool = False,
    width_px: float | None = None,
) -> dict[str, Any]:
    """Survey frames, write the registration and the picture, and give what there is to say."""
    from holo.errors import naming
    from holo.files import check_output, digest, write_bytes
    from holo.registration import write_registration
    from holo.report.calibration import survey_picture
    from holo.survey import expected_lattice, registered, survey

    for path in (output, *([picture] if picture else [])):
        check_output(path, overwrite)
    nominal, oriented = expected_lattice(bench, previous, chromatic_px)
    frames = [frame_in(path, bench, dark) for path in paths]
    with naming(", ".join(map(str, paths))):
        found = survey(frames, nominal, oriented=oriented, basis=bench.lattice.basis, width_px=width_px)
    digests = {path.name: digest(path) for path in paths}
    made = registered(found.lattice_to_camera, found.misfit, now(), digests, previous, chromatic_px)
    drawn = None if picture is None else survey_picture(frames[-1], found)
    write_registration(output, made, overwrite)
    if picture is not None and drawn is not None:
        write_bytes(picture, drawn, overwrite)
    warn(found.notes)
    return {"registration": output, "picture": picture, **_lattices(made), **found.summary()}


def frame_in(path: Path, bench: Bench | None, dark: Path | None) -> Frame:
    """Read a frame, of the bench's camera if there is one, less a dark one if there is one."""
    from holo.errors import naming
    from holo.frames import frame_of, read_frame

    below = None if dark is None else read_frame(dark).mean(axis=0)
    stack = read_frame(path)
    with naming(path):
        return frame_of(stack, None if bench is None else bench.camera, dark=below)


def now() -> str:
    """Give the time, as registrations have it."""
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds")


def _lattices(made: Registration) -> dict[str, Any]:
    """Lattice vectors and origin, on the camera and where they are known in the objective plane."""
    from holo.survey import vectors_of

    told: dict[str, Any] = {}
    for unit, affine in (("px", made.lattice_to_camera), ("um", made.lattice_to_plane)):
        if affine is not None:
            told |= {f"{key}_{unit}": value for key, value in _lattice(affine).items()}
    if made.lattice_to_camera is not None:
        parts = vectors_of(made.lattice_to_camera)
        told |= {"angle_deg": float(parts["angles_deg"][0]), "angle_error_deg": float(parts["angle_errors_deg"][0])}
        told |= {"between_deg": float(parts["angles_deg"][2]), "between_error_deg": float(parts["angle_errors_deg"][2])}
    return told


def _lattice(affine: Affine) -> dict[str, Any]:
    """What is told of a map from the lattice, with errors if it has any."""
    from holo.survey import vectors_of

    parts = vectors_of(affine)
    told = {"vectors": affine.matrix.T.tolist(), "origin": affine.offset.tolist(), "spacings": parts["lengths"].tolist()}
    if affine.covariance is not None:
        told |= {"spacing_errors": parts["length_errors"].tolist(), "origin_errors": affine.errors()[4:].tolist()}
    return told
