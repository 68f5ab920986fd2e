"""The phase and the brightness of patches of the panel, from the fringes that two of them make in one spot.

Two patches that send their light to the same place make fringes there, in the wide spot of a patch; where the fringes lie tells how the
phases of the two differ, and all their light how bright they are (T. Cizmar, M. Mazilu and K. Dholakia, Nature Photonics 4, 388 (2010),
doi:10.1038/nphoton.2010.85, from memory). Here each frame has many pairs, each in a spot of its own; pairs are neighbours, so that phases
hardly wrap, and there are three times as many pairs as patches, so that they check each other.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holo.bench import Bench, pupil_radii
from holo.field.path import LightPath
from holo.wavefront import Grid, Light, Real, Single, View, fields, over_pixels
from holo.wavefront_fit import widened
from holo.zernike import noll, zernike

STEPS = ((1, 0), (0, 1), (1, 1))
"""From a patch to those neighbours, in columns and rows, that it makes pairs with."""

LEAST_SHARE = 0.5
"""Least share of a cell that has to lie inside the pupil for a patch."""

LEAST_POWER = 0.02
"""Least power of a patch over that of the brightest."""

GROWTH = (0.4, 0.55, 0.7, 0.85, 1.0)
"""Radii, over that of the outermost patch, within which phases are unwrapped, one after the other."""

A_TERM = 4
"""Pairs per term that the unwrapping asks for."""

ROUNDS = 12
"""Most rounds of fitting terms and unwrapping anew."""


@dataclass(frozen=True, eq=False)
class Patches:
    """Square patches of the panel.

    Attributes
    ----------
    number : ndarray of int, shape (rows, columns)
        Of the patch that each pixel belongs to; -1 for none.
    cell : ndarray of int, shape (n, 2)
        (column, row) of each patch among the cells.
    across : int
        Cells across the pupil.
    radius : ndarray, shape (n,)
        Of the middle of each patch, over the pupil's.
    pairs : ndarray of int, shape (m, 2)
        Neighbours along rows, columns and one diagonal.
    """

    number: NDArray[np.int64]
    cell: NDArray[np.int64]
    across: int
    radius: Real
    pairs: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.cell)

    def mean(self, values: Real, weights: Real) -> Real:
        """Weighted mean over each patch of values on the panel, shape (rows, columns).

        Parameters
        ----------
        values, weights : ndarray, shape (rows, columns)
            On each pixel of the panel.

        Returns
        -------
        ndarray, shape (n,)
            For each of the n patches.
        """
        inside = self.number >= 0
        number, weight = self.number[inside], weights[inside]
        return np.asarray(np.bincount(number, values[inside] * weight, len(self)) / np.bincount(number, weight, len(self)))

    def on_panel(self, values: Real, bench: Bench) -> Real:
        """Interpolate one value per patch to each pixel of the panel, linearly; beyond the patches the nearest one counts.

        Parameters
        ----------
        values : ndarray, shape (n,)
            One for each patch, thought to be that of its middle.
        bench : Bench

        Returns
        -------
        ndarray, shape (rows, columns)
        """
        from scipy.ndimage import distance_transform_edt, map_coordinates

        cells = np.full((self.across, self.across), np.nan)
        cells[self.cell[:, 1], self.cell[:, 0]] = values
        nearest = distance_transform_edt(np.isnan(cells), return_distances=False, return_indices=True)
        column, row = (_places(axis, bench, self.across) - 0.5 for axis in (bench.panel.x_um, bench.panel.y_um))
        return np.asarray(map_coordinates(cells[tuple(nearest)], np.meshgrid(row, column, indexing="ij"), order=1, mode="nearest"))


def patches_of(bench: Bench, path: LightPath, across: int) -> Patches:
    """Divide the lit part of the pupil into patches.

    Parameters
    ----------
    bench : Bench
    path : LightPath
    across : int
        Cells across the pupil.

    Returns
    -------
    Patches

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.field.path import light_path
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> patches = patches_of(bench, light_path(bench), 12)
    >>> len(patches), len(patches.pairs)
    (112, 295)
    """
    column, row = (np.floor(_places(axis, bench, across)).astype(np.int64) for axis in (path.x_um, path.y_um))
    inside = ((row >= 0) & (row < across))[:, None] & (column >= 0) & (column < across)
    cell = np.where(inside, row[:, None] * across + column, across**2)
    area = (2 * bench.pupil_radius_um / across / bench.panel.pitch_um) ** 2
    share, power = (np.bincount(cell.ravel(), part.ravel(), across**2 + 1)[:-1] for part in (path.amplitude > 0, path.amplitude**2))
    used = np.flatnonzero((share >= LEAST_SHARE * area) & (power >= LEAST_POWER * power.max()))
    number = np.full(across**2 + 1, -1)
    number[used] = np.arange(len(used))
    cells = np.column_stack([used % across, used // across])
    middle = (cells + 0.5) * 2 / across - 1
    return Patches(np.where(path.amplitude > 0, number[cell], -1), cells, across, np.hypot(*middle.T), _neighbours(cells))


def _places(axis_um: Real, bench: Bench, across: int) -> Real:
    """Places along an axis of the panel in cells from the pupil's edge."""
    return (axis_um / bench.pupil_radius_um + 1) / 2 * across


