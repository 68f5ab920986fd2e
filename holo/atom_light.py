"""The light of lattice sites in a fluorescence frame, whether their spots stand apart or overlap.

Axes, signs and units: DEVELOPERS.md, Conventions. Camera points are (column, row); lattice coordinates are (i, j).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.affine import Affine
from holo.background import background
from holo.deconvolution import Normal, bounded_light, gathered, linear_light, normal_equations, shapes_for, times
from holo.errors import CalibrationError, InputError
from holo.frames import Frame
from holo.spots import EDGE, HOT, SATURATED, Spots, find_spots
from holo.spread import Image, Real, Spread, Stamps, gaussian_spread, image_of, measure_spread, stamps_of
from holo.threshold import LEAST_SITES, Peaks, best_split, fit_peaks

Flags = NDArray[np.bool_]

MOST_SITES = 60_000
"""Most sites that a frame is read for at once."""

APART = 4.5
"""Distance of neighbours, in widths of a spot, from which on their light is summed site by site: 1.55 Airy radii."""

ISOLATED = 6.0
"""Distance of an atom from the next one, in widths, from which on its site and its light are known well enough to tell the spread."""

LEAST_ISOLATED = 8
"""Fewest isolated atoms that the spread is measured from; with fewer, all atoms are used, overlaps and all ..."""

LEAST_SPACING = 2.0
"""... if the sites are at least so many widths apart."""

LIT = 0.1
"""Light around a site, over that in the brightest part, below which there are no atoms near."""

_VARIED = 0.15
_MANY = 100
_TURNS = 3


@dataclass(frozen=True, eq=False)
class Field:
    """The part of a frame around some sites, ready to be read."""

    signal: Image
    """Counts less the background."""
    usable: Flags
    floor: Image
    """Variance of the background."""
    slope: float
    """Variance per count of light."""
    xy: Real
    """Places (column, row) of the sites in this part, shape (n, 2)."""
    corner: tuple[int, int]
    """Row and column of its first pixel in the frame."""


@dataclass(frozen=True, eq=False)
class Light:
    """The light of sites as a method tells it."""

    counts: Real
    """Shape (n,)."""
    error: Real
    """One standard error each."""
    variance: Real
    """Variance of each as an empty site, over that of a usual one."""


def lattice_sites(lattice_to_camera: Affine, low_px: ArrayLike, high_px: ArrayLike, basis: ArrayLike = ((0.0, 0.0),)) -> Real:
    """Find the lattice sites seen in a rectangle of the camera.

    Parameters
    ----------
    lattice_to_camera : Affine
    low_px, high_px : array_like, shape (2,)
        First and last corner, (column, row).
    basis : array_like, shape (b, 2)
        Sites of one cell, lattice coordinates.

    Returns
    -------
    ndarray, shape (n, 2)
        Lattice coordinates, ordered by j, then by i.

    Raises
    ------
    InputError
        If there are more than `MOST_SITES`.

    Examples
    --------
    >>> lattice_sites(Affine([[10, 0], [0, 10]], [5, 5]), [0, 0], [20, 12])
    array([[0., 0.],
           [1., 0.]])
    """
    low, high, cell = np.asarray(low_px, np.float64), np.asarray(high_px, np.float64), np.asarray(basis, np.float64).reshape(-1, 2)
    count = np.prod(high - low) / abs(np.linalg.det(lattice_to_camera.matrix)) * len(cell)
    if count > MOST_SITES:
        raise InputError(
            f"sites: found about {count:.0f} in the frame; allowed: at most {MOST_SITES} (name those wanted with an arrangement)"
        )
    corners = np.array([[low[0], low[1]], [high[0], low[1]], [low[0], high[1]], high])
    around = lattice_to_camera.inverse().apply(corners)
    i, j = (np.arange(math.floor(a) - 1, math.ceil(b) + 2) for a, b in zip(around.min(axis=0), around.max(axis=0), strict=True))
    ij = (np.stack(np.meshgrid(i, j), axis=-1).reshape(-1, 1, 2) + cell).reshape(-1, 2)
    xy = lattice_to_camera.apply(ij)
    ij = ij[((xy >= low) & (xy <= high)).all(axis=1)]
    return np.asarray(ij[np.lexsort((ij[:, 0], ij[:, 1]))])


def spacing_px(xy_px: Real) -> float:
    """Distance of nearest neighbours: the least one but for a hundredth of the sites; infinite for a single site."""
    from scipy.spatial import KDTree

    if len(xy_px) < 2:
        return math.inf
    return float(np.quantile(KDTree(xy_px).query(xy_px, 2)[0][:, 1], 0.01))


def open_field(frame: Frame, xy_px: Real, spread: Spread, crowded: bool, light: Image | None = None, slope: float | None = None) -> Field:
    """Cut the part of a frame around sites out, and take its background off.

    Parameters
    ----------
    frame : Frame
    xy_px : ndarray, shape (n, 2)
        Places of the sites, (column, row) in the frame.
    spread : Spread
    crowded : bool
        Whether atoms leave no background between them: then a constant is taken off, and the noise is that of the finest detail.
    light : ndarray, shape (rows, columns), optional
        Of the atoms on the whole frame as far as it is known.
    slope : float, optional
        Variance per count of light; for frames that do not tell their electrons per count.
    """
    if frame.electrons_per_count is not None:
        slope = 1 / (frame.electrons_per_count * frame.shots)
    margin = math.ceil(spread.reach_px) + 2
    columns, rows = (_span(xy_px[:, axis], margin, frame.shape[1 - axis]) for axis in (0, 1))
    part, corner = (slice(*rows), slice(*columns)), (rows[0], columns[0])
    usable, xy = np.ascontiguousarray(frame.usable[part]), xy_px - [columns[0], rows[0]]
    if crowded:
        return _crowded_field(np.asarray(frame.signal[part]), usable, spread, max(frame.rounding**2, 1e-12), slope, xy, corner)
    level, noise = background(frame, spread.width_px, light, slope or 0.0)
    signal = np.ascontiguousarray(np.where(frame.usable, frame.signal - level, 0)[part], np.float32)
    return Field(signal, usable, np.ascontiguousarray(noise[part].astype(np.float32) ** 2), slope or 0.0, xy, corner)


def _crowded_field(
    signal: Image, usable: Flags, spread: Spread, least: float, slope: float | None, xy: Real, corner: tuple[int, int]
) -> Field:
    """A field without background to be seen."""
    from scipy.ndimage import gaussian_filter

    filled_up = np.where(usable, signal, np.median(signal[usable]) if usable.any() else 0).astype(np.float32)
    smooth = gaussian_filter(filled_up, spread.width_px)
    level = np.float32(np.percentile(smooth, 1))
    detail = np.diff(np.diff(filled_up, axis=0), axis=1).astype(np.float64) ** 2 / 4
    lit = np.maximum(smooth - level, 0)[1:, 1:]
    good = usable[1:, 1:] & usable[:-1, 1:] & usable[1:, :-1] & usable[:-1, :-1]
    floor, slope = noise_law(detail[good], lit[good], slope, least)
    even = np.full(signal.shape, floor, np.float32)
    return Field(np.where(usable, signal - level, 0).astype(np.float32), usable, even, slope, xy, corner)


def noise_law(squares: NDArray[np.floating], light: NDArray[np.floating], slope: float | None, least: float) -> tuple[float, float]:
    """Find how the noise grows with the light: ``variance = floor + slope light``.

    Parameters
    ----------
    squares : ndarray, shape (n,)
        What is left of some pixels, squared.
    light : ndarray, shape (n,)
        Counts of light in them, 0 or more.
    slope : float or None
        Variance per count, if it is known.
    least : float
        Least floor.

    Returns
    -------
    floor, slope : float

    Notes
    -----
    Least squares weighted with the expected scatter of a square, ``variance sqrt(2)``; squares beyond four standard deviations are left
    out.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> light = rng.uniform(0, 50, 40000)
    >>> floor, slope = noise_law(rng.normal(0, np.sqrt(4 + 0.5 * light)) ** 2, light, None, 0.01)
    >>> abs(floor - 4) < 0.5, abs(slope - 0.5) < 0.03
    (True, True)
    """
    from scipy.optimize import nnls

    squares, light = squares.astype(np.float64)[:: len(squares) // 100_000 + 1], light.astype(np.float64)[:: len(light) // 100_000 + 1]
    expected = np.full(len(squares), max(float(np.median(squares)) / 0.455, least))  # the median of chi^2 with one degree of freedom
    floor, found = least, slope or 0.0
    for _ in range(6):
        weight = (squares < 16 * expected) / expected
        if slope is None:
            floor, found = nnls(np.column_stack([weight, light * weight]), squares * weight)[0]
        else:
            floor = float(((squares - slope * light) * weight**2).sum() / max((weight**2).sum(), 1e-30))
        floor = max(float(floor), least)
        expected = floor + found * light
    return floor, float(found)


def with_noise_of(field: Field, model: Image, known: bool) -> Field:
    """The field with the noise that a model leaves; with the slope, too, unless that is `known`."""
    left = (field.signal - model)[field.usable]
    slope = field.slope if known else None
    floor, slope = noise_law(left**2, np.maximum(model, 0)[field.usable], slope, 0.02 * float(field.floor.mean()))
    return replace(field, floor=np.full_like(field.floor, floor), slope=slope)


def _span(places: Real, margin: int, length: int) -> tuple[int, int]:
    """First pixel, and the one after the last, around some places along an axis."""
    low, high = math.floor(places.min()) - margin, math.ceil(places.max()) + margin + 1
    return min(max(low, 0), length - 1), max(min(high, length), 1)


def on_frame(field: Field, stamps: Stamps, counts: Real, shape: tuple[int, int]) -> Image:
    """Draw the light of the sites of a field on the whole frame of a shape (rows, columns)."""
    moved = Stamps(stamps.light, stamps.left + field.corner[1], stamps.top + field.corner[0])
    return image_of(moved, counts, shape)


def seen_slope(field: Field, model: Image) -> float:
    """Estimate the variance per count of light from what a model of the light leaves between the background's own noise."""
    lit = field.usable & (model > 0.05 * model.max())
    rest = (field.signal - model)[lit].astype(np.float64) ** 2 - field.floor[lit]
    rest = np.minimum(rest, 25 * np.median(np.abs(rest)))
    return float(max((rest * model[lit]).sum() / (model[lit].astype(np.float64) ** 2).sum(), 0.0))


