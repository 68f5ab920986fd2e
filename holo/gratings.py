"""Binary gratings on patches of the panel, and the light of their first orders on the camera.

Each patch has a grating of its own period and direction, so that its first orders lie at places of their own, on both sides of the axis. A
grating of two levels whose phases differ by delta has ``(2 / pi)^2 sin^2(delta / 2)`` of the patch's light in each first order (J. W.
Goodman, Introduction to Fourier Optics, 3rd ed., problem 4-14, from memory: the Fourier series of a square wave of phase).

Camera points are (column, row). Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from holo.bench import Bench
from holo.design import DesignOptions, mask_record
from holo.errors import CalibrationError, InputError
from holo.field.path import light_path, wrap
from holo.frames import frame_of
from holo.mask import Levels, Mask, response_of_levels
from holo.patches import Patches, patches_of
from holo.probe import FAINT, level_beside, signal_to_noise, spot_sources
from holo.wavefront import Real

if TYPE_CHECKING:
    from holo.affine import Affine
    from holo.dialogue import Start
    from holo.frames import Frame

NEAR, FAR = 5.0, (9.0, 11.0, 13.0, 16.0, 20.0)
"""Distances of first orders from the axis, in cells: the width of a spot of a patch between its middle and its first dark line.

The first of the largest ones that leaves room for all is taken: coarse gratings suffer least from crosstalk between pixels.
"""

APART = 4.3
"""Least distance of first orders, in cells: windows hardly overlap, however the camera is turned."""

HALF = 2.0
"""Half width of the window about a first order, in cells; pixels count by the squared cosine of their distance from its middle.

