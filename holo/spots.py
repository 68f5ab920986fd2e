"""Spots in a camera frame: finding them, and measuring those whose places are known.

Camera points are ``(column, row)``; pixel centres lie at whole numbers. A width is the standard deviation of a Gaussian in pixels: 0.344
times the radius of the first dark ring for an Airy pattern, of the least squares fit (B. Zhang, J. Zerubia and J.-C. Olivo-Marin, Appl.
Opt. 46, 1819 (2007), doi:10.1364/AO.46.001819, from memory).

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holo.errors import InputError
from holo.frames import Frame
from holo.scene import (
    Scene,
    binned,
    errors_with_neighbours,
    excess_width,
    fitted,
    looked_at_again,
    open_scene,
    ring_light,
    searched,
    touching,
    with_places,
)
from holo.spot_fit import odd_pixels
from holo.spot_width import NARROWEST, WIDEST, common_width

Real = NDArray[np.float64]
Flags = NDArray[np.bool_]

SATURATED, EDGE, CROWDED, HOT = 1, 2, 4, 8
"""Flags of a spot. SATURATED: has pixels at the top of the camera's range. EDGE: its centre lies within two widths of the frame's edge.
CROWDED: a neighbour puts light onto it, or it is so faint that it may be one of the rings around a brighter spot. HOT: part of its light
fell on pixels that cannot be used, or a single pixel in it stands out."""

LEAST_SEEN = 5.0
"""Total over its error from which on the place of a spot is measured, if one was given."""

OVERLAP = 0.02
"""Light of the neighbours at the centre of a spot, over its own, from which it is crowded."""

LIKE_A_RING = 5.0
"""How many times brighter than the rings of a brighter spot around it a spot must be, not to be crowded."""

ODD_WIDTH = 0.1
"""Share of the common width by which a spot must be wider to be taken for several that could not be told apart."""

RAISED = 0.2
"""Light under a spot that is neither its own nor background, over its peak, from which it is crowded."""

LOST, STANDING = 0.05, 0.5
"""Share of a spot's light that may fall on pixels that cannot be used, and of its peak by which a single pixel may stand out of it."""


@dataclass(frozen=True, eq=False)
class Spots:
    """Spots of a frame: brightest first if they were found, in the order of their places if those were given."""

    xy_px: Real
    """Places (column, row), shape (n, 2)."""
    error_px: Real
    """One standard error of each, shape (n, 2)."""
    total: Real
    """Counts in the spot, without background, shape (n,)."""
    total_error: Real
    """One standard error, shape (n,)."""
    peak: Real
    """Counts per pixel at the centre of the spot, without background: ``total / (2 pi width^2)``, shape (n,)."""
    width_px: float
    """Standard deviation of the Gaussian that all were fitted with; NaN if none was given and nothing was found."""
    flags: NDArray[np.uint8]
    """Sum of `SATURATED`, `EDGE`, `CROWDED`, `HOT`, shape (n,)."""

    def __len__(self) -> int:
        return len(self.total)

    @property
    def good(self) -> Flags:
        """True where there is no flag, shape (n,)."""
        return np.asarray(self.flags == 0)


def find_spots(frame: Frame, width_px: float | None = None, threshold: float | None = None) -> Spots:
    """Find the spots of a frame, and measure them.

    Parameters
    ----------
    frame : Frame
    width_px : float, optional
        Width of the spots, all of which are thought to be alike; estimated from the brightest ones if it is not given.
    threshold : float, optional
        Least signal-to-noise ratio of a spot behind the matched filter; by default such that noise alone shows a spot in fewer than one
        of a hundred frames.

    Returns
    -------
    Spots
        Brightest first; none where there are none.

    Raises
    ------
    InputError
        If the width or the threshold is out of range.

    Notes
    -----
    Gaussians, integrated over the pixels, of a common width on a local background, fitted by weighted least squares; the variance of a
    pixel is that of the background around plus the light over the electrons per count (and shots). Where these are unknown they are
    estimated from what the fits leave. The errors are those of the Fisher information; for an isolated spot they agree with K. I.
    Mortensen et al., Nat. Methods 7, 377 (2010), doi:10.1038/nmeth.1447, eq. 5 (maximum likelihood), from memory.

    Examples
    --------
    >>> from holo.frames import frame_of
    >>> x, y = np.meshgrid(np.arange(64), np.arange(48))
    >>> light = 200 * np.exp(-((x - 20.3) ** 2 + (y - 30.6) ** 2) / (2 * 1.5**2))
    >>> frame = frame_of(np.random.default_rng(1).poisson(light + 4.0))
    >>> spots = find_spots(frame)
    >>> len(spots), bool((abs(spots.xy_px - [20.3, 30.6]) < 4 * spots.error_px).all())
    (1, True)
    """
    _check("width_px", width_px, NARROWEST, WIDEST)
    _check("threshold", threshold, 2, 1e6)
    seen = frame.signal[frame.usable]
    if not len(seen) or seen.min() == seen.max():
        return _nothing(width_px)
    width = common_width(frame) if width_px is None else float(width_px)
    if np.isnan(width):
        return _nothing(width_px)
    frame, times = binned(frame, width)
    scene = searched(open_scene(frame, width / times), threshold)
    order = np.argsort(-scene.spots[:, 2], kind="stable")
    return _told(replace(scene, spots=scene.spots[order], errors=scene.errors[order], reach=scene.reach[order]), times)


