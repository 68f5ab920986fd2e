"""Plans of Fourier transforms: the one door to the Fourier library, and where the plans that were timed are kept.

A plan says how a transform is split into smaller ones. One that was found by timing takes half the time of one that was estimated,
but another run may find another, and with it the last bits of a mask. So each is timed once, and kept in the user's cache folder:
from then on all processes of the machine take that one. Where nothing can be kept, the plans are estimated.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import pyfftw

from holo.arrays import ComplexArray, processor

ESTIMATED = "estimated"
"""In place of the mark of plans that are kept, where none are."""

_PLANNING = threading.Lock()  # the library has one planner for all threads


def empty_complex(shape: tuple[int, ...]) -> ComplexArray:
    """Uninitialised complex64 array, aligned for vector instructions.

    Parameters
    ----------
    shape : tuple of int

    Returns
    -------
    ndarray of complex64
        Of the shape asked for; what it holds is left to chance.
    """
    return cast(ComplexArray, pyfftw.empty_aligned(shape, dtype="complex64"))


@dataclass(frozen=True)
class Lines:
    """A block of lines with their unnormalised Fourier transforms in place.

    Attributes
    ----------
    buffer : ndarray of complex64, shape (count, length)
    minus, plus : callable
        Transform each line with the sign -1 or +1 in the exponent.
    """

    buffer: ComplexArray
    minus: Callable[[], None]
    plus: Callable[[], None]


def fourier_lines(blocks: int, count: int, length: int, *, timed: bool = False) -> list[Lines]:
    """Make blocks of lines, all 0, with their transforms.

    Parameters
    ----------
    blocks : int
        How many: one for each thread.
    count, length : int
        Lines of a block, which are transformed at a time: few enough to stay in the processor's cache; and points of each.
    timed : bool
        Whether the plans are worth a second, once on each machine; else they are estimated.

    Returns
    -------
    list of Lines
        Each with its own memory, so that threads do not meet.

    Examples
    --------
    >>> (lines,) = fourier_lines(1, 2, 4)
    >>> lines.buffer[1, 1] = 1
    >>> lines.minus()
    >>> print(lines.buffer[1])
    [ 1.+0.j  0.-1.j -1.+0.j  0.+1.j]
    """
    buffers = [empty_complex((count, length)) for _ in range(blocks)]
    with _PLANNING:
        made = (_kept_plans(buffers) if timed else None) or [_plans(buffer, "FFTW_ESTIMATE") for buffer in buffers]
    for buffer in buffers:
        buffer[:] = 0
    return [Lines(buffer, minus.execute, plus.execute) for buffer, (minus, plus) in zip(buffers, made, strict=True)]


def mark_of_plans() -> str:
    """Tell which plans are in use: eight letters that were drawn when the first was kept, or `ESTIMATED` where none can be.

    Returns
    -------
    str
        The same as long as the folder of plans is kept: on one machine, masks with the same mark are the same bit for bit.
    """
    return kept(_folder() / "mark", lambda: secrets.token_hex(4)) or ESTIMATED


def kept(path: Path, make: Callable[[], str]) -> str | None:
    """Give a short text that is made once and kept: all processes that ask for it get the same.

    Parameters
    ----------
    path : Path
        Its file. Its folder is made too.
    make : callable
        Called if there is no file, or one that is not whole, which is then replaced.

    Returns
    -------
    str or None
        None if it cannot be kept.

    Notes
    -----
    The text is written beside and then linked to its name, which fails if another process was first: then that one's text is taken.
    """
    if not path.is_absolute():  # there is no home
        return None
    try:
        found = _whole(path)
        if found is not None:
            return found
        text = make()
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_name(f".{path.name}-{secrets.token_hex(8)}")
        try:
            beside.write_text(f"{_digest(text)}\n{text}", encoding="ascii")
            if path.exists() and _whole(path) is None:
                path.unlink()
            os.link(beside, path)
        except FileExistsError:
            pass
        finally:
            beside.unlink(missing_ok=True)
        return _whole(path)
    except OSError:
        return None


def _whole(path: Path) -> str | None:
    """The text of a file of `kept`; None if there is none, or a damaged one."""
    try:
        digest, _, text = path.read_text(encoding="ascii").partition("\n")
    except (FileNotFoundError, UnicodeDecodeError):
        return None
    return text if digest == _digest(text) else None


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _folder() -> Path:
    """Where the plans for this processor and this library are kept."""
    library = f"{pyfftw.__version__} {pyfftw.fftw_version} {pyfftw.fftw_cc} {sys.platform}"
    return _cache_folder() / "holo" / f"plans-{_digest(f'{processor()} {library}')[:12]}"


def _cache_folder() -> Path:
    """The user's folder for what can be made again."""
    asked = os.environ.get("LOCALAPPDATA" if sys.platform == "win32" else "XDG_CACHE_HOME", "")
    if Path(asked).is_absolute():
        return Path(asked)
    home = Path(os.path.expanduser("~"))  # noqa: PTH111 (the other way raises where there is none)
    return home / ("Library/Caches" if sys.platform == "darwin" else ".cache")


def _kept_plans(buffers: list[ComplexArray]) -> list[tuple[pyfftw.FFTW, pyfftw.FFTW]] | None:
    """Plans of blocks of one shape by what is kept of them, timed if nothing is; None if that cannot be."""
    others = pyfftw.export_wisdom()
    try:
        wisdom = kept(_folder() / "x".join(map(str, buffers[0].shape)), lambda: _timed(buffers[0]))
        pyfftw.forget_wisdom()
        if wisdom is None or not pyfftw.import_wisdom((b"", wisdom.encode(), b""))[1]:
            return None
        return [_plans(buffer, "FFTW_MEASURE", "FFTW_WISDOM_ONLY") for buffer in buffers]
    except RuntimeError:  # it tells nothing of this transform
        return None
    finally:
        pyfftw.forget_wisdom()  # lest other plans depend on what was planned before
        pyfftw.import_wisdom(others)


def _timed(buffer: ComplexArray) -> str:
    """What the library finds out about a block of lines by timing."""
    pyfftw.forget_wisdom()
    _plans(buffer, "FFTW_MEASURE")
    return bytes(pyfftw.export_wisdom()[1]).decode("ascii")


def _plans(buffer: ComplexArray, *flags: str) -> tuple[pyfftw.FFTW, pyfftw.FFTW]:
    """Plans along the lines of a block, with the signs -1 and +1."""
    minus, plus = (
        pyfftw.FFTW(buffer, buffer, axes=(1,), direction=way, flags=flags, threads=1) for way in ("FFTW_FORWARD", "FFTW_BACKWARD")
    )
    return minus, plus
