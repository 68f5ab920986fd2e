"""``holo demo``: from a simulated bench to a level mask on its atoms in a minute."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import options
from .design import Outputs, designed
from .new import write_starter
from .output import note, show, warn

if TYPE_CHECKING:
    from holo.dialogue import Begin, Run
    from holo.record import Inputs
    from holo.twin import Twin


@click.command()
@click.argument("folder", metavar="[DIR]", type=options.FILE, default=Path("holo-demo"))
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the simulated bench: another seed, another bench.")
@options.overwrite
@options.as_json
def command(folder: Path, seed: int, overwrite: bool, as_json: bool) -> None:
    """Calibrate a simulated bench, and put level light on its atoms.

    All steps are those that a real bench needs, with a simulated one in its place: register the
    camera, survey the lattice, design a mask, predict its light, compare that with a camera frame,
    sense the aberration, and balance the sites. The files go into the folder DIR, by default
    holo-demo.
    """
    from holo.design import DesignOptions
    from holo.errors import OutputExistsError
    from holo.record import read_inputs
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
    corrected = folder / CORRECTED
    _said(f"holo sense run --link twin --bench {bench} --run {folder / 'sense'} --registration {camera}")
    sensed = _sensed(folder, overwrite)
    given = f"--registration {registration} --arrangement {ring} --frames {FRAMES}"
    _said(f"holo balance run --link twin --bench {corrected} --run {folder / 'balance'} {given}")
    balanced = _balanced(folder, overwrite)
    found = {"register": registered, "survey": surveyed, "compare": compared, "sense": sensed, "balance": balanced}
    gain = _gain(compared, sensed, balanced)
    show({**result, **(found if as_json else compared), "gain": gain}, as_json)
    note(
        f"""
next:
  open {report / "report.html"} in a browser, and the pictures {folder / "register" / "residuals.png"}, {folder / "survey.png"},
  {folder / "comparison.png"}, {folder / "sense" / "sense.png"} and {folder / "balance" / "balance.png"}
  holo track {folder / "atoms-000.tiff"} --registration {registration} --bench {bench}
  holo occupancy {atoms} --registration {registration} --bench {bench} --report {folder / "occupancy"}
  holo nudge {mask} -o {folder / "nudged.tiff"} --by-um 1 0
  holo design {folder / "patterns" / "letters.toml"} --bench {bench} -o {folder / "letters.tiff"} --report {folder / "letters"}
  put your own numbers into {bench} ({corrected} has what sensing found) and your own sites into an arrangement"""
    )


STEP = 2
"""Frame of the atoms that is surveyed; the lattice of the simulated bench drifts from step to step."""


def _said(text: str) -> None:
    note(f"$ {text}")


FRAMES = 4
"""Frames that the sites are balanced with; the fifth to eighth gain little here."""

CORRECTED = "corrected.toml"
"""Bench file with the aberration and the beam that sensing found."""


def _converse(
    folder: Path, name: str, begin: Begin, sources: dict[str, Any], results: Sequence[str], overwrite: bool, **chosen: Any
) -> Run:
    """Let the twin answer a dialogue."""
    from holo.dialogue import converse, start_run
    from holo.link import open_link

    wanted = {"bench": None, "registration": None, "arrangement": None} | sources
    run = start_run(folder / name, name, begin, wanted, chosen, results, overwrite)
    converse(run, open_link("twin", folder / "bench.toml"))
    return run


def _summary(run: Run, finish: Callable[[Run], Mapping[str, Any]]) -> dict[str, Any]:
    """Draw what a dialogue has found, say its warnings and give its figures."""
    finish(run)
    assert run.outcome is not None
    summary = dict(run.outcome.summary())
    warn(summary["warnings"])
    return summary


def _registered(folder: Path, overwrite: bool) -> dict[str, Any]:
    """Register the camera of the twin."""
    from holo.record import read_bench_source
    from holo.register import register

    from .register import RESULTS, finish

    sources = {"bench": read_bench_source(folder / "bench.toml")[1]}
    return _summary(_converse(folder, "register", register, sources, RESULTS, overwrite), finish)


def _sensed(folder: Path, overwrite: bool) -> dict[str, Any]:
    """Measure the aberration and the beam of the twin, and write the bench file that knows them."""
    from holo.files import write_text
    from holo.record import read_bench_source, read_registration_source
    from holo.sense import sense

    from .sense import RESULTS, finish

    bench = folder / "bench.toml"
    camera = read_registration_source(folder / "register" / "registration.toml")[1]
    sources = {"bench": read_bench_source(bench)[1], "registration": camera}
    summary = _summary(_converse(folder, "sense", sense, sources, RESULTS, overwrite), finish)
    text = bench.read_text(encoding="utf-8").replace("[optics]\n", '[optics]\naberration_toml = "sense/aberration.toml"\n')
    write_text(folder / CORRECTED, _with_beam(text), overwrite=overwrite)
    return summary


def _with_beam(text: str) -> str:
    """Bench file of the demo with the measured beam in place of the Gaussian one."""
    lines = text.splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith(("beam_diameter_mm", "beam_centre_mm"))]
    return "".join(kept).replace("[light]\n", '[light]\nbeam_tiff = "sense/beam.tiff"\n')


def _balanced(folder: Path, overwrite: bool) -> dict[str, Any]:
    """Level the sites of the ring."""
    from holo.balance import balance
    from holo.bench import read_bench
    from holo.record import read_arrangement_source, read_bench_source, read_registration_source

    from .balance import RESULTS, finish

    bench = folder / CORRECTED
    sources = {
        "bench": read_bench_source(bench)[1],
        "registration": read_registration_source(folder / "registration.toml")[1],
        "arrangement": read_arrangement_source(folder / "ring.toml", read_bench(bench).lattice)[1],
    }
    return _summary(_converse(folder, "balance", balance, sources, RESULTS, overwrite, frames=FRAMES), finish)


def _gain(compared: dict[str, Any], sensed: dict[str, Any], balanced: dict[str, Any]) -> list[dict[str, Any]]:
    """What each step made of the light: spread of the sites on the camera, and the Strehl ratio that sensing tells."""
    steps = (
        ("designed", compared["measured_spread"], sensed["strehl_before"]),
        ("sensed", balanced["spread_before"], sensed["strehl_after"]),
        ("balanced", balanced["spread_after"], sensed["strehl_after"]),
    )
    return [{"light": name, "spread": spread, "strehl": strehl} for name, spread, strehl in steps]


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
    from holo.frames import write_frame
    from holo.mask import read_mask
    from holo.predict import predict
    from holo.record import recorded_sites

    from .predict import compared

    frame, mask = folder / "frame.tiff", read_mask(folder / "ring.tiff")
    write_frame(frame, twin.show(mask.levels, STEP), overwrite)
    sites = recorded_sites(mask.record, inputs.bench)
    prediction = predict(inputs.bench, mask.levels, sites)
    return compared(frame, prediction, inputs.bench, inputs.registration, folder / "comparison.png", overwrite)
