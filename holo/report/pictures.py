"""The pictures of a mask of sites, all drawn from its levels. In pictures y points down, as everywhere (`holo.bench`)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.field.path import LightPath
from holo.field.plane import plane_field
from holo.field.sites import direct_fields
from holo.registration import closest_pair
from holo.report.panel import SAMPLES, centres, field_picture, mask_detail, mask_picture
from holo.report.style import (
    BLUE,
    SKY,
    VERMILION,
    Box,
    Picture,
    circles,
    colour_bar,
    counted,
    legend_above,
    look,
    plane_axes,
    png,
    single_axes,
    squares,
    whole_ticks,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from holo.bench import Bench
    from holo.predict import Prediction
    from holo.registration import Sites
    from holo.retrieve.spots import Retrieval

PLANES = 4
"""Most planes of sites that are drawn, evenly picked."""

SPOT_FLOOR = 1e-4
"""Lowest intensity that the logarithmic pictures tell apart, over the mean of the bright sites."""


RELATIVE = "intensity / mean of the bright sites"
"""What the maps of the light show."""


@dataclass(frozen=True, eq=False)
class Scene:
    """What all pictures are drawn from."""

    bench: Bench
    path: LightPath
    levels: NDArray[np.integer[Any]]
    phase: NDArray[np.float64]
    prediction: Prediction
    depths_um: NDArray[np.float64]
    """Planes that are drawn."""

    @property
    def sites(self) -> Sites:
        """Where light is wanted, and where none."""
        return self.prediction.sites

    @property
    def unit(self) -> float:
        """Mean intensity of the bright sites, the unit of the pictures."""
        return float(self.prediction.intensity[self.sites.bright].mean())

    @property
    def deviation(self) -> NDArray[np.float64]:
        """``r / mean r - 1`` of the bright sites, NaN on dark ones."""
        relative = self.prediction.relative
        return np.asarray(relative / relative[self.sites.bright].mean() - 1)

    @property
    def largest_percent(self) -> float:
        """Largest deviation, either way, as the range of pictures: never 0."""
        largest = float(100 * np.abs(self.deviation[self.sites.bright]).max())
        return largest if largest > 1e-6 else 0.01

    def focused(self, plane: int) -> NDArray[np.bool_]:
        """Which sites lie within half the depth of focus of a plane, and nearer to it than to the other planes drawn."""
        apart = np.abs(self.sites.xyz_um[:, 2] - self.depths_um[plane])
        return np.asarray(self.near(plane) & (apart <= self.bench.depth_of_focus_um / 2))

    def near(self, plane: int) -> NDArray[np.bool_]:
        """Which sites lie nearer to a plane than to the other planes drawn."""
        return np.asarray(np.abs(self.sites.xyz_um[:, 2:] - self.depths_um).argmin(axis=1) == plane)


def draw(scene: Scene, retrieval: Retrieval | None, wanted_uniformity: float | None) -> list[Picture]:
    """Draw all pictures of a report.

    Parameters
    ----------
    scene : Scene
    retrieval : Retrieval or None
        Of the search that found the mask; its history is drawn where there is one.
    wanted_uniformity : float or None
        What that search was to reach.

    Returns
    -------
    list of Picture
        In the order of the page.
    """
    with look():
        pictures = [picture for plane in range(len(scene.depths_um)) for picture in _spots(scene, plane)]
        pictures.extend(_site_map(scene, plane) for plane in range(len(scene.depths_um)))
        pictures.extend([_field(scene), _histogram(scene), _spot(scene)])
        pictures.extend([mask_picture(scene), mask_detail(scene)])
        if retrieval and retrieval.history:
            pictures.insert(-2, _convergence(retrieval, wanted_uniformity))
    return pictures


def drawn_depths(sites: Sites) -> NDArray[np.float64]:
    """Choose the depths of the planes drawn, um: those of the bright sites, at most `PLANES`, evenly picked."""
    depths = np.unique(sites.xyz_um[sites.bright, 2])
    chosen = np.linspace(0, len(depths) - 1, min(len(depths), PLANES)).round().astype(int)
    return np.asarray(depths[chosen])


def _box(points_um: NDArray[np.float64], least_um: float) -> Box:
    """Left, right, top and bottom of points with a margin; no side shorter than `least_um` or 0.55 of the other."""
    low, high = points_um[:, :2].min(axis=0), points_um[:, :2].max(axis=0)
    side = high - low + max(0.1 * float((high - low).max()), least_um)
    side = np.maximum(side, max(0.55 * float(side.max()), least_um))
    (left, top), (right, bottom) = (low + high - side) / 2, (low + high + side) / 2
    return float(left), float(right), float(top), float(bottom)


def _plane_name(scene: Scene, plane: int) -> str:
    """What tells a plane apart in titles; nothing where there is but one at the focus."""
    depth = scene.depths_um[plane]
    return f" at z = {depth:.4g} um" if len(scene.depths_um) > 1 or depth else ""


def _spots(scene: Scene, plane: int) -> list[Picture]:
    """The light around the sites of a plane with the wanted sites drawn on it: all of it, and a part from near by."""
    return [_spots_picture(scene, plane), _close_picture(scene, plane)]


def _light(scene: Scene, plane: int, box: Box) -> NDArray[np.float32]:
    """Intensity in a box of a plane over the mean of the bright sites, in equal, nearly square cells.

    At their centres, or, where spots are no larger than cells, the highest of up to 3 x 3 places in each.
    """
    longer = _longer(box)
    places = int(np.clip(np.ceil(2 * longer / SAMPLES / scene.bench.airy_radius_um), 1, 3))
    columns, rows = (int(np.ceil(SAMPLES * (high - low) / longer)) for low, high in (box[:2], box[2:]))
    x, y = centres(*box[:2], places * columns), centres(*box[2:], places * rows)
    fields = plane_field(scene.path, scene.phase, x, y, float(scene.depths_um[plane]))
    highest = np.square(np.abs(fields)).reshape(rows, places, columns, places).max(axis=(1, 3))
    return np.asarray(highest / scene.unit, np.float32)


def _longer(box: Box) -> float:
    """Longer side of a box."""
    return max(box[1] - box[0], box[3] - box[2])


def _spots_picture(scene: Scene, plane: int) -> Picture:
    airy = scene.bench.airy_radius_um
    box = _box(scene.sites.xyz_um, 8 * airy)
    intensity = _light(scene, plane, box)
    figure, axes = plane_axes(box)
    shown, highest, extent = np.maximum(intensity, SPOT_FLOOR), max(float(intensity.max()), 1.0), _picture_extent(box)
    image = axes.imshow(shown, norm="log", vmin=SPOT_FLOOR, vmax=highest, cmap="magma", extent=extent, interpolation="nearest")
    colour_bar(figure, axes, image, RELATIVE, extend="min")
    pick = scene.focused(plane)
    bright, dark = (int((pick & kind).sum()) for kind in (scene.sites.bright, ~scene.sites.bright))
    marks = "The sites lie too close to be marked here; the next picture does."
    if _nearest(scene.sites.xyz_um[pick, :2], airy) > _longer(box) / 60:
        _mark_sites(axes, scene, pick)
        marks = f"Blue circles mark the {counted(bright, 'bright site')}{f', white squares the {dark} dark' if dark else ''}."
    elif _nearest(scene.sites.xyz_um[pick & scene.sites.bright, :2], _longer(box)) > _longer(box) / 60:
        _mark_sites(axes, scene, pick & scene.sites.bright)
        marks = f"Blue circles mark the {counted(bright, 'bright site')}; the {dark} dark lie too close to be marked here."
    where = _plane_name(scene, plane)
    caption = (
        f"{marks} Each decade of intensity gets the same share of the colours, so that stray light shows: what glows beside the bright"
        " sites is crosstalk, and dark sites should stay dark."
    )
    alt = f"Map of the predicted intensity around {counted(bright, 'bright site')} and {counted(dark, 'dark one')}{where}, logarithmic"
    return Picture(f"spots-{plane + 1}.png", png(figure, "magma"), f"Light on the sites{where}, logarithmic scale", alt, caption)


def _close_picture(scene: Scene, plane: int) -> Picture:
    airy = scene.bench.airy_radius_um
    pick = np.flatnonzero(scene.focused(plane) & scene.sites.bright)
    centre = pick[np.argmin(scene.prediction.relative[pick])]
    side = float(np.clip(9 * _nearest(scene.sites.xyz_um[pick, :2], airy), 12 * airy, 80 * airy))
    box = _part(_box(scene.sites.xyz_um[pick], 8 * airy), scene.sites.xyz_um[centre, :2], side)
    intensity = _light(scene, plane, box)
    figure, axes = plane_axes(box)
    image = axes.imshow(intensity, vmin=0, cmap="magma", extent=_picture_extent(box), interpolation="bilinear")
    colour_bar(figure, axes, image, RELATIVE)
    _mark_sites(axes, scene, scene.focused(plane))
    i, j = scene.sites.ij[centre]
    where = _plane_name(scene, plane)
    caption = (
        f"A part of the picture before, as a camera sees it, around site ({i:g}, {j:g}), the dimmest for its target. Every circle should"
        " hold one round spot in its middle, all equally bright or in proportion to their targets."
    )
    alt = f"Map of the predicted intensity around site ({i:g}, {j:g}){where}, linear colour scale"
    return Picture(f"close-{plane + 1}.png", png(figure, "magma"), f"From near by{where}, linear scale", alt, caption)


def _part(box: Box, centre: NDArray[np.float64], side: float) -> Box:
    """Square of at most `side` about a point, moved and cut to lie inside a box."""
    ends = []
    for low, high, middle in ((box[0], box[1], centre[0]), (box[2], box[3], centre[1])):
        start = float(np.clip(middle - side / 2, low, max(low, high - side)))
        ends += [start, min(start + side, high)]
    return ends[0], ends[1], ends[2], ends[3]


def _picture_extent(box: Box) -> Box:
    """A box as the drawing library wants it for row 0 on top: left, right, bottom, top."""
    left, right, top, bottom = box
    return left, right, bottom, top


def _mark_sites(axes: Axes, scene: Scene, pick: NDArray[np.bool_]) -> None:
    """Draw open circles around bright sites and open squares around dark ones, the Airy radius or more from their middle."""
    airy = scene.bench.airy_radius_um
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    diameter = 2 * float(np.clip(0.3 * _nearest(scene.sites.xyz_um[pick, :2], 0), airy, 1.6 * airy))
    diameter = max(diameter, _longer((left, right, top, bottom)) / 80)
    x, y = scene.sites.xyz_um[:, 0], scene.sites.xyz_um[:, 1]
    pick = pick & (x > left - diameter) & (x < right + diameter) & (y > top - diameter) & (y < bottom + diameter)
    width = 0.9 if pick.sum() < 400 else 0.6
    bright, dark = (scene.sites.xyz_um[pick & kind, :2] for kind in (scene.sites.bright, ~scene.sites.bright))
    circles(axes, bright, diameter, facecolor="none", edgecolor=SKY, linewidth=width)
    squares(axes, dark, 0.7 * diameter, facecolor="none", edgecolor="white", linewidth=width)


def _field(scene: Scene) -> Picture:
    """The light over the addressable field and its repeats, with the sites."""
    box = _box(scene.sites.xyz_um, scene.bench.field_um / 20)
    where = _plane_name(scene, 0)
    return field_picture(scene, float(scene.depths_um[0]), scene.unit, box, ("sites", RELATIVE, where))


def _histogram(scene: Scene) -> Picture:
    """How the intensities of the bright sites spread about their mean."""
    deviation = 100 * scene.deviation[scene.sites.bright]
    half = 1.05 * scene.largest_percent
    figure, axes = single_axes()
    bins = int(np.clip(np.sqrt(len(deviation)) * 1.5, 11, 61)) | 1
    axes.hist(deviation, bins=bins, range=(-half, half), color=BLUE, edgecolor="white", linewidth=0.4)
    axes.axvline(0, color="black", linewidth=0.8)
    spread = 100 * scene.prediction.figures.spread
    for side, label in ((-spread, "spread (one standard deviation)"), (spread, None)):
        axes.axvline(side, color=VERMILION, linestyle="--", linewidth=1, label=label)
    axes.set(xlabel="deviation of intensity / target from its mean (%)", ylabel="bright sites (count)", xlim=(-half, half))
    axes.locator_params("x", nbins=5)
    whole_ticks(axes.yaxis)
    legend_above(axes, 2)
    caption = (
        "The narrower, the more alike the sites. Single sites far out decide the uniformity; a wide hump means that the search has not"
        " converged or that the panel has too few levels."
    )
    alt = f"Histogram of the deviations of {counted(len(deviation), 'bright site')}, standard deviation {spread:.3g} percent"
    return Picture("histogram.png", png(figure), "How alike the sites are", alt, caption)


def _site_map(scene: Scene, plane: int) -> Picture:
    """Deviations of the bright sites at their places."""
    airy = scene.bench.airy_radius_um
    pick = scene.near(plane) & scene.sites.bright
    places, deviation = scene.sites.xyz_um[pick, :2], 100 * scene.deviation[pick]
    limit = scene.largest_percent
    extent = float(np.ptp(scene.sites.xyz_um[scene.sites.bright, :2], axis=0).max())
    diameter = float(np.clip(0.85 * _nearest(places, 4 * airy), airy, max(0.15 * extent, 4 * airy)))
    figure, axes = plane_axes(_box(scene.sites.xyz_um[scene.sites.bright], max(8 * airy, 1.3 * diameter)))
    discs = circles(axes, places, diameter, cmap="PuOr", clim=(-limit, limit), array=deviation, edgecolor="0.4", linewidth=0.3)
    colour_bar(figure, axes, discs, "deviation of intensity / target (%)")
    caption = (
        "Discs mark the bright sites; white is the mean. Violet is too bright, orange too dim. A gradient or a pattern across the"
        " map is systematic; a random scatter comes from the levels of the panel or from a search that stopped early."
    )
    where = _plane_name(scene, plane)
    alt = f"Map of {counted(len(places), 'bright site')}{where}, coloured by their deviation from the mean, largest {limit:.3g} percent"
    return Picture(f"sites-{plane + 1}.png", png(figure, "PuOr"), f"Which sites are off{where}", alt, caption)


def _nearest(places_um: NDArray[np.float64], alone_um: float) -> float:
    """Least distance of two different places; `alone_um` where there is but one."""
    places = np.unique(places_um.round(6), axis=0)  # sites in several planes may lie behind each other
    return closest_pair(places)[2] if len(places) > 1 else alone_um


def _spot(scene: Scene) -> Picture:
    """A typical spot against radius, beside what diffraction allows."""
    from scipy.special import j1

    airy = scene.bench.airy_radius_um
    bright = np.flatnonzero(scene.sites.bright)
    relative = scene.prediction.relative[bright]
    chosen = bright[np.argsort(relative, kind="stable")[len(relative) // 2]]
    radius = np.linspace(0, 3.5 * airy, 71)
    measured = _rings(scene.path, scene.phase, scene.sites.xyz_um[chosen], radius)
    ideal = _rings(scene.path, -scene.path.aberration, np.zeros(3), radius).mean(axis=1)
    argument = np.maximum(2 * np.pi * scene.bench.optics.numerical_aperture / scene.bench.wavelength_um * radius, 1e-9)
    figure, axes = single_axes()
    axes.fill_between(
        radius, measured.min(axis=1), measured.max(axis=1), color=BLUE, alpha=0.25, linewidth=0, label="its range over directions"
    )
    axes.plot(radius, measured.mean(axis=1), color=BLUE, label="the spot, mean over directions")
    axes.plot(radius, ideal / ideal[0], "--", color=VERMILION, label="alone, in this beam")
    axes.plot(radius, (2 * j1(argument) / argument) ** 2, ":", color="black", label="alone, pupil lit evenly")
    axes.axvline(airy, color="0.45", linewidth=0.8)
    axes.annotate("Airy radius", (airy, 1.0), xytext=(4, -4), textcoords="offset points", va="top", color="0.3", fontsize=9)
    axes.set(
        yscale="log",
        ylim=(SPOT_FLOOR, 1.5),
        xlim=(0, radius[-1]),
        xlabel="distance from the site (um)",
        ylabel="intensity / that on the site",
    )
    legend_above(axes, 2)
    i, j = scene.sites.ij[chosen]
    caption = (
        f"The site ({i:g}, {j:g}), in the middle of the ranking of all. The dashed line is a single perfect spot of this beam, the dotted"
        " one the Airy pattern of an evenly lit pupil. Where the band lies above them, the light of other sites, or of none, is"
        " added. Scalar theory: at high aperture a linear polarisation makes spots longer along itself (Richards and Wolf, 1959)."
    )
    alt = f"Predicted intensity of site ({i:g}, {j:g}) against distance, with a lone spot and the Airy pattern, logarithmic"
    return Picture("spot.png", png(figure), "The shape of a spot", alt, caption)


def _rings(
    path: LightPath, phase: NDArray[np.float64], centre_um: NDArray[np.float64], radius_um: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Intensity on rings about a point over that on the point, shape (radii, directions)."""
    angles = 2 * np.pi * np.arange(16) / 16
    around = radius_um[:, None, None] * np.stack([np.cos(angles), np.sin(angles), np.zeros(len(angles))], axis=-1)
    intensity = np.abs(direct_fields(path, phase, (centre_um + around).reshape(-1, 3))) ** 2
    intensity = intensity.reshape(around.shape[:2])
    return np.asarray(intensity / intensity[0, 0])


