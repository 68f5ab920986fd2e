"""Lattices in the objective plane: two vectors, an origin, and the sites of one cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.checks import check_finite, check_numbers, frozen_array
from holo.errors import InputError
from holo.tables import REQUIRED, Table

GEOMETRIES = ("square", "rectangular", "triangular", "honeycomb", "kagome", "oblique")
"""Names that `named_lattice` and the key ``geometry`` of a bench file know."""

_SHORTEST_UM = 1e-6
_TWO_SPACINGS = ("rectangular", "oblique")
_BASES = {
    "honeycomb": [[0.0, 0.0], [1 / 3, 1 / 3]],
    "kagome": [[0.0, 0.0], [0.5, 0.0], [0.0, 0.5]],
}
# cell side over nearest-neighbour distance
_CELL_SIDES = {"honeycomb": np.sqrt(3.0), "kagome": 2.0}
_CELL_ANGLES_DEG = {"square": 90.0, "rectangular": 90.0, "triangular": 60.0, "honeycomb": 60.0, "kagome": 60.0}


@dataclass(frozen=True, eq=False)
class Lattice:
    """A lattice in the objective plane.

    Parameters
    ----------
    vectors_um : ndarray, shape (2, 2)
        Rows are the two lattice vectors as (x, y), um; y points down.
    origin_um : ndarray, shape (2,)
        Where the site (0, 0) lies, as (x, y), um.
    basis : ndarray, shape (b, 2)
        Lattice coordinates of the sites of one cell.

    Raises
    ------
    InputError
        If a shape is wrong, a number is not finite, the vectors are zero or within 0.5 degrees of parallel, or two
        sites of the basis are the same site.

    Notes
    -----
    The site with lattice coordinates (i, j) lies at ``origin + i * vectors[0] + j * vectors[1]``.

    Examples
    --------
    >>> lattice = Lattice([[5, 0], [0, 5]], [60, 40])
    >>> lattice.positions_um([[0, 0], [2, 1]])
    array([[60., 40.],
           [70., 45.]])
    """

    vectors_um: NDArray[np.float64]
    origin_um: NDArray[np.float64] = field(default_factory=lambda: np.zeros(2))
    basis: NDArray[np.float64] = field(default_factory=lambda: np.zeros((1, 2)))

    def __post_init__(self) -> None:
        for name, shape in (("vectors_um", (2, 2)), ("origin_um", (2,)), ("basis", (-1, 2))):
            object.__setattr__(self, name, frozen_array(getattr(self, name), shape, f"lattice: {name}"))
        lengths = np.hypot(*self.vectors_um.T)
        if not (lengths > _SHORTEST_UM).all() or abs(np.linalg.det(self.vectors_um)) < np.sin(np.radians(0.5)) * lengths.prod():
            raise InputError(f"lattice: vectors_um: found {self.vectors_um.tolist()}; allowed: two vectors that are not parallel")
        if len(self.basis) == 0 or self.spacing_um < 1e-6 * lengths.min():
            raise InputError(f"lattice: basis: found {self.basis.tolist()}; allowed: one or more different sites of one cell")

    @cached_property
    def spacing_um(self) -> float:
        """Distance of nearest neighbours among all sites, basis included, um."""
        reduced = reduced_vectors(self.vectors_um)
        between = (self.basis[:, None] - self.basis[None]).reshape(-1, 2) @ self.vectors_um @ np.linalg.inv(reduced)
        between -= np.round(between)
        steps = np.stack(np.meshgrid([-1, 0, 1], [-1, 0, 1]), axis=-1).reshape(-1, 2)
        distances = np.hypot(*np.moveaxis((between[:, None] + steps) @ reduced, -1, 0))
        # a site is no neighbour of itself
        distances[np.eye(len(self.basis), dtype=bool).ravel(), 4] = np.inf
        return float(distances.min())

    def positions_um(self, ij: ArrayLike) -> NDArray[np.float64]:
        """Positions of lattice coordinates.

        Parameters
        ----------
        ij : array_like, shape (n, 2)
            Lattice coordinates (i, j), real numbers.

        Returns
        -------
        ndarray, shape (n, 2)
            Positions (x, y) in the objective plane, um.

        Raises
        ------
        InputError
            If a coordinate is not finite.
        """
        check_finite("ij", ij)
        return np.asarray(ij, dtype=np.float64).reshape(-1, 2) @ self.vectors_um + self.origin_um

    def sites(self, low: tuple[int, int], high: tuple[int, int]) -> NDArray[np.float64]:
        """All sites, basis included, of a range of cells.

        Parameters
        ----------
        low, high : tuple of int
            First cell (i, j), and the cell after the last in both directions.

        Returns
        -------
        ndarray, shape (n, 2)
            Lattice coordinates (i, j), ordered by row j, then by column i, then as in the basis.

        Examples
        --------
        >>> named_lattice("kagome", 5).sites((0, 0), (1, 1))
        array([[0. , 0. ],
               [0.5, 0. ],
               [0. , 0.5]])
        """
        columns, rows = np.arange(low[0], high[0]), np.arange(low[1], high[1])
        cells = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 1, 2)
        return np.asarray(cells + self.basis, dtype=np.float64).reshape(-1, 2)


def reduced_vectors(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Find the shortest pair of vectors that spans the same lattice.

    Parameters
    ----------
    vectors : ndarray, shape (2, 2)
        Rows are lattice vectors, not parallel.

    Returns
    -------
    ndarray, shape (2, 2)
        Rows are lattice vectors, the shorter one first; the angle between them is from 60 to 120 degrees.

    Notes
    -----
    Lagrange-Gauss reduction, as in P. Q. Nguyen and D. Stehlé, ACM Trans. Algorithms 5, 46 (2009), section 3 (citation from memory).

    Examples
    --------
    >>> reduced_vectors(np.array([[5.0, 0.0], [51.0, 5.0]]))
    array([[5., 0.],
           [1., 5.]])
    """
    short, long = sorted(np.asarray(vectors, dtype=np.float64), key=np.hypot.reduce)
    while True:
        long = long - np.round(long @ short / (short @ short)) * short
        if long @ long >= short @ short * (1 - 1e-12):
            return np.array([short, long])
        short, long = long, short


