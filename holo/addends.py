"""What else is added to the phase of a mask: other masks and arrays from files; and adding it all again from a record.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from holo.errors import InputError, naming
from holo.field.path import light_path, wrap
from holo.files import digest, read_tiff
from holo.images import open_npy, read_npy
from holo.mask import Levels, Mask, nudge_mask, phase_of_levels, read_mask
from holo.terms import Addend, pattern, term

if TYPE_CHECKING:
    from holo.bench import Bench
    from holo.field.path import LightPath
    from holo.parts import Panel


def array_addend(path: str | os.PathLike[str], panel: Panel, factor: float) -> Addend:
    """Phase from a file.

    Parameters
    ----------
    path : path
        A TIFF file of one page of floats, or an NPY file: rad, one value per panel pixel.
    panel : Panel
    factor : float
        What the phase is multiplied by; -1 takes it off.

    Returns
    -------
    Addend

    Raises
    ------
    InputError
        If the file cannot be read, holds whole numbers, which are no phases, has another shape than the panel, or if a value or the
        factor is not finite.
    """
    if not abs(factor) <= 1e3:  # also false for NaN
        raise InputError(f"{path}: factor: found {factor:g}; allowed: from -1000 to 1000")
    suffix = Path(path).suffix.lower()
    if suffix not in (".npy", ".tif", ".tiff"):
        raise InputError(f"{path}: found suffix {suffix!r}; allowed: .tiff, .tif, .npy")
    found: NDArray[Any] = read_npy(Path(path)) if suffix == ".npy" else read_tiff(path)
    kind = open_npy(path).dtype.kind if suffix == ".npy" else found.dtype.kind
    if kind != "f":
        why = "level L of a picture is 2 pi L / level_for_2pi"
        raise InputError(f"{path}: found no floats; allowed: phases in rad, as floats ({why})")
    if found.shape != panel.shape:
        raise InputError(f"{path}: found shape {found.shape}; allowed: {panel.rows} rows by {panel.columns} columns, the panel's")
    if not np.isfinite(found).all() or np.abs(found).max() > 1e6:
        raise InputError(f"{path}: found values that are not finite or beyond a million; allowed: phases in rad")
    return Addend(factor * found.astype(np.float64), {"kind": "array", **_source(path), "factor": float(factor)})


def mask_addend(path: str | os.PathLike[str], bench: Bench, light: LightPath) -> Addend:
    """Phase of a mask file, as something to be added to another mask.

    Parameters
    ----------
    path : path
    bench : Bench
        Its panel must be that of the mask.
    light : LightPath
        Of the bench.

    Returns
    -------
    Addend
        The aberration of the light path, which every designed mask takes off, is put back: the mask that this is added to takes it off
        already, and twice would be wrong.

    Raises
    ------
    InputError
        As `holo.mask.read_mask`, and if the mask has not the shape of the panel.
    """
    found = read_mask(path)
    if found.phase.shape != bench.panel.shape:
        raise InputError(
            f"{path}: found {found.phase.shape[0]} rows by {found.phase.shape[1]} columns;"
            f" allowed: {bench.panel.rows} by {bench.panel.columns}, those of the panel"
        )
    return Addend(found.phase + light.aberration, {"kind": "mask", **_source(path)})


def corrected_addend(light: LightPath) -> Addend:
    """Phase that takes the known aberration of the light path off, for masks that were not designed."""
    return Addend(-light.aberration, {"kind": "corrected"})


def _source(path: str | os.PathLike[str]) -> dict[str, str]:
    return {"path": str(Path(path).absolute()), "digest": digest(path)}


def write_levels(mask: Mask, bench: Bench, low: int, high: int, shape: dict[str, Any] | None = None) -> Mask:
    """Write two levels onto a panel as they are, without response or flatness.

    Parameters
    ----------
    mask : Mask
        What it had is lost but for its record.
    bench : Bench
    low, high : int
        Levels where the pattern is False and True.
    shape : dict, optional
        ``kind`` and values of the pattern (`holo.terms.pattern`); None stands for `low` everywhere.

    Returns
    -------
    Mask
        Its phase is what the panel makes of these levels.

    Raises
    ------
    InputError
        If the panel has no such levels, or there is no such pattern.
    """
    top = bench.panel.levels - 1
    for level in (low, high):
        if type(level) is not int or not 0 <= level <= top:
            raise InputError(f"levels: found {level}; allowed: whole numbers from 0 to {top}, the levels of the panel")
    rest = {} if shape is None else {name: value for name, value in shape.items() if name != "kind"}
    where = np.zeros(bench.panel.shape, bool) if shape is None else pattern(bench, str(shape.get("kind")), rest)
    number: type[np.unsignedinteger[Any]] = np.uint8 if top < 256 else np.uint16
    levels = cast(Levels, np.where(where, high, low).astype(number))
    step = {"x_um": 0.0, "y_um": 0.0, "focus_um": 0.0, "added": [{"kind": "levels", "low": low, "high": high, "pattern": shape}]}
    record = {**mask.record, "figures": {}, "nudges": [*mask.record["nudges"], step]}
    return replace(mask, levels=levels, phase=wrap(phase_of_levels(levels, bench.panel)), record=record)


# ---------------------------------------------------------------------------------------------------------------------
# again


def replay(mask: Mask, bench: Bench, nudges: Iterable[dict[str, Any]], light: LightPath | None = None) -> Mask:
    """Nudge a mask, and add to it, as a record tells.

    Parameters
    ----------
    mask : Mask
    bench : Bench
    nudges : iterable of dict
        Of the record of a mask that was read (`holo.mask.read_mask` has checked their keys).
    light : LightPath, optional
        Of the bench.

    Returns
    -------
    Mask
        Bit for bit that of the record on the same machine, if `mask` is the one that it began with.

    Raises
    ------
    InputError
        If a file that was added is missing or has changed.
    """
    for step in nudges:
        entries = step.get("added", [])
        if entries and entries[0]["kind"] == "levels":
            mask = write_levels(mask, bench, entries[0]["low"], entries[0]["high"], entries[0]["pattern"])
            continue
        light = light or light_path(bench)
        added = [_restored(entry, bench, light) for entry in entries]
        mask = nudge_mask(mask, light, bench.panel, (step["x_um"], step["y_um"]), step["focus_um"], added)
    return mask


def _restored(entry: dict[str, Any], bench: Bench, light: LightPath) -> Addend:
    """Make what was added from what was recorded of it."""
    kind = entry["kind"]
    if kind in ("mask", "array"):
        found = digest(entry["path"])
        if found != entry["digest"]:
            raise InputError(f"{entry['path']}: found {found}; allowed: {entry['digest']}, the file that the mask was made with")
        return mask_addend(entry["path"], bench, light) if kind == "mask" else array_addend(entry["path"], bench.panel, entry["factor"])
    if kind == "corrected":
        return corrected_addend(light)
    with naming("record.nudges.added"):
        return term(bench, kind, {name: value for name, value in entry.items() if name != "kind"})
