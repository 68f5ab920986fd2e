"""Names for the sites of a lattice that a frame shows: which vectors, and which site is (0, 0).

A frame tells a lattice only up to the choice of its vectors (a unimodular matrix) and of its origin (whole sites). Lattice vectors are the
columns of a matrix here, as in an `Affine` from lattice coordinates (i, j) to (column, row).

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.affine import Affine
from holo.errors import CalibrationError, InputError
from holo.lattice import reduced_vectors
from holo.periods import matrix_prior

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LENGTH_OFF, ANGLE_OFF_DEG = 0.2, 10.0
"""By how much the lengths (relative) and the angle of the vectors may differ from the nominal ones."""

_CLOSE = 0.7
_NEAR_HALF = 0.4
_ALIKE = 0.05
_EMPTY_COSETS = 8.0
_EXACT = np.zeros((6, 6))
_UNTURNED = (
    "neither direction nor origin of the lattice on the camera are known beforehand (no registration of the plane): the sites are named as"
    " if the camera were not turned"
)


@dataclass(frozen=True, eq=False)
class Names:
    """Which of the equivalent descriptions of a lattice is meant."""

    change: Affine
    """Exact map from lattice coordinates as named to those as found."""
    notes: tuple[str, ...]
    """What was a close choice."""


def plain_names(found: Affine, centre_px: ArrayLike) -> Names:
    """Name sites without a nominal lattice.

    The vectors are the shortest ones, the first as much as possible along +x, the second clockwise of it in a picture; (0, 0) is the site
    next to a point.

    Parameters
    ----------
    found : Affine
        To (column, row), with any vectors of the lattice.
    centre_px : array_like, shape (2,)

    Returns
    -------
    Names
        With `change`, the map from the new lattice coordinates to those of `found`.

    Examples
    --------
    >>> names = plain_names(Affine([[0, 5], [-4, 0]], [3, 2]), [50, 40])
    >>> found = Affine([[0, 5], [-4, 0]], [3, 2]).after(names.change)
    >>> found.matrix, found.offset
    (array([[5., 0.],
           [0., 4.]]), array([48., 42.]))
    """
    short = reduced_vectors(found.matrix.T).T
    short = short[:, ::-1] if abs(short[0, 0]) < abs(short[0, 1]) else short
    first = short[:, 0] * np.sign(short[0, 0])
    second = short[:, 1] * np.sign(first[0] * short[1, 1] - first[1] * short[0, 1])
    turn = _whole(np.linalg.solve(found.matrix, np.column_stack([first, second])))
    shift = _whole(np.linalg.solve(found.matrix, np.asarray(centre_px, dtype=np.float64) - found.offset))
    note = "no nominal lattice is known: the vectors are the shortest ones, and (0, 0) is the site next to the frame's centre"
    return Names(Affine(turn, shift, _EXACT), (note,))


def names(found: Affine, ij: Ints, nominal: Affine, oriented: bool, basis: ArrayLike) -> Names:
    """Name sites as a nominal lattice does.

    Parameters
    ----------
    found : Affine
        To (column, row), with any vectors of the lattice. Of a lattice with a basis that of all sites, such as the triangular one of a
        honeycomb with its centres.
    ij : ndarray of int, shape (n, 2)
        Sites that hold atoms, in the coordinates of `found`.
    nominal : Affine
        The lattice as it should be.
    oriented : bool
        Whether the direction and the origin of `nominal` mean something.
    basis : array_like, shape (b, 2)
        Sites of one cell of the nominal lattice, in its coordinates.

    Returns
    -------
    Names
        Those whose vectors and origin are nearest to the nominal ones.

    Raises
    ------
    CalibrationError
        If no vectors of the found lattice are like the nominal ones, or the atoms do not tell the sites of a basis from the gaps between
        them.
    InputError
        If no lattice has all sites of the basis.
    """
    fine = finest(basis)
    turn, notes = _turned(found.matrix, nominal.matrix @ fine, oriented)
    whole = _whole(np.linalg.inv(fine))
    check_shape(found.matrix @ turn @ whole, nominal.matrix)
    start = turn @ _rest(_whole(np.linalg.solve(turn, ij.T).T), whole, basis)
    matrix, offset = found.matrix @ turn @ whole, found.apply([start])[0]
    wanted = np.linalg.solve(matrix, nominal.offset - offset)
    away = wanted - np.round(wanted)
    if not oriented:
        notes += (_UNTURNED,)
    elif np.abs(away).max() > _NEAR_HALF:
        notes += (
            f"site (0, 0) lies ({-away[0]:.2f}, {-away[1]:.2f}) sites off its nominal place: a neighbour lies nearly as close, so names may"
            " be off by one",
        )
    change = Affine(turn @ whole, start + turn @ whole @ np.round(wanted), _EXACT)
    return Names(change, notes)


def _turned(matrix: Floats, nominal: Floats, oriented: bool) -> tuple[Floats, tuple[str, ...]]:
    """The unimodular matrix that brings vectors nearest to nominal ones, and what to say of the choice."""
    short, wanted = reduced_vectors(matrix.T).T, reduced_vectors(nominal.T).T
    before, after = _whole(np.linalg.solve(matrix, short)), _whole(np.linalg.solve(wanted, nominal))
    turns = np.array(list(product((-2, -1, 0, 1, 2), repeat=4)), dtype=np.float64).reshape(-1, 2, 2)
    turns = turns[np.abs(np.abs(np.linalg.det(turns)) - 1) < 0.5]
    offers = short @ turns
    away = np.linalg.norm(offers - wanted, axis=(1, 2)) / np.linalg.norm(wanted)
    if oriented:
        best, second = np.argsort(away, kind="stable")[:2]
        close = away[best] > _CLOSE * away[second]
        note = "the lattice is turned so far from its nominal direction that which vector is which was a close choice"
        return before @ turns[best] @ after, (note,) if close else ()
    unlike = np.linalg.norm(np.swapaxes(offers, 1, 2) @ offers - wanted.T @ wanted, axis=(1, 2)) / np.linalg.norm(wanted.T @ wanted)
    unlike[np.linalg.det(offers) * np.linalg.det(wanted) < 0] = np.inf
    best = np.argmin(np.where(unlike < unlike.min() + _ALIKE, away, np.inf))
    return before @ turns[best] @ after, ()


def _whole(values: NDArray[Any]) -> Floats:
    """Numbers that are whole but for rounding."""
    return np.asarray(np.round(values), dtype=np.float64)


def check_shape(matrix: Floats, nominal: Floats) -> None:
    """Refuse vectors whose lengths or angle are not the nominal ones.

    Parameters
    ----------
    matrix, nominal : ndarray, shape (2, 2)
        Lattice vectors as columns, (column, row) in pixels: found, and as the bench has them.

    Raises
    ------
    CalibrationError
        If a length differs by more than `LENGTH_OFF` or the angle by more than `ANGLE_OFF_DEG`.
    """
    (lengths, angle), (wanted, right) = _shape(matrix), _shape(nominal)
    if (np.abs(lengths / wanted - 1) <= LENGTH_OFF).all() and abs(angle - right) <= ANGLE_OFF_DEG:
        return
    ratio = abs(np.linalg.det(matrix) / np.linalg.det(nominal))
    every = f" (the cell is {ratio:.3g} times the nominal one: are only some of the sites filled, in a pattern?)" if ratio > 1.5 else ""
    raise CalibrationError(
        f"lattice: found vectors of {lengths[0]:.4g} and {lengths[1]:.4g} px at {angle:.3g} degrees; nominal: {wanted[0]:.4g} and"
        f" {wanted[1]:.4g} px at {right:.3g} degrees{every}; correct the lattice, or magnification and pixel_um of the camera, in the bench"
        " file"
    )


def shape_credit(nominal: Floats) -> float:
    """Tell how much it narrows a search for lattices to look for those with nearly nominal vectors only.

    Parameters
    ----------
    nominal : ndarray, shape (2, 2)
        Vectors as columns, px.

    Returns
    -------
    float
        Logarithm of the ratio of the prior probabilities of the nominal lattice: uniform within what `check_shape` allows, at any
        direction, over that of `holo.periods`.

    Notes
    -----
    With lengths a, b, the direction of a and the angle from a to b as coordinates, ``dM = a b da db dangle ddirection``.
    """
    cell = abs(float(np.linalg.det(nominal)))
    share = (2 * LENGTH_OFF) ** 2 * 2 * np.radians(ANGLE_OFF_DEG) * 2 * np.pi * np.prod(np.hypot(*nominal)) ** 2
    return float(-np.log(share) - matrix_prior(cell))


def _shape(matrix: Floats) -> tuple[Floats, float]:
    """Lengths of two vectors, and the angle between them in degrees."""
    lengths = np.hypot(*matrix)
    return lengths, float(np.degrees(np.arccos(np.clip(matrix[:, 0] @ matrix[:, 1] / lengths.prod(), -1, 1))))


# ---------------------------------------------------------------------------------------------------------------------
# lattices with a basis


def finest(basis: ArrayLike) -> Floats:
    """Vectors, as columns in lattice coordinates, of the coarsest lattice that has all sites of a basis.

    Parameters
    ----------
    basis : array_like, shape (b, 2)
        Sites of a cell, lattice coordinates.

    Returns
    -------
    ndarray, shape (2, 2)

    Raises
    ------
    InputError
        If there is none with cells larger than a 144th of a cell.

    Examples
    --------
    >>> print(f"{abs(np.linalg.det(finest([[0, 0], [1 / 3, 1 / 3]]))):.4f}")
    0.3333
    """
    basis = np.asarray(basis, dtype=np.float64).reshape(-1, 2)
    for parts in range(1, 13):
        steps = parts * (basis - basis[0])
        if np.abs(steps - np.round(steps)).max() < 1e-6:
            return _generated(np.vstack([parts * np.eye(2), np.round(steps)]).astype(np.int64)).T / parts
    raise InputError(f"basis: found {basis.tolist()}; allowed: sites that differ by twelfths of a lattice vector, or larger parts")


def _generated(rows: Ints) -> Floats:
    """The two shortest vectors that generate the same lattice as some, by Euclid's algorithm."""
    vectors = [row for row in rows if row.any()]
    heads: list[Ints] = []
    for axis in (0, 1):
        while len(live := [row for row in vectors if row[axis]]) > 1:
            pivot = min(live, key=lambda row: abs(row[axis]))
            vectors = [row if row is pivot else row - row[axis] // pivot[axis] * pivot for row in vectors]
        heads += live
        vectors = [row for row in vectors if row.any() and not row[axis]]
    return reduced_vectors(np.array(heads, dtype=np.float64))


def _rest(ij: Floats, whole: Floats, basis: ArrayLike) -> Floats:
    """Site of the fine lattice where a cell begins, so that atoms sit on the sites of the basis.

    Parameters
    ----------
    ij : ndarray, shape (n, 2)
        Sites that hold atoms, in coordinates of the fine lattice.
    whole : ndarray, shape (2, 2)
        Vectors of the cell in the fine lattice, as columns.
    basis : array_like, shape (b, 2)

    Raises
    ------
    CalibrationError
        If another choice has nearly as many atoms on sites.
    """
    cells = round(abs(float(np.linalg.det(whole))))
    if cells == 1:
        return np.zeros(2)
    starts = np.array(list(product(range(cells), repeat=2)), dtype=np.float64)
    sites = (np.asarray(basis, dtype=np.float64).reshape(-1, 2) - np.reshape(basis, (-1, 2))[0]) @ whole.T
    starts = starts[np.unique(np.round(_within(starts, whole), 6), axis=0, return_index=True)[1]]
    counts = np.zeros(len(starts))
    for index, start in enumerate(starts):
        for site in sites:
            away = _within(ij - start - site, whole)
            counts[index] += (np.abs(away - np.round(away)).max(axis=1) < 1e-6).sum()
    order = np.argsort(-counts, kind="stable")
    if counts[order[0]] < counts[order[1]] + _EMPTY_COSETS:
        raise CalibrationError(
            f"lattice: found {counts[order[0]]:.0f} and {counts[order[1]]:.0f} of {len(ij)} atoms on sites for two places of the cell;"
            " take more atoms, so that the sites can be told from the gaps between them"
        )
    return np.asarray(starts[order[0]] - np.reshape(basis, (-1, 2))[0] @ whole.T, dtype=np.float64)


def _within(ij: Floats, whole: Floats) -> Floats:
    """Coordinates within the cell, from 0 to 1."""
    return np.asarray(np.linalg.solve(whole, ij.T).T % 1.0, dtype=np.float64)
