"""What all pictures have in common: their look, axes, colours and marks, and how they become PNG files; the one door to matplotlib."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.cm import ScalarMappable
    from matplotlib.collections import EllipseCollection
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike, NDArray

DPI = 160
"""Dots per inch of the pictures."""

BLUE, VERMILION, SKY, ORANGE, YELLOW = "#0072B2", "#D55E00", "#56B4E9", "#E69F00", "#F0E442"
"""Colours that colour-blind readers tell apart (Okabe and Ito, Color Universal Design, 2008; values from memory)."""

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


@contextmanager
def look() -> Iterator[None]:
    """Draw in the look of all pictures, whatever the user's own settings of the drawing library are.

    Examples
    --------
    >>> with look():
    ...     figure, axes = single_axes()
    ...     picture = png(figure)
    >>> picture[1:4]
    b'PNG'
    """
    import matplotlib.style

    settings = {
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
    with matplotlib.style.context(["default", settings]):
        yield


def single_axes(width: float = 5.4, height: float = 4.4) -> tuple[Figure, Axes]:
    """Make a figure of one set of axes, sizes in inches."""
    figure = new_figure(width, height)
    return figure, figure.add_subplot()


def new_figure(width: float, height: float) -> Figure:
    """Make a figure that no window shows, sizes in inches."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    return figure


def png(figure: Figure, colours: str = "gray") -> bytes:
    """Draw a figure as a PNG, cut to what is drawn, with few colours: a quarter of the size of true ones.

    Parameters
    ----------
    figure : Figure
    colours : str
        Colour map of the image in it, for the `palette`.

    Returns
    -------
    bytes
        Content of the file.
    """
    from PIL import Image

    drawn, packed = io.BytesIO(), io.BytesIO()
    figure.savefig(drawn, format="png", bbox_inches="tight", pad_inches=0.08, pil_kwargs={"compress_level": 1})
    few = Image.new("P", (1, 1))
    few.putpalette(palette(colours))
    Image.open(drawn).convert("RGB").quantize(palette=few, dither=Image.Dither.NONE).save(packed, "png")
    return packed.getvalue()


def palette(colours: str) -> list[int]:
    """Give red, green and blue, one after the other, of 256 colours: a colour map, greys, and the marks blended with black and white."""
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


def colour_bar(figure: Figure, axes: Axes, drawn: ScalarMappable, label: str, **more: Any) -> Axes:
    """Add a colour bar as high as the axes, and give its axes."""
    return figure.colorbar(drawn, cax=axes.inset_axes((1.03, 0, 0.045, 1)), label=label, **more).ax


def legend_above(axes: Axes, columns: int, **more: Any) -> None:
    """Add a legend of some columns above the axes."""
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=columns, **more)


def plane_axes(box: Box) -> tuple[Figure, Axes]:
    """Make axes over a box (left, right, top, bottom) of the objective plane, um, y down."""
    left, right, top, bottom = box
    shape = np.clip((bottom - top) / (right - left), 0.55, 1.6)
    figure, axes = single_axes(5.4, 4.3 * shape + 0.9)
    axes.set(xlim=(left, right), ylim=(bottom, top), xlabel="x (um)", ylabel="y (um), down", aspect="equal")
    return figure, axes


def circles(axes: Axes, places: NDArray[np.float64], diameter: float, **look: Any) -> EllipseCollection:
    """Add circles of one diameter.

    Parameters
    ----------
    axes : Axes
    places : ndarray, shape (n, 2)
        Their middles (x, y).
    diameter : float
        In the coordinates of the axes.
    **look
        Colours and widths, by the names of the drawing library.

    Returns
    -------
    EllipseCollection
        For a colour bar.
    """
    from matplotlib.collections import EllipseCollection

    sizes, none = np.full(len(places), diameter), np.zeros(len(places))
    drawn = EllipseCollection(sizes, sizes, none, units="xy", offsets=places, offset_transform=axes.transData)
    drawn.set(**look)
    axes.add_collection(drawn, autolim=False)
    return drawn


def squares(axes: Axes, places: NDArray[np.float64], side: float, **look: Any) -> None:
    """Add squares.

    Parameters
    ----------
    axes : Axes
    places : ndarray, shape (n, 2)
        Their middles (x, y).
    side : float
        In the coordinates of the axes.
    **look
        As in `circles`.
    """
    from matplotlib.collections import PatchCollection
    from matplotlib.patches import Rectangle

    axes.add_collection(PatchCollection([Rectangle((x - side / 2, y - side / 2), side, side) for x, y in places], **look), autolim=False)


def lines(axes: Axes, ends: Sequence[ArrayLike], **look: Any) -> None:
    """Add straight lines.

    Parameters
    ----------
    axes : Axes
    ends : sequence of array_like, shape (2, 2)
        The two ends (x, y) of each.
    **look
        As in `circles`.
    """
    from matplotlib.collections import LineCollection

    axes.add_collection(LineCollection(ends, **look), autolim=False)


def frame(axes: Axes, box: Box, **look: Any) -> None:
    """Add the border of a box.

    Parameters
    ----------
    axes : Axes
    box : tuple of float
        Left, right, top and bottom.
    **look
        As in `circles`.
    """
    from matplotlib.patches import Rectangle

    left, right, top, bottom = box
    axes.add_patch(Rectangle((left, top), right - left, bottom - top, facecolor="none", **look))


def ring(axes: Axes, radius: float, **look: Any) -> None:
    """Add a circle about the origin.

    Parameters
    ----------
    axes : Axes
    radius : float
        In the coordinates of the axes.
    **look
        As in `circles`.
    """
    from matplotlib.patches import Circle

    axes.add_patch(Circle((0, 0), radius, facecolor="none", **look))


def whole_ticks(axis: Axis) -> None:
    """Mark an axis that counts at whole numbers only."""
    from matplotlib.ticker import MaxNLocator

    axis.set_major_locator(MaxNLocator(integer=True, steps=[1, 2, 5, 10]))


def decade_ticks(axis: Axis) -> None:
    """Mark a logarithmic axis at 1, 2 and 5 in each decade, with plain numbers."""
    from matplotlib.ticker import LogLocator, NullFormatter

    axis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    axis.set_major_formatter("{x:g}")
    axis.set_minor_formatter(NullFormatter())


def counted(number: int, name: str) -> str:
    """Write a number of things.

    Examples
    --------
    >>> counted(1, "site"), counted(2, "site")
    ('1 site', '2 sites')
    """
    return f"{number} {name}{'' if number == 1 else 's'}"
