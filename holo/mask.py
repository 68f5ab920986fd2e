"""Masks: phase to levels and back, mask files with the record that lets them be made again, rendering, nudging.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import io
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from holo.arrays import namespace, to_host
from holo.cards import card, levels_png
from holo.checks import check_finite
from holo.errors import InputError, naming
from holo.field.path import LightPath, wrap
from holo.files import check_output, open_tiff, read_page, write_bytes, writing
from holo.tables import shortened
from holo.terms import Addend, check_term

if TYPE_CHECKING:
    from holo.parts import Panel

Levels: TypeAlias = NDArray[np.uint8] | NDArray[np.uint16]
"""Grey levels, of 8 or 16 bits."""

FORMAT = "holo mask"
"""What the record of a mask file calls itself."""

VERSION = 1
"""Version of the record that this program writes and reads."""

MAX_RECORD_BYTES = 64 * 2**20
"""Largest record of a mask file that is read."""

FARTHEST_NUDGE_UM = 1e4
"""Longest nudge; beyond any objective's field and depth it is a mistake."""

RENDER_SUFFIXES = (".bmp", ".png", ".npy")
"""Kinds of file that `render_levels` writes."""

PARTS = 2**14
"""Equal parts of a turn of phase for which levels are looked up."""

_TURN = 2 * np.pi
_TOP = float(np.float32(_TURN))  # float32 rounds a phase just below 2 pi up to this


@dataclass(frozen=True)
class Mask:
    """What the panel shows, and how it came about.

    Attributes
    ----------
    levels : ndarray of uint8 or uint16, shape (rows, columns)
        Grey levels for the panel.
    phase : ndarray of float32, shape (rows, columns)
        Phase wanted, rad in [0, 2 pi). The levels are its nearest ones, but for the pixels that were trimmed to a neighbouring
        level so that the sites come level in spite of the rounding.
    record : dict
        JSON-compatible: ``format`` ("holo mask"), ``version`` (1), ``time`` (ISO 8601, UTC), ``holo`` (version of the program),
        ``bench``, ``arrangement`` and ``registration`` (each a dict of ``path``, ``digest``, ``text`` and ``files``, side files by
        digest; ``registration`` is None where the bench's nominal lattice was used), ``seed``, ``options``, ``figures`` (empty where
        none were predicted for these levels) and ``nudges`` (dicts of ``x_um``, ``y_um``, ``focus_um``, in the order made, and of ``added``
        where more was added, a list of what `holo.terms.Addend.recorded` tells).
    """

    levels: Levels
    phase: NDArray[np.float32]
    record: dict[str, Any]

    def _repr_html_(self) -> str:
        """Show the mask in a notebook."""
        record, (rows, columns) = self.record, self.levels.shape
        told: list[tuple[str, object]] = [
            ("panel", f"{columns} x {rows} pixels, {self.levels.dtype}"),
            ("made", f"{record['time']}, holo {record['holo']}"),
        ]
        told += [(key, record[key]["path"] or "given in code") for key in SOURCES if record[key]]
        figures = {name: value for name, value in record["figures"].items() if isinstance(value, int | float)}
        told += [(f"predicted {name.replace('_', ' ')}", value) for name, value in figures.items()]
        told += [("nudges", len(record["nudges"]))] if record["nudges"] else []
        return card("Mask", told, *levels_png(self.levels))


# ---------------------------------------------------------------------------------------------------------------------
# phase <-> levels


def response_of_levels(panel: Panel) -> NDArray[np.float64]:
    """Phase that each level of a panel makes, without its flatness.

    Parameters
    ----------
    panel : Panel
        With a linear response (``level_for_2pi``) or a measured one (``response``, rows of level and phase in rad).

    Returns
    -------
    ndarray of float64, shape (levels,)
        Phase of level 0, 1, 2 ... in rad, not wrapped. Between measured levels it is interpolated linearly; beyond the last
        measured one it stays constant.
    """
    levels = np.arange(panel.levels)
    if panel.response is None:
        assert panel.level_for_2pi is not None  # a bench has one or the other
        return np.asarray(_TURN * levels / panel.level_for_2pi)
    level, phase = np.asarray(panel.response, dtype=np.float64).T
    return np.asarray(np.interp(levels, level, phase))


