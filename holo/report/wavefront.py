"""Pictures of sensing: a spot before and after, the phase in the pupil, and its terms with their errors.

In pictures rows point down, as everywhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from holo.bench import pupil_radii
from holo.field.path import light_path
from holo.report.page import near_one
from holo.report.style import BLUE, SKY, VERMILION, colour_bar, counted, legend_above, look, new_figure, png, whole_ticks
from holo.zernike import zernike_sum

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from holo.bench import Bench
    from holo.sensed import Look, Sensed

    Real = NDArray[np.float64]

COLOURS = "cividis"
"""Colour map of light and phase."""

FAINTEST = 1e-3
"""Light over that of the brightest pixel at which the scale of the spots begins."""

POINTS = 301
"""Points across the picture of the pupil."""


def sensing_picture(sensed: Sensed, bench: Bench) -> bytes:
    """Draw what sensing found.

    Parameters
    ----------
    sensed : Sensed
    bench : Bench

    Returns
    -------
    bytes
        PNG. Above, a spot as the camera saw it with the aberration that was known before and with the one found taken off, both on one
        logarithmic scale, with the Strehl ratios; below, the whole phase over the pupil in waves, and the terms with two standard errors.
    """
    with look():
        figure = new_figure(10.4, 8.6)
        (before, after), (pupil, terms) = figure.subplots(2, 2, gridspec_kw={"wspace": 0.45, "hspace": 0.36})
        brightest = float(max(sensed.before.image.max(), sensed.after.image.max()))
        _spot(before, sensed.before, brightest, f"before: Strehl ratio {sensed.strehl_before:.3f}")
        _spot(after, sensed.after, brightest, f"after: Strehl ratio {near_one(sensed.strehl_after)}")
        colour_bar(figure, after, after.images[0], "light of a pixel / brightest")
        _phase(figure, pupil, sensed, bench)
        _terms(terms, sensed)
        rms, error = (
            float(np.sqrt(np.square([*values]).sum())) for values in ([sensed.waves[j] for j in sensed.errors], sensed.errors.values())
        )
        source = f"{sensed.frames} frames of {counted(len(sensed.points_um), 'spot')}"
        figure.suptitle(f"aberration of {rms:.4f} waves rms, known to {error:.4f}, from {source}", y=0.95)
        return png(figure, COLOURS)


def _spot(axes: Axes, look_: Look, brightest: float, title: str) -> None:
    """Draw the mean of the spots of a frame on a logarithmic scale."""
    half = look_.image.shape[0] / 2
    light = np.maximum(look_.image / brightest, FAINTEST)
    axes.imshow(light, norm="log", vmin=FAINTEST, vmax=1, cmap=COLOURS, extent=(-half, half, half, -half), interpolation="nearest")
    error = f" ± {look_.core_error:.3f}" if look_.core_error else ""
    axes.set(title=title, xlabel=f"column (px)\ncore {look_.core:.3f}{error} of a perfect spot's", ylabel="row (px), down")


def _phase(figure: Figure, axes: Axes, sensed: Sensed, bench: Bench) -> None:
    """Draw the whole phase over the pupil, waves."""
    if sensed.map_rad is None:
        place = np.linspace(-1, 1, POINTS)
        x, y = place[None, :], place[:, None]
        waves = np.where(np.hypot(x, y) <= 1, zernike_sum(sensed.waves, np.hypot(x, y), np.arctan2(y, x)), np.nan)
        half = 1e-3 * bench.pupil_radius_um
        extent = (-half, half, half, -half)
    else:
        path, inside = light_path(bench), pupil_radii(bench) <= 1
        theta = np.arctan2(path.y_um[:, None], path.x_um[None, :])
        terms = zernike_sum(sensed.waves, np.minimum(pupil_radii(bench), 1), theta)
        waves = np.where(inside, terms + sensed.map_rad / (2 * np.pi), np.nan)
        extent = (1e-3 * path.x_um[0], 1e-3 * path.x_um[-1], 1e-3 * path.y_um[-1], 1e-3 * path.y_um[0])
    most = max(float(np.nanmax(np.abs(waves))), 1e-3)
    drawn = axes.imshow(waves, cmap=COLOURS, vmin=-most, vmax=most, extent=extent, interpolation="nearest")
    axes.set(title="phase that the light path adds", xlabel="x on the panel (mm)", ylabel="y on the panel (mm), down", aspect="equal")
    colour_bar(figure, axes, drawn, "waves")


def _terms(axes: Axes, sensed: Sensed) -> None:
    """Draw the terms with their errors, and those known before."""
    places = np.array([*sensed.errors])
    found, bars = (1e3 * np.array([values[j] for j in places]) for values in (sensed.waves, sensed.errors))
    known = 1e3 * np.array([sensed.known.get(j, 0.0) for j in places])
    axes.axhline(0, color="0.7", linewidth=0.8)
    axes.bar(places, found, color=SKY, width=0.7, label="found")
    axes.errorbar(places, found, 2 * bars, fmt="none", ecolor=BLUE, elinewidth=1.4, capsize=2.5, label="two standard errors")
    axes.plot(places, known, "_", color=VERMILION, markersize=9, markeredgewidth=1.6, label="known before")
    axes.set(xlabel="Noll index", ylabel="1/1000 waves rms", xlim=(places[0] - 0.8, places[-1] + 0.8))
    whole_ticks(axes.xaxis)
    legend_above(axes, 3)
