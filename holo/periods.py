"""The lattice that points sit on: structure factor, candidates, choice by likelihood, fit.

The points come from one or several frames of one lattice, which may have drifted as a whole from frame to frame. Lattice vectors are the
columns of a matrix here, as in an `Affine` from lattice coordinates (i, j) to (column, row).

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from holo.arrays import fast_length
from holo.lattice import reduced_vectors

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CLOSEST_PX = 2.0
"""Least spacing that is looked for, pixels."""

_HIGHEST = 1.2 / CLOSEST_PX  # a triangular lattice has its shortest waves at 2 / sqrt(3) over the spacing
_LOWEST = 1.2  # over the extent of the points
_CELL_PX = 0.5
_LONGEST_TRANSFORM = 4096
_START = 600
_RANKED = 200
_CANDIDATES = 12
_ROUNDS = 8
_JITTERS = np.array([0.0, 0.01, 0.02, 0.04, 0.06, 0.08, 0.1, 0.12])  # in spacings
_MOST_JITTER = 4.0  # in errors of the points: a few heaps of points are no lattice
_SHARES = np.array([0.01, 0.03, 0.1, 0.2, 0.35, 0.5, 0.7])
_REACH = 0.08
_PRIMES = (2, 3, 5, 7)


@dataclass(frozen=True, eq=False)
class Cloud:
    """Points of one or several frames.

    Parameters
    ----------
    xy_px : ndarray, shape (n, 2)
    variance : ndarray, shape (n,)
        Of each coordinate of a point, px^2.
    frame : ndarray of int, shape (n,)
        Number of the frame that each comes from, from 0.
    frames : int
        How many frames there are.
    """

    xy_px: Floats
    variance: Floats
    frame: Ints
    frames: int = 1

    def pick(self, keep: NDArray[np.bool_] | Ints) -> Cloud:
        """Take some of the points."""
        return Cloud(self.xy_px[keep], self.variance[keep], self.frame[keep], self.frames)

    @cached_property
    def members(self) -> Floats:
        """1 where a point comes from a frame, else 0, shape (n, frames)."""
        return np.asarray(self.frame[:, None] == np.arange(self.frames), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Period:
    """A lattice fitted to points.

    Notes
    -----
    A point of frame f is expected at ``matrix @ ij + offsets[f]``.
    """

    matrix: Floats
    """Lattice vectors as columns, px, shape (2, 2)."""
    offsets: Floats
    """Place of site (0, 0) in each frame, shape (frames, 2)."""
    spread: Floats
    """Covariance of a row of the matrix and the same coordinate of the offsets, shape (2 + frames, 2 + frames); the same for both rows."""
    ij: Ints
    """Nearest site of each point, shape (n, 2)."""
    residuals: Floats
    """Point minus its site, px, shape (n, 2)."""
    belongs: Floats
    """Probability that each point belongs to the lattice, shape (n,)."""
    outliers: float
    """Share of points that do not."""
    jitter: float
    """Standard deviation of the points around their sites beyond their own errors, px."""
    evidence: float
    """Logarithm of the odds of this lattice against points that lie anywhere."""

    @property
    def cell_px(self) -> float:
        """Area of a cell, px^2."""
        return float(abs(np.linalg.det(self.matrix)))

    @property
    def on(self) -> NDArray[np.bool_]:
        """Which points belong to the lattice, shape (n,)."""
        return np.asarray(self.belongs > 0.5)


def find_period(cloud: Cloud) -> tuple[Period, float] | None:
    """Find the lattice that explains the points best.

    Parameters
    ----------
    cloud : Cloud
        Four points at least.

    Returns
    -------
    period : Period
        With the shortest vectors.
    runner_up : float
        Evidence of the next best lattice; minus infinity if there is none.
        Instead of both, None if there is not even a candidate.

    Notes
    -----
    The waves in which the points are in step are peaks of the structure factor; each pair of them gives a lattice. Lattices are compared
    by the likelihood of the points' places within a cell: Gaussian around the site, or with the probability `outliers` anywhere. A lattice
    n times too fine loses ``ln n`` for each point. The evidence is that likelihood integrated over the parameters by Laplace's method
    (D. J. C. MacKay, Information Theory, Inference, and Learning Algorithms, 2003, ch. 27 and 28; from memory), with a uniform prior for
    waves down to `CLOSEST_PX`.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> sites = rng.permutation(400)[:40]
    >>> xy = np.column_stack([sites % 20, sites // 20]) @ [[6.0, 1.0], [-1.0, 6.0]] + rng.normal(0, 0.1, (40, 2))
    >>> period, runner_up = find_period(Cloud(xy, np.full(40, 0.01), np.zeros(40, int)))
    >>> bool(abs(period.cell_px - 37) < 0.2), bool(period.evidence > runner_up + 20)
    (True, True)
    """
    middle = np.median(cloud.xy_px, axis=0)
    start = cloud.pick(np.argsort(np.hypot(*(cloud.xy_px - middle).T), kind="stable")[:_START])
    found: list[Period] = []
    for matrix, offsets in _candidates(start):
        fitted = fit_period(start, matrix, offsets)
        fitted = None if fitted is None else _coarsest(start, fitted)
        if fitted is not None and not any(_same(fitted.matrix, other.matrix, start) for other in found):
            found.append(fitted)
    found.sort(key=lambda period: -period.evidence)
    if not found:
        return None
    whole = fit_period(cloud, found[0].matrix, _near_last(found[0].matrix, found[0].offsets), found[0].spread)
    if whole is None:
        return None
    return whole, found[1].evidence + whole.evidence - found[0].evidence if len(found) > 1 else -np.inf


def _near_last(matrix: Floats, offsets: Floats) -> Floats:
    """Offsets shifted by whole sites to within half a site of the last one."""
    return np.asarray(offsets - np.round(np.linalg.solve(matrix, (offsets - offsets[-1]).T)).T @ matrix.T)


# ---------------------------------------------------------------------------------------------------------------------
# waves


def structure_factor(cloud: Cloud) -> tuple[Floats, Floats, Floats]:
    """Power of the waves in which the points are in step.

    Parameters
    ----------
    cloud : Cloud

    Returns
    -------
    power : ndarray, shape (rows, columns)
        ``sum_f |sum_n exp(-2 pi i k x_n)|^2 / n``: about 1 where the points are out of step, n where all those of one frame are in step.
    down, across : ndarray
        Wave numbers of the rows and columns, 1/px; those across are not negative.
    """
    from scipy import fft

    low, extent = cloud.xy_px.min(axis=0), float(np.ptp(cloud.xy_px, axis=0).max())
    cell = max(_CELL_PX, 1.3 * extent / _LONGEST_TRANSFORM)
    size = fast_length(int(1.3 * extent / cell) + 4)
    power = np.zeros((size, size // 2 + 1))
    for number in range(cloud.frames):
        column, row = np.round((cloud.xy_px[cloud.frame == number] - low) / cell).astype(np.int64).T
        grid = np.zeros((size, size), dtype=np.float32)
        np.add.at(grid, (row, column), 1)
        power += np.abs(fft.rfft2(grid)) ** 2
    return power / len(cloud.xy_px), np.asarray(np.fft.fftfreq(size, cell), np.float64), np.asarray(np.fft.rfftfreq(size, cell), np.float64)


def _waves(cloud: Cloud) -> Floats:
    """Candidates for the waves of the lattice: the longest and the strongest of the peaks of the structure factor, shape (p, 2)."""
    from scipy.ndimage import maximum_filter

    power, down, across = structure_factor(cloud)
    radius = np.hypot(down[:, None], across)
    extent = max(float(np.ptp(cloud.xy_px, axis=0).max()), 1.0)
    power[(radius < _LOWEST / extent) | (radius > _HIGHEST)] = 0
    row, column = np.nonzero((power == maximum_filter(power, 3, mode="wrap")) & (power > 0.25 * power.max()))
    longest, strongest = np.argsort(radius[row, column], kind="stable")[:40], np.argsort(-power[row, column], kind="stable")[:20]
    pick = np.unique(np.concatenate([longest, strongest]))
    return np.column_stack([across[column[pick]], down[row[pick]]])


def _in_step(cloud: Cloud, waves: Floats) -> tuple[Floats, Floats, Floats]:
    """Fit waves to the points, robustly.

    Returns
    -------
    waves : ndarray, shape (p, 2)
    phases : ndarray, shape (p, frames)
        Of each wave at the origin, turns.
    left : ndarray, shape (p, n)
        By how many turns each point is out of step, -1/2 to 1/2.
    """
    middle = cloud.xy_px.mean(axis=0)
    design = np.column_stack([cloud.xy_px - middle, -cloud.members])
    turns = np.exp(2j * np.pi * waves @ design[:, :2].T)
    phases = np.angle(turns @ cloud.members) / (2 * np.pi)
    for rounds in range(7):
        left = np.column_stack([waves, phases]) @ design.T
        left -= np.round(left)
        if rounds == 6:
            break
        scale = 3 * np.median(np.abs(left), axis=1, keepdims=True) + 1e-4
        weights = 1 / (1 + (left / scale) ** 2) ** 2
        normal = np.einsum("pn,na,nb->pab", weights, design, design) + 1e-9 * np.eye(design.shape[1])
        step = np.linalg.solve(normal, ((weights * left) @ design)[..., None])[..., 0]
        waves, phases = waves - step[:, :2], phases - step[:, 2:]
    return waves, phases + (waves @ middle)[:, None], left


# ---------------------------------------------------------------------------------------------------------------------
# lattices


def _candidates(cloud: Cloud) -> list[tuple[Floats, Floats]]:
    """The lattices of pairs of waves that explain the points best: matrix and offsets of each, best first."""
    waves, phases, left = _in_step(cloud, _waves(cloud))
    pairs = np.array(list(combinations(range(len(waves)), 2)), dtype=np.int64).reshape(-1, 2)
    bases = waves[pairs]
    sine = np.abs(np.linalg.det(bases)) / np.hypot(*np.moveaxis(bases, -1, 0)).prod(axis=1)
    pairs, bases = pairs[sine > 0.2], bases[sine > 0.2]
    matrices = np.linalg.inv(bases)
    some = np.unique(np.linspace(0, len(cloud.xy_px) - 1, _RANKED).astype(np.int64))
    scores = np.concatenate([np.zeros(0), *(_scores(cloud, left[pairs[p]], matrices[p], some) for p in _blocks(len(pairs)))])
    found: list[tuple[Floats, Floats]] = []
    for best in np.argsort(-scores, kind="stable"):
        if not any(_same(matrices[best], matrix, cloud) for matrix, _ in found):
            found.append((matrices[best], (matrices[best] @ phases[pairs[best]]).T))
        if len(found) == _CANDIDATES:
            break
    return found


def _blocks(length: int, size: int = 128) -> list[slice]:
    return [slice(start, start + size) for start in range(0, length, size)]


def _scores(cloud: Cloud, left: Floats, matrices: Floats, some: Ints) -> Floats:
    """Gains of some lattices, for some of the points."""
    square = (np.einsum("pab,pbn->pan", matrices, left[:, :, some]) ** 2).sum(axis=1)
    return lattice_gain(square, cloud.variance[some], np.abs(np.linalg.det(matrices)))[0]


def lattice_gain(square: Floats, variance: Floats, cell: Floats) -> tuple[Floats, Floats, Floats]:
    """Largest logarithm of the likelihood of points over that of points anywhere, and where it is reached.

    Parameters
    ----------
    square : ndarray, shape (p, n)
        Squared distances of n points from the sites of p lattices, px^2.
    variance : ndarray, shape (n,)
    cell : ndarray, shape (p,)
        Areas of the cells, px^2.

    Returns
    -------
    gain, jitter, outliers : ndarray, shape (p,)
    """
    best, jitter, outliers = np.full(len(cell), -np.inf), np.zeros(len(cell)), np.zeros(len(cell))
    most = _MOST_JITTER * float(np.sqrt(np.median(variance)))
    for relative in _JITTERS:
        more = np.minimum(relative * np.sqrt(cell), most)
        spread = variance + more[:, None] ** 2
        density = cell[:, None] / (2 * np.pi * spread) * np.exp(-square / (2 * spread))
        for share in _SHARES:
            value = np.log((1 - share) * density + share).sum(axis=1)
            better = value > best
            best[better], jitter[better], outliers[better] = value[better], more[better], share
    return best, jitter, outliers


def _same(one: Floats, other: Floats, cloud: Cloud) -> bool:
    """Whether two matrices mean the same lattice, to a quarter of a site over the extent of the points."""
    change = np.linalg.solve(one, other)
    whole = np.round(change)
    sites = float(np.ptp(cloud.xy_px, axis=0).max()) / np.sqrt(abs(np.linalg.det(one)))
    return bool(abs(abs(np.linalg.det(whole)) - 1) < 0.1 and np.abs(change - whole).max() < 0.25 / max(sites, 1.0))


def fit_period(cloud: Cloud, matrix: Floats, offsets: Floats, spread: Floats | None = None) -> Period | None:
    """Fit a lattice to points, with a share of points that belong to none.

    Parameters
    ----------
    cloud : Cloud
    matrix : ndarray, shape (2, 2)
        Lattice vectors to start from, as columns; others that span the same lattice may come back.
    offsets : ndarray, shape (frames, 2)
    spread : ndarray, shape (2 + frames, 2 + frames), optional
        How well the start is known (`Period.spread`). If it is given the fit grows from where it tells the site of a point for sure.

    Returns
    -------
    Period or None
        None if fewer than four points belong to the lattice, or those on one line.

    Notes
    -----
    Weighted least squares for the parameters and the probability of each point to belong to the lattice, in turn (A. P. Dempster,
    N. M. Laird and D. B. Rubin, J. R. Stat. Soc. B 39, 1 (1977), expectation and maximisation; from memory). The covariance is multiplied
    by the reduced chi^2 where that exceeds 1.
    """
    if spread is None:
        matrix = reduced_vectors(matrix.T).T
    growing = spread is not None
    for _ in range(_ROUNDS):
        seen = _seen(cloud, matrix, offsets, spread if growing else None)
        spread = _inverse(seen.design.T @ (seen.weights[:, None] * seen.design))
        if (seen.belongs > 0.5).sum() < 4 or spread is None:
            return None
        step = spread @ (seen.design.T @ (seen.weights[:, None] * seen.residuals))
        matrix, offsets = matrix + step[:2].T, offsets + step[2:]
        if abs(np.linalg.det(matrix)) < 0.1 * seen.cell:
            return None
    if spread is None:
        return None
    spare = max(2 * seen.belongs.sum() - 2 * len(spread), 1.0)
    scale = max(1.0, float(seen.weights @ (seen.residuals**2).sum(axis=1)) / spare)
    evidence = seen.gain + _occam(spread, seen.cell, cloud.frames)
    ij = seen.design[:, :2].astype(np.int64)
    return Period(matrix, offsets, scale * spread, ij, seen.residuals, seen.belongs, seen.outliers, seen.jitter, evidence)


@dataclass(frozen=True, eq=False)
class _Seen:
    """Points as a lattice explains them."""

    design: Floats
    """Site and frame of each point, shape (n, 2 + frames)."""
    residuals: Floats
    belongs: Floats
    weights: Floats
    cell: float
    gain: float
    jitter: float
    outliers: float


def _seen(cloud: Cloud, matrix: Floats, offsets: Floats, spread: Floats | None) -> _Seen:
    """Explain points by a lattice, those whose site the `spread` of its parameters leaves open not at all."""
    cell = float(abs(np.linalg.det(matrix)))
    ij = np.round(np.linalg.solve(matrix, (cloud.xy_px - offsets[cloud.frame]).T).T)
    residuals = cloud.xy_px - ij @ matrix.T - offsets[cloud.frame]
    design, square = np.column_stack([ij, cloud.members]), (residuals**2).sum(axis=1)
    sure = np.ones(len(ij), dtype=bool)
    if spread is not None:
        sure = np.einsum("na,ab,nb->n", design, spread, design) < _REACH**2 * cell
    gain, jitter, outliers = (float(value[0]) for value in lattice_gain(square[None, sure], cloud.variance[sure], np.array([cell])))
    variance = cloud.variance + jitter**2
    density = (1 - outliers) * cell / (2 * np.pi * variance) * np.exp(-square / (2 * variance))
    belongs = sure * density / (density + outliers)
    return _Seen(design, residuals, belongs, belongs / variance, cell, gain, jitter, outliers)


def _inverse(normal: Floats) -> Floats | None:
    """Inverse of a symmetric positive matrix, or None where there is none to tell of."""
    size = np.sqrt(np.diag(normal))
    if not (size > 0).all():
        return None
    scaled = normal / size / size[:, None]
    if np.linalg.eigvalsh(scaled)[0] < 1e-9:
        return None
    return np.asarray(np.linalg.inv(scaled) / size / size[:, None])


def matrix_prior(cell: float) -> float:
    """Logarithm of the prior probability, per px^4, of lattice vectors that span a cell of some px^2.

    It is uniform in the two waves up to the highest that is looked for, ``k`` (their order and signs do not matter: 8 ways), which in the
    matrix is ``8 / (pi k^2)^2 / cell^4``.
    """
    return float(np.log(8 / (np.pi * _HIGHEST**2) ** 2) - 4 * np.log(cell))


def _occam(spread: Floats, cell: float, frames: int) -> float:
    """Logarithm of the share of the prior that the fitted parameters keep; 3 more are taken for the two parameters of the mixture."""
    return float(matrix_prior(cell) - frames * np.log(cell) + np.linalg.slogdet(2 * np.pi * spread)[1] - 3)


def _coarsest(cloud: Cloud, period: Period) -> Period:
    """The period, or one of the coarser lattices in it if that explains the points better."""
    better: Period | None = period
    while better is not None:
        period, better = better, None
        for prime in _PRIMES:
            for i, j in [(1, step) for step in range(prime)] + [(0, 1)]:
                count = np.bincount((i * period.ij[:, 0] + j * period.ij[:, 1]) % prime, period.belongs, prime)
                if count.max() > 0.6 * count.sum():
                    coarse = _coarser(cloud, period, prime, (i, j), int(np.argmax(count)))
                    if coarse is not None and coarse.evidence > (better or period).evidence:
                        better = coarse
    return period


def _coarser(cloud: Cloud, period: Period, prime: int, way: tuple[int, int], rest: int) -> Period | None:
    """Fit the sites with ``way @ ij = rest`` modulo a prime."""
    vectors = np.array([[prime, -way[1]], [0, 1]] if way[0] else [[1, 0], [0, prime]])
    shift = np.array([rest, 0] if way[0] else [0, rest])
    return fit_period(cloud, period.matrix @ vectors, period.offsets + period.matrix @ shift)
