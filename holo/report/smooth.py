"""The report of a mask of continuous light: the same page as that of sites, with maps, cut lines and errors of the light."""

from __future__ import annotations

import csv
import io
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.bench import bench_warnings, derived_numbers
from holo.design_smooth import smooth_warnings
from holo.field.path import LightPath, light_path
from holo.field.plane import plane_field
from holo.mask import phase_of_levels
from holo.predict_smooth import reach_um
from holo.registration import Sites
from holo.report import page
from holo.report.panel import field_picture, mask_detail, mask_picture
from holo.report.pictures import Scene, drawn_depths
from holo.report.style import BLUE, SKY, VERMILION, Box, Picture, colour_bar, legend_above, look, new_figure, plane_axes, png, single_axes
from holo.retrieve.smooth import SMOOTH_EFFORTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.bench import Bench
    from holo.design_smooth import SmoothDesign
    from holo.predict_smooth import SmoothPrediction
    from holo.retrieve.smooth import SmoothRetrieval

RELATIVE = "intensity / mean of the bright part"
"""What the maps of the light show."""

SAMPLES = 500
"""Cells along the longer side of the map of the light."""

AROUND = 0.35
"""How much of the free light the map shows around the signal region, over the region's size."""


@dataclass(frozen=True, eq=False)
class SmoothScene:
    """What the pictures are drawn from."""

    bench: Bench
    path: LightPath
    levels: NDArray[np.integer[Any]]
    phase: NDArray[np.float64]
    prediction: SmoothPrediction

    @property
    def unit(self) -> float:
        """Mean intensity of the bright part over its mean target: the intensity that is wanted where the target is 1."""
        return float(self.prediction.figures.level)


def write_smooth_report(
    folder: str | os.PathLike[str], bench: Bench, made: SmoothDesign, *, title: str = "", overwrite: bool = False
) -> dict[str, Any]:
    """Write the report of a mask of continuous light into a folder, which is made if need be.

    Parameters
    ----------
    folder : path
        Gets ``report.html`` (self-contained), ``cuts.csv`` (the cut lines), ``summary.json``, the pictures as PNG, and with sites
        ``sites.csv``; as `holo.report.page.write_report`.
    bench : Bench
    made : SmoothDesign
    title : str
        Of the arrangement.
    overwrite : bool
        Whether files of a report that stand in the folder may be replaced.

    Returns
    -------
    dict
        What ``summary.json`` holds.

    Raises
    ------
    OutputExistsError, InputError
        As `holo.report.page.write_report`.
    """
    folder = Path(folder)
    page.check_folder(folder, overwrite)
    path = light_path(bench)
    scene = SmoothScene(bench, path, made.mask.levels, phase_of_levels(made.mask.levels, bench.panel), made.prediction)
    summary = smooth_summary(bench, made, title)
    pictures = draw_smooth(scene, made.retrieval)
    tables = {"cuts.csv": _cuts_csv(made.prediction)}
    if made.prediction.at_sites is not None:
        tables["sites.csv"] = page.sites_csv(made.prediction.at_sites)
    page.replace_report(folder, page.report_files(_page(scene, made, summary, pictures), summary, pictures, tables), overwrite)
    return summary


def smooth_summary(bench: Bench, made: SmoothDesign, title: str = "") -> dict[str, Any]:
    """Gather the figures, derived numbers, warnings and record of a mask of continuous light, JSON-compatible."""
    found, sites = made.retrieval, made.prediction.sites
    options = made.mask.record["options"]
    return {
        "title": title,
        "sites": len(sites.target),
        **made.prediction.summary(),
        "rms_before_levels": made.rms_before_levels,
        "iterations": found.iterations,
        "converged": made.converged,
        "search_converged": found.converged,
        "shortfall": made.shortfall,
        "interrupted": found.interrupted,
        "wanted_rms": options.get("rms") or SMOOTH_EFFORTS[options["effort"]].rms,
        "wanted_power": _asked_power(made),
        "seconds": made.seconds,
        "power_on_target_mw": bench.light.power_mw * made.prediction.figures.power_fraction,
        "derived": derived_numbers(bench, sites if len(sites.target) else None),
        "warnings": [*bench_warnings(bench, sites), *smooth_warnings(bench, made.prediction.placed)],
        **page.origin(bench, made.mask),
    }


def _asked_power(made: SmoothDesign) -> float:
    smooth = made.prediction.placed.smooth
    return smooth.power + (smooth.sites_power if made.prediction.sites.bright.any() else 0.0)


