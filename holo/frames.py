"""Camera frames: reading and writing them, checking them, and averaging the shots of one exposure.

Arrays are ``[row, column]`` with row 0 on top. Pixel centres lie at whole numbers: a camera point is ``(column, row)``. Counts are
what the camera gives (its digital numbers); electrons are what it has seen.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.arrays import kernel
from holo.checks import check_finite
from holo.errors import InputError, naming
from holo.files import MAX_PIXELS, check_output, open_tiff, read_page, writing
from holo.images import open_image, open_npy

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.parts import Camera

LEAST_SIDE = 8
"""Fewest rows, and columns, of a frame."""

MOST_SHOTS = 4096
"""Most pages of a TIFF file that are read as shots of one exposure."""

MOST_COUNTS = 1e12
"""Largest count, positive or negative, that is taken for one."""

FULL_SCALES = tuple(2**bits - 1 for bits in (8, 10, 12, 14, 16))
"""Largest counts of usual cameras, at which pixels are looked for that are saturated when nothing tells the camera's own."""


@dataclass(frozen=True, eq=False)
class Frame:
    """One exposure of the camera: the mean of its shots, and what is known of its pixels.

    Notes
    -----
    The variance of a pixel of `signal` is ``floor + (signal - background) / (electrons_per_count shots)`` in counts^2, where the
    floor is the variance of the background around it: Poisson statistics of the electrons (standard).
    """

    signal: NDArray[np.float32]
    """Mean counts over the shots, less the dark frame if there is one, shape (rows, columns)."""
    usable: NDArray[np.bool_]
    """False on hot, dead and saturated pixels, shape (rows, columns)."""
    saturated: NDArray[np.bool_]
    """Pixels that reached the top of the camera's range in any shot, shape (rows, columns)."""
    shots: int
    electrons_per_count: float | None
    """Electrons that make one count; from the camera's description, else from the differences between the shots; None if neither tells."""
    rounding: float = 0.0
    """Standard deviation that rounding to whole counts gives to `signal`; 0 where the counts were not whole."""

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        rows, columns = self.signal.shape
        return rows, columns


# ---------------------------------------------------------------------------------------------------------------------
# files


def read_frame(path: str | os.PathLike[str]) -> NDArray[Any]:
    """Read a camera frame: TIFF (several pages are the shots of one exposure), PNG (grey) or NPY, by its suffix.

    Parameters
    ----------
    path : path
        ``.tif``, ``.tiff``, ``.png`` or ``.npy``.

    Returns
    -------
    ndarray, shape (shots, rows, columns)
        In the file's own number type (8-bit to 64-bit integers or floats).

    Raises
    ------
    InputError
        If the file is of another kind than its suffix says, truncated, larger than `holo.files.MAX_PIXELS` over all shots, smaller
        than `LEAST_SIDE` to a side, or holds anything but finite real numbers. Sizes are checked before memory is taken.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     write_frame(Path(folder) / "frame.tiff", np.full((3, 16, 24), 100, np.uint16))
    ...     frame = read_frame(Path(folder) / "frame.tiff")
    >>> frame.shape, frame.dtype
    ((3, 16, 24), dtype('uint16'))
    """
    readers = {".tif": _read_tiff, ".tiff": _read_tiff, ".png": _read_png, ".npy": _read_npy}
    suffix = Path(path).suffix.lower()
    if suffix not in readers:
        raise InputError(f"{path}: found the suffix {suffix!r}; allowed: {', '.join(readers)}")
    return check_stack(readers[suffix](path), str(path))


def _read_tiff(path: str | os.PathLike[str]) -> NDArray[Any]:
    with open_tiff(path) as pages:
        if len(pages) > MOST_SHOTS:
            raise InputError(f"{path}: found {len(pages)} pages; allowed: at most {MOST_SHOTS}, one a shot")
        kinds = [(tuple(page.shape), page.dtype) for page in pages]
        if len(set(kinds)) > 1:
            raise InputError(f"{path}: found pages of {len(set(kinds))} sizes or number types; allowed: pages that are alike, one a shot")
        _check_size(kinds[0][0] if kinds else (), len(kinds), str(path))
        first = read_page(path, pages, 0)
        stack = np.empty((len(kinds), *first.shape), first.dtype.newbyteorder("="))
        for page in range(len(kinds)):
            stack[page] = read_page(path, pages, page) if page else first
        return stack


