"""Sequences of masks on disk: a folder, or one TIFF of many pages, with a manifest; written as they are made, and resumed.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from holo.errors import InputError, OutputExistsError
from holo.files import check_output, digest, open_tiff, read_bytes, read_page, read_tiff, write_text, writing
from holo.mask import Levels, check_keys

if TYPE_CHECKING:
    from holo.moves import MoveFrame  # which compiles kernels; showing a sequence needs none

FORMAT, VERSION = "holo sequence", 1
"""What a manifest calls itself, and its version."""

MANIFEST = "manifest.json"
"""Name of the manifest in a folder; that of a TIFF file is called like the file, with the suffix .json."""

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
    check_sequence(output, overwrite)
    part = output.with_name(f".{output.name}.part")
    manifest, last = _resumed(part, {"format": FORMAT, "version": VERSION, "head": head, "frame_ms": frame_ms})
    for frame in make(last):
        if frame.number >= len(manifest["frames"]):
            _add(part, manifest, frame)
            if report is not None:
                report(len(manifest["frames"]))
    manifest["complete"] = True
    lowest = _lowest(part, len(manifest["frames"]) - 1)
    (part / _state(len(manifest["frames"]) - 1)).unlink(missing_ok=True)
    if _paged(output):
        _write_pages(output, part, manifest, overwrite)
    else:
        with writing(part / LOWEST, overwrite=True) as temporary, temporary.open("wb") as file:
            np.save(file, lowest)
        for name in (ROWS, JOURNAL):
            (part / name).unlink(missing_ok=True)
        _write_manifest(part / MANIFEST, manifest, overwrite=True)
        _take_place(part, output)
    return manifest, lowest


def _lowest(part: Path, count: int) -> NDArray[np.float32]:
    """Rows that `_add` has written."""
    if count == 0 or not (part / ROWS).is_file():
        return np.empty((0, 0), np.float32)
    return np.fromfile(part / ROWS, np.float32).reshape(count, -1)


def _paged(output: Path) -> bool:
    return output.suffix.lower() in (".tif", ".tiff")


def _state(number: int) -> str:
    return f"state-{number:05d}.npy"


def _resumed(part: Path, wanted: dict[str, Any]) -> tuple[dict[str, Any], MoveFrame | None]:
    """The manifest of what is there already and the last frame, or a new folder."""
    wanted = json.loads(json.dumps(wanted))
    if part.is_dir():
        try:
            return _continued(part, wanted)
        except (InputError, OSError, ValueError, KeyError, TypeError):
            shutil.rmtree(part)  # not a sequence that can go on: it is made anew
    part.mkdir()
    write_text(part / JOURNAL, json.dumps(wanted) + "\n")
    return {**wanted, "complete": False, "frames": []}, None


def _continued(part: Path, wanted: dict[str, Any]) -> tuple[dict[str, Any], MoveFrame]:
    """The manifest and the last frame of a folder that fits; what a kill has left half done is cleared away."""
    from holo.moves import MoveFrame

    text = read_bytes(part / JOURNAL, MAX_JOURNAL_BYTES).decode()
    head, *entries = [json.loads(line) for line in text[: text.rindex("\n")].split("\n")]
    if head != wanted or not all(digest(part / entry["file"]) == entry["digest"] for entry in entries):
        raise InputError(f"{part}: found frames of another sequence; allowed: those of this one")
    last, state = entries[-1], part / _state(len(entries) - 1)
    levels = read_tiff(part / last["file"]).astype(np.uint16)
    found = MoveFrame(
        len(entries) - 1, last["progress"], levels, np.load(state), last["efficiency"], last["uniformity"], last["iterations"], None
    )
    known = {JOURNAL, ROWS, state.name, *(entry["file"] for entry in entries)}
    for path in part.iterdir():
        if path.name not in known:
            path.unlink()
    write_text(part / JOURNAL, "".join(json.dumps(line) + "\n" for line in (head, *entries)), overwrite=True)
    return {**wanted, "complete": False, "frames": entries}, found


def _add(part: Path, manifest: dict[str, Any], frame: MoveFrame) -> None:
    """Write a frame, what the next one needs, and its line in the journal, in this order."""
    import tifffile

    from holo.moves import told

    name = f"frame-{frame.number:05d}.tiff"
    levels = frame.levels.astype(np.uint8) if manifest["head"].get("levels", 256) <= 256 else frame.levels
    with writing(part / name, overwrite=True) as temporary:
        tifffile.imwrite(temporary, levels, photometric="minisblack", metadata=None, software="holo")
    with writing(part / _state(frame.number), overwrite=True) as temporary, temporary.open("wb") as file:
        np.save(file, frame.waves)
    if frame.lowest is not None:
        with (part / ROWS).open("r+b" if (part / ROWS).exists() else "wb") as file:
            file.seek(4 * (frame.number - 1) * len(frame.lowest))
            file.write(frame.lowest.astype(np.float32).tobytes())
    place = {"file": name, "time_ms": frame.number * manifest["frame_ms"], "trigger": frame.number, "digest": digest(part / name)}
    manifest["frames"].append({**place, **told(frame)})
    with (part / JOURNAL).open("a") as file:
        file.write(json.dumps(manifest["frames"][-1], allow_nan=False) + "\n")
    (part / _state(frame.number - 1)).unlink(missing_ok=True)


def _write_manifest(path: Path, manifest: dict[str, Any], overwrite: bool) -> None:
    with writing(path, overwrite) as temporary:
        temporary.write_text(json.dumps(manifest, indent=1, allow_nan=False))


def _write_pages(output: Path, part: Path, manifest: dict[str, Any], overwrite: bool) -> None:
    """Put the frames of a folder into one file, page by page."""
    import tifffile

    with writing(output, overwrite) as temporary, tifffile.TiffWriter(temporary, bigtiff=True) as file:
        for entry in manifest["frames"]:
            file.write(read_tiff(part / entry["file"]), photometric="minisblack", metadata=None, software="holo", contiguous=False)
    for page, entry in enumerate(manifest["frames"]):
        del entry["file"]
        entry["page"] = page
    _write_manifest(output.with_suffix(".json"), manifest, overwrite)
    shutil.rmtree(part)


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


# ---------------------------------------------------------------------------------------------------------------------
# reading


@dataclass(frozen=True, eq=False)
class StoredSequence:
    """A sequence on disk, open.

    Attributes
    ----------
    manifest : dict
        As `write_sequence` returns it.
    shape : (int, int)
        Rows and columns of its masks.
    load : callable
        Of the number of a frame: its levels, ndarray of uint8 or uint16. Raises `InputError` if its file is missing, damaged, of another
        shape, or not the one of the manifest.
    """

    manifest: dict[str, Any]
    shape: tuple[int, int]
    load: Callable[[int], Levels]

    @property
    def count(self) -> int:
        """Number of frames."""
        return len(self.manifest["frames"])


def is_sequence(path: Path) -> bool:
    """Tell whether this is a sequence, not one mask: a folder, or a TIFF file with a manifest beside it."""
    if path.is_dir() or not _paged(path):
        return path.is_dir()
    try:
        found = json.loads(read_bytes(path.with_suffix(".json"), MAX_JOURNAL_BYTES))
    except (InputError, ValueError, RecursionError):
        return False
    return isinstance(found, dict) and found.get("format") == FORMAT


@contextmanager
def opened_sequence(path: Path) -> Iterator[StoredSequence]:
    """Open a sequence that `write_sequence` has written.

    Raises
    ------
    InputError
        If there is no manifest, or it is not one of a complete sequence, and what `StoredSequence.load` raises for the first frame.
    """
    where = path.with_suffix(".json") if _paged(path) else path / MANIFEST
    manifest = _read_manifest(where)
    entries = manifest["frames"]
    with open_tiff(path) if _paged(path) else nullcontext() as pages:

        def read(number: int) -> Levels:
            if pages is None:
                file = path / entries[number]["file"]
                if digest(file) != entries[number]["digest"]:
                    raise InputError(f"{file}: found {digest(file)}; allowed: {entries[number]['digest']}, the file that {where} names")
                return _checked(file, read_tiff(file))
            if entries[number]["page"] >= len(pages):
                raise InputError(f"{path}: found {len(pages)} pages; allowed: those that {where} names, up to {entries[number]['page']}")
            return _checked(path, read_page(path, pages, entries[number]["page"]))

        first = read(0)

        def load(number: int) -> Levels:
            levels = read(number)
            if levels.shape != first.shape:
                raise InputError(f"{path}: frame {number}: found shape {levels.shape}; allowed: {first.shape}, that of frame 0")
            return levels

        yield StoredSequence(manifest, (first.shape[0], first.shape[1]), load)


def _checked(file: Path, levels: NDArray[Any]) -> Levels:
    if str(levels.dtype) not in ("uint8", "uint16"):
        raise InputError(f"{file}: found pixels of type {levels.dtype}; allowed: uint8 or uint16")
    return cast(Levels, levels)


def _read_manifest(path: Path) -> dict[str, Any]:
    """The manifest of a complete sequence, with what is needed to find its frames."""
    try:
        found = json.loads(read_bytes(path, MAX_JOURNAL_BYTES))
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: not JSON ({str(error)[:120]}); allowed: the manifest of a sequence") from error
    if not isinstance(found, dict) or (found.get("format"), found.get("version")) != (FORMAT, VERSION):
        raise InputError(f"{path}: found no {FORMAT!r} of version {VERSION}; allowed: the manifest that holo rearrange writes")
    paged = path.name != MANIFEST
    check_keys(path, "manifest", found, {"complete": (bool,), "frames": (list,), "frame_ms": (int, float)})
    if not 0.1 <= found["frame_ms"] <= 3.6e6:
        raise InputError(f"{path}: manifest.frame_ms: found {found['frame_ms']:g}; allowed: from 0.1 to 3.6e6")
    if not found["complete"] or not found["frames"]:
        raise InputError(f"{path}: found {len(found['frames'])} frames of a sequence that is not complete; allowed: a complete one")
    for number, entry in enumerate(found["frames"]):
        check_keys(path, f"frames[{number}]", entry, {"page": (int,)} if paged else {"file": (str,), "digest": (str,)})
        if entry["page"] < 0 if paged else Path(entry["file"]).name != entry["file"]:
            raise InputError(f"{path}: frames[{number}]: found {str(entry)[:80]}; allowed: a page from 0, or a file in the same folder")
    return found
