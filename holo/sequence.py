"""Sequences of masks on disk: a folder, or one TIFF of many pages, with a manifest; written as they are made, and resumed.

The manifest is that of any set of masks (`holo.manifest`): `MANIFEST` in a folder; that of a TIFF file is called like the file, with the
suffix .json.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.errors import InputError, OutputExistsError
from holo.files import check_output, read_bytes, read_tiff, write_text, writing
from holo.manifest import MANIFEST, Entry, Manifest, entry_listed, levels_digest, write_manifest
from holo.mask import Levels
from holo.moves import MoveFrame, told

LOWEST = "lowest.npy"
"""Name of the table of the least light of each trap in each transition (`holo.moves.MoveFrame.lowest`), shape (frames - 1, n)."""

ROWS = "lowest.rows"
"""The same table while it grows, without a head."""

JOURNAL = "journal.jsonl"
"""What is known of a sequence while it is made: the head, and a line for each frame that is complete."""

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
    output = Path(output)
    check_sequence(output, overwrite)
    part = output.with_name(f".{output.name}.part")
    head = json.loads(json.dumps({"made_from": made_from, "frame_ms": frame_ms}))
    growing, last = _resumed(part, head)
    for frame in make(last):
        if frame.number >= len(growing.entries):
            _add(growing, frame)
            if report is not None:
                report(len(growing.entries))
    count = len(growing.entries)
    lowest = _lowest(part, count - 1)
    (part / _state(count - 1)).unlink(missing_ok=True)
    first = read_tiff(part / growing.entries[0].file)
    manifest = Manifest(first.shape[0], first.shape[1], str(first.dtype), tuple(growing.entries), head["made_from"])
    if _paged(output):
        manifest = _write_pages(output, part, manifest, overwrite)
    else:
        with writing(part / LOWEST, overwrite=True) as temporary, temporary.open("wb") as file:
            np.save(file, lowest)
        for name in (ROWS, JOURNAL):
            (part / name).unlink(missing_ok=True)
        write_manifest(part / MANIFEST, manifest, overwrite=True)
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
    if part.is_dir():
        try:
            return _continued(part, head)
        except (InputError, OSError, ValueError, KeyError, TypeError):
            shutil.rmtree(part)  # not a sequence that can go on: it is made anew
    part.mkdir()
    write_text(part / JOURNAL, json.dumps(head) + "\n")
    return _Growing(part, head, []), None


def _continued(part: Path, wanted: dict[str, Any]) -> tuple[_Growing, MoveFrame]:
    """What is there of a folder that fits and its last frame; what a kill has left half done is cleared away."""
    text = read_bytes(part / JOURNAL, MAX_JOURNAL_BYTES).decode()
    head, *lines = [json.loads(line) for line in text[: text.rindex("\n")].split("\n")]
    entries = [Entry(**line) for line in lines]
    if head != wanted or not all(levels_digest(read_tiff(part / entry.file)) == entry.digest for entry in entries):
        raise InputError(f"{part}: found frames of another sequence; allowed: those of this one")
    last, state = entries[-1], part / _state(len(entries) - 1)
    levels, known = read_tiff(part / last.file).astype(np.uint16), last.figures
    found = MoveFrame(
        len(entries) - 1, known["progress"], levels, np.load(state), known["efficiency"], known["uniformity"], known["iterations"], None
    )
    kept = {JOURNAL, ROWS, state.name, *(entry.file for entry in entries)}
    for path in part.iterdir():
        if path.name not in kept:
            path.unlink()
    write_text(part / JOURNAL, "".join(json.dumps(line) + "\n" for line in (head, *lines)), overwrite=True)
    return _Growing(part, head, entries), found


def _add(growing: _Growing, frame: MoveFrame) -> None:
    """Write a frame, what the next one needs, and its line in the journal, in this order."""
    part, name = growing.part, f"frame-{frame.number:05d}"
    levels = panel_levels(frame, growing.head["made_from"].get("levels", 256))
    _write_frame(part / f"{name}.tiff", levels)
    with writing(part / _state(frame.number), overwrite=True) as temporary, temporary.open("wb") as file:
        np.save(file, frame.waves)
    if frame.lowest is not None:
        with (part / ROWS).open("r+b" if (part / ROWS).exists() else "wb") as file:
            file.seek(4 * (frame.number - 1) * len(frame.lowest))
            file.write(frame.lowest.astype(np.float32).tobytes())
    entry = Entry(name, f"{name}.tiff", 0, levels_digest(levels), frame.number * growing.head["frame_ms"], told(frame))
    growing.entries.append(entry)
    with (part / JOURNAL).open("a") as file:
        file.write(json.dumps(entry_listed(entry), allow_nan=False) + "\n")
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

    with writing(output, overwrite) as temporary, tifffile.TiffWriter(temporary, bigtiff=True) as file:
        for entry in manifest.masks:
            file.write(read_tiff(part / entry.file), photometric="minisblack", metadata=None, software="holo", contiguous=False)
    pages = tuple(replace(entry, file=output.name, page=page) for page, entry in enumerate(manifest.masks))
    manifest = replace(manifest, masks=pages)
    write_manifest(output.with_suffix(".json"), manifest, overwrite)
    shutil.rmtree(part)
    return manifest


def _take_place(part: Path, output: Path) -> None:
    """Give a complete folder its name; an older sequence there goes."""
    if output.is_dir():
        old = output.with_name(f".{output.name}.old")
        shutil.rmtree(old, ignore_errors=True)
        output.rename(old)
        part.rename(output)
        shutil.rmtree(old)
    else:
        part.rename(output)
