"""``holo manifest``: the masks of a set, with names, order, times and digests."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .output import show

if TYPE_CHECKING:
    from holo.manifest import Manifest


@click.command()
@click.argument("masks", type=options.FILE, nargs=-1, required=True)
@click.option("-o", "--output", type=options.FILE, help="Manifest to write (.json), in the folder of the masks or above it.")
@click.option("--rate-hz", type=float, metavar="R", help="The masks follow one another at this rate.")
@click.option("--times", type=options.FILE, metavar="CSV", help="Instead: when each is shown, a column time_ms.")
@click.option("--check", is_flag=True, help="MASKS are manifests: read them and every mask that they name.")
@options.overwrite
@options.as_json
@click.pass_context
def command(
    context: click.Context,
    masks: tuple[Path, ...],
    output: Path | None,
    rate_hz: float | None,
    times: Path | None,
    check: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Make the manifest of a set of masks, or check one.

    MASKS are mask files in the order in which they are to be shown. The manifest holds their names,
    times and the digests of their levels, so that a mask that is missing, exchanged or damaged is noticed.
    """
    from holo.manifest import check_manifest

    if check:
        if output is not None or rate_hz is not None or times is not None:
            raise click.UsageError("found --output, --rate-hz or --times beside --check; allowed: the manifests to check", context)
        show({"sets": [{"manifest": path, **_told(check_manifest(path))} for path in masks]}, as_json)
        return
    if output is None:
        raise click.UsageError("needed: -o and the name of the manifest, or --check", context)
    if output.suffix.lower() != ".json":
        raise click.BadParameter(f"found {output.name!r}; allowed: a name that ends in .json", context, param_hint="-o")
    show({"manifest": output, **_told(_made(masks, output, rate_hz, times, overwrite))}, as_json)


def _made(masks: tuple[Path, ...], output: Path, rate_hz: float | None, times: Path | None, overwrite: bool) -> Manifest:
    """Write the manifest of some mask files."""
    from holo.errors import InputError
    from holo.files import check_output, read_csv
    from holo.manifest import manifest_of, times_from, write_manifest

    if rate_hz is not None and times is not None:
        raise InputError("found --rate-hz and --times; allowed: one of them, or neither")
    check_output(output, overwrite)
    when = None if rate_hz is None else times_from(rate_hz, len(masks))
    if times is not None:
        when = read_csv(times, ("time_ms",), others=True)["time_ms"].tolist()
    made = manifest_of(output, masks, when)
    write_manifest(output, made, overwrite)
    return made


def _told(manifest: Manifest) -> dict[str, Any]:
    """Give what there is to say of a set."""
    times = [entry.time_ms for entry in manifest.masks if entry.time_ms is not None]
    return {
        "masks": len(manifest.masks),
        "columns": manifest.columns,
        "rows": manifest.rows,
        "type": manifest.type,
        "time_ms": times[-1] if times else None,
    }