# ---------------------------------------------------------------------------------------------------------------------
# cut lines


def cut_lines(prediction: SmoothPrediction) -> dict[str, tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]]:
    """Cut the light along a row and a column through the middle of its target.

    Returns
    -------
    dict
        ``x`` and ``y``: places along the cut, um; wanted and predicted intensity there, over that of a target of 1; and where the cut
        lies on the other axis, um.
    """
    target, unit = prediction.target, prediction.figures.level
    row = int(np.argmin(np.abs(prediction.y_um - prediction.y_um @ target.sum(axis=1) / target.sum())))
    column = int(np.argmin(np.abs(prediction.x_um - prediction.x_um @ target.sum(axis=0) / target.sum())))
    light = prediction.intensity / unit
    return {
        "x": (prediction.x_um, target[row], light[row], float(prediction.y_um[row])),
        "y": (prediction.y_um, target[:, column], light[:, column], float(prediction.x_um[column])),
    }


def _cuts_csv(prediction: SmoothPrediction) -> str:
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["along", "x_um", "y_um", "target", "intensity"])
    for along, (places, target, light, other) in cut_lines(prediction).items():
        fixed = np.full(len(places), other)
        x, y = (places, fixed) if along == "x" else (fixed, places)
        table.writerows([along, *row] for row in np.column_stack([x, y, target, light]).tolist())
    return text.getvalue()


# ---------------------------------------------------------------------------------------------------------------------
# pictures


def draw_smooth(scene: SmoothScene, retrieval: SmoothRetrieval) -> list[Picture]:
    """Draw all pictures of the report, in the order of the page."""
    box = reach_um(scene.bench, scene.prediction.placed)
    with look():
        pictures = [_light(scene, box), _cuts(scene), _error(scene, box), _histogram(scene)]
        depth = scene.prediction.placed.z_um
        pictures.append(
            field_picture(scene, depth, scene.unit, box, ("signal region", RELATIVE, f" at z = {depth:.4g} um" if depth else ""))
        )
        if retrieval.history:
            pictures.append(_convergence(retrieval))
        pictures += [mask_picture(scene), mask_detail(scene)]
    return pictures


def _light(scene: SmoothScene, box: Box) -> Picture:
    """The light as a camera sees it, free light included."""
    left, right, top, bottom = box
    wide, high = AROUND * (right - left), AROUND * (bottom - top)
    half = scene.bench.field_um / 2
    shown = tuple(np.clip([left - wide, right + wide, top - high, bottom + high], -half, half).tolist())
    count = [
        int(np.ceil(SAMPLES * side / max(shown[1] - shown[0], shown[3] - shown[2]))) for side in (shown[1] - shown[0], shown[3] - shown[2])
    ]
    x, y = (low + (np.arange(n) + 0.5) * (end - low) / n for low, end, n in ((*shown[:2], count[0]), (*shown[2:], count[1])))
    light = np.abs(plane_field(scene.path, scene.phase, x, y, scene.prediction.placed.z_um)) ** 2 / scene.unit
    top_shown = 1.25 * float(scene.prediction.target.max())
    figure, axes = plane_axes((shown[0], shown[1], shown[2], shown[3]))
    extent = (shown[0], shown[1], shown[3], shown[2])
    image = axes.imshow(light, vmin=0, vmax=top_shown, cmap="magma", extent=extent, interpolation="bilinear")
    framed = [
        np.concatenate([[2 * axis[0] - axis[1]], axis, [2 * axis[-1] - axis[-2]]])
        for axis in (scene.prediction.x_um, scene.prediction.y_um)
    ]
    axes.contour(*framed, np.pad(scene.prediction.region.astype(float), 1), [0.5], colors=[SKY], linewidths=0.9)
    colour_bar(figure, axes, image, RELATIVE, extend="max")
    caption = (
        "As a camera sees it. Inside the blue line, the signal region, the light is as wanted, its dark rim included; outside it the light"
        " is free, and that freedom makes the rest smooth. Block the free light if it disturbs, or ask for more power and less smoothness."
        f" Colours end at {top_shown:.3g}; free light may be brighter."
    )
    alt = "Map of the predicted intensity with the outline of the signal region, linear colour scale"
    return Picture("light.png", png(figure, "magma"), "The light, linear scale", alt, caption)


