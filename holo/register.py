"""Register: the dialogue that finds where the objective plane lies on the camera.

A mask of a few scattered spots comes first: no turn or mirror brings them onto themselves, so they tell which way round the camera sees the
plane. A mask of many spots over all that the camera sees follows, and gives the map with its covariance.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.affine import Affine
from holo.arrangement import from_sites
from holo.bench import Bench
from holo.design import DesignOptions, design
from holo.dialogue import Ask, Start
from holo.errors import CalibrationError, InputError
from holo.frames import Frame, frame_of
from holo.mask import Mask
from holo.matching import Match, match_points, robust_affine
from holo.parts import Camera
from holo.record import sources_of
from holo.registration import Misfit, Registration, registration_text
from holo.spots import EDGE, HOT, SATURATED, Spots, find_spots, measure_spots

FEW, MANY = 20, 225
"""Spots of the first and, at most, of the second mask."""

CLEAR = 8.0
"""Least distance of two spots, and of a spot from the undiffracted light, in Airy radii."""

VIEW, FIELD = 0.8, 0.35
"""Shares of the camera's nominal view that the first mask's spots lie in, and of the field that all lie within, from the axis."""

MARGIN = 0.04
"""Share of the camera's columns and rows on each side that the second mask leaves out."""

FEWEST = 12
"""Fewest spots that a registration rests on."""

SATURATED_SHARE = 0.2
"""Largest share of saturated spots."""

LOBES = 3.0
"""Spots nearer than that, in Airy radii, to a brighter one are its side lobes: the spots of the masks lie farther apart."""

LEAST_RATIO = 15.0
"""Least signal-to-noise ratio of a spot behind the matched filter; fainter ones are stray light, or too faint to tell the map from."""

WIDER, SEEN = 2.5, 5.0
"""Width of the first look at the second mask's spots, over theirs; and ratio of a spot's light to its error from which on it is there."""

FAINT = 0.15
"""Spots below this share of the usual peak are no spots of the mask, all of which are alike, but a ghost picture."""

DISTORTED = 0.03
"""Scatter beyond the errors of the spots, in Airy radii, from which on it is worth a note."""


@dataclass(frozen=True, eq=False)
class Registered:
    """Where the objective plane lies on the camera, and what tells so.

    Attributes
    ----------
    registration : Registration
        With the map ``plane_to_camera``.
    plane_um : ndarray, shape (n, 2)
        Where spots were put.
    camera_px : ndarray, shape (n, 2)
        Where they were found, (column, row).
    error_px : ndarray, shape (n, 2)
        Standard errors of the latter.
    rejected : ndarray of bool, shape (n,)
        Spots that the fit left out, because they lie off the map, are saturated, cut by an edge or on a bad pixel.
    missing_um : ndarray, shape (m, 2)
        Where spots were put that were not found.
    frame : Frame
        The last frame.
    notes : tuple of str
        What the user should know.
    """

    registration: Registration
    plane_um: NDArray[np.float64]
    camera_px: NDArray[np.float64]
    error_px: NDArray[np.float64]
    rejected: NDArray[np.bool_]
    missing_um: NDArray[np.float64]
    frame: Frame
    notes: tuple[str, ...]

    def files(self, digests: Mapping[str, str]) -> dict[str, bytes]:
        """Give ``registration.toml``, with the digests of the frames."""
        return {"registration.toml": registration_text(replace(self.registration, digests=digests)).encode()}

    def summary(self) -> dict[str, Any]:
        """Give the figures of the map."""
        plane_to_camera = self.registration.plane_to_camera
        assert plane_to_camera is not None
        misfit = self.registration.misfits["plane_to_camera"]
        rows, columns = self.frame.signal.shape
        corners = [[0, 0], [columns - 1, 0], [0, rows - 1], [columns - 1, rows - 1]]
        seen = plane_to_camera.inverse().apply(corners)
        return {
            **shape_of(plane_to_camera),
            "points": misfit.points,
            "rejected": int(self.rejected.sum()),
            "missing": len(self.missing_um),
            "rms_px": misfit.rms,
            "largest_px": misfit.largest,
            "map_error_px": float(plane_to_camera.prediction_error(seen).max()),
            "warnings": list(self.notes),
        }