def measure_spots(frame: Frame, xy_px: NDArray[np.float64], width_px: float) -> Spots:
    """Measure spots at known places.

    Parameters
    ----------
    frame : Frame
    xy_px : ndarray, shape (n, 2)
        Where spots are expected. Those seen are found within a width of it along each axis. Where there is hardly any light, or what
        there is lies further off, the total is that of a spot right at the given place, and the error of the place is the width.
    width_px : float
        Width of the spots.

    Returns
    -------
    Spots
        In the given order; a total may be about 0, and negative, within its error.

    Raises
    ------
    InputError
        If the places are no points inside the frame, or the width is out of range.

    Examples
    --------
    >>> from holo.frames import frame_of
    >>> noise = np.random.default_rng(1).normal(0, 2, (40, 40))
    >>> dark = measure_spots(frame_of(noise), np.array([[20.0, 12.0]]), 1.5)
    >>> bool(abs(dark.total[0]) < 4 * dark.total_error[0]), dark.xy_px
    (True, array([[20., 12.]]))
    """
    _check("width_px", width_px, NARROWEST, WIDEST)
    xy = np.asarray(xy_px, float)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise InputError(f"xy_px: found an array of shape {xy.shape}; allowed: (n, 2)")
    inside = ((xy >= -0.5) & (xy <= np.array(frame.shape[::-1]) - 0.5)).all(axis=1)
    if not inside.all():
        x, y = xy[np.argmin(inside)]
        raise InputError(f"xy_px: found ({x:g}, {y:g}); allowed: points inside the frame of {frame.shape[0]} x {frame.shape[1]} pixels")
    if not len(xy):
        return _nothing(width_px)
    frame, times = binned(frame, float(width_px))
    home = (xy + 0.5) / times - 0.5
    everywhere = np.ones(len(xy), bool)
    scene = fitted(with_places(open_scene(frame, width_px / times), home), home, everywhere)
    scene = fitted(looked_at_again(scene), home, everywhere)
    held = ~(scene.spots[:, 2] > LEAST_SEEN * scene.errors[:, 2])
    scene = fitted(scene, home, held)
    held |= (np.abs(scene.spots[:, :2] - home) > scene.width).any(axis=1)
    scene.spots[held, :2] = home[held]
    return _told(fitted(scene, home, held), times, held)


def _check(name: str, value: float | None, low: float, high: float) -> None:
    if value is not None and not low <= value <= high:
        raise InputError(f"{name}: found {value!r}; allowed: a number from {low:g} to {high:g}")


def _nothing(width_px: float | None) -> Spots:
    none = np.zeros(0)
    return Spots(
        np.zeros((0, 2)), np.zeros((0, 2)), none, none, none, np.nan if width_px is None else float(width_px), np.zeros(0, np.uint8)
    )


def _told(scene: Scene, times: int, held: Flags | None = None) -> Spots:
    """The spots of a scene, whose pixels are `times` those of the camera to a side, as the caller gets them."""
    errors = errors_with_neighbours(scene, held)
    if held is not None:
        errors[held, :2] = scene.width
    xy, total, width = (scene.spots[:, :2] + 0.5) * times - 0.5, scene.spots[:, 2] * times**2, scene.width * times
    flags = _flags(scene, errors)
    return Spots(xy, errors[:, :2] * times, total, errors[:, 2] * times**2, total / (2 * np.pi * width**2), width, flags)


def _flags(scene: Scene, errors: Real) -> NDArray[np.uint8]:
    """The flags of each spot, shape (n,)."""
    xy, (rows, columns) = scene.spots[:, :2], scene.frame.shape
    flags = np.zeros(len(xy), np.uint8)
    if not len(xy):
        return flags
    to_edge = np.minimum(xy.min(axis=1), np.minimum(columns - 1 - xy[:, 0], rows - 1 - xy[:, 1]))
    lost, saturated, standing = odd_pixels(*scene.given, scene.light, scene.frame.saturated, scene.spots)
    flags[to_edge < 2 * scene.width] |= EDGE
    flags[saturated] |= SATURATED
    flags[(lost > LOST) | (standing > STANDING)] |= HOT
    flags[_in_light_of_others(scene, errors)] |= CROWDED
    return flags


def _in_light_of_others(scene: Scene, errors: Real) -> Flags:
    """Spots that neighbours, or rings around them, give light to, or that are several, or that stand on more than background."""
    xy, total, width = scene.spots[:, :2], scene.spots[:, 2], scene.width
    own = np.maximum(total, 3 * errors[:, 2])
    first, near = touching(xy, 6 * width)
    which = np.repeat(np.arange(len(xy)), np.diff(first))
    light = np.exp(-((xy[which] - xy[near]) ** 2).sum(axis=1) / (2 * width**2)) * np.maximum(total[near], 0)
    wider, wider_error = excess_width(scene)
    base, base_error = (2 * np.pi * width**2 * values for values in (scene.spots[:, 3], scene.errors[:, 3]))
    return np.asarray(
        (np.bincount(which, light, len(xy)) > OVERLAP * own)
        | (LIKE_A_RING * ring_light(xy, xy, total, width) > own)
        | (wider > np.maximum(4 * wider_error, ODD_WIDTH * width))
        | (base > np.maximum(4 * base_error, RAISED * own))
    )
