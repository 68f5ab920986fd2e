"""Descent with a limited memory: the least value of a function of very many numbers, from its gradient.

What moves is one array of any shape, a panel of phases say; the dense and the smooth engine both stand on it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import kernel

Array = NDArray[np.floating[Any]]
Objective = Callable[[Array], tuple[float, Array]]
"""Gives the value at a point and the gradient there, in the shape and dtype of the point."""
Report = Callable[[int, float], bool | None]
"""Called after each step with the number of steps so far and the value; if it returns True, the descent ends there."""

DECREASE, CURVATURE = 1e-4, 0.9
"""Wolfe's conditions: share of the decrease promised by the slope that must come true, and of the slope that may be left."""

TRIALS = 20
"""Most points that one line search looks at."""

WINDOW = 10
"""Steps over which the value must fall for the descent to go on."""


@dataclass(frozen=True, eq=False)
class Descent:
    """Where a descent ended."""

    point: Array
    """The best point found, in the shape and dtype of the start."""
    value: float
    """The value there; infinity if not even the start could be tried."""
    steps: int
    """Number of steps taken."""
    converged: bool
    """Whether it ended because the value no longer falls or `Report` had enough, not because of the limit of steps or an interruption."""
    interrupted: bool
    """Whether it ended by a KeyboardInterrupt."""
    history: tuple[float, ...]
    """The value at the start and after each step; it never rises."""


@dataclass(frozen=True, eq=False)
class _Place:
    """A point with what is known there."""

    point: Array
    value: float
    gradient: Array


def descend(
    objective: Objective,
    start: Array,
    *,
    steps: int,
    memory: int = 10,
    settled: float = 1e-6,
    report: Report | None = None,
) -> Descent:
    """Go down from `start` until the value settles.

    Parameters
    ----------
    objective : callable
        Takes a point and returns the value (a number) and the gradient there (an array like the point, which must be a new one each time).
    start : ndarray of float32 or float64
        Any shape. Points, gradients and memory have its dtype; sums over them are accumulated in float64.
    steps : int
        Most steps; each tries one point as a rule.
    memory : int
        Number of earlier steps whose change of gradient shapes the next one.
    settled : float
        The descent has converged when `WINDOW` steps in a row lower the value by less than this share of it, or when no
        lower point is found along the gradient itself.
    report : callable, optional
        See `Report`. A KeyboardInterrupt that it, or the objective, raises ends the descent with the best point so far.

    Returns
    -------
    Descent
        The same call gives the same result bit for bit, if `objective` does.

    Notes
    -----
    The limited-memory form of the method of Broyden, Fletcher, Goldfarb and Shanno: Nocedal, Math. Comput. 35, 773 (1980); Liu and
    Nocedal, Math. Program. 45, 503 (1989); the two loops and the line search for the strong Wolfe conditions are Algorithms 7.4 and 3.5 of
    Nocedal and Wright, Numerical Optimization, 2nd ed. (numbers from memory).

    Examples
    --------
    >>> found = descend(lambda x: (float(np.sum((x - 3) ** 4)), 4 * (x - 3) ** 3), np.zeros((2, 2)), steps=200, settled=1e-12)
    >>> bool(np.allclose(found.point, 3, atol=1e-2)), found.interrupted
    (True, False)
    """
    history: list[float] = []
    place = _Place(np.array(start), math.inf, np.zeros_like(start))
    converged = interrupted = False
    pairs: deque[tuple[Array, Array, float]] = deque(maxlen=memory)
    try:
        place = _at(objective, place.point)
        history.append(place.value)
        while not converged and len(history) <= steps:
            found = _step(objective, place, pairs)
            if found is None:
                converged = True
            else:
                place = found
                history.append(place.value)
                enough = report is not None and report(len(history) - 1, place.value)
                converged = bool(enough) or _has_settled(history, settled)
    except KeyboardInterrupt:
        interrupted = True
    return Descent(place.point, place.value, max(len(history) - 1, 0), converged, interrupted, tuple(history))


def _at(objective: Objective, point: Array) -> _Place:
    value, gradient = objective(point)
    return _Place(point, float(value), gradient)


def _has_settled(history: list[float], settled: float) -> bool:
    return len(history) > WINDOW and history[-1 - WINDOW] - history[-1] <= settled * abs(history[-1])