def noise_differs(one: Field, other: Field, model: Image) -> bool:
    """Whether the noise of two fields differs by so much that the weights of their pixels do."""
    light = np.float32(max(float(np.median(model)), 0.0))
    variances = [float(np.median(field.floor)) + field.slope * np.array([0.0, light]) for field in (one, other)]
    return bool(np.abs(np.log(variances[0] / variances[1])).max() > 0.2)


# ---------------------------------------------------------------------------------------------------------------------
# sites that stand apart


def summed_light(field: Field, stamps: Stamps, brightness: float = 0.0) -> Light:
    """Sum the light of each site with the weights that tell an atom from none best.

    Parameters
    ----------
    field : Field
    stamps : Stamps
        Light of the sites.
    brightness : float
        Counts of an atom, as far as they are known: its own noise counts too.

    Returns
    -------
    Light

    Notes
    -----
    The weights of the likelihood ratio of an atom against none for Poisson counts on a background, ``log(1 + atom / background)`` in each
    pixel (J. Neyman and E. S. Pearson, Phil. Trans. R. Soc. A 231, 289 (1933), from memory); read noise counts as so much background. For
    faint atoms they are the matched filter.
    """
    usable = field.usable.astype(np.float32)
    seen = gathered(usable, stamps)
    floor = gathered(field.floor * usable, stamps) / np.maximum(seen, 1e-6)
    ratio = np.asarray(field.slope * brightness / np.maximum(floor, 1e-30), np.float32)[:, None, None]
    own = np.maximum(stamps.light, 0)
    weights = np.where(ratio > 1e-3, np.log1p(ratio * own) / np.maximum(ratio, 1e-6), own)
    with_weights = [replace(stamps, light=part) for part in (weights, weights * own, weights**2, weights**2 * own)]
    total, norm = gathered(field.signal * usable, with_weights[0]), np.maximum(gathered(usable, with_weights[1]), 1e-12)
    dark, lit = gathered(field.floor * usable, with_weights[2]) / norm**2, gathered(usable, with_weights[3]) / norm**2
    counts = total / norm
    variance = np.where(seen > 0.02, dark, np.inf)
    usual = float(np.median(variance))
    relative = np.clip(variance / usual, 1e-3, 1e9)
    return Light(counts, np.sqrt(dark + field.slope * lit * np.maximum(counts, 0)), relative)


