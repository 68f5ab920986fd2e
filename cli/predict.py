"""``holo predict``: the light that a mask makes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holo.starters import arrangement_file

from . import options
from .output import show, warn

if TYPE_CHECKING:
    from holo.bench import Bench
    from holo.predict import Prediction
    from holo.registration import Registration, Sites
    from holo.smooth import PlacedSmooth


@click.command()
@options.mask
@options.bench
@click.option("--arrangement", type=options.FILE, help="Arrangement file or starter pattern; without it, the one in the mask's own record.")
@click.option("--registration", type=options.FILE, help="Registration file; without it, the one in the mask's own record.")
@click.option("--frame", type=options.FILE, metavar="FILE", help="Camera frame of the mask, to compare with (TIFF, PNG or NPY).")
@click.option("--picture", type=options.FILE, metavar="PNG", help="With --frame: draw measured against predicted intensities.")
@options.polarisation
@options.overwrite
@options.as_json
def command(
    mask: Path,
    bench: Path,
    arrangement: Path | None,
    registration: Path | None,
    frame: Path | None,
    picture: Path | None,
    polarisation: str,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Predict the light that a mask makes on sites.

    It is computed from the levels of the mask file MASK as the panel shows them.

    Without --arrangement and --registration the sites are those that the mask was made for, moved
    along with its nudges. With --frame the sites are also measured on a camera frame of the mask,
    for which the registration has to tell where the camera sees the objective plane. With
    --polarisation the figures of the vector model follow those of the scalar one.
    """
    from holo.bench import read_bench
    from holo.errors import InputError, naming
    from holo.mask import read_mask
    from holo.predict import predict
    from holo.predict_smooth import predict_smooth

    read, used = read_mask(mask), read_bench(bench)
    if used.digest != read.record["bench"]["digest"]:
        warn([f"{bench}: is not the bench that the mask was made for"])
    sites = _sites(mask, read.record, used, arrangement, registration)
    placed = _placed(mask, read.record, used, arrangement, registration)
    if placed is not None:
        if frame is not None:
            raise InputError(f"--frame: found {frame}; allowed: none with continuous light, which is not measured on frames")
        if polarisation != "scalar":
            raise InputError(f"--polarisation: found {polarisation}; allowed: scalar with continuous light")
        with naming(mask):
            judged = predict_smooth(used, read.levels, placed, sites)
        show({"mask": mask, "bench": bench, "sites": len(sites.target), **judged.summary()}, as_json)
        return
    with naming(mask):
        found = predict(used, read.levels, sites, polarisation=polarisation)
    seen = {} if frame is None else compared(frame, found, used, _registration(read.record, registration), picture, overwrite)
    show({"mask": mask, "bench": bench, "sites": len(found.sites.target), **found.summary(), **seen}, as_json)


def compared(
    frame: Path, prediction: Prediction, bench: Bench, registration: Registration | None, picture: Path | None, overwrite: bool
) -> dict[str, Any]:
    """Compare a camera frame of a mask with the prediction, draw that if asked, and give what there is to say."""
    from holo.compare import compare
    from holo.errors import InputError, naming
    from holo.files import check_output, write_bytes
    from holo.frames import frame_of, read_frame
    from holo.report.calibration import comparison_picture

    if registration is None or registration.plane_to_camera is None:
        raise InputError("--registration: found none that tells plane_to_camera; needed with --frame: the registration of the camera")
    if picture is not None:
        check_output(picture, overwrite)
    with naming(frame):
        found = compare(frame_of(read_frame(frame), bench.camera), prediction, registration.plane_to_camera, bench.spot_width_um)
    if picture is not None:
        write_bytes(picture, comparison_picture(found.measured, found.error, found.predicted), overwrite)
    return {"frame": frame, "picture": picture, **found.summary()}


def _registration(record: dict[str, Any], given: Path | None) -> Registration | None:
    from holo.record import recorded_registration
    from holo.registration import read_registration

    return recorded_registration(record) if given is None else read_registration(given)


def _sites(mask: Path, record: dict[str, Any], bench: Bench, arrangement: Path | None, registration: Path | None) -> Sites:
    """Find the sites to judge: what the user gives, completed from the record, or all from the record with its nudges."""
    from holo.arrangement import read_arrangement
    from holo.errors import naming
    from holo.record import recorded_arrangement, recorded_sites
    from holo.registration import place

    if arrangement is None and registration is None:
        with naming(mask):
            return recorded_sites(record, bench)
    wanted = (
        recorded_arrangement(record, bench.lattice)
        if arrangement is None
        else read_arrangement(arrangement_file(arrangement), bench.lattice)
    )
    return place(wanted, bench.lattice, _registration(record, registration))


def _placed(mask: Path, record: dict[str, Any], bench: Bench, arrangement: Path | None, registration: Path | None) -> PlacedSmooth | None:
    """Find the continuous light to judge, in the same way; None if there is none."""
    from holo.arrangement import read_arrangement
    from holo.design_smooth import recorded_light
    from holo.errors import naming
    from holo.record import recorded_arrangement
    from holo.registration import place_continuous

    if arrangement is None:
        with naming(mask):
            wanted = recorded_arrangement(record, bench.lattice)
            if registration is None:
                return None if wanted.smooth is None else recorded_light(record, bench)[0]
    else:
        wanted = read_arrangement(arrangement_file(arrangement), bench.lattice)
    return place_continuous(wanted, bench.lattice, _registration(record, registration))