def shape_of(plane_to_camera: Affine) -> dict[str, Any]:
    """Say of a map from the objective plane to the camera what an experimenter calls its parts.

    Parameters
    ----------
    plane_to_camera : Affine

    Returns
    -------
    dict
        ``scale_px_per_um`` (geometric mean), ``rotation_deg`` (of the plane's x axis on the camera, from columns towards rows),
        ``mirrored``, ``stretch`` (of y against x, less 1), ``shear`` (by how much y leans towards x) and ``axis_px``, where the
        optical axis falls, (column, row).

    Notes
    -----
    ``M = R [[a, a s], [0, b]]`` with a rotation R: the QR decomposition.

    Examples
    --------
    >>> parts = shape_of(Affine([[0, -5], [5, 0]], [600, 450]))
    >>> parts["scale_px_per_um"], parts["rotation_deg"], parts["mirrored"]
    (5.0, 90.0, False)
    """
    (a, c), (b, d) = plane_to_camera.matrix
    length, area = np.hypot(a, b), a * d - b * c
    return {
        "scale_px_per_um": float(np.sqrt(abs(area))),
        "rotation_deg": float(np.degrees(np.arctan2(b, a))),
        "mirrored": bool(area < 0),
        "stretch": float(abs(area) / length**2 - 1),
        "shear": float((a * c + b * d) / length**2),
        "axis_px": plane_to_camera.offset.tolist(),
    }


def register(start: Start) -> Generator[Ask, NDArray[Any], Registered]:
    """Find the map from the objective plane to the camera: the dialogue.

    Parameters
    ----------
    start : Start
        Its options: ``seed`` of the spots' places, ``around_um``, where the camera is thought to look (x, y), and ``width_um``, the
        diameter of the circle in which the first mask's spots lie; both None for the nominal view about the axis.

    Yields
    ------
    Ask
        Two masks in all, and is sent their frames, shape (shots, rows, columns).

    Returns
    -------
    Registered

    Raises
    ------
    InputError
        If the bench has no camera, an option is out of range, or a frame is not the camera's.
    CalibrationError
        If a frame does not tell for sure: too few spots found, ambiguous, saturated, or out of the camera.

    Notes
    -----
    The spots are matched by `holo.matching.match_points` and the map fitted by `holo.matching.robust_affine`, weighted by the errors of the
    spots' positions.
    """
    bench, camera = start.bench, start.bench.camera
    if camera is None:
        raise InputError("bench: found no table [camera]; needed: one, with columns, rows, pixel_um, magnification and bits")
    try:
        options = RegisterOptions(**start.options)
    except TypeError as error:
        raise InputError(f"options: found {start.options}; allowed: seed, around_um and width_um") from error
    rng = np.random.default_rng(options.seed)
    few = scattered_points(bench, camera, options, rng)
    stack = yield Ask(_mask(start, few), f"{len(few)} scattered spots: expose so that they are bright and none of them is saturated")
    width_px = bench.spot_width_um * camera.magnification / camera.pixel_um
    match = _recognised(few, find_spots(frame_of(stack, camera), width_px, LEAST_RATIO), bench, camera)
    many = spread_points(bench, camera, match.affine, rng)
    stack = yield Ask(_mask(start, many), f"{len(many)} spots over what the camera sees: expose {len(many) / len(few):.0f} times as long")
    return _fitted(start, many, frame_of(stack, camera), match)


@dataclass(frozen=True)
class RegisterOptions:
    """Options of `register`, see there."""

    seed: int = 0
    around_um: tuple[float, float] = (0.0, 0.0)
    width_um: float | None = None

    def __post_init__(self) -> None:
        if type(self.seed) is not int or self.seed < 0:
            raise InputError(f"seed: found {self.seed!r}; allowed: a whole number from 0 up")
        if not all(abs(place) < 1e5 for place in self.around_um):  # also false for NaN
            raise InputError(f"around_um: found {self.around_um!r}; allowed: x and y, um")
        if self.width_um is not None and not 0 < self.width_um < 1e5:
            raise InputError(f"width_um: found {self.width_um!r}; allowed: a number above 0")


def scattered_points(bench: Bench, camera: Camera, options: RegisterOptions, rng: np.random.Generator) -> NDArray[np.float64]:
    """Choose the places of the first mask's spots, shape (`FEW`, 2), um.

    Each lies clear of the others, of the undiffracted light and of the mirror images of the others, where weak light of the conjugate
    order falls.

    Raises
    ------
    InputError
        If they do not find room.
    """
    view = min(camera.columns, camera.rows) * camera.pixel_um / camera.magnification
    radius = (VIEW * view if options.width_um is None else options.width_um) / 2
    centre, reach = np.array(options.around_um), FIELD * bench.field_um
    clear = max(CLEAR * bench.airy_radius_um, 0.3 * radius)
    while clear >= CLEAR * bench.airy_radius_um / 2:
        chosen: list[NDArray[np.float64]] = []
        for _ in range(4000):
            point = centre + rng.uniform(-radius, radius, 2)
            taken = np.array([[0.0, 0.0], *chosen, *(-other for other in chosen), -point])
            inside = np.hypot(*(point - centre)) <= radius and (np.abs(point) <= reach).all()
            if inside and np.hypot(*(taken - point).T).min() > clear:
                chosen.append(point)
            if len(chosen) == FEW:
                return np.array(chosen)
        clear *= 0.8
    raise InputError(
        f"width_um: found room for fewer than {FEW} spots within {radius:.3g} um of ({centre[0]:g}, {centre[1]:g}) um; allowed: a wider "
        f"circle, inside {reach:.4g} um from the axis along x and y"
    )


