"""Report of a rearrangement: the atoms on their way, the light of each trap over time, and the filling."""

from __future__ import annotations

import html
import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.files import write_folder
from holo.loss import predict_rounds
from holo.moves import course
from holo.report.page import CAUTION, check_folder
from holo.report.style import BLUE, ORANGE, SKY, VERMILION, Picture, legend_above, look, plane_axes, png, single_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray
    from PIL.Image import Image

    from holo.manifest import Manifest
    from holo.rearranger import Answer, Rearranger

    Real = NDArray[np.float64]

FILES = ("report.html", "animation.gif", "light.png", "filling.png")
"""Files of the report."""

MOST_SHOWN = 60
"""Most pictures of an animation."""

ROUNDS, TRIALS = 4, 30
"""Rounds of rearrangement that the filling is predicted for, and random loadings that it is averaged over."""

MANY = 600
"""Sites from which on rounds are predicted over fewer loadings."""


def write_moves_report(
    folder: Path,
    ready: Rearranger,
    answer: Answer,
    manifest: Manifest,
    lowest: NDArray[np.float32],
    figures: dict[str, Any],
    overwrite: bool = False,
) -> None:
    """Write the report of a rearrangement.

    Parameters
    ----------
    folder : Path
    ready : Rearranger
    answer : Answer
    manifest : Manifest
        As `holo.sequence.write_sequence` gives it.
    lowest : ndarray, shape (transitions, n)
        Least light of each trap in each transition; may have no rows.
    figures : dict
        What the page tells in its table; its ``survival``, if it is there, is used for the filling by round.
    overwrite : bool

    Raises
    ------
    InputError, OutputExistsError
        As `holo.report.page.check_folder`.
    """
    progress = [entry.figures["progress"] for entry in manifest.masks]
    pictures = [
        Picture("animation.gif", animation(ready, answer, progress), "The atoms on their way", "Atoms moving to the wanted sites", _KEY),
        Picture("light.png", light_picture(manifest, lowest), "Light of the traps over time", "Curves of light over time", _LIGHT),
        Picture(
            "filling.png",
            filling_picture(ready, answer, figures.get("survival", 1.0)),
            "Filling by round",
            "Points of filling by round",
            _FILLING,
        ),
    ]
    files = {picture.name: picture.png for picture in pictures}
    check_folder(folder, overwrite, FILES)
    write_folder(folder, {**files, "report.html": _page(pictures, figures).encode()}, lambda: check_folder(folder, overwrite, FILES))


_KEY = "Rings: wanted sites. Discs: atoms that are carried; open squares: atoms that are dropped. y points down."
_LIGHT = (
    "Least light of each trap in each transition over the mean before it: the lowest trap, the darkest twentieth, the median; "
    "and the efficiency of the settled frames. Predicted from the levels."
)
_FILLING = (
    "Mean share of the wanted sites that hold an atom, over random loadings as full as this one, with the survival predicted for "
    "this rearrangement, losses growing with the number of frames of a round; a model, whose temperature is to be measured."
)


def animation(ready: Rearranger, answer: Answer, progress: list[float]) -> bytes:
    """Draw the atoms on their way, as an animated GIF that begins and ends with a rest."""
    shown = np.unique(np.linspace(0, len(progress) - 1, min(len(progress), MOST_SHOWN)).astype(int))
    with look():
        pictures = _drawn(ready, answer, [progress[number] for number in shown])
    pauses = [800, *[60] * (len(pictures) - 2), 1500][: len(pictures)]
    written = io.BytesIO()
    pictures[0].save(written, "gif", save_all=True, append_images=pictures[1:], duration=pauses, loop=0)
    return written.getvalue()


def _drawn(ready: Rearranger, answer: Answer, progress: list[float]) -> list[Image]:
    """Pictures of the atoms at some frames of the course."""
    from PIL import Image

    places = np.concatenate([ready.reservoir_um, ready.wanted_um])
    edge = 0.7 * max(float(np.ptp(places[:, :2])) / np.sqrt(len(places)), 1.0)
    low, high = places[:, :2].min(axis=0) - edge, places[:, :2].max(axis=0) + edge
    figure, axes = plane_axes((low[0], high[0], low[1], high[1]))
    figure.set_dpi(100)
    size = float(np.clip(250 / np.sqrt(len(places)), 2, 12))
    axes.plot(*ready.wanted_um[:, :2].T, "o", color=ORANGE, markerfacecolor="none", markersize=1.5 * size, label="wanted")
    dropped = ready.reservoir_um[answer.plan.dropped]
    (spare,) = axes.plot(*dropped[:, :2].T, "s", color=SKY, markerfacecolor="none", markersize=size, label="dropped")
    (moving,) = axes.plot([], [], "o", color=BLUE, markersize=size, label="carried")
    legend_above(axes, 3)
    pictures = []
    for frame in progress:
        moving.set_data(*answer.course.places_um(frame)[:, :2].T)
        spare.set_alpha(1.0 if frame == progress[0] else 0.25)
        axes.set_title(f"{frame * answer.course.frame_ms:.0f} ms", loc="right", pad=3)
        figure.canvas.draw()
        pixels = np.asarray(figure.canvas.buffer_rgba())[..., :3]  # type: ignore[attr-defined]
        pictures.append(Image.fromarray(pixels.copy()).quantize(32))
    return pictures


