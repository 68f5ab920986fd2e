"""``holo response``: which phase the levels of the panel make."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from . import options
from .dialogues import dialogue_commands
from .output import note

if TYPE_CHECKING:
    from holo.dialogue import Begin, Run

_OPTIONS = (
    click.option("--registration", type=options.FILE, metavar="FILE", help="Registration file of the camera; else as the bench has it."),
    click.option(
        "--across", type=int, default=2, show_default=True, metavar="N", help="Patches across the pupil, each with its level of 2 pi."
    ),
    click.option("--frames", type=int, metavar="N", help="Frames of gratings; by default 40, of a check 12."),
    click.option("--check", is_flag=True, help="Only tell whether the bench file's response still holds."),
    click.option("--seed", type=int, default=0, show_default=True, help="Seed of what is shown where."),
)


RESULTS = ("response.csv", "two-pi.csv", "response.png")
"""Files of a run's result; a check leaves the picture alone."""


def _begin() -> Begin:
    from holo.response import response

    return response


def finish(run: Run) -> dict[str, Any]:
    """Draw what was found, and say where the results are."""
    from holo.files import write_bytes
    from holo.report.response import response_picture
    from holo.response import Response

    assert isinstance(run.outcome, Response)
    picture = run.folder / RESULTS[-1]
    write_bytes(picture, response_picture(run.outcome), overwrite=True)
    if run.outcome.check:
        return {"picture": picture}
    found = run.folder / RESULTS[0]
    note(f'put into the bench file, with the path relative to it: panel.response_csv = "{found}", in place of level_for_2pi')
    return {"response": found, "map": run.folder / RESULTS[1], "picture": picture}


command = dialogue_commands(
    "response",
    """Measure which phase each level of the panel makes.

    Binary gratings of two levels are shown on patches of the panel and a camera frame is taken of
    each mask: by hand (start, then step for every frame) or by a link (run). The result,
    response.csv in the run folder, is for the bench file (panel.response_csv instead of
    level_for_2pi); two-pi.csv tells the level of 2 pi of each patch.

    With --check, a third of the frames tell whether the response in the bench file still holds.
    """,
    _begin,
    _OPTIONS,
    RESULTS,
    finish,
)
