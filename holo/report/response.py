"""Pictures of the panel's response: the phase of each level, how it differs from the bench file's, and what tells so."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from holo.mask import response_of_levels
from holo.report.style import BLUE, SKY, VERMILION, colour_bar, counted, legend_above, look, new_figure, png

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from holo.response import Response

COLOURS = "cividis"
"""Colour map of the panel."""


def response_picture(found: Response) -> bytes:
    """Draw the response that was measured or checked.

    Parameters
    ----------
    found : Response

    Returns
    -------
    bytes
        PNG. Above, the phase of each level beside that of the bench file, and the difference of both, less its mean, with two standard
        errors. Below, the light of all gratings against the difference of phase that they are found to have, on the curve that they
        should lie on; and the level of 2 pi of each patch of the panel.
    """
    with look():
        figure = new_figure(10.4, 8.4)
        (curve, change), (light, panel) = figure.subplots(2, 2, gridspec_kw={"wspace": 0.32, "hspace": 0.38})
        _curve(curve, found)
        _change(change, found)
        _light(light, found)
        _panel(figure, panel, found)
        error = float(np.sqrt(np.mean(found.fit.error**2)))
        level = found.two_pi_level
        reached = "no level makes 2 pi" if level is None else f"2 pi at level {level:.1f}"
        figure.suptitle(f"{reached}, phases known to {error:.3f} rad rms, from {counted(found.frames, 'frame')}", y=0.96)
        return png(figure, COLOURS)


def _curve(axes: Axes, found: Response) -> None:
    """Draw both responses in turns."""
    believed = response_of_levels(found.panel)
    axes.plot((believed - believed[0]) / (2 * np.pi), "--", color=VERMILION, label="bench file")
    axes.plot(found.phase / (2 * np.pi), color=BLUE, label="found")
    axes.set(xlabel="level", ylabel="phase (turns)", xlim=(0, len(believed) - 1))
    axes.grid(color="0.9", linewidth=0.6)
    legend_above(axes, 2)


def _change(axes: Axes, found: Response) -> None:
    """Draw the difference of both, with its errors."""
    levels = np.arange(len(found.phase))
    change = found.phase - response_of_levels(found.panel)
    change = change - change.mean()
    axes.axhline(0, color="0.7", linewidth=0.8)
    low, high = change - 2 * found.fit.error, change + 2 * found.fit.error
    axes.fill_between(levels, low, high, color=SKY, label="two standard errors", linewidth=0)
    axes.plot(levels, change, color=BLUE, label="found - bench file, less its mean")
    axes.set(xlabel="level", ylabel="phase (rad)", xlim=(0, levels[-1]))
    legend_above(axes, 2)


def _light(axes: Axes, found: Response) -> None:
    """Draw the light of all gratings over their most, and the curve."""
    delta = np.abs(found.fit.delta).ravel()
    places = np.linspace(0, max(delta.max(), np.pi) * 1.02, 300)
    axes.plot(places / np.pi, np.sin(places / 2) ** 2, color=VERMILION, linewidth=1, label=r"$\sin^2(\delta / 2)$")
    axes.plot(delta / np.pi, found.fit.light.ravel(), "o", color=BLUE, markersize=2.5, markeredgewidth=0, label="gratings")
    told = f"misfit {100 * found.fit.unexplained:.2g} % of the brightest, rms"
    axes.set(xlabel=f"difference of phase $\\delta$ ($\\pi$ rad)\n{told}", ylabel="first orders / most", xlim=(0, places[-1] / np.pi))
    legend_above(axes, 2)


def _panel(figure: Figure, axes: Axes, found: Response) -> None:
    """Draw the level of 2 pi of each patch."""
    levels, errors = found.two_pi_levels
    across = found.patches.across
    cells = np.full((across, across), np.nan)
    cells[found.patches.cell[:, 1], found.patches.cell[:, 0]] = levels
    half = across * float(np.abs(np.diff(np.unique(found.places_mm[:, 0]))[0])) / 2
    middle, room = float(levels.mean()), max(float(np.ptp(levels)) / 2, 1.0)
    drawn = axes.imshow(cells, cmap=COLOURS, vmin=middle - room, vmax=middle + room, extent=(-half, half, half, -half))
    for (x, y), level, error in zip(found.places_mm, levels, errors, strict=True):
        dark = level < middle
        told = f"{level:.1f}\n± {error:.1f}"
        axes.text(x, y, told, ha="center", va="center", fontsize=8 if across < 5 else 6, color="white" if dark else "black")
    axes.set(title="level of 2 pi", xlabel="x on the panel (mm)", ylabel="y on the panel (mm), down")
    colour_bar(figure, axes, drawn, "level")
