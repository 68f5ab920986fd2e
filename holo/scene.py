"""A camera frame on its way to being understood: its background, its noise, and the spots found so far.

Camera points are ``(column, row)``; pixel centres lie at whole numbers. A spot is a row ``(x, y, total, base, width)``, see
`holo.spot_fit`.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holo.background import background
from holo.frames import LEAST_SIDE, Frame
from holo.peaks import candidates, highest
from holo.spot_fit import fit_spots, joint_errors, ratio_left, squared_residuals, width_steps

if TYPE_CHECKING:
    from scipy.spatial import KDTree

Image = NDArray[np.float32]
Real = NDArray[np.float64]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]

REACH = 3.0
"""Radius of the pixels that a spot is fitted to, in widths; half a pixel more is taken."""

NEAR = 4.5
"""Distance in widths up to which the error of a spot allows for that of its neighbours."""

MOST_NEAR = 12
"""Neighbours that it allows for, at most."""

ROUNDS = 4
"""How many times at most spots are looked for, each time in what the model of those found before leaves of the frame."""

FEW = 0.01
"""Share of new spots with which the looking ends."""

SWEEPS = 30
"""How many steps a spot is given at most to come to rest."""

MISFIT = 0.15
"""Share of a spot that may be left of it where it is not quite a Gaussian of the common width."""

LEAST_RATIO = 4.0
"""Total over its error below which a spot is none."""

LEAST_SHARE = 0.02
"""Least part of the squares of what the fits left that noise may be."""

AIRY_SCALE = 1.318
"""Argument v of the Airy pattern ``(2 J1(v) / v)^2`` at a distance of one width: 3.832 times 0.344 (see `holo.spots`)."""


@dataclass(frozen=True, eq=False)
class Scene:
    """Background, noise and the spots so far."""

    frame: Frame
    width: float
    level: Image
    """Counts of the background."""
    floor: Image
    """Variance of the background."""
    slope: float
    """Variance per count of light."""
    light: Image
    """Of the spots."""
    spots: Real
    """x, y, total, base, width of each."""
    errors: Real
    """Standard errors of x, y, total and base, as if the neighbours were known."""
    reach: Real
    """Radius of the pixels that each is fitted to."""

    @property
    def given(self) -> tuple[Image, Image, Image, Flags, float]:
        """What the compiled loops of `holo.spot_fit` start from: signal, level, floor, usable, slope."""
        return self.frame.signal, self.level, self.floor, self.frame.usable, self.slope

    @property
    def saturated(self) -> Flags:
        """Spots whose middle is saturated and that are fitted to their surroundings."""
        return np.asarray(self.reach > spot_reach(self.width) + 1e-9)


def open_scene(frame: Frame, width: float) -> Scene:
    """A scene without spots.

    Parameters
    ----------
    frame : Frame
    width : float
        Standard deviation of a spot, px.

    Returns
    -------
    Scene
        With the background and its noise found.
    """
    level, noise = background(frame, width)
    slope = 0.0 if frame.electrons_per_count is None else 1 / (frame.electrons_per_count * frame.shots)
    return Scene(frame, width, level, noise**2, slope, np.zeros_like(level), np.zeros((0, 5)), np.zeros((0, 4)), np.zeros(0))


def with_places(scene: Scene, xy: Real) -> Scene:
    """The scene with spots without light at some places.

    Parameters
    ----------
    scene : Scene
        Whose spots are forgotten.
    xy : ndarray, shape (n, 2)
        (column, row).

    Returns
    -------
    Scene
    """
    reach = np.full(len(xy), spot_reach(scene.width))
    return replace(scene, spots=_rows(xy, np.zeros(len(xy)), scene.width), errors=np.full((len(xy), 4), np.inf), reach=reach)


def looked_at_again(scene: Scene) -> Scene:
    """The scene with another look at its background, now that the light of the spots is known.

    Parameters
    ----------
    scene : Scene
        With its spots fitted.

    Returns
    -------
    Scene
        With a new background and noise.
    """
    level, noise = background(scene.frame, scene.width, scene.light, scene.slope, scene.level)
    return replace(scene, level=level, floor=noise**2)


def spot_reach(width: float) -> float:
    """Radius of the pixels that a spot is fitted to.

    Parameters
    ----------
    width : float
        Standard deviation of the spot, px.

    Returns
    -------
    float
        px.
    """
    return REACH * width + 0.5


def _rows(xy: Real, totals: Real, width: float) -> Real:
    return np.column_stack([xy, totals, np.zeros(len(xy)), np.full(len(xy), width)])


def touching(xy: Real, distance: float) -> tuple[Index, Index]:
    """Which points lie within a distance of each: ``second[first[k]:first[k + 1]]``.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
    distance : float
        In the unit of `xy`.

    Returns
    -------
    first : ndarray of int, shape (n + 1,)
    second : ndarray of int, shape (pairs,)
        Numbers of the points near each, in rising order; no point is near itself.
    """
    from scipy.spatial import KDTree

    pairs = KDTree(xy).query_pairs(distance, output_type="ndarray").reshape(-1, 2)
    both = np.concatenate([pairs, pairs[:, ::-1]])
    both = both[np.lexsort((both[:, 1], both[:, 0]))]
    return np.searchsorted(both[:, 0], np.arange(len(xy) + 1)).astype(np.int64), both[:, 1].astype(np.int64)


def binned(frame: Frame, width: float) -> tuple[Frame, int]:
    """The frame with as many pixels joined as spots of a width allow, and how many to a side: places are known as well, but for 2 %.

    The variance of a place grows by ``1 + 1 / (12 width^2)``, the width in joined pixels (R. E. Thompson, D. R. Larson and W. W. Webb,
    Biophys. J. 82, 2775 (2002), doi:10.1016/S0006-3495(02)75618-X, eq. 17).

    Parameters
    ----------
    frame : Frame
    width : float
        Standard deviation of a spot, px.

    Returns
    -------
    frame : Frame
    times : int
        Pixels to a side that became one; the middle of joined pixel (0, 0) lies at ``(times - 1) / 2``.
    """
    times = max(1, min(int(width / 1.5), min(frame.shape) // LEAST_SIDE))
    if times == 1:
        return frame, 1
    rows, columns = (length // times for length in frame.shape)

    def joined(pixels: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(pixels[: rows * times, : columns * times].reshape(rows, times, columns, times).sum(axis=(1, 3), dtype=np.float32))

    lit = frame.usable | frame.saturated
    signal = joined(np.where(lit, frame.signal, 0)) / np.maximum(joined(lit), 1)
    saturated = joined(frame.saturated) > 0
    usable = (joined(frame.usable) > times**2 / 2) & ~saturated
    electrons = None if frame.electrons_per_count is None else frame.electrons_per_count * times**2
    return Frame(signal, usable, saturated, frame.shots, electrons, frame.rounding / times), times


# ---------------------------------------------------------------------------------------------------------------------
# fitting


def fitted(scene: Scene, home: Real, held: Flags | None = None) -> Scene:
    """The scene with its spots fitted; where the electrons per count are unknown, with the slope that the fit shows.

    Parameters
    ----------
    scene : Scene
        With places to start from.
    home : ndarray, shape (n, 2)
        Where the spots are expected, give or take the width.
    held : ndarray of bool, shape (n,), optional
        Spots that keep their places.

    Returns
    -------
    Scene
    """
    if not len(scene.spots):
        return replace(scene, light=np.zeros_like(scene.light))
    held = np.zeros(len(scene.spots), bool) if held is None else held
    for _ in range(2):
        spots = scene.spots.copy()
        near = touching(spots[:, :2], 6 * scene.width + float(scene.reach.max()) - spot_reach(scene.width))
        light, errors = fit_spots(*scene.given, spots, scene.reach, home, held, *near, SWEEPS)
        scene = replace(scene, spots=spots, light=light, errors=errors)
        if scene.frame.electrons_per_count is not None:
            break
        before, scene = scene.slope, replace(scene, slope=_slope(scene))
        if abs(scene.slope - before) < 0.1 * scene.slope:
            break
    return scene


def _slope(scene: Scene) -> float:
    """Variance per count of light, from what the fits left.

    Squared residuals are fitted with the floor, a term that grows with the light and one that grows with its square, which takes up
    what a Gaussian does not describe. Where it takes up nearly all, the two cannot be told apart, and all counts as noise: rather too
    large an error than one that is none.
    """
    good = np.flatnonzero(scene.spots[:, 2] > 5 * scene.errors[:, 2])
    if not len(good):
        return scene.slope
    good = good[np.argsort(-scene.spots[good, 2], kind="stable")[:500]]
    light, base, square = squared_residuals(*scene.given, scene.light, scene.spots[good], scene.reach[good], 2.0)
    powers = [light, light**2, light**3, light**4]
    whole = share = float(np.maximum(square - base, 0).sum() / light.sum())
    bent = 0.0
    for _ in range(6):
        expected = base + share * light + bent * powers[1]
        weight = (square < 25 * expected) / expected**2
        moments = [float((weight * power).sum()) for power in powers[1:]]
        sums = [float((weight * (square - base) * power).sum()) for power in powers[:2]]
        determinant = moments[0] * moments[2] - moments[1] ** 2
        bent = max((sums[1] * moments[0] - sums[0] * moments[1]) / determinant, 0.0) if determinant > 0 else 0.0
        share = max((sums[0] - bent * moments[1]) / moments[0], 0.0) if moments[0] > 0 else 0.0
    return share if share > LEAST_SHARE * whole else whole


def errors_with_neighbours(scene: Scene, held: Flags | None = None) -> Real:
    """Errors as those of the scene, but for spots with neighbours as of a fit of all of them at once.

    Parameters
    ----------
    scene : Scene
        With its spots fitted.
    held : ndarray of bool, shape (n,), optional
        Spots that keep their places.

    Returns
    -------
    ndarray, shape (n, 4)
        Standard errors of x, y, total and base.
    """
    from scipy.spatial import KDTree

    spots, errors = scene.spots, scene.errors.copy()
    if len(spots) > 1:
        most = min(MOST_NEAR + 1, len(spots))
        apart, near = KDTree(spots[:, :2]).query(spots[:, :2], most, distance_upper_bound=NEAR * scene.width)
        found = np.isfinite(apart) & (near != np.arange(len(spots))[:, None])
        first = np.concatenate([[0], np.cumsum(found.sum(axis=1))]).astype(np.int64)
        held = np.zeros(len(spots), bool) if held is None else held
        joint_errors(*scene.given[2:], scene.light, spots, scene.reach, held, first, near[found].astype(np.int64), errors)
    return errors


def excess_width(scene: Scene) -> tuple[Real, Real]:
    """By how much each spot is wider than all are thought to be, and the error of that, shape (n,).

    Parameters
    ----------
    scene : Scene
        With its spots fitted.

    Returns
    -------
    excess, error : ndarray, shape (n,)
        px; NaN where the pixels do not tell.
    """
    return width_steps(*scene.given, scene.light, scene.spots, scene.reach)


# ---------------------------------------------------------------------------------------------------------------------
# searching


def searched(scene: Scene, threshold: float | None = None) -> Scene:
    """The scene with the spots that it shows.

    Each round takes what the model leaves of the frame for a frame with more spots. Where spots are crowded they keep their places while
    others may still be missing: they would move to make up for those.

    Parameters
    ----------
    scene : Scene
        Without spots, or with those that are known.
    threshold : float, optional
        Height over the noise that a spot must have; by default that which noise alone hardly passes.

    Returns
    -------
    Scene
    """
    for turn in range(ROUNDS):
        rows, reach = _new_spots(scene, threshold, first=turn == 0)
        known = len(scene.spots)
        if turn and not len(rows) and not known:
            break
        scene = replace(scene, spots=np.concatenate([scene.spots, rows]), reach=np.concatenate([scene.reach, reach]))
        held = np.full(len(scene.spots), turn < ROUNDS - 2 and is_crowded(scene))
        scene = _pruned(fitted(scene, scene.spots[:, :2].copy(), held), held)
        if turn and len(rows) <= FEW * known and not held.any():
            break
        if turn < ROUNDS - 1:
            scene = looked_at_again(scene)
    return _pruned(scene, np.zeros(len(scene.spots), bool), errors_with_neighbours(scene))


def is_crowded(scene: Scene) -> bool:
    """Whether more than a quarter of the brighter spots have one of their kind within four widths.

    Parameters
    ----------
    scene : Scene
        With its spots fitted.

    Returns
    -------
    bool
    """
    total = scene.spots[:, 2]
    if len(total) < 2:
        return False
    first, _ = touching(scene.spots[total > 0.2 * np.median(np.sort(total)[-10:]), :2], 4 * scene.width)
    return bool(np.mean(np.diff(first) > 0) > 0.25)


def first_spots(scene: Scene) -> Real:
    """What looks like a spot at first sight, saturated ones left out: rows to start from, shape (n, 5).

    Parameters
    ----------
    scene : Scene
        Without spots.

    Returns
    -------
    ndarray, shape (n, 5)
        x, y, total, base and width.
    """
    rows, reach = _new_spots(scene, None, first=True)
    return rows[reach <= spot_reach(scene.width)]


def _new_spots(scene: Scene, threshold: float | None, first: bool) -> tuple[Real, Real]:
    """Spots in what the model so far leaves of the frame: rows to start from, and their reach.

    Saturated pixels tell of a spot as long as no model does.
    """
    holes = ~(scene.frame.usable | scene.frame.saturated) if first else ~scene.frame.usable
    xy, totals = candidates(ratio_left(*scene.given, scene.light, holes), scene.width, threshold)
    column, row = np.clip(xy.round().astype(int), 0, np.array(scene.frame.shape[::-1]) - 1).T
    totals = totals * np.sqrt(scene.floor[row, column] + scene.slope * np.maximum(scene.light[row, column], 0))
    radius = np.zeros(len(xy))
    if first and scene.frame.saturated.any():
        xy, totals, radius = _with_saturated(scene, xy, totals)
    elif not first:
        kept = _is_more_than_a_misfit(scene, xy, totals)
        xy, totals, radius = xy[kept], totals[kept], radius[kept]
    sources = np.concatenate([xy, scene.spots[:, :2]]), np.concatenate([totals, scene.spots[:, 2]])
    kept = (totals > ring_light(xy, *sources, scene.width)) | (radius > 0)
    return _rows(xy[kept], totals[kept], scene.width), spot_reach(scene.width) + radius[kept]


def _with_saturated(scene: Scene, xy: Real, totals: Real) -> tuple[Real, Real, Real]:
    """Candidates with one at the centre of each saturated patch in place of all that lie on it or beside it; and the radii of the patches.

    Its brightness is told by its patch: that of a Gaussian, or of the rings of an Airy pattern if that is less, which falls to the top of
    the range at the patch's rim.
    """
    from scipy.ndimage import center_of_mass, label, maximum
    from scipy.spatial import KDTree

    patches, count = label(scene.frame.saturated, np.ones((3, 3)))
    numbers = np.arange(1, count + 1)
    centres = np.array(center_of_mass(scene.frame.saturated, patches, numbers))[:, ::-1]
    top = np.maximum(maximum(scene.frame.signal - scene.level, patches, numbers), 0)
    radius = np.sqrt(np.bincount(patches.ravel(), minlength=count + 1)[1:] / np.pi)
    rim = radius / scene.width
    peak = top * np.minimum(np.exp(np.minimum(rim**2 / 2, 50)), np.maximum(1 / _ring(rim), 1))
    beside = np.zeros(len(xy), bool)
    if len(xy):
        beside = KDTree(np.argwhere(scene.frame.saturated)[:, ::-1]).query(xy)[0] < 1.5 * scene.width
    return (
        np.concatenate([centres, xy[~beside]]),
        np.concatenate([2 * np.pi * scene.width**2 * peak, totals[~beside]]),
        np.concatenate([radius, np.zeros(np.count_nonzero(~beside))]),
    )


def _is_more_than_a_misfit(scene: Scene, xy: Real, totals: Real) -> Flags:
    """Whether new candidates are more than what a Gaussian of the common width leaves of a spot that is a little different."""
    from scipy.spatial import KDTree

    if not len(xy) or not len(scene.spots):
        return np.ones(len(xy), bool)
    around = highest(scene.light, xy, int(np.ceil(1.5 * scene.width)))
    apart = KDTree(scene.spots[:, :2]).query(xy)[0]
    return np.asarray((totals > MISFIT * around * 2 * np.pi * scene.width**2) & (apart > scene.width))


def _ring(distance: Real) -> Real:
    """Most light of the rings of an Airy pattern of peak 1, at a distance in widths above 0.

    ``8 / (pi v^3)`` from the asymptotic form of J1 (M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, eq. 9.2.1).
    """
    return np.asarray(8 / np.pi / (AIRY_SCALE * distance) ** 3)


def ring_light(xy: Real, places: Real, totals: Real, width: float) -> Real:
    """The brightest total, at each of some points, that a ring around one of some spots could feign, shape (n,).

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Points, (column, row).
    places : ndarray, shape (m, 2)
        Of the spots.
    totals : ndarray, shape (m,)
        Their light, counts.
    width : float
        Standard deviation of a spot, px.

    Returns
    -------
    ndarray, shape (n,)
        Counts.
    """
    from scipy.spatial import KDTree

    result = np.zeros(len(xy))
    if not len(xy):
        return result
    tree, least = KDTree(xy), max(float(np.abs(totals).min()), 1e-3 * float(np.median(np.abs(totals))), 1e-30)
    for n in np.flatnonzero(totals * _ring(np.array(2.0)) > least):
        far = width * (8 / np.pi * totals[n] / least) ** (1 / 3) / AIRY_SCALE
        near = np.array(tree.query_ball_point(places[n], far), int)
        distance = np.hypot(*(xy[near] - places[n]).T) / width
        light = np.where(distance > 2, _ring(np.maximum(distance, 2.0)) * totals[n], 0)
        result[near] = np.maximum(result[near], light)
    return result


def _pruned(scene: Scene, held: Flags, joint: Real | None = None) -> Scene:
    """The scene without spots that came to nothing, or that came to lie on a brighter one.

    With `joint` errors (`errors_with_neighbours`) also without the fainter of those that the pixels do not tell apart.
    """
    from scipy.spatial import KDTree

    total = scene.spots[:, 2]
    dropped = ~(total > LEAST_RATIO * scene.errors[:, 2])
    if len(total) > 1:
        tree = KDTree(scene.spots[:, :2])
        dropped[_fainter(tree, total, scene.width)] = True
        if joint is not None:
            fainter = _fainter(tree, total, 2.5 * scene.width)
            dropped[fainter[~(total[fainter] > LEAST_RATIO * joint[fainter, 2])]] = True
    kept = ~dropped | scene.saturated
    if kept.all():
        return scene
    scene = replace(scene, spots=scene.spots[kept], reach=scene.reach[kept], errors=scene.errors[kept])
    return fitted(scene, scene.spots[:, :2].copy(), held[kept])


def _fainter(tree: KDTree, total: Real, distance: float) -> Index:
    """The fainter of each two spots that lie within a distance."""
    pairs = tree.query_pairs(distance, output_type="ndarray").reshape(-1, 2)
    return np.asarray(np.where(total[pairs[:, 0]] < total[pairs[:, 1]], pairs[:, 0], pairs[:, 1]))
