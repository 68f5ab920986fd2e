"""The panel's screen: masks pixel for pixel, without scaling, filtering or a change of values. The one door to pygame (SDL).

What the graphics card does behind the picture in memory (gamma table, colour profile, dithering, a resolution that the panel
does not have) is set in the system, and cannot be read back here: the panel's manual says how to switch it off.
"""

from __future__ import annotations

import os
import time
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.errors import InputError, ScreenError
from holo.mask import Levels

PACKINGS = {
    "grey": "76543210/76543210/76543210",
    "256r+g": "fedcba98/76543210/........",
    "4g+r": "......10/98765432/........",
}
"""How the bits of a level lie in the eight bits of red, green and blue, each from its highest bit down; see `packing`."""

UNSEEN = ("dummy", "offscreen")
"""Video drivers without a screen; for tests, by SDL_VIDEODRIVER."""

BLANK_S = 0.05
"""How long the blank picture stays before the screen is given back: a few pictures of any screen."""

_SETTINGS = {
    "PYGAME_HIDE_SUPPORT_PROMPT": "1",
    "SDL_NO_SIGNAL_HANDLERS": "1",  # Ctrl-C is for `holo.player`
    "SDL_VIDEO_MINIMIZE_ON_FOCUS_LOSS": "0",  # the user works on another screen meanwhile
    "SDL_WINDOWS_DPI_AWARENESS": "permonitorv2",  # no scaling by the desktop
    "SDL_RENDER_SCALE_QUALITY": "nearest",
    "SDL_FRAMEBUFFER_ACCELERATION": "0",  # pixels go straight to the window where nothing waits for the screen
    "SDL_VIDEO_X11_NET_WM_BYPASS_COMPOSITOR": "1",
}


@dataclass(frozen=True)
class Place:
    """A screen that is connected.

    Attributes
    ----------
    number : int
        From 0, in the system's order.
    columns, rows : int
    rate_hz : int
        Pictures a second; 0 if not known.
    """

    number: int
    columns: int
    rows: int
    rate_hz: int

    def __str__(self) -> str:
        return f"{self.number}: {self.columns} x {self.rows}"


# ---------------------------------------------------------------------------------------------------------------------
# levels as colours


def packing(text: str) -> NDArray[np.uint8]:
    """Colours of all levels that a packing can show.

    Parameters
    ----------
    text : str
        One of `PACKINGS`, or three groups of eight characters for red, green and blue with ``/`` between them. Each character stands for
        a bit of the colour, highest first: the bit of the level that goes there (0 to 9, a to f for 10 to 15), or ``.`` for none.

    Returns
    -------
    ndarray of uint8, shape (levels, 3)
        Red, green and blue of level 0, 1, 2 ...

    Raises
    ------
    InputError
        If the text is none of these, or leaves out a bit below its highest, so that some levels would look alike.

    Examples
    --------
    >>> packing("grey")[200].tolist()
    [200, 200, 200]
    >>> packing("256r+g").shape, packing("256r+g")[0x2a7].tolist()
    ((65536, 3), [2, 167, 0])
    >>> packing("4g+r")[1023].tolist()
    [3, 255, 0]
    """
    spelt = PACKINGS.get(text, text)
    groups = spelt.split("/")
    if [len(group) for group in groups] != [8, 8, 8] or not set(spelt) <= set("0123456789abcdef./"):
        raise InputError(f"pack: found {text[:80]!r}; allowed: {', '.join(PACKINGS)}, or bits such as {PACKINGS['4g+r']}")
    used = {int(letter, 16) for group in groups for letter in group if letter != "."}
    missing = set(range(max(used, default=-1) + 1)) - used
    if missing or len(used) < 8:
        raise InputError(f"pack: found {text[:80]!r} without bit {min(missing or {len(used)})}; allowed: every bit from 0 up, 8 at least")
    levels = np.arange(2 ** len(used))
    colours = np.zeros((len(levels), 3), np.uint8)
    for colour, group in enumerate(groups):
        for place, letter in enumerate(reversed(group)):
            if letter != ".":
                colours[:, colour] |= ((levels >> int(letter, 16) & 1) << place).astype(np.uint8)
    return colours


def check_levels(levels: Levels, colours: NDArray[np.uint8]) -> None:
    """Refuse levels that there are no colours for; 16-bit levels are not for a packing of 8 bits, however low they are.

    Parameters
    ----------
    levels : ndarray of int, shape (rows, columns)
    colours : ndarray of uint8, shape (levels, 3)
        Red, green and blue of each.

    Raises
    ------
    InputError
        Naming the highest level, and what the packing can show.
    """
    highest = int(levels.max())
    if highest >= len(colours) or (levels.dtype.itemsize > 1 and len(colours) == 256):
        found = f"levels: found levels of {8 * levels.dtype.itemsize} bits up to {highest}"
        raise InputError(f"{found}; allowed: 0 to {len(colours) - 1}, those that the packing can show; name another one (--pack)")