def _neighbours(cells: NDArray[np.int64]) -> NDArray[np.int64]:
    """Pairs of cells beside, below, and below and beside each other."""
    place = {(int(column), int(row)): n for n, (column, row) in enumerate(cells)}
    found = [(n, place.get((column + i, row + j))) for (column, row), n in place.items() for i, j in STEPS]
    return np.array([(n, other) for n, other in found if other is not None], np.int64).reshape(-1, 2)


def shared_out(pairs: NDArray[np.int64], spots: int, rng: np.random.Generator) -> list[NDArray[np.int64]]:
    """Share pairs out to frames, a spot each; no patch is in two pairs of a frame.

    Parameters
    ----------
    pairs : ndarray of int, shape (pairs, 2)
        Numbers of the two patches of each.
    spots : int
        Most pairs of a frame.
    rng : numpy.random.Generator

    Returns
    -------
    list of ndarray of int
        Numbers of the pairs of each frame, at most `spots` of them.

    Examples
    --------
    >>> [sorted(part.tolist()) for part in shared_out(np.array([[0, 1], [1, 2], [2, 3]]), 2, np.random.default_rng(0))]
    [[0, 2], [1]]
    """
    waiting, frames = [int(pair) for pair in rng.permutation(len(pairs))], []
    while waiting:
        busy: set[int] = set()
        chosen: list[int] = []
        for pair in waiting:
            if len(chosen) < spots and not busy & set(pairs[pair].tolist()):
                chosen.append(pair)
                busy |= set(pairs[pair].tolist())
        waiting = [pair for pair in waiting if pair not in chosen]
        frames.append(np.array(chosen))
    return sorted(frames, key=len, reverse=True)


def patch_lights(patches: Patches, path: LightPath, grid: Grid) -> Light:
    """Light of each patch on the pupil's grid, demodulated, shape (n, nv, nu).

    Parameters
    ----------
    patches : Patches
    path : LightPath
        Its amplitude is spread.
    grid : Grid
        Of the pupil, for all patches alike.

    Returns
    -------
    Light, shape (n, nv, nu)
        Over the amplitude of the whole beam.
    """
    light = np.empty((len(patches), *grid.rho.shape), np.complex64)
    for n in range(len(patches)):
        row, column = np.nonzero(patches.number == n)
        spread = grid.spread(np.column_stack([path.x_um[column], path.y_um[row]]))
        light[n] = spread((path.amplitude[row, column] / path.amplitude_sum).astype(np.complex128))
    return light


@dataclass(frozen=True, eq=False)
class Fringes:
    """What the fringes of some pairs tell.

    Attributes
    ----------
    turns : ndarray, shape (m,)
        Phase of the first patch of a pair over that of the second, in periods, from -1/2 to 1/2.
    error : ndarray, shape (m,)
        Its standard error.
    light : ndarray, shape (m,)
        Light of both over that of the believed beam, in counts.
    unexplained : ndarray, shape (m,)
        Share of the variance of a window that the model leaves.
    """

    turns: Real
    error: Real
    light: Real
    unexplained: Real


def read_fringes(view: View, counts: Single, usable: NDArray[np.bool_], gain: float, first: Light, second: Light) -> Fringes:
    """Fit the fringes of pairs of patches to windows of a frame.

    Parameters
    ----------
    view : View
    counts, usable : ndarray, shape (m, side, side)
    gain : float
        Electrons per count, times the shots; NaN where it is not known.
    first, second : ndarray of complex64, shape (m, nv, nu)
        Light of the patches of each pair on the pupil's grid, with all that is known of their phases.

    Returns
    -------
    Fringes

    Notes
    -----
    The light ``|a E_1 + b E_2|^2 = |a|^2 |E_1|^2 + |b|^2 |E_2|^2 + 2 Re(a b*) Re(E_1 E_2*) - 2 Im(a b*) Im(E_1 E_2*)`` on a background is
    linear in five numbers. They are found by weighted least squares; where the model misses more than the noise, the errors grow with it.
    """
    one, two = fields(view, first), fields(view, second)
    mixed = one * two.conj()
    parts = [np.abs(one) ** 2, np.abs(two) ** 2, 2 * mixed.real, -2 * mixed.imag]
    shapes = [over_pixels(view, np.asarray(part, np.float32)) for part in parts]
    told = [_pair(counts[m], usable[m], gain, [shape[m] for shape in shapes]) for m in range(len(counts))]
    return Fringes(*(np.array(column) for column in zip(*told, strict=True)))


