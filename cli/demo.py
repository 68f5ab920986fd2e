"""``holo demo``: from a simulated bench to a mask on its atoms in a minute."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .design import Outputs, designed
from .new import write_starter
from .output import note, show, warn

if TYPE_CHECKING:
    from holo.design import Inputs
    from holo.twin import Twin


@click.command()
@click.argument("folder", metavar="[DIR]", type=options.FILE, default=Path("holo-demo"))
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the simulated bench: another seed, another bench.")
@options.overwrite
@options.as_json
def command(folder: Path, seed: int, overwrite: bool, as_json: bool) -> None:
    """Calibrate a simulated bench, and put light on its atoms.

    All steps are those that a real bench needs, with a simulated one in its place: register the
    camera, survey the lattice, design a mask, predict its light, compare that with a camera frame.
    The files go into the folder DIR, by default holo-demo.
    """
    from holo.design import DesignOptions, read_inputs
    from holo.errors import OutputExistsError
    from holo.twin import read_twin

    if folder.exists() and not overwrite:
        raise OutputExistsError(f"{folder}: exists already; name another folder, or use --overwrite to replace the demo in it")
    write_starter(folder, overwrite, seed)
    bench, ring, registration = folder / "bench.toml", folder / "ring.toml", folder / "registration.toml"
    twin = read_twin(folder / "twin.toml")

    _said(f"holo register run --link twin --bench {bench} --run {folder / 'register'}")
    registered = _registered(folder, overwrite)
    atoms = folder / f"atoms-{STEP:03d}.tiff"
    camera = folder / "register" / "registration.toml"
    shift = " ".join(f"{value:g}" for value in twin.cloud.chromatic_px)
    _said(f"holo survey {atoms} --bench {bench} --registration {camera} -o {registration} --chromatic-px {shift}")
    surveyed = _surveyed(folder, atoms, twin, overwrite)
    mask, report = folder / "ring.tiff", folder / "report"
    _said(f"holo design {ring} --bench {bench} --registration {registration} -o {mask} --report {report}")
    inputs = read_inputs(bench, ring, registration)
    result = {"folder": folder, **designed(inputs, DesignOptions(), Outputs(mask, report, overwrite))}
    _said(f"holo predict {mask} --bench {bench} --frame {folder / 'frame.tiff'} --picture {folder / 'comparison.png'}")
    compared = _compared(folder, inputs, twin, overwrite)
    show({**result, "register": registered, "survey": surveyed, "compare": compared} if as_json else {**result, **compared}, as_json)
    note(
        f"""
next:
  open {report / "report.html"} in a browser, and the pictures {folder / "register" / "residuals.png"}, {folder / "survey.png"} and
  {folder / "comparison.png"}
  holo track {folder / "atoms-000.tiff"} --registration {registration} --bench {bench}
  holo occupancy {atoms} --registration {registration} --bench {bench} --report {folder / "occupancy"}
  holo nudge {mask} -o {folder / "nudged.tiff"} --by-um 1 0
  holo design {folder / "patterns" / "letters.toml"} --bench {bench} -o {folder / "letters.tiff"} --report {folder / "letters"}
  put your own numbers into {bench} and your own sites into an arrangement"""
    )


STEP = 2
"""Frame of the atoms that is surveyed; the lattice of the simulated bench drifts from step to step."""


def _said(text: str) -> None:
    note(f"$ {text}")


def _registered(folder: Path, overwrite: bool) -> dict[str, Any]:
    """Register the camera of the twin."""
    from holo.design import read_bench_source
    from holo.dialogue import converse, start_run
    from holo.link import open_link
    from holo.register import register

    from .register import RESULTS, finish

    bench = folder / "bench.toml"
    sources = {"bench": read_bench_source(bench)[1], "registration": None, "arrangement": None}
    run = start_run(folder / "register", "register", register, sources, {}, RESULTS, overwrite)
    converse(run, open_link("twin", bench))
    finish(run)
    assert run.outcome is not None
    summary = dict(run.outcome.summary())
    warn(summary["warnings"])
    return summary


def _surveyed(folder: Path, atoms: Path, twin: Twin, overwrite: bool) -> dict[str, Any]:
    """Survey the lattice of the twin, with the chromatic shift that a laboratory knows from another measurement."""
    from holo.bench import read_bench
    from holo.registration import read_registration

    from .survey import surveyed

    bench, previous = read_bench(folder / "bench.toml"), read_registration(folder / "register" / "registration.toml")
    return surveyed(
        [atoms], bench, previous, folder / "registration.toml", twin.cloud.chromatic_px, picture=folder / "survey.png", overwrite=overwrite
    )


def _compared(folder: Path, inputs: Inputs, twin: Twin, overwrite: bool) -> dict[str, Any]:
    """Take a frame of the mask with the twin, and compare it with the prediction."""
    from holo.design import recorded_sites
    from holo.frames import write_frame
    from holo.mask import read_mask
    from holo.predict import predict

    from .predict import compared

    frame, mask = folder / "frame.tiff", read_mask(folder / "ring.tiff")
    write_frame(frame, twin.show(mask.levels, STEP), overwrite)
    sites = recorded_sites(mask.record, inputs.bench)
    prediction = predict(inputs.bench, mask.levels, sites)
    return compared(frame, prediction, inputs.bench, inputs.registration, folder / "comparison.png", overwrite)
