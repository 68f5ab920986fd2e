"""Which atom goes to which site: the assignment problem, solved exactly and with a proof.

An auction with shrinking steps finds prices at which nearly everybody is content; shortest augmenting paths settle the rest. The dual
variables that come out bound the cost of every assignment from below, so that the optimum proves itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.arrays import kernel
from holo.errors import InputError

Real = NDArray[np.float64]
Index = NDArray[np.int64]

FIRST_STEP, SHRINKING, STAGES = 0.02, 8.0, 5
"""First step of the auction over the largest cost, factor from each stage to the next, and number of stages."""


@dataclass(frozen=True, eq=False)
class Assignment:
    """The cheapest way to give each row a column of its own.

    Attributes
    ----------
    columns : ndarray of int, shape (rows,)
        Column of each row; no column twice.
    cost : float
        Sum of the costs of these pairs.
    bound : float
        What no assignment can cost less than: the sum of the dual variables, lowered until they are feasible everywhere. Equal to `cost` up
        to rounding.
    """

    columns: Index
    cost: float
    bound: float


def assign(cost: NDArray[np.floating[Any]]) -> Assignment:
    """Give each row a column of its own at the lowest total cost.

    Parameters
    ----------
    cost : ndarray, shape (rows, columns)
        Finite, with at least as many columns as rows.

    Returns
    -------
    Assignment

    Raises
    ------
    InputError
        If a cost is not finite, or there are more rows than columns.

    Notes
    -----
    The auction of D. P. Bertsekas, Ann. Oper. Res. 14, 105 (1988), on the matrix made square by rows of zeros, with steps that shrink from
    stage to stage (from memory). Pairs that are strictly best at the final prices stay; the other rows are added by shortest augmenting
    paths (R. Jonker and A. Volgenant, Computing 38, 325 (1987); from memory), which keeps the dual variables ``u_i + v_j <= c_ij``.

    Examples
    --------
    >>> found = assign(np.array([[4.0, 1.0, 3.0], [2.0, 0.0, 5.0], [3.0, 2.0, 2.0]]))
    >>> found.columns.tolist(), found.cost, found.bound
    ([1, 0, 2], 5.0, 5.0)
    """
    wanted = np.asarray(cost, np.float64)
    if wanted.ndim != 2 or wanted.shape[0] > wanted.shape[1]:
        raise InputError(f"cost: found shape {wanted.shape}; allowed: two dimensions, at least as many columns as rows")
    if not np.isfinite(wanted).all():
        raise InputError(f"cost: found {wanted[~np.isfinite(wanted)][0]}; allowed: finite numbers")
    return _assigned(wanted, np.inf)


def assign_longest(cost: NDArray[np.floating[Any]]) -> Assignment:
    """Give each row a column of its own such that the largest single cost is as low as it can be, and then the total.

    Parameters
    ----------
    cost : ndarray, shape (rows, columns)
        Finite, from 0 up, with at least as many columns as rows.

    Returns
    -------
    Assignment
        `cost` and `bound` are totals, among the assignments with the lowest largest cost.

    Raises
    ------
    InputError
        As `assign`, or if a cost is negative.

    Notes
    -----
    The bottleneck assignment by thresholds, downwards from the cheapest assignment: the longest pairs are taken out and their rows matched
    again by augmenting paths over shorter pairs, until a row has none, which proves that there is no such matching (C. Berge, Proc. Natl.
    Acad. Sci. 43, 842 (1957); from memory); then `assign` without the dearer pairs.

    Examples
    --------
    >>> assign_longest(np.array([[0.0, 3.0], [4.0, 9.0]])).columns.tolist()  # 0 + 9 is dearer at its longest than 3 + 4
    [1, 0]
    """
    wanted = np.asarray(cost, np.float64)
    if wanted.size and wanted.min() < 0:
        raise InputError(f"cost: found {wanted.min():g}; allowed: 0 or more")
    if wanted.ndim != 2 or wanted.size == 0 or wanted.shape[0] > wanted.shape[1] or not np.isfinite(wanted).all():
        return assign(wanted)
    return _assigned(wanted, _bottleneck(wanted))


def _bottleneck(cost: Real) -> float:
    """Least value such that an assignment uses no larger cost."""
    rows = np.arange(len(cost))
    columns = _assigned(cost, np.inf).columns
    while True:
        longest = float(cost[rows, columns].max())
        trial = np.where(cost[rows, columns] < longest, columns, -1)
        if not _match_below(cost, longest, trial):
            return longest
        columns = trial


def _assigned(cost: Real, limit: float) -> Assignment:
    """Cheapest assignment among the pairs whose cost is not above `limit`."""
    rows, size = cost.shape
    if rows == 0:
        return Assignment(np.empty(0, np.int64), 0.0, 0.0)
    square = np.zeros((size, size))
    square[:rows] = cost - cost.min()
    choice, price = _auctioned(square)
    if limit < np.inf:
        square[:rows][cost > limit] = np.inf
    up, across = _row_minima(square, price), -price
    held = np.flatnonzero(square[np.arange(size), choice] + price[choice] <= up)
    kept = np.full(size, -1)
    kept[held] = choice[held]
    owner = np.full(size, -1)
    owner[kept[held]] = held
    _augment(square, up, across, owner, kept)
    slack = min(0.0, float((_row_minima(square, -across) - up).min()))
    bound = float(up.sum() + across.sum()) + size * slack + rows * float(cost.min())
    return Assignment(kept[:rows], float(cost[np.arange(rows), kept[:rows]].sum()), bound)


def _auctioned(square: Real) -> tuple[Index, Real]:
    """Column of each row at the end of the auction, and the prices of the columns."""
    size, largest = len(square), float(square.max())
    price, choice = np.zeros(size), np.arange(size)
    for stage in range(STAGES if largest > 0 else 0):
        _auction(square, price, choice, FIRST_STEP * largest / SHRINKING**stage)
    return choice, price


@kernel
def _row_minima(cost: Real, price: Real) -> Real:
    """Least cost plus price in each row."""
    least = np.full(len(cost), np.inf)
    for row in range(len(cost)):
        for column in range(cost.shape[1]):
            least[row] = min(least[row], cost[row, column] + price[column])
    return least


@kernel
def _auction(cost: Real, price: Real, choice: Index, step: float) -> None:
    """Rows without a column bid for their best one, raising its price by what they prefer it by and a step, until all have one."""
    owner, waiting, count = np.full(len(cost), -1), np.arange(len(cost)), len(cost)
    while count > 0:
        row = waiting[count - 1]
        least, second, best = np.inf, np.inf, 0
        for column in range(cost.shape[1]):
            value = cost[row, column] + price[column]
            if value < second:
                if value < least:
                    second, least, best = least, value, column
                else:
                    second = value
        if cost.shape[1] == 1:
            second = least
        price[best] += second - least + step
        count -= 1
        if owner[best] >= 0:
            waiting[count] = owner[best]
            count += 1
        owner[best], choice[row] = row, best


@kernel
def _augment(cost: Real, up: Real, across: Real, owner: Index, choice: Index) -> None:
    """Give every row without a column one by a shortest augmenting path; the duals stay feasible, and tight on the pairs."""
    size = len(cost)
    distance, before, done = np.empty(size), np.empty(size, np.int64), np.empty(size, np.bool_)
    for start in range(size):
        if choice[start] >= 0:
            continue
        distance[:], done[:] = np.inf, False
        row, reach, end = start, 0.0, -1
        while end < 0:
            least, best, base = np.inf, -1, reach - up[row]
            for column in range(size):
                if done[column]:
                    continue
                length = base + cost[row, column] - across[column]
                if length < distance[column]:
                    distance[column], before[column] = length, row
                if distance[column] < least or (distance[column] == least and owner[column] < 0):
                    least, best = distance[column], column
            reach, done[best] = least, True
            if owner[best] < 0:
                end = best
            else:
                row = owner[best]
        up[start] += reach
        for column in range(size):
            if done[column] and column != end:
                up[owner[column]] += reach - distance[column]
                across[column] -= reach - distance[column]
        row = -1
        while row != start:
            row = before[end]
            owner[end] = row
            choice[row], end = end, choice[row]


@kernel
def _match_below(cost: Real, limit: float, choice: Index) -> bool:
    """Match the rows without a column over costs below a limit, in place; tell whether that is possible."""
    rows, size = cost.shape
    owner, before, waiting = np.full(size, -1), np.empty(size, np.int64), np.empty(rows, np.int64)
    for row in range(rows):
        if choice[row] >= 0:
            owner[choice[row]] = row
    for start in range(rows):
        if choice[start] >= 0:
            continue
        before[:] = -1
        waiting[0], first, last, end = start, 0, 1, -1
        while first < last and end < 0:
            row = waiting[first]
            first += 1
            for column in range(size):
                if before[column] < 0 and cost[row, column] < limit:
                    before[column] = row
                    if owner[column] < 0:
                        end = column
                        break
                    waiting[last] = owner[column]
                    last += 1
        if end < 0:
            return False
        row = -1
        while row != start:
            row = before[end]
            owner[end] = row
            choice[row], end = end, choice[row]
    return True
