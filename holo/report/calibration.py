"""Pictures of calibrations: how well the maps fit, and how the light measured compares with the light predicted.

Camera points are (column, row); in pictures rows point down, as everywhere (`holo.frames`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from holo.errors import InputError
from holo.lattice import reduced_vectors
from holo.report.style import (
    BLUE,
    ORANGE,
    SKY,
    VERMILION,
    YELLOW,
    Box,
    circles,
    counted,
    legend_above,
    lines,
    look,
    new_figure,
    png,
    whole_ticks,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.quiver import Quiver
    from numpy.typing import ArrayLike, NDArray

    from holo.affine import Affine
    from holo.bench import Bench
    from holo.frames import Frame
    from holo.register import Registered
    from holo.survey import Survey

    Real = NDArray[np.float64]

SITES_ACROSS = 30
"""Sites along a side of the picture of a survey's atoms, so that single ones can be told."""


def _two_axes(height: float = 4.6) -> tuple[Figure, Axes, Axes]:
    """Make a figure of two axes, the left one for a map, of a height in inches."""
    figure = new_figure(10.4, height)
    left, right = figure.subplots(1, 2, width_ratios=(1.35, 1), gridspec_kw={"wspace": 0.25})
    return figure, left, right


# ---------------------------------------------------------------------------------------------------------------------
# registering


def registration_picture(registered: Registered, bench: Bench) -> bytes:
    """Draw how well the spots of a registration lie on its map.

    Parameters
    ----------
    registered : Registered
    bench : Bench
        Its Airy radius is the yardstick in the title.

    Returns
    -------
    bytes
        PNG. On the left, over the area of the camera, an arrow from where the map puts each spot towards where it was found, magnified,
        with an arrow of known length below; spots that the fit left out and spots not found have marks of their own. On the right the
        residuals of the spots used over their standard errors, beside the unit normal distribution.

    Notes
    -----
    A fit takes up some of the scatter: the residuals of n points of equal errors have ``sqrt(1 - 3 / n)`` of it, with the 3 parameters of a
    coordinate (the trace of the hat matrix; D. C. Hoaglin and R. E. Welsch, The American Statistician 32, 17 (1978); from memory).
    """
    plane_to_camera = registered.registration.plane_to_camera
    assert plane_to_camera is not None  # it is what registering finds
    residuals = registered.camera_px - plane_to_camera.apply(registered.plane_um)
    used = ~registered.rejected
    with look():
        figure, left, right = _two_axes()
        _residual_map(left, registered, plane_to_camera, residuals)
        _pulls(right, residuals[used] / registered.error_px[used])
        figure.suptitle(_closeness(residuals[used], plane_to_camera, bench))
        return png(figure)


def _closeness(residuals: Real, plane_to_camera: Affine, bench: Bench) -> str:
    """Say how close spots lie to a map."""
    count = counted(len(residuals), "spot")
    if len(residuals) <= 3:
        return f"{count} on one map, as any {len(residuals)} are"
    rms = float(np.sqrt((residuals**2).mean()))
    airy = rms / np.sqrt(abs(np.linalg.det(plane_to_camera.matrix))) / bench.airy_radius_um
    return f"{count} on one map, rms residual {rms:.2g} px ({100 * airy:.2g} % of the Airy radius)"


def _residual_map(axes: Axes, registered: Registered, plane_to_camera: Affine, residuals: Real) -> None:
    """Draw the residuals as arrows over the area of the camera."""
    rows, columns = registered.frame.signal.shape
    places, missing = (plane_to_camera.apply(points) for points in (registered.plane_um, registered.missing_um))
    used, rejected = ~registered.rejected, registered.rejected
    typical = max(float(np.sqrt((residuals[used] ** 2).sum(axis=1).mean())), 0.1 * float(np.median(registered.error_px[used])))
    shown = min(0.05, 0.9 / np.sqrt(len(places))) * max(rows, columns)
    times, many = shown / typical, len(places) > 500
    cut = np.minimum(1, 2 * shown / np.maximum(times * np.hypot(*residuals[rejected].T), shown))
    _arrows(axes, places[rejected], times * residuals[rejected] * cut[:, None], VERMILION, many)
    drawn = _arrows(axes, places[used], times * residuals[used], BLUE, many)
    known = _round(2 * typical)
    axes.quiverkey(drawn, 0.06, -0.2, times * known, f"{known:g} px (arrows are magnified {float(f'{times:.2g}'):g} times)", labelpos="E")
    axes.plot(*places[used].T, "o", color=BLUE, markersize=1 if many else 2.5, label=f"{used.sum()} used")
    axes.plot(*places[rejected].T, "x", color=VERMILION, markersize=5 if many else 8, label=f"{rejected.sum()} rejected (arrow cut)")
    axes.plot(*missing.T, "s", color=ORANGE, markerfacecolor="none", markersize=4 if many else 7, label=f"{len(missing)} missing")
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5), xlabel="column (px)", ylabel="row (px), down", aspect="equal")
    legend_above(axes, 3)


