"""Images and arrays from files, with their sizes checked before they are unpacked."""

from __future__ import annotations

import io
import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holo.errors import InputError
from holo.files import MAX_PIXELS, check_file, read_bytes, read_tiff

if TYPE_CHECKING:
    from PIL.Image import Image

_MOST_IMAGE_PIXELS = 2**22


def read_grey(path: Path) -> NDArray[np.float64]:
    """Read a grey PNG, BMP or TIFF image as values from 0 (black) to 1.

    Raises
    ------
    InputError
        If the file is no such image, damaged, has colours beyond RGB, or more than 4 million pixels.
    """
    tiff = path.suffix.lower() in (".tif", ".tiff")
    image = read_tiff(path) if tiff else _read_drawn(path)
    if image.size > _MOST_IMAGE_PIXELS:
        raise InputError(f"{path}: found {image.size} pixels; allowed: at most {_MOST_IMAGE_PIXELS}")
    full = np.iinfo(image.dtype).max if image.dtype.kind in "ui" else 1
    with np.errstate(invalid="ignore"):  # of numbers that are none, which are refused below
        grey = image.astype(np.float64) / full
    if not ((grey >= 0) & (grey <= 1)).all():
        raise InputError(f"{path}: found values from {image.min():g} to {image.max():g}; allowed: 0 to {full}")
    return grey


def _read_drawn(path: Path) -> NDArray[Any]:
    with open_image(path, ("PNG", "BMP"), "PNG, BMP or TIFF") as image:
        if image.width * image.height > _MOST_IMAGE_PIXELS:
            raise InputError(f"{path}: found {image.width} x {image.height} pixels; allowed: at most {_MOST_IMAGE_PIXELS} in all")
        if image.mode not in ("1", "L", "I;16", "RGB"):
            raise InputError(f"{path}: found the image mode {image.mode}; allowed: grey or RGB without transparency or palette")
        return np.asarray(image.convert("L") if image.mode == "RGB" else image)


@contextmanager
def open_image(path: str | os.PathLike[str], formats: tuple[str, ...], named: str) -> Iterator[Image]:
    """Open an image with Pillow; its pixels are unpacked where they are first used, inside the block.

    Parameters
    ----------
    path : path
    formats : tuple of str
        Those that are read, by Pillow's names.
    named : str
        What messages call them.

    Raises
    ------
    InputError
        If it is none of them or damaged, wherever in the block that comes to light.
    """
    import PIL.Image

    content = io.BytesIO(read_bytes(path, limit=2**28))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # Pillow warns of images that unpack to more than memory holds
            with PIL.Image.open(content, formats=formats) as image:
                yield image
    except InputError:
        raise
    except PIL.UnidentifiedImageError as error:
        raise InputError(f"{path}: not a {named} image, or a damaged one") from error
    except Exception as error:  # Pillow raises many kinds on damaged files
        raise InputError(f"{path}: not a readable {named} image ({type(error).__name__}: {str(error)[:120]})") from error


def open_npy(path: str | os.PathLike[str]) -> NDArray[Any]:
    """Open an NPY file; its numbers stay on the disk until they are used.

    Raises
    ------
    InputError
        If it is missing, no NPY file of plain numbers, or damaged.
    """
    check_file(path)
    try:
        return np.lib.format.open_memmap(path, mode="r")  # reads the header only, and compares it with the file's size
    except Exception as error:  # the parser raises many kinds on damaged files
        raise InputError(f"{path}: not a readable NPY file ({type(error).__name__}: {str(error)[:120]})") from error


def read_npy(path: Path) -> NDArray[np.float64]:
    """Read an NPY file of real numbers.

    Raises
    ------
    InputError
        As `open_npy`, and if it is larger than `holo.files.MAX_PIXELS` or has anything but real numbers.
    """
    found = open_npy(path)
    if found.size > MAX_PIXELS or found.dtype.kind not in "biuf":
        raise InputError(f"{path}: found {found.size} values of type {found.dtype}; allowed: at most {MAX_PIXELS} real numbers")
    return np.array(found, np.float64)
