"""The report of an occupancy: the histogram with its two peaks, the sites on the frame, the map of sites.

Camera points are (column, row); in pictures rows, and the lattice coordinate j, point down.
"""

from __future__ import annotations

import os
import re
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.atom_light import spacing_px
from holo.files import write_folder
from holo.occupancy import UNSURE, occupancy_csv
from holo.report.page import check_folder, report_files
from holo.report.style import BLUE, ORANGE, SKY, VERMILION, YELLOW, Picture, colour_bar, counted, legend_above, look, png, single_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from holo.frames import Frame
    from holo.occupancy import Changes, Match, Occupancy

    Flags = NDArray[np.bool_]

FILES = ("report.html", "occupancy.csv", "summary.json", "histogram.png", "frame.png", "map.png")
"""Every file of the report of an occupancy."""

SITES_ACROSS = 40
"""Sites along a side of the picture of the frame, so that single ones can be told."""


def check_occupancy_folder(folder: str | os.PathLike[str], overwrite: bool) -> None:
    """Refuse early what `write_occupancy_report` could not write; raises what `holo.report.page.check_folder` does."""
    check_folder(folder, overwrite, FILES)


def write_occupancy_report(
    folder: str | os.PathLike[str],
    frame: Frame,
    found: Occupancy,
    *,
    title: str = "",
    compared: Match | None = None,
    changed: Changes | None = None,
    overwrite: bool = False,
) -> dict[str, Any]:
    """Write the report of an occupancy into a folder, which is made if need be.

    Parameters
    ----------
    folder : path
        Gets the `FILES`; the page holds the pictures itself.
    frame : Frame
    found : Occupancy
        Of that frame.
    title : str
        Name of the frame.
    compared : Match, optional
        With the wanted arrangement.
    changed : Changes, optional
        Since an earlier frame.
    overwrite : bool
        Whether files of a report that stand in the folder may be replaced.

    Returns
    -------
    dict
        What ``summary.json`` holds.

    Raises
    ------
    OutputExistsError
        If a file of a report stands in the folder and `overwrite` is false; nothing is changed.
    InputError
        If the folder cannot be made or written.
    """
    import jinja2

    folder = Path(folder)
    check_occupancy_folder(folder, overwrite)
    summary = {"title": title, **found.summary()}
    summary |= {} if compared is None else {"arrangement": compared.summary()}
    summary |= {} if changed is None else {"changes": changed.summary()}
    wanted = None if compared is None else compared.wanted
    pictures = [histogram_picture(found), frame_picture(frame, found, wanted), map_picture(found, wanted, changed)]
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    text = resources.files("holo.report")
    style = re.findall(r"<style>(.*?)</style>", text.joinpath("report.html").read_text(encoding="utf-8"), re.DOTALL)[0]
    template = environment.from_string(text.joinpath("occupancy.html").read_text(encoding="utf-8"))
    page = template.render(
        title=title, style=style, verdict=_verdict(found), numbers=_numbers(summary), pictures=pictures, warnings=summary["warnings"]
    )
    files = report_files(page, _finite(summary), pictures, {"occupancy.csv": occupancy_csv(found)})
    write_folder(folder, files, lambda: check_occupancy_folder(folder, overwrite))
    return summary


def _finite(value: Any) -> Any:
    """The same with null for numbers that are not finite."""
    if isinstance(value, dict):
        return {key: _finite(entry) for key, entry in value.items()}
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _verdict(found: Occupancy) -> str:
    share = f"{100 * found.error:.2g} %" if found.error > 1e-6 else "less than 0.0001 %"
    return f"{found.filled.sum()} of {counted(len(found), 'site')} hold an atom; {share} of the sites are thought to be told wrongly"