def _pair(counts: Single, usable: NDArray[np.bool_], gain: float, shapes: list[Single]) -> tuple[float, float, float, float]:
    """Turns, their error, light and unexplained share of one pair."""
    matrix = np.column_stack([shape[usable].astype(np.float64) for shape in shapes] + [np.ones(usable.sum())])
    scale = np.abs(matrix).max(axis=0)
    matrix, seen = matrix / scale, counts[usable].astype(np.float64)
    floor = float(np.quantile(seen, 0.05))
    spread = 1.0 if np.isnan(gain) else np.maximum(seen - floor, 0.02 * np.ptp(seen)) / gain
    weight = 1 / np.broadcast_to(np.sqrt(spread), seen.shape)
    found = np.linalg.lstsq(matrix * weight[:, None], seen * weight, rcond=1e-10)[0]
    left = (seen - matrix @ found) * weight
    covariance = np.linalg.pinv((matrix * weight[:, None] ** 2).T @ matrix, rcond=1e-10) * (left @ left) / max(len(seen) - 5, 1)
    bright, dim, real, imaginary = found[:4] / scale[:4]
    size = np.hypot(real, imaginary)
    across = np.array([-imaginary, real]) / max(size, 1e-30) ** 2 / scale[2:4]
    error = float(np.sqrt(across @ covariance[2:4, 2:4] @ across)) / (2 * np.pi)
    flat = (seen - np.average(seen, weights=weight**2)) * weight
    return float(np.arctan2(imaginary, real)) / (2 * np.pi), error, float(bright + dim), float(left @ left / max(flat @ flat, 1e-30))


def averaged_terms(patches: Patches, path: LightPath, bench: Bench, terms: Sequence[int]) -> Real:
    """Means of Zernike polynomials over each patch, weighted with the amplitude, shape (n, terms).

    Parameters
    ----------
    patches : Patches
    path : LightPath
    bench : Bench
    terms : sequence of int
        Noll indices.

    Returns
    -------
    ndarray, shape (n, terms)
        For a term of 1 wave rms: waves.
    """
    rho, theta = np.minimum(pupil_radii(bench), 1.0), np.arctan2(path.y_um[:, None], path.x_um[None, :])
    return np.column_stack([patches.mean(zernike(j, rho, theta), path.amplitude) for j in terms])


def nearest_turn(turns: Real) -> Real:
    """Take whole turns off, to -1/2 ... 1/2.

    Parameters
    ----------
    turns : ndarray
        Periods.

    Returns
    -------
    ndarray
        Of the same shape.

    Examples
    --------
    >>> nearest_turn(np.array([0.7, -1.2]))
    array([-0.3, -0.2])
    """
    return np.asarray(turns - np.rint(turns))


def grown_terms(patches: Patches, turns: Real, weights: Real, basis: Real, terms: Sequence[int], limit: float) -> Real:
    """Terms from differences that may be wrapped, within some radius.

    Parameters
    ----------
    patches : Patches
    turns, weights : ndarray, shape (m,)
        Phase differences of the pairs, periods, and one over their variance.
    basis : ndarray, shape (n, terms)
        From `averaged_terms`.
    terms : sequence of int
        Noll indices, in rising order.
    limit : float
        Radius, over that of the outermost patch.

    Returns
    -------
    ndarray, shape (terms,)
        Waves rms; 0 for terms of orders that too few pairs tell.

    Notes
    -----
    In the middle of the pupil neighbours differ by less than half a turn and few terms will do. What they tell, taken off before the
    fringes are read anew, unwraps what lies further out, where more terms join in; see `GROWTH`.
    """
    found = np.zeros(basis.shape[1])
    inside = (patches.radius[patches.pairs] <= limit * patches.radius.max()).all(axis=1)
    order = np.array([noll(j)[0] for j in terms])
    used = order <= max(n for n in [1, *order] if inside.sum() >= A_TERM * (order <= n).sum() or n == 1)
    differences = (basis[patches.pairs[:, 0]] - basis[patches.pairs[:, 1]])[np.ix_(inside, used)]
    for _ in range(ROUNDS):
        left = nearest_turn(turns[inside] - differences @ found[used])
        step = weighted_fit(differences, left, weights[inside])[0]
        found[used] += step
        if np.abs(step).max() < 1e-6:
            break
    return found


