"""Tracking: where a surveyed lattice has moved, from the atoms of one frame.

The lattice vectors are held; a frame tells the shift up to whole sites.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.affine import Affine
from holo.crowd import ImageFit, clearest_fit, fit_image, image_offset
from holo.errors import CalibrationError, InputError
from holo.frames import Frame
from holo.lattice import reduced_vectors
from holo.naming import finest
from holo.periods import Cloud, fit_period, lattice_gain
from holo.registration import Misfit, Registration
from holo.spots import Spots, find_spots
from holo.survey import cloud_of, overlap

Floats = NDArray[np.float64]

LEAST_ATOMS = 3
"""Fewest atoms that tell a shift."""

LEAST_EVIDENCE = 4.6
"""Least logarithm of the odds of atoms on the lattice against atoms that lie anywhere: one in a hundred."""

FAR_SITES = 0.3
"""Shift from which on it is worth a warning that whole sites cannot be seen."""

_STARTS = 200
_ROUNDS = 8
_CROWDED_SHARE = 0.5
_FEW = 20
_STRAINED_ATOMS = 12
_STRAINED, _STRAINED_SITES = 30.0, 0.1
_EXACT = np.zeros((6, 6))


@dataclass(frozen=True, eq=False)
class Track:
    """Where a lattice has moved."""

    lattice_to_camera: Affine
    """The registration's, with a new offset."""
    shift_sites: Floats
    """By how much the lattice has moved, lattice coordinates from -1/2 to 1/2, shape (2,)."""
    shift_px: Floats
    """The same in camera pixels, (column, row)."""
    error_px: Floats
    """Standard errors of the latter, those of the registration included, shape (2,)."""
    shift_um: Floats | None
    """The same in the objective plane, (x, y); None where the registration does not tell it."""
    error_um: Floats | None
    """Standard errors of `shift_um`, shape (2,); None where that is None."""
    misfit: Misfit
    """Of the atoms on the lattice, px."""
    outliers: int
    """Usable spots that are not on it."""
    evidence: float
    """Logarithm of the odds of atoms on the lattice against atoms that lie anywhere; of an image of crowded atoms, half the gain in chi^2
    over the lattice shifted by half a cell."""
    notes: tuple[str, ...]
    """Warnings."""

    def summary(self) -> dict[str, Any]:
        """Give the figures as JSON-compatible values.

        Returns
        -------
        dict
            Sites, px and um as the names end; None in um where there is no registration of the plane.
        """
        return {
            "shift_sites": self.shift_sites.tolist(),
            "shift_px": self.shift_px.tolist(),
            "shift_error_px": self.error_px.tolist(),
            "shift_um": None if self.shift_um is None else self.shift_um.tolist(),
            "shift_error_um": None if self.error_um is None else self.error_um.tolist(),
            "atoms": self.misfit.points,
            "rejected": self.outliers,
            "rms_px": self.misfit.rms,
            "warnings": list(self.notes),
        }


@dataclass(frozen=True, eq=False)
class _Shift:
    """A shift as one frame tells it."""

    shift_px: Floats
    variance: Floats
    """Of both coordinates of the place of `middle`, px^2, shape (2,)."""
    middle: Floats
    """Mean site of the atoms, lattice coordinates, shape (2,)."""
    misfit: Misfit
    outliers: int
    evidence: float


def track(frame: Frame, registration: Registration, *, basis: ArrayLike = ((0.0, 0.0),), width_px: float | None = None) -> Track:
    """Find where a surveyed lattice has moved.

    Parameters
    ----------
    frame : Frame
        Fluorescence of three atoms or more.
    registration : Registration
        With ``lattice_to_camera``.
    basis : array_like, shape (b, 2)
        Lattice coordinates of the sites of one cell (`Lattice.basis`).
    width_px : float, optional
        Width of the atoms' spots; estimated if it is not given.

    Returns
    -------
    Track

    Raises
    ------
    InputError
        If the registration has no ``lattice_to_camera``.
    CalibrationError
        If there are too few atoms, they do not sit on the lattice, or its vectors have changed.

    Notes
    -----
    The offset maximises the likelihood of the atoms' places within a cell: Gaussian about the site, with a share of atoms anywhere. The
    evidence is that likelihood integrated over the cell by Laplace's method (see `holo.periods.find_period`). Where half of the spots
    overlap, the whole image is fitted (`holo.crowd.fit_image`).

    Examples
    --------
    >>> from holo.frames import frame_of
    >>> old = Registration(lattice_to_camera=Affine([[9, 0], [0, 9]], [20, 20]), time="2025-06-30T14:05:00+02:00")
    >>> x, y = np.meshgrid(np.arange(80), np.arange(80))
    >>> atoms = [(21.5, 29.0), (30.5, 56.0), (48.5, 20.0), (57.5, 47.0)]
    >>> light = sum(80 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * 1.2**2)) for a, b in atoms)
    >>> found = track(frame_of(np.random.default_rng(1).poisson(light + 4.0)), old)
    >>> found.shift_px.round(1) + 0.0
    array([1.5, 0. ])
    """
    old = registration.lattice_to_camera
    if old is None:
        raise InputError("registration: lattice_to_camera: found none; allowed: a registration that a survey has made")
    spots = find_spots(frame, width_px)
    cloud = cloud_of([spots])
    cell = old.matrix @ finest(basis)
    if len(cloud.xy_px) > _FEW and overlap([spots]) > _CROWDED_SHARE:
        found = _of_image(frame, spots, old, cell, width_px)
    else:
        found = _of_points(cloud, old, cell)
    return _told(found, registration, old, cell)