def _arrows(axes: Axes, places: Real, steps: Real, colour: str, fine: bool) -> Quiver:
    """Draw steps in the coordinates of the axes as arrows from their places."""
    width = 0.0015 if fine else 0.003
    return axes.quiver(*places.T, *steps.T, color=colour, angles="xy", scale_units="xy", scale=1, width=width, headwidth=4)


def _round(value: float) -> float:
    """Give 1, 2 or 5 times a power of ten, the largest that is not above a value."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(power * max(digit for digit in (1, 2, 5) if digit <= value / power * (1 + 1e-9)))


def _pulls(axes: Axes, pulls: Real) -> None:
    """Show how residuals over their errors spread, beside the unit normal distribution."""
    count = len(pulls)
    half = max(4.0, 1.05 * float(np.abs(pulls).max()))
    bins = int(np.clip(np.sqrt(2 * count) * half / 2, 8, 60)) | 1
    axes.hist(pulls.ravel(), bins=bins, range=(-half, half), color=BLUE, edgecolor="white", linewidth=0.4)
    x = np.linspace(-half, half, 201)
    expected = 2 * count * 2 * half / bins * np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi)
    axes.plot(x, expected, "--", color=VERMILION, label="unit normal distribution")
    told = f"standard deviation {np.sqrt((pulls**2).mean()):.2f} ({np.sqrt(max(1 - 3 / count, 0)):.2f} if the errors are right)"
    axes.set(xlabel=f"residual / standard error\n{told}", ylabel="coordinates (count)", xlim=(-half, half))
    whole_ticks(axes.yaxis)
    legend_above(axes, 1)


# ---------------------------------------------------------------------------------------------------------------------
# surveying


def survey_picture(frame: Frame, survey: Survey) -> bytes:
    """Draw how well the lattice of a survey goes through the atoms of a frame.

    Parameters
    ----------
    frame : Frame
        The last of those surveyed, where the lattice is as told.
    survey : Survey

    Returns
    -------
    bytes
        PNG. On the left the part of the frame where the atoms are, `SITES_ACROSS` sites wide, with the cells of the fitted lattice, each
        about its site, circles around its atoms that the fit used and crosses on spots that it left out. On the right the atoms of all
        frames moved by whole lattice vectors into one cell about its site: the narrower the heap, the better the lattice. Below, the
        lattice with its standard errors.
    """
    with look():
        figure, left, right = _two_axes(5.4)
        _atoms(left, frame, survey)
        _folded(right, survey)
        count = f"{counted(len(survey.ij), 'atom')} in {counted(len(survey.drift_px), 'frame')}"
        figure.suptitle(f"{count}, rms residual {survey.misfit.rms:.2g} px, {100 * survey.filling:.0f} % of the sites filled")
        figure.text(0.5, -0.02, _lattice_in_words(survey.lattice_to_camera), ha="center", va="top", fontsize=9)
        return png(figure)


def _atoms(axes: Axes, frame: Frame, survey: Survey) -> None:
    """Draw the middle of the atoms in grey, the cells of the lattice, and the spots that were and were not used."""
    spacing = float(np.hypot(*reduced_vectors(survey.lattice_to_camera.matrix.T)[0]))
    left, right, top, bottom = _zoomed(frame.shape, np.median(survey.spots.xy_px, axis=0), SITES_ACROSS * spacing)
    part = frame.signal[int(top + 0.5) : int(bottom + 0.5), int(left + 0.5) : int(right + 0.5)]
    low, high = np.percentile(part, [1, 99.7])
    axes.imshow(part, cmap="gray", vmin=low, vmax=high, extent=(left, right, bottom, top), interpolation="nearest")
    _cells(axes, survey.lattice_to_camera, (left, right, top, bottom))
    used = survey.spots.xy_px[survey.frame == len(survey.drift_px) - 1]
    rejected, several = survey.rejected_px, " in all frames" if len(survey.drift_px) > 1 else ""
    circles(axes, used, min(0.85 * spacing, 8 * survey.spots.width_px), facecolor="none", edgecolor=YELLOW, linewidth=0.8)
    axes.plot([], [], "o", color=YELLOW, markerfacecolor="none", label=f"{len(used)} used")
    axes.plot(*rejected.T, "x", color=VERMILION, markersize=6, markeredgewidth=1.4, label=f"{len(rejected)} rejected{several}")
    axes.set(xlim=(left, right), ylim=(bottom, top), xlabel="column (px)", ylabel="row (px), down")
    legend_above(axes, 3, labelcolor="white", facecolor="0.2", framealpha=1, frameon=True)


def _zoomed(shape: tuple[int, int], middle: Real, side: float) -> Box:
    """Edges of the part of a frame about a point, at most `side` wide and high, on borders of pixels."""
    ends = []
    for length, place in zip(shape[::-1], middle, strict=True):
        size = min(length, max(2, round(side)))
        start = int(np.clip(round(place - size / 2), 0, length - size))
        ends += [start - 0.5, start + size - 0.5]
    return ends[0], ends[1], ends[2], ends[3]


def _cells(axes: Axes, lattice_to_camera: Affine, box: Box) -> None:
    """Draw the borders of the cells of a lattice, midway between its sites, over a part of the camera."""
    left, right, top, bottom = box
    corners = lattice_to_camera.inverse().apply([[left, top], [right, top], [left, bottom], [right, bottom]])
    low, high = np.floor(corners.min(axis=0)), np.ceil(corners.max(axis=0))
    borders = []
    for along in (0, 1):
        for place in np.arange(low[1 - along], high[1 - along] + 1) - 0.5:
            ends = np.full((2, 2), place)
            ends[:, along] = low[along], high[along]
            borders.append(lattice_to_camera.apply(ends))
    lines(axes, borders, colors=SKY, linewidths=0.5)


def _folded(axes: Axes, survey: Survey) -> None:
    """Draw all atoms in one cell, which reaches half a lattice vector each way from its site."""
    matrix, residuals = survey.lattice_to_camera.matrix, survey.residuals
    border = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5], [-0.5, -0.5]]) @ matrix.T
    size = float(np.clip(60 / np.sqrt(len(residuals)), 1, 3))
    axes.plot(*residuals.T, "o", color=BLUE, markersize=size, markeredgewidth=0)
    axes.plot(*border.T, color=SKY, linewidth=1)
    axes.plot(0, 0, "+", color=VERMILION, markersize=12)
    axes.set(xlabel="column from the site (px)", ylabel="row from the site (px), down", aspect="equal")
    axes.invert_yaxis()


def _lattice_in_words(lattice_to_camera: Affine) -> str:
    """Write the vectors and the origin of a lattice with their standard errors."""
    values = [*lattice_to_camera.matrix.T.ravel(), *lattice_to_camera.offset]
    errors = lattice_to_camera.errors()[[0, 2, 1, 3, 4, 5]]
    told = [_with_error(value, error) for value, error in zip(values, errors, strict=True)]
    return (
        f"lattice vectors ({told[0]}, {told[1]}) and ({told[2]}, {told[3]}) px,\nsite (0, 0) at column {told[4]}, row {told[5]} px,"
        " with standard errors"
    )


def _with_error(value: float, error: float) -> str:
    """Write a value with its error to two digits of the error."""
    digits = int(np.clip(1 - np.floor(np.log10(error)), 0, 9)) if error > 0 else 3
    return f"{value:.{digits}f} ± {error:.{digits}f}"


# ---------------------------------------------------------------------------------------------------------------------
# light


def comparison_picture(measured: ArrayLike, error: ArrayLike, predicted: ArrayLike) -> bytes:
    """Draw the light measured on the sites of a mask against the light predicted there.

    Parameters
    ----------
    measured : array_like, shape (n,)
        In any unit.
    error : array_like, shape (n,)
        Standard errors of `measured`, in the same unit.
    predicted : array_like, shape (n,)
        In any other unit: both are shown over their means.

    Returns
    -------
    bytes
        PNG. On the left, measured against predicted, with error bars and the line on which they are equal. On the right the
        differences, beside the distribution that the errors alone would give, with the spread of both.

    Raises
    ------
    InputError
        If the numbers of sites differ or are zero, a value is not finite, an error is not above 0, or a mean is not.

    Notes
    -----
    The spread of the differences d is ``sqrt(sum(d^2) / (n - 1))``: one degree of freedom went into the common scale. What the errors
    do not explain is its difference in quadrature to the rms error.

    Examples
    --------
    >>> comparison_picture([100, 310, 205], [5, 9, 7], [0.1, 0.3, 0.2])[1:4]
    b'PNG'
    """
    seen, bar, wanted = _over_means(measured, error, predicted)
    off = 100 * (seen - wanted)
    spread, noise = float(np.sqrt((off**2).sum() / max(len(off) - 1, 1))), 100 * float(np.sqrt((bar**2).mean()))
    with look():
        figure, left, right = _two_axes()
        _diagonal(left, seen, bar, wanted)
        _differences(right, off, 100 * bar)
        right.set_xlabel(f"measured - predicted (% of the mean)\nspread {spread:#.2g} %, that of the errors alone {noise:#.2g} %")
        rest = f"{np.sqrt(spread**2 - noise**2):#.2g} % without the errors" if spread > noise else "as the errors do"
        figure.suptitle(f"{counted(len(off), 'site')}: the measured light spreads by {spread:#.2g} % about the predicted, {rest}")
        return png(figure)


def _over_means(measured: ArrayLike, error: ArrayLike, predicted: ArrayLike) -> tuple[Real, Real, Real]:
    """Check light measured, its errors and light predicted, and give all over their means."""
    seen, bar, wanted = (np.asarray(values, dtype=np.float64) for values in (measured, error, predicted))
    if not (seen.ndim == 1 and seen.shape == bar.shape == wanted.shape and len(seen)):
        raise InputError(f"measured, error, predicted: found shapes {seen.shape}, {bar.shape}, {wanted.shape}; allowed: (n,), not empty")
    if not (np.isfinite([seen, bar, wanted]).all() and (bar > 0).all() and seen.mean() > 0 and wanted.mean() > 0):
        raise InputError("measured, error, predicted: found values that are no light; allowed: finite, errors and means above 0")
    return seen / seen.mean(), bar / seen.mean(), wanted / wanted.mean()


def _diagonal(axes: Axes, seen: Real, bar: Real, wanted: Real) -> None:
    """Draw measured against predicted light with error bars, and the line on which they are equal."""
    many = len(seen) > 500
    width, size = (0.4, 1.5) if many else (0.8, 3.5)
    axes.errorbar(wanted, seen, bar, fmt="o", color=BLUE, ecolor=SKY, elinewidth=width, markersize=size, label="sites, one standard error")
    axes.axline((1, 1), slope=1, color=VERMILION, linestyle="--", linewidth=1.2, zorder=3, label="as predicted")
    axes.set(xlabel="predicted intensity / mean", ylabel="measured intensity / mean")
    legend_above(axes, 2)


def _differences(axes: Axes, off: Real, bar: Real) -> None:
    """Show how differences spread, beside what their errors alone would give."""
    half = 1.05 * max(float(np.abs(off).max()), 3 * float(np.median(bar)))
    bins = int(np.clip(1.5 * np.sqrt(len(off)), 11, 61)) | 1
    axes.hist(off, bins=bins, range=(-half, half), color=BLUE, edgecolor="white", linewidth=0.4)
    x = np.linspace(-half, half, 401)
    density = np.exp(-((x[:, None] / bar) ** 2) / 2) / (np.sqrt(2 * np.pi) * bar)
    axes.plot(x, density.sum(axis=1) * 2 * half / bins, "--", color=VERMILION, label="from the errors alone")
    axes.set(ylabel="sites (count)", xlim=(-half, half))
    whole_ticks(axes.yaxis)
    legend_above(axes, 1)
