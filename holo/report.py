"""The report of a mask: one page to read, the table of its sites, its figures and its pictures.

The only module that draws. Everything shown comes from the levels of the mask: the figures are those of `holo.predict`, the pictures come
from the plane transforms. In pictures y points down, as everywhere (`holo.bench`).
"""

from __future__ import annotations

import base64
import csv
import io
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.bench import bench_warnings, derived_numbers
from holo.errors import InputError, OutputExistsError
from holo.field.path import LightPath, light_path
from holo.field.plane import FieldTransform, grid_envelope, plane_field
from holo.field.sites import direct_fields, panel_light, pupil_box
from holo.files import check_writable, digest_of, write_folder
from holo.mask import SOURCES, phase_of_levels
from holo.registration import closest_pair
from holo.retrieve.spots import EFFORTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.cm import ScalarMappable
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from holo.bench import Bench
    from holo.mask import Mask
    from holo.predict import Prediction
    from holo.registration import Sites
    from holo.retrieve.spots import Retrieval

PLANES = 4
"""Most planes of sites that are drawn, evenly picked."""

ROWS = 200
"""Most sites that the page lists, the worst first; the file of sites lists all."""

ORDERS = 12
"""Most neighbour orders of the crosstalk that the page lists."""

SPOT_FLOOR, FIELD_FLOOR = 1e-4, 1e-5
"""Lowest intensities that the logarithmic pictures tell apart, over the mean of the bright sites."""

SAMPLES = 640
"""Cells along the longer side of a map of the light: about as many as the picture has dots."""

RELATIVE = "intensity / mean of the bright sites"
"""What the maps of the light show."""

DPI = 160
"""Dots per inch of the pictures."""

BLUE, VERMILION, SKY, ORANGE, YELLOW = "#0072B2", "#D55E00", "#56B4E9", "#E69F00", "#F0E442"
"""Colours that colour-blind readers tell apart (Okabe and Ito, Color Universal Design, 2008; values from memory)."""

_TABLES = ("report.html", "sites.csv", "summary.json")
_PICTURES = ("field.png", "mask.png", "mask-detail.png", "histogram.png", "spot.png", "convergence.png")
_PER_PLANE = ("spots-{}.png", "close-{}.png", "sites-{}.png")
FILES = (*_TABLES, *_PICTURES, *(name.format(plane + 1) for plane in range(PLANES) for name in _PER_PLANE))
"""Every file that a report may hold; not every report holds them all."""

Box = tuple[float, float, float, float]
"""Left, right, top and bottom of a part of a plane, um, y down."""


@dataclass(frozen=True)
class Picture:
    """A picture of the report and the words around it."""

    name: str
    """File name."""
    png: bytes
    title: str
    alt: str
    """What is to be seen, for those who cannot see it."""
    caption: str
    """How to read it."""

    @property
    def data_uri(self) -> str:
        """The picture itself as an address that a page may embed."""
        return "data:image/png;base64," + base64.b64encode(self.png).decode("ascii")


@dataclass(frozen=True, eq=False)
class _Scene:
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


def write_report(
    folder: str | os.PathLike[str],
    bench: Bench,
    mask: Mask,
    prediction: Prediction,
    *,
    title: str = "",
    retrieval: Retrieval | None = None,
    seconds: float | None = None,
    overwrite: bool = False,
) -> dict[str, Any]:
    """Write the report of a mask into a folder, which is made if need be.

    Parameters
    ----------
    folder : path
        Gets ``report.html`` (self-contained), ``sites.csv`` (i, j, x_um, y_um, z_um, target, intensity of each site), ``summary.json``
        and the pictures as PNG; see `FILES`.
    bench : Bench
    mask : Mask
    prediction : Prediction
        Of the levels of `mask` on `bench`.
    title : str
        Of the arrangement.
    retrieval : Retrieval, optional
        Of the search that found the mask; without it the report has no history.
    seconds : float, optional
        Time the design took.
    overwrite : bool
        Whether files of a report that stand in the folder may be replaced, or removed where the new report has none of that name.

    Returns
    -------
    dict
        What ``summary.json`` holds.

    Raises
    ------
    OutputExistsError
        If a file of a report stands in the folder and `overwrite` is false; nothing is changed.
    InputError
        If the levels do not fit the bench, or the folder cannot be made or written.

    Notes
    -----
    All files are complete before the first of them takes its place.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from holo.arrangement import block
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.design import DesignOptions, design
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> made = design(bench, block(2, 2), options=DesignOptions(effort="quick"))
    >>> with TemporaryDirectory() as folder:
    ...     summary = write_report(folder, bench, made.mask, made.prediction, title="two by two", retrieval=made.retrieval)
    ...     (Path(folder) / "sites.csv").read_text().splitlines()[0]
    'i,j,x_um,y_um,z_um,target,intensity'
    >>> summary["bright"], summary["uniformity"] == made.prediction.figures.uniformity
    (4, True)
    """
    folder = Path(folder)
    check_folder(folder, overwrite)
    phase = phase_of_levels(mask.levels, bench.panel)
    scene = _Scene(bench, light_path(bench), mask.levels, phase, prediction, _depths(prediction.sites))
    summary = report_summary(bench, mask, prediction, title=title, retrieval=retrieval, seconds=seconds)
    pictures = _draw(scene, retrieval, summary["wanted_uniformity"])
    page = _page(scene, summary, pictures)
    files = {
        "report.html": page.encode("utf-8", "replace"),
        "sites.csv": _sites_csv(prediction).encode("ascii"),
        "summary.json": (json.dumps(summary, indent=2, allow_nan=False) + "\n").encode("ascii"),
        **{picture.name: picture.png for picture in pictures},
    }
    write_folder(folder, files, lambda: check_folder(folder, overwrite))
    for name in set(FILES) - set(files):
        (folder / name).unlink(missing_ok=True)
    return summary


