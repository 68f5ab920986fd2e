"""Rearrangement: which atom goes to which wanted site, and the way there.

Atoms and sites are points (x, y, z) in um, so that they may lie in any lattice, in two different ones, and in several planes.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.assignment import Assignment, assign, assign_longest
from holo.checks import check_numbers
from holo.errors import InputError
from holo.files import read_csv
from holo.paths import Approach, closest_approach, journey

Real = NDArray[np.float64]
Index = NDArray[np.int64]

COSTS = ("squared", "distance", "longest")
"""What an assignment makes least: the sum of the squared distances, their sum, or the longest (then the sum of the squares)."""

SPARES = ("drop", "park")
"""What becomes of atoms that are not wanted: their light is not turned on, or they are brought to places of their own."""


TIE = 1e-6
"""Largest share by which squares are mixed into distances: of ways of equal length, several short ones, not one across the others."""


@dataclass(frozen=True, eq=False)
class Rearrangement:
    """Who goes where, and how.

    Attributes
    ----------
    stations_um : ndarray, shape (steps + 1, n, 3)
        Places of the n atoms that are carried: at each step all go straight to the next one, with the same progress in time.
    atoms : ndarray of int, shape (n,)
        Their numbers among the atoms given.
    goals : ndarray of int, shape (n,)
        Number of the wanted site where each ends; -1 for a spare one that is parked.
    dropped : ndarray of int
        Numbers of the atoms that are not carried.
    unfilled : ndarray of int
        Numbers of the wanted sites for which there is no atom.
    cost, bound : float
        Cost of the assignment, um or um^2, and what no other can cost less than (`holo.assignment.Assignment`); parking is left out.
    """

    stations_um: Real
    atoms: Index
    goals: Index
    dropped: Index
    unfilled: Index
    cost: float
    bound: float

    @cached_property
    def approach(self) -> Approach:
        """How close two of the atoms come at any time."""
        return closest_approach(self.stations_um)

    @cached_property
    def longest_um(self) -> float:
        """Longest way of an atom, over all steps."""
        return float(np.linalg.norm(np.diff(self.stations_um, axis=0), axis=2).sum(axis=0).max(initial=0))

    def summary(self) -> dict[str, Any]:
        """The single figures as a JSON-compatible dict; distances that nothing sets are None."""
        return {
            "carried": len(self.atoms),
            "parked": int(np.sum(self.goals < 0)),
            "dropped": len(self.dropped),
            "unfilled": len(self.unfilled),
            "steps": len(self.stations_um) - 1,
            "longest_um": self.longest_um,
            "closest_um": self.approach.distance_um if np.isfinite(self.approach.distance_um) else None,
        }


def rearrange(
    atoms_um: ArrayLike,
    wanted_um: ArrayLike,
    *,
    apart_um: float,
    cost: str = "squared",
    spare: str = "drop",
    parking_um: ArrayLike | None = None,
    obstacles_um: ArrayLike | None = None,
) -> Rearrangement:
    """Plan how atoms fill wanted sites.

    Parameters
    ----------
    atoms_um : array_like, shape (atoms, 3)
        Where there are atoms.
    wanted_um : array_like, shape (wanted, 3)
        Where there are to be some. With fewer atoms than sites those sites are filled that are filled most cheaply.
    apart_um : float
        Least distance of any two atoms at any time. Down to the distance of neighbouring sites over the root of 2 all atoms go at once
        with the cost "squared" (`holo.paths.journey`).
    cost : str
        One of `COSTS`.
    spare : str
        One of `SPARES`.
    parking_um : array_like, shape (places, 3), optional
        Where spare atoms may be parked; by default where there are atoms now, except within `apart_um` of a wanted site.
    obstacles_um : array_like, shape (obstacles, 3), optional
        Atoms that stay where they are and that the others must keep their distance from too.

    Returns
    -------
    Rearrangement

    Raises
    ------
    InputError
        If an argument is malformed, two atoms or two wanted sites are closer than `apart_um`, or there are too few places to park.
    RearrangementError
        If no way was found.

    Notes
    -----
    The assignment is exact (`holo.assignment`). Sums of distances and longest ways do not keep atoms apart by themselves; then, and with
    obstacles, atoms may have to go one after another.

    Distances are those in space. Atoms of different planes may be far apart and yet in the light of each other's traps, which reaches
    along the axis as far as the depth of focus.

    Examples
    --------
    >>> plan = rearrange([[0, 0, 0], [5, 0, 0], [15, 0, 0]], [[5, 0, 0], [10, 0, 0]], apart_um=3.0)
    >>> plan.atoms.tolist(), plan.goals.tolist(), plan.dropped.tolist()
    ([1, 2], [0, 1], [0])
    """
    atoms, wanted = _points(atoms_um, "atoms_um"), _points(wanted_um, "wanted_um")
    obstacles = _points(np.empty((0, 3)) if obstacles_um is None else obstacles_um, "obstacles_um")
    for name, value, choices in (("cost", cost, COSTS), ("spare", spare, SPARES)):
        if value not in choices:
            raise InputError(f"{name}: found {value!r}; allowed: {', '.join(choices)}")
    if not 0 < apart_um < np.inf:
        raise InputError(f"apart_um: found {apart_um:g}; allowed: a number above 0")
    parking = np.empty((0, 3))
    if spare == "park" and len(atoms) > len(wanted):
        places = atoms if parking_um is None else _points(parking_um, "parking_um")
        parking = away(places, np.concatenate([wanted, obstacles]), apart_um)
        if len(parking) < len(atoms) - len(wanted):
            found = f"parking_um: found {len(parking)} place(s) {apart_um:g} um from all wanted sites and obstacles"
            raise InputError(f"{found}; allowed: one for each of the {len(atoms) - len(wanted)} spare atoms, or drop them")
    carried, ends, matched = _matched(atoms, wanted, parking, cost)
    targets = np.concatenate([wanted, parking])
    start = np.concatenate([atoms[carried], obstacles])
    stations = journey(start, np.concatenate([targets[ends], obstacles]), apart_um)
    goals = np.where(ends < len(wanted), ends, -1)
    return Rearrangement(
        stations[:, : len(carried)],
        carried,
        goals,
        np.setdiff1d(np.arange(len(atoms)), carried),
        np.setdiff1d(np.arange(len(wanted)), goals),
        matched.cost,
        matched.bound,
    )


def _matched(atoms: Real, wanted: Real, parking: Real, cost: str) -> tuple[Index, Index, Assignment]:
    """Numbers of the atoms that are carried, of the targets where they end (parking after the wanted ones), and the assignment."""
    table = _costs(atoms, wanted, cost)
    if len(parking):
        return _with_parking(table, _costs(atoms, parking, cost), cost)
    solve = assign_longest if cost == "longest" else assign
    if len(atoms) >= len(wanted):
        found = solve(table.T)
        order = np.argsort(found.columns)
        return found.columns[order], order, found
    found = solve(table)
    return np.arange(len(atoms)), found.columns, found


def _with_parking(table: Real, parked: Real, cost: str) -> tuple[Index, Index, Assignment]:
    """Every atom gets a wanted site or a place to park, and every wanted site an atom."""
    rows, count = np.arange(len(table)), table.shape[1]
    price = float(max(table.max(), parked.max(), 1.0))
    solve = assign_longest if cost == "longest" else assign
    while True:
        price *= 2  # that parking costs more than any exchange could gain
        found = solve(np.concatenate([table, parked + price], axis=1))
        if np.sum(found.columns < count) == count:
            return (
                rows,
                found.columns,
                Assignment(found.columns, *(value - price * (len(table) - count) for value in (found.cost, found.bound))),
            )


def _costs(atoms: Real, places: Real, cost: str) -> Real:
    """Cost of bringing each atom to each place."""
    from scipy.spatial.distance import cdist

    squares = np.asarray(cdist(atoms, places, "sqeuclidean"))
    if cost != "distance":
        return squares
    distances = np.sqrt(squares)
    return np.asarray(distances + TIE * squares / max(float(distances.max(initial=0)), 1e-300))


def _points(values: ArrayLike, name: str) -> Real:
    """Checked points (n, 3)."""
    points = np.asarray(values, np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or not np.isfinite(points).all():
        raise InputError(f"{name}: found shape {points.shape}; allowed: (n, 3), finite numbers, um")
    return points


def away(places: Real, others: Real, apart_um: float) -> Real:
    """Give those of some places that lie at a distance from all others."""
    from scipy.spatial import KDTree

    check_numbers(places=places, others=others, apart_um=apart_um)
    if len(others) == 0 or len(places) == 0:
        return places
    return np.asarray(places[np.asarray(KDTree(others).query(places)[0]) >= apart_um])


def read_occupancy(path: str | os.PathLike[str]) -> tuple[Real, NDArray[np.bool_]]:
    """Read which sites hold an atom.

    Parameters
    ----------
    path : path
        A CSV file with a header line and the columns i, j (lattice coordinates) and filled (0 or 1), whatever others it has.

    Returns
    -------
    sites : ndarray, shape (n, 2)
        Lattice coordinates.
    filled : ndarray of bool, shape (n,)

    Raises
    ------
    InputError
        With file and line, for a missing column, a cell that is not a number, a value of filled that is neither 0 nor 1, a site that is
        there twice, or if there are no sites.
    """
    columns = read_csv(path, ("i", "j", "filled"), others=True)
    wrong = ~np.isin(columns["filled"], (0, 1))
    if wrong.any():
        raise InputError(f"{path}: filled: found {columns['filled'][wrong][0]:g}; allowed: 0 or 1")
    sites = np.column_stack([columns["i"], columns["j"]])
    if len(sites) == 0:
        raise InputError(f"{path}: found no sites; allowed: a line for each site that may hold an atom")
    named, times = np.unique(sites, axis=0, return_counts=True)
    if (times > 1).any():
        i, j = named[times > 1][0]
        raise InputError(f"{path}: found the site ({i:g}, {j:g}) twice; allowed: every site once")
    return sites, columns["filled"] == 1
