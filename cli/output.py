"""What commands print: results on standard output, talk on standard error."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from os import PathLike
from typing import Any

import click

UNITS = {
    **{"_px_per_um": "px/um", "_w_cm2": "W/cm^2", "_deg": "deg", "_px": "px", "_nm": "nm", "_um": "um", "_mm": "mm"},
    **{"_uk_per_s": "uK/s", "_per_s": "/s", "_uk": "uK", "_nk": "nK", "_mhz": "MHz", "_khz": "kHz", "_hz": "Hz"},
    **{"_mw": "mW", "_au": "a.u."},
}
"""Ends of the names of numbers, and the units they stand for."""


def show(result: Mapping[str, Any], as_json: bool) -> None:
    """Print a result: one JSON object, or a line for each entry and a table for each list of mappings.

    Warnings are left out of the lines: a person has them on standard error.
    """
    if as_json:
        _print(json.dumps(plain(result), allow_nan=False))
        return
    tables = [key for key, value in result.items() if _is_table(value)]
    lines = [key for key, value in result.items() if value not in (None, [], ()) and key not in (*tables, "warnings")]
    _print(aligned([_label(key), _text(key, result[key])] for key in lines))
    for key in tables:
        rows = [[_text("", value) for value in row.values()] for row in result[key]]
        _print(f"\n{_label(key)}\n{aligned([[*map(_heading, result[key][0])], *rows])}")


def _print(text: str) -> None:
    try:
        click.echo(text)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise OSError(error.errno, error.strerror, "standard output") from error


def plain(value: Any) -> Any:
    """Give JSON's own types; numbers that are not finite become null."""
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if isinstance(value, PathLike):
        return str(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _is_table(value: Any) -> bool:
    """Whether a value is a list of mappings with the same keys; the record of a mask may hold anything."""
    rows = value if isinstance(value, list | tuple) else ()
    return bool(rows) and all(isinstance(row, Mapping) and [*row] == [*rows[0]] for row in rows)


def _label(key: str) -> str:
    unit = _unit(key)
    return key.removesuffix(unit).replace("_", " ")


def _heading(key: str) -> str:
    unit = _unit(key)
    return f"{_label(key)} ({UNITS[unit]})" if unit else _label(key)


def _unit(key: str) -> str:
    return next((end for end in UNITS if key.endswith(end)), "")


def _text(key: str, value: Any) -> str:
    unit = _unit(key)
    if isinstance(value, list | tuple):
        text = ", ".join(_text("", entry) for entry in value) or "none"
    elif isinstance(value, bool):
        text = "yes" if value else "no"
    elif isinstance(value, float):
        text = f"{value:.5g}"
    elif isinstance(value, PathLike):
        text = click.format_filename(value)
    else:
        text = printable(str(value))
    return f"{text} {UNITS[unit]}" if unit else text


def printable(text: str) -> str:
    """A text on one line, without the characters that would command a terminal."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def aligned(rows: Iterable[Sequence[str]]) -> str:
    """Text of some rows with their columns below each other."""
    rows = list(rows)
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return "\n".join("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows)


def warn(texts: Iterable[str]) -> None:
    """Print warnings."""
    for text in texts:
        click.echo(printable(f"warning: {text}"), err=True)


def note(text: str) -> None:
    """Print a line of talk."""
    click.echo(text, err=True)


@contextmanager
def progress(figure: str = "uniformity") -> Iterator[Callable[[str, int, float], None] | None]:
    """Show the progress of a search, towards some figure, as one line that is wiped in the end; None where nobody watches a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    try:
        yield lambda stage, iterations, value: click.echo(
            f"\r\x1b[K{stage}: iteration {iterations}" + (f", {figure} {value:.5f}" if math.isfinite(value) else ""),
            err=True,
            nl=False,
        )
    finally:
        click.echo("\r\x1b[K", err=True, nl=False)
