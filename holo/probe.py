"""What sensing looks with: a mask of a few spots, with known smooth phases on top, and the windows of camera frames about the spots.

Camera points are (column, row). Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.affine import Affine
from holo.arrangement import Arrangement, from_sites
from holo.bench import Bench, pupil_radii
from holo.design import DesignOptions, design
from holo.dialogue import Start
from holo.errors import CalibrationError, InputError
from holo.field.path import LightPath, light_path, wrap
from holo.frames import Frame, frame_of
from holo.mask import Mask, levels_of_phase
from holo.record import Source, sources_of
from holo.registration import Registration
from holo.wavefront import Real, Single, View, view_of
from holo.zernike import zernike_sum

LEAST_HALF_PX = 8
"""Half width of a window, pixels, that tells anything."""

APART = 2.2
"""Least distance of two spots, and of a spot from the undiffracted light, in half widths of a window."""

FIELD = 0.35
"""Share of the field that spots lie within, from the axis."""

FAINT = 10.0
"""Least light of a spot, over its noise."""

SEEN = 0.7
"""Least share of the spots that a frame must show."""

SATURATED_SHARE = 0.2
"""Largest share of spots with saturated pixels."""

CLIPPED = 3.0
"""How far counts of the background lie off, in standard deviations."""

TRIED = 6000
"""Places among which those of the spots are chosen."""


@dataclass(frozen=True, eq=False)
class Windows:
    """Windows of a frame about spots.

    Attributes
    ----------
    counts : ndarray of float32, shape (spots, side, side)
    usable : ndarray of bool, same shape
    gain : float
        Electrons per count, times the shots; NaN where it is not known.
    level : float
        Counts of the background: the mean of the frame beside the windows, without what lies above its noise.
    """

    counts: Single
    usable: NDArray[np.bool_]
    gain: float
    level: float


def cut_windows(frame: Frame, corner: NDArray[np.int64], side: int) -> Windows:
    """Cut windows out of a frame.

    Parameters
    ----------
    frame : Frame
    corner : ndarray of int, shape (spots, 2)
        (column, row) of the first pixel of each.
    side : int
        Pixels along each side.

    Returns
    -------
    Windows

    Raises
    ------
    CalibrationError
        If spots are saturated, or are not there.
    """
    places = [(slice(row, row + side), slice(column, column + side)) for column, row in corner]
    counts, usable = np.stack([frame.signal[place] for place in places]), np.stack([frame.usable[place] for place in places])
    saturated = np.stack([frame.saturated[place] for place in places])
    burnt = int((saturated.sum(axis=(1, 2)) > 1).sum())  # a single one is a hot pixel
    if burnt > SATURATED_SHARE * len(counts):
        raise CalibrationError(f"spots: {burnt} of {len(counts)} are saturated; allowed: {SATURATED_SHARE:.0%}. Take it with less light")
    seen = int((signal_to_noise(counts, usable) > FAINT).sum())
    if seen < SEEN * len(counts):
        raise CalibrationError(
            f"spots: found light at {seen} of {len(counts)} places; needed: {SEEN:.0%} of them. Is the mask on the panel, the light on, "
            "the exposure right, the registration that of this camera?"
        )
    gain = np.nan if frame.electrons_per_count is None else frame.electrons_per_count * frame.shots
    return Windows(counts, usable, gain, level_beside(frame, places))


def level_beside(frame: Frame, places: list[tuple[slice, slice]]) -> float:
    """Mean of the usable pixels beside windows, of all where none is left, without those farther off than noise."""
    beside = frame.usable.copy()
    for place in places:
        beside[place] = False
    values = frame.signal[beside if beside.any() else frame.usable].astype(np.float64)
    level = float(np.median(values))
    sigma = 1.4826 * max(float(np.median(np.abs(values - level))), 0.5)  # a median of whole counts is one itself
    for _ in range(4):
        kept = values[np.abs(values - level) <= CLIPPED * sigma]
        level, sigma = float(kept.mean()), max(float(kept.std()), 0.1)
    return level


def signal_to_noise(counts: Single, usable: NDArray[np.bool_]) -> Real:
    """Light in the inner half of windows over its noise, which their rims tell, shape (spots,)."""
    side = counts.shape[-1]
    inner = np.zeros((side, side), bool)
    inner[side // 4 : -(side // 4), side // 4 : -(side // 4)] = True
    found = []
    for window, good in zip(counts, usable, strict=True):
        rim = window[~inner & good]
        level = np.median(rim) if len(rim) else 0.0
        sigma = max(1.4826 * np.median(np.abs(rim - level)), 0.3) if len(rim) else np.inf
        light = (window - level)[inner & good]
        found.append(light.sum() / (sigma * np.sqrt(max(light.size, 1))))
    return np.array(found)


@dataclass(frozen=True, eq=False)
class Probe:
    """A mask of spots, and the plan for their images.

    Attributes
    ----------
    bench : Bench
    path : LightPath
    points_um : ndarray, shape (spots, 2)
    mask : Mask
        Of the spots, with what is known of the aberration taken off.
    view : View
    """

    bench: Bench
    path: LightPath
    points_um: Real
    mask: Mask
    view: View

    @property
    def known(self) -> dict[int, float]:
        """The aberration that the bench knows, waves rms by Noll index."""
        return dict(self.bench.optics.aberration)

    def biased(self, bias: dict[int, float], extra: Real | float = 0.0) -> Mask:
        """Put a bias, waves rms by Noll index, and further waves on each pixel of the panel on top of the mask."""
        phase = wrap(self.mask.phase + 2 * np.pi * (on_panel(self.bench, bias) + extra))
        return Mask(levels_of_phase(phase, self.bench.panel), phase, {**self.mask.record, "figures": {}})

    def smooth(self, bias: dict[int, float]) -> Single:
        """Smooth phase of the mask with a bias on the grid of the pupil, rad: the bias less the known aberration's terms."""
        return self.view.phase({1: 0.0, **{j: -waves for j, waves in self.known.items()}}) + self.view.phase({1: 0.0, **bias})

    def cut(self, stack: NDArray[Any]) -> Windows:
        """Cut the windows of the spots out of a frame; see `cut_windows`."""
        return cut_windows(frame_of(stack, self.bench.camera), self.view.corner, self.view.side)