def _wrapped(steps: Floats, cell: Floats) -> Floats:
    """Steps, shape (..., 2), less the nearest lattice vectors."""
    return np.asarray(steps - np.round(steps @ np.linalg.inv(cell).T) @ cell.T)


def _of_points(cloud: Cloud, old: Affine, cell: Floats) -> _Shift:
    """The shift that the places of atoms tell."""
    count = len(cloud.xy_px)
    if count < LEAST_ATOMS:
        raise CalibrationError(f"frame: found {count} usable spots; needed: {LEAST_ATOMS} or more (take more atoms, or a longer exposure)")
    sites = old.inverse().apply(cloud.xy_px)
    variance = cloud.variance + _bending(old, sites)
    away = _wrapped(cloud.xy_px - old.apply(np.round(sites)), cell)
    area = np.array([abs(np.linalg.det(cell))])
    starts = away[:_STARTS]
    squares = (_wrapped(away[None] - starts[:, None], cell) ** 2).sum(axis=-1)
    shift = starts[np.argmax(lattice_gain(squares, variance, np.repeat(area, len(starts)))[0])]
    for _ in range(_ROUNDS):
        residuals = _wrapped(away - shift, cell)
        square = (residuals**2).sum(axis=1)
        gain, jitter, outliers = (float(value[0]) for value in lattice_gain(square[None], variance, area))
        spread = variance + jitter**2
        density = (1 - outliers) * area[0] / (2 * np.pi * spread) * np.exp(-square / (2 * spread))
        weights = density / (density + outliers) / spread
        shift = shift + weights @ residuals / weights.sum()
    on = weights * spread > 0.5
    evidence = gain + float(np.log(2 * np.pi / weights.sum() / area[0])) - 1
    if evidence < LEAST_EVIDENCE or on.sum() < LEAST_ATOMS:
        raise CalibrationError(_refusal(int(on.sum()), count, evidence))
    scale = max(1.0, float(weights @ square) / max(2 * on.sum() - 2, 1))
    misfit = Misfit(int(on.sum()), float(np.sqrt((residuals[on] ** 2).mean())), float(np.hypot(*residuals[on].T).max()))
    shift = _wrapped(shift, cell)
    _check_vectors_of_points(cloud, old, cell, shift)
    return _Shift(shift, np.full(2, scale / weights.sum()), sites[on].mean(axis=0), misfit, count - int(on.sum()), evidence)


def _refusal(on: int, count: int, evidence: float) -> str:
    odds = f"logarithm of the odds {evidence:.1f}; needed: {LEAST_EVIDENCE:g}"
    return (
        f"frame: found {on} of {count} atoms on the registered lattice, which chance could do ({odds}); take more atoms, or, if the lattice"
        " vectors have changed, survey again"
    )


def _bending(old: Affine, sites: Floats) -> Floats:
    """Variance of the places of sites with respect to their mean, from the errors of the lattice vectors, px^2."""
    if old.covariance is None:
        return np.zeros(len(sites))
    vectors = old.covariance.copy()
    vectors[4:], vectors[:, 4:] = 0, 0
    errors = Affine(old.matrix, old.offset, vectors).prediction_error(sites - sites.mean(axis=0))
    return np.asarray((errors**2).mean(axis=1))


def _check_vectors_of_points(cloud: Cloud, old: Affine, cell: Floats, shift: Floats) -> None:
    """Refuse if the atoms tell that the lattice vectors have changed.

    Raises
    ------
    CalibrationError
    """
    if len(cloud.xy_px) < _STRAINED_ATOMS:
        return
    least = np.diag([1e-12, 1e-12, 1e-6])
    refined = fit_period(cloud, cell, (old.offset + shift)[None], least)
    if refined is None:
        return
    turn = np.linalg.solve(old.matrix, cell)
    covariance = np.zeros((4, 4))
    covariance[:2, :2] = covariance[2:, 2:] = refined.spread[:2, :2]
    back = np.kron(np.eye(2), np.linalg.inv(turn).T)
    _check_vectors(refined.matrix @ np.linalg.inv(turn), back @ covariance @ back.T, old, refined.ij[refined.on] @ turn.T)