def _cuts(scene: SmoothScene) -> Picture:
    """Predicted and wanted intensity along two lines through the middle."""
    figure = new_figure(5.4, 5.6)
    upper, lower = figure.subplots(2, 1)
    figure.subplots_adjust(hspace=0.35)
    for axes, (along, (places, target, light, other)) in zip((upper, lower), cut_lines(scene.prediction).items(), strict=True):
        axes.plot(places, light, color=BLUE, label="predicted, from the levels")
        axes.plot(places, target, "--", color=VERMILION, linewidth=1, label="wanted")
        fixed = "y" if along == "x" else "x"
        axes.set(xlabel=f"{along} (um), at {fixed} = {other:.4g} um", ylabel="intensity / wanted at 1", xlim=(places[0], places[-1]))
        axes.set_ylim(0, min(1.05 * float(light.max()), 1.5 * float(target.max())))  # sites may be far brighter
    legend_above(upper, 2)
    caption = (
        "Along a row and a column through the middle of the target, over the signal region. The lines lie on each other as long as the"
        " error is below their thickness: the next picture shows what is left. Sites may rise beyond the picture; cuts.csv has the numbers."
    )
    alt = "Predicted and wanted intensity along a horizontal and a vertical line through the middle of the target"
    return Picture("cuts.png", png(figure), "Cut lines", alt, caption)


def _error(scene: SmoothScene, box: Box) -> Picture:
    """Where the bright part is too bright and where too dim."""
    prediction = scene.prediction
    deviation = 100 * prediction.deviation
    limit = max(4 * 100 * prediction.figures.rms, 1e-6)
    figure, axes = plane_axes(box)
    extent = (box[0], box[1], box[3], box[2])
    image = axes.imshow(deviation, vmin=-limit, vmax=limit, cmap="PuOr", extent=extent, interpolation="nearest")
    colour_bar(figure, axes, image, "deviation of intensity / target (%)", extend="both")
    caption = (
        f"Where the target exceeds half its maximum, over its mean ratio; the colours end at four times the rms error. Violet is too"
        f" bright, orange too dim. Fine grain comes from the levels of the panel, bands along edges from a search that stopped early, and a"
        f" dark dot that nothing mends is a vortex: there are {prediction.figures.vortices}."
    )
    alt = f"Map of the deviation of intensity over target, rms {100 * prediction.figures.rms:.3g} percent"
    return Picture("error.png", png(figure, "PuOr"), "What is wrong where", alt, caption)


def _histogram(scene: SmoothScene) -> Picture:
    """How the deviations are spread."""
    deviation = 100 * scene.prediction.deviation[scene.prediction.bright]
    rms = 100 * scene.prediction.figures.rms
    half = max(1.05 * float(np.abs(deviation).max()), 1e-6)
    figure, axes = single_axes()
    axes.hist(deviation, bins=101, range=(-half, half), color=BLUE, log=True)
    for side, label in ((-rms, "rms error"), (rms, None)):
        axes.axvline(side, color=VERMILION, linestyle="--", linewidth=1, label=label)
    axes.set(xlabel="deviation of intensity / target from its mean (%)", ylabel="points (count)", xlim=(-half, half))
    legend_above(axes, 2)
    caption = "Points of the bright part, counted on a logarithmic scale: a bell is noise, a long tail are edges, corners or vortices."
    alt = f"Histogram of the deviations of {len(deviation)} points, rms {rms:.3g} percent"
    return Picture("histogram.png", png(figure), "How the errors are spread", alt, caption)


def _convergence(retrieval: SmoothRetrieval) -> Picture:
    """Error against the iterations of the search."""
    stages, error = zip(*retrieval.history, strict=True)
    figure, axes = single_axes()
    axes.plot(np.arange(1, len(error) + 1), 100 * np.array(error), color=BLUE)
    axes.set(yscale="log", xlabel="iteration", ylabel="rms error (%)")
    name = {"mix": "mixed-region iteration", "descend": "descent"}[stages[0]]
    caption = (
        f"The {name} as its own transform saw it, before the phase was rounded to levels. A line that still falls at the end means that"
        " more iterations would help. Where there are sites too, it jumps when they get more of the light."
    )
    alt = f"Error over {len(error)} iterations, ending at {100 * error[-1]:.3g} percent"
    return Picture("convergence.png", png(figure), "How the search went", alt, caption)


# ---------------------------------------------------------------------------------------------------------------------
# the page