def spread_points(bench: Bench, camera: Camera, plane_to_camera: Affine, rng: np.random.Generator) -> NDArray[np.float64]:
    """Choose the places of the second mask's spots over all that the camera sees, shape (n, 2), um.

    They lie on a square grid in the plane, each moved at random, so that the orders of a regular array fall on none of them.

    Raises
    ------
    CalibrationError
        If the camera sees hardly anything that the panel can light.
    """
    edge = np.array([camera.columns, camera.rows]) - 1.0
    corners = plane_to_camera.inverse().apply(np.array([[0, 0], [1, 0], [0, 1], [1, 1]]) * edge)
    reach = FIELD * bench.field_um
    low, high = np.clip(corners.min(axis=0), -reach, reach), np.clip(corners.max(axis=0), -reach, reach)
    least = CLEAR * bench.airy_radius_um
    step = max(least, float(np.sqrt(np.prod(high - low) / MANY)))
    for spacing in step * 0.95 ** np.arange(40):
        axes = [np.arange(start + spacing / 2, stop, spacing) for start, stop in zip(low, high, strict=True)]
        points = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
        points += rng.uniform(-0.2, 0.2, points.shape) * spacing
        seen = plane_to_camera.apply(points)
        inside = ((seen > MARGIN * edge) & (seen < (1 - MARGIN) * edge)).all(axis=1) & (np.abs(points) <= reach).all(axis=1)
        points = points[inside & (np.hypot(*points.T) > least)]
        if len(points) >= 0.8 * MANY or spacing * 0.95 < least:
            break
    if len(points) < FEWEST:
        raise CalibrationError(
            f"camera: sees only {len(points)} of the places, {least:.3g} um apart, that the panel can light well ({reach:.4g} um about the "
            f"axis); needed: {FEWEST}. Move the camera so that it looks at the optical axis"
        )
    return points


def _mask(start: Start, points_um: NDArray[np.float64]) -> Mask:
    """Mask of equally bright spots at points of the objective plane."""
    arrangement = from_sites(points_um, title=f"{len(points_um)} spots to register the camera")
    in_um = Registration(lattice_to_plane=Affine(np.eye(2), np.zeros(2)), time=start.time)
    sources = {**sources_of(start.bench, arrangement, in_um), "bench": start.sources["bench"]}
    made = design(start.bench, arrangement, in_um, DesignOptions(effort="quick"), sources=sources)
    return replace(made.mask, record={**made.mask.record, "time": start.time})


def _distinct(spots: Spots, count: int, bench: Bench) -> NDArray[np.intp]:
    """Numbers of the spots that may be those of a mask of so many: no side lobes of brighter ones, no ghost picture."""
    from scipy.spatial import KDTree

    assert bench.camera is not None
    lobes_px = LOBES * bench.airy_radius_um * bench.camera.magnification / bench.camera.pixel_um
    if len(spots) == 0:
        return np.arange(0)
    fainter = KDTree(spots.xy_px).query_pairs(lobes_px, output_type="ndarray").reshape(-1, 2)[:, 1]  # of a pair the later in the list
    alone = np.ones(len(spots), dtype=bool)
    alone[fainter] = False
    chosen = np.flatnonzero(alone)
    return chosen[spots.peak[chosen] > FAINT * np.median(spots.peak[chosen[:count]])]


def _recognised(points: NDArray[np.float64], spots: Spots, bench: Bench, camera: Camera) -> Match:
    """Match the first mask's spots, or say why that cannot be."""
    bright = _distinct(spots, len(points), bench)
    try:
        match = match_points(points, spots.xy_px[bright], camera.magnification / camera.pixel_um)
    except CalibrationError as error:
        raise CalibrationError(f"{error}. {_advice(spots, camera)}") from error
    _check_saturated(spots, bright[match.found])
    return match


