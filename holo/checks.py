"""Doors for arrays: what does not fit, or is no finite number, goes no further.

A NaN that is let in comes out as a mask of nonsense, and one that becomes an index, as a place beyond an array. So every function that
takes arrays from its caller checks them, once; the loops behind it do not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.errors import InputError


def check_finite(name: str, values: ArrayLike) -> None:
    """Refuse an array of real or complex numbers that are not all finite.

    Parameters
    ----------
    name : str
        How messages call the array.
    values : array_like
        An array on a GPU is let pass: to look at it would be to wait for it.

    Raises
    ------
    InputError
        With the first number that is none, and where it stands.

    Examples
    --------
    >>> check_finite("target", [1.0, float("nan")])
    Traceback (most recent call last):
    ...
    holo.errors.InputError: target: found nan; allowed: finite numbers (this one stands at [1])
    """
    if type(values).__module__.partition(".")[0] == "cupy":
        return
    good = np.isfinite(values)
    if not good.all():
        place = np.unravel_index(int(np.argmin(good)), good.shape)
        where = f" (this one stands at [{', '.join(map(str, place))}])" if good.ndim else ""
        raise InputError(f"{name}: found {np.asarray(values)[place]:g}; allowed: finite numbers{where}")


def check_numbers(**named: ArrayLike) -> None:
    """Refuse numbers, or arrays of them, that are not all finite; see `check_finite`.

    Examples
    --------
    >>> check_numbers(x_mm=0.5, y_mm=float("inf"))
    Traceback (most recent call last):
    ...
    holo.errors.InputError: y_mm: found inf; allowed: finite numbers
    """
    for name, values in named.items():
        check_finite(name, values)


def checked_targets(target: ArrayLike, count: int) -> NDArray[np.float64]:
    """Give the targets of some sites as numbers that light can have.

    Parameters
    ----------
    target : array_like, shape (count,)
        Relative intensities; 0 where there is to be no light.
    count : int
        Number of the sites.

    Raises
    ------
    InputError
        If there is not one finite number from 0 up for each site, or none above 0.

    Examples
    --------
    >>> checked_targets([0, 0], 2)
    Traceback (most recent call last):
    ...
    holo.errors.InputError: target: found 0 on each of 2 site(s), so that there is nowhere to put light; allowed: one above 0 at least
    """
    wanted = np.asarray(target, np.float64)
    if wanted.shape != (count,):
        raise InputError(f"target: found shape {wanted.shape}; allowed: ({count},), a number for each site")
    if not count:
        raise InputError("target: found no sites; allowed: one at least that is to get light")
    check_finite("target", wanted)
    if wanted.min() < 0:
        raise InputError(f"target: found {wanted.min():g}; allowed: 0, for a dark site, or more")
    if not wanted.any():
        raise InputError(
            f"target: found 0 on each of {count} site(s), so that there is nowhere to put light; allowed: one above 0 at least"
        )
    return wanted


def frozen_array(values: ArrayLike, shape: tuple[int, ...], name: str) -> NDArray[np.float64]:
    """Make a checked, read-only float64 copy of `values`.

    Parameters
    ----------
    values : array_like
    shape : tuple of int
        Wanted shape; -1 stands for any length.
    name : str
        How messages call the array.

    Raises
    ------
    InputError
        If the shape differs or a value is not a finite number.
    """
    wanted = " x ".join("any" if length < 0 else str(length) for length in shape)
    try:
        array = np.array(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name}: found {values!r:.80}; allowed: {wanted} numbers") from error
    if array.ndim != len(shape) or any(length not in (-1, found) for length, found in zip(shape, array.shape, strict=True)):
        raise InputError(f"{name}: found an array of shape {array.shape}; allowed: {wanted} numbers")
    check_finite(name, array)
    array.setflags(write=False)
    return array