def weighted_fit(matrix: Real, values: Real, weights: Real) -> tuple[Real, Real, Real]:
    """Weighted least squares: the numbers, their covariance, widened by chi squared if that is above 1, and what is left.

    Parameters
    ----------
    matrix : ndarray, shape (values, numbers)
    values, weights : ndarray, shape (values,)
        Weights are one over variances.

    Returns
    -------
    found : ndarray, shape (numbers,)
    covariance : ndarray, shape (numbers, numbers)
    left : ndarray, shape (values,)
    """
    root = np.sqrt(weights)
    found = np.asarray(np.linalg.lstsq(matrix * root[:, None], values * root, rcond=None)[0], np.float64)
    left = values - matrix @ found
    chi2 = float(weights @ left**2) / max(len(values) - matrix.shape[1], 1)
    return found, np.linalg.pinv((matrix * weights[:, None]).T @ matrix) * max(chi2, 1.0), left


def widened_by_direction(patches: Patches, matrix: Real, left: Real, weights: Real) -> Real:
    """Covariance of a weighted fit to pairs, shape (terms, terms), that knows of errors which pairs in one direction have in common.

    See `holo.wavefront_fit.widened`; left out are the pairs along rows, columns and the diagonal, one after the other. Three are few, so
    no term is widened less than all of them are in the mean.

    Parameters
    ----------
    patches : Patches
        With its pairs.
    matrix : ndarray, shape (pairs, terms)
        What was fitted.
    left, weights : ndarray, shape (pairs,)
        What the fit left, and one over variances.

    Returns
    -------
    ndarray, shape (terms, terms)
    """
    steps = patches.cell[patches.pairs[:, 1]] - patches.cell[patches.pairs[:, 0]]
    normal, slope = [], []
    for step in STEPS:
        own = (steps == step).all(axis=1)
        normal.append((matrix[own] * weights[own, None]).T @ matrix[own])
        slope.append(matrix[own].T @ (weights[own] * left[own]))
    chi2 = float(weights @ left**2) / max(len(left) - matrix.shape[1], 1)
    covariance = widened(np.array(normal), np.array(slope), max(chi2, 1.0))
    ratio = np.diag(covariance) / np.diag(np.linalg.inv(np.sum(normal, axis=0)))
    wider = np.sqrt(np.maximum(ratio.mean() / ratio, 1.0))
    return np.asarray(covariance * np.outer(wider, wider))


def zones_of(patches: Patches, turns: Real, weights: Real) -> tuple[Real, float]:
    """One phase per patch, periods, of mean 0, from differences, shape (n,), and how far these fail to add up around triangles, rms.

    Parameters
    ----------
    patches : Patches
        With its pairs.
    turns : ndarray, shape (pairs,)
        Phase of the first patch of each less that of the second, periods, whole turns taken care of.
    weights : ndarray, shape (pairs,)
        One over variances.

    Returns
    -------
    phase : ndarray, shape (n,)
        Periods.
    misfit : float
        Periods, for a pair of mean weight.
    """
    signs = np.zeros((len(patches.pairs), len(patches)))
    signs[np.arange(len(signs)), patches.pairs[:, 0]] = 1
    signs[np.arange(len(signs)), patches.pairs[:, 1]] = -1
    found, _, left = weighted_fit(signs, turns, weights)
    freedom = max(len(left) - len(patches) + 1, 1)
    return found - found.mean(), float(np.sqrt((weights @ left**2) / weights.mean() / freedom))


def powers_of(patches: Patches, light: Real, frame: NDArray[np.int64]) -> Real:
    """Power of each patch over that of the believed beam, of mean 1, from the light of pairs.

    Parameters
    ----------
    patches : Patches
    light : ndarray, shape (m,)
        Light of both patches of a pair over that of the believed beam, counts.
    frame : ndarray of int, shape (m,)
        Number of the frame of each pair; frames may be exposed differently.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    Sums of neighbours along rows, columns and a diagonal tell each of them: around a triangle, ``2 p_a = (p_a + p_b) + (p_a + p_c) - (p_b
    + p_c)``.
    """
    both = np.zeros((len(patches.pairs), len(patches)))
    np.add.at(both, (np.arange(len(both))[:, None], patches.pairs), 1.0)
    power, brightness = np.ones(len(patches)), np.ones(frame.max() + 1)
    for _ in range(ROUNDS):
        expected = both @ power
        brightness = np.bincount(frame, light * expected) / np.bincount(frame, expected**2)
        found = np.asarray(np.linalg.lstsq(both, light / brightness[frame], rcond=None)[0], np.float64)
        power = np.maximum(found / found.mean(), 1e-3)
    return power