def light_picture(manifest: Manifest, lowest: NDArray[np.float32]) -> bytes:
    """Draw the light of the traps over time, as a PNG."""
    times = np.array([entry.time_ms for entry in manifest.masks])
    with look():
        figure, axes = single_axes(7.0, 4.0)
        if lowest.size:
            for share, colour, name in ((0.5, SKY, "median trap"), (0.05, BLUE, "darkest twentieth"), (0.0, VERMILION, "darkest trap")):
                axes.plot(times[1:], np.quantile(lowest, share, axis=1), color=colour, linewidth=1.2, label=name)
        axes.plot(times, [entry.figures["efficiency"] for entry in manifest.masks], "--", color=ORANGE, linewidth=1.2, label="efficiency")
        axes.set(xlabel="time (ms)", ylabel="light over the mean, efficiency", ylim=(0, 1.1))
        axes.grid(alpha=0.3)
        legend_above(axes, 4)
        return png(figure)


def filling_picture(ready: Rearranger, answer: Answer, survives: float) -> bytes:
    """Draw the filling by round that is to be expected where losses grow with the number of frames, as a PNG."""
    loaded = (len(answer.plan.atoms) + len(answer.plan.dropped)) / len(ready.reservoir_um)
    rng = np.random.default_rng(0)
    trials = TRIALS if len(ready.reservoir_um) < MANY else 4
    found = predict_rounds(
        lambda places: ready.replan(places),
        lambda rng: ready.reservoir_um[rng.uniform(size=len(ready.reservoir_um)) < loaded],
        ready.wanted_um,
        lambda plan: survives ** (course(plan.stations_um, ready.limits, ready.frame_ms).frames / answer.course.frames),
        rounds=ROUNDS,
        trials=trials,
        rng=rng,
    )
    with look():
        figure, axes = single_axes(5.4, 3.8)
        _filling(axes, found.filled, found.error)
        axes.set_title(f"survival of a round {100 * survives:.2f} %, loading {100 * loaded:.0f} %")
        return png(figure)


def _filling(axes: Axes, filled: Real, error: Real) -> None:
    rounds = np.arange(len(filled))
    axes.errorbar(rounds, filled, np.nan_to_num(error), fmt="o-", color=BLUE, capsize=3)
    for number, share in zip(rounds, filled, strict=True):
        axes.annotate(f"{share:.4f}", (number, share), xytext=(5, -14), textcoords="offset points", ha="left", fontsize=8)
    axes.set(
        xlabel="rounds of rearrangement",
        ylabel="share of wanted sites filled",
        ylim=(0, 1.08),
        xticks=rounds,
        xlim=(-0.4, len(filled) - 0.3),
    )
    axes.grid(alpha=0.3)


def _page(pictures: list[Picture], figures: dict[str, Any]) -> str:
    """A page that holds everything itself."""
    rows = "".join(
        f"<tr><th>{html.escape(key.replace('_', ' '))}</th><td>{html.escape(_value(value))}</td></tr>"
        for key, value in figures.items()
        if value is not None
    )
    parts = "".join(
        f'<h2>{html.escape(picture.title)}</h2><img alt="{html.escape(picture.alt)}" src="{_uri(picture)}">'
        f"<p>{html.escape(picture.caption)}</p>"
        for picture in pictures
    )
    style = "body{font-family:sans-serif;max-width:56em;margin:2em auto}img{max-width:100%}th{text-align:left;padding-right:2em}"
    head = f'<meta charset="utf-8"><title>Rearrangement</title><style>{style}</style>'
    body = f"<h1>Rearrangement</h1><p>{html.escape(CAUTION)}</p><table>{rows}</table>{parts}"
    return f'<!DOCTYPE html><html lang="en"><head>{head}</head><body>{body}</body></html>\n'


def _value(value: object) -> str:
    return f"{value:.5g}" if isinstance(value, float) else str(value)


def _uri(picture: Picture) -> str:
    return picture.data_uri.replace("image/png", "image/gif") if picture.name.endswith(".gif") else picture.data_uri