def report_summary(
    bench: Bench,
    mask: Mask,
    prediction: Prediction,
    *,
    title: str = "",
    retrieval: Retrieval | None = None,
    seconds: float | None = None,
) -> dict[str, Any]:
    """Gather the figures, derived numbers, warnings and record of a mask.

    Parameters
    ----------
    bench, mask, prediction, title, retrieval, seconds
        As for `write_report`.

    Returns
    -------
    dict
        JSON-compatible. Names of numbers end in their unit; a name without one is a ratio or a count. The texts of the inputs, which
        the mask file holds, are left out of the record; ``levels_digest`` is that of the levels, row by row.
    """
    record = mask.record
    sources = {key: record[key] and {part: record[key][part] for part in ("path", "digest", "files")} for key in SOURCES}
    wanted = record["options"].get("uniformity") or getattr(EFFORTS.get(record["options"].get("effort", "")), "uniformity", None)
    other = [] if bench.digest == record["bench"]["digest"] else ["the bench of this prediction is not the one that the mask was made for"]
    return {
        "title": title,
        "sites": len(prediction.sites.target),
        **prediction.summary(),
        "iterations": retrieval.iterations if retrieval else None,
        "converged": retrieval.converged if retrieval else None,
        "wanted_uniformity": wanted,
        "seconds": seconds,
        "power_per_site_mw": bench.light.power_mw * prediction.power_fraction / prediction.figures.bright,
        "bench": bench.name,
        "bench_digest": bench.digest,
        "levels_digest": digest_of(np.ascontiguousarray(mask.levels).tobytes()),
        "derived": derived_numbers(bench, prediction.sites),
        "warnings": [*other, *bench_warnings(bench, prediction.sites)],
        "record": {**{key: record[key] for key in ("version", "time", "holo", "seed", "options", "nudges")}, **sources},
    }


# ---------------------------------------------------------------------------------------------------------------------
# files


def check_folder(folder: str | os.PathLike[str], overwrite: bool) -> None:
    """Refuse early, before any work is done, what `write_report` could not write after it.

    Raises
    ------
    OutputExistsError, InputError
        As `write_report`.
    """
    folder = Path(folder)
    try:
        is_folder = folder.is_dir()
        if folder.exists() and not is_folder:
            raise InputError(f"{folder}: is a file; name a folder")
        if not folder.absolute().parent.is_dir():
            raise InputError(f"{folder}: there is no folder {folder.parent}; make it first")
        check_writable(folder if is_folder else folder.parent, folder)
        present = [name for name in FILES if is_folder and (folder / name).exists()]
        for name in present:
            if (folder / name).is_dir():
                raise InputError(f"{folder / name}: is a folder; the report has a file of that name")
    except OSError as error:
        raise InputError(f"{folder}: not a usable folder ({error.strerror or error})") from error
    if present and not overwrite:
        raise OutputExistsError(f"{folder}: holds {present[0]} already; use --overwrite to replace the report")


def _sites_csv(prediction: Prediction) -> str:
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["i", "j", "x_um", "y_um", "z_um", "target", "intensity"])
    sites = prediction.sites
    columns = np.column_stack([sites.ij, sites.xyz_um, sites.target, prediction.intensity])
    table.writerows(columns.tolist())
    return text.getvalue()


# ---------------------------------------------------------------------------------------------------------------------
# pictures


def _draw(scene: _Scene, retrieval: Retrieval | None, wanted_uniformity: float | None) -> list[Picture]:
    """All pictures of a report, in the order of the page."""
    with _style():
        pictures = [picture for plane in range(len(scene.depths_um)) for picture in _spots(scene, plane)]
        pictures.extend(_site_map(scene, plane) for plane in range(len(scene.depths_um)))
        pictures.extend([_field(scene), _histogram(scene), _spot(scene)])
        pictures.extend([_mask(scene), _mask_detail(scene)])
        if retrieval and retrieval.history:
            pictures.insert(-2, _convergence(retrieval, wanted_uniformity))
    return pictures


@contextmanager
def _style() -> Iterator[None]:
    """The look of the pictures, whatever the user's own settings of the drawing library are."""
    import matplotlib.style

    look = {
        "font.size": 10,
        "axes.titlesize": 10,
        "axes.labelsize": 10,
        "figure.dpi": DPI,
        "savefig.dpi": DPI,
        "axes.linewidth": 0.8,
        "legend.frameon": False,
        "legend.fontsize": 8.5,
        "legend.handlelength": 1.6,
        "legend.columnspacing": 1.2,
        "axes.formatter.useoffset": False,
    }
    with matplotlib.style.context(["default", look]):
        yield