def _advice(spots: Spots, camera: Camera) -> str:
    """What may be wrong with a frame in which the spots are not recognised."""
    brightest = f" (brightest {spots.peak.max():.0f} counts of {2**camera.bits - 1})" if len(spots) else ""
    return (
        f"Is the mask on the panel, the light on, the exposure right{brightest}, the camera in focus? Does it see the plane about the "
        "optical axis (else: --around-um, --width-um)? Are magnification and pixel_um of [camera] right to a quarter?"
    )


def _check_saturated(spots: Spots, used: NDArray[np.intp]) -> None:
    saturated = int((spots.flags[used] & SATURATED > 0).sum())
    if saturated > SATURATED_SHARE * len(used):
        raise CalibrationError(
            f"spots: {saturated} of {len(used)} are saturated; allowed: {SATURATED_SHARE:.0%}. Take the frame with less light"
        )


def _fitted(start: Start, points: NDArray[np.float64], frame: Frame, match: Match) -> Registered:
    """Fit the map to the second mask's spots."""
    spots, seen = _measured(start.bench, points, frame, match.affine)
    found = np.flatnonzero(spots.total > SEEN * spots.total_error)
    usable = found[spots.flags[found] & (SATURATED | EDGE | HOT) == 0]
    _check_saturated(spots, found)
    points, missing = points[seen], np.concatenate([points[~seen], np.delete(points[seen], found, axis=0)])
    if len(usable) < max(FEWEST, 0.5 * (len(found) + len(missing))):
        raise CalibrationError(
            f"spots: found {len(found)} of {len(found) + len(missing)} where they were to be expected, {len(usable)} of them unspoilt; "
            f"needed: {FEWEST}, and half of them. Is the second mask on the panel, the exposure right? Has anything moved meanwhile?"
        )
    fit, kept = robust_affine(points[usable], spots.xy_px[usable], spots.error_px[usable].mean(axis=1))
    if kept.sum() < max(FEWEST, 0.7 * len(usable)):
        raise CalibrationError(
            f"spots: only {kept.sum()} of {len(usable)} lie on one affine map; needed: 70 %. Is the camera's lens distorting?"
        )
    rejected = np.ones(len(spots), dtype=bool)
    rejected[usable[kept]] = False
    noise_px = float(np.sqrt((spots.error_px[usable[kept]] ** 2).mean()))
    return Registered(
        registration=Registration(plane_to_camera=fit.affine, time=start.time, misfits={"plane_to_camera": Misfit.of(fit)}),
        plane_um=points[found],
        camera_px=spots.xy_px[found],
        error_px=spots.error_px[found],
        rejected=rejected[found],
        missing_um=missing,
        frame=frame,
        notes=_notes(start.bench, fit.affine, fit.rms, noise_px, len(missing) / (len(found) + len(missing))),
    )


def _measured(bench: Bench, points: NDArray[np.float64], frame: Frame, rough: Affine) -> tuple[Spots, NDArray[np.bool_]]:
    """Measure spots about where a rough map puts them, and say which of the points lie in the frame.

    The first look, with a wider spot, finds them some widths away from there.
    """
    assert bench.camera is not None
    width_px = bench.spot_width_um * bench.camera.magnification / bench.camera.pixel_um
    mapped, edge = rough.apply(points), np.array(frame.shape[::-1]) - 1.0
    seen = np.asarray(((mapped >= 0) & (mapped <= edge)).all(axis=1))
    rough_px = measure_spots(frame, mapped[seen], WIDER * width_px).xy_px
    return measure_spots(frame, np.clip(rough_px, 0, edge), width_px), seen


def _notes(bench: Bench, affine: Affine, rms_px: float, error_px: float, missing: float) -> tuple[str, ...]:
    assert bench.camera is not None
    notes = []
    nominal, found = bench.camera.magnification / bench.camera.pixel_um, shape_of(affine)["scale_px_per_um"]
    if abs(found / nominal - 1) > 0.03:
        notes.append(f"the camera shows {found:.4g} pixels per um, the bench file says {nominal:.4g}: is magnification right?")
    excess = np.sqrt(max(rms_px**2 - error_px**2, 0.0))
    if excess > max(DISTORTED * bench.airy_radius_um * found, error_px):
        notes.append(
            f"the spots scatter by {rms_px:.3f} px about the map, {error_px:.3f} px of which is noise: the camera's optics distort, or the "
            "bench moved during the exposure; the errors of the map allow for it, its middle is right to them, the corners may not be"
        )
    if missing > 0.2:
        notes.append(f"{missing:.0%} of the spots were not found")
    return tuple(notes)
