"""Sequences of masks on disk: a folder, or one TIFF of many pages, with a manifest; written as they are made, and resumed.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.errors import HoloError, InputError, OutputExistsError
from holo.files import check_output, digest, locked, read_bytes, read_tiff, write_text, writing
from holo.images import open_npy
from holo.mask import check_keys
from holo.moves import MoveFrame, told

FORMAT, VERSION = "holo sequence", 1
"""What a manifest calls itself, and its version."""

MANIFEST = "manifest.json"
"""Name of the manifest in a folder; that of a TIFF file is called like the file, with the suffix .json."""

LOWEST = "lowest.npy"
"""Name of the table of the least light of each trap in each transition (`holo.moves.MoveFrame.lowest`), shape (frames - 1, n)."""

PAGES = "pages.tiff"
"""A file of many pages before it takes its place."""

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
    head: dict[str, Any],
    make: Callable[[MoveFrame | None], Iterator[MoveFrame]],
    frame_ms: float,
    *,
    overwrite: bool = False,
    report: Callable[[int], None] | None = None,
) -> tuple[dict[str, Any], NDArray[np.float32]]:
    """Write the masks of a move as they are made.

    Parameters
    ----------
    output : Path
        A folder, or a name that ends in .tif or .tiff for one file of many pages.
    head : dict
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
    manifest : dict
        ``format``, ``version``, ``head``, ``frame_ms``, ``complete``, and ``frames``, each with its ``file`` or ``page``,
        ``time_ms`` from the first one, ``trigger`` (the number of the pulse that shows it, from 0), the ``digest`` of its levels' file, and
        its figures (`holo.moves.told`).
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
    part = output.with_name(f".{output.name}.part")
    try:
        with locked(part):
            _mend(output, part)
        check_sequence(output, overwrite)
        part.mkdir(exist_ok=True)
        with locked(part):
            return _written(
                output, part, {"format": FORMAT, "version": VERSION, "head": head, "frame_ms": frame_ms}, make, overwrite, report
            )
    except OSError as error:
        if isinstance(error, HoloError):
            raise
        raise InputError(f"{output}: cannot be written ({error.strerror or error})") from error


def _written(
    output: Path,
    part: Path,
    wanted: dict[str, Any],
    make: Callable[[MoveFrame | None], Iterator[MoveFrame]],
    overwrite: bool,
    report: Callable[[int], None] | None,
) -> tuple[dict[str, Any], NDArray[np.float32]]:
    """Go on in the folder `part` and put it in its place; see `write_sequence`."""
    manifest, last = _resumed(part, wanted)
    for frame in make(last):
        if frame.number >= len(manifest["frames"]):
            _add(part, manifest, frame)
            if report is not None:
                report(len(manifest["frames"]))
    manifest["complete"] = True
    lowest = _lowest(part, len(manifest["frames"]) - 1)
    if _paged(output):
        _write_pages(output, part, manifest, overwrite)
    else:
        with writing(part / LOWEST, overwrite=True) as temporary, temporary.open("wb") as file:
            np.save(file, lowest)
        _write_manifest(part / MANIFEST, manifest, overwrite=True)
        _cleared(part, {MANIFEST, LOWEST, *(entry["file"] for entry in manifest["frames"])})
        _take_place(part, output)
    return manifest, lowest


def _lowest(part: Path, count: int) -> NDArray[np.float32]:
    """Rows that `_add` has written."""
    if count == 0 or not (part / ROWS).is_file():
        return np.empty((0, 0), np.float32)
    return np.fromfile(part / ROWS, np.float32).reshape(count, -1)


def _paged(output: Path) -> bool:
    return output.suffix.lower() in (".tif", ".tiff")


def _frame(number: int) -> str:
    return f"frame-{number:05d}.tiff"


def _state(number: int) -> str:
    return f"state-{number:05d}.npy"


def _resumed(part: Path, wanted: dict[str, Any]) -> tuple[dict[str, Any], MoveFrame | None]:
    """The manifest of what is there already and the last frame, or a new folder."""
    wanted = json.loads(json.dumps(wanted))
    try:
        return _continued(part, wanted)
    except (InputError, OSError):  # not a sequence that can go on: it is made anew
        _cleared(part, ())
    write_text(part / JOURNAL, json.dumps(wanted) + "\n")
    return {**wanted, "complete": False, "frames": []}, None


def _cleared(part: Path, known: Collection[str]) -> None:
    """Take everything from a folder but the `known` files."""
    for path in part.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path.name not in known:
            path.unlink()