def levels_of_phase(phase: NDArray[np.floating[Any]], panel: Panel) -> Levels:
    """Levels whose real phase comes nearest to the phase wanted, modulo 2 pi.

    Parameters
    ----------
    phase : ndarray of float, shape (rows, columns)
        Phase wanted on the panel, rad, any number of turns.
    panel : Panel
        Its flatness, the phase error that it adds by itself, is taken off first.

    Returns
    -------
    ndarray of uint8 (up to 256 levels) or uint16, shape (rows, columns)
        Of levels that make the same phase modulo 2 pi the lowest is taken, so that a linear response stays below ``level_for_2pi``.
        A phase midway between two levels always falls to the same one of them.

    Raises
    ------
    InputError
        If the phase has not the shape of the panel, or is not finite.

    Notes
    -----
    Nearest is meant on the circle: 0.1 rad is as near to 2 pi as to 0.2 rad. The panel's phase error after rounding is at most half
    the largest step between neighbouring levels, as long as its response covers 2 pi.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> panel = SimpleNamespace(rows=1, columns=3, levels=256, level_for_2pi=212, response=None, flatness=None)
    >>> levels_of_phase(np.array([[0.0, np.pi, -0.01]]), panel)
    array([[  0, 106,   0]], dtype=uint8)
    """
    _check_shape(phase, panel, "phase")
    check_finite("phase", phase)
    xp = namespace(phase)
    wanted = xp.asarray(phase, dtype=np.float64)
    turns = (wanted if panel.flatness is None else wanted - xp.asarray(panel.flatness)) / _TURN
    turns -= np.floor(turns)
    number: type[np.unsignedinteger[Any]] = np.uint8 if panel.levels <= 256 else np.uint16
    if panel.level_for_2pi is not None and panel.level_for_2pi == int(panel.level_for_2pi) <= panel.levels:
        period = int(panel.level_for_2pi)
        turns *= period
        nearest = np.rint(turns, out=turns).astype(np.int32)
        nearest[nearest == period] = 0
        return cast(Levels, nearest.astype(number))
    borders, choice = _circle(response_of_levels(panel) / _TURN)
    return cast(Levels, xp.asarray(choice.astype(number))[xp.searchsorted(xp.asarray(borders), turns)])


