"""Checked reading of TOML and JSON: every key is taken by name, type and range, and what is left over is an error."""

from __future__ import annotations

import difflib
import json
import math
import os
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from holo.errors import InputError


def parse_toml(text: str, path: Path, *, confined: bool = False) -> Table:
    """The root table of TOML `text`; `path` names it in messages, and its folder is where relative paths start.

    With `confined` no file that it names may lie outside that folder, links included: for text that comes from somebody else.

    Raises
    ------
    InputError
        If it is not TOML; the message has the line.
    """
    _check_size(text, path)
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # ValueError also for whole numbers of thousands of digits
        raise InputError(f"{path}: not valid TOML: {error or 'nested too deeply'}") from error
    return Table(content, path, confined=confined)


MAX_TOML = 2**21
"""Most characters of a TOML text: 200,000 sites fit; a table of more belongs into a CSV file."""

MAX_PARTS = 16
"""Most parts of a dotted key."""

_BARE, _PART = r"[\w-]++", r"""(?:[\w-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_CHAINS = [re.compile(rf"{part}(?:[ \t]*+\.[ \t]*+{part})*+") for part in (_BARE, _PART)]
_CHAIN_ENDS = re.compile(r"[ \t]*+[\]=]")


def _check_size(text: str, path: Path) -> None:
    """Refuse text that the parser would be busy with for minutes: its time grows with the cube of the parts of a dotted key.

    Keys are looked for as bare words (strings may hold quotes that mislead a search), and as words and strings.
    """
    if len(text) > MAX_TOML:
        raise InputError(f"{path}: found {len(text)} characters; allowed: at most {MAX_TOML} (long lists of sites go into a CSV file)")
    for chain in (found for pattern in _CHAINS for found in pattern.finditer(text)):
        if chain[0].count(".") >= MAX_PARTS and len(re.findall(_PART, chain[0])) > MAX_PARTS and _CHAIN_ENDS.match(text, chain.end()):
            line = text.count("\n", 0, chain.start()) + 1
            raise InputError(f"{path}: not valid TOML: found a key of more parts at line {line}; allowed: at most {MAX_PARTS}")


def parse_json(content: bytes, path: str | os.PathLike[str]) -> dict[str, Any]:
    """Parse a JSON object; raises `InputError` for anything else, and for numbers that are not finite."""
    try:
        found = json.loads(content.decode(), parse_constant=_not_json)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: found {shortened(content[:80])}, not JSON ({error}); allowed: a JSON object") from error
    if not isinstance(found, dict):
        raise InputError(f"{path}: found {shortened(found)}; allowed: a JSON object")
    return found


def _not_json(constant: str) -> float:
    raise ValueError(f"{constant} is not a number that JSON knows")


class Table:
    """One TOML table whose keys are taken one by one.

    Parameters
    ----------
    content : dict
        As parsed.
    path : Path
        The file, for messages and relative paths.
    where : str
        Dotted place of the table in the file; empty for the root.
    confined : bool
        Whether the files it names must lie in the folder of `path`.

    Notes
    -----
    Each method takes one key and returns its checked value, `default` when the key is absent, or raises `InputError`
    with file, key, value found and values allowed. `close` raises for keys that nothing has taken.
    """

    def __init__(self, content: dict[str, Any], path: Path, where: str = "", *, confined: bool = False) -> None:
        self._content = content
        self._known: list[str] = []
        self.path = path
        self.where = where
        self.confined = confined

    def __contains__(self, key: str) -> bool:
        return key in self._content

    @property
    def keys(self) -> list[str]:
        """Names of all keys, taken or not."""
        return list(self._content)

    def name(self, key: str) -> str:
        """Dotted name of a key as messages show it."""
        return f"{self.where}.{key}" if self.where else key

    def wrong(self, key: str, allowed: str) -> InputError:
        """The error for a key whose value is not `allowed`."""
        found = shortened(self._content[key]) if key in self._content else "nothing"
        return InputError(f"{self.path}: {self.name(key)}: found {found}; allowed: {allowed}")

    def problem(self, key: str, text: str) -> InputError:
        """An error about a key in free words."""
        return InputError(f"{self.path}: {self.name(key)}: {text}")

    def _take(self, key: str, default: Any, allowed: str) -> Any:
        self._known.append(key)
        if key in self._content:
            return self._content[key]
        if default is REQUIRED:
            near = difflib.get_close_matches(key, self._content, 1)
            hint = f"; is {near[0]!r} meant to be it?" if near else ""
            raise InputError(f"{self.path}: {self.name(key)}: missing; needed: {allowed}{hint}")
        return default

    def number(self, key: str, low: float, high: float, default: Any = None, *, above: bool = False) -> Any:
        """A finite number from `low` (with `above`: greater than `low`) to `high`, as float."""
        allowed = f"a number {'above' if above else 'from'} {low:g} {'up ' if above else ''}to {high:g}"
        value = self._take(key, default, allowed)
        if key not in self._content:
            return value
        if not _is_number(value) or not low <= value <= high or (above and value == low):
            raise self.wrong(key, allowed)
        return float(value)

    def integer(self, key: str, low: int, high: int, default: Any = None) -> Any:
        """A whole number from `low` to `high`."""
        allowed = f"a whole number from {low} to {high}"
        value = self._take(key, default, allowed)
        if key in self._content and (type(value) is not int or not low <= value <= high):
            raise self.wrong(key, allowed)
        return value

    def text(self, key: str, choices: Sequence[str] = (), default: Any = None) -> Any:
        """A string, one of `choices` if any are given."""
        allowed = "one of " + ", ".join(choices) if choices else "a text of 1 to 500 characters"
        value = self._take(key, default, allowed)
        if key not in self._content:
            return value
        if not isinstance(value, str) or (choices and value not in choices) or not 1 <= len(value) <= 500:
            near = difflib.get_close_matches(str(value), choices, 1)
            raise self.wrong(key, allowed + (f" (did you mean {near[0]!r}?)" if near else ""))
        return value

    def flag(self, key: str) -> bool:
        """True or false; false without the key."""
        value = self._take(key, False, "true or false")
        if not isinstance(value, bool):
            raise self.wrong(key, "true or false")
        return value

    def numbers(self, key: str, count: int, low: float, high: float, default: Any = None) -> Any:
        """A list of `count` finite numbers in a range, as a tuple of floats."""
        allowed = f"{count} numbers from {low:g} to {high:g}"
        value = self._take(key, default, allowed)
        if key not in self._content:
            return value
        if not isinstance(value, list) or len(value) != count or not all(_is_number(v) and low <= v <= high for v in value):
            raise self.wrong(key, allowed)
        return tuple(float(v) for v in value)

    def integers(self, key: str, count: int, low: int, high: int, default: Any = None) -> Any:
        """A list of `count` whole numbers in a range, as a tuple."""
        allowed = f"{count} whole numbers from {low} to {high}"
        value = self._take(key, default, allowed)
        if key not in self._content:
            return value
        if not isinstance(value, list) or len(value) != count or not all(type(v) is int and low <= v <= high for v in value):
            raise self.wrong(key, allowed)
        return tuple(value)

    def rows(self, key: str, width: int, low: float, high: float, default: Any = None) -> Any:
        """A non-empty list of rows of `width` finite numbers, as a tuple of tuples of floats."""
        allowed = f"a list of rows of {width} numbers from {low:g} to {high:g}"
        value = self._take(key, default, allowed)
        if key not in self._content:
            return value
        if not isinstance(value, list) or not value:
            raise self.wrong(key, allowed)
        for number, row in enumerate(value, 1):
            if not isinstance(row, list) or len(row) != width or not all(_is_number(v) and low <= v <= high for v in row):
                raise InputError(f"{self.path}: {self.name(key)}: row {number}: found {shortened(row)}; allowed: {allowed}")
        return tuple(tuple(float(v) for v in row) for row in value)

    def texts(self, key: str) -> Any:
        """A non-empty list of strings, or one string of several lines, as a tuple."""
        allowed = "a list of texts, or one text of several lines"
        value = self._take(key, REQUIRED, allowed)
        if isinstance(value, str):
            value = value.strip().splitlines()
        if not isinstance(value, list) or not value or not all(isinstance(v, str) for v in value):
            raise self.wrong(key, allowed)
        return tuple(value)

    def file(self, key: str, default: Any = None) -> Any:
        """Path of an existing file; a relative one starts at the folder of the TOML file."""
        value = self._take(key, default, "the name of a file")
        if key not in self._content:
            return value
        if not isinstance(value, str) or not value or "\0" in value:
            raise self.wrong(key, "the name of a file")
        path = self.path.parent / value
        try:
            if self.confined and not path.resolve().is_relative_to(self.path.parent.resolve()):
                raise self.problem(key, f"found {value!r}; allowed: a file in the folder of {self.path.name}")
            there = path.is_file()
        except (OSError, RuntimeError):  # a name that no file can have, or links in a circle
            there = False
        if not there:
            raise self.problem(key, f"found {value!r}, but there is no file {path}")
        return path

    def table(self, key: str, default: Any = None) -> Any:
        """A sub-table as `Table`; `default` (REQUIRED or None) when it is absent."""
        value = self._take(key, default, f"a table [{self.name(key)}]")
        if key not in self._content:
            return value
        if not isinstance(value, dict):
            raise self.wrong(key, f"a table [{self.name(key)}]")
        return Table(value, self.path, self.name(key), confined=self.confined)

    def tables(self, key: str) -> list[Table]:
        """An array of tables ``[[key]]``; empty when it is absent."""
        allowed = f"tables headed [[{self.name(key)}]]"
        value = self._take(key, [], allowed)
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            raise self.wrong(key, allowed)
        return [Table(v, self.path, f"{self.name(key)}[{n}]", confined=self.confined) for n, v in enumerate(value, 1)]

    def content(self) -> dict[str, Any]:
        """The whole table as parsed, all its keys taken: for those whose check is somebody else's."""
        self._known += self.keys
        return self._content

    def close(self) -> None:
        """Raise `InputError` for the first key that nothing has taken, with the nearest known one."""
        for key in self._content:
            if key not in self._known:
                near = difflib.get_close_matches(key, self._known, 1, 0.5)
                hint = f"; nearest known key: {near[0]!r}" if near else ""
                found = f"unknown key, found {shortened(self._content[key])}{hint}"
                raise InputError(f"{self.path}: {self.name(key)}: {found}; allowed keys: {', '.join(self._known)}")


REQUIRED: Any = object()
"""Default that makes a key required."""


def _is_number(value: Any) -> bool:
    return (type(value) is int and abs(value) < 10**300) or (type(value) is float and math.isfinite(value))


def shortened(value: object) -> str:
    """A value as messages show it, in 80 characters at most.

    Examples
    --------
    >>> shortened("x" * 1000)[-6:]
    'xxx...'
    """
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # a whole number of thousands of digits, or a table in a table in a table ...
        text = f"a {type(value).__name__} too large to show"
    return text if len(text) <= 80 else text[:77] + "..."