def _page(scene: SmoothScene, made: SmoothDesign, summary: dict[str, Any], pictures: list[Picture]) -> str:
    at_sites = made.prediction.at_sites
    listed = None
    if at_sites is not None:
        listed = Scene(scene.bench, scene.path, scene.levels, scene.phase, at_sites, drawn_depths(at_sites.sites))
    return page.rendered(
        title=summary["title"] or "continuous light",
        bench=scene.bench.name,
        made=page.moment(summary["record"]["time"]),
        verdict=verdict(scene.bench, summary),
        numbers=_numbers(summary, scene.bench.light.power_mw),
        warnings=[*(f"{text[0].upper()}{text[1:]}." for text in summary["warnings"]), page.CAUTION],
        planes_note="",
        pictures=pictures,
        orders=(),
        orders_note="",
        changed=(),
        vector=(),
        columns=() if listed is None else page.COLUMNS if _all_bright(made.prediction.sites) else (*page.COLUMNS, "crosstalk (%)"),
        rows=() if listed is None else page.site_rows(listed),
        sites_note="" if listed is None else page.sites_note(listed),
        derived=[page.labelled(name, value) for name, value in summary["derived"].items()],
        record=page.record_rows(summary),
    )


def _all_bright(sites: Sites) -> bool:
    return bool(sites.bright.all())


def verdict(bench: Bench, summary: dict[str, Any]) -> dict[str, Any]:
    """Say whether the search got where it should, what the levels cost, and what to do if it did not.

    Returns
    -------
    dict
        ``fine``, ``lines`` and ``remedies``, as the page has them.
    """
    steps, rms, before = summary["iterations"], summary["rms"], summary["rms_before_levels"]
    levels = f"{bench.panel.phase_steps:.4g} steps of phase per 2 pi"
    light = f"The light is as wanted to {page.percent(rms)} rms as the panel shows it; before rounding to {levels}, {page.percent(before)}."
    vortices = (
        f"{summary['vortices']} vortices lie in the bright part, dark dots that no small change mends." if summary["vortices"] else ""
    )
    wanted = f"an error of {page.percent(summary['wanted_rms'])}"
    if summary["interrupted"]:
        first = f"Interrupted after {steps} iterations; this is the best phase until then."
    elif summary["search_converged"] and not summary["converged"]:
        first = f"Not converged: {summary['shortfall']}."
    elif summary["converged"]:
        first = f"Converged: the search reached {wanted} in {steps} iterations."
    else:
        first = f"Not converged: the search stopped after {steps} iterations, short of {wanted}."
    fine = summary["converged"] and not summary["vortices"]
    return {"fine": fine, "lines": [line for line in (first, light, vortices) if line], "remedies": () if fine else REMEDIES}


REMEDIES = (
    "Ask for less power: the more light may go elsewhere, the smoother the rest.",
    "Search longer: a higher --iterations, or --effort high. The picture of the search shows whether it was still getting better.",
    "Make edges softer, walls thicker and speckle coarser: nothing can be sharper than a focal cell, wavelength / (2 NA).",
    "Allow a narrower dark rim (margin), so that free light has room near by.",
    "Accept less: a higher --rms ends the search earlier.",
)
"""What to try when the light is not as wanted."""


def _numbers(summary: dict[str, Any], power_mw: float) -> list[dict[str, str]]:
    """The figures to read first, each with its meaning."""
    rows = [
        ("rms error", page.percent(summary["rms"]), "intensity over target, where the target exceeds half its maximum"),
        ("rms error, flat top", page.percent(summary["rms_flat"] or 0.0), "the same, above 99 % of its maximum"),
        (
            "before levels",
            page.percent(summary["rms_before_levels"]),
            "rms error of the phase that was found; rounding to levels makes the rest",
        ),
        ("largest deviation", page.percent(summary["largest"]), "of a point from the mean, where the target exceeds half its maximum"),
        (
            "power in the region",
            page.percent(summary["power_share"]),
            f"of the pupil's light; asked: {page.percent(summary['wanted_power'])}",
        ),
        ("power on the target", page.percent(summary["power_fraction"]), "of the power on the panel, after pupil, pixels and envelope"),
        ("power there", page.power(summary["power_on_target_mw"]), f"of {power_mw:g} mW on the panel, before losses of the optics"),
        ("dark rim", page.little(summary["rim"]), "mean light on it, over that at the target's maximum"),
        ("vortices", f"{summary['vortices']}", "in the bright part"),
    ]
    if summary["rms_flat"] is None:
        rows = [row for row in rows if row[0] != "rms error, flat top"]
    if summary["sites"]:
        rows.append(("sites", f"{summary['sites']}", f"uniformity {page.near_one(summary['uniformity'])}"))
    return [dict(zip(("name", "value", "meaning"), row, strict=True)) for row in rows]
