"""Links: who shows a mask on the panel and takes the camera's frame of it.

A link is a function ``take(levels, step)`` that is given the levels for the panel, an array (rows, columns) of uint8 or uint16, and the
number of the frame, 0, 1, 2 ..., and returns the camera's frame: an array (rows, columns), or (shots, rows, columns) of several shots of
one exposure, of integers or floats in counts. `open_link` makes one from a text:

``twin``, ``twin:PATH``
    The twin of the file PATH; without it, of ``twin.toml`` beside the bench file.
``folder:PATH``
    A folder that some other program, or a person, watches: ``mask-000.png`` with the exact levels is put there, ``frame-000.tiff`` (or
    .tif, .png, .npy) is waited for. Whoever writes the frame had best write it under another name and rename it in the end.
``python:MODULE:FUNCTION``
    A function of the user's own that is such a link. MODULE is a module that Python can import, or the path of a .py file.
``NAME``, ``NAME:ARGUMENT``
    What an installed distribution offers under this name in the entry point group ``holo.links``: a function that is given ARGUMENT
    (a text, empty if there is none) and returns such a link.

Light at these powers is class 4 and may be invisible: a link that runs by itself shows masks without anybody looking at them first.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
import time
from collections.abc import Callable
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from holo.errors import HoloError, InputError, LinkError
from holo.frames import check_stack, read_frame
from holo.mask import render_levels

if TYPE_CHECKING:
    import os

    from numpy.typing import NDArray

    from holo.dialogue import Link

Report: TypeAlias = Callable[[str], None]
"""Who is told what is waited for."""

GROUP = "holo.links"
"""Entry point group of links that other distributions bring along."""

FRAME_SUFFIXES = (".tiff", ".tif", ".png", ".npy")
"""Kinds of frame that a folder may be given."""

POLL_S = 0.2
"""Time between two looks into a folder."""

_ALLOWED = "twin, twin:PATH, folder:PATH, python:MODULE:FUNCTION"


def open_link(text: str, bench_path: str | os.PathLike[str], *, timeout_s: float = 600.0, report: Report | None = None) -> Link:
    """Open the link that a text names.

    Parameters
    ----------
    text : str
        As the module's description has it.
    bench_path : path
        The bench file, beside which ``twin`` looks for its file.
    timeout_s : float
        How long a folder's frame is waited for.
    report : callable, optional
        Called with a line of text when something is waited for.

    Returns
    -------
    callable
        ``take(levels, step)``, which returns an array (shots, rows, columns) or raises `LinkError`: because no frame came, the
        user's function failed, or what came is no frame.

    Raises
    ------
    InputError
        If the text names no link, or what it names is not there or cannot be opened.

    Examples
    --------
    >>> open_link("folder:nowhere", "bench.toml")
    Traceback (most recent call last):
    ...
    holo.errors.InputError: link: found 'folder:nowhere', but there is no folder nowhere; make it first
    """
    if not timeout_s > 0:
        raise InputError(f"timeout: found {timeout_s:g} s; allowed: above 0")
    kind, colon, argument = text.partition(":")
    if kind == "twin" and bool(colon) == bool(argument):
        return _twin_link(Path(argument) if argument else Path(bench_path).parent / "twin.toml")
    if kind == "folder" and argument:
        return _folder_link(text, Path(argument), timeout_s, report or (lambda _: None))
    module, _, function = argument.rpartition(":")
    if kind == "python" and module and function:
        return _guarded(_user_function(text, module, function), text)
    return _installed_link(text, kind, argument)


def _twin_link(path: Path) -> Link:
    from holo.twin import read_twin

    return read_twin(path).show


def _guarded(take: Callable[..., Any], whose: str) -> Link:
    """A link around somebody else's function: whatever it raises, or returns that is no frame, becomes a `LinkError`."""

    def guarded(levels: NDArray[Any], step: int) -> NDArray[Any]:
        try:
            found = take(np.array(levels), step)  # a copy, which the function may do with as it likes
        except LinkError:
            raise
        except (Exception, SystemExit) as error:
            raise LinkError(f"{whose}: failed at step {step} ({_told(error)})") from error
        try:
            return check_stack(found, whose)
        except InputError as error:
            raise LinkError(f"step {step}: {error}") from error

    return guarded


def _told(error: BaseException) -> str:
    """Kind and text of an exception on one short line."""
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text[:300]}" if text else type(error).__name__


# ---------------------------------------------------------------------------------------------------------------------
# functions of others


def _user_function(text: str, module: str, function: str) -> Callable[..., Any]:
    try:
        found = _file_module(Path(module)) if module.endswith(".py") else importlib.import_module(module)
    except (Exception, SystemExit) as error:  # a module of the user's own may raise anything
        hint = "" if module.endswith(".py") else "; name the .py file if it is not installed"
        raise InputError(f"link: found {text!r}, but {module} cannot be imported ({_told(error)}){hint}") from error
    take: Callable[..., Any] | None = getattr(found, function, None)
    if take is None or not callable(take):
        others = ", ".join(name for name, value in vars(found).items() if callable(value) and not name.startswith("_"))
        raise InputError(f"link: found {text!r}, but {module} has no function {function!r}; it has: {others or 'none'}")
    return take


