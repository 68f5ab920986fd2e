"""Reading and writing files safely: nothing is half written, overwritten by accident or trusted before its size is checked."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import os
import stat
import struct
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from io import BufferedReader
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.errors import InputError, OutputExistsError, naming

if TYPE_CHECKING:
    from numpy.typing import NDArray

MAX_TEXT_BYTES = 16 * 2**20
"""Largest text file (TOML, CSV) that is read."""

MAX_PIXELS = 2**26
"""Most pixels of one page of an image that is read (64 million)."""

MAX_PAGE_BYTES = 2**28
"""Most bytes of one page of an image, unpacked."""

MAX_LINES = 500_000
"""Most lines of a CSV file that is read."""

MAX_PAGES = 2**16
"""Most pages of a TIFF file that is read."""

PACKINGS = ("NONE", "LZW", "DEFLATE", "ADOBE_DEFLATE", "PACKBITS")
"""Ways of packing pixels that are read: the size of what they unpack to is at most some thousand times theirs."""


def read_bytes(path: str | os.PathLike[str], limit: int = MAX_TEXT_BYTES) -> bytes:
    """Content of a regular file of at most `limit` bytes.

    Raises
    ------
    InputError
        If the file is missing, not a regular file, unreadable or too large.
    """
    with _reading(path) as file:
        size = os.fstat(file.fileno()).st_size
        if size > limit:
            raise InputError(f"{path}: found {size} bytes; allowed: at most {limit}")
        return file.read()


@contextmanager
def _reading(path: str | os.PathLike[str]) -> Iterator[BufferedReader]:
    """A regular file, open; whatever the system refuses becomes an `InputError`."""
    check_file(path)
    try:
        with Path(path).open("rb") as file:
            yield file
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error})") from error


def check_file(path: str | os.PathLike[str]) -> None:
    """Refuse what is no regular file, or cannot be looked at."""
    try:
        mode = _mode(Path(path))
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error})") from error
    if mode is None or not stat.S_ISREG(mode):
        raise InputError(f"{path}: {'no such file' if mode is None else 'not a file'}")


def _mode(path: Path) -> int | None:
    """What kind of thing a path leads to; None if there is none. Python's own tests say that, from 3.14 on, of what they cannot look at."""
    try:
        return path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return None


def read_text(path: str | os.PathLike[str]) -> str:
    """Content of a UTF-8 text file (see `read_bytes`)."""
    try:
        return read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: byte {error.start} is not UTF-8 text; save the file as UTF-8") from error


def digest(path: str | os.PathLike[str]) -> str:
    """SHA-256 of a file's bytes, as ``sha256:<hex>``, whatever its size (raises as `read_bytes`)."""
    with _reading(path) as file:
        return "sha256:" + hashlib.file_digest(file, "sha256").hexdigest()


def digest_of(content: bytes) -> str:
    """SHA-256 of some bytes, as ``sha256:<hex>``."""
    return "sha256:" + hashlib.sha256(content).hexdigest()


def read_csv(
    path: str | os.PathLike[str], required: tuple[str, ...], optional: tuple[str, ...] = (), *, others: bool = False
) -> dict[str, NDArray[np.float64]]:
    """Numeric columns of a CSV file with a header line.

    Parameters
    ----------
    path : path
    required, optional : tuple of str
        Names of the columns. Empty cells of an optional column give NaN.
    others : bool
        Whether there may be other columns, whatever they hold; else they are an error.

    Returns
    -------
    dict
        Column name to float64 array of shape (rows,). Optional columns that the file lacks are absent.

    Raises
    ------
    InputError
        With file and line, for a missing or unknown column, a ragged line or a cell that is not a finite number.
    """
    lines = read_text(path).splitlines()
    if len(lines) > MAX_LINES:
        raise InputError(f"{path}: found {len(lines)} lines; allowed: at most {MAX_LINES}")
    rows = csv.reader(lines, skipinitialspace=True)
    try:
        header = [name.strip() for name in next(rows, [])]
        allowed = ", ".join(required + optional)
        for name in header:
            if not others and name not in required + optional:
                raise InputError(f"{path}: line 1: unknown column {name!r}; allowed: {allowed}")
        if len(set(header)) < len(header):
            raise InputError(f"{path}: line 1: a column is named twice in {', '.join(header)}")
        for name in required:
            if name not in header:
                raise InputError(f"{path}: line 1: column {name!r} is missing; found: {', '.join(header) or 'nothing'}")
        columns: dict[str, list[float]] = {name: [] for name in header if name in required + optional}
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            if len(row) != len(header):
                raise InputError(f"{path}: line {rows.line_num}: found {len(row)} cells; the header has {len(header)}")
            for name, cell in zip(header, row, strict=True):
                if name not in columns:
                    continue
                columns[name].append(_cell(cell, name in optional, f"{path}: line {rows.line_num}: {name}"))
    except csv.Error as error:
        raise InputError(f"{path}: line {rows.line_num}: {error}") from error
    return {name: np.array(values) for name, values in columns.items()}


