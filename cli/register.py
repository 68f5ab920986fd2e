"""``holo register``: where the objective plane lies on the camera."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from .dialogues import dialogue_commands

if TYPE_CHECKING:
    from holo.dialogue import Begin, Run

_OPTIONS = (
    click.option(
        "--around-um",
        type=float,
        nargs=2,
        metavar="X Y",
        default=(0.0, 0.0),
        show_default=True,
        help="Where the camera is thought to look.",
    ),
    click.option("--width-um", type=float, metavar="W", help="Width of the first mask's spots; by default most of the camera's view."),
    click.option("--seed", type=int, default=0, show_default=True, help="Seed of the places of the spots."),
)


RESULTS = ("registration.toml", "residuals.png")
"""Files of a run's result."""


def _begin() -> Begin:
    from holo.register import register

    return register


def finish(run: Run) -> dict[str, Any]:
    """Draw the residuals, and say where the result is."""
    from holo.files import write_bytes
    from holo.register import Registered
    from holo.report.calibration import registration_picture

    assert isinstance(run.outcome, Registered)
    registration, picture = (run.folder / name for name in RESULTS)
    write_bytes(picture, registration_picture(run.outcome, run.start.bench), overwrite=True)
    return {"registration": registration, "picture": picture}


command = dialogue_commands(
    "register",
    """Find where the objective plane lies on the camera.

    Two masks are shown and a camera frame is taken of each: by hand (start, then step twice) or
    by a link (run). The result is registration.toml in the run folder, with a picture of the
    residuals beside it.
    """,
    _begin,
    _OPTIONS,
    RESULTS,
    finish,
)
