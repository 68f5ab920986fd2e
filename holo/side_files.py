"""Files that a bench file names: pictures with a value for each pixel, and the measured response; read, checked, their digests noted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.files import digest, read_csv, read_tiff
from holo.tables import Table

if TYPE_CHECKING:
    from numpy.typing import NDArray


def side_file(table: Table, key: str, files: dict[str, str]) -> Path | None:
    """Find the file that a key names, and note its digest.

    Parameters
    ----------
    table : Table
    key : str
    files : dict
        Gets the digest, by the path relative to the bench file's folder where the file lies inside it.

    Returns
    -------
    Path or None
        None where the table has no such key.

    Raises
    ------
    InputError
        For a file that cannot be read.
    """
    path: Path | None = table.file(key)
    if path is not None:
        folder = table.path.parent
        files[str(path.relative_to(folder) if path.is_relative_to(folder) else path)] = digest(path)
    return path


def read_picture(
    table: Table,
    key: str,
    shape: tuple[int, int],
    files: dict[str, str],
    fault_of: Callable[[NDArray[Any]], str | None],
    dtype: type[np.floating[Any] | np.bool_],
    whose: str = "panel",
) -> NDArray[Any] | None:
    """Read a TIFF picture with one value per pixel of the panel or camera.

    Parameters
    ----------
    table : Table
    key : str
        Names the file.
    shape : tuple of int
        (rows, columns) that it must have.
    files : dict
        As `side_file`.
    fault_of : callable
        Tells what is wrong with the picture, or None.
    dtype : type
        Of the result.
    whose : str
        Whose pixels they are, for messages.

    Returns
    -------
    ndarray or None
        Read-only; None where the table has no such key.

    Raises
    ------
    InputError
        For what cannot be read, has another shape or a fault.
    """
    path = side_file(table, key, files)
    if path is None:
        return None
    picture = read_tiff(path)
    if picture.shape != shape:
        found = " x ".join(map(str, picture.shape))
        raise table.problem(key, f"{path}: found {found} pixels (rows x columns); allowed: {shape[0]} x {shape[1]}, one per {whose} pixel")
    fault = fault_of(picture)
    if fault:
        raise table.problem(key, f"{path}: {fault}")
    picture = picture.astype(dtype)
    picture.setflags(write=False)
    return picture


def beam_fault(picture: NDArray[Any]) -> str | None:
    """Tell what is wrong with a measured beam.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns)
        Relative intensities.

    Returns
    -------
    str or None
        What was found and what is allowed; None if nothing is wrong.
    """
    top = np.finfo(np.float32).max
    bad = ~((picture >= 0) & (picture <= top))
    if bad.any():
        return f"found {_first(picture, bad)}; allowed: finite intensities from 0 up"
    if picture.max() < np.finfo(np.float32).tiny:
        return "found no light, all intensities are 0; allowed: at least one above 0"
    return None


def phase_fault(picture: NDArray[Any]) -> str | None:
    """Tell what is wrong with a picture of phases.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns)
        Phases, rad.

    Returns
    -------
    str or None
        What was found and what is allowed; None if nothing is wrong.
    """
    if picture.dtype.kind != "f":
        return f"found numbers of type {picture.dtype}; allowed: a phase in rad as floating-point numbers"
    bad = ~(np.abs(picture) <= 1000)
    if bad.any():
        return f"found {_first(picture, bad)}; allowed: finite phases from -1000 to 1000 rad"
    return None


def dark_fault(picture: NDArray[Any]) -> str | None:
    """Tell what is wrong with a camera's counts without light.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns)
        Counts.

    Returns
    -------
    str or None
        What was found and what is allowed; None if nothing is wrong.
    """
    bad = ~(np.abs(picture) <= 2**32)
    return f"found {_first(picture, bad)}; allowed: finite counts from -2^32 to 2^32" if bad.any() else None


def hot_fault(picture: NDArray[Any]) -> str | None:
    """Tell what is wrong with a picture of the camera's pixels that must not be used.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns)
        0 for a usable pixel, 1 or 255 for one that is not.

    Returns
    -------
    str or None
        What was found and what is allowed; None if nothing is wrong.
    """
    bad = ~((picture == 0) | (picture == 1) | (picture == 255))
    if bad.any():
        return f"found {_first(picture, bad)}; allowed: 0 for a usable pixel, 1 or 255 for one that is not"
    return "found no usable pixel; allowed: at least one" if picture.all() else None


def _first(picture: NDArray[Any], bad: NDArray[np.bool_]) -> str:
    """Say what the first bad value is and where."""
    row, column = np.unravel_index(int(np.argmax(bad)), bad.shape)
    return f"{picture[row, column]:g} at row {row}, column {column}"


def read_response(table: Table, levels: int, files: dict[str, str]) -> NDArray[np.float64] | None:
    """Read a measured response, sorted by level.

    Parameters
    ----------
    table : Table
        Its key ``response_csv`` names the file.
    levels : int
        Number of levels of the panel.
    files : dict
        As `side_file`.

    Returns
    -------
    ndarray, shape (n, 2), or None
        Rising level, and phase in rad; None where the table has no such key.

    Raises
    ------
    InputError
        For levels beyond the panel's or given twice, fewer than two, and a phase that is not monotonic or falls short of 2 pi.
    """
    key = "response_csv"
    path = side_file(table, key, files)
    if path is None:
        return None
    columns = read_csv(path, ("level", "phase_rad"), ("error_rad",))  # errors, which the measurement leaves, are for the reader
    response = np.column_stack([columns["level"], columns["phase_rad"]])
    response = response[np.argsort(response[:, 0], kind="stable")]
    level, phase = response.T
    if len(level) < 2:
        raise table.problem(key, f"{path}: found {len(level)} row(s); allowed: at least 2")
    outside = level[(level < 0) | (level > levels - 1)]
    if len(outside):
        raise table.problem(key, f"{path}: level: found {outside[0]:g}; allowed: from 0 to {levels - 1}")
    twice = level[1:][np.diff(level) == 0]
    if len(twice):
        raise table.problem(key, f"{path}: level: found {twice[0]:g} twice; allowed: each level once")
    _check_phase(table, key, path, level, phase, levels)
    return response


def _check_phase(table: Table, key: str, path: Path, level: NDArray[np.float64], phase: NDArray[np.float64], levels: int) -> None:
    """Demand a monotonic phase that reaches 2 pi less one level's share, as a linear response of all levels would."""
    if np.abs(phase).max() > 1000:
        raise table.problem(key, f"{path}: phase_rad: found {phase[np.argmax(np.abs(phase))]:g}; allowed: from -1000 to 1000 rad")
    step = np.diff(phase) * np.sign(phase[-1] - phase[0])
    if (step < 0).any() or not step.any():
        worst = int(np.argmin(step))
        found = f"found {phase[worst]:g} at level {level[worst]:g} and {phase[worst + 1]:g} at level {level[worst + 1]:g}"
        raise table.problem(key, f"{path}: phase_rad: {found}; allowed: always rising or always falling (smooth a noisy curve first)")
    needed = 2 * np.pi * (levels - 1) / levels
    if np.ptp(phase) < needed * (1 - 1e-3):  # no curve is measured, or printed, better than that
        raise table.problem(key, f"{path}: phase_rad: found a range of {np.ptp(phase):.4g} rad; allowed: from {needed:.4g} rad (2 pi) up")
