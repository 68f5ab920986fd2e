"""The starter patterns, arrangements that come along, known by their names; and the guides, pages to read."""

from __future__ import annotations

import difflib
import os
from importlib import import_module
from pathlib import Path

from holo.errors import InputError


def patterns() -> dict[str, Path]:
    """Give the starter patterns, arrangement files by name, in alphabetical order.

    Returns
    -------
    dict of str to path
        Paths of TOML files.

    Examples
    --------
    >>> patterns()["ring"].name
    'ring.toml'
    """
    folder = Path(next(iter(import_module("holo.patterns").__path__)))
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def guides() -> tuple[Path, Path]:
    """Give the tutorial and the table of symptoms, causes and remedies (Markdown).

    Returns
    -------
    tutorial, troubleshooting : path

    Examples
    --------
    >>> [path.name for path in guides()]
    ['tutorial.md', 'troubleshooting.md']
    """
    folder = Path(__file__).parent
    return folder / "tutorial.md", folder / "troubleshooting.md"


def arrangement_file(given: str | os.PathLike[str], folder: str | os.PathLike[str] = "") -> Path:
    """Find the arrangement that a user means: a file, else the starter pattern of this name.

    Parameters
    ----------
    given : path
        Of a file, or name of a starter pattern.
    folder : path, optional
        Where a relative path starts; by default, the current folder.

    Returns
    -------
    path

    Raises
    ------
    InputError
        If it is neither; the message names the nearest pattern.

    Examples
    --------
    >>> arrangement_file("ring") == patterns()["ring"]
    True
    """
    place = Path(folder, given)
    try:
        if place.exists():
            return place
    except OSError as error:  # a name that no file can have
        raise InputError(f"{place}: cannot be read ({error.strerror or error})") from error
    known = patterns()
    if str(given) in known:
        return known[str(given)]
    near = difflib.get_close_matches(Path(given).stem, known, 1)
    hint = f" (is {near[0]!r} meant?)" if near else ""
    raise InputError(f"{place}: neither a file nor a starter pattern{hint}; the starter patterns: {', '.join(known)}")