_MEANINGS = {
    "filling": "share of the sites that hold an atom",
    "unsure": f"sites whose less likely answer has {100 * UNSURE:g} % or more",
    "predicted_error": "share of sites thought to be told wrongly",
    "counting_limit": "the same if nothing but the photons' statistics mattered and no spots overlapped",
    "method": "way to the light of the sites",
    "width_px": "of an atom's spot, one standard deviation of the nearest Gaussian",
    "threshold": "counts, between empty and filled",
    "light_filled": "mean counts of a filled site",
    "light_empty": "mean counts of an empty site",
    "defects": "sites that are not as wanted",
    "fidelity": "share of the sites that are as wanted",
    "wanted_filled": "share of the wanted sites that are filled",
    "perfect_probability": "that every site is as wanted",
    "survival": "share of the earlier atoms still on their sites",
    "hopped": "atoms found on a neighbouring site",
    "lost": "atoms gone since the earlier frame",
    "misread_expected": "changes expected from errors of reading alone",
}


def _numbers(summary: dict[str, Any]) -> list[dict[str, str]]:
    """The figures to read first, each with its meaning."""
    flat = {**summary, **summary.get("arrangement", {}), **summary.get("changes", {})}
    told = [(name, flat[name]) for name in _MEANINGS if flat.get(name) is not None]
    return [
        {"name": name.removesuffix("_px").replace("_", " "), "value": _short(value), "meaning": _MEANINGS[name]} for name, value in told
    ]


def _short(value: Any) -> str:
    return f"{value:.3g}" if isinstance(value, float) else f"{value}"


# ---------------------------------------------------------------------------------------------------------------------
# pictures


def histogram_picture(found: Occupancy) -> Picture:
    """Draw the light of the sites, the two peaks fitted to it, and the threshold."""
    with look():
        figure, axes = single_axes(6.0, 3.8)
        low, high = float(found.light.min()), float(found.light.max()) + 1e-6
        edges = np.linspace(low, high, int(np.clip(2 * np.sqrt(len(found)), 50, 100)) + 1)
        axes.hist(found.light, bins=list(edges), color=SKY, edgecolor="white", linewidth=0.3, label="sites")
        if found.peaks is not None:
            _draw_peaks(axes, found, edges)
        axes.set(xlabel="light of a site (counts)", ylabel="sites", xlim=(low, high))
        legend_above(axes, 4)
        picture = png(figure)
    return Picture(
        "histogram.png",
        picture,
        "Light of the sites",
        "Histogram of the light of the sites with two fitted peaks and the threshold between them",
        "Two peaks, empty and filled. The farther apart they stand, the fewer sites are told wrongly. Where atoms were drawn, each site's"
        " light is what the likeliest light of its neighbours leaves for it, and the decision rests on the draws.",
    )


def _draw_peaks(axes: Axes, found: Occupancy, edges: NDArray[np.float64]) -> None:
    peaks = found.peaks
    assert peaks is not None  # the caller asked
    x = np.linspace(edges[0], edges[-1], 400)
    scale = len(found) * (edges[1] - edges[0]) / np.sqrt(2 * np.pi)
    parts = (
        (1 - peaks.share, peaks.empty, peaks.empty_width, BLUE, "empty"),
        (peaks.share, peaks.filled, peaks.filled_width, ORANGE, "filled"),
    )
    for share, mean, width, colour, name in parts:
        axes.plot(x, scale * share / width * np.exp(-((x - mean) ** 2) / (2 * width**2)), color=colour, label=name)
    axes.axvline(peaks.threshold, color=VERMILION, linestyle="--", label=f"threshold {peaks.threshold:.4g}")