def _step(objective: Objective, place: _Place, pairs: deque[tuple[Array, Array, float]]) -> _Place | None:
    """The next place, with what its step taught added to `pairs`; None if there is no lower one, not even along the gradient."""
    found = None
    if pairs:
        found = _search(objective, place, _direction(place.gradient, pairs), 1.0)
        if found is None:
            pairs.clear()  # rounding, or a function that is not smooth here: what was learnt no longer holds
    if found is None:
        steepness = math.sqrt(inner(place.gradient, place.gradient))
        if steepness == 0 or not math.isfinite(steepness):
            return None
        length = 0.01 * math.sqrt(place.point.size) / steepness  # a hundredth in each number: small beside a radian, and it may grow
        found = _search(objective, place, -place.gradient, length)
    if found is not None:
        moved, changed = found.point - place.point, found.gradient - place.gradient
        product = inner(moved, changed)
        if product > 0:
            pairs.append((moved, changed, 1 / product))
    return found


def _direction(gradient: Array, pairs: deque[tuple[Array, Array, float]]) -> Array:
    """The way down that the memory tells: minus the inverse of the curvature learnt, times the gradient."""
    way = -gradient
    shares = []
    for moved, changed, over in reversed(pairs):
        share = over * inner(moved, way)
        way -= _like(share, way) * changed
        shares.append(share)
    _, changed, over = pairs[-1]
    way *= _like(1 / (over * inner(changed, changed)), way)
    for (moved, changed, over), share in zip(pairs, reversed(shares), strict=True):
        way += _like(share - over * inner(changed, way), way) * moved
    return way


def _search(objective: Objective, place: _Place, way: Array, length: float) -> _Place | None:
    """A place along `way` where the strong Wolfe conditions hold, or else the lowest one found; None if none is lower."""
    slope = inner(place.gradient, way)
    if not slope < 0:
        return None
    low, high = (0.0, place.value, slope), (math.inf, math.inf, 0.0)
    best = place
    for _ in range(TRIALS):
        tried = _at(objective, place.point + _like(length, way) * way)
        here = (length, tried.value, inner(tried.gradient, way))
        if tried.value < best.value:
            best = tried
        if not tried.value <= place.value + DECREASE * length * slope or tried.value >= low[1]:
            high = here
        elif abs(here[2]) <= -CURVATURE * slope:
            return tried
        elif here[2] * (1.0 if math.isinf(high[0]) else high[0] - low[0]) >= 0:
            low, high = here, low
        else:
            low = here
        length = 4 * length if math.isinf(high[0]) else _between(low, high)
    return None if best is place else best


def _between(low: tuple[float, float, float], high: tuple[float, float, float]) -> float:
    """The least point of the cubic through two points and their slopes, kept away from both ends (Nocedal and Wright, eq. 3.59)."""
    (at, value, slope), (other, above, rise) = low, high
    wide = other - at
    bend = slope + rise - 3 * (above - value) / wide
    under = bend * bend - slope * rise
    if math.isfinite(under) and under >= 0:
        root = math.copysign(math.sqrt(under), wide)
        divisor = rise - slope + 2 * root
        share = 1 - (rise + root - bend) / divisor if divisor else 0.5
    else:
        share = 0.5
    return at + wide * min(max(share, 0.1), 0.9)


def _like(number: float, array: Array) -> np.floating[Any]:
    """A number in the dtype of an array, so that the product does not become wider."""
    return array.dtype.type(number)


def inner(one: Array, other: Array) -> float:
    """Sum of the products of two arrays of one shape, accumulated in float64 in an order that is always the same.

    Parameters
    ----------
    one, other : ndarray
        float32.

    Returns
    -------
    float

    Examples
    --------
    >>> inner(np.full(10_000, 0.5, np.float32), np.ones(10_000, np.float32))
    5000.0
    """
    return float(_inner(one.reshape(-1), other.reshape(-1)))


@kernel
def _inner(one: Array, other: Array) -> float:
    total = np.zeros(8)
    whole = one.size // 8 * 8
    for first in range(0, whole, 8):
        for lane in range(8):
            total[lane] += np.float64(one[first + lane]) * np.float64(other[first + lane])
    rest = 0.0
    for left in range(whole, one.size):
        rest += np.float64(one[left]) * np.float64(other[left])
    return float(rest + total.sum())
