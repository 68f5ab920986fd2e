"""Which found spot belongs to which known point, among missing and false ones, and the affine map between them.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.affine import Affine, AffineFit, fit_affine
from holo.checks import check_finite, check_numbers
from holo.errors import CalibrationError

MOST_FOUND = 60
"""Found points, the first of them, that `match_points` looks at."""

BASES = 40
"""Pairs of known points, far apart, that are laid onto pairs of found ones."""

LOOSE, FINE = 0.04, 0.006
"""How near a mapped point must come to a found one, over the extent of the mapped points: for a similarity laid over a
slightly sheared pattern, and once an affine map is fitted."""

STRETCH = 0.25
"""How far the scale may be from the expected one, relative."""

REFINED = 80
"""Maps, the best of them, that are refined."""

SHEAREST = 1.15
"""Largest ratio of the two singular values of a map that a bench can have."""

LEAST_SHARE = 0.5
"""Share of the known points that must be found."""

RIVAL = 0.6
"""Share of the pairs that another map may make in its own way before the answer counts as ambiguous."""

CHANCE = 1e-6
"""Largest probability, over all maps tried, that points laid at random would match as well."""


@dataclass(frozen=True, eq=False)
class Match:
    """Known points and the found ones that belong to them.

    Attributes
    ----------
    affine : Affine
        From known to found points, fitted to the pairs.
    known, found : ndarray of int, shape (k,)
        Numbers of the points of each pair.
    runner_up : int
        Most pairs that another map would make which are not among these.
    chance : float
        Upper bound for the probability that points laid at random would make as many pairs.
    """

    affine: Affine
    known: NDArray[np.intp]
    found: NDArray[np.intp]
    runner_up: int
    chance: float


def match_points(known: ArrayLike, found: ArrayLike, scale: float) -> Match:
    """Match known points with found ones under an affine map of unknown direction, handedness and offset.

    Parameters
    ----------
    known : array_like, shape (n, 2)
        Where points were put.
    found : array_like, shape (m, 2)
        Where points were seen, the surest first; some known ones may be missing, some may be false.
    scale : float
        Expected length in the found points' unit of one unit of the known ones, right to `STRETCH`.

    Returns
    -------
    Match

    Raises
    ------
    CalibrationError
        If no map brings enough points together, another one does nearly as well, or chance would do it too.

    Notes
    -----
    Pairs of known points that lie far apart are laid, by a rotation and a scale, with and without a mirror, onto all pairs of found
    points at a fitting distance (the hypotheses of M. A. Fischler and R. C. Bolles, Commun. ACM 24, 381 (1981), all of them instead of
    a random sample). The best are refined by affine fits to the pairs that they make, at ever smaller distances. The chance is
    the binomial tail of that many coincidences at the density of found points, times the number of hypotheses.

    Examples
    --------
    >>> known = np.array([[0, 0], [9, 1], [2, 7], [8, 8], [5, 3], [1, 4], [6, 9], [3, 1]])
    >>> found = np.vstack([known[::-1] * [-20, 20] + 500, [[410.0, 420.0]]])
    >>> match = match_points(known, found, 21.0)
    >>> match.affine.matrix.round(6), len(match.known)
    (array([[-20.,   0.],
           [  0.,  20.]]), 8)
    """
    check_numbers(known=known, found=found, scale=scale)
    known, found = (np.asarray(points, dtype=np.float64).reshape(-1, 2) for points in (known, found))
    found = found[:MOST_FOUND]
    least = max(4, int(np.ceil(LEAST_SHARE * len(known))))
    if len(found) < least:
        raise CalibrationError(f"spots: found {len(found)} of {len(known)}; needed: {least} or more")
    maps = _hypotheses(known, found, scale)
    extent = scale * np.ptp(known, axis=0).max()
    counts = _coincidences(maps, known, found, LOOSE * extent)
    refined = _refined(maps[np.argsort(-counts, kind="stable")[:REFINED]], known, found, scale, extent)
    if not refined or len(refined[0][1]) < least:
        most = len(refined[0][1]) if refined else 0
        raise CalibrationError(
            f"spots: found {len(found)}, but no map brings more than {most} of them onto the {len(known)} asked for; needed: {least}"
        )
    affine, first, second = refined[0]
    own = set(zip(first.tolist(), second.tolist(), strict=True))
    rival = max((len(set(zip(one.tolist(), two.tolist(), strict=True)) - own) for _, one, two in refined[1:]), default=0)
    chance = _chance(len(first), known, found, FINE * extent, len(maps))
    if rival > RIVAL * len(first):
        raise CalibrationError(f"spots: ambiguous, one map brings {len(first)} of {len(known)} together and another one {rival}")
    if chance > CHANCE:
        raise CalibrationError(
            f"spots: {len(first)} of {len(known)} come together among {len(found)} found, which chance would do with a "
            f"probability of {chance:.1g}; allowed: {CHANCE:g}"
        )
    return Match(affine, first, second, rival, chance)


def robust_affine(
    source: NDArray[np.float64], target: NDArray[np.float64], error: NDArray[np.float64]
) -> tuple[AffineFit, NDArray[np.bool_]]:
    """Fit an affine map to pairs of which some are wrong.

    Parameters
    ----------
    source, target : ndarray, shape (n, 2)
        Pairs of points, three right ones at least.
    error : ndarray, shape (n,)
        Standard error of each coordinate of the target points.

    Returns
    -------
    fit : AffineFit
        Of the pairs that were kept; its residuals are theirs. If they scatter more than their errors say, the excess is taken as a
        further error, the same for all, and is part of the covariance.
    kept : ndarray of bool, shape (n,)

    Raises
    ------
    InputError
        As `fit_affine`.

    Notes
    -----
    Residuals longer than 4 robust standard deviations (1.4826 times the median absolute deviation, P. J. Huber, Robust Statistics, 1981,
    section 5.1; from memory) are left out and the fit repeated until nothing changes. The first fit weighs points by the length of their
    residuals (iterated, the L1 fit), which wrong pairs do not move.
    """
    check_finite("error", error)
    kept = np.ones(len(source), dtype=bool)
    lengths = np.ones(len(source))
    for _ in range(20):
        fit = fit_affine(source, target, np.sqrt(np.maximum(lengths, 1e-3 * np.median(lengths) + 1e-12)))
        lengths = np.hypot(*fit.residuals.T)
    excess = 0.0
    for _ in range(20):
        sigma = np.hypot(error, excess)
        pulls = (target - fit.affine.apply(source)) / sigma[:, None]
        before, kept = kept, np.hypot(*pulls.T) < 4 * np.sqrt(2) * max(1.0, 1.4826 * float(np.median(np.abs(pulls))))
        fit = fit_affine(source[kept], target[kept], sigma[kept])
        excess = _excess(fit.residuals, error[kept])
        if (kept == before).all() and np.allclose(np.hypot(error, excess), sigma, rtol=1e-3):
            break
    return fit, kept


def _excess(residuals: NDArray[np.float64], error: NDArray[np.float64]) -> float:
    """Further standard error, the same for all points, that makes the residuals as large as they should be; 0 if they are no larger."""
    if len(residuals) < 4:
        return 0.0
    freedom = 1 - 6 / residuals.size
    low, high = 0.0, float(np.abs(residuals).max())
    for _ in range(60):
        middle = (low + high) / 2
        chi2 = (residuals**2 / (error[:, None] ** 2 + middle**2)).mean()
        low, high = (middle, high) if chi2 > freedom else (low, middle)
    return low


def _hypotheses(known: NDArray[np.float64], found: NDArray[np.float64], scale: float) -> NDArray[np.float64]:
    """All similarities, mirrored or not, that lay a base pair onto a pair of found points, shape (h, 2, 3): matrix and offset."""
    one, two = _bases(known)
    first, second = (axis.ravel() for axis in np.nonzero(~np.eye(len(found), dtype=bool)))
    spans = found[second] - found[first]
    ends = known[two] - known[one]
    ratio = np.hypot(*spans.T) / np.hypot(*ends.T)[:, None]
    base, pair = np.nonzero(np.abs(ratio / scale - 1) < STRETCH)
    a, b = (values.view(np.complex128).ravel() for values in (np.ascontiguousarray(ends[base]), np.ascontiguousarray(spans[pair])))
    maps = []
    for flipped in (False, True):
        turn = b / (np.conj(a) if flipped else a)
        sign = -1.0 if flipped else 1.0
        matrix = np.stack([turn.real, -sign * turn.imag, turn.imag, sign * turn.real], axis=-1).reshape(-1, 2, 2)
        offset = found[first[pair]] - np.einsum("hab,hb->ha", matrix, known[one[base]])
        maps.append(np.concatenate([matrix, offset[:, :, None]], axis=2))
    return np.concatenate(maps)


def _bases(known: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs of known points among the longest, such that no point belongs to many of them."""
    one, two = np.triu_indices(len(known), 1)
    order = np.argsort(-np.hypot(*(known[two] - known[one]).T), kind="stable")
    uses, most = np.zeros(len(known), dtype=int), max(2, 3 * BASES // len(known))
    chosen: list[int] = []
    for pair in order:
        if uses[one[pair]] < most and uses[two[pair]] < most and len(chosen) < BASES:
            chosen.append(pair)
            uses[[one[pair], two[pair]]] += 1
    return one[chosen], two[chosen]


def _coincidences(maps: NDArray[np.float64], known: NDArray[np.float64], found: NDArray[np.float64], tolerance: float) -> NDArray[np.int64]:
    """Number of known points that each map brings near a found one, shape (h,)."""
    from scipy.spatial import KDTree

    tree = KDTree(found)
    counts = np.zeros(len(maps), dtype=np.int64)
    for start in range(0, len(maps), 20_000):
        part = maps[start : start + 20_000]
        mapped = np.einsum("hab,nb->hna", part[:, :, :2], known) + part[:, None, :, 2]
        distance = tree.query(mapped, distance_upper_bound=tolerance)[0]
        counts[start : start + 20_000] = np.isfinite(distance).sum(axis=1)
    return counts


Candidate = tuple[Affine, NDArray[np.intp], NDArray[np.intp]]
"""A map and the numbers of the known and found points that it brings together."""


def _refined(
    maps: NDArray[np.float64], known: NDArray[np.float64], found: NDArray[np.float64], scale: float, extent: float
) -> list[Candidate]:
    """Affine fits that start from the given maps, the one with the most pairs first, and the closest where several have as many."""
    from scipy.spatial import KDTree

    tree = KDTree(found)
    candidates: dict[bytes, tuple[float, Candidate]] = {}
    for start in maps:
        affine = _closed_in(Affine(start[:, :2], start[:, 2]), known, found, tree, scale, extent)
        if affine is None:
            continue
        one, two = _pairs_within(affine.apply(known), tree, FINE * extent)
        misfit = float(np.hypot(*(affine.apply(known[one]) - found[two]).T).mean()) if len(one) else np.inf
        candidates[two.tobytes() + one.tobytes()] = (misfit / extent - len(one), (affine, one, two))
    return [candidate for _, candidate in sorted(candidates.values(), key=lambda scored: scored[0])]


def _closed_in(
    affine: Affine, known: NDArray[np.float64], found: NDArray[np.float64], tree: object, scale: float, extent: float
) -> Affine | None:
    """Fit again and again to the pairs within ever smaller distances; None if that leads nowhere."""
    fitted: Affine | None = affine
    for share in np.geomspace(LOOSE, FINE, 5):
        if fitted is not None:
            one, two = _pairs_within(fitted.apply(known), tree, share * extent)
            fitted = _plausible(known[one], found[two], scale)
    return fitted


def _plausible(source: NDArray[np.float64], target: NDArray[np.float64], scale: float) -> Affine | None:
    """Affine fit, if there is one and a bench can have it."""
    if len(source) < 4 or np.linalg.matrix_rank(source - source.mean(axis=0), tol=1e-6) < 2:
        return None
    affine = fit_affine(source, target).affine
    large, small = np.linalg.svd(affine.matrix, compute_uv=False)
    if large > SHEAREST * small or abs(np.sqrt(large * small) / scale - 1) > STRETCH:
        return None
    return affine


def _pairs_within(mapped: NDArray[np.float64], tree: object, tolerance: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pair mapped points with the nearest found ones.

    Parameters
    ----------
    mapped : ndarray, shape (n, 2)
    tree : scipy.spatial.KDTree
        Of the found points.
    tolerance : float
        Largest distance of a pair.

    Returns
    -------
    mapped_numbers, found_numbers : ndarray of int, shape (k,)
        Each point in one pair at most, the closest that wants it.
    """
    distance, nearest = tree.query(mapped, distance_upper_bound=tolerance)  # type: ignore[attr-defined]
    order = np.argsort(distance, kind="stable")
    order = order[np.isfinite(distance[order])]
    _, firsts = np.unique(nearest[order], return_index=True)
    chosen = order[np.sort(firsts)]
    return chosen, nearest[chosen]


def _chance(pairs: int, known: NDArray[np.float64], found: NDArray[np.float64], tolerance: float, trials: int) -> float:
    """Bound for the probability of that many coincidences by chance; the points that fix an affine map cost nothing."""
    from scipy.special import bdtrc  # scipy.stats takes half a second to load

    area = np.prod(np.ptp(found, axis=0) + 2 * tolerance)
    single = min(1.0, len(found) * np.pi * tolerance**2 / area)
    return float(min(1.0, trials * bdtrc(pairs - 4, len(known) - 3, single)))