def _cell(text: str, may_be_empty: bool, where: str) -> float:
    if may_be_empty and not text.strip():
        return np.nan
    try:
        value = float(text)
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise InputError(f"{where}: found {text.strip()!r}; allowed: a finite number")
    return value


def read_tiff(path: str | os.PathLike[str]) -> NDArray[Any]:
    """The one grey page of a TIFF file, with its size checked before memory is taken.

    Returns
    -------
    ndarray, shape (rows, columns)
        In the file's own number type (integer or float).

    Raises
    ------
    InputError
        If the file is not a readable TIFF of exactly one page, that page is not a single grey plane with black as 0, is larger
        than `MAX_PIXELS`, or announces more pixel data than the file holds.
    """
    with open_tiff(path) as pages:
        if len(pages) != 1:
            raise InputError(f"{path}: found {len(pages)} pages; allowed: one")
        return read_page(path, pages, 0)


@contextmanager
def open_tiff(path: str | os.PathLike[str]) -> Iterator[Any]:
    """The pages of a TIFF file; whatever its parser raises becomes an `InputError`."""
    import logging

    import tifffile

    logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # its findings reach the user as our own message
    try:
        with _reading(path) as opened:
            _check_chain(path, opened)
            opened.seek(0)
            with tifffile.TiffFile(opened) as file:
                yield file.pages
    except InputError:
        raise
    except MemoryError as error:
        raise InputError(f"{path}: not a readable TIFF file (announces more data than memory holds)") from error
    except Exception as error:  # the parser raises many kinds on damaged files
        raise InputError(f"{path}: not a readable TIFF file ({type(error).__name__}: {str(error)[:120]})") from error


def _check_chain(path: str | os.PathLike[str], file: BufferedReader) -> None:
    """Refuse a TIFF file whose pages lead to one another in a circle, or are too many; the parser would follow them for ever.

    Byte order, version (42, or 43 for large files) and the chain of page directories: TIFF 6.0, Adobe Systems, 1992, section 2.
    """
    order = {b"II": "<", b"MM": ">"}.get(file.read(2))
    version = int.from_bytes(file.read(2), "little" if order == "<" else "big")
    if order is None or version not in (42, 43):
        return  # the parser tells what is wrong
    count, entry, place = (struct.Struct(order + code) for code in (("H", "12s", "I") if version == 42 else ("Q", "20s", "Q")))
    file.seek(place.size)  # 4 or 8: where the first page is told
    found: set[int] = set()
    with contextlib.suppress(struct.error, OSError, OverflowError):  # the chain ends where the file does
        while at := place.unpack(file.read(place.size))[0]:
            if at in found or len(found) == MAX_PAGES:
                raise InputError(
                    f"{path}: found {'pages in a circle' if at in found else 'more'}; allowed: at most {MAX_PAGES} pages, each once"
                )
            found.add(at)
            file.seek(at)
            file.seek(count.unpack(file.read(count.size))[0] * entry.size, os.SEEK_CUR)


def read_page(path: str | os.PathLike[str], pages: Any, page: int) -> NDArray[Any]:
    """Page number `page` of the `pages` of an open TIFF file (see `read_tiff`)."""
    entry = pages[page]
    with naming(f"{path}: page {page}"):
        _check_page(entry, Path(path).stat().st_size)
        try:
            return np.asarray(entry.asarray())
        except (ValueError, NotImplementedError) as error:
            raise InputError(f"cannot be unpacked from {_name(entry.compression)} ({str(error)[:120]}); save it uncompressed") from error


