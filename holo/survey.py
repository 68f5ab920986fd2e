"""The survey: lattice vectors and offset in camera pixels, from fluorescence frames of atoms.

A frame tells a lattice only up to the choice of its vectors and of site (0, 0); `survey` names the sites by the nominal lattice.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.affine import Affine, affine_of
from holo.bench import Bench
from holo.crowd import ImageFit, clearest_fit, fit_image, image_lattice, image_offset
from holo.errors import CalibrationError, InputError
from holo.frames import Frame
from holo.naming import Names, names, plain_names, shape_credit
from holo.periods import CLOSEST_PX, Cloud, Period, find_period
from holo.registration import Misfit, Registration
from holo.spots import CROWDED, EDGE, HOT, SATURATED, Spots, find_spots

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_ATOMS = 8
"""Fewest atoms on the lattice that a survey is made from."""

LEAST_EVIDENCE = 14.0
"""Least logarithm of the odds of a lattice against atoms that lie anywhere: one in a million."""

_MARGIN = 4.0
_CROWDED_SHARE = 0.5
_MOST_OFF = 0.5
_WORTH = 5.0


@dataclass(frozen=True, eq=False)
class Survey:
    """The lattice in fluorescence frames."""

    lattice_to_camera: Affine
    """From lattice coordinates (i, j) to (column, row) in the last frame, with its covariance."""
    misfit: Misfit
    """Of the atoms used, px."""
    ij: Floats
    """Site of each atom used, lattice coordinates, shape (n, 2)."""
    spots: Spots
    """The atoms used, frame by frame; of an image of crowded atoms the lit sites."""
    residuals: Floats
    """Atom minus its site, px, shape (n, 2)."""
    frame: Ints
    """Number of the frame of each atom used, shape (n,)."""
    rejected_px: Floats
    """Spots that belong to no site, or that cannot be used: saturated, at the edge, on a bad pixel; shape (m, 2)."""
    filling: float
    """Share of the sites among the outermost atoms that hold one, mean over the frames."""
    significance: float
    """Logarithm of the odds of this lattice against atoms that lie anywhere; of an image of crowded atoms, half the gain in chi^2 over the
    lattice shifted by half a cell."""
    drift_px: Floats
    """Where the lattice was in each frame with respect to the last one, px, shape (frames, 2); zeros if the frames agree."""
    crowded: bool
    """Whether the lattice was fitted to the whole image because the atoms overlap."""
    notes: tuple[str, ...]

    def summary(self) -> dict[str, Any]:
        """Give the single figures as JSON-compatible values."""
        return {
            "atoms": len(self.ij),
            "rejected": len(self.rejected_px),
            "filling": self.filling,
            "significance": self.significance,
            "rms_px": self.misfit.rms,
            "largest_px": self.misfit.largest,
            "drift_px": self.drift_px.tolist(),
            "crowded": self.crowded,
            "warnings": list(self.notes),
        }


@dataclass(frozen=True, eq=False)
class _Found:
    """A lattice with any of its vectors and any site as (0, 0)."""

    matrix: Floats
    offsets: Floats
    covariance: Floats
    """Of the matrix, row by row, and the offsets, shape (4 + 2 f, 4 + 2 f)."""
    ij: Ints
    spots: Spots
    frame: Ints
    rejected_px: Floats
    significance: float
    crowded: bool


def survey(
    frames: Sequence[Frame],
    nominal: Affine | None = None,
    *,
    oriented: bool = True,
    basis: ArrayLike = ((0.0, 0.0),),
    width_px: float | None = None,
) -> Survey:
    """Find the lattice in fluorescence frames.

    Parameters
    ----------
    frames : sequence of Frame
        Of one lattice, in the order in which they were taken. It may have drifted from frame to frame.
    nominal : Affine, optional
        Guessed map from lattice coordinates to the camera (`expected_lattice`). It names the sites; without it the shortest vectors are
        taken, and the site next to the frame's centre is (0, 0).
    oriented : bool
        Whether the direction and the origin of `nominal` mean something; if not, its lengths, angle and handedness still do.
    basis : array_like, shape (b, 2)
        Lattice coordinates of the sites of one cell (`Lattice.basis`).
    width_px : float, optional
        Width of the atoms' spots; estimated if it is not given.

    Returns
    -------
    Survey

    Raises
    ------
    CalibrationError
        If the frames do not tell the lattice for sure, or it is not the nominal one (`holo.naming.check_shape`).

    Notes
    -----
    Spots are found and the lattice is looked for in their places (`holo.periods`). If half of the spots overlap, or no lattice is seen in
    them, it is looked for in the waves of the whole image and fitted to the whole image (`holo.crowd`).

    Examples
    --------
    >>> from holo.frames import frame_of
    >>> rng = np.random.default_rng(1)
    >>> sites = rng.permutation(400)[:60]
    >>> xy = np.column_stack([sites % 20, sites // 20]) @ [[6.0, 1.0], [-1.0, 6.0]] + [30, 12]
    >>> x, y = np.meshgrid(np.arange(150), np.arange(150))
    >>> light = sum(60 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * 1.2**2)) for a, b in xy)
    >>> found = survey([frame_of(rng.poisson(light + 4.0))], Affine([[6, -1], [1, 6]], [31, 12]))
    >>> found.lattice_to_camera.matrix.round(1)
    array([[ 6., -1.],
           [ 1.,  6.]])
    """
    if not frames:
        raise InputError("frames: found none; allowed: one or more")
    spots = [find_spots(frame, width_px) for frame in frames]
    best = _best(spots)
    credit = 0.0 if nominal is None else shape_credit(nominal.matrix)
    found = _from_points(best, spots, credit) or _from_images(frames, best, spots, width_px)
    found, drift, notes = _agreed(found)
    affine = _last(found)
    if nominal is None:
        naming = plain_names(affine, (np.array(frames[-1].shape[::-1]) - 1) / 2)
    else:
        naming = names(affine, found.ij, nominal, oriented, basis)
    sites = 1 if nominal is None else len(np.reshape(basis, (-1, 2)))
    return _told(found, drift, naming, sites, notes)


# ---------------------------------------------------------------------------------------------------------------------
# finding the lattice


def _usable(spots: Spots) -> NDArray[np.bool_]:
    return np.asarray((spots.flags & (SATURATED | EDGE | HOT)) == 0)


def cloud_of(spots: Sequence[Spots]) -> Cloud:
    """Gather the spots of some frames that can be used for places."""
    kept = [_usable(found) for found in spots]
    xy = np.concatenate([found.xy_px[keep] for found, keep in zip(spots, kept, strict=True)])
    error = np.concatenate([found.error_px[keep] for found, keep in zip(spots, kept, strict=True)])
    number = np.concatenate([np.full(int(keep.sum()), index) for index, keep in enumerate(kept)])
    return Cloud(xy, (error**2).mean(axis=1), number.astype(np.int64), len(spots))


def overlap(spots: Sequence[Spots]) -> float:
    """Share of the usable spots that lie in the light of a neighbour; 1 if there is none."""
    flags = np.concatenate([found.flags[_usable(found)] for found in spots])
    return float(((flags & CROWDED) > 0).mean()) if len(flags) else 1.0


def _best(spots: Sequence[Spots]) -> tuple[Period, float] | None:
    """The lattice that explains the places of spots best, and the evidence of the next best."""
    cloud = cloud_of(spots)
    return find_period(cloud) if len(cloud.xy_px) >= LEAST_ATOMS else None


def _from_points(best: tuple[Period, float] | None, spots: Sequence[Spots], credit: float) -> _Found | None:
    """The lattice in the places of spots, or None if it is not clear or too many of them overlap."""
    if best is None or overlap(spots) > _CROWDED_SHARE:
        return None
    period, runner_up = best
    clear = period.evidence + credit > LEAST_EVIDENCE and period.evidence - runner_up > _MARGIN
    if not clear or period.outliers > _MOST_OFF or period.on.sum() < LEAST_ATOMS:
        return None
    return _of_period(period, spots, credit)


def _of_period(period: Period, spots: Sequence[Spots], credit: float) -> _Found:
    """A lattice fitted to spots, with one atom a site: of several the nearest is taken."""
    usable = [_usable(found) for found in spots]
    number = np.concatenate([np.full(int(keep.sum()), index) for index, keep in enumerate(usable)])
    near = np.argsort(np.hypot(*period.residuals.T), kind="stable")
    first = near[np.unique(np.column_stack([number, period.ij])[near], axis=0, return_index=True)[1]]
    used = np.zeros(len(number), dtype=bool)
    used[first] = period.on[first]
    taken = [np.flatnonzero(keep)[used[number == index]] for index, keep in enumerate(usable)]
    left = [np.setdiff1d(np.arange(len(found)), pick) for found, pick in zip(spots, taken, strict=True)]
    together = _joined([_picked(found, pick) for found, pick in zip(spots, taken, strict=True)])
    covariance = np.zeros((4 + 2 * len(spots), 4 + 2 * len(spots)))
    for axis in (0, 1):
        own = [2 * axis, 2 * axis + 1, *range(4 + axis, len(covariance), 2)]
        covariance[np.ix_(own, own)] = period.spread
    return _Found(
        period.matrix,
        period.offsets,
        covariance,
        period.ij[used],
        together,
        number[used],
        np.concatenate([found.xy_px[pick] for found, pick in zip(spots, left, strict=True)]),
        period.evidence + credit,
        False,
    )


def _picked(spots: Spots, pick: Ints | NDArray[np.bool_]) -> Spots:
    xy, error, total, total_error, peak = (part[pick] for part in (spots.xy_px, spots.error_px, spots.total, spots.total_error, spots.peak))
    return Spots(xy, error, total, total_error, peak, spots.width_px, spots.flags[pick])


def _joined(spots: Sequence[Spots]) -> Spots:
    """The spots of some frames as one record."""
    names = ("xy_px", "error_px", "total", "total_error", "peak", "flags")
    xy, error, total, total_error, peak, flags = (np.concatenate([getattr(found, name) for found in spots]) for name in names)
    return Spots(xy, error, total, total_error, peak, float(np.mean([found.width_px for found in spots])), flags)


def _from_images(frames: Sequence[Frame], best: tuple[Period, float] | None, spots: Sequence[Spots], width_px: float | None) -> _Found:
    """The lattice in whole images.

    Raises
    ------
    CalibrationError
        If none can be told; says why.
    """
    frame = frames[-1]
    starts = [] if best is None or best[0].evidence < _WORTH else [(best[0].matrix, best[0].offsets[-1])]
    waves = image_lattice(frame.signal, frame.usable)
    starts += [] if waves is None else [waves]
    fits = [clearest_fit(frame.signal, frame.usable, matrix, offset, width_px) for matrix, offset in starts]
    last = max((fit for fit in fits if fit is not None), key=lambda fit: fit.gain, default=None)
    if last is None:
        raise CalibrationError(_refusal(spots, best))
    return _of_images([*(_followed(earlier, last) for earlier in frames[:-1]), last])


def _followed(frame: Frame, last: ImageFit) -> ImageFit:
    """The lattice of another frame, which has the vectors of the last one nearly."""
    matrix = last.lattice.matrix
    offset = image_offset(frame.signal, frame.usable, matrix)
    offset = offset - matrix @ np.round(np.linalg.solve(matrix, offset - last.lattice.offset))
    fit = fit_image(frame.signal, frame.usable, matrix, offset, last.width_px)
    if fit is None or not fit.clear:
        raise CalibrationError("frames: the lattice of the last one is not seen in another one; survey them one by one")
    return fit


def _of_images(fits: Sequence[ImageFit]) -> _Found:
    """One matrix and an offset for each of some lattices fitted to images, by generalised least squares."""
    size = 4 + 2 * len(fits)
    normal, right = np.zeros((size, size)), np.zeros(size)
    for index, fit in enumerate(fits):
        own = [0, 1, 2, 3, 4 + 2 * index, 5 + 2 * index]
        assert fit.lattice.covariance is not None
        information = np.linalg.inv(fit.lattice.covariance)
        normal[np.ix_(own, own)] += information
        right[own] += information @ np.concatenate([fit.lattice.matrix.ravel(), fit.lattice.offset])
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    values = covariance @ right
    return _Found(
        values[:4].reshape(2, 2),
        values[4:].reshape(-1, 2),
        covariance,
        np.concatenate([fit.ij for fit in fits]),
        _joined([_spots_of(fit) for fit in fits]),
        np.repeat(np.arange(len(fits)), [len(fit.ij) for fit in fits]),
        np.zeros((0, 2)),
        min(fit.gain for fit in fits) / 2,
        True,
    )


def _spots_of(fit: ImageFit) -> Spots:
    """The lit sites of an image as spots."""
    xy = fit.lattice.apply(fit.ij) + fit.shift_px
    peak = fit.total / (2 * np.pi * fit.width_px**2)
    flags = np.full(len(xy), CROWDED, dtype=np.uint8)
    return Spots(xy, fit.shift_error_px, fit.total, fit.total_error, peak, fit.width_px, flags)


def _refusal(spots: Sequence[Spots], best: tuple[Period, float] | None) -> str:
    """Why no lattice can be told, and what to change."""
    count, share = sum(int(_usable(found).sum()) for found in spots), overlap(spots)
    if count < LEAST_ATOMS:
        return f"frames: found {count} usable spots; needed: {LEAST_ATOMS} or more (take more atoms, or a longer exposure)"
    if share > 0.3:
        told = f"found {count} spots, {share:.0%} of which overlap, and no lattice in them or in the whole image"
        return f"frames: {told}; too crowded: take a frame with fewer atoms"
    odds = -np.inf if best is None else best[0].evidence
    return (
        f"frames: found {count} spots, but no lattice from {CLOSEST_PX:g} px up that explains their places better than chance (logarithm of"
        f" the odds {odds:.1f}; needed: {LEAST_EVIDENCE:g}); take more atoms or a sharper frame, and make sure that the lattice holds them"
    )


# ---------------------------------------------------------------------------------------------------------------------
# several frames


def _agreed(found: _Found) -> tuple[_Found, Floats, tuple[str, ...]]:
    """The lattice with one offset for all frames if they agree on it, the drift otherwise, and what to say of it."""
    count = len(found.offsets)
    if count == 1:
        return found, np.zeros((1, 2)), ()
    from scipy.special import chdtri

    between = np.zeros((2 * count - 2, 4 + 2 * count))
    between[:, 4 : 2 + 2 * count] = np.eye(2 * count - 2)
    between[:, 2 + 2 * count :] = np.tile(-np.eye(2), (count - 1, 1))
    values = np.concatenate([found.matrix.ravel(), found.offsets.ravel()])
    drift, gain = between @ values, found.covariance @ between.T @ np.linalg.inv(between @ found.covariance @ between.T)
    if float(drift @ np.linalg.solve(between @ found.covariance @ between.T, drift)) > chdtri(len(drift), 0.05):
        sites = np.abs(np.linalg.solve(found.matrix, drift.reshape(-1, 2).T)).max()
        notes = [f"the lattice drifted between the frames by up to {sites:.2f} sites; the offset is that of the last frame"]
        if sites > 0.3:
            notes.append("drifts of more than half a site between frames cannot be told from smaller ones")
        return found, np.vstack([drift.reshape(-1, 2), np.zeros(2)]), tuple(notes)
    values, covariance = values - gain @ drift, found.covariance - gain @ between @ found.covariance
    settled = replace(found, matrix=values[:4].reshape(2, 2), offsets=values[4:].reshape(-1, 2), covariance=covariance)
    return settled, np.zeros((count, 2)), ()


# ---------------------------------------------------------------------------------------------------------------------
# the result


def _last(found: _Found) -> Affine:
    """The map to the last frame."""
    own = [0, 1, 2, 3, -2, -1]
    return Affine(found.matrix, found.offsets[-1], found.covariance[np.ix_(own, own)])


def _told(found: _Found, drift: Floats, naming: Names, sites: int, notes: tuple[str, ...]) -> Survey:
    lattice = _last(found).after(naming.change)
    ij = naming.change.inverse().apply(found.ij)
    residuals = found.spots.xy_px - found.ij @ found.matrix.T - found.offsets[found.frame]
    error = float(np.sqrt((found.spots.error_px**2).mean()))
    misfit = Misfit(len(ij), float(np.sqrt((residuals**2).mean())), float(np.hypot(*residuals.T).max()))
    if misfit.rms > 2 * error:
        off = f"atoms lie {misfit.rms:.2g} px from their sites, {misfit.rms / error:.1f} times what their light lets expect"
        notes += (f"{off}: distortion, motion or overlap",)
    if found.crowded:
        notes += ("the spots overlap: the lattice was fitted to the whole image",)
    filling = _filling(ij, found.frame, sites)
    told = (found.significance, drift, found.crowded, naming.notes + notes)
    return Survey(lattice, misfit, ij, found.spots, residuals, found.frame, found.rejected_px, filling, *told)


def _filling(ij: Floats, frame: Ints, sites: int) -> float:
    """Share of the sites within the hull of the atoms that hold one."""
    from scipy.spatial import ConvexHull

    area = float(ConvexHull(ij).volume) + 1e-9
    border = 1 + 2 * np.sqrt(area)  # of a square: the sites of an area A number A, and half of those on its border besides
    return float(min(1.0, len(ij) / (int(frame.max()) + 1) / (sites * (area + border))))


def expected_lattice(bench: Bench, registration: Registration | None = None, chromatic_px: ArrayLike = (0.0, 0.0)) -> tuple[Affine, bool]:
    """Guess where the lattice lies on the camera.

    Parameters
    ----------
    bench : Bench
    registration : Registration, optional
    chromatic_px : array_like, shape (2,)
        See `registered`.

    Returns
    -------
    nominal : Affine
        From lattice coordinates to (column, row): the registration's own, so that sites keep their names; else the bench's lattice by way
        of the registration's map from the plane to the camera; else the bench's lattice, magnified, with the optical axis on the centre
        of the frame.
    oriented : bool
        Whether its direction and origin mean something: false in the last case.

    Raises
    ------
    InputError
        If the bench has no camera and the registration does not tell either.
    """
    if registration is not None and registration.lattice_to_camera is not None:
        return registration.lattice_to_camera, True
    if registration is not None and registration.plane_to_camera is not None:
        seen = registration.plane_to_camera.after(affine_of(bench.lattice))
        return Affine(seen.matrix, seen.offset + np.asarray(chromatic_px, dtype=np.float64)), True
    camera = bench.camera
    if camera is None:
        raise InputError("bench: camera: found none; allowed: a bench file with a [camera] table, or a registration with plane_to_camera")
    centre = np.array([camera.columns - 1, camera.rows - 1]) / 2
    scale = Affine(np.eye(2) * camera.magnification / camera.pixel_um, centre)
    return scale.after(affine_of(bench.lattice)), False


def registered(
    found: Affine,
    misfit: Misfit,
    time: str,
    digests: Mapping[str, str],
    previous: Registration | None = None,
    chromatic_px: ArrayLike = (0.0, 0.0),
) -> Registration:
    """Make the registration that a survey leads to.

    Parameters
    ----------
    found : Affine
        From lattice coordinates to (column, row), as surveyed.
    misfit : Misfit
    time : str
        Of the frames, ISO 8601 with time zone.
    digests : mapping of str to str
        Of the frames.
    previous : Registration, optional
        If it has a map from the plane to the camera, that stays, and the map from the lattice to the plane follows from both.
    chromatic_px : array_like, shape (2,)
        Where fluorescence appears on the camera with respect to trapping light from the same place of the objective plane, (column, row).

    Returns
    -------
    Registration

    Notes
    -----
    With lattice to camera ``L``, plane to camera ``P`` and the chromatic shift ``c``, lattice to plane is ``inv(P) (L - c)``; its
    covariance has the errors of both, taken as independent, and none of ``c``.

    Examples
    --------
    >>> camera = Registration(plane_to_camera=Affine([[5, 0], [0, 5]], [600, 450]), time="2025-06-30T14:05:00+02:00")
    >>> found = Affine([[25, 0], [0, 25]], [901, 650])
    >>> made = registered(found, Misfit(90, 0.1, 0.2), "2025-06-30T15:00:00+02:00", {}, camera, (1.0, 0.0))
    >>> made.lattice_to_plane.matrix, made.lattice_to_plane.offset
    (array([[5., 0.],
           [0., 5.]]), array([60., 40.]))
    """
    plane = None if previous is None else previous.plane_to_camera
    misfits, kept = {"lattice_to_camera": misfit}, dict(digests)
    if previous is None or plane is None:
        return Registration(lattice_to_camera=found, time=time, misfits=misfits, digests=kept)
    achromatic = Affine(found.matrix, found.offset - np.asarray(chromatic_px, dtype=np.float64), found.covariance)
    if "plane_to_camera" in previous.misfits:
        misfits["plane_to_camera"] = previous.misfits["plane_to_camera"]
    return Registration(plane.inverse().after(achromatic), plane, found, time=time, misfits=misfits, digests={**previous.digests, **kept})


def vectors_of(lattice: Affine) -> dict[str, Floats]:
    """Lengths of the lattice vectors and the angles of and between them, with standard errors.

    Parameters
    ----------
    lattice : Affine
        From lattice coordinates to points of any unit, with a covariance.

    Returns
    -------
    dict
        ``lengths`` and ``length_errors``, shape (2,), in that unit; ``angles_deg`` and ``angle_errors_deg``, shape (3,): from +x to the
        first vector, towards +y, to the second vector likewise, and from the first to the second.

    Examples
    --------
    >>> told = vectors_of(Affine([[3, -4], [4, 3]], [0, 0], np.diag([0.01, 0.01, 0.01, 0.01, 1, 1])))
    >>> told["lengths"], told["length_errors"].round(3), told["angles_deg"].round(2), told["angle_errors_deg"].round(2)
    (array([5., 5.]), array([0.1, 0.1]), array([ 53.13, 143.13,  90.  ]), array([1.15, 1.15, 1.62]))
    """
    x, y = lattice.matrix
    lengths = np.hypot(x, y)
    slopes = np.zeros((5, 6))
    for vector in (0, 1):
        slopes[vector, [vector, 2 + vector]] = lattice.matrix[:, vector] / lengths[vector]
        slopes[2 + vector, [vector, 2 + vector]] = np.array([-y[vector], x[vector]]) / lengths[vector] ** 2
    slopes[4] = slopes[3] - slopes[2]
    covariance = np.zeros((6, 6)) if lattice.covariance is None else lattice.covariance
    errors = np.sqrt(np.clip(np.einsum("ap,pq,aq->a", slopes, covariance, slopes), 0, None))
    angles = np.degrees(np.arctan2(y, x))
    between = (angles[1] - angles[0] + 180) % 360 - 180
    return {
        "lengths": lengths,
        "length_errors": errors[:2],
        "angles_deg": np.array([*angles, between]),
        "angle_errors_deg": np.degrees(errors[2:]),
    }
