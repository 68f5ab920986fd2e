"""Manifests: sets of masks with names, order, times and digests, one JSON file beside the files that hold them.

A set is what a control program works with: the frames of a move, the masks of a scan, the few that an experiment shows in turn. The
order of the masks in the manifest is that in which they are shown, one for each trigger.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path, PurePosixPath
from typing import Any

from holo import __version__
from holo.errors import InputError, naming
from holo.files import digest_of, open_tiff, read_bytes, read_page, write_text
from holo.mask import FORMAT as MASK_FORMAT
from holo.mask import Levels, check_keys, read_mask
from holo.tables import parse_json, shortened

FORMAT, VERSION = "holo set", 1
"""What a manifest calls itself, and the version that this program writes and reads."""

MANIFEST = "manifest.json"
"""Name of the manifest of a folder of masks."""

MAX_BYTES = 256 * 2**20
"""Largest manifest that is read."""

LONGEST_NAME = 100
"""Most characters of the name of a mask."""

FORBIDDEN = frozenset('/\\:*?"<>|')
"""Characters that no name of a mask holds, as it may become that of a file."""

TYPES = ("uint8", "uint16")
"""Number types of levels."""


@dataclass(frozen=True)
class Entry:
    """One mask of a set.

    Attributes
    ----------
    name : str
        See `check_name`.
    file : str
        The TIFF file that holds it, from the manifest's folder on, parts separated by ``/``; never outside that folder.
    page : int
        Page of that file with the levels, from 0.
    digest : str
        Of the levels, see `levels_digest`.
    time_ms : float or None
        When it is shown, from the beginning of the set on; None where that is not known.
    figures : mapping
        JSON-compatible: what is known of its light.
    """

    name: str
    file: str
    page: int
    digest: str
    time_ms: float | None = None
    figures: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Manifest:
    """A set of masks for one panel.

    Attributes
    ----------
    rows, columns : int
        Shape of the levels of each mask.
    type : str
        Their number type, one of `TYPES`.
    masks : tuple of Entry
        In the order in which they are shown; names differ, and times rise.
    made_from : mapping
        JSON-compatible: what the set as a whole was made from.

    Raises
    ------
    InputError
        If a value is not what it is said to be here; the message names its key.
    """

    rows: int
    columns: int
    type: str
    masks: tuple[Entry, ...]
    made_from: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for key in ("rows", "columns"):
            if getattr(self, key) < 1:
                raise InputError(f"{key}: found {getattr(self, key)}; allowed: 1 or more")
        if self.type not in TYPES:
            raise InputError(f"type: found {shortened(self.type)}; allowed: {' or '.join(TYPES)}")
        names: dict[str, int] = {}
        last = -1.0
        for number, entry in enumerate(self.masks):
            with naming(f"masks[{number}]"):
                _check_entry(entry)
                if entry.name in names:
                    raise InputError(f"name: found {entry.name!r}, which masks[{names[entry.name]}] has too; allowed: every name once")
                if entry.time_ms is not None and not last < entry.time_ms < math.inf:
                    raise InputError(f"time_ms: found {entry.time_ms:g}; allowed: {_after(last)}")
            names[entry.name] = number
            last = last if entry.time_ms is None else entry.time_ms


def _after(last: float) -> str:
    return "a number from 0 up" if last < 0 else f"more than the {last:g} before it"


def _check_entry(entry: Entry) -> None:
    """Raise `InputError`, naming the key, unless an entry is what `Entry` says."""
    check_name(entry.name)
    parts = PurePosixPath(entry.file).parts
    if not parts or entry.file.startswith("/") or ".." in parts or "\\" in entry.file or ":" in entry.file or "\0" in entry.file:
        raise InputError(f"file: found {shortened(entry.file)}; allowed: a file in the folder of the manifest or below it")
    if entry.page < 0:
        raise InputError(f"page: found {entry.page}; allowed: 0 or more")
    hexadecimal = entry.digest.removeprefix("sha256:")
    if not entry.digest.startswith("sha256:") or len(hexadecimal) != 64 or not set(hexadecimal) <= set("0123456789abcdef"):
        raise InputError(f"digest: found {shortened(entry.digest)}; allowed: 'sha256:' and 64 hexadecimal digits")


def check_name(name: str) -> None:
    """Refuse what cannot be the name of a mask, and of a file.

    Parameters
    ----------
    name : str
        What a user calls a mask.

    Raises
    ------
    InputError
        Unless it has 1 to `LONGEST_NAME` printable characters, none of `FORBIDDEN` among them, and no dot or space at either end.

    Examples
    --------
    >>> check_name("ring, 2 um")
    >>> check_name("../ring")
    Traceback (most recent call last):
    ...
    holo.errors.InputError: name: found '../ring'; allowed: 1 to 100 printable characters but " * / : ... |, no dot or space at either end
    """
    if not 1 <= len(name) <= LONGEST_NAME or not name.isprintable() or FORBIDDEN & set(name) or name != name.strip(". "):
        allowed = f"1 to {LONGEST_NAME} printable characters but {' '.join(sorted(FORBIDDEN))}, no dot or space at either end"
        raise InputError(f"name: found {shortened(name)}; allowed: {allowed}")


def raw_levels(levels: Levels) -> bytes:
    r"""Levels as bytes: row after row from the top, a pixel in one byte (uint8) or two, the lower one first (uint16).

    Parameters
    ----------
    levels : ndarray of int, shape (rows, columns)
        uint8 or uint16.

    Returns
    -------
    bytes
        One or two times rows times columns of them.

    Examples
    --------
    >>> import numpy as np
    >>> raw_levels(np.array([[1, 258]], np.uint16))
    b'\x01\x00\x02\x01'
    """
    return levels.astype(levels.dtype.newbyteorder("<"), order="C", copy=False).tobytes()


def levels_digest(levels: Levels) -> str:
    """SHA-256 of levels as `raw_levels` gives them, as ``sha256:<hex>``: the same whatever file they are in.

    Parameters
    ----------
    levels : ndarray of int, shape (rows, columns)
        uint8 or uint16.

    Returns
    -------
    str

    Examples
    --------
    >>> import numpy as np
    >>> levels_digest(np.zeros((2, 3), np.uint8)) == digest_of(bytes(6))
    True
    """
    return digest_of(raw_levels(levels))


def listed(manifest: Manifest) -> dict[str, Any]:
    """Write a manifest as a JSON-compatible dict: keys as in `Manifest` and `Entry`, and ``format``, ``version`` and ``holo``.

    Parameters
    ----------
    manifest : Manifest

    Returns
    -------
    dict
        As it stands in a file.
    """
    return {
        **{"format": FORMAT, "version": VERSION, "holo": __version__},
        **{"rows": manifest.rows, "columns": manifest.columns, "type": manifest.type, "made_from": dict(manifest.made_from)},
        "masks": [entry_listed(entry) for entry in manifest.masks],
    }


def entry_listed(entry: Entry) -> dict[str, Any]:
    """Write an entry as a JSON-compatible dict.

    Parameters
    ----------
    entry : Entry

    Returns
    -------
    dict
        As it stands in a file.
    """
    return {**vars(entry), "figures": dict(entry.figures)}


def write_manifest(path: str | os.PathLike[str], manifest: Manifest, overwrite: bool = False) -> None:
    """Write a manifest file; raises as `holo.files.writing`.

    Parameters
    ----------
    path : path
        Of a file in a folder that is there.
    manifest : Manifest
    overwrite : bool
        Whether it may exist.

    Raises
    ------
    OutputExistsError, InputError
        As `holo.files.writing`.
    """
    write_text(path, json.dumps(listed(manifest), indent=1, allow_nan=False) + "\n", overwrite)


_KEYS: dict[str, tuple[type, ...]] = {
    **{"format": (str,), "version": (int,), "holo": (str,), "rows": (int,), "columns": (int,), "type": (str,)},
    **{"made_from": (dict,), "masks": (list,)},
}
_ENTRY_KEYS: dict[str, tuple[type, ...]] = {
    **{"name": (str,), "file": (str,), "page": (int,), "digest": (str,), "time_ms": (int, float, type(None)), "figures": (dict,)},
}


def read_manifest(path: str | os.PathLike[str]) -> Manifest:
    """Read a manifest file, and trust nothing in it; whether the masks are there is for `read_levels` and `check_manifest` to find out.

    Parameters
    ----------
    path : path
        A JSON file.

    Returns
    -------
    Manifest

    Raises
    ------
    InputError
        With file and key, if it is not JSON, lacks a key, has one that is not known, or a value is not what `Manifest` says.
    """
    content = parse_json(read_bytes(path, MAX_BYTES), path)
    for key, allowed in (("format", FORMAT), ("version", VERSION)):
        if type(content.get(key)) is not type(allowed) or content[key] != allowed:
            raise InputError(f"{path}: manifest.{key}: found {shortened(content.get(key))}; allowed: {allowed!r}")
    _only(path, "manifest", content, _KEYS)
    entries = tuple(read_entry(path, f"masks[{number}]", entry) for number, entry in enumerate(content["masks"]))
    with naming(path):
        return Manifest(content["rows"], content["columns"], content["type"], entries, content["made_from"])


def read_entry(path: str | os.PathLike[str], where: str, content: object) -> Entry:
    """Make an entry of a JSON object that must have its keys and types; raises `InputError` with file and place if it has not.

    Parameters
    ----------
    path, where : path and str
        File and place in it, for messages.
    content : object
        As parsed.

    Returns
    -------
    Entry

    Raises
    ------
    InputError
        With file and place, if it is no entry.
    """
    _only(path, where, content, _ENTRY_KEYS)
    assert isinstance(content, dict)
    return Entry(**content)


def _only(path: str | os.PathLike[str], where: str, content: object, keys: dict[str, tuple[type, ...]]) -> None:
    """Refuse a table that lacks one of the keys, has a value of a wrong type, or a key besides."""
    check_keys(path, where, content, keys)
    assert isinstance(content, dict)
    for key in content:
        if key not in keys:
            raise InputError(f"{path}: {where}.{shortened(key)}: unknown key; allowed keys: {', '.join(keys)}")


def read_levels(path: str | os.PathLike[str], manifest: Manifest, entry: Entry) -> Levels:
    """Levels of a mask of a set, found to be the ones that the manifest tells of.

    Parameters
    ----------
    path : path
        Of the manifest file.
    manifest : Manifest
    entry : Entry
        One of its masks.

    Returns
    -------
    ndarray of uint8 or uint16, shape (rows, columns)

    Raises
    ------
    InputError
        If the file is missing, lies (by way of a link) outside the manifest's folder, is not a readable TIFF file, or does not hold levels
        of this shape, type and digest.
    """
    with naming(f"{path}: mask {entry.name!r}"), open_tiff(entry_file(path, entry)) as pages:
        return _told_of(manifest, entry, entry_file(path, entry), pages)


@contextmanager
def opened_levels(path: str | os.PathLike[str], manifest: Manifest) -> Iterator[Callable[[int], Levels]]:
    """Open the masks of a set; gives what `read_levels` gives, by number, without opening a file of many pages anew for each.

    Parameters
    ----------
    path : path
        Of the manifest.
    manifest : Manifest

    Yields
    ------
    callable
        Takes the number of a mask, from 0; gives its levels, shape (rows, columns); raises as `read_levels`.
    """
    alone = len({entry.file for entry in manifest.masks}) == 1
    with open_tiff(entry_file(path, manifest.masks[0])) if alone else nullcontext() as pages:

        def load(number: int) -> Levels:
            entry = manifest.masks[number]
            if pages is None:
                return read_levels(path, manifest, entry)
            with naming(f"{path}: mask {entry.name!r}"):
                return _told_of(manifest, entry, entry_file(path, entry), pages)

        yield load


def manifest_file(path: Path) -> Path | None:
    """Path of the manifest that belongs to a folder, to a TIFF file of many pages, or is given itself; None for a file of one mask.

    Parameters
    ----------
    path : path
        A folder, a TIFF file or a manifest; it need not exist.

    Returns
    -------
    path or None
    """
    if path.is_dir():
        return path / MANIFEST
    if path.suffix == ".json":
        return path
    beside = path.with_suffix(".json")
    try:
        return beside if parse_json(read_bytes(beside, MAX_BYTES), beside).get("format") == FORMAT else None
    except InputError:
        return None


def even_period_ms(manifest: Manifest) -> float | None:
    """Time from one mask to the next, if it is the same for all; None where it is not or not known.

    Parameters
    ----------
    manifest : Manifest

    Returns
    -------
    float or None
        ms; differences of a thousandth count as none.

    Examples
    --------
    >>> one, two, late = (Entry(name, name, 0, "sha256:" + 64 * "0", time) for name, time in (("a", 0.0), ("b", 20.0), ("c", 50.0)))
    >>> even_period_ms(Manifest(2, 3, "uint8", (one, two))), even_period_ms(Manifest(2, 3, "uint8", (one, two, late)))
    (20.0, None)
    """
    times = [entry.time_ms for entry in manifest.masks]
    steps = [later - earlier for earlier, later in pairwise(times) if earlier is not None and later is not None]
    if len(steps) < max(1, len(times) - 1) or max(steps) - min(steps) > 1e-3 * min(steps):
        return None
    return sum(steps) / len(steps)


def _told_of(manifest: Manifest, entry: Entry, file: Path, pages: Any) -> Levels:
    """Levels on a page of an open TIFF file, if they are those of the manifest."""
    levels = _page(file, pages, entry.page)
    found, wanted = (levels.shape, str(levels.dtype)), ((manifest.rows, manifest.columns), manifest.type)
    if found != wanted:
        raise InputError(f"file: found levels of shape {found[0]}, type {found[1]} in {file}; allowed: {wanted[0]}, {wanted[1]}")
    if (digest := levels_digest(levels)) != entry.digest:
        raise InputError(f"digest: found {digest} for the levels in {file}; allowed: {entry.digest}, those the set was made with")
    return levels


def entry_file(path: str | os.PathLike[str], entry: Entry) -> Path:
    """Path of the file of a mask; raises `InputError` if a link leads it out of the folder of the manifest `path`.

    Parameters
    ----------
    path : path
        Of the manifest.
    entry : Entry
        One of its masks.

    Returns
    -------
    path

    Raises
    ------
    InputError
        If a link leads out of the folder of the manifest.
    """
    return inside(Path(path).parent, entry.file)


def inside(folder: Path, name: str) -> Path:
    """Path of a file in a folder or below it.

    Parameters
    ----------
    folder : path
        Where files may lie.
    name : str
        Relative to it.

    Returns
    -------
    path

    Raises
    ------
    InputError
        If the name leads out of the folder, by itself or by way of a link.

    Examples
    --------
    >>> inside(Path("masks"), "../ring.tiff")
    Traceback (most recent call last):
    ...
    holo.errors.InputError: masks/../ring.tiff: leads out of the folder masks; allowed: files in it or below it
    """
    file = folder / name
    try:
        within = file.resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError) as error:
        raise InputError(f"{shortened(str(file))}: cannot be read ({error})") from error
    if not within:
        raise InputError(f"{file}: leads out of the folder {folder}; allowed: files in it or below it")
    return file


def _page(file: Path, pages: Any, page: int) -> Levels:
    """Levels on a page of an open TIFF file."""
    if page >= len(pages):
        raise InputError(f"page: found {page}; allowed: 0 to {len(pages) - 1}, the pages of {file}")
    levels = read_page(file, pages, page)
    if str(levels.dtype) not in TYPES:
        raise InputError(f"{file}: page {page}: found pixels of type {levels.dtype}; allowed: {' or '.join(TYPES)}, levels")
    return levels


def check_manifest(path: str | os.PathLike[str]) -> Manifest:
    """Read a manifest file and every mask that it names, one after the other; raises as `read_manifest` and `read_levels`.

    Parameters
    ----------
    path : path
        Of the manifest.

    Returns
    -------
    Manifest

    Raises
    ------
    InputError
        As `read_manifest` and `read_levels`.
    """
    manifest = read_manifest(path)
    for entry in manifest.masks:
        read_levels(path, manifest, entry)
    return manifest


def manifest_of(path: str | os.PathLike[str], files: Iterable[str | os.PathLike[str]], times_ms: Sequence[float] | None = None) -> Manifest:
    """Make the manifest of mask files.

    Parameters
    ----------
    path : path
        Where the manifest is to stand.
    files : iterable of path
        Mask files (or other TIFF files with levels on their first page) in the folder of the manifest or below it, in the order in which
        they are to be shown. Their names without suffix become those of the masks.
    times_ms : sequence of float, optional
        When each is shown, from the first one on.

    Returns
    -------
    Manifest

    Raises
    ------
    InputError
        If there is no file, one cannot be read, lies elsewhere, or has levels of another shape or type than the first; if two have the same
        name; if there are not as many times as files, or they do not rise.
    """
    paths = [Path(file) for file in files]
    if not paths:
        raise InputError("found no masks; allowed: one or more")
    times: Sequence[float | None] = [None] * len(paths) if times_ms is None else times_ms
    if len(times) != len(paths):
        raise InputError(f"times: found {len(times)} of them for {len(paths)} mask(s); allowed: one for each")
    folder, entries, first = Path(path).parent.resolve(), [], None
    for file, time_ms in zip(paths, times, strict=True):
        levels, figures = _shown(file)
        found = (levels.shape, str(levels.dtype))
        first = first or found
        if found != first:
            raise InputError(
                f"{file}: found levels of shape {found[0]}, type {found[1]}; allowed: {first[0]}, {first[1]}, as in {paths[0]}"
            )
        place = file.resolve()
        if not place.is_relative_to(folder):
            raise InputError(f"{file}: found outside {folder}, the folder of {path}; allowed: files in it or below it")
        entries.append(Entry(file.stem, place.relative_to(folder).as_posix(), 0, levels_digest(levels), time_ms, figures))
    assert first is not None
    with naming(path):
        return Manifest(first[0][0], first[0][1], first[1], tuple(entries))


def _shown(file: Path) -> tuple[Levels, dict[str, Any]]:
    """Levels and figures of a mask file; of other TIFF files, their first page, and no figures."""
    with open_tiff(file) as pages:
        described = f'"{MASK_FORMAT}"' in pages[0].description
    if not described:
        with open_tiff(file) as pages:
            return _page(file, pages, 0), {}
    mask = read_mask(file)
    return mask.levels, mask.record["figures"]


def times_from(rate_hz: float, count: int) -> list[float]:
    """Times at which a panel that takes masks at a rate shows the first ones, ms; raises `InputError` unless the rate is above 0.

    Parameters
    ----------
    rate_hz : float
        Masks a second.
    count : int
        How many times.

    Returns
    -------
    list of float
        ms, from 0.

    Raises
    ------
    InputError
        Unless the rate is above 0.

    Examples
    --------
    >>> times_from(50.0, 3)
    [0.0, 20.0, 40.0]
    """
    if not 0 < rate_hz < math.inf:
        raise InputError(f"rate: found {rate_hz:g}; allowed: a number above 0, Hz")
    return [1000 * number / rate_hz for number in range(count)]
