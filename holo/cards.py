"""Cards: what a notebook shows of a record, a small table beside a small picture, as HTML that needs nothing else.

Every text is escaped, and nothing in a card is fetched or run. Colours and lines follow the notebook's own.
"""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

LARGEST_PX = 240
"""Width and height that a picture stays within, in pixels of the page."""

_FINE = 2  # pixels of a picture of sites to one of the page
_MARGIN = 10
_DARK, _PALE, _LOW, _HIGH = (150, 150, 150), (214, 225, 238), (178, 60, 20), (8, 60, 120)


def card(title: str, rows: Iterable[tuple[str, object]], picture: str = "", caption: str = "", warnings: Iterable[str] = ()) -> str:
    """Set a card.

    Parameters
    ----------
    title : str
    rows : iterable of (str, object)
        Names and values; floats are told to five digits.
    picture : str
        As `levels_png` and `sites_png` give it, or none.
    caption : str
        What the picture shows.
    warnings : iterable of str
        Told below the table.

    Returns
    -------
    str
        HTML.

    Examples
    --------
    >>> print(card("<a>", [("power", 0.123456789)]).count("&lt;a&gt;"), "0.12346" in card("", [("power", 0.123456789)]))
    1 True
    """
    cells = "".join(f"<tr>{_cell('th', name)}{_cell('td', _told(value))}</tr>" for name, value in rows)
    doubts = "".join(f'<p style="margin:.4em 0;max-width:44em">warning: {html.escape(text)}</p>' for text in warnings)
    image = ""
    if picture:
        words = html.escape(caption)
        image = (
            f'<figure style="margin:0"><img alt="{words}" src="data:image/png;base64,{picture}"'
            f' style="max-width:{LARGEST_PX}px;background:#fff;image-rendering:auto">'
            f'<figcaption style="font-size:.85em;max-width:{LARGEST_PX}px">{words}</figcaption></figure>'
        )
    return (
        f'<div class="holo-card"><p style="margin:.4em 0"><b>{html.escape(title)}</b></p>'
        f'<div style="display:flex;flex-wrap:wrap;gap:1.5em;align-items:flex-start">'
        f'<table style="border-collapse:collapse"><tbody>{cells}</tbody></table>{image}</div>{doubts}</div>'
    )


def _cell(kind: str, text: str) -> str:
    weight = "normal" if kind == "th" else "inherit"
    style = f"text-align:left;font-weight:{weight};padding:.1em .8em .1em 0;vertical-align:top;max-width:26em;overflow-wrap:anywhere"
    return f'<{kind} style="{style}">{html.escape(text)}</{kind}>'


def _told(value: object) -> str:
    if isinstance(value, float | np.floating):
        return f"{value:.5g}"
    if isinstance(value, tuple | list | np.ndarray):
        return ", ".join(map(_told, value))
    return "none" if value is None else str(value)


def levels_png(levels: NDArray[np.integer[Any]]) -> tuple[str, str]:
    """Draw levels in grey, the lowest black and the highest white, and of a large panel only some of the pixels.

    Parameters
    ----------
    levels : ndarray of int, shape (rows, columns)

    Returns
    -------
    picture, caption : str
        PNG in base64, and what it shows.

    Examples
    --------
    >>> levels_png(np.arange(6).reshape(2, 3))[1]
    'the levels, 0 black to 5 white'
    """
    step = -(-max(levels.shape) // LARGEST_PX)
    some, low, high = levels[::step, ::step], int(levels.min()), int(levels.max())
    grey = np.rint((some.astype(np.float64) - low) * (255 / max(high - low, 1))).astype(np.uint8)
    part = "" if step == 1 else f"; one pixel of {step} by {step}"
    return _png(grey), f"the levels, {low} black to {high} white{part}"


def sites_png(places: ArrayLike, value: ArrayLike, dark: ArrayLike) -> str:
    """Draw sites as dots, x to the right and y downwards; dark ones as grey circles.

    Parameters
    ----------
    places : array_like, shape (n, 2)
        x and y, in whatever unit; both have the same scale.
    value : array_like, shape (n,)
        Colour of the bright sites: -1 red-brown, 0 pale, 1 blue. What is not finite is drawn as 0.
    dark : array_like of bool, shape (n,)

    Returns
    -------
    str
        PNG in base64; empty without sites.
    """
    from PIL import Image, ImageDraw

    places, dark = np.reshape(np.asarray(places, np.float64), (-1, 2)), np.asarray(dark, np.bool_)
    if not len(places):
        return ""
    corner, size = places.min(axis=0), np.ptp(places, axis=0)
    room = _FINE * (LARGEST_PX - 2 * _MARGIN)
    scale = room / max(float(size.max()), 1e-9)
    at = (places - corner) * scale + _FINE * _MARGIN
    radius = float(np.clip(0.38 * room / np.sqrt(max(len(places), 1)), 1.0, 5.0 * _FINE))
    width, height = (int(np.ceil(side * scale)) + 2 * _FINE * _MARGIN for side in size)
    image = Image.new("RGB", (max(width, 1), max(height, 1)), "white")
    draw = ImageDraw.Draw(image)
    for (x, y), colour, empty in zip(at.tolist(), _colours(np.asarray(value, np.float64)), dark.tolist(), strict=True):
        box = (x - radius, y - radius, x + radius, y + radius)
        draw.ellipse(box, outline=_DARK, width=_FINE) if empty else draw.ellipse(box, fill=colour)
    return _png(np.asarray(image))


def _colours(value: NDArray[np.float64]) -> list[tuple[int, int, int]]:
    share = np.clip(np.nan_to_num(value, nan=0.0, posinf=0.0, neginf=0.0), -1, 1)[:, None]
    end = np.where(share < 0, _LOW, _HIGH)
    mixed = np.rint(np.asarray(_PALE) + np.abs(share) * (end - np.asarray(_PALE))).astype(int)
    return [(int(red), int(green), int(blue)) for red, green, blue in mixed]


def _png(pixels: NDArray[np.uint8]) -> str:
    from PIL import Image

    content = io.BytesIO()
    Image.fromarray(pixels).save(content, "PNG", optimize=True)
    return base64.b64encode(content.getvalue()).decode("ascii")