def _axes(width: float = 5.4, height: float = 4.4) -> tuple[Figure, Axes]:
    """A figure of one set of axes, sizes in inches."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    return figure, figure.add_subplot()


def _png(figure: Figure, colours: str = "gray") -> bytes:
    """PNG of a figure, cut to what is drawn, with a palette of a colour map and the marks: a quarter of the size of true colours."""
    from PIL import Image

    drawn, packed = io.BytesIO(), io.BytesIO()
    figure.savefig(drawn, format="png", bbox_inches="tight", pad_inches=0.08, pil_kwargs={"compress_level": 1})
    palette = Image.new("P", (1, 1))
    palette.putpalette(_palette(colours))
    Image.open(drawn).convert("RGB").quantize(palette=palette, dither=Image.Dither.NONE).save(packed, "png")
    return packed.getvalue()


def _palette(colours: str) -> list[int]:
    """Red, green and blue of 256 colours: a map, greys, and the colours of marks with their blends with black and white."""
    from matplotlib import colormaps
    from matplotlib.colors import to_rgb

    marks = np.array([to_rgb(mark) for mark in (BLUE, VERMILION, SKY, ORANGE, YELLOW)])
    shares = np.array([0.25, 0.5, 0.75])[:, None, None]
    greys = np.linspace(0, 1, 20)[:, None].repeat(3, axis=1)
    rows = np.concatenate([greys, marks, *(shares * marks), *(1 - shares * (1 - marks))])
    mapped = colormaps[colours](np.linspace(0, 1, 256 - len(rows)))[:, :3]
    colour = np.rint(255 * np.concatenate([mapped, rows]))
    colour[colour.min(axis=1) > 246] = 255  # the paper stays white
    return [int(value) for value in colour.ravel()]


def _colour_bar(figure: Figure, axes: Axes, drawn: ScalarMappable, label: str, **more: Any) -> Axes:
    """A colour bar as high as the axes."""
    return figure.colorbar(drawn, cax=axes.inset_axes((1.03, 0, 0.045, 1)), label=label, **more).ax


def _legend_above(axes: Axes, columns: int, **more: Any) -> None:
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=columns, **more)


def _plane_axes(box: Box) -> tuple[Figure, Axes]:
    """Axes over a box (left, right, top, bottom) of the objective plane, um, y down."""
    left, right, top, bottom = box
    shape = np.clip((bottom - top) / (right - left), 0.55, 1.6)
    figure, axes = _axes(5.4, 4.3 * shape + 0.9)
    axes.set(xlim=(left, right), ylim=(bottom, top), xlabel="x (um)", ylabel="y (um), down", aspect="equal")
    return figure, axes


def _depths(sites: Sites) -> NDArray[np.float64]:
    """Depths of the planes drawn: those of the bright sites, at most `PLANES`, evenly picked."""
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


def _plane_name(scene: _Scene, plane: int) -> str:
    """What tells a plane apart in titles; nothing where there is but one at the focus."""
    depth = scene.depths_um[plane]
    return f" at z = {depth:.4g} um" if len(scene.depths_um) > 1 or depth else ""


def _spots(scene: _Scene, plane: int) -> list[Picture]:
    """The light around the sites of a plane with the wanted sites drawn on it: all of it, and a part from near by."""
    return [_spots_picture(scene, plane), _close_picture(scene, plane)]


def _light(scene: _Scene, plane: int, box: Box) -> NDArray[np.float32]:
    """Intensity in a box of a plane over the mean of the bright sites, in equal, nearly square cells.

    At their centres, or, where spots are no larger than cells, the highest of up to 3 x 3 places in each.
    """
    longer = _longer(box)
    places = int(np.clip(np.ceil(2 * longer / SAMPLES / scene.bench.airy_radius_um), 1, 3))
    columns, rows = (int(np.ceil(SAMPLES * (high - low) / longer)) for low, high in (box[:2], box[2:]))
    x, y = _centres(*box[:2], places * columns), _centres(*box[2:], places * rows)
    fields = plane_field(scene.path, scene.phase, x, y, float(scene.depths_um[plane]))
    highest = np.square(np.abs(fields)).reshape(rows, places, columns, places).max(axis=(1, 3))
    return np.asarray(highest / scene.unit, np.float32)


def _longer(box: Box) -> float:
    """Longer side of a box."""
    return max(box[1] - box[0], box[3] - box[2])


def _centres(low: float, high: float, count: int) -> NDArray[np.float64]:
    """Centres of equal cells between two ends."""
    return np.asarray(low + (np.arange(count) + 0.5) * ((high - low) / count), np.float64)


def _spots_picture(scene: _Scene, plane: int) -> Picture:
    from matplotlib.colors import LogNorm

    airy = scene.bench.airy_radius_um
    box = _box(scene.sites.xyz_um, 8 * airy)
    intensity = _light(scene, plane, box)
    figure, axes = _plane_axes(box)
    norm = LogNorm(SPOT_FLOOR, max(float(intensity.max()), 1.0))
    image = axes.imshow(np.maximum(intensity, SPOT_FLOOR), norm=norm, cmap="magma", extent=_picture_extent(box), interpolation="nearest")
    _colour_bar(figure, axes, image, RELATIVE, extend="min")
    pick = scene.focused(plane)
    bright, dark = (int((pick & kind).sum()) for kind in (scene.sites.bright, ~scene.sites.bright))
    marks = "The sites lie too close to be marked here; the next picture does."
    if _nearest(scene.sites.xyz_um[pick, :2], airy) > _longer(box) / 60:
        _mark_sites(axes, scene, pick)
        marks = f"Blue circles mark the {_count(bright, 'bright site')}{f', white squares the {dark} dark' if dark else ''}."
    elif _nearest(scene.sites.xyz_um[pick & scene.sites.bright, :2], _longer(box)) > _longer(box) / 60:
        _mark_sites(axes, scene, pick & scene.sites.bright)
        marks = f"Blue circles mark the {_count(bright, 'bright site')}; the {dark} dark lie too close to be marked here."
    where = _plane_name(scene, plane)
    caption = (
        f"{marks} Each decade of intensity gets the same share of the colours, so that stray light shows: what glows beside the bright"
        " sites is crosstalk, and dark sites should stay dark."
    )
    alt = f"Map of the predicted intensity around {_count(bright, 'bright site')} and {_count(dark, 'dark one')}{where}, logarithmic"
    return Picture(f"spots-{plane + 1}.png", _png(figure, "magma"), f"Light on the sites{where}, logarithmic scale", alt, caption)


def _close_picture(scene: _Scene, plane: int) -> Picture:
    airy = scene.bench.airy_radius_um
    pick = np.flatnonzero(scene.focused(plane) & scene.sites.bright)
    centre = pick[np.argmin(scene.prediction.relative[pick])]
    side = float(np.clip(9 * _nearest(scene.sites.xyz_um[pick, :2], airy), 12 * airy, 80 * airy))
    box = _part(_box(scene.sites.xyz_um[pick], 8 * airy), scene.sites.xyz_um[centre, :2], side)
    intensity = _light(scene, plane, box)
    figure, axes = _plane_axes(box)
    image = axes.imshow(intensity, vmin=0, cmap="magma", extent=_picture_extent(box), interpolation="bilinear")
    _colour_bar(figure, axes, image, RELATIVE)
    _mark_sites(axes, scene, scene.focused(plane))
    i, j = scene.sites.ij[centre]
    where = _plane_name(scene, plane)
    caption = (
        f"A part of the picture before, as a camera sees it, around site ({i:g}, {j:g}), the dimmest for its target. Every circle should"
        " hold one round spot in its middle, all equally bright or in proportion to their targets."
    )
    alt = f"Map of the predicted intensity around site ({i:g}, {j:g}){where}, linear colour scale"
    return Picture(f"close-{plane + 1}.png", _png(figure, "magma"), f"From near by{where}, linear scale", alt, caption)


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


def _mark_sites(axes: Axes, scene: _Scene, pick: NDArray[np.bool_]) -> None:
    """Draw open circles around bright sites and open squares around dark ones, the Airy radius or more from their middle."""
    from matplotlib.collections import EllipseCollection, PatchCollection
    from matplotlib.patches import Rectangle

    airy = scene.bench.airy_radius_um
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    diameter = 2 * float(np.clip(0.3 * _nearest(scene.sites.xyz_um[pick, :2], 0), airy, 1.6 * airy))
    diameter = max(diameter, _longer((left, right, top, bottom)) / 80)
    x, y = scene.sites.xyz_um[:, 0], scene.sites.xyz_um[:, 1]
    pick = pick & (x > left - diameter) & (x < right + diameter) & (y > top - diameter) & (y < bottom + diameter)
    width = 0.9 if pick.sum() < 400 else 0.6
    bright = scene.sites.xyz_um[pick & scene.sites.bright, :2]
    sizes = np.full(len(bright), diameter)
    circles = EllipseCollection(
        sizes, sizes, np.zeros(len(bright)), units="xy", offsets=bright, offset_transform=axes.transData, facecolors="none", edgecolors=SKY
    )
    circles.set_linewidth(width)
    axes.add_collection(circles)
    side = 0.7 * diameter
    squares = [Rectangle((x - side / 2, y - side / 2), side, side) for x, y in scene.sites.xyz_um[pick & ~scene.sites.bright, :2]]
    axes.add_collection(PatchCollection(squares, facecolor="none", edgecolor="white", linewidth=width))


def _field(scene: _Scene) -> Picture:
    """The light over the addressable field and its repeats by the pixel grid, logarithmic."""
    from matplotlib.colors import LogNorm
    from matplotlib.patches import Rectangle

    half = scene.bench.field_um / 2
    depth = float(scene.depths_um[0])
    figure, axes = _plane_axes((-2 * half, 2 * half, -2 * half, 2 * half))
    intensity = _overview(scene, depth) / scene.unit
    norm = LogNorm(FIELD_FLOOR, max(float(intensity.max()), 1.0))
    extent = (-2 * half, 2 * half, 2 * half, -2 * half)
    image = axes.imshow(np.maximum(intensity, FIELD_FLOOR), norm=norm, cmap="magma", extent=extent, interpolation="nearest")
    _colour_bar(figure, axes, image, RELATIVE, extend="min")
    left, right, top, bottom = _box(scene.sites.xyz_um, scene.bench.field_um / 20)
    frames = {
        "addressable field": Rectangle((-half, -half), 2 * half, 2 * half, edgecolor="white", linestyle="--"),
        "sites": Rectangle((left, top), right - left, bottom - top, edgecolor=SKY),
        "their mirror image": Rectangle((-right, -bottom), right - left, bottom - top, edgecolor=SKY, linestyle=":"),
    }
    for label, frame in frames.items():
        frame.set(facecolor="none", label=label)
        axes.add_patch(frame)
    axes.plot(0, 0, "o", markersize=11, markerfacecolor="none", color=YELLOW, linestyle="none", label="undiffracted spot")
    _legend_above(axes, 2, labelcolor="white", facecolor="0.2", framealpha=1, frameon=True)
    caption = (
        f"Each dot shows the brightest spot within {3 * scene.bench.field_um / SAMPLES:.2g} um. The dashed frame is the field that the"
        f" panel can address, {scene.bench.field_um:.4g} um wide; outside it the pixel grid repeats the light, weakened by the envelope"
        " of a pixel. Light that the panel does not modulate gathers at the ring on the axis; it is not part of this prediction. A panel"
        " whose response is not exact puts light into the mirror image of the sites (dotted). Block what must not reach the atoms."
    )
    where = _plane_name(scene, 0)
    alt = "Map of the predicted intensity over the whole field, logarithmic, with the field's frame, the sites and the undiffracted spot"
    return Picture("field.png", _png(figure, "magma"), f"The whole field{where}, logarithmic scale", alt, caption)


def _overview(scene: _Scene, depth_um: float, cells: int = SAMPLES // 2) -> NDArray[np.float64]:
    """Highest intensity in and next to each cell of a square of two fields' side about the axis, shape (2 cells, 2 cells)."""
    from scipy.ndimage import maximum_filter

    transform = FieldTransform(scene.path, z_um=depth_um)
    fields = transform.forward(panel_light(scene.path, scene.phase).astype(np.complex64))
    intensity = np.square(fields.real) + np.square(fields.imag)
    for axis in (0, 1):
        starts = np.arange(cells) * intensity.shape[axis] // cells
        intensity = np.maximum.reduceat(intensity, starts, axis=axis)
    intensity = maximum_filter(intensity, 3, mode="wrap")  # cells and a lattice of like spacing would make fringes
    repeat = (np.arange(2 * cells) + cells // 2) % cells  # the sum over pixels is periodic, the envelope is not
    places = _centres(-scene.bench.field_um, scene.bench.field_um, 2 * cells)
    envelope = grid_envelope(scene.path, places, places) / scene.path.amplitude_sum
    return np.asarray(intensity[np.ix_(repeat, repeat)] * envelope**2)


def _histogram(scene: _Scene) -> Picture:
    """How the intensities of the bright sites spread about their mean."""
    from matplotlib.ticker import MaxNLocator

    deviation = 100 * scene.deviation[scene.sites.bright]
    half = 1.05 * scene.largest_percent
    figure, axes = _axes()
    bins = int(np.clip(np.sqrt(len(deviation)) * 1.5, 11, 61)) | 1
    axes.hist(deviation, bins=bins, range=(-half, half), color=BLUE, edgecolor="white", linewidth=0.4)
    axes.axvline(0, color="black", linewidth=0.8)
    spread = 100 * scene.prediction.figures.spread
    for side, label in ((-spread, "spread (one standard deviation)"), (spread, None)):
        axes.axvline(side, color=VERMILION, linestyle="--", linewidth=1, label=label)
    axes.set(xlabel="deviation of intensity / target from its mean (%)", ylabel="bright sites (count)", xlim=(-half, half))
    axes.xaxis.set_major_locator(MaxNLocator(nbins=5))
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    _legend_above(axes, 2)
    caption = (
        "The narrower, the more alike the sites. Single sites far out decide the uniformity; a wide hump means that the search has not"
        " converged or that the panel has too few levels."
    )
    alt = f"Histogram of the deviations of {_count(len(deviation), 'bright site')}, standard deviation {spread:.3g} percent"
    return Picture("histogram.png", _png(figure), "How alike the sites are", alt, caption)


def _site_map(scene: _Scene, plane: int) -> Picture:
    """Deviations of the bright sites at their places."""
    from matplotlib.collections import EllipseCollection
    from matplotlib.colors import Normalize

    airy = scene.bench.airy_radius_um
    pick = scene.near(plane) & scene.sites.bright
    places, deviation = scene.sites.xyz_um[pick, :2], 100 * scene.deviation[pick]
    limit = scene.largest_percent
    extent = float(np.ptp(scene.sites.xyz_um[scene.sites.bright, :2], axis=0).max())
    diameter = float(np.clip(0.85 * _nearest(places, 4 * airy), airy, max(0.15 * extent, 4 * airy)))
    figure, axes = _plane_axes(_box(scene.sites.xyz_um[scene.sites.bright], max(8 * airy, 1.3 * diameter)))
    sizes = np.full(len(places), diameter)
    discs = EllipseCollection(sizes, sizes, np.zeros(len(places)), units="xy", offsets=places, offset_transform=axes.transData)
    discs.set(cmap="PuOr", norm=Normalize(-limit, limit), edgecolor="0.4", linewidth=0.3)
    discs.set_array(deviation)
    axes.add_collection(discs)
    _colour_bar(figure, axes, discs, "deviation of intensity / target (%)")
    caption = (
        "Discs mark the bright sites; white is the mean. Violet is too bright, orange too dim. A gradient or a pattern across the"
        " map is systematic; a random scatter comes from the levels of the panel or from a search that stopped early."
    )
    where = _plane_name(scene, plane)
    alt = f"Map of {_count(len(places), 'bright site')}{where}, coloured by their deviation from the mean, largest {limit:.3g} percent"
    return Picture(f"sites-{plane + 1}.png", _png(figure, "PuOr"), f"Which sites are off{where}", alt, caption)


def _nearest(places_um: NDArray[np.float64], alone_um: float) -> float:
    """Least distance of two different places; `alone_um` where there is but one."""
    places = np.unique(places_um.round(6), axis=0)  # sites in several planes may lie behind each other
    return closest_pair(places)[2] if len(places) > 1 else alone_um


def _spot(scene: _Scene) -> Picture:
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
    figure, axes = _axes()
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
    _legend_above(axes, 2)
    i, j = scene.sites.ij[chosen]
    caption = (
        f"The site ({i:g}, {j:g}), in the middle of the ranking of all. The dashed line is a single perfect spot of this beam, the dotted"
        " one the Airy pattern of an evenly lit pupil. Where the band lies above them, the light of other sites, or of none, is"
        " added. Scalar theory: at high aperture a linear polarisation makes spots longer along itself (Richards and Wolf, 1959)."
    )
    alt = f"Predicted intensity of site ({i:g}, {j:g}) against distance, with a lone spot and the Airy pattern, logarithmic"
    return Picture("spot.png", _png(figure), "The shape of a spot", alt, caption)


def _rings(
    path: LightPath, phase: NDArray[np.float64], centre_um: NDArray[np.float64], radius_um: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Intensity on rings about a point over that on the point, shape (radii, directions)."""
    angles = 2 * np.pi * np.arange(16) / 16
    around = radius_um[:, None, None] * np.stack([np.cos(angles), np.sin(angles), np.zeros(len(angles))], axis=-1)
    intensity = np.abs(direct_fields(path, phase, (centre_um + around).reshape(-1, 3))) ** 2
    intensity = intensity.reshape(around.shape[:2])
    return np.asarray(intensity / intensity[0, 0])


def _mask(scene: _Scene) -> Picture:
    """The levels of the whole panel, with the pupil."""
    from matplotlib.patches import Circle

    panel = scene.bench.panel
    figure, axes = _panel_axes(scene, (slice(0, panel.rows), slice(0, panel.columns)))
    image = axes.imshow(
        scene.levels, cmap="gray", interpolation="nearest", extent=_extent(scene, (slice(0, panel.rows), slice(0, panel.columns)))
    )
    radius = scene.bench.pupil_radius_um * 1e-3
    axes.add_patch(Circle((0, 0), radius, facecolor="none", edgecolor=ORANGE, linewidth=1.2, label="pupil"))
    _colour_bar(figure, axes, image, "level")
    _legend_above(axes, 1)
    caption = (
        "What is written to the panel, row 0 on top. Only pixels inside the orange circle send light to the objective plane. The picture is"
        " smaller than the panel: use the mask file, or holo render, to show it."
    )
    alt = f"The levels of the panel of {panel.columns} by {panel.rows} pixels in grey, with the outline of the pupil"
    return Picture("mask.png", _png(figure), "The mask", alt, caption)


def _mask_detail(scene: _Scene) -> Picture:
    """The phase of the pixels around the middle of the light, one by one."""
    box = tuple(_middle(part, 96) for part in pupil_box(scene.path))
    figure, axes = _panel_axes(scene, (box[0], box[1]))
    phase = np.mod(scene.phase[box], 2 * np.pi)
    extent = _extent(scene, (box[0], box[1]))
    image = axes.imshow(phase, cmap="twilight", vmin=0, vmax=2 * np.pi, interpolation="nearest", extent=extent)
    bar = _colour_bar(figure, axes, image, "phase (rad)", ticks=np.arange(5) * np.pi / 2)
    bar.set_yticklabels(["0", "π/2", "π", "3π/2", "2π"])
    rows, columns = phase.shape
    caption = (
        f"The {columns} x {rows} pixels in the middle of the pupil, each as the phase that its level makes, modulo 2 pi: the colours"
        " meet at 0 and 2 pi. The finer the detail, the more a panel blurs it from pixel to pixel, which is not part of the prediction."
    )
    alt = f"Phase of the middle {columns} by {rows} pixels of the mask in cyclic colours"
    return Picture("mask-detail.png", _png(figure, "twilight"), "The mask, pixel by pixel", alt, caption)


def _middle(part: slice, count: int) -> slice:
    start = max(part.start, (part.start + part.stop - count) // 2)
    return slice(start, min(start + count, part.stop))


def _extent(scene: _Scene, box: tuple[slice, slice]) -> Box:
    """Left, right, bottom and top edges of a block of pixels on the panel, mm."""
    half = scene.bench.panel.pitch_um / 2
    x, y = scene.path.x_um[box[1]], scene.path.y_um[box[0]]
    return (x[0] - half) * 1e-3, (x[-1] + half) * 1e-3, (y[-1] + half) * 1e-3, (y[0] - half) * 1e-3


def _panel_axes(scene: _Scene, box: tuple[slice, slice]) -> tuple[Figure, Axes]:
    left, right, bottom, top = _extent(scene, box)
    figure, axes = _axes(5.4, 4.3 * float(np.clip((bottom - top) / (right - left), 0.55, 1.6)) + 0.7)
    axes.set(xlabel="x on the panel (mm)", ylabel="y on the panel (mm), down", aspect="equal")
    return figure, axes


def _convergence(retrieval: Retrieval, wanted: float | None) -> Picture:
    """Uniformity and efficiency against the iterations of the search."""
    stages, efficiency, uniformity = zip(*retrieval.history, strict=True)
    number = np.arange(1, len(stages) + 1)
    gap = np.maximum(1 - np.array(uniformity), 1e-6)
    figure, axes = _axes()
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
    _legend_above(axes, 3, handles=lines)
    told = "; ".join(f"{stage} {STAGES[stage]}" for stage in dict.fromkeys(stages))
    caption = (
        "The search as its own transform saw it, before the phase was rounded to levels and without the envelope of a pixel: a"
        " history, not the prediction."
        f" Its stages: {told}. The line jumps where the whole panel follows on a coarse one, and where dark sites come in."
        " A solid line still falling at the end means that more iterations would help; a flat one above the dotted line, that they"
        " would not."
    )
    alt = f"Uniformity and efficiency over {len(number)} iterations, ending at a uniformity of {uniformity[-1]:.5f}"
    return Picture("convergence.png", _png(figure), "How the search went", alt, caption)


STAGES = {
    "spread": "gathers light on the sites",
    "weigh": "levels them while their phases follow the light",
    "settle": "lets the phases follow again, on the whole panel",
    "hold": "levels them with their phases held",
    "turn": "turns the pixels one by one, which darkens the dark sites, levels the bright ones to the last digit and costs some efficiency",
}
"""What the stages of a search do, by their names in its history."""


def _runs(stages: tuple[str, ...]) -> list[tuple[int, int]]:
    """First and last index of each run of equal stages."""
    starts = [k for k in range(len(stages)) if k == 0 or stages[k] != stages[k - 1]]
    return list(zip(starts, [*(start - 1 for start in starts[1:]), len(stages) - 1], strict=True))


# ---------------------------------------------------------------------------------------------------------------------
# the page

CAUTION = (
    "This page is a calculation and says nothing about safety. The undiffracted spot and stray orders carry power. Start at low power, and"
    " follow your laser safety officer, the data sheets and the local rules."
)
"""What every report says, whatever the bench."""

_UNITS = {"_w_cm2": "W/cm^2", "_um": "um", "_mm": "mm", "_pixels": "pixels", "_airy_radii": "Airy radii"}


def _page(scene: _Scene, summary: dict[str, Any], pictures: list[Picture]) -> str:
    """The page itself; every text is escaped by the template."""
    import jinja2

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string(resources.files("holo").joinpath("report.html").read_text(encoding="utf-8"))
    listed = summary["crosstalk_by_order"]
    depths = np.unique(scene.sites.xyz_um[scene.sites.bright, 2])
    hidden = len(depths) - len(scene.depths_um)
    note = (
        f"The bright sites lie in {len(depths)} planes. {PLANES} of them are drawn; each map of the sites has those nearest to its plane."
    )
    return template.render(
        title=summary["title"] or _count(summary["bright"], "site"),
        bench=scene.bench.name,
        made=_moment(summary["record"]["time"]),
        verdict=_verdict(scene, summary),
        numbers=_numbers(summary, scene.bench.light.power_mw, len(depths)),
        warnings=[*(f"{text[0].upper()}{text[1:]}." for text in summary["warnings"]), CAUTION],
        planes_note=note if hidden else "",
        pictures=pictures,
        orders=listed[:ORDERS],
        orders_note=f" The first {ORDERS} of {len(listed)} distances; summary.json has all." if len(listed) > ORDERS else "",
        columns=COLUMNS if scene.sites.bright.all() else (*COLUMNS, "crosstalk (%)"),
        rows=_rows(scene),
        sites_note=_sites_note(scene),
        derived=[_labelled(name, value) for name, value in summary["derived"].items()],
        record=_record_rows(summary),
    )


def _verdict(scene: _Scene, summary: dict[str, Any]) -> dict[str, Any]:
    """Whether the search got where it should, what that leaves of the light, and what to do if it did not."""
    wanted, steps = summary["wanted_uniformity"], summary["iterations"]
    goal = "the wanted uniformity" + (f" of {wanted:g}" if wanted else "") + (" and darkness" if summary["dark"] else "")
    predicted = f"The sites are level to a uniformity of {_near_one(summary['uniformity'])} as the panel shows them"
    if summary["converged"] is None:
        return {"fine": True, "lines": [f"{predicted}.", "How the mask was found is not part of this report."], "remedies": ()}
    if not summary["converged"]:
        first = f"Not converged: the search stopped after {steps} iterations, short of {goal}."
        return {"fine": False, "lines": [first, f"{predicted}. If that is not enough:"], "remedies": REMEDIES}
    rest = f"; {_cost(scene.bench, summary['record'])}" if wanted and summary["uniformity"] < wanted else ""
    return {"fine": True, "lines": [f"Converged: the search reached {goal} in {steps} iterations.", f"{predicted}{rest}."], "remedies": ()}


def _cost(bench: Bench, record: dict[str, Any]) -> str:
    """What makes the light of the levels less level than the search left it."""
    if record["nudges"]:
        return "moving the light after the search, to places of another pixel envelope and to levels rounded anew, costs the rest"
    rounding = f"rounding to {bench.panel.phase_steps:.4g} steps of phase per 2 pi costs"
    effort = record["options"].get("effort", "normal")
    if EFFORTS[effort].trim:
        return f"{rounding} what trimming the levels could not win back"
    return f"{rounding} the rest, and the effort {effort} does not trim the levels against that"


REMEDIES = (
    "Search longer: a higher --iterations, or --effort high. The picture of the search shows whether it was still getting better.",
    "Try another --seed: the search starts from random phases.",
    "Ask for what is possible: sites further apart than the Airy radius, away from the edge of the field, with targets of similar size.",
    "Where dark sites stay bright, ask for fewer of them: light that few bright sites leave over must have somewhere to go.",
    "Accept less: a lower --uniformity ends the search earlier.",
)
"""What to try when a search has not converged."""


def _numbers(summary: dict[str, Any], power_mw: float, planes: int) -> list[dict[str, str]]:
    """The figures to read first, each with its meaning."""
    off = _percent(1 - summary["uniformity"])
    again = "; light that passes sites in several planes counts in each" if planes > 1 else ""
    rows = [
        ("bright sites", f"{summary['bright']}", f"and {_count(summary['dark'], 'dark one')}"),
        ("uniformity", _near_one(summary["uniformity"]), f"all sites within {off} of the middle between brightest and dimmest"),
        ("spread", _percent(summary["spread"]), "standard deviation of intensity over target, over its mean"),
        ("efficiency", _percent(summary["efficiency"]), f"sum of the bright sites, over an unsplit focus on the axis{again}"),
        (
            "power on the sites",
            _percent(summary["power_fraction"]),
            f"of the power on the panel, within the Airy radius of a bright site{again}",
        ),
        ("power per site", _power(summary["power_per_site_mw"]), f"mean, of {power_mw:g} mW on the panel, before losses of the optics"),
    ]
    if summary["dark"]:
        rows.append(
            ("crosstalk, worst", _little(summary["crosstalk_max"]), "light on the worst dark site, over the mean of the bright ones")
        )
        rows.append(("crosstalk, mean", _little(summary["crosstalk_mean"]), "the same, over all dark sites"))
    return [dict(zip(("name", "value", "meaning"), row, strict=True)) for row in rows]


COLUMNS = ("i", "j", "x (um)", "y (um)", "z (um)", "target", "intensity", "deviation (%)")
"""Columns of the page's table of sites; with dark sites there is one more, their crosstalk."""


def _rows(scene: _Scene) -> list[list[str]]:
    """Cells of the sites that the page lists, those farthest from what was wanted first."""
    sites, intensity, deviation = scene.sites, scene.prediction.intensity, scene.deviation
    stray = intensity / scene.unit
    fault = np.where(sites.bright, np.abs(deviation), stray)
    rows = []
    for site in np.argsort(-fault, kind="stable")[:ROWS]:
        off, dark = (_three(100 * deviation[site]), "") if sites.bright[site] else ("", _three(100 * stray[site]))
        place = [f"{value:g}" for value in sites.ij[site]] + [f"{value:.3f}" for value in sites.xyz_um[site]]
        row = [*place, f"{sites.target[site]:g}", f"{intensity[site]:.4g}", off]
        rows.append(row if sites.bright.all() else [*row, dark])
    return rows


def _sites_note(scene: _Scene) -> str:
    count = len(scene.sites.target)
    shown = f"The worst {ROWS} of {count} sites" if count > ROWS else _count(count, "site")
    stray = "" if scene.sites.bright.all() else " Crosstalk is the light on a dark site over the mean of the bright ones."
    return (
        f"{shown}, the one farthest from what was wanted first; sites.csv lists all, in full precision. Intensity is over that of an"
        f" unsplit focus on the axis; deviation is that of intensity over target from its mean.{stray}"
    )


def _labelled(name: str, value: float) -> tuple[str, str]:
    """Name and value of a derived number, with its unit in words."""
    end = next((end for end in _UNITS if name.endswith(end)), "")
    return name.removesuffix(end).replace("_", " ").replace("airy", "Airy"), f"{value:.5g} {_UNITS.get(end, '')}".rstrip()


def _record_rows(summary: dict[str, Any]) -> list[tuple[str, str]]:
    record = summary["record"]
    rows = [("made", record["time"]), ("with holo", record["holo"]), ("digest of the levels", summary["levels_digest"])]
    for key in SOURCES:
        source = record[key] or {"path": "", "digest": "none; the bench's own lattice", "files": {}}
        rows.append((key, f"{source['path']} {source['digest']}".strip()))
        rows.extend((f"{key}: {name}", digest) for name, digest in source["files"].items())
    rows.append(("seed", f"{record['seed']}"))
    rows.extend((name, f"{value}") for name, value in record["options"].items() if value is not None)
    rows.extend(("nudged by", f"{step['x_um']:g}, {step['y_um']:g} um, focus {step['focus_um']:g} um") for step in record["nudges"])
    if summary["seconds"] is not None:
        rows.append(("time taken", f"{summary['seconds']:.3g} s"))
    return rows


def _moment(time: str) -> str:
    """A time of ISO 8601 as a person writes it."""
    return datetime.fromisoformat(time).astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")


def _count(number: int, name: str) -> str:
    return f"{number} {name}{'' if number == 1 else 's'}"


def _percent(share: float) -> str:
    return f"{_three(100 * share)} %"


def _little(share: float) -> str:
    """A share that may be so small that its digits tell nothing about a real panel."""
    return "under 0.0001 %" if 0 < share < 1e-6 else _percent(share)


def _near_one(share: float) -> str:
    """A number close below 1, with two digits of what it lacks."""
    digits = 3 if share >= 1 else int(np.clip(1 - np.floor(np.log10(1 - share)), 3, 7))
    return f"{share:.{digits}f}"


def _power(power_mw: float) -> str:
    return f"{_three(power_mw)} mW" if power_mw >= 1 else f"{_three(1e3 * power_mw)} uW"


def _three(value: float) -> str:
    """A number to three digits, trailing zeros kept."""
    return f"{value:#.3g}".removesuffix(".") if 1e-4 <= abs(value) < 1e3 else f"{value:.3g}"