def _check_vectors(matrix: Floats, covariance: Floats, old: Affine, sites: Floats) -> None:
    """Refuse lattice vectors that differ from the old ones for sure, and by enough to matter at some sites."""
    change = (matrix - old.matrix).ravel()
    both = covariance + (0 if old.covariance is None else old.covariance[:4, :4])
    chi2 = float(change @ np.linalg.solve(both, change))
    moved = np.linalg.solve(old.matrix, (matrix - old.matrix) @ (sites - sites.mean(axis=0)).T)
    if chi2 > _STRAINED and np.abs(moved).max() > _STRAINED_SITES:
        raise CalibrationError(
            f"frame: the lattice vectors have changed, by {np.abs(moved).max():.2g} sites over the atoms (chi^2 {chi2:.0f} for 4 numbers);"
            " survey again"
        )


def _of_image(frame: Frame, spots: Spots, old: Affine, cell: Floats, width_px: float | None) -> _Shift:
    """The shift that a whole image of crowded atoms tells."""
    start = image_offset(frame.signal, frame.usable, reduced_vectors(cell.T).T)
    start = old.offset + _wrapped(start - old.offset, cell)
    held = clearest_fit(frame.signal, frame.usable, cell, start, width_px, held=True)
    if held is None:
        advice = "take a frame with fewer atoms or, if the lattice vectors have changed, survey again"
        raise CalibrationError(f"frame: found {len(spots)} spots that overlap, but not the registered lattice; {advice}")
    turn = np.linalg.solve(old.matrix, cell)
    free = fit_image(frame.signal, frame.usable, cell, held.lattice.offset, held.width_px)
    if free is not None and free.clear:
        back = np.kron(np.eye(2), np.linalg.inv(turn).T)
        assert free.lattice.covariance is not None
        _check_vectors(free.lattice.matrix @ np.linalg.inv(turn), back @ free.lattice.covariance[:4, :4] @ back.T, old, free.ij @ turn.T)
    return _shift_of(held, old, cell, held.ij @ turn.T)


def _shift_of(held: ImageFit, old: Affine, cell: Floats, sites: Floats) -> _Shift:
    """The shift of an image fitted with the vectors held."""
    assert held.lattice.covariance is not None
    rms = float(np.sqrt((held.shift_px**2).mean()))
    misfit = Misfit(len(held.ij), rms, float(np.hypot(*held.shift_px.T).max()))
    shift = _wrapped(held.lattice.offset - old.offset, cell)
    return _Shift(shift, np.diag(held.lattice.covariance)[4:], sites.mean(axis=0), misfit, 0, held.gain / 2)


def _told(found: _Shift, registration: Registration, old: Affine, cell: Floats) -> Track:
    """The result; errors of the registered vectors count at the mean of the atoms."""
    notes: tuple[str, ...] = ()
    moved = float(np.abs(np.linalg.solve(cell, found.shift_px)).max())
    if moved > FAR_SITES:
        notes += (f"the lattice has moved by {moved:.2f} sites, or by whole sites more or fewer: a frame cannot tell which",)
    covariance, before = None, np.zeros(2)
    if old.covariance is None:
        notes += ("the registered lattice has no errors, so that those of the shift are too small",)
    else:
        before = old.prediction_error([found.middle])[0]
        covariance = np.zeros((6, 6))
        covariance[:4, :4], covariance[4:, 4:] = old.covariance[:4, :4], np.diag(found.variance)
    place = old.apply([found.middle])[0] + found.shift_px
    affine = Affine(old.matrix, place, covariance).after(Affine(np.eye(2), -found.middle, _EXACT))
    error = np.asarray(np.sqrt(found.variance + before**2))
    sites, plane = np.asarray(np.linalg.solve(old.matrix, found.shift_px)), registration.to_plane()
    um, error_um = None, None
    if plane is not None:
        um = plane.matrix @ sites
        error_um = np.sqrt((plane.matrix @ np.linalg.inv(old.matrix)) ** 2 @ error**2)
    return Track(affine, sites, found.shift_px, error, um, error_um, found.misfit, found.outliers, found.evidence, notes)


def followed(found: Track, registration: Registration, time: str, digests: Mapping[str, str]) -> Registration:
    """Move a registration along with its lattice.

    Parameters
    ----------
    found : Track
    registration : Registration
        The one that was tracked.
    time : str
        Of the frame, ISO 8601 with time zone.
    digests : mapping of str to str
        Of the frame.

    Returns
    -------
    Registration
        With new offsets of ``lattice_to_camera`` and, where there is one, ``lattice_to_plane``; a chromatic shift between the two stays.
    """
    plane, misfits = registration.lattice_to_plane, {**registration.misfits, "lattice_to_camera": found.misfit}
    if plane is not None:
        covariance = None
        if registration.plane_to_camera is not None:
            covariance = registration.plane_to_camera.inverse().after(found.lattice_to_camera).covariance
        plane = Affine(plane.matrix, plane.offset + plane.matrix @ found.shift_sites, covariance)
    return replace(
        registration,
        lattice_to_plane=plane,
        lattice_to_camera=found.lattice_to_camera,
        time=time,
        misfits=misfits,
        digests={**registration.digests, **digests},
    )