def summed_twice(field: Field, stamps: Stamps) -> Light:
    """Sum the light of each site, then again with the brightness of an atom known from the first time."""
    first = summed_light(field, stamps)
    try:
        peaks = fit_peaks(first.counts, first.variance)
    except CalibrationError:
        return first
    return summed_light(field, stamps, peaks.filled - peaks.empty)


# ---------------------------------------------------------------------------------------------------------------------
# sites that overlap


def coupled(field: Field, spread: Spread, stamps: Stamps, model: Image | None = None, like: Normal | None = None) -> Normal:
    """Set up the normal equations of a field, of the same neighbours as those `like` it.

    `model` is the light of the field as far as it is known, by default the blurred frame.
    """
    from scipy.ndimage import gaussian_filter

    light = gaussian_filter(field.signal, spread.width_px) if model is None else model
    weights = field.usable / (field.floor + np.float32(field.slope) * np.maximum(light, 0))
    shapes = _shapes(field)
    return normal_equations(field.signal, weights.astype(np.float32), stamps, field.xy, 2 * spread.reach_px, shapes, like)


def _shapes(field: Field) -> Image:
    """Of a slow background: a constant, slopes and curvatures, shape (q, rows, columns); in a small field the constant alone."""
    rows, columns = field.signal.shape
    down, across = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    shapes = np.stack([np.ones_like(down), across, down, across**2, across * down, down**2]).astype(np.float32)
    return shapes if len(field.xy) > _MANY else shapes[:1]