def _circle(turns: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Borders in [0, 1) between the levels nearest to each part of a turn, and the level on either side of each border."""
    tiny = 2.0**-33  # levels nearer than this are one: keep the lowest, whatever side of a whole turn rounding put them
    wrapped = np.mod(turns + tiny / 2, 1.0) - tiny / 2
    level = np.unique(np.round(wrapped / tiny), return_index=True)[1]
    places = wrapped[level]
    middle = (places + np.append(places[1:], places[0] + 1.0)) / 2
    choice = np.append(level, level[0])
    if middle[-1] >= 1.0:  # the border between the last and the first level lies past the whole turn
        return np.append(middle[-1] - 1.0, middle[:-1]), np.append(level[-1], level)
    return middle, choice


def level_choices(panel: Panel) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """Levels for each part of a turn of phase, and others that make the same phase.

    Parameters
    ----------
    panel : Panel
        Its flatness is left out.

    Returns
    -------
    nearest, other : ndarray of uint16, shape (`PARTS`,)
        The level whose phase comes nearest to the middle of each part; and the highest level that makes the same phase modulo 2 pi to a
        tenth of a step, where the response covers more than a turn, else the same level. A panel of more than 1024 levels has no others.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> panel = SimpleNamespace(levels=256, level_for_2pi=212, response=None)
    >>> nearest, other = level_choices(panel)
    >>> [int(levels[PARTS * level // 212]) for level in (10, 100) for levels in (nearest, other)]
    [10, 222, 100, 100]
    """
    turns = response_of_levels(panel) / _TURN
    borders, choice = _circle(turns)
    nearest = choice[np.searchsorted(borders, (np.arange(PARTS) + 0.5) / PARTS)]
    if panel.levels > 1024:
        return nearest.astype(np.uint16), nearest.astype(np.uint16)
    apart = turns[:, None] - turns
    same = np.abs(apart - np.rint(apart)) <= 0.1 * float(np.median(np.abs(np.diff(turns))))
    twin = panel.levels - 1 - np.argmax(same[:, ::-1], axis=1)
    return nearest.astype(np.uint16), twin[nearest].astype(np.uint16)


def phase_of_levels(levels: NDArray[np.integer[Any]], panel: Panel) -> NDArray[np.float64]:
    """Phase that the panel really makes from levels: its response plus its flatness.

    Parameters
    ----------
    levels : ndarray of int, shape (rows, columns)
    panel : Panel

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        rad, not wrapped.

    Raises
    ------
    InputError
        If the levels have not the shape of the panel, or exceed its highest level.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> panel = SimpleNamespace(rows=1, columns=2, levels=256, level_for_2pi=212, response=None, flatness=None)
    >>> phase_of_levels(np.array([[0, 53]]), panel) / np.pi
    array([[0. , 0.5]])
    """
    _check_shape(levels, panel, "levels")
    lowest, highest = int(to_host(levels.min())), int(to_host(levels.max()))
    if lowest < 0 or highest >= panel.levels:
        raise InputError(f"levels: found levels from {lowest} to {highest}; allowed: 0 to {panel.levels - 1}, the levels of the panel")
    xp = namespace(levels)
    phase: NDArray[np.float64] = xp.asarray(xp.asarray(response_of_levels(panel))[levels])
    return phase if panel.flatness is None else phase + xp.asarray(panel.flatness)


def _check_shape(array: NDArray[Any], panel: Panel, name: str) -> None:
    if np.shape(array) != (panel.rows, panel.columns):
        raise InputError(f"{name}: found shape {np.shape(array)}; allowed: {panel.rows} rows by {panel.columns} columns, the panel's")


# ---------------------------------------------------------------------------------------------------------------------
# nudging


def nudge_phase(path: LightPath, phase: NDArray[np.floating[Any]], dx_um: float, dy_um: float, dz_um: float = 0.0) -> NDArray[np.float32]:
    """Phase that sends the light of a mask elsewhere, without retrieving again.

    Parameters
    ----------
    path : LightPath
    phase : ndarray of float, shape (rows, columns)
        Phase of the mask, rad.
    dx_um, dy_um, dz_um : float
        How far the light moves in the objective plane, and along the axis away from the objective.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        rad in [0, 2 pi).

    Raises
    ------
    InputError
        If the shapes differ, the phase is not finite, or a distance is longer than `FARTHEST_NUDGE_UM`.

    Notes
    -----
    ``phase + 2 pi (x dx + y dy) / (lambda f) + d dz`` with the path's defocus phase ``d`` per um: the shift theorem of the Fourier
    transform (Goodman, Introduction to Fourier Optics, 3rd ed., section 2.1.3) with the conventions of `holo.field.path`.
    """
    if np.shape(phase) != path.amplitude.shape:
        raise InputError(f"phase: found shape {np.shape(phase)}; allowed: {path.amplitude.shape}, the panel's")
    check_finite("phase", phase)
    for name, value in (("dx_um", dx_um), ("dy_um", dy_um), ("dz_um", dz_um)):
        if not abs(value) <= FARTHEST_NUDGE_UM:  # also false for NaN
            raise InputError(f"{name}: found {value:g}; allowed: from {-FARTHEST_NUDGE_UM:g} to {FARTHEST_NUDGE_UM:g} um")
    moved = phase + path.scale * (path.x_um[None, :] * dx_um + path.y_um[:, None] * dy_um) + path.defocus * dz_um
    return wrap(moved)


def nudge_mask(
    mask: Mask, path: LightPath, panel: Panel, by_um: tuple[float, float], focus_um: float = 0.0, added: Sequence[Addend] = ()
) -> Mask:
    """Move the light of a mask, and add to its phase; the new record says what, and has no figures until they are predicted anew.

    Parameters
    ----------
    mask : Mask
    path : LightPath
        Of the bench that the mask is for.
    panel : Panel
        Of the same bench.
    by_um : (float, float)
        x and y that the light moves by in the objective plane.
    focus_um : float
        How far it moves along the axis.
    added : sequence of Addend
        What else is added. Phases are summed; response and flatness of the panel are applied to the sum, once.

    Returns
    -------
    Mask

    Raises
    ------
    InputError
        As `nudge_phase`, and if what is added has another shape.
    """
    _check_shape(mask.phase, panel, "phase")
    total: NDArray[np.floating[Any]] = mask.phase
    for addend in added:
        _check_shape(addend.phase, panel, f"{addend.recorded['kind']}")
        total = np.asarray(total, np.float64) + addend.phase
    phase = nudge_phase(path, total, by_um[0], by_um[1], focus_um)
    step: dict[str, Any] = {"x_um": float(by_um[0]), "y_um": float(by_um[1]), "focus_um": float(focus_um)}
    if added:
        step["added"] = [addend.recorded for addend in added]
    record = {**mask.record, "figures": {}, "nudges": [*mask.record["nudges"], step]}
    return replace(mask, levels=levels_of_phase(phase, panel), phase=phase, record=record)


# ---------------------------------------------------------------------------------------------------------------------
# files


def write_mask(path: str | os.PathLike[str], mask: Mask, overwrite: bool = False) -> None:
    """Write a mask file: a TIFF of two uncompressed grey pages, the levels (with the record) and the phase.

    Parameters
    ----------
    path : path
    mask : Mask
    overwrite : bool
        Whether a file that stands there may be replaced.

    Raises
    ------
    OutputExistsError
        If `path` exists and `overwrite` is false.
    InputError
        If the mask is not one that `read_mask` would take, or the file cannot be written.

    Notes
    -----
    Page 0 holds the levels, its image description the record as JSON; page 1 holds the phase as 32-bit floats (TIFF 6.0, Adobe
    Systems, 1992). The same levels and phase give the same pixel data, whatever the record says.
    """
    check_output(path, overwrite)
    check_mask(path, mask)
    write_bytes(path, mask_bytes(mask), overwrite)


def mask_bytes(mask: Mask) -> bytes:
    """Give the content of a mask's file (see `write_mask`); the mask is not checked."""
    import tifffile

    record = json.dumps(mask.record, ensure_ascii=True, allow_nan=False)
    common: dict[str, Any] = {"photometric": "minisblack", "metadata": None, "software": "holo", "contiguous": False}
    content = io.BytesIO()
    with tifffile.TiffWriter(content) as file:
        file.write(mask.levels, description=record, **common)
        file.write(mask.phase, **common)
    return content.getvalue()


def read_mask(path: str | os.PathLike[str]) -> Mask:
    """Read a mask file, and trust nothing in it.

    Returns
    -------
    Mask

    Raises
    ------
    InputError
        If the file is not a readable TIFF of exactly two pages of the same size, levels (8 or 16 bit) and phase (32-bit floats in
        [0, 2 pi]), truncated or larger than `holo.files.MAX_PIXELS`, or if its record is not JSON, lacks a key, is of another
        version or holds a value of the wrong kind. Sizes are checked before memory is taken.
    """
    with open_tiff(path) as pages:
        if len(pages) != 2:
            raise InputError(f"{path}: found {len(pages)} page(s); allowed: the 2 pages of a mask file, levels and phase")
        record = _parse_record(path, pages[0].description)
        for number, allowed in enumerate((("uint8", "uint16"), ("float32",))):
            found = pages[number].dtype
            if str(found) not in allowed:
                raise InputError(f"{path}: page {number}: found pixels of type {found}; allowed: {' or '.join(allowed)}")
        mask = Mask(read_page(path, pages, 0), read_page(path, pages, 1), record)
    check_mask(path, mask)
    return mask


def _parse_record(path: str | os.PathLike[str], text: str) -> dict[str, Any]:
    if len(text) > MAX_RECORD_BYTES:
        raise InputError(f"{path}: record: found {len(text)} characters; allowed: at most {MAX_RECORD_BYTES}")
    try:
        record = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: record: found {shortened(text)}, not JSON; allowed: the image description of a mask file") from error
    if not isinstance(record, dict):
        raise InputError(f"{path}: record: found {shortened(record)}; allowed: a JSON object")
    return record


def check_mask(path: str | os.PathLike[str], mask: Mask) -> None:
    """Raise `InputError`, naming `path`, unless pages and record are those of a mask file."""
    if mask.levels.ndim != 2 or str(mask.levels.dtype) not in ("uint8", "uint16"):
        found = f"shape {mask.levels.shape}, type {mask.levels.dtype}"
        raise InputError(f"{path}: levels: found {found}; allowed: rows by columns, uint8 or uint16")
    if mask.phase.shape != mask.levels.shape or mask.phase.dtype != np.float32:
        found = f"shape {mask.phase.shape}, type {mask.phase.dtype}"
        raise InputError(f"{path}: phase: found {found}; allowed: {mask.levels.shape}, the shape of the levels, float32")
    low, high = float(mask.phase.min()), float(mask.phase.max())
    if not (low >= 0 and high <= _TOP):  # also false for NaN
        raise InputError(f"{path}: phase: found values from {low:g} to {high:g}; allowed: 0 to 2 pi rad")
    _check_record(path, mask.record)


SOURCES = ("bench", "arrangement", "registration")
"""The inputs of a mask, as its record names them."""

_SOURCE_KEYS: dict[str, tuple[type, ...]] = {"path": (str,), "digest": (str,), "text": (str,), "files": (dict,)}
_NUDGE_KEYS: dict[str, tuple[type, ...]] = {"x_um": (int, float), "y_um": (int, float), "focus_um": (int, float)}
_FILE_KEYS: dict[str, tuple[type, ...]] = {"path": (str,), "digest": (str,)}
_ADDED_KEYS: dict[str, dict[str, tuple[type, ...]]] = {  # besides the terms
    "mask": _FILE_KEYS,
    "array": {**_FILE_KEYS, "factor": (int, float)},
    "corrected": {},
    "levels": {"low": (int,), "high": (int,), "pattern": (dict, type(None))},
}
_RECORD_KEYS: dict[str, tuple[type, ...]] = {
    "format": (str,),
    "version": (int,),
    "time": (str,),
    "holo": (str,),
    "bench": (dict,),
    "arrangement": (dict,),
    "registration": (dict, type(None)),
    "seed": (int,),
    "options": (dict,),
    "figures": (dict,),
    "nudges": (list,),
}
_KIND = {
    str: "a text",
    int: "a whole number",
    float: "a number",
    dict: "an object",
    list: "a list",
    bool: "true or false",
    type(None): "null",
}


def _check_record(path: str | os.PathLike[str], record: dict[str, Any]) -> None:
    """Raise `InputError` unless the record has every key of a mask's record with a value of the right kind."""
    _check_head(path, record)
    check_keys(path, "record", record, _RECORD_KEYS)
    for key in SOURCES:
        if record[key] is not None:
            check_source(path, f"record.{key}", record[key])
    if record["seed"] < 0:
        raise InputError(f"{path}: record.seed: found {record['seed']}; allowed: 0 or more")
    for number, step in enumerate(record["nudges"]):
        check_keys(path, f"record.nudges[{number}]", step, _NUDGE_KEYS)
        for key in _NUDGE_KEYS:
            if not abs(step[key]) <= FARTHEST_NUDGE_UM:  # also false for NaN
                found = f"{path}: record.nudges[{number}].{key}: found {shortened(step[key])}"
                raise InputError(f"{found}; allowed: from {-FARTHEST_NUDGE_UM:g} to {FARTHEST_NUDGE_UM:g}")
        _check_added(path, f"record.nudges[{number}].added", step.get("added", []))
    try:
        datetime.fromisoformat(record["time"])
        json.dumps(record, allow_nan=False)
    except (ValueError, TypeError, RecursionError) as error:
        raise InputError(f"{path}: record: {error}; allowed: JSON with finite numbers and an ISO 8601 time") from error


def _check_added(path: str | os.PathLike[str], where: str, added: object) -> None:
    """Raise `InputError` unless these are what addends record."""
    if not isinstance(added, list):
        raise InputError(f"{path}: {where}: found {shortened(added)}; allowed: a list")
    for number, entry in enumerate(added):
        kind = entry.get("kind") if isinstance(entry, dict) else None
        if isinstance(kind, str) and kind in _ADDED_KEYS:
            check_keys(path, f"{where}[{number}]", entry, _ADDED_KEYS[kind])
        else:
            with naming(path):
                check_term(f"{where}[{number}]", entry)


def _check_head(path: str | os.PathLike[str], record: dict[str, Any]) -> None:
    if record.get("format") != FORMAT:
        raise InputError(f"{path}: record.format: found {shortened(record.get('format'))}; allowed: {FORMAT!r}")
    if type(record.get("version")) is not int or record["version"] != VERSION:
        raise InputError(f"{path}: record.version: found {shortened(record.get('version'))}; allowed: {VERSION}, the one read here")


def check_source(path: str | os.PathLike[str], where: str, source: dict[str, Any]) -> None:
    """Raise `InputError`, naming `path` and `where` in it, unless `source` tells where an input of a mask came from."""
    check_keys(path, where, source, _SOURCE_KEYS)
    digests = {f"{where}.digest": source["digest"]} | {f"{where}.files[{name!r}]": value for name, value in source["files"].items()}
    for name, value in digests.items():
        if not (isinstance(value, str) and value.startswith("sha256:") and len(value) == 71):
            raise InputError(f"{path}: {name}: found {shortened(value)}; allowed: 'sha256:' and 64 hexadecimal digits")


def check_keys(path: str | os.PathLike[str], where: str, table: object, keys: dict[str, tuple[type, ...]]) -> None:
    """Raise `InputError`, naming `path` and `where` in it, unless `table` is a mapping that has all `keys` with values of these types."""
    if not isinstance(table, dict):
        raise InputError(f"{path}: {where}: found {shortened(table)}; allowed: an object with {', '.join(keys)}")
    for key, kinds in keys.items():
        if key not in table:
            raise InputError(f"{path}: {where}.{key}: missing; needed: {' or '.join(_KIND[kind] for kind in kinds)}")
        if type(table[key]) not in kinds:
            raise InputError(f"{path}: {where}.{key}: found {shortened(table[key])}; allowed: {' or '.join(_KIND[kind] for kind in kinds)}")


def render_levels(path: str | os.PathLike[str], levels: Levels, overwrite: bool = False) -> None:
    """Write levels as a picture or array file that panel software takes, each pixel at its exact level.

    Parameters
    ----------
    path : path
        Its suffix says which: ``.bmp`` (8-bit levels), ``.png`` (8 or 16 bit) or ``.npy``.
    levels : ndarray of uint8 or uint16, shape (rows, columns)
        Row 0 is the top row of the picture.
    overwrite : bool
        Whether a file that stands there may be replaced.

    Raises
    ------
    OutputExistsError
        If `path` exists and `overwrite` is false.
    InputError
        If the suffix is another, or 16-bit levels are to go into a ``.bmp``.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in RENDER_SUFFIXES:
        raise InputError(f"{path}: found suffix {suffix!r}; allowed: {', '.join(RENDER_SUFFIXES)}")
    if suffix == ".bmp" and levels.dtype != np.uint8:
        raise InputError(f"{path}: found {levels.dtype} levels, but a grey BMP holds 8 bits; use .png or .npy")
    with writing(path, overwrite) as temporary, temporary.open("wb") as file:
        if suffix == ".npy":
            np.save(file, levels)
        else:
            from PIL import Image

            Image.fromarray(levels).save(file, format=suffix[1:])