def _file_module(path: Path) -> ModuleType:
    """Import a .py file; like a script, it may import what lies beside it."""
    name = f"holo_link_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None  # as the name ends in .py
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    if str(path.parent.resolve()) not in sys.path:
        sys.path.append(str(path.parent.resolve()))
    sys.modules[name] = module  # where dataclasses look for the module of a class
    spec.loader.exec_module(module)
    return module


def _installed_link(text: str, name: str, argument: str) -> Link:
    installed = entry_points(group=GROUP)
    if name not in installed.names:
        others = ", ".join(sorted(installed.names)) or "none"
        raise InputError(f"link: found {text!r}; allowed: {_ALLOWED}, or the name of an installed link (there: {others})")
    offered = list(installed.select(name=name))
    if len({entry.value for entry in offered}) > 1:
        raise InputError(f"link: found {text!r}, which {_offers(offered)} offer; allowed: a name that only one of those installed has")
    try:
        take = offered[0].load()(argument)
    except LinkError:
        raise
    except (Exception, SystemExit) as error:
        raise InputError(f"link: found {text!r}, but {_offers(offered)} cannot open it ({_told(error)})") from error
    if not callable(take):
        raise InputError(
            f"link: found {text!r}, but {_offers(offered)} gave a {type(take).__name__}; allowed: a function take(levels, step)"
        )
    return _guarded(take, text)


def _offers(entries: list[EntryPoint]) -> str:
    return " and ".join(entry.value for entry in entries)


# ---------------------------------------------------------------------------------------------------------------------
# a folder


def _folder_link(text: str, folder: Path, timeout_s: float, report: Report) -> Link:
    if not folder.is_dir():
        raise InputError(f"link: found {text!r}, but there is no folder {folder}; make it first")

    def take(levels: NDArray[Any], step: int) -> NDArray[Any]:
        mask = folder / f"mask-{step:03d}.png"
        try:
            _hand_over(mask, np.asarray(levels), _frames(folder, step))
            return _awaited(folder, step, timeout_s, report)
        except HoloError:
            raise
        except OSError as error:
            raise LinkError(f"{folder}: cannot be read ({error.strerror or error})") from error

    return take


def _frames(folder: Path, step: int) -> list[Path]:
    """The files that may be the frame of a step."""
    return sorted(path for path in folder.iterdir() if path.stem == f"frame-{step:03d}" and path.suffix.lower() in FRAME_SUFFIXES)


def _hand_over(mask: Path, levels: NDArray[Any], frames: list[Path]) -> None:
    """Put the mask into the folder unless it is there, from before a dialogue was interrupted; refuse what another has left."""
    if mask.exists():
        if not np.array_equal(read_frame(mask)[0], levels):
            raise InputError(f"{mask}: found another mask, left from another dialogue; empty the folder, or use an empty one")
    elif frames:
        raise InputError(f"{frames[0]}: found a frame although its mask was not handed over yet; empty the folder, or use an empty one")
    else:
        render_levels(mask, levels)


def _awaited(folder: Path, step: int, timeout_s: float, report: Report) -> NDArray[Any]:
    """The frame of a step, as soon as it is there and complete.

    A file counts as complete when two looks find the same size and time and all of it can be read.
    """
    wanted, until = folder / f"frame-{step:03d}{FRAME_SUFFIXES[0]}", time.monotonic() + timeout_s
    seen, refused, fault = None, None, ""
    while True:
        frames = _frames(folder, step)
        state = [(path, *_size_and_time(path)) for path in frames]
        if len(frames) == 1 and state == seen and state != refused:
            try:
                frame = read_frame(frames[0])
            except InputError as error:  # half written, perhaps: read it again when it has changed
                refused, fault = state, str(error)
            else:
                if _size_and_time(frames[0]) == state[0][1:]:
                    return frame
        if time.monotonic() > until:
            raise LinkError(f"{wanted}: no frame came within {timeout_s:g} s; {_there(folder, frames, fault)}")
        if seen is None and not frames:
            report(f"waiting for {wanted} (or {', '.join(FRAME_SUFFIXES[1:])}), the frame of mask-{step:03d}.png")
        seen = state
        time.sleep(min(POLL_S, timeout_s / 4))


def _size_and_time(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except FileNotFoundError:  # gone since it was listed
        return -1, -1
    return found.st_size, found.st_mtime_ns


def _there(folder: Path, frames: list[Path], fault: str) -> str:
    """What is in a folder instead of a frame."""
    if len(frames) > 1:
        return f"found {' and '.join(path.name for path in frames)}; allowed: one of them"
    if frames:
        return f"found {frames[0].name}, which cannot be read: {fault}" if fault else f"found {frames[0].name}, which was still growing"
    names = sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))
    return f"the folder holds {', '.join(names[:10])}{' ...' if len(names) > 10 else ''}"