def _check_page(entry: Any, size: int) -> None:
    """Refuse a page of a TIFF file of `size` bytes that is not what `read_tiff` wants, before its pixels are read."""
    shape, dtype = tuple(entry.shape), entry.dtype
    if len(shape) != 2 or dtype is None or np.dtype(dtype).kind not in "uif":
        raise InputError(f"found shape {str(shape)[:80]}, type {dtype}; allowed: one grey plane of integers or floats")
    needed = shape[0] * shape[1] * np.dtype(dtype).itemsize
    if shape[0] * shape[1] > MAX_PIXELS or not 0 < needed <= MAX_PAGE_BYTES:
        raise InputError(f"found {shape[0]} x {shape[1]} pixels of {dtype}; allowed: 1 to {MAX_PIXELS}, of {MAX_PAGE_BYTES} bytes in all")
    tag = entry.tags.get("PhotometricInterpretation")
    if tag is not None and _name(tag.value) != "MINISBLACK":
        raise InputError(f"found grey values of the kind {_name(tag.value)}; allowed: black as 0 (MINISBLACK)")
    if (packing := _name(entry.compression)) not in PACKINGS:
        raise InputError(f"found pixels packed as {packing}; allowed: {', '.join(PACKINGS)}")
    ends = [offset + count for offset, count in zip(entry.dataoffsets, entry.databytecounts, strict=True)]
    if not ends or max(ends) > size:
        raise InputError(f"truncated; its data would end at byte {max(ends, default=0)} of {size}")
    stored = sum(entry.databytecounts)
    if packing == "NONE" and stored < needed:
        raise InputError(f"truncated; {stored} bytes of pixels for {shape[0]} x {shape[1]} of {dtype}")
    if stored > 2 * needed + 2**16:  # so much packed data unpacks to more than the page announces
        raise InputError(f"found {stored} bytes of pixels for {shape[0]} x {shape[1]} of {dtype}; allowed: about {needed}, or fewer")


def _name(constant: Any) -> str:
    """Name of a constant of the TIFF standard; its number where it has none."""
    return str(getattr(constant, "name", constant))


@contextmanager
def writing(path: str | os.PathLike[str], overwrite: bool = False) -> Iterator[Path]:
    """A temporary path beside `path` that becomes `path` when the block ends well, and vanishes otherwise.

    Parameters
    ----------
    path : path
        Where the output is to stand.
    overwrite : bool
        Whether a file that stands there may be replaced.

    Yields
    ------
    Path
        The file to write, in the same folder and with the same suffix.

    Raises
    ------
    OutputExistsError
        If `path` exists and `overwrite` is false; checked before and after the block.
    InputError
        If the folder is missing or cannot be written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     with writing(Path(folder) / "note.txt") as temporary:
    ...         _ = temporary.write_text("done")
    ...     (Path(folder) / "note.txt").read_text()
    'done'
    """
    path = Path(path)
    check_output(path, overwrite)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from error
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)
        with temporary.open("rb") as file:
            os.fsync(file.fileno())
        if overwrite:
            temporary.replace(path)
        else:
            _publish(temporary, path)
    except OSError as error:
        if isinstance(error, OutputExistsError):
            raise
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from error
    finally:
        temporary.unlink(missing_ok=True)


def _publish(temporary: Path, path: Path) -> None:
    """Give `temporary` the name `path` unless something has taken that name meanwhile."""
    try:
        os.link(temporary, path)
    except FileExistsError as error:
        raise OutputExistsError(f"{path}: exists already; use --overwrite to replace it") from error
    except OSError:  # a file system without hard links
        check_output(path, overwrite=False)
        temporary.replace(path)


