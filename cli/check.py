"""``holo check``: what follows from a bench, and what to look out for."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holo.starters import arrangement_file

from . import options
from .output import show, warn

if TYPE_CHECKING:
    from holo.record import Inputs
    from holo.registration import Sites


@click.command()
@click.argument("bench", type=options.FILE)
@click.option("--arrangement", type=options.FILE, help="Arrangement file or starter pattern whose sites are checked too.")
@options.registration
@options.as_json
def command(bench: Path, arrangement: Path | None, registration: Path | None, as_json: bool) -> None:
    """Check a bench file: what follows from it, and warnings.

    BENCH is a TOML file as "holo new" writes it. No warning does not mean that anything is safe.
    """
    if registration is not None and arrangement is None:
        raise click.UsageError("found --registration alone; allowed: with --arrangement, whose sites it places")
    show(checked(bench, arrangement, registration), as_json)


def checked(bench: Path, arrangement: Path | None = None, registration: Path | None = None) -> dict[str, Any]:
    """Warn, and give what follows from a bench and the sites of an arrangement."""
    from holo.bench import bench_warnings, derived_numbers, read_bench
    from holo.record import read_inputs
    from holo.registration import place

    if arrangement is None:
        read, sites = read_bench(bench), None
        wrong: list[str] = []
    else:
        inputs = read_inputs(bench, arrangement_file(arrangement), registration)
        read, sites = inputs.bench, place(inputs.arrangement, inputs.bench.lattice, inputs.registration)
        wrong = _place_warnings(inputs, sites)
    warnings = [*wrong, *bench_warnings(read, sites)]
    warn(warnings)
    return {"bench": bench, "name": read.name, "digest": read.digest, **derived_numbers(read, sites), "warnings": warnings}


def _place_warnings(inputs: Inputs, sites: Sites) -> list[str]:
    """Say why no mask could be designed for an arrangement, or what is wrong with the place of its continuous light."""
    from holo.design import check_sites
    from holo.design_smooth import placed_light, smooth_warnings
    from holo.errors import InputError

    try:
        if inputs.arrangement.smooth is None:
            check_sites(inputs.bench, sites)
            return []
        placed, _ = placed_light(inputs.bench, inputs.arrangement, inputs.registration)
        return smooth_warnings(inputs.bench, placed)
    except InputError as error:
        return [f"holo design will refuse this arrangement: {error}"]
