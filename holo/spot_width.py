"""The common width of the spots in a camera frame.

A width is the standard deviation of a Gaussian in pixels.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from holo.background import background
from holo.frames import Frame
from holo.peaks import patched, scale
from holo.scene import Scene, binned, excess_width, first_spots, fitted, is_crowded, open_scene, searched
from holo.spot_fit import squared_residuals

Real = NDArray[np.float64]

NARROWEST, WIDEST = 0.5, 20.0
"""Widths of spots that are looked for, px."""

LEAST_START = 0.7
"""Least width, px, from which the common one is looked for."""

SAMPLE = 200
"""Spots among which the common width is looked for, about."""


def common_width(frame: Frame) -> float:
    """Width of most of the bright spots of a frame.

    Parameters
    ----------
    frame : Frame
        With a few spots at least.

    Returns
    -------
    float
        Standard deviation, px; NaN if nothing stands out of the noise.

    Notes
    -----
    Spots are looked for and fitted, from a rough width on (`holo.peaks.scale`), until their own widths agree with it. Where they are
    crowded, too large a width joins neighbours to spots of just that width: then narrower starts are tried too, and the one that leaves
    least, for the number of spots that it takes, wins. All pixels have the weight that the noise of the background gives them: the
    width is that of plain least squares.

    Examples
    --------
    >>> from holo.frames import frame_of
    >>> x, y = np.meshgrid(np.arange(64), np.arange(48))
    >>> light = 200 * np.exp(-((x - 20.3) ** 2 + (y - 30.6) ** 2) / (2 * 1.5**2))
    >>> found = common_width(frame_of(np.random.default_rng(1).poisson(light + 4.0)))
    >>> abs(found - 1.47) < 0.05  # 1.5 less what sampling instead of integrating takes off: 1.5^2 - 1/12
    True
    """
    level, _ = background(frame, 2.0)
    width, places = scale(patched(frame.signal - level, ~frame.usable))
    if np.isnan(width):
        return width
    frame = _surroundings(frame, places, max(256, round(30 * width)))
    seen = first_spots(open_scene(frame, width))
    if len(seen) > SAMPLE:
        brightest = seen[np.argsort(-seen[:, 2], kind="stable")[:50], :2]
        frame = _surroundings(frame, brightest, round(np.sqrt(frame.signal.size * SAMPLE / len(seen)) / 2))
    frame, times = binned(replace(frame, electrons_per_count=np.inf), width)
    scene = _self_consistent(frame, width / times)
    if is_crowded(scene):
        narrower = [_self_consistent(frame, max(share * width, LEAST_START) / times) for share in (0.75, 0.56)]
        scene = min([scene, *narrower], key=_misfit)
    return scene.width * times


def _surroundings(frame: Frame, places: Real, half: int) -> Frame:
    """The part of a frame, up to `half` pixels to each side of one of some places, that holds most of them."""
    near = (np.abs(places[:, None] - places[None]).max(axis=2) < half).sum(axis=1)
    x, y = places[np.argmax(near)].round().astype(int)
    half = max(half, 32)
    part = np.s_[max(y - half, 0) : y + half, max(x - half, 0) : x + half]
    usable, saturated = np.ascontiguousarray(frame.usable[part]), np.ascontiguousarray(frame.saturated[part])
    return replace(frame, signal=np.ascontiguousarray(frame.signal[part]), usable=usable, saturated=saturated)


def _self_consistent(frame: Frame, width: float) -> Scene:
    """The scene at the width that its own spots have, started from another."""
    scene = searched(open_scene(frame, width))
    for _ in range(3):
        if not len(scene.spots):
            break
        before, width = width, _own_width(scene)
        if abs(width / before - 1) < (0.03 if is_crowded(scene) else 0.1):
            break
        scene = searched(open_scene(frame, width))
    return replace(scene, width=width)


def _own_width(scene: Scene) -> float:
    """The width at which half of the bright spots of a scene would be wider, between half and twice the one that it has."""
    home, limits = scene.spots[:, :2].copy(), (max(NARROWEST, scene.width / 2), min(WIDEST, scene.width * 2))
    bright = ~scene.saturated
    if bright.any():
        bright &= scene.spots[:, 2] > 0.3 * np.median(np.sort(scene.spots[bright, 2])[-10:])
    for _ in range(8):
        steps = excess_width(scene)[0][bright]
        step = float(np.median(steps[np.isfinite(steps)])) if np.isfinite(steps).any() else 0.0
        width = float(np.clip(scene.width + np.clip(step, -0.2 * scene.width, 0.2 * scene.width), *limits))
        spots = scene.spots.copy()
        spots[:, 4] = width
        scene = replace(scene, spots=spots, width=width, reach=scene.reach * width / scene.width)
        if abs(step) < 5e-3 * width:
            break
        scene = fitted(scene, home)
    return scene.width


def _misfit(scene: Scene) -> float:
    """What the spots leave over what light there is, times the root of their number."""
    light, _, square = squared_residuals(*scene.given, scene.light, scene.spots, scene.reach, 2.0)
    return float(np.sqrt(square).sum() / max(float(light.sum()), 1e-30) * np.sqrt(len(scene.spots)))