# ---------------------------------------------------------------------------------------------------------------------
# screens


def _pygame() -> ModuleType:
    for name, value in _SETTINGS.items():
        os.environ.setdefault(name, value)
    try:
        import pygame
    except ImportError as error:
        raise ScreenError('showing masks needs pygame-ce, which is not installed: python -m pip install ".[show]"') from error
    if not getattr(pygame, "IS_CE", False):
        raise ScreenError(f'found pygame {pygame.__version__}; needed: pygame-ce in its place: python -m pip install ".[show]"')
    return pygame


@contextmanager
def _video() -> Iterator[ModuleType]:
    """The video part of pygame; whatever it refuses becomes a `ScreenError`."""
    pygame = _pygame()
    try:
        pygame.display.init()
        driver = pygame.display.get_driver()
        if driver in UNSEEN and not {os.environ.get(name) for name in ("SDL_VIDEODRIVER", "SDL_VIDEO_DRIVER")} & {*UNSEEN}:
            raise ScreenError("found no screen; is one connected, and does this session have access to it (DISPLAY, WAYLAND_DISPLAY)?")
        yield pygame
    except pygame.error as error:
        raise ScreenError(
            f"the screen cannot be used ({error}); is a screen connected, and does this session have access to it?"
        ) from error
    finally:
        pygame.display.quit()


def screens() -> list[Place]:
    """List the screens that are connected.

    Returns
    -------
    list of Place
        With their sizes and places, px.

    Raises
    ------
    ScreenError
        If there is none, or pygame-ce is not installed.
    """
    with _video() as pygame:
        return _places(pygame)


def _places(pygame: ModuleType) -> list[Place]:
    rates = pygame.display.get_desktop_refresh_rates()
    sizes = pygame.display.get_desktop_sizes()
    return [Place(number, size[0], size[1], rate) for number, (size, rate) in enumerate(zip(sizes, rates, strict=True))]


def choose(found: Sequence[Place], shape: tuple[int, int], number: int | None = None, at: tuple[int, int] = (0, 0)) -> Place:
    """Choose the screen for masks of some shape.

    Parameters
    ----------
    found : sequence of Place
    shape : (int, int)
        Rows and columns of the masks.
    number : int, optional
        Of the screen; by default the only one that has the size of the masks.
    at : (int, int)
        Column and row of the screen where the masks' top left corner goes.

    Returns
    -------
    Place

    Raises
    ------
    ScreenError
        If there is no such screen.
    InputError
        If it is too small, or several have the size of the masks.

    Examples
    --------
    >>> choose([Place(0, 1920, 1080, 60), Place(1, 1200, 1000, 60)], (1000, 1200)).number
    1
    """
    listed = ", ".join(map(str, found)) or "none"
    rows, columns = shape
    if number is None:
        fitting = [place for place in found if (place.columns, place.rows) == (columns, rows)]
        if not fitting:
            raise ScreenError(
                f"found no screen of {columns} x {rows} pixels, the size of the mask ({listed}): connect the panel, or name one"
            )
        if len(fitting) > 1:
            raise InputError(f"screen: found {len(fitting)} screens of the size of the mask ({listed}); allowed: name one (--screen)")
        number = fitting[0].number
    if number not in [place.number for place in found]:
        raise ScreenError(f"screen {number}: not there ({listed})")
    place = found[number]
    if min(at) < 0 or at[0] + columns > place.columns or at[1] + rows > place.rows:
        where = f" at {at[0]}, {at[1]}" if any(at) else ""
        raise InputError(f"screen {place}: found a mask of {columns} x {rows} pixels{where}; allowed: what fits, as nothing is scaled")
    return place


