"""``holo predict``: the light that a mask makes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .new import arrangement_file
from .output import show, warn

if TYPE_CHECKING:
    from holo.bench import Bench
    from holo.registration import Sites


@click.command()
@options.mask
@options.bench
@click.option("--arrangement", type=options.FILE, help="Arrangement file or starter pattern; without it, the one in the mask's own record.")
@click.option("--registration", type=options.FILE, help="Registration file; without it, the one in the mask's own record.")
@options.as_json
def command(mask: Path, bench: Path, arrangement: Path | None, registration: Path | None, as_json: bool) -> None:
    """Predict the light that a mask makes on sites.

    It is computed from the levels of the mask file MASK as the panel shows them.

    Without --arrangement and --registration the sites are those that the mask was made for, moved along with its nudges.
    """
    from holo.bench import read_bench
    from holo.errors import naming
    from holo.mask import read_mask
    from holo.predict import predict

    read, used = read_mask(mask), read_bench(bench)
    if used.digest != read.record["bench"]["digest"]:
        warn([f"{bench}: is not the bench that the mask was made for"])
    sites = _sites(mask, read.record, used, arrangement, registration)
    with naming(mask):
        found = predict(used, read.levels, sites)
    show({"mask": mask, "bench": bench, "sites": len(found.sites.target), **found.summary()}, as_json)


def _sites(mask: Path, record: dict[str, Any], bench: Bench, arrangement: Path | None, registration: Path | None) -> Sites:
    """Find the sites to judge: what the user gives, completed from the record, or all from the record with its nudges."""
    from holo.arrangement import read_arrangement
    from holo.design import recorded_arrangement, recorded_registration, recorded_sites
    from holo.errors import naming
    from holo.registration import place, read_registration

    if arrangement is None and registration is None:
        with naming(mask):
            return recorded_sites(record, bench)
    wanted = (
        recorded_arrangement(record, bench.lattice)
        if arrangement is None
        else read_arrangement(arrangement_file(arrangement), bench.lattice)
    )
    measured = recorded_registration(record) if registration is None else read_registration(registration)
    return place(wanted, bench.lattice, measured)
