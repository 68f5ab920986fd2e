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
from holo.spread import Image, Real, Spread, Stamps, gaussian_spread, image_of, measure_spread, stamps_of
from holo.threshold import LEAST_SITES, fit_peaks

Flags = NDArray[np.bool_]

MOST_SITES = 60_000
"""Most sites that a frame is read for at once."""

APART = 4.5
"""Distance of neighbours, in widths of a spot, from which on their light is summed site by site: 1.55 Airy radii."""

ISOLATED = 5.0
"""Distance of an atom from the next one, in widths, from which on it tells the spread by itself."""

LEAST_ISOLATED = 8
"""Fewest isolated atoms that the spread is measured from; with fewer, all atoms are used, overlaps and all."""

_VARIED = 0.15
_FEWEST_PIXELS = 4


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


def open_field(frame: Frame, xy_px: Real, spread: Spread, light: Image | None = None, slope: float | None = None) -> Field:
    """Cut the part of a frame around sites out, and take its background off.

    Parameters
    ----------
    frame : Frame
    xy_px : ndarray, shape (n, 2)
        Places of the sites, (column, row) in the frame.
    spread : Spread
    light : ndarray, shape (rows, columns), optional
        Of the atoms on the whole frame as far as it is known.
    slope : float, optional
        Variance per count of light; needed where the frame does not tell its electrons per count.
    """
    if frame.electrons_per_count is not None:
        slope = 1 / (frame.electrons_per_count * frame.shots)
    level, noise = background(frame, spread.width_px, light, slope or 0.0)
    margin = math.ceil(spread.reach_px) + 2
    columns, rows = (_span(xy_px[:, axis], margin, frame.shape[1 - axis]) for axis in (0, 1))
    part = slice(*rows), slice(*columns)
    signal = np.ascontiguousarray(np.where(frame.usable, frame.signal - level, 0)[part], np.float32)
    floor = np.ascontiguousarray(noise[part].astype(np.float32) ** 2)
    usable = np.ascontiguousarray(frame.usable[part])
    return Field(signal, usable, floor, slope or 0.0, xy_px - [columns[0], rows[0]], (rows[0], columns[0]))


def _span(places: Real, margin: int, length: int) -> tuple[int, int]:
    """First pixel, and the one after the last, around some places along an axis."""
    low, high = math.floor(places.min()) - margin, math.ceil(places.max()) + margin + 1
    return min(max(low, 0), length - 1), max(min(high, length), 1)


def on_frame(field: Field, stamps: Stamps, counts: Real, shape: tuple[int, int]) -> Image:
    """Draw the light of the sites of a field on the whole frame of a shape (rows, columns)."""
    moved = Stamps(stamps.light, stamps.left + field.corner[1], stamps.top + field.corner[0])
    return image_of(moved, counts, shape)


def seen_slope(field: Field, model: Image) -> float:
    """Estimate the variance per count of light from what a model leaves; for frames that do not tell their electrons per count."""
    lit = field.usable & (model > 0.05 * model.max())
    rest = (field.signal - model)[lit].astype(np.float64) ** 2 - field.floor[lit]
    rest = np.minimum(rest, 25 * np.median(np.abs(rest)))
    return float(max((rest * model[lit]).sum() / (model[lit].astype(np.float64) ** 2).sum(), 0.0))


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


def coupled(field: Field, spread: Spread, stamps: Stamps, model: Image | None = None) -> Normal:
    """Set up the normal equations of a field; `model` is its light as far as it is known, by default the blurred frame."""
    from scipy.ndimage import gaussian_filter

    light = gaussian_filter(field.signal, spread.width_px) if model is None else model
    weights = field.usable / (field.floor + np.float32(field.slope) * np.maximum(light, 0))
    rows, columns = field.signal.shape
    down, across = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    shapes = np.stack([np.ones_like(down), across, down, across**2, across * down, down**2]).astype(np.float32)
    if field.signal.size < 10 * _FEWEST_PIXELS * len(shapes):
        shapes = shapes[:1]
    return normal_equations(field.signal, weights.astype(np.float32), stamps, field.xy, 2 * spread.reach_px, shapes)


@dataclass(frozen=True)
class Atoms:
    """The light of atoms: mean and standard deviation in counts, and the share of filled sites."""

    mean: float
    spread: float
    share: float