def check_output(path: str | os.PathLike[str], overwrite: bool) -> None:
    """Refuse early, before any work is done, what `writing` would refuse at the end."""
    path = Path(path)
    try:
        mode = _mode(path)
        if mode is not None and stat.S_ISDIR(mode):
            raise InputError(f"{path}: is a folder; name a file")
        if mode is not None and not stat.S_ISREG(mode):
            raise InputError(f"{path}: is a device or a pipe; name a file")
        if mode is not None and not overwrite:
            raise OutputExistsError(f"{path}: exists already; use --overwrite to replace it")
        if not path.parent.is_dir():
            raise InputError(f"{path}: there is no folder {path.parent}; make it first")
        check_writable(path.parent, path)
    except OSError as error:
        if isinstance(error, OutputExistsError):
            raise
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from error


def check_output_folder(folder: Path) -> None:
    """Refuse early a folder that can neither be written into nor be made; the one above it has to be there.

    Raises
    ------
    InputError
        If it is a file, the folder above it is missing, or nothing may be written.
    OSError
        If the system does not tell.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: is a file; name a folder")
    if not folder.absolute().parent.is_dir():
        raise InputError(f"{folder}: there is no folder {folder.parent}; make it first")
    check_writable(folder if folder.exists() else folder.absolute().parent, folder)


def check_writable(folder: Path, path: Path) -> None:
    """Refuse `path` if nothing may be written into `folder`, where it is to stand."""
    if not os.access(folder, os.W_OK):
        raise InputError(f"{path}: cannot be written (nothing may be written into {folder})")


def write_folder(folder: Path, files: Mapping[str, bytes], check: Callable[[], None]) -> None:
    """Write files into a folder: all are complete before the first takes its place, and a new folder appears as a whole.

    Parameters
    ----------
    folder : Path
        If there is none, its parent must be there.
    files : mapping of str to bytes
        Content of each file, by its path in the folder; those that stand there are replaced.
    check : callable
        Called just before the files take their places, to refuse what has come into their way.

    Raises
    ------
    InputError
        If the folder cannot be written, and what `check` raises.
    """
    try:
        with tempfile.TemporaryDirectory(prefix=f".{folder.name}-", dir=folder if folder.is_dir() else folder.parent) as temporary:
            made = Path(temporary) / "made"
            for name, content in files.items():
                (made / name).parent.mkdir(parents=True, exist_ok=True)
                (made / name).write_bytes(content)
            check()
            if not folder.is_dir():
                made.rename(folder)
                return
            for name in files:
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (made / name).replace(folder / name)
    except OSError as error:
        if isinstance(error, OutputExistsError):
            raise
        raise InputError(f"{folder}: cannot be written ({error.strerror or error})") from error


@contextmanager
def locked(folder: Path, wait_s: float = 0.0) -> Iterator[None]:
    """Keep other commands out of a folder while the block runs; nothing happens if there is no such folder.

    Parameters
    ----------
    folder : Path
    wait_s : float
        How long to wait for another command to be done.

    Raises
    ------
    InputError
        If another command is at work in it, or it was moved or taken away meanwhile.

    Notes
    -----
    The system lifts the lock when the process ends, however it ends, and nothing is left in the folder. A lock holds among those who ask
    for it. There is none where the system or the file system has no such locks (Windows, some shares).
    """
    try:
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):
        handle = None
    try:
        if handle is not None:
            _lock(folder, handle, fcntl, time.monotonic() + wait_s)
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _lock(folder: Path, handle: int, fcntl: ModuleType, until: float) -> None:
    """Lock an open folder, and see that it still has its name."""
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            break
        except BlockingIOError as error:
            if time.monotonic() >= until:
                raise InputError(f"{folder}: another command is at work in it; wait until it is done, or end it first") from error
            time.sleep(0.01)
        except OSError:  # a file system without locks
            return
    if not folder.exists() or not os.path.samestat(os.fstat(handle), folder.stat()):
        raise InputError(f"{folder}: another command has moved or replaced it; try again")


def write_bytes(path: str | os.PathLike[str], content: bytes, overwrite: bool = False) -> None:
    """Write a file through `writing`."""
    with writing(path, overwrite) as temporary:
        temporary.write_bytes(content)


def write_text(path: str | os.PathLike[str], text: str, overwrite: bool = False) -> None:
    """Write UTF-8 text through `writing`."""
    write_bytes(path, text.encode(), overwrite)
