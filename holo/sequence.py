"""Sequences of masks on disk: a folder, or one TIFF of many pages, with a manifest; written as they are made, and resumed.

The manifest is that of any set of masks (`holo.manifest`): `MANIFEST` in a folder; that of a TIFF file is called like the file, with the
suffix .json.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.errors import HoloError, InputError, OutputExistsError, naming
from holo.files import check_output, digest, locked, read_bytes, read_tiff, write_text, writing
from holo.images import open_npy
from holo.manifest import MANIFEST, Entry, Manifest, entry_listed, levels_digest, read_entry, write_manifest
from holo.mask import Levels, check_keys
from holo.moves import MoveFrame, told

LOWEST = "lowest.npy"
"""Name of the table of the least light of each trap in each transition (`holo.moves.MoveFrame.lowest`), shape (frames - 1, n)."""

ROWS = "lowest.rows"
"""The same table while it grows, without a head."""

JOURNAL = "journal.jsonl"
"""What is known of a sequence while it is made: the head, and a line for each frame that is complete."""

PAGES = "pages.tiff"
"""A file of many pages before it takes its place."""

MAX_JOURNAL_BYTES = 256 * 2**20
"""Largest journal that is read."""


def check_sequence(output: Path, overwrite: bool) -> None:
    """Refuse early what `write_sequence` would refuse at the end.

    Raises
    ------
    InputError
        If the place cannot be written, or `output` is a folder that holds anything but a sequence.
    OutputExistsError
        If it exists and `overwrite` is false.
    """
    if _paged(output):
        for path in (output, output.with_suffix(".json")):
            check_output(path, overwrite)
        return
    if output.is_dir():
        foreign = sorted(path.name for path in output.iterdir() if path.name not in (MANIFEST, LOWEST) and not path.match("frame-*.tiff"))
        if foreign:
            raise InputError(f"{output}: found {foreign[0]!r} in it; allowed: a new folder, or one of a sequence")
        if not overwrite:
            raise OutputExistsError(f"{output}: exists already; use --overwrite to replace it")
        return
    check_output(output, overwrite)


def write_sequence(
    output: Path,
    made_from: dict[str, Any],
    make: Callable[[MoveFrame | None], Iterator[MoveFrame]],
    frame_ms: float,
    *,
    overwrite: bool = False,
    report: Callable[[int], None] | None = None,
) -> tuple[Manifest, NDArray[np.float32]]:
    """Write the masks of a move as they are made.

    Parameters
    ----------
    output : Path
        A folder, or a name that ends in .tif or .tiff for one file of many pages.
    made_from : dict
        JSON-compatible: what the move was made from (digests, options). A sequence that was broken off goes on only where it is the same.
    make : callable
        Given the last frame that is there, or None, yields the frames from that one or from the start on.
    frame_ms : float
        Time from one frame to the next.
    overwrite : bool
        Whether a sequence that stands there may be replaced.
    report : callable, optional
        Called with the number of frames written so far.

    Returns
    -------
    manifest : Manifest
        Masks called ``frame-00000`` and so on, with their times from the first one and their figures (`holo.moves.told`).
    lowest : ndarray of float32, shape (frames - 1, n)
        Least light of each trap in each transition; no rows where the transitions were not looked at. A folder keeps it as `LOWEST`.

    Raises
    ------
    InputError, OutputExistsError
        As `check_sequence`.

    Notes
    -----
    Everything goes to a folder beside the output, whose name begins with a dot and ends in ``.part``: each frame, then what the next one is
    made from, each written beside its place and renamed, then a line of a journal. A kill between any two costs at most one frame. In
    the end the folder, or the file made from its frames page by page, takes its place. No more than one frame is in memory.
    """
    if not 0 < frame_ms < math.inf:
        raise InputError(f"frame_ms: found {frame_ms:g}; allowed: a number above 0")
    output = Path(output)
    part = output.with_name(f".{output.name}.part")
    head = json.loads(json.dumps({"made_from": made_from, "frame_ms": frame_ms}))
    try:
        with locked(part):
            _mend(output, part)
        check_sequence(output, overwrite)
        part.mkdir(exist_ok=True)
        with locked(part):
            return _written(output, part, head, make, overwrite, report)
    except OSError as error:
        if isinstance(error, HoloError):
            raise
        raise InputError(f"{output}: cannot be written ({error.strerror or error})") from error


def _written(
    output: Path,
    part: Path,
    head: dict[str, Any],
    make: Callable[[MoveFrame | None], Iterator[MoveFrame]],
    overwrite: bool,
    report: Callable[[int], None] | None,
) -> tuple[Manifest, NDArray[np.float32]]:
    """Go on in the folder `part` and put it in its place; see `write_sequence`."""
    growing, last = _resumed(part, head)
    for frame in make(last):
        if frame.number >= len(growing.entries):
            _add(growing, frame)
            if report is not None:
                report(len(growing.entries))
    count = len(growing.entries)
    lowest = _lowest(part, count - 1)
    first = read_tiff(part / growing.entries[0].file)
    manifest = Manifest(first.shape[0], first.shape[1], str(first.dtype), tuple(growing.entries), head["made_from"])
    if _paged(output):
        manifest = _write_pages(output, part, manifest, overwrite)
    else:
        with writing(part / LOWEST, overwrite=True) as temporary, temporary.open("wb") as file:
            np.save(file, lowest)
        write_manifest(part / MANIFEST, manifest, overwrite=True)
        _cleared(part, {MANIFEST, LOWEST, *(entry.file for entry in manifest.masks)})
        _take_place(part, output)
    return manifest, lowest


@dataclass(frozen=True)
class _Growing:
    """A folder in which a sequence grows."""

    part: Path
    head: dict[str, Any]
    entries: list[Entry]


def _lowest(part: Path, count: int) -> NDArray[np.float32]:
    """Rows that `_add` has written."""
    if count == 0 or not (part / ROWS).is_file():
        return np.empty((0, 0), np.float32)
    return np.fromfile(part / ROWS, np.float32).reshape(count, -1)


def _paged(output: Path) -> bool:
    return output.suffix.lower() in (".tif", ".tiff")


def _state(number: int) -> str:
    return f"state-{number:05d}.npy"


def _resumed(part: Path, head: dict[str, Any]) -> tuple[_Growing, MoveFrame | None]:
    """What is there already and its last frame, or a new folder."""
    try:
        return _continued(part, head)
    except (InputError, OSError):  # not a sequence that can go on: it is made anew
        _cleared(part, ())
    write_text(part / JOURNAL, json.dumps(head) + "\n")
    return _Growing(part, head, []), None


def _cleared(part: Path, known: Collection[str]) -> None:
    """Take everything from a folder but the `known` files."""
    for path in part.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path.name not in known:
            path.unlink()


_NUMBER = (int, float)
_FIGURES: dict[str, tuple[type, ...]] = {
    **dict.fromkeys(("progress", "efficiency", "uniformity"), _NUMBER),
    **{"iterations": (int,), "lowest": (*_NUMBER, type(None))},
}


def _continued(part: Path, wanted: dict[str, Any]) -> tuple[_Growing, MoveFrame]:
    """What is there of a folder that fits and its last frame; what a kill has left half done is cleared away."""
    head, *lines = _journal(part / JOURNAL)
    if head != wanted or not lines:
        raise InputError(f"{part}: found another sequence, or no frame; allowed: frames of this one")
    entries = []
    for number, line in enumerate(lines):
        with naming(f"{part / JOURNAL}: line {number + 2}"):
            entries.append(_entry(part / JOURNAL, line))
        if entries[-1].name != _name(number) or levels_digest(read_tiff(part / entries[-1].file)) != entries[-1].digest:
            raise InputError(f"{part / entries[-1].file}: is not the frame of this sequence")
    number, known = len(entries) - 1, entries[-1].figures
    if digest(part / _state(number)) != lines[-1]["state"]:
        raise InputError(f"{part / _state(number)}: is not what the frame after {entries[-1].file} is made from")
    levels, waves = read_tiff(part / entries[-1].file).astype(np.uint16), np.array(open_npy(part / _state(number)))
    found = MoveFrame(number, known["progress"], levels, waves, known["efficiency"], known["uniformity"], known["iterations"], None)
    if known["lowest"] is not None and (part / ROWS).stat().st_size < 4 * number * waves.size:
        raise InputError(f"{part / ROWS}: is shorter than the journal tells")
    _cleared(part, {JOURNAL, ROWS, _state(number), *(entry.file for entry in entries)})
    write_text(part / JOURNAL, "".join(json.dumps(line) + "\n" for line in (head, *lines)), overwrite=True)
    return _Growing(part, head, entries), found


def _entry(path: Path, line: Any) -> Entry:
    """The entry of a frame from its line in the journal."""
    check_keys(path, "frame", line, {"state": (str,)})
    entry = read_entry(path, "frame", {key: value for key, value in line.items() if key != "state"})
    check_keys(path, "frame.figures", dict(entry.figures), _FIGURES)
    return entry


def _journal(path: Path) -> list[Any]:
    """The complete lines of a journal; a kill may have left half a line."""
    whole, _, _ = read_bytes(path, MAX_JOURNAL_BYTES).rpartition(b"\n")
    try:
        return [json.loads(line) for line in whole.split(b"\n")]
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: found no JSON ({error}); allowed: the journal of a sequence") from error


def _name(number: int) -> str:
    return f"frame-{number:05d}"


def _add(growing: _Growing, frame: MoveFrame) -> None:
    """Write a frame, what the next one needs, and its line in the journal, in this order."""
    part, name, state = growing.part, _name(frame.number), growing.part / _state(frame.number)
    levels = panel_levels(frame, growing.head["made_from"].get("levels", 256))
    _write_frame(part / f"{name}.tiff", levels)
    with writing(state, overwrite=True) as temporary, temporary.open("wb") as file:
        np.save(file, frame.waves)
    if frame.lowest is not None:
        with (part / ROWS).open("r+b" if (part / ROWS).exists() else "wb") as file:
            file.seek(4 * (frame.number - 1) * len(frame.lowest))
            file.write(frame.lowest.astype(np.float32).tobytes())
    entry = Entry(name, f"{name}.tiff", 0, levels_digest(levels), frame.number * growing.head["frame_ms"], told(frame))
    growing.entries.append(entry)
    with (part / JOURNAL).open("a") as file:
        file.write(json.dumps({**entry_listed(entry), "state": digest(state)}, allow_nan=False) + "\n")
    (part / _state(frame.number - 1)).unlink(missing_ok=True)


def panel_levels(frame: MoveFrame, levels: int) -> Levels:
    """Give the levels of a frame in the number type for a panel of so many levels."""
    return frame.levels.astype(np.uint8, copy=False) if levels <= 256 else frame.levels.astype(np.uint16, copy=False)


def _write_frame(path: Path, levels: Levels) -> None:
    import tifffile

    with writing(path, overwrite=True) as temporary:
        tifffile.imwrite(temporary, levels, photometric="minisblack", metadata=None, software="holo")


def _write_pages(output: Path, part: Path, manifest: Manifest, overwrite: bool) -> Manifest:
    """Put the frames of a folder into one file, page by page, and write the manifest that says so."""
    import tifffile

    with writing(part / PAGES, overwrite=True) as temporary, tifffile.TiffWriter(temporary, bigtiff=True) as file:
        for entry in manifest.masks:
            file.write(read_tiff(part / entry.file), photometric="minisblack", metadata=None, software="holo", contiguous=False)
    pages = tuple(replace(entry, file=output.name, page=page) for page, entry in enumerate(manifest.masks))
    manifest = replace(manifest, masks=pages)
    check_sequence(output, overwrite)
    write_manifest(part / MANIFEST, manifest, overwrite=True)  # from here on a repeated command ends this one, see `_mend`
    _move_pages(part, output)
    return manifest


def _move_pages(part: Path, output: Path) -> None:
    """Give a file of pages and its manifest their names."""
    for name, place in ((PAGES, output), (MANIFEST, output.with_suffix(".json"))):
        if (part / name).exists():
            (part / name).replace(place)
    shutil.rmtree(part)


def _take_place(part: Path, output: Path) -> None:
    """Give a complete folder its name; an older sequence there goes."""
    old = _old(output)
    if output.is_dir():
        shutil.rmtree(old, ignore_errors=True)
        output.rename(old)
        try:
            part.rename(output)
        except OSError:
            old.rename(output)
            raise
        shutil.rmtree(old)
    else:
        part.rename(output)


def _old(output: Path) -> Path:
    return output.with_name(f".{output.name}.old")


def _mend(output: Path, part: Path) -> None:
    """End what a kill has left between an older sequence and its successor: the older one comes back, or both files get their names."""
    if _paged(output):
        if (part / MANIFEST).is_file():
            _move_pages(part, output)
    elif _old(output).is_dir() and not output.exists():
        _old(output).rename(output)