def linear_start(normal: Normal) -> tuple[Real, Atoms, Real]:
    """Find the light of overlapping sites by regularised least squares, with what it needs to know of the atoms.

    Returns
    -------
    counts : ndarray, shape (n,)
    atoms : Atoms
    belief : ndarray, shape (n,)
        Probability that each site is filled, as far as the linear light tells.
    """
    size = len(normal.pull)
    shapes = np.linalg.solve(normal.own, normal.flat)
    alike = times(normal, np.ones(size))
    mean = max(float((normal.pull - normal.shapes @ shapes).sum() / alike.sum()), float(np.max(normal.pull / alike)) / 4, 1e-9)
    atoms, belief = Atoms(2 * mean, 2 * _VARIED * mean, 0.5), np.full(size, 0.5)
    for _ in range(3):
        share = atoms.share
        variance = share * (1 - share) * atoms.mean**2 + share * atoms.spread**2
        counts = linear_light(normal, share * atoms.mean, variance)
        try:
            peaks = fit_peaks(counts)
        except CalibrationError:
            break
        belief = peaks.probability(counts)
        brightness = _brightness(normal, (belief > 0.5).astype(np.float64))
        atoms = Atoms(brightness, max(_VARIED * brightness, 1e-9), float(np.clip(peaks.share, 0.5 / size, 1 - 0.5 / size)))
    return counts, atoms, belief


def _brightness(normal: Normal, filled: Real) -> float:
    """Light of an atom if some sites are filled, all alike, by least squares together with the background."""
    back = np.linalg.solve(normal.own, np.column_stack([normal.shapes.T @ filled, normal.flat]))
    row = normal.shapes.T @ filled
    own = float(filled @ times(normal, filled) - row @ back[:, 0])
    return max(float(filled @ normal.pull - row @ back[:, 1]) / max(own, 1e-30), 1e-9)


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
    model = image_of(stamps, counts, field.signal.shape)
    normal = coupled(field, spread, stamps, model)
    return bounded_light(normal, counts, top), normal


def alone(normal: Normal, mean_light: Real) -> Real:
    """Light of each site if all others have their mean light, shape (n,)."""
    left = normal.pull - times(normal, mean_light) - normal.shapes @ shapes_for(normal, mean_light)
    return np.asarray(mean_light + left / np.maximum(normal.diagonal, 1e-30))


# ---------------------------------------------------------------------------------------------------------------------
# the spread


def spread_from(frame: Frame, xy_px: Real, width_px: float, rounds: int = 2) -> Spread:
    """Measure the spread of atoms on a lattice, from isolated ones where there are enough, from all otherwise.

    Parameters
    ----------
    frame : Frame
    xy_px : ndarray, shape (n, 2)
        Places of the sites that may hold atoms, (column, row).
    width_px : float
        Width of the spots to start from.
    rounds : int
        How many times atoms and spread are found in turn.

    Returns
    -------
    Spread

    Raises
    ------
    CalibrationError
        If empty and filled sites cannot be told apart, or there are fewer than `holo.threshold.LEAST_SITES` atoms.
    """
    spread = gaussian_spread(width_px, 6.5)
    apart = spacing_px(xy_px) >= APART * width_px
    light: Image | None = None
    for _ in range(rounds):
        stamps_frame = open_field(frame, xy_px, spread, light)
        stamps = stamps_of(spread, stamps_frame.xy)
        counts, filled = _atoms_in(stamps_frame, spread, stamps, apart)
        chosen, weights = _telling(stamps_frame, filled, spread.width_px)
        spread = measure_spread(stamps_frame.signal, weights, stamps_frame.xy[chosen], counts[chosen], spread)
        light = on_frame(stamps_frame, stamps, np.where(filled, counts, 0), frame.shape)
    return spread


def _atoms_in(field: Field, spread: Spread, stamps: Stamps, apart: bool) -> tuple[Real, Flags]:
    """Light of the sites of a field, and which hold atoms."""
    if apart:
        light = summed_twice(field, stamps)
        peaks = fit_peaks(light.counts, light.variance)
        return light.counts - peaks.empty, np.asarray(light.counts > peaks.threshold)
    counts, atoms, belief = linear_start(coupled(field, spread, stamps))
    filled = belief > 0.5
    if filled.sum() < LEAST_SITES:
        raise CalibrationError(f"frame: found {filled.sum()} atoms; needed: {LEAST_SITES} or more to measure their spread")
    return np.full(len(counts), atoms.mean), np.asarray(filled)


def _telling(field: Field, filled: Flags, width: float) -> tuple[Flags, Image]:
    """The atoms that tell the spread, and the weights of the pixels around them."""
    from scipy.spatial import KDTree

    xy = field.xy[filled]
    weights = (field.usable / field.floor).astype(np.float32)
    near = KDTree(xy).query(xy, 2)[0][:, 1] if len(xy) > 1 else np.full(len(xy), np.inf)
    lonely = near > 2 * ISOLATED * width
    if lonely.sum() < LEAST_ISOLATED:
        return filled, weights
    chosen = filled.copy()
    chosen[filled] = lonely
    row, column = np.indices(field.signal.shape)
    pixels = np.column_stack([column.ravel(), row.ravel()])
    others = (
        KDTree(xy[~lonely]).query(pixels, distance_upper_bound=ISOLATED * width)[0] if (~lonely).any() else np.full(len(pixels), np.inf)
    )
    weights[np.isfinite(others).reshape(weights.shape)] = 0
    return chosen, weights