def background_of(normal: Normal, counts: Real, field: Field) -> Image:
    """Draw the slow background that goes with some light of the sites."""
    return np.tensordot(shapes_for(normal, counts).astype(np.float32), _shapes(field), 1)


@dataclass(frozen=True)
class Atoms:
    """The light of atoms: mean and standard deviation in counts, and the share of filled sites."""

    mean: float
    spread: float
    share: float


def smooth_light(normal: Normal) -> Real:
    """Light of each site if its neighbours had as much, shape (n,)."""
    dark = np.zeros(len(normal.pull))
    alike = times(normal, dark + 1)
    return np.asarray((normal.pull - normal.shapes @ shapes_for(normal, dark)) / np.maximum(alike, 1e-30))


def light_around(field: Field, spread: Spread) -> Real:
    """Light of the pixels around each site, blurred, shape (n,)."""
    from scipy.ndimage import gaussian_filter

    smooth = gaussian_filter(field.signal, spread.width_px)
    column, row = np.clip(np.rint(field.xy).astype(np.int64), 0, np.array(smooth.shape[::-1]) - 1).T
    return np.asarray(smooth[row, column], np.float64)


def linear_start(normal: Normal) -> tuple[Real, Atoms, Real]:
    """Find the light of overlapping sites by regularised least squares, with what it needs to know of the atoms.

    Returns
    -------
    counts : ndarray, shape (n,)
    atoms : Atoms
    belief : ndarray, shape (n,)
        Probability that each site is filled, as far as the linear light tells.
    """
    smooth, alone = smooth_light(normal), normal.pull / np.maximum(normal.diagonal, 1e-30)
    lit = smooth > LIT * np.quantile(smooth, 0.98)  # the rest is empty all around, and would hide the peaks
    guesses = max(2 * float(np.median(smooth[lit])), 1e-9), max(float(np.quantile(alone, 0.98)), 1e-9)  # of many atoms, of a few
    _, _, counts, atoms, split = max((_settled(normal, lit, guess) for guess in guesses), key=lambda found: found[:2])
    peaks = _peaks_or_none(counts[lit])
    return counts, atoms, np.where(counts > split, 0.9, 0.1) if peaks is None else peaks.probability(counts)


