"""TOML texts with some of their keys changed."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from holo.errors import InputError
from holo.tables import parse_toml, shortened

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_HEADING = re.compile(r"^[ \t]*\[\[[ \t]*([^\]\s]+)[ \t]*\]\]", re.MULTILINE)


def changed_toml(text: str, path: Path, changes: Mapping[str, Any]) -> str:
    """A TOML text with some values changed or added.

    Parameters
    ----------
    text : str
    path : Path
        Where it comes from, for messages.
    changes : mapping of str to value
        New values by dotted name; the n-th of the tables ``[[add]]`` is called ``add.n``, from 1.

    Returns
    -------
    str
        The same tables in the same order, without comments; `text` itself if there is nothing to change.

    Raises
    ------
    InputError
        If it is not TOML, or a name leads into something that is no table.

    Examples
    --------
    >>> text = 'title = "two"  # sites' + chr(10) + '[[add]]' + chr(10) + 'block = [2, 1]'
    >>> print(changed_toml(text, Path("a.toml"), {"add.1.target": 0.5, "dark.margin": 2}))
    title = "two"
    <BLANKLINE>
    [dark]
    margin = 2
    <BLANKLINE>
    [[add]]
    block = [2, 1]
    target = 0.5
    """
    if not changes:
        return text
    content = parse_toml(text, path).content()
    for name, value in changes.items():
        _put(content, name, value, path)
    return "\n".join(_lines(content, _HEADING.findall(text))).strip() + "\n"


def _put(content: dict[str, Any], name: str, value: Any, path: Path) -> None:
    *way, key = name.split(".")
    place: Any = content
    for number, part in enumerate(way, 1):
        place = place.setdefault(part, {}) if isinstance(place, dict) else _entry(place, part)
        if not isinstance(place, dict | list):
            found = f"found {shortened(place)}" if place is not None else f"there is no {'.'.join(way[:number])}"
            raise InputError(f"{path}: {name}: cannot be set, {found}; allowed: keys of tables, and tables by their number from 1")
    if not isinstance(place, dict):
        raise InputError(f"{path}: {name}: cannot be set, {'.'.join(way)} is a list; allowed: keys of tables")
    place[key] = value


def _entry(tables: list[Any], number: str) -> Any:
    """Take the n-th of some tables; None if there is none."""
    return tables[int(number) - 1] if number.isascii() and number.isdigit() and 1 <= int(number) <= len(tables) else None


def _lines(content: Mapping[str, Any], headings: list[str]) -> Iterator[str]:
    """Write plain keys, tables, then the entries of lists of tables in the order of their headings, which may mean something."""
    lists = {key: list(value) for key, value in content.items() if _is_tables(value)}
    yield from (f"{_key(key)} = {_value(value)}" for key, value in content.items() if not isinstance(value, dict) and key not in lists)
    for key, value in content.items():
        if isinstance(value, dict):
            yield from ("", f"[{_key(key)}]", *_pairs(value))
    for key in (*headings, *(key for key, entries in lists.items() for _ in entries)):
        if lists.get(key):
            yield from ("", f"[[{_key(key)}]]", *_pairs(lists[key].pop(0)))


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(entry, dict) for entry in value)


def _pairs(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items()]


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _value(key)


def _value(value: object) -> str:
    """Write a value in TOML 1.0 (toml.io/en/v1.0.0), tables inside of values in line."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case int() | float():
            return repr(value)
        case list() | tuple():
            return f"[{', '.join(map(_value, value))}]"
        case dict():
            return f"{{{', '.join(_pairs(value))}}}"
        case _:  # dates and times
            return str(value.isoformat())  # type: ignore[attr-defined]
