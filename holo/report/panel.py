"""What every report of a mask shows: the panel itself, and the light over the whole field, whatever is wanted there.

In pictures y points down, as everywhere (`holo.bench`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from holo.field.path import LightPath
from holo.field.plane import FieldTransform, grid_envelope
from holo.field.sites import panel_light, pupil_box
from holo.report.style import ORANGE, SKY, YELLOW, Box, Picture, colour_bar, frame, legend_above, plane_axes, png, ring, single_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from holo.bench import Bench

SAMPLES = 640
"""Cells along the longer side of a map of the light: about as many as the picture has dots."""

FIELD_FLOOR = 1e-5
"""Lowest intensity that the picture of the whole field tells apart, in its unit."""


class Shown(Protocol):
    """A mask on its bench: what pictures of the panel and of the whole field are drawn from."""

    @property
    def bench(self) -> Bench:
        """The bench."""

    @property
    def path(self) -> LightPath:
        """Its light path."""

    @property
    def levels(self) -> NDArray[np.integer[Any]]:
        """Levels of the mask."""

    @property
    def phase(self) -> NDArray[np.float64]:
        """Phase that they make."""


def mask_picture(scene: Shown) -> Picture:
    """The levels of the whole panel, with the pupil."""
    panel = scene.bench.panel
    figure, axes = _panel_axes(scene, (slice(0, panel.rows), slice(0, panel.columns)))
    image = axes.imshow(
        scene.levels, cmap="gray", interpolation="nearest", extent=_extent(scene, (slice(0, panel.rows), slice(0, panel.columns)))
    )
    radius = scene.bench.pupil_radius_um * 1e-3
    ring(axes, radius, edgecolor=ORANGE, linewidth=1.2, label="pupil")
    colour_bar(figure, axes, image, "level")
    legend_above(axes, 1)
    caption = (
        "What is written to the panel, row 0 on top. Only pixels inside the orange circle send light to the objective plane. The picture is"
        " smaller than the panel: use the mask file, or holo render, to show it."
    )
    alt = f"The levels of the panel of {panel.columns} by {panel.rows} pixels in grey, with the outline of the pupil"
    return Picture("mask.png", png(figure), "The mask", alt, caption)


def mask_detail(scene: Shown) -> Picture:
    """The phase of the pixels around the middle of the light, one by one."""
    box = tuple(_middle(part, 96) for part in pupil_box(scene.path))
    figure, axes = _panel_axes(scene, (box[0], box[1]))
    phase = np.mod(scene.phase[box], 2 * np.pi)
    extent = _extent(scene, (box[0], box[1]))
    image = axes.imshow(phase, cmap="twilight", vmin=0, vmax=2 * np.pi, interpolation="nearest", extent=extent)
    bar = colour_bar(figure, axes, image, "phase (rad)", ticks=np.arange(5) * np.pi / 2)
    bar.set_yticklabels(["0", "π/2", "π", "3π/2", "2π"])
    rows, columns = phase.shape
    caption = (
        f"The {columns} x {rows} pixels in the middle of the pupil, each as the phase that its level makes, modulo 2 pi: the colours"
        " meet at 0 and 2 pi. The finer the detail, the more a panel blurs it from pixel to pixel, which is not part of the prediction."
    )
    alt = f"Phase of the middle {columns} by {rows} pixels of the mask in cyclic colours"
    return Picture("mask-detail.png", png(figure, "twilight"), "The mask, pixel by pixel", alt, caption)


def _middle(part: slice, count: int) -> slice:
    start = max(part.start, (part.start + part.stop - count) // 2)
    return slice(start, min(start + count, part.stop))


def _extent(scene: Shown, box: tuple[slice, slice]) -> Box:
    """Left, right, bottom and top edges of a block of pixels on the panel, mm."""
    half = scene.bench.panel.pitch_um / 2
    x, y = scene.path.x_um[box[1]], scene.path.y_um[box[0]]
    return (x[0] - half) * 1e-3, (x[-1] + half) * 1e-3, (y[-1] + half) * 1e-3, (y[0] - half) * 1e-3


def _panel_axes(scene: Shown, box: tuple[slice, slice]) -> tuple[Figure, Axes]:
    left, right, bottom, top = _extent(scene, box)
    figure, axes = single_axes(5.4, 4.3 * float(np.clip((bottom - top) / (right - left), 0.55, 1.6)) + 0.7)
    axes.set(xlabel="x on the panel (mm)", ylabel="y on the panel (mm), down", aspect="equal")
    return figure, axes


def field_picture(scene: Shown, depth: float, unit: float, box: Box, words: tuple[str, str, str]) -> Picture:
    """The light over the addressable field and its repeats by the pixel grid, logarithmic.

    `unit` is the intensity that the picture counts in, `box` is where the light is wanted; `words` are what is wanted there, the name
    of the colours and what tells the plane apart.
    """
    name, colours, where = words
    half = scene.bench.field_um / 2
    figure, axes = plane_axes((-2 * half, 2 * half, -2 * half, 2 * half))
    intensity = _overview(scene, depth) / unit
    highest = max(float(intensity.max()), 1.0)
    extent = (-2 * half, 2 * half, 2 * half, -2 * half)
    shown = np.maximum(intensity, FIELD_FLOOR)
    image = axes.imshow(shown, norm="log", vmin=FIELD_FLOOR, vmax=highest, cmap="magma", extent=extent, interpolation="nearest")
    colour_bar(figure, axes, image, colours, extend="min")
    left, right, top, bottom = box
    frame(axes, (-half, half, -half, half), edgecolor="white", linestyle="--", label="addressable field")
    frame(axes, box, edgecolor=SKY, label=name)
    frame(axes, (-right, -left, -bottom, -top), edgecolor=SKY, linestyle=":", label="their mirror image")
    axes.plot(0, 0, "o", markersize=11, markerfacecolor="none", color=YELLOW, linestyle="none", label="undiffracted spot")
    legend_above(axes, 2, labelcolor="white", facecolor="0.2", framealpha=1, frameon=True)
    caption = (
        f"Each dot shows the brightest spot within {3 * scene.bench.field_um / SAMPLES:.2g} um. The dashed frame is the field that the"
        f" panel can address, {scene.bench.field_um:.4g} um wide; outside it the pixel grid repeats the light, weakened by the envelope"
        " of a pixel. Light that the panel does not modulate gathers at the ring on the axis; it is not part of this prediction. A panel"
        f" whose response is not exact puts light into the mirror image of the {name} (dotted). Block what must not reach the atoms."
    )
    alt = f"Map of the predicted intensity over the whole field, logarithmic, with the field's frame, the {name} and the undiffracted spot"
    return Picture("field.png", png(figure, "magma"), f"The whole field{where}, logarithmic scale", alt, caption)


def _overview(scene: Shown, depth_um: float, cells: int = SAMPLES // 2) -> NDArray[np.float64]:
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
    places = centres(-scene.bench.field_um, scene.bench.field_um, 2 * cells)
    envelope = grid_envelope(scene.path, places, places) / scene.path.amplitude_sum
    return np.asarray(intensity[np.ix_(repeat, repeat)] * envelope**2)


def centres(low: float, high: float, count: int) -> NDArray[np.float64]:
    """Centres of equal cells between two ends."""
    return np.asarray(low + (np.arange(count) + 0.5) * ((high - low) / count), np.float64)