def probe_of(start: Start, points_um: Real, half_px: int) -> Probe:
    """Make the mask of equally bright spots at points of the objective plane, and plan their images.

    Parameters
    ----------
    start : Start
        With a registration of the camera.
    points_um : ndarray, shape (n, 2)
    half_px : int
        Half width of the windows.
    """
    bench, path, to_camera = start.bench, light_path(start.bench), plane_to_camera(start)
    arrangement, in_um = _spots(start, points_um)
    made = design(bench, arrangement, in_um, DesignOptions(effort="quick"), sources=spot_sources(start, points_um))
    mask = replace(made.mask, record={**made.mask.record, "time": start.time})
    known = 2 * np.pi * on_panel(bench, dict(bench.optics.aberration)) + mapped(bench)
    view = view_of(path, bench.pupil_radius_um, mask.phase + known, points_um, to_camera, half_px)
    return Probe(bench, path, points_um, mask, view)


def _spots(start: Start, points_um: Real) -> tuple[Arrangement, Registration]:
    """Spots as the sites of a lattice of 1 um."""
    arrangement = from_sites(points_um, title=f"{len(points_um)} spots to sense the aberration")
    return arrangement, Registration(lattice_to_plane=Affine(np.eye(2), np.zeros(2)), time=start.time)


def spot_sources(start: Start, points_um: Real) -> dict[str, Source | None]:
    """Write what the record of a mask of some spots says of its inputs."""
    return {**sources_of(start.bench, *_spots(start, points_um)), "bench": start.sources["bench"]}


def plane_to_camera(start: Start) -> Affine:
    """Where the camera sees the objective plane.

    Raises
    ------
    InputError
        If the bench has no camera, or there is no registration of it.
    """
    if start.bench.camera is None:
        raise InputError("bench: found no table [camera]; needed: one, with columns, rows, pixel_um, magnification and bits")
    if start.registration is None or start.registration.plane_to_camera is None:
        raise InputError("registration: found none with plane_to_camera; needed: the result of register")
    return start.registration.plane_to_camera