def _convergence(retrieval: Retrieval, wanted: float | None) -> Picture:
    """Uniformity and efficiency against the iterations of the search."""
    stages, efficiency, uniformity = zip(*retrieval.history, strict=True)
    number = np.arange(1, len(stages) + 1)
    gap = np.maximum(1 - np.array(uniformity), 1e-6)
    figure, axes = single_axes()
    other = axes.twinx()
    lines = axes.plot(number, gap, color=BLUE, label="1 - uniformity (left)")
    lines += other.plot(number, efficiency, "--", color=VERMILION, label="efficiency (right)")
    if wanted is not None:
        lines.append(axes.axhline(1 - wanted, color=BLUE, linestyle=":", linewidth=1, label="1 - wanted uniformity"))
    low = min(float(gap.min()), 1 - wanted if wanted is not None else 1.0)
    axes.set(yscale="log", xlabel="iteration", ylabel="1 - uniformity", ylim=(low / 8, 1.5), xlim=(0.5, len(number) + 0.5))
    other.set(ylabel="efficiency", ylim=(0, 1.02))
    for first, last in _runs(stages):
        axes.axvline(first + 0.5, color="0.8", linewidth=0.8, zorder=0)
        place = ((first + last) / 2 + 1, 0.02)
        axes.text(*place, stages[first], transform=axes.get_xaxis_transform(), rotation=90, ha="center", fontsize=8, color="0.35")
    legend_above(axes, 3, handles=lines)
    told = "; ".join(f"{stage} {STAGES[stage]}" for stage in dict.fromkeys(stages))
    caption = (
        "The search as its own transform saw it, before the phase was rounded to levels and without the envelope of a pixel: a"
        " history, not the prediction."
        f" Its stages: {told}. The line jumps where the whole panel follows on a coarse one, and where dark sites come in."
        " A solid line still falling at the end means that more iterations would help; a flat one above the dotted line, that they"
        " would not."
    )
    alt = f"Uniformity and efficiency over {len(number)} iterations, ending at a uniformity of {uniformity[-1]:.5f}"
    return Picture("convergence.png", png(figure), "How the search went", alt, caption)


STAGES = {
    "spread": "gathers light on the sites",
    "weigh": "levels them while their phases follow the light",
    "settle": "lets the phases follow again, on the whole panel",
    "hold": "levels them with their phases held",
    "turn": "turns the pixels one by one, which darkens the dark sites, levels the bright ones to the last digit and costs some efficiency",
    "trials": "tries some sets of site phases on the panel in blocks of pixels",
    "blocks": "goes on there with the best of them",
    "panel": "turns the pixels of the whole panel",
}
"""What the stages of a search do, by their names in its history."""


def _runs(stages: tuple[str, ...]) -> list[tuple[int, int]]:
    """First and last index of each run of equal stages."""
    starts = [k for k in range(len(stages)) if k == 0 or stages[k] != stages[k - 1]]
    return list(zip(starts, [*(start - 1 for start in starts[1:]), len(stages) - 1], strict=True))