Patches have no pixel in common, so over a whole plane the light of two of them does not interfere; smooth weights come near to that.
"""

FINEST = 8.0
"""Least period of a grating, panel pixels."""

STEPS, RIM = 6, 0.15
"""Steps that move a window to its light, and share of the brightest pixel below which light does not count there."""

TRIED = 4000
"""Places among which those of the first orders are chosen."""

STRAY = 3
"""The strongest of the higher orders of gratings, which is kept out of windows."""

LEAST_SIDE = 9
"""Least side of a window, camera pixels."""


@dataclass(frozen=True, eq=False)
class Gratings:
    """Where each patch of the panel sends its first orders, and where the camera sees them.

    Attributes
    ----------
    bench : Bench
    patches : Patches
    places_um : ndarray, shape (n, 2)
        Of one first order of each patch; the other lies at the opposite place.
    corner : ndarray of int, shape (n, 2, 2)
        (column, row) of the first pixel of the windows about both.
    side : int
        Pixels along each side of a window.
    carrier : ndarray, shape (rows, columns)
        Phase of the grating's fundamental on each pixel of the panel, rad.
    share : ndarray, shape (n,)
        Of each patch, in the power of all.
    """

    bench: Bench
    patches: Patches
    places_um: Real
    corner: NDArray[np.int64]
    side: int
    carrier: Real
    share: Real

    def __len__(self) -> int:
        return len(self.patches)

    @property
    def periods_px(self) -> Real:
        """Period of each grating, panel pixels, shape (n,)."""
        return np.asarray(self.bench.field_um / np.hypot(*self.places_um.T))

    def levels(self, pairs: NDArray[np.int64], turns: Real) -> Levels:
        """Levels of the panel with a grating of two levels on each patch.

        Parameters
        ----------
        pairs : ndarray of int, shape (n, 2)
        turns : ndarray, shape (n,)
            By how much of a period each grating is moved.

        Returns
        -------
        ndarray of uint8 or uint16, shape (rows, columns)
            Light outside all patches stays at the axis.
        """
        number = self.patches.number
        upper = np.cos(self.carrier + 2 * np.pi * turns[number]) >= 0
        shown = np.where(upper, pairs[number, 1], pairs[number, 0])
        shown[number < 0] = pairs[0, 0]
        return cast(Levels, shown.astype(np.uint8 if self.bench.panel.levels <= 256 else np.uint16))


def levels_mask(start: Start, levels: Levels, points_um: Real) -> Mask:
    """Mask of levels that no design made; `points_um` tell where they send light, shape (n, 2).

    Parameters
    ----------
    start : Start
        Of the dialogue: bench and time.
    levels : ndarray of int, shape (rows, columns)
        As the panel is to show them.
    points_um : ndarray, shape (n, 2)
        Where they send light, (x, y), for the record.

    Returns
    -------
    Mask
        Its phase is that which the bench's response gives the levels.
    """
    record = mask_record(spot_sources(start, points_um), DesignOptions(effort="quick"), None, {})
    return Mask(levels, wrap(response_of_levels(start.bench.panel))[levels], {**record, "time": start.time})


def gratings_of(bench: Bench, to_camera: Affine, across: int, rng: np.random.Generator) -> Gratings:
    """Divide the panel into patches and choose the places of their first orders.

    Parameters
    ----------
    bench : Bench
        With a camera.
    to_camera : Affine
        From the objective plane, um, to the camera.
    across : int
        Patches across the pupil.
    rng : Generator

    Returns
    -------
    Gratings

    Raises
    ------
    InputError
        If the camera does not see enough of the plane, its pixels are too coarse, or patches are too small for gratings.
    """
    assert bench.camera is not None
    path = light_path(bench)
    patches = patches_of(bench, path, across)
    cell = 2 * np.pi / (path.scale * 2 * bench.pupil_radius_um / across)
    per_um = np.sqrt(abs(np.linalg.det(to_camera.matrix)))
    half = int(np.rint(HALF * cell * per_um))
    if 2 * half + 1 < LEAST_SIDE:
        raise InputError(
            f"camera: found {2 * half + 1} pixels across the first order of a patch; allowed: {LEAST_SIDE} or more. Take more patches "
            "(across), so that their spots are wider, or check magnification and pixel_um"
        )
    if FAR[0] * cell > bench.field_um / FINEST:
        raise InputError(
            f"across: found {across}, patches of {2 * bench.pupil_radius_um / across / bench.panel.pitch_um:.0f} panel pixels; allowed: "
            f"{FAR[0] * FINEST:.0f} or more, fewer patches"
        )
    for far in (min(cells * cell, bench.field_um / FINEST) for cells in FAR):
        tried = _scattered(NEAR * cell, far, rng)
        places = _places(len(patches), tried[_seen(bench, to_camera, 2 * half, tried)], cell)
        if len(places) == len(patches):
            break
    else:
        raise InputError(
            f"camera: found room for the first orders of {len(places)} of {len(patches)} patches, {NEAR * cell:.3g} to {far:.3g} um "
            "from the axis on both sides; needed: all. Take another number of patches (across), or move the camera so that it looks at "
            "the axis"
        )
    target = places[patches.number]
    carrier = path.scale * (path.x_um * target[..., 0] + path.y_um[:, None] * target[..., 1])
    seen = to_camera.apply(np.stack([places, -places], axis=1).reshape(-1, 2)).reshape(-1, 2, 2)
    corner = np.rint(seen).astype(np.int64) - half
    inside = patches.number >= 0
    power = np.bincount(patches.number[inside], path.amplitude[inside] ** 2, len(patches))
    return Gratings(bench, patches, places, corner, 2 * half + 1, carrier, power / power.sum())


def _seen(bench: Bench, to_camera: Affine, margin: int, points: Real) -> NDArray[np.bool_]:
    """Which points and their opposites the camera sees, `margin` pixels from its edges."""
    assert bench.camera is not None
    edge = np.array([bench.camera.columns, bench.camera.rows]) - 1.0
    both = (to_camera.apply(sign * points) for sign in (1, -1))
    return np.asarray(np.all([((seen > margin) & (seen < edge - margin)).all(axis=1) for seen in both], axis=0))


def _scattered(near: float, far: float, rng: np.random.Generator) -> Real:
    """Points of half a ring about the axis, shape (`TRIED`, 2)."""
    radius, angle = np.sqrt(rng.uniform(near**2, far**2, TRIED)), rng.uniform(0, np.pi, TRIED)
    return np.asarray(radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)]))


def _places(count: int, tried: Real, cell: float) -> Real:
    """Choose among places for first orders those where least light of the others falls, shape (n, 2).

    The light of a square patch has arms along x and y; what counts is the amplitude there, ``1 / (pi u)`` at u cells along each axis.
    """
    chosen: list[Real] = []
    light = _arms(tried / cell)
    while len(chosen) < count and len(tried) and light.min() < np.inf:
        place = tried[int(np.argmin(light))]
        chosen.append(place)
        for sign in (1, -1):
            light = np.maximum(light, np.where(_close((tried - sign * place) / cell), np.inf, _arms((tried - sign * place) / cell)))
            fallen = _close((tried - sign * STRAY * place) / cell) | _close((STRAY * tried - sign * place) / cell)
            light = np.where(fallen, np.inf, light)
    return np.array(chosen).reshape(-1, 2)


def _arms(cells: Real) -> Real:
    return np.asarray(np.prod(1 / np.maximum(np.pi * np.abs(cells), 1.0), axis=1))


def _close(cells: Real) -> NDArray[np.bool_]:
    return np.asarray(np.hypot(*cells.T) < APART)


# ---------------------------------------------------------------------------------------------------------------------
# frames


@dataclass(frozen=True, eq=False)
class Orders:
    """Light of the first orders of patches in one frame.

    Attributes
    ----------
    power : ndarray, shape (n, 2)
        Counts, background taken off, of the order at the place of each grating and of the one opposite.
    error : ndarray, shape (n, 2)
        Standard error from the noise of the camera.
    clear : ndarray, shape (n,)
        Light over noise of the fainter of both orders.
    """

    power: Real
    error: Real
    clear: Real


def centred(gratings: Gratings, stack: NDArray[Any]) -> Gratings:
    """Move the windows to where a frame that has light in all first orders shows them.

    Parameters
    ----------
    gratings : Gratings
    stack : ndarray, shape (rows, columns) or (shots, rows, columns)
        The frame.

    Returns
    -------
    Gratings
        With the corners of the windows moved.

    Raises
    ------
    CalibrationError
        If the light is not there, or is saturated.
    """
    frame = frame_of(stack, gratings.bench.camera)
    found = read_orders(gratings, frame)
    dark = int((found.clear <= FAINT).sum())
    if dark:
        raise CalibrationError(
            f"first orders: found light at both places of {len(gratings) - dark} of {len(gratings)} gratings; needed: all. Is the mask on "
            "the panel, the light on, the exposure right, the registration (--registration) that of this camera?"
        )
    level = level_beside(frame, _slices(gratings))
    moved = [_centred(frame, corner, gratings.side, level) for corner in gratings.corner.reshape(-1, 2)]
    return replace(gratings, corner=np.array(moved).reshape(gratings.corner.shape))


def _centred(frame: Frame, corner: NDArray[np.int64], side: int, level: float) -> NDArray[np.int64]:
    """Move a window step by step to the middle of the light in it, without its rim of faint light."""
    index = np.arange(side) - side // 2
    last = np.array([frame.shape[1], frame.shape[0]]) - side
    for _ in range(STEPS):
        column, row = corner
        place = slice(row, row + side), slice(column, column + side)
        light = np.where(frame.usable[place], frame.signal[place] - level, 0.0)
        light = np.where(light > RIM * light.max(), light, 0.0) * _weights(side)
        step = np.rint([light.sum(axis=0) @ index / light.sum(), light.sum(axis=1) @ index / light.sum()]).astype(np.int64)
        corner = np.clip(corner + step, 0, last)
    return corner


def read_orders(gratings: Gratings, frame: Frame) -> Orders:
    """Read the light of all first orders.

    Parameters
    ----------
    gratings : Gratings
    frame : Frame
        Of these gratings.

    Returns
    -------
    Orders

    Raises
    ------
    CalibrationError
        If any is saturated.
    """
    places = _slices(gratings)
    burnt = int(sum(frame.saturated[place].sum() > 1 for place in places))  # a single one is a hot pixel
    if burnt:
        raise CalibrationError(
            f"first orders: {burnt} of {len(places)} are saturated; allowed: none. Take it with less light. Only the undiffracted spot "
            "in the middle may be: if it was taken for a first order, the registration (--registration) is missing or wrong"
        )
    counts, usable = np.stack([frame.signal[place] for place in places]), np.stack([frame.usable[place] for place in places])
    level = level_beside(frame, places)
    weights = _weights(gratings.side) * usable
    light = (weights * (counts - level)).sum(axis=(1, 2)) * _weights(gratings.side).sum() / weights.sum(axis=(1, 2))
    gain = np.nan if frame.electrons_per_count is None else frame.electrons_per_count * frame.shots
    noise = np.square(weights).sum(axis=(1, 2)) * _scatter(frame, level) ** 2
    noise += 0.0 if np.isnan(gain) else np.maximum(light, 0) / gain
    both = gratings.corner.shape[:2]
    clear = signal_to_noise(counts.astype(np.float32), usable).reshape(both).min(axis=1)
    return Orders(light.reshape(both), np.sqrt(noise).reshape(both), clear)


def _weights(side: int) -> Real:
    """How much the pixels of a window count, shape (side, side)."""
    along = np.cos(np.pi * (np.arange(side) - side // 2) / (side + 1)) ** 2
    return np.asarray(np.outer(along, along))


def _scatter(frame: Frame, level: float) -> float:
    """Noise of a pixel without light, counts, from the pixels below the background."""
    below = frame.signal[frame.usable & (frame.signal < level)]
    return float(np.sqrt(np.mean(np.square(below - level, dtype=np.float64)))) if len(below) else 0.3


def _slices(gratings: Gratings) -> list[tuple[slice, slice]]:
    return [(slice(row, row + gratings.side), slice(column, column + gratings.side)) for column, row in gratings.corner.reshape(-1, 2)]
