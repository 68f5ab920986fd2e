"""Picture of a balance: the light of the sites before and after, and what limits it.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from holo.report.style import (
    BLUE,
    ORANGE,
    SKY,
    VERMILION,
    colour_bar,
    counted,
    decade_ticks,
    legend_above,
    look,
    new_figure,
    png,
    whole_ticks,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from holo.balance import Balanced

    Real = NDArray[np.float64]

COLOURS = "PuOr"
"""Colour map of the light of the sites, dark at both ends."""


def balance_picture(balanced: Balanced) -> bytes:
    """Draw what a balance did.

    Parameters
    ----------
    balanced : Balanced

    Returns
    -------
    bytes
        PNG. Above, on the left the light of the sites over target on the first frame and on the last, each as measured; on the right the
        last frame alone, beside the distribution to be expected of the errors and of what is left, where the floor is too narrow to
        be seen but for its width in words. Below, on the left the spread frame by frame: as measured, without the noise, as it was
        expected, and the floor; on the right the sites in the objective plane, coloured by their light on the first frame.
    """
    with look():
        figure = new_figure(10.4, 9.2)
        (before_and_after, last), (by_frame, sites) = figure.subplots(2, 2, gridspec_kw={"wspace": 0.32, "hspace": 0.42})
        _before_and_after(before_and_after, balanced)
        _last(last, balanced)
        _by_frame(by_frame, balanced)
        _map(figure, sites, balanced)
        figure.suptitle(_in_words(balanced), y=0.95)
        return png(figure, COLOURS)


def _in_words(balanced: Balanced) -> str:
    before, after = 100 * balanced.rounds[0].true_spread, 100 * balanced.expected_spread
    count = f"{counted(len(balanced.levelled), 'site')}, {counted(len(balanced.rounds), 'frame')}"
    return f"{count}: spread {before:.2g} % before, {after:.2g} % after, floor {100 * balanced.floor:.2g} %"


def _off(measured: Real, levelled: NDArray[np.bool_]) -> tuple[Real, Real]:
    """Light of the levelled sites that a frame told of, less the mean, and its error, per cent."""
    told = levelled & np.isfinite(measured[0])
    return 100 * (measured[0, told] - 1), 100 * measured[1, told]


def _before_and_after(axes: Axes, balanced: Balanced) -> None:
    first, last = (_off(measured, balanced.levelled)[0] for measured in (balanced.measured[0], balanced.measured[-1]))
    half = 1.05 * max(float(np.abs(first).max()), float(np.abs(last).max()))
    bins = int(np.clip(3 * np.sqrt(len(first)), 21, 81)) | 1
    for values, colour, name in ((last, BLUE, f"frame {len(balanced.rounds)}"), (first, ORANGE, "frame 1")):
        axes.hist(values, bins=bins, range=(-half, half), color=colour, alpha=0.8, label=name)
    axes.set(xlabel="light / target - mean (% of the mean), as measured", ylabel="sites (count)", xlim=(-half, half))
    whole_ticks(axes.yaxis)
    legend_above(axes, 2)


def _last(axes: Axes, balanced: Balanced) -> None:
    """Show the last frame, and what its errors and the spread that was expected of its mask would make of it."""
    off, error = _off(balanced.measured[-1], balanced.levelled)
    entry = balanced.rounds[-1]
    left = 100 * (entry.true_spread if entry.expected_spread is None else entry.expected_spread)
    width = np.hypot(error, left)
    half = 1.05 * max(float(np.abs(off).max()), 3.5 * float(np.median(width)))
    bins = int(np.clip(1.5 * np.sqrt(len(off)), 11, 61)) | 1
    axes.hist(off, bins=bins, range=(-half, half), color=BLUE, edgecolor="white", linewidth=0.4)
    x = np.linspace(-half, half, 401)
    for sigma, colour, style, name in ((error, VERMILION, "--", "errors alone"), (width, ORANGE, "-", "errors and spread expected")):
        density = np.exp(-((x[:, None] / sigma) ** 2) / 2) / (np.sqrt(2 * np.pi) * sigma)
        axes.plot(x, density.sum(axis=1) * 2 * half / bins, style, color=colour, label=name)
    told = f"spread {100 * entry.measured_spread:.2g} %, of which the errors make {100 * entry.noise:.2g} %"
    name = f"frame {len(balanced.rounds)}: light / target - mean (% of the mean)"
    axes.set(xlabel=f"{name}\n{told}", ylabel="sites (count)", xlim=(-half, half))
    whole_ticks(axes.yaxis)
    legend_above(axes, 2)


def _by_frame(axes: Axes, balanced: Balanced) -> None:
    """Show the spread frame by frame, on a scale of decades; errors that reach below the axes are cut."""
    number = np.arange(1, len(balanced.rounds) + 1)
    measured, noise, true, above = (
        100 * np.array([getattr(entry, name) for entry in balanced.rounds])
        for name in ("measured_spread", "noise", "true_spread", "true_spread_error")
    )
    after, floor = 100 * balanced.expected_spread, 100 * balanced.floor
    lowest = 0.5 * max(min(after, floor, *true[true > 0]), 0.02 * after)
    up = true + above
    down = np.sqrt(np.maximum(2 * true**2 - up**2, lowest**2))
    axes.plot(number, measured, "o", color=SKY, label="as measured")
    axes.plot(number, noise, ":", color="0.4", label="errors of a frame")
    axes.vlines(number, down, up, color=BLUE, linewidth=1.2)
    axes.plot(number[true > 0], true[true > 0], "o", color=BLUE, markersize=4, label="without the errors")
    expected = [(at, 100 * entry.expected_spread) for at, entry in zip(number, balanced.rounds, strict=True) if entry.expected_spread]
    axes.plot(*np.array([*expected, (number[-1] + 1, after)]).T, "-s", color=ORANGE, markersize=4, label="expected; last: the result")
    axes.axhline(max(floor, lowest), color=VERMILION, linestyle="--", linewidth=1.2, label=f"floor ({floor:.2g} %)")
    axes.set_yscale("log")
    decade_ticks(axes.yaxis)
    axes.set(xlabel="frame", ylabel="spread (%)", xlim=(0.5, number[-1] + 1.5), ylim=(lowest, 1.5 * float(up.max())))
    whole_ticks(axes.xaxis)
    legend_above(axes, 2)


def _map(figure: Figure, axes: Axes, balanced: Balanced) -> None:
    """Show the sites and their light on the first frame; those that were left out have marks."""
    x, y = balanced.sites.xyz_um[:, 0], balanced.sites.xyz_um[:, 1]
    off, shown = 100 * (balanced.measured[0][0] - 1), balanced.levelled & np.isfinite(balanced.measured[0][0])
    most = max(float(np.quantile(np.abs(off[shown]), 0.98)), 1e-3)
    size = float(np.clip(6000 / len(x), 4, 60))
    drawn = axes.scatter(x[shown], y[shown], size, off[shown], cmap=COLOURS, vmin=-most, vmax=most, edgecolor="0.3", linewidth=0.3)
    out = ~balanced.levelled
    if out.any():
        axes.plot(x[out], y[out], "x", color=VERMILION, markersize=7, label=f"{counted(int(out.sum()), 'site')} left out")
        legend_above(axes, 1)
    colour_bar(figure, axes, drawn, "frame 1: light / target - mean (%)", extend="both")
    axes.set(xlabel="x (um)", ylabel="y (um), down", aspect="equal")
    axes.invert_yaxis()