def frame_picture(frame: Frame, found: Occupancy, wanted: Flags | None = None) -> Picture:
    """Draw the frame around the sites with a mark on each: filled, empty, and those not as wanted."""
    spacing = spacing_px(found.xy_px)
    side = SITES_ACROSS * spacing if np.isfinite(spacing) else 60.0
    middle = np.median(found.xy_px[found.filled] if found.filled.any() else found.xy_px, axis=0)
    low, high = np.maximum(middle - side / 2, found.xy_px.min(axis=0) - 2), np.minimum(middle + side / 2, found.xy_px.max(axis=0) + 2)
    (left, top), (right, bottom) = np.maximum(np.floor(low), 0).astype(int), np.ceil(high).astype(int) + 1
    part = frame.signal[top:bottom, left:right]
    with look():
        figure, axes = single_axes(6.4, 6.4)
        dark, bright = np.percentile(part, [1, 99.8])
        box = (left - 0.5, left + part.shape[1] - 0.5, top + part.shape[0] - 0.5, top - 0.5)
        axes.imshow(part, cmap="gray", vmin=dark, vmax=max(bright, dark + 1), extent=box, interpolation="nearest")
        size = float(np.clip(200 * spacing / max(right - left, bottom - top), 1.5, 12)) if np.isfinite(spacing) else 12.0
        for pick, colour, mark, name in _groups(found, wanted):
            axes.plot(*found.xy_px[pick].T, mark, color=colour, markerfacecolor="none", markersize=size, markeredgewidth=0.7, label=name)
        axes.set(xlim=box[:2], ylim=box[2:], xlabel="column (px)", ylabel="row (px), down")
        legend_above(axes, 4, labelcolor="white", facecolor="0.2", framealpha=1, frameon=True)
        picture = png(figure)
    return Picture(
        "frame.png",
        picture,
        "Sites on the frame",
        "Part of the camera frame with a mark on each site, coloured by whether it is filled",
        f"The frame around the atoms, at most {SITES_ACROSS} sites wide; squares are sites that are not as wanted. Light between the marks,"
        " or marks beside the light, mean that the registration does not belong to this frame: track the lattice first.",
    )


def _groups(found: Occupancy, wanted: Flags | None) -> list[tuple[Flags, str, str, str]]:
    """Sites to be drawn alike: which, colour, mark, name."""
    filled = found.filled
    if wanted is None:
        return [(filled, YELLOW, "o", f"{filled.sum()} filled"), (~filled, SKY, "o", f"{(~filled).sum()} empty")]
    extra, missing = filled & ~wanted, ~filled & wanted
    groups = [(filled & wanted, YELLOW, "o", "filled"), (~filled & ~wanted, SKY, "o", "empty")]
    return [*groups, (missing, VERMILION, "s", f"{missing.sum()} missing"), (extra, ORANGE, "s", f"{extra.sum()} extra")]


def map_picture(found: Occupancy, wanted: Flags | None = None, changed: Changes | None = None) -> Picture:
    """Draw the probability of each site over lattice coordinates, crosses on sites not as wanted, arrows along hops."""
    i, j = found.sites.T.astype(float)
    with look():
        figure, axes = single_axes(6.0, 5.4)
        size = float(np.clip((260 / max(np.ptp(i) + 1, np.ptp(j) + 1)) ** 2, 1.5, 300))
        drawn = axes.scatter(i, j, c=found.probability, s=size, marker="s", cmap="cividis", vmin=0, vmax=1, linewidths=0)
        if wanted is not None:
            wrong = found.filled != wanted
            axes.plot(
                i[wrong], j[wrong], "x", color=VERMILION, markersize=max(np.sqrt(size) * 0.7, 3), label=f"{wrong.sum()} not as wanted"
            )
        if changed is not None:
            axes.plot(i[changed.lost], j[changed.lost], "o", color=VERMILION, markerfacecolor="none", label=f"{len(changed.lost)} lost")
            axes.plot(
                i[changed.gained], j[changed.gained], "^", color=ORANGE, markerfacecolor="none", label=f"{len(changed.gained)} gained"
            )
            arrow = {"arrowstyle": "->", "color": VERMILION, "linewidth": 1.4, "shrinkA": 0, "shrinkB": 0}
            for start, end in changed.hops:
                axes.annotate("", (i[end], j[end]), (i[start], j[start]), arrowprops=arrow)
        if wanted is not None or changed is not None:
            legend_above(axes, 3)
        axes.set(xlabel="i", ylabel="j, down", aspect="equal")
        axes.invert_yaxis()
        colour_bar(figure, axes, drawn, "probability of an atom")
        picture = png(figure, "cividis")
    return Picture(
        "map.png",
        picture,
        "Map of the sites",
        "Map of the sites over lattice coordinates, coloured by the probability of an atom",
        "Dark: empty, bright: filled, in between: unsure. Crosses mark sites that are not as wanted; circles, triangles and arrows atoms"
        " lost, gained and hopped since the earlier frame.",
    )
