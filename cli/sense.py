"""``holo sense``: the aberration of the light path."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from . import options
from .dialogues import dialogue_commands
from .output import note

if TYPE_CHECKING:
    from holo.dialogue import Begin, Run

_OPTIONS = (
    click.option("--registration", type=options.FILE, metavar="FILE", help="Registration file of the camera; needed to start."),
    click.option("--method", default="diversity", show_default=True, metavar="NAME", help="diversity, modal or patches."),
    click.option("--spots", type=int, default=9, show_default=True, metavar="N", help="Spots that are averaged over."),
    click.option("--terms", type=int, default=21, show_default=True, metavar="J", help="Highest Noll index that is measured."),
    click.option("--across", type=int, default=12, show_default=True, metavar="N", help="Patches across the pupil (method patches)."),
    click.option("--around-um", type=float, nargs=2, metavar="X Y", help="Middle of the part of the field to look at."),
    click.option("--width-um", type=float, metavar="W", help="Diameter of that part; by default all that the camera sees."),
    click.option("--seed", type=int, default=0, show_default=True, help="Seed of the places of the spots."),
)


RESULTS = ("aberration.toml", "aberration.tiff", "beam.tiff", "sense.png")
"""Files of a run's result; not every method leaves all of them."""


KEYS = {
    "aberration.toml": "optics.aberration_toml",
    "aberration.tiff": "optics.aberration_tiff",
    "beam.tiff": "light.beam_tiff",
}
"""Key of the bench file that each of them is for."""

NAMES = {"aberration.toml": "aberration", "aberration.tiff": "map", "beam.tiff": "beam"}
"""What each of them is."""


def _begin() -> Begin:
    from holo.sense import sense

    return sense


def finish(run: Run) -> dict[str, Any]:
    """Draw what was found, and say where the results are."""
    from holo.files import write_bytes
    from holo.report.wavefront import sensing_picture
    from holo.sensed import Sensed

    assert isinstance(run.outcome, Sensed)
    picture = run.folder / RESULTS[-1]
    write_bytes(picture, sensing_picture(run.outcome, run.start.bench), overwrite=True)
    found = {name: run.folder / name for name in run.outcome.files({})}
    keys = ", ".join(f'{KEYS[name]} = "{path}"' for name, path in found.items())
    note(f"put into the bench file, with paths relative to it: {keys}")
    return {NAMES[name]: path for name, path in found.items()} | {"picture": picture}


command = dialogue_commands(
    "sense",
    """Measure the aberration of the light path.

    Masks of a few spots with known phases on top are shown and a camera frame is taken of each: by
    hand (start, then step for every frame) or by a link (run). The result, aberration.toml in the
    run folder, is for the bench file (optics.aberration_toml), beam.tiff too (light.beam_tiff
    instead of beam_diameter_mm). Methods:

    \b
    diversity  a few strong biases, phase and beam fitted to all images: 9 frames
    modal      a scan of each term: 3 frames a term and 2
    patches    fringes of neighbouring patches of the panel, 10 to 150 frames: finds what no
               polynomial tells, gives a map (optics.aberration_tiff) and the beam
    """,
    _begin,
    _OPTIONS,
    RESULTS,
    finish,
)