def _settled(normal: Normal, lit: Flags, mean: float) -> tuple[float, float, Real, Atoms, float]:
    """Linear light and the brightness of atoms in turn: gain in likelihood, brightness, light, atoms, and what splits empty from filled."""
    atoms, full = Atoms(mean, _VARIED * mean, 0.5), 0.5
    for _ in range(_TURNS):
        near = np.where(lit, full, 0.02)
        variance = near * (1 - near) * atoms.mean**2 + near * atoms.spread**2
        counts = linear_light(normal, near * atoms.mean, variance)
        peaks = _peaks_or_none(counts)
        splits = [best_split(counts[lit])] + ([] if peaks is None else [peaks.threshold])
        gain, brightness, split = max((*_brightness(normal, (counts > split).astype(np.float64)), split) for split in splits)
        share = float(np.clip((counts > split).mean(), 0.5 / len(counts), 1 - 0.5 / len(counts)))
        atoms, full = Atoms(brightness, _VARIED * brightness, share), float(np.clip((counts > split)[lit].mean(), 0.02, 0.9))
    return gain, brightness, counts, atoms, split


def _peaks_or_none(counts: Real) -> Peaks | None:
    try:
        return fit_peaks(counts)
    except CalibrationError:
        return None


def _brightness(normal: Normal, filled: Real) -> tuple[float, float]:
    """Gain in likelihood, and light of an atom, if some sites are filled, all alike, by least squares together with the background."""
    row = normal.shapes.T @ filled
    back = np.linalg.solve(normal.own, np.column_stack([row, normal.flat]))
    own = max(float(filled @ times(normal, filled) - row @ back[:, 0]), 1e-30)
    pull = float(filled @ normal.pull - row @ back[:, 1])
    return pull * abs(pull) / own, max(pull / own, 1e-9)


def bounded_twice(field: Field, spread: Spread, stamps: Stamps, normal: Normal, start: Real, atoms: Atoms) -> tuple[Real, Normal]:
    """Find the light of overlapping sites between none and that of a bright atom, for the Poisson likelihood.

    Returns
    -------
    counts : ndarray, shape (n,)
    normal : Normal
        The normal equations with the weights that belong to the light.
    """
    top = atoms.mean + 3 * atoms.spread
    counts = bounded_light(normal, start, top)
    normal = coupled(field, spread, stamps, image_of(stamps, counts, field.signal.shape), normal)
    return bounded_light(normal, counts, top), normal


def alone(normal: Normal, mean_light: Real) -> Real:
    """Light of each site if all others have their mean light, shape (n,)."""
    left = normal.pull - times(normal, mean_light) - normal.shapes @ shapes_for(normal, mean_light)
    return np.asarray(mean_light + left / np.maximum(normal.diagonal, 1e-30))


# ---------------------------------------------------------------------------------------------------------------------
# the spread