def _continued(part: Path, wanted: dict[str, Any]) -> tuple[dict[str, Any], MoveFrame]:
    """The manifest and the last frame of a folder that fits; what a kill has left half done is cleared away."""
    head, *lines = _journal(part / JOURNAL)
    if head != wanted or not lines:
        raise InputError(f"{part}: found another sequence, or no frame; allowed: frames of this one")
    for number, line in enumerate(lines):
        check_keys(part / JOURNAL, f"line {number + 2}", line, _LINE_KEYS)
        if line["file"] != _frame(number) or digest(part / _frame(number)) != line["digest"]:
            raise InputError(f"{part / _frame(number)}: is not the frame of this sequence")
    number, last = len(lines) - 1, lines[-1]
    if digest(part / _state(number)) != last["state"]:
        raise InputError(f"{part / _state(number)}: is not what the frame after {last['file']} is made from")
    levels, waves = read_tiff(part / last["file"]).astype(np.uint16), np.array(open_npy(part / _state(number)))
    found = MoveFrame(number, last["progress"], levels, waves, last["efficiency"], last["uniformity"], last["iterations"], None)
    if last["lowest"] is not None and (part / ROWS).stat().st_size < 4 * number * waves.size:
        raise InputError(f"{part / ROWS}: is shorter than the journal tells")
    _cleared(part, {JOURNAL, ROWS, _state(number), *(line["file"] for line in lines)})
    write_text(part / JOURNAL, "".join(json.dumps(line) + "\n" for line in (head, *lines)), overwrite=True)
    entries = [{key: value for key, value in line.items() if key != "state"} for line in lines]
    return {**wanted, "complete": False, "frames": entries}, found


_NUMBER = (int, float)
_LINE_KEYS: dict[str, tuple[type, ...]] = {
    **dict.fromkeys(("file", "digest", "state"), (str,)),
    **dict.fromkeys(("time_ms", "progress", "efficiency", "uniformity"), _NUMBER),
    **{"trigger": (int,), "iterations": (int,), "lowest": (*_NUMBER, type(None))},
}
"""What a line of the journal tells of a frame: its entry in the manifest, and the digest of what the next one is made from."""


def _journal(path: Path) -> list[Any]:
    """The complete lines of a journal; a kill may have left half a line."""
    whole, _, _ = read_bytes(path, MAX_JOURNAL_BYTES).rpartition(b"\n")
    try:
        return [json.loads(line) for line in whole.split(b"\n")]
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: found no JSON ({error}); allowed: the journal of a sequence") from error


def _add(part: Path, manifest: dict[str, Any], frame: MoveFrame) -> None:
    """Write a frame, what the next one needs, and its line in the journal, in this order."""
    import tifffile

    name, state = _frame(frame.number), part / _state(frame.number)
    levels = frame.levels.astype(np.uint8) if manifest["head"].get("levels", 256) <= 256 else frame.levels
    with writing(part / name, overwrite=True) as temporary:
        tifffile.imwrite(temporary, levels, photometric="minisblack", metadata=None, software="holo")
    with writing(state, overwrite=True) as temporary, temporary.open("wb") as file:
        np.save(file, frame.waves)
    if frame.lowest is not None:
        with (part / ROWS).open("r+b" if (part / ROWS).exists() else "wb") as file:
            file.seek(4 * (frame.number - 1) * len(frame.lowest))
            file.write(frame.lowest.astype(np.float32).tobytes())
    place = {"file": name, "time_ms": frame.number * manifest["frame_ms"], "trigger": frame.number, "digest": digest(part / name)}
    manifest["frames"].append({**place, **told(frame)})
    with (part / JOURNAL).open("a") as file:
        file.write(json.dumps({**manifest["frames"][-1], "state": digest(state)}, allow_nan=False) + "\n")
    (part / _state(frame.number - 1)).unlink(missing_ok=True)


def _write_manifest(path: Path, manifest: dict[str, Any], overwrite: bool) -> None:
    with writing(path, overwrite) as temporary:
        temporary.write_text(json.dumps(manifest, indent=1, allow_nan=False))


def _write_pages(output: Path, part: Path, manifest: dict[str, Any], overwrite: bool) -> None:
    """Put the frames of a folder into one file, page by page."""
    import tifffile

    with writing(part / PAGES, overwrite=True) as temporary, tifffile.TiffWriter(temporary, bigtiff=True) as file:
        for entry in manifest["frames"]:
            file.write(read_tiff(part / entry["file"]), photometric="minisblack", metadata=None, software="holo", contiguous=False)
    for page, entry in enumerate(manifest["frames"]):
        del entry["file"]
        entry["page"] = page
    check_sequence(output, overwrite)
    _write_manifest(part / MANIFEST, manifest, overwrite=True)  # from here on a repeated command ends this one, see `_mend`
    _move_pages(part, output)


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