def _read_png(path: str | os.PathLike[str]) -> NDArray[Any]:
    with open_image(path, ("PNG",), "PNG") as image:
        _check_size((image.height, image.width), 1, str(path))
        if image.mode not in ("L", "I;16"):
            raise InputError(f"{path}: found the image mode {image.mode}; allowed: grey of 8 or 16 bits without transparency")
        return np.array(image)


def _read_npy(path: str | os.PathLike[str]) -> NDArray[Any]:
    found = open_npy(path)
    _check_size(found.shape[-2:], found.size // max(int(np.prod(found.shape[-2:])), 1), str(path))
    return np.array(found, dtype=found.dtype.newbyteorder("="), order="C")


def _check_size(shape: tuple[int, ...], shots: int, whose: str) -> None:
    """Refuse what is too large before memory is taken for it."""
    if int(np.prod(shape, dtype=object)) * shots > MAX_PIXELS:
        size = " x ".join(map(str, shape))
        raise InputError(f"{whose}: found {shots} shot(s) of {size} pixels; allowed: at most {MAX_PIXELS} pixels in all")


def write_frame(path: str | os.PathLike[str], stack: NDArray[Any], overwrite: bool = False) -> None:
    """Write shots as an uncompressed TIFF file, one page a shot, in their own number type; the same shots give the same bytes.

    Parameters
    ----------
    path : path
    stack : ndarray, shape (rows, columns) or (shots, rows, columns)
    overwrite : bool
        Whether a file that stands there may be replaced.

    Raises
    ------
    OutputExistsError
        If `path` exists and `overwrite` is false.
    InputError
        If the stack is not one that `read_frame` would take, or the file cannot be written.
    """
    import tifffile

    check_output(path, overwrite)
    with naming(path):
        stack = check_stack(stack, "frame")
    with writing(path, overwrite) as temporary, tifffile.TiffWriter(temporary) as file:
        for shot in stack:
            file.write(shot, photometric="minisblack", metadata=None, software="holo", contiguous=False)


def check_stack(stack: Any, whose: str) -> NDArray[Any]:
    """Check an array of shots that came from elsewhere.

    Parameters
    ----------
    stack : array_like, shape (rows, columns) or (shots, rows, columns)
        Integers or floats.
    whose : str
        Where it came from, for messages.

    Returns
    -------
    ndarray, shape (shots, rows, columns)
        The same numbers.

    Raises
    ------
    InputError
        With `whose`, for anything but finite real numbers in one of the two shapes, of a size that a camera may have.

    Examples
    --------
    >>> check_stack(np.zeros((16, 24), np.uint8), "camera").shape
    (1, 16, 24)
    >>> check_stack(np.zeros((16, 24), complex), "camera")
    Traceback (most recent call last):
    ...
    holo.errors.InputError: camera: found numbers of type complex128; allowed: integers or floats
    """
    try:
        stack = np.asarray(stack)
    except ValueError as error:
        raise InputError(f"{whose}: found no array of numbers ({error}); allowed: shots of the same size") from error
    if stack.dtype.kind not in "uif":
        raise InputError(f"{whose}: found numbers of type {stack.dtype}; allowed: integers or floats")
    if stack.ndim not in (2, 3) or min(stack.shape[-2:]) < LEAST_SIDE or stack.size == 0:
        raise InputError(
            f"{whose}: found an array of shape {stack.shape}; allowed: (rows, columns) or (shots, rows, columns) from"
            f" {LEAST_SIDE} x {LEAST_SIDE} pixels up"
        )
    stack = stack.reshape((-1, *stack.shape[-2:]))
    _check_size(stack.shape[1:], len(stack), whose)
    if stack.dtype.kind == "f" or stack.dtype.itemsize > 4:
        most = np.float64(MOST_COUNTS)  # wider than 16-bit floats; false for NaN, and for the lowest integer, which has no absolute value
        good = (stack >= -most) & (stack <= most)
        if not good.all():
            shot, row, column = np.unravel_index(int(np.argmin(good)), good.shape)
            found = f"found {stack[shot, row, column]:g} in shot {shot} at row {row}, column {column}"
            raise InputError(f"{whose}: {found}; allowed: finite counts of at most {MOST_COUNTS:g}")
    return np.asarray(stack)


# ---------------------------------------------------------------------------------------------------------------------
# from shots to a frame


def frame_of(
    stack: NDArray[Any],
    camera: Camera | None = None,
    dark: NDArray[Any] | None = None,
    hot: NDArray[Any] | None = None,
) -> Frame:
    """Average the shots of one exposure, subtract the dark frame, and find the pixels that cannot be used.

    Parameters
    ----------
    stack : ndarray, shape (rows, columns) or (shots, rows, columns)
    camera : Camera, optional
        Of the bench. Its `bits` tell at which count pixels are saturated, its `dark` and `hot` are used where no others are given.
    dark : ndarray, shape (rows, columns), optional
        Mean counts without light.
    hot : ndarray, shape (rows, columns), optional
        True (or not 0) at pixels that must not be used.

    Returns
    -------
    Frame

    Raises
    ------
    InputError
        If the stack is none (`check_stack`), its shape is not the camera's, `dark` or `hot` has another shape, or counts lie above
        what the camera's bits can hold.

    Notes
    -----
    Without a camera, pixels count as saturated where three or more sit at the frame's largest count and that is the full scale of
    8, 10, 12, 14 or 16 bits. Single pixels that stand out of their eight neighbours by more than a spot of 0.8 px could make them
    are taken for hot ones (or for the trace of a particle), those far below all eight for dead ones.
    """
    stack = check_stack(stack, "frame")
    dark = camera.dark if camera is not None and dark is None else dark
    hot = camera.hot if camera is not None and hot is None else hot
    shape = stack.shape[1:]
    if camera is not None:
        _check_shape(shape, (camera.rows, camera.columns), "frame", "the camera's rows x columns")
    if dark is not None:
        _check_shape(np.shape(dark), shape, "dark", "the frame's rows x columns")
        check_finite("dark", dark)
    if hot is not None:
        _check_shape(np.shape(hot), shape, "hot", "the frame's rows x columns")
    top = _top_of_range(stack, camera)
    saturated = (stack >= top).any(axis=0)
    mean = stack[0].astype(np.float32) if len(stack) == 1 else stack.mean(axis=0, dtype=np.float64).astype(np.float32)
    signal = mean if dark is None else mean - np.asarray(dark, np.float32)
    rounding = np.sqrt(1 / 12 / len(stack)) if stack.dtype.kind in "ui" else 0.0
    bad = _odd_pixels(signal, np.float32(max(_grain(signal), rounding)))
    usable = np.asarray(~(saturated | bad) if hot is None else ~(saturated | bad | (np.asarray(hot) != 0)))
    gain = None if camera is None else camera.electrons_per_count
    if gain is None and len(stack) > 1:
        gain = _gain_of_shots(stack, mean, usable)
    return Frame(signal, usable, np.asarray(saturated), len(stack), gain, float(rounding))


def _check_shape(found: tuple[int, ...], allowed: tuple[int, ...], whose: str, whom: str) -> None:
    if tuple(found) != tuple(allowed):
        told = " x ".join(map(str, found))
        raise InputError(f"{whose}: found {told} pixels (rows x columns); allowed: {' x '.join(map(str, allowed))}, {whom}")


def _top_of_range(stack: NDArray[Any], camera: Camera | None) -> float:
    """Count from which on a pixel is saturated; infinity if no pixel is."""
    largest = float(stack.max())
    if camera is not None:
        top = 2.0**camera.bits - 1
        if largest > top:
            raise InputError(
                f"frame: found counts up to {largest:g}; allowed: up to {top:g}, which the {camera.bits} bits of the camera hold"
            )
        return top
    if stack.dtype.kind in "ui" and largest in FULL_SCALES and np.count_nonzero(stack == largest) >= 3:
        return largest
    return np.inf


def _grain(signal: NDArray[np.float32]) -> float:
    """Noise of a pixel from the differences between neighbours in a row: their middle 68 % lie within sqrt(2) of it."""
    step = np.abs(np.diff(signal[:: max(1, signal.shape[0] // 256)], axis=1))
    return float(np.quantile(step, 0.6827) / np.sqrt(2))


@kernel
def _odd_pixels(signal: NDArray[np.float32], noise: np.float32) -> NDArray[np.bool_]:
    """Single pixels that no spot can make, shape (rows, columns).

    One stands out if it exceeds its largest neighbour by six times the noise and, counted from the lowest pixel of the ring at two
    pixels, three times what that neighbour reaches: spots of 0.8 px stay below 2.2 times, of 0.6 px below 3.2 (error functions over
    square pixels). One is dead if it lies as far below its neighbours, and below the ring by three times what the ring varies.
    """
    rows, columns = signal.shape
    odd = np.zeros(signal.shape, np.bool_)
    for row in range(rows):
        for column in range(columns):
            value = signal[row, column]
            beside = signal[row, column - 1] if column else signal[row, column + 1]
            if abs(value - beside) <= 6 * noise:
                continue
            most, least, ring_most, ring_least = -np.inf, np.inf, -np.inf, np.inf
            for r in range(max(row - 1, 0), min(row + 2, rows)):
                for c in range(max(column - 1, 0), min(column + 2, columns)):
                    if r != row or c != column:
                        most, least = max(most, signal[r, c]), min(least, signal[r, c])
            if least - 6 * noise <= value <= most + 6 * noise:
                continue
            for r in range(max(row - 2, 0), min(row + 3, rows)):
                for c in range(max(column - 2, 0), min(column + 3, columns)):
                    if abs(r - row) == 2 or abs(c - column) == 2:
                        ring_most, ring_least = max(ring_most, signal[r, c]), min(ring_least, signal[r, c])
            if value > most:
                odd[row, column] = value - ring_least > 3 * (most - min(ring_least, least))
            else:
                odd[row, column] = min(ring_least, least) - value > 3 * (ring_most - ring_least)
    return odd


def _gain_of_shots(stack: NDArray[Any], mean: NDArray[np.float32], usable: NDArray[np.bool_]) -> float | None:
    """Electrons per count from the variance between shots against the mean; None if the light is too faint to tell.

    The slope of variance over mean is one over the gain (photon transfer: J. R. Janesick, Photon Transfer, SPIE Press 2007, ch. 5,
    from memory). Pixels far off the line (a particle in one shot) are left out.
    """
    freedom = len(stack) - 1
    variance = stack.var(axis=0, dtype=np.float64, ddof=1)[usable]
    light = mean[usable] - np.median(mean)
    floor, slope, error = float(np.median(variance)) + 1 / 12, 0.0, np.inf
    spread = np.sqrt(2 / freedom)
    for _ in range(8):
        expected = np.maximum(floor + slope * light, floor / 4)
        kept = variance < expected * (1 + 8 * spread) if slope else light > 5 * np.sqrt(floor)
        if kept.sum() < 20:
            return None
        weight = (kept / (expected * spread)) ** 2
        moments = [float((weight * light**power).sum()) for power in range(3)]
        sums = [float((weight * variance * light**power).sum()) for power in range(2)]
        determinant = moments[0] * moments[2] - moments[1] ** 2
        if slope == 0:
            slope = max((sums[1] - floor * moments[1]) / moments[2], 1e-12)
            continue
        floor = max((sums[0] * moments[2] - sums[1] * moments[1]) / determinant, 1e-12)
        slope, error = (sums[1] * moments[0] - sums[0] * moments[1]) / determinant, np.sqrt(moments[0] / determinant)
    return float(1 / slope) if slope > 5 * error else None