class Screen:
    """A screen that shows masks; made by `showing`."""

    def __init__(
        self, pygame: ModuleType, surface: Any, place: Place, colours: NDArray[np.uint8], at: tuple[int, int], refresh_s: float | None
    ) -> None:
        self._pygame, self._surface, self._at = pygame, surface, at
        self.place = place
        self.refresh_s = refresh_s
        self.driver: str = pygame.display.get_driver()
        self._colours = colours
        shifts = np.array(surface.get_shifts()[:3], np.uint32)
        self._packed = (colours.astype(np.uint32) << shifts).sum(axis=1, dtype=np.uint32)

    def prepare(self, levels: Levels) -> None:
        """Draw a mask where nobody sees it yet.

        Parameters
        ----------
        levels : ndarray of int, shape (rows, columns)

        Raises
        ------
        InputError
            If there are no colours for its levels, or it does not fit.
        """
        check_levels(levels, self._colours)
        rows, columns = levels.shape
        x, y = self._at
        pixels = self._pygame.surfarray.pixels2d(self._surface).T
        if x + columns > pixels.shape[1] or y + rows > pixels.shape[0]:
            raise InputError(f"screen {self.place}: found a mask of {columns} x {rows} pixels; allowed: what fits")
        part = pixels[y : y + rows, x : x + columns]
        for row in range(0, rows, 64):  # twice as fast as all at once, as what numpy makes of the levels stays in the cache
            np.take(self._packed, levels[row : row + 64], out=part[row : row + 64], mode="clip")

    def fill(self, level: int) -> None:
        """Draw a level everywhere, where nobody sees it yet.

        Parameters
        ----------
        level : int
            One that there is a colour for.
        """
        self._pygame.surfarray.pixels2d(self._surface)[:] = self._packed[level]

    def show(self) -> None:
        """Put on the screen what was drawn."""
        self._pygame.display.flip()

    def drawn(self) -> NDArray[np.uint8]:
        """Read back what was drawn: red, green and blue, shape (rows, columns, 3).

        Returns
        -------
        ndarray of uint8, shape (rows, columns, 3)
        """
        return np.asarray(self._pygame.surfarray.array3d(self._surface).swapaxes(0, 1))

    def wishes(self) -> Sequence[str]:
        """Tell what the user pressed since the last call.

        Returns
        -------
        list of str
            "next" (right arrow, space, return), "back" (left arrow, backspace), "end" (Esc, q, or the window is closed).

        Raises
        ------
        ScreenError
            If the screen is not there any more, or has another size.
        """
        pygame, found = self._pygame, []
        keys = {
            **dict.fromkeys((pygame.K_RIGHT, pygame.K_SPACE, pygame.K_RETURN), "next"),
            **dict.fromkeys((pygame.K_LEFT, pygame.K_BACKSPACE), "back"),
            **dict.fromkeys((pygame.K_ESCAPE, pygame.K_q), "end"),
        }
        for event in pygame.event.get():
            if event.type == pygame.QUIT:
                found.append("end")
            elif event.type == pygame.KEYDOWN and event.key in keys:
                found.append(keys[event.key])
        sizes = pygame.display.get_desktop_sizes()
        if self.place.number >= len(sizes) or sizes[self.place.number] != (self.place.columns, self.place.rows):
            raise ScreenError(f"screen {self.place}: went away, or changed its size, while it showed a mask")
        return found


@contextmanager
def showing(
    shape: tuple[int, int], colours: NDArray[np.uint8], *, number: int | None = None, at: tuple[int, int] = (0, 0), blank: int = 0
) -> Iterator[Screen]:
    """Take a screen for masks, and leave it blank, whatever happens.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns of the masks.
    colours : ndarray of uint8, shape (levels, 3)
        See `packing`.
    number, at
        See `choose`.
    blank : int
        Level that the screen has before, around and after the masks.

    Yields
    ------
    Screen
        Blank. `Screen.show` waits for the screen's own pictures where the system lets it.

    Raises
    ------
    ScreenError
        If there is no such screen, or it cannot be used.
    InputError
        If it is too small, shows fewer colours than the levels need, or `blank` is no level.
    """
    if not 0 <= blank < len(colours):
        raise InputError(f"blank: found level {blank}; allowed: 0 to {len(colours) - 1}")
    with _video() as pygame:
        place = choose(_places(pygame), shape, number, at)
        depth = pygame.display.Info().bitsize
        if depth < 24:
            raise InputError(f"screen {place}: found {depth} bits of colour; allowed: 24 or more, 8 for each of red, green and blue")
        surface, waits = _opened(pygame, place)
        screen = Screen(pygame, surface, place, colours, at, 1 / place.rate_hz if waits else None)
        try:
            screen.fill(blank)
            screen.show()
            yield screen
        finally:
            screen.fill(blank)
            screen.show()
            pygame.event.pump()
            time.sleep(BLANK_S)


def _opened(pygame: ModuleType, place: Place) -> tuple[Any, bool]:
    """The pixels of a whole screen, and whether showing them waits for its pictures."""
    size = (place.columns, place.rows)
    pygame.display.set_caption("holo show")
    surface, waits = None, place.rate_hz > 0  # without a rate nobody could tell what waiting does
    if waits:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of a renderer without hardware, which is as exact
                surface = pygame.display.set_mode(size, pygame.FULLSCREEN | pygame.SCALED, display=place.number, vsync=1)
        except pygame.error:
            waits = False
    if surface is None:
        surface = pygame.display.set_mode(size, pygame.FULLSCREEN, depth=32, display=place.number)
    if surface.get_size() != size or pygame.display.get_window_size() != size:
        raise InputError(f"screen {place}: found a window of {pygame.display.get_window_size()} pixels; allowed: no scaling by the desktop")
    pygame.mouse.set_visible(False)
    return surface, waits