def named_lattice(
    geometry: str,
    spacing_um: float | Sequence[float],
    angle_deg: float = 0.0,
    origin_um: tuple[float, float] = (0.0, 0.0),
    between_deg: float | None = None,
) -> Lattice:
    """Build a lattice by the name of its geometry.

    Parameters
    ----------
    geometry : str
        One of `GEOMETRIES`.
    spacing_um : float or two floats
        Distance of nearest neighbours, um; for rectangular and oblique lattices the lengths of the two vectors.
    angle_deg : float
        Direction of the first vector, from +x towards +y; as y points down, clockwise in a picture.
    origin_um : tuple of float
        Where the site (0, 0) lies, (x, y), um.
    between_deg : float, optional
        Angle from the first vector to the second, in the same sense; required for an oblique lattice, refused for others.

    Returns
    -------
    Lattice
        Triangular, honeycomb and kagome cells have 60 degrees between their vectors; the honeycomb has two sites in a
        cell, the kagome three.

    Raises
    ------
    InputError
        For an unknown name, or a number that is missing, superfluous or out of range.

    Notes
    -----
    With nearest neighbours at distance a, the cell's side is a sqrt(3) for the honeycomb and 2 a for the kagome lattice
    (N. W. Ashcroft and N. D. Mermin, Solid State Physics, 1976, chapter 4 for the honeycomb; from memory).

    Examples
    --------
    >>> lattice = named_lattice("honeycomb", 5.0)
    >>> print(f"{lattice.spacing_um:.6f} {len(lattice.basis)}")
    5.000000 2
    """
    if geometry not in GEOMETRIES:
        raise InputError(f"geometry: found {geometry!r}; allowed: {', '.join(GEOMETRIES)}")
    if (geometry == "oblique") != (between_deg is not None):
        raise InputError(f"between_deg: found {between_deg} for a {geometry} lattice; allowed: an angle if and only if it is oblique")
    count = 2 if geometry in _TWO_SPACINGS else 1
    spacings = frozen_array(np.atleast_1d(spacing_um), (count,), f"spacing_um of a {geometry} lattice")
    if not (spacings > 0).all():
        raise InputError(f"spacing_um: found {spacing_um}; allowed: a number above 0")
    check_numbers(angle_deg=angle_deg, between_deg=0.0 if between_deg is None else between_deg)
    between = _CELL_ANGLES_DEG[geometry] if between_deg is None else between_deg
    angles = np.radians([angle_deg, angle_deg + between])
    sides = spacings * _CELL_SIDES.get(geometry, 1.0)
    vectors = sides[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return Lattice(vectors, np.array(origin_um), np.array(_BASES.get(geometry, [[0.0, 0.0]])))


def read_lattice(table: Table) -> Lattice:
    """Read the lattice of a ``[lattice]`` table.

    Parameters
    ----------
    table : Table
        Has ``vectors_um``, two rows (x, y); or ``geometry`` and ``spacing_um`` (one number; two for rectangular and
        oblique), and optionally ``angle_deg``; an oblique one also ``between_deg``. ``origin_um`` in both cases, [0, 0] by
        default. See `Lattice` and `named_lattice` for their meaning.

    Raises
    ------
    InputError
        With file and key, for anything else in the table.
    """
    origin = table.numbers("origin_um", 2, -1e5, 1e5, (0.0, 0.0))
    if "vectors_um" in table and "geometry" in table:
        raise table.problem("geometry", "found together with vectors_um; allowed: one of the two")
    if "geometry" in table:
        lattice = _read_named(table, origin)
    else:
        rows = table.rows("vectors_um", 2, -1e4, 1e4, REQUIRED)
        if len(rows) != 2:
            raise table.wrong("vectors_um", "two rows [x, y], one for each lattice vector")
        try:
            lattice = Lattice(np.array(rows), np.array(origin))
        except InputError as error:
            raise table.wrong("vectors_um", "two vectors that are not parallel") from error
    table.close()
    return lattice


def _read_named(table: Table, origin: tuple[float, float]) -> Lattice:
    geometry = table.text("geometry", GEOMETRIES, REQUIRED)
    if geometry in _TWO_SPACINGS:
        spacing = table.numbers("spacing_um", 2, 0.01, 1e4, REQUIRED)
    else:
        spacing = table.number("spacing_um", 0.01, 1e4, REQUIRED)
    between = table.number("between_deg", 10, 170, REQUIRED) if geometry == "oblique" else None
    return named_lattice(geometry, spacing, table.number("angle_deg", -360, 360, 0.0), origin, between)