def half_width_px(start: Start, half_width: float) -> int:
    """Half width of windows in pixels, from that in wavelength / NA.

    Raises
    ------
    InputError
        If the camera's pixels are too coarse for it.
    """
    scale = np.sqrt(abs(np.linalg.det(plane_to_camera(start).matrix)))
    half_px = int(np.rint(half_width * start.bench.wavelength_um / start.bench.optics.numerical_aperture * scale))
    if half_px < LEAST_HALF_PX:
        raise InputError(
            f"registration: found {half_px} pixels over {half_width:g} wavelengths / NA; needed: {LEAST_HALF_PX}, or the camera resolves "
            "no spot"
        )
    return half_px


def mapped(bench: Bench) -> Real | float:
    """Give the bench's map of the aberration, rad, shape (rows, columns); 0 without one."""
    return 0.0 if bench.optics.aberration_map is None else bench.optics.aberration_map


def on_panel(bench: Bench, waves: dict[int, float]) -> Real:
    """Sum of Zernike terms on each pixel of the panel, waves, from waves rms by Noll index; outside the pupil as on its edge."""
    theta = np.arctan2(bench.panel.y_um[:, None], bench.panel.x_um[None, :])
    return zernike_sum(waves, np.minimum(pupil_radii(bench), 1.0), theta)


def probe_points(
    start: Start,
    half_px: int,
    most: int,
    rng: np.random.Generator,
    around_um: tuple[float, float] | None = None,
    width_um: float | None = None,
    from_axis: float = 1.0,
) -> Real:
    """Choose the places of spots.

    Their windows lie on the camera, clear of each other, of the undiffracted light and of the mirror images of all, where weak light of
    the conjugate order falls. They are spread as evenly as chance lets them be.

    Parameters
    ----------
    start : Start
        With a camera and a registration of it.
    half_px : int
        Half width of the windows.
    most : int
        Wanted number of spots.
    rng : Generator
    around_um, width_um : (float, float) and float, optional
        Middle and diameter of the circle in which they are to lie; by default all that the camera sees.
    from_axis : float
        Least distance from the undiffracted light over that between spots.

    Returns
    -------
    ndarray, shape (n, 2)
        um; n is smaller than `most` if no more find room.
    """
    to_camera, camera = plane_to_camera(start), start.bench.camera
    assert camera is not None
    to_plane, edge = to_camera.inverse(), np.array([camera.columns, camera.rows]) - 1.0
    clear = APART * half_px / np.sqrt(abs(np.linalg.det(to_camera.matrix)))
    middle = to_plane.apply(edge / 2)[0] if around_um is None else np.array(around_um)
    radius = np.inf if width_um is None else width_um / 2
    corners = to_plane.apply(np.array([[0, 0], [1, 0], [0, 1], [1, 1]]) * edge)
    low, high = np.maximum(corners.min(axis=0), middle - radius), np.minimum(corners.max(axis=0), middle + radius)
    points = rng.uniform(low, np.maximum(high, low), (TRIED, 2))
    seen = to_camera.apply(points)
    inside = ((seen > half_px + 1) & (seen < edge - half_px - 1)).all(axis=1) & (np.hypot(*(points - middle).T) <= radius)
    inside &= (np.abs(points) <= FIELD * start.bench.field_um).all(axis=1) & (np.hypot(*points.T) > from_axis * clear)
    points = points[inside]
    chosen: list[Real] = []
    room = np.full(len(points), np.inf)  # distance to the nearest of those chosen and of their mirror images
    while len(chosen) < most and len(points) and room.max() > clear:
        best = int(np.argmax(np.where(np.isinf(room), rng.random(len(points)), room)))
        chosen.append(points[best])
        room = np.minimum(room, np.minimum(np.hypot(*(points - points[best]).T), np.hypot(*(points + points[best]).T)))
    return np.array(chosen).reshape(-1, 2)