def spread_from(frame: Frame, xy_px: Real, width_px: float) -> Spread:
    """Measure the spread of atoms on a lattice, from isolated ones where there are enough, from all otherwise.

    Parameters
    ----------
    frame : Frame
    xy_px : ndarray, shape (n, 2)
        Places of the sites that may hold atoms, (column, row).
    width_px : float
        Width of the spots to start from.

    Returns
    -------
    Spread

    Raises
    ------
    CalibrationError
        If there are too few atoms, or they overlap too much.
    """
    spacing, spots = spacing_px(xy_px), find_spots(frame, width_px)
    spread = gaussian_spread(width_px, 6.5 if spacing < APART * width_px else 4.5)
    home, total, others = _isolated(spots, xy_px, spacing)
    if len(home) >= LEAST_ISOLATED:
        field = open_field(frame, home, spread, False)
        return measure_spread(field.signal, _clear_of(field, others, spread.reach_px), field.xy, total, spread)
    if spacing < LEAST_SPACING * width_px:
        told = f"{len(home)} isolated atoms in it, and sites {spacing:.2g} px apart with spots {width_px:.2g} px wide"
        raise CalibrationError(
            f"frame: found {told}; needed to measure the spread of an atom's light: a frame with {LEAST_ISOLATED} of them"
        )
    return _spread_of_all(frame, xy_px, spread, spacing < APART * width_px)


def _isolated(spots: Spots, xy_px: Real, spacing: float) -> tuple[Real, Real, Real]:
    """Sites and light of the isolated atoms among spots, and the places of all other bright spots."""
    from scipy.spatial import KDTree

    if len(spots) < 2:
        return np.zeros((0, 2)), np.zeros(0), np.zeros((0, 2))
    bright = spots.total > 0.3 * np.median(np.sort(spots.total)[-20:])
    xy = spots.xy_px[bright]
    beside = KDTree(xy).query(xy, 2)[0][:, 1] if len(xy) > 1 else np.full(len(xy), np.inf)
    off, site = KDTree(xy_px).query(xy)
    lonely = (beside > ISOLATED * spots.width_px) & (spots.flags[bright] & (SATURATED | EDGE | HOT) == 0)
    lonely &= off < min(0.5 * spacing, spots.width_px)
    return xy_px[site[lonely]], spots.total[bright][lonely], xy[~lonely]


def _clear_of(field: Field, others: Real, reach: float) -> Image:
    """Weights of the pixels of a field that no light of others reaches, 0 elsewhere."""
    from scipy.spatial import KDTree

    weights = (field.usable / field.floor).astype(np.float32)
    if len(others):
        row, column = np.indices(field.signal.shape)
        pixels = np.column_stack([column.ravel() + field.corner[1], row.ravel() + field.corner[0]])
        lit = np.isfinite(KDTree(others).query(pixels, distance_upper_bound=reach)[0])
        weights[lit.reshape(weights.shape)] = 0
    return weights


def _spread_of_all(frame: Frame, xy_px: Real, spread: Spread, crowded: bool) -> Spread:
    """The spread of all atoms together, overlaps and all; atoms and spread are found in turn."""
    light: Image | None = None
    for _ in range(2):
        field = open_field(frame, xy_px, spread, crowded, light)
        stamps = stamps_of(spread, field.xy)
        counts, filled = _atoms_in(field, spread, stamps, crowded)
        weights = (field.usable / field.floor).astype(np.float32)
        spread = measure_spread(field.signal, weights, field.xy[filled], counts[filled], spread)
        light = on_frame(field, stamps, np.where(filled, counts, 0), frame.shape)
    return spread


def _atoms_in(field: Field, spread: Spread, stamps: Stamps, crowded: bool) -> tuple[Real, Flags]:
    """Light of the sites of a field, and which hold atoms."""
    if not crowded:
        light = summed_twice(field, stamps)
        peaks = fit_peaks(light.counts, light.variance)
        return light.counts - peaks.empty, np.asarray(light.counts > peaks.threshold)
    counts, atoms, belief = linear_start(coupled(field, spread, stamps))
    filled = belief > 0.5
    if filled.sum() < LEAST_SITES:
        raise CalibrationError(f"frame: found {filled.sum()} atoms; needed: {LEAST_SITES} or more to measure their spread")
    return np.full(len(counts), atoms.mean), np.asarray(filled)
