"""Arrangements: the sites that are to get light, how much of it, and the sites that must get none."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo.cards import card, sites_png
from holo.checks import check_finite, check_numbers, frozen_array
from holo.errors import InputError, naming
from holo.files import digest, read_csv, read_text
from holo.images import read_grey
from holo.lattice import Lattice
from holo.smooth import Smooth, read_smooth, smooth_files
from holo.tables import REQUIRED, Table, parse_toml

MAX_SITES = 200_000
"""Most sites of one arrangement."""

SAME = 1e-4
"""Sites whose lattice coordinates (and depths in um) round to the same multiple of this are the same site."""

_FARTHEST = 1e5
_DEEPEST_UM = 1e4
_FAINTEST, _BRIGHTEST = 1e-6, 1e6
_MOST_CELLS = 1_000_000
_MOST_WORK = 4_000_000
_UNIT = Lattice(np.eye(2))
_SOURCES = ("sites", "sites_csv", "block", "disc", "ring", "line", "picture", "image")
_HEADING = re.compile(r"""^[ \t]*\[\[[ \t]*["']?(add|remove)["']?[ \t]*\]\]""", re.MULTILINE)


@dataclass(frozen=True, eq=False)
class Arrangement:
    """Wanted sites with their targets.

    Parameters
    ----------
    title : str
    ij : ndarray, shape (n, 2)
        Lattice coordinates (i, j), real numbers.
    target : ndarray, shape (n,)
        Wanted relative intensity; 0 marks a dark site, which must get no light.
    z_um : ndarray, shape (n,)
        Depth, um.
    smooth : Smooth, optional
        Continuous light that is wanted, besides the sites or instead of any.

    Raises
    ------
    InputError
        If shapes differ, a number is not finite or out of range, a site is there twice (see `SAME`), or there are more
        than `MAX_SITES`. No sites at all is allowed.

    Notes
    -----
    ``a | b`` has the sites of both, and where they share one, that of ``b``; ``a - b`` has the sites of ``a`` that ``b`` lacks;
    ``a & b`` those of ``a`` that ``b`` has too. Continuous light goes along with ``a``; with ``a | b`` that of ``b`` if ``a`` has none.

    Examples
    --------
    >>> frame = block(4, 4) - block(2, 2).shifted(1, 1)
    >>> len(frame)
    12
    """

    title: str
    ij: NDArray[np.float64]
    target: NDArray[np.float64]
    z_um: NDArray[np.float64]
    smooth: Smooth | None = None

    def __post_init__(self) -> None:
        if len(self.ij) > MAX_SITES:
            raise InputError(f"found {len(self.ij)} sites; allowed: at most {MAX_SITES}")
        for name, shape in (("ij", (-1, 2)), ("target", (len(self.ij),)), ("z_um", (len(self.ij),))):
            object.__setattr__(self, name, frozen_array(getattr(self, name), shape, name))
        _refuse(self.ij, np.abs(self.ij) > _FARTHEST, "ij", f"{-_FARTHEST:g} to {_FARTHEST:g}")
        _refuse(self.z_um, np.abs(self.z_um) > _DEEPEST_UM, "z_um", f"{-_DEEPEST_UM:g} to {_DEEPEST_UM:g}")
        faint = (self.target != 0) & (self.target < _FAINTEST)
        _refuse(self.target, faint | (self.target > _BRIGHTEST), "target", f"0, or {_FAINTEST:g} to {_BRIGHTEST:g}")
        self._refuse_twins()

    def _refuse_twins(self) -> None:
        _, first, own = np.unique(self._keys, return_index=True, return_inverse=True)
        twins = np.flatnonzero(first[own] != np.arange(len(self)))
        if twins.size:
            i, j = self.ij[twins[0]]
            numbers = f"{first[own[twins[0]]] + 1} and {twins[0] + 1}"
            raise InputError(f"found the site ({i:g}, {j:g}) twice, as number {numbers}; allowed: every site once")

    @cached_property
    def _keys(self) -> NDArray[np.void]:
        return _keys(self.ij, self.z_um)

    def __len__(self) -> int:
        return len(self.ij)

    def _repr_html_(self) -> str:
        """Show the arrangement in a notebook."""
        dark = self.target == 0
        bright, depths = self.target[~dark], np.unique(self.z_um)
        rows: list[tuple[str, object]] = [("bright sites", len(bright)), ("dark sites", int(dark.sum()))]
        if len(bright):
            rows.append(("targets", " to ".join(f"{value:g}" for value in np.unique([bright.min(), bright.max()]))))
        if len(self):
            rows.append(("i, j", "; ".join(f"{low:g} to {high:g}" for low, high in zip(self.ij.min(0), self.ij.max(0), strict=True))))
        if depths.any():
            rows.append(("depths", f"{depths[0]:g} to {depths[-1]:g} um, {len(depths)} of them; drawn over each other"))
        if self.smooth is not None:
            rows.append(("continuous light", "yes, not drawn"))
        caption = "i to the right, j down; the darker the brighter, circles are dark sites"
        picture = sites_png(self.ij, self.target / max(bright.max(initial=0.0), _FAINTEST), dark)
        return card(f"Arrangement: {self.title or 'without a title'}", rows, picture, caption)

    def _only(self, wanted: NDArray[np.bool_]) -> Arrangement:
        return replace(self, ij=self.ij[wanted], target=self.target[wanted], z_um=self.z_um[wanted])

    def _in(self, other: Arrangement) -> NDArray[np.bool_]:
        return np.isin(self._keys, other._keys)

    def __or__(self, other: Arrangement) -> Arrangement:
        kept = self - other
        return Arrangement(
            self.title or other.title,
            np.concatenate([kept.ij, other.ij]),
            np.concatenate([kept.target, other.target]),
            np.concatenate([kept.z_um, other.z_um]),
            self.smooth or other.smooth,
        )

    def __sub__(self, other: Arrangement) -> Arrangement:
        return self._only(~self._in(other))

    def __and__(self, other: Arrangement) -> Arrangement:
        return self._only(self._in(other))

    @property
    def bright(self) -> Arrangement:
        """The sites that are to get light."""
        return self._only(self.target > 0)

    @property
    def dark(self) -> Arrangement:
        """The sites that must get none."""
        return self._only(self.target == 0)

    def shifted(self, di: float, dj: float) -> Arrangement:
        """Move all sites by (di, dj) in lattice coordinates."""
        return replace(self, ij=self.ij + np.array([di, dj]))

    def every(self, m: int, n: int) -> Arrangement:
        """Keep the cells whose column is a multiple of `m` and whose row is a multiple of `n`.

        Examples
        --------
        >>> block(4, 3).every(2, 2).ij.tolist()
        [[0.0, 0.0], [2.0, 0.0], [0.0, 2.0], [2.0, 2.0]]
        """
        if m < 1 or n < 1:
            raise InputError(f"every: found {m}, {n}; allowed: whole numbers from 1 up")
        cells = np.floor(self.ij + SAME)
        return self._only((cells % [m, n] == 0).all(axis=1))

    def thinned(self, fill: float, rng: np.random.Generator) -> Arrangement:
        """Keep each site with the probability `fill`, drawn from `rng` site after site."""
        if not 0 <= fill <= 1:
            raise InputError(f"fill: found {fill:g}; allowed: 0 to 1")
        return self._only(rng.random(len(self)) < fill)

    def with_target(self, target: ArrayLike) -> Arrangement:
        """Give all sites one target, or each its own from an array of shape (n,)."""
        return replace(self, target=_per_site(target, len(self)))

    def at_depth(self, z_um: ArrayLike) -> Arrangement:
        """Put all sites at one depth, or each at its own from an array of shape (n,), um."""
        return replace(self, z_um=_per_site(z_um, len(self)))

    def graded(self, low: float, high: float, along: tuple[float, float], lattice: Lattice) -> Arrangement:
        """Scale the targets linearly along a lattice direction.

        Parameters
        ----------
        low, high : float
            Factors at the first and at the last site.
        along : tuple of float
            Direction from first to last, in lattice coordinates; sites on a line across it (in real space) share a factor.
        lattice : Lattice

        Raises
        ------
        InputError
            If the sites do not extend along that direction.

        Examples
        --------
        >>> block(3, 1).graded(0.5, 1, (1, 0), Lattice(np.eye(2))).target
        array([0.5 , 0.75, 1.  ])
        """
        check_numbers(low=low, high=high, along=along)
        positions, step = self.ij @ lattice.vectors_um, np.asarray(along) @ lattice.vectors_um
        places = positions @ step
        extent = float(np.ptp(places)) if len(self) else 0.0
        if extent <= 1e-9 * np.hypot(*step) * np.abs(positions).max(initial=0.0):
            raise InputError(f"found no two sites at different places along {tuple(along)}; allowed: a direction in which they extend")
        return self.with_target(self.target * (low + (high - low) * (places - places.min()) / extent))

    def with_dark_margin(self, margin: float, lattice: Lattice) -> Arrangement:
        """Add dark sites around the bright ones.

        Parameters
        ----------
        margin : float
            How far the darkness reaches, in units of the lattice's spacing.
        lattice : Lattice

        Returns
        -------
        Arrangement
            With a dark site on every lattice site, basis included, that lies within the margin of a bright one and is not
            in the arrangement yet. A dark site has the depth of the bright one next to it.

        Notes
        -----
        Sites whose depths follow each other in steps of at most the lattice's spacing count as one plane, which may be
        tilted or bent; each plane gets its own dark sites.

        Examples
        --------
        >>> lattice = Lattice([[5, 0], [0, 5]])
        >>> len(block(1, 1).with_dark_margin(1, lattice).dark)
        4
        """
        if not 0 < margin <= _FARTHEST:
            raise InputError(f"margin: found {margin:g}; allowed: above 0, up to {_FARTHEST:g}")
        with_margin = self
        for plane in self._planes(lattice.spacing_um):
            with_margin |= _dark_margin(plane, margin, lattice)
        return with_margin

    def _planes(self, step_um: float) -> Iterator[Arrangement]:
        depths = np.unique(self.z_um)
        number = np.concatenate([[0], np.cumsum(np.diff(depths) > step_um)])
        of_site = number[np.searchsorted(depths, self.z_um)]
        return (self._only(of_site == plane) for plane in np.unique(of_site))


def _refuse(values: NDArray[np.float64], wrong: NDArray[np.bool_], name: str, allowed: str) -> None:
    if wrong.any():
        raise InputError(f"{name}: found {values[wrong][0]:g}; allowed: {allowed}")


def _keys(*columns: NDArray[np.float64]) -> NDArray[np.void]:
    """Give sites identities that can be compared (see `SAME`), shape (n,)."""
    rows = np.ascontiguousarray(np.round(np.column_stack(columns) / SAME).astype(np.int64))
    return rows.view(np.dtype((np.void, rows.itemsize * rows.shape[1]))).ravel()


def _per_site(values: ArrayLike, count: int) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    return np.full(count, array) if array.ndim == 0 else array


def _dark_margin(plane: Arrangement, margin: float, lattice: Lattice) -> Arrangement:
    """Find the dark sites around the bright ones of one plane (see `Arrangement.with_dark_margin`)."""
    from scipy.spatial import KDTree

    bright = plane.bright
    if not len(bright):
        return bright
    reach = margin * lattice.spacing_um * (1 + 1e-9)
    ij = _sites_around(lattice, bright.ij, reach)
    found = KDTree(lattice.positions_um(bright.ij)).query(lattice.positions_um(ij), distance_upper_bound=reach)
    distances, nearest = np.asarray(found[0]), np.asarray(found[1])
    inside = np.isfinite(distances) & ~np.isin(_keys(ij), _keys(plane.ij))
    return from_sites(ij[inside], 0.0, bright.z_um[nearest[inside]])


def _sites_around(lattice: Lattice, ij: NDArray[np.float64], reach_um: float) -> NDArray[np.float64]:
    """List the lattice sites of a parallelogram that holds all sites within `reach_um` of `ij`."""
    reach = reach_um * np.linalg.norm(np.linalg.inv(lattice.vectors_um), axis=0)
    low = np.floor(ij.min(axis=0) - reach - lattice.basis.max(axis=0)).astype(int).tolist()
    high = np.ceil(ij.max(axis=0) + reach - lattice.basis.min(axis=0) + 1).astype(int).tolist()
    cells = (high[0] - low[0]) * (high[1] - low[1]) * len(lattice.basis)
    if cells > _MOST_CELLS:
        raise InputError(f"found a region of {cells} lattice sites to search; allowed: at most {_MOST_CELLS}")
    return lattice.sites((low[0], low[1]), (high[0], high[1]))


def from_sites(ij: ArrayLike, target: ArrayLike = 1.0, z_um: ArrayLike = 0.0, title: str = "") -> Arrangement:
    """Build an arrangement from lists.

    Parameters
    ----------
    ij : array_like, shape (n, 2)
        Lattice coordinates (i, j).
    target, z_um : float or array_like, shape (n,)
        Wanted relative intensity (0: dark) and depth, um.
    title : str

    Raises
    ------
    InputError
        See `Arrangement`.

    Examples
    --------
    >>> from_sites([[0, 0], [3, 1]], target=[1, 0.5]).target
    array([1. , 0.5])
    """
    sites = frozen_array(ij if np.size(ij) else np.zeros((0, 2)), (-1, 2), "sites")
    return Arrangement(title, sites, _per_site(target, len(sites)), _per_site(z_um, len(sites)))


def block(columns: int, rows: int, lattice: Lattice = _UNIT) -> Arrangement:
    """Fill a block of cells, each with its basis, from cell (0, 0) up.

    Examples
    --------
    >>> len(block(3, 2))
    6
    """
    if columns < 1 or rows < 1 or columns * rows * len(lattice.basis) > MAX_SITES:
        raise InputError(f"found {columns} x {rows} cells; allowed: 1 to {MAX_SITES} sites")
    return from_sites(lattice.sites((0, 0), (columns, rows)))


def disc(radius: float, lattice: Lattice, centre: tuple[float, float] = (0.0, 0.0)) -> Arrangement:
    """Fill a disc: all lattice sites, basis included, up to `radius` from `centre`.

    Parameters
    ----------
    radius : float
        In units of the lattice's spacing, measured in real space.
    lattice : Lattice
    centre : tuple of float
        Lattice coordinates; may lie between sites.

    Examples
    --------
    >>> len(disc(1, Lattice([[5, 0], [0, 5]])))
    5
    """
    return ring(0.0, radius, lattice, centre)


def ring(inner: float, outer: float, lattice: Lattice, centre: tuple[float, float] = (0.0, 0.0)) -> Arrangement:
    """Fill a ring: all lattice sites whose distance from `centre` is from `inner` to `outer` (units as in `disc`).

    Examples
    --------
    >>> len(ring(1, 1, Lattice([[5, 0], [0, 5]])))
    4
    """
    if not 0 <= inner <= outer <= _FARTHEST:
        raise InputError(f"found radii {inner:g} and {outer:g}; allowed: 0 <= inner <= outer <= {_FARTHEST:g}")
    middle = frozen_array(centre, (2,), "centre")
    ij = _sites_around(lattice, middle[None], outer * lattice.spacing_um)
    distances = np.hypot(*((ij - middle) @ lattice.vectors_um).T) / lattice.spacing_um
    return from_sites(ij[(distances >= inner * (1 - 1e-9)) & (distances <= outer * (1 + 1e-9))])


def line(start: tuple[float, float], end: tuple[float, float], count: int | None = None) -> Arrangement:
    """Put sites on a straight line, both ends included.

    Parameters
    ----------
    start, end : tuple of float
        Lattice coordinates (i, j).
    count : int, optional
        Number of sites, evenly spaced; without it, every place on the line where i and j are whole numbers.

    Raises
    ------
    InputError
        If the ends are not whole numbers and there is no count, or the count does not suit the ends.

    Examples
    --------
    >>> line((0, 0), (4, 2)).ij.tolist()
    [[0.0, 0.0], [2.0, 1.0], [4.0, 2.0]]
    """
    ends = frozen_array([start, end], (2, 2), "line")
    if count is None:
        if (ends % 1 != 0).any():
            raise InputError(f"found ends {tuple(start)} and {tuple(end)}; allowed: whole numbers, or a count of sites beside them")
        count = math.gcd(*(int(step) for step in ends[1] - ends[0])) + 1
    if not (2 if (ends[0] != ends[1]).any() else 1) <= count <= MAX_SITES:
        raise InputError(f"found {count} sites from {tuple(start)} to {tuple(end)}; allowed: 2 to {MAX_SITES}")
    return from_sites(np.linspace(ends[0], ends[1], count))


def picture(rows: Sequence[str]) -> Arrangement:
    """Read sites off rows of characters: `x` is bright, `.` empty, a digit 1 to 9 that many tenths of the target.

    Parameters
    ----------
    rows : sequence of str
        All of one length. The first is on top, as y points down: character c of row r is the site (c, r).

    Examples
    --------
    >>> picture([".x", "5."]).ij.tolist(), picture([".x", "5."]).target.tolist()
    ([[1.0, 0.0], [0.0, 1.0]], [1.0, 0.5])
    """
    if not rows or not rows[0]:
        raise InputError("found no characters; allowed: rows of 'x', '.' and digits 1 to 9")
    for number, row in enumerate(rows, 1):
        if len(row) != len(rows[0]):
            raise InputError(f"row {number}: found {len(row)} characters; allowed: {len(rows[0])}, as in the first row")
        if strange := set(row) - set(".x123456789"):
            raise InputError(f"row {number}: found {min(strange)!r}; allowed: 'x', '.' and digits 1 to 9")
    shades = np.array([[".123456789x".index(character) for character in row] for row in rows]) / 10
    return _from_grid(shades, 0.05)


def from_image(image: NDArray[np.float64], columns: int, rows: int, threshold: float = 0.05) -> Arrangement:
    """Sample a grey image on a block of sites.

    Parameters
    ----------
    image : ndarray, shape (height, width)
        Grey values from 0 (black, no light) to 1; row 0 is on top, as y points down.
    columns, rows : int
        Number of sites; the target of each is the mean over its share of the image's area.
    threshold : float
        Sites with a smaller mean are left out.

    Examples
    --------
    >>> from_image(np.array([[1.0, 1.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0]]), 2, 1).target
    array([0.75])
    """
    if image.ndim != 2 or not image.size or not ((image >= 0) & (image <= 1)).all():
        raise InputError(f"found an image of shape {image.shape}; allowed: rows and columns of grey values from 0 to 1")
    if columns < 1 or rows < 1 or columns * rows > MAX_SITES:
        raise InputError(f"found {columns} x {rows} sites; allowed: 1 to {MAX_SITES}")
    check_finite("threshold", threshold)
    return _from_grid(_means(_means(image, rows).T, columns).T, threshold)


def _from_grid(values: NDArray[np.float64], threshold: float) -> Arrangement:
    row, column = np.nonzero(values >= threshold)
    return from_sites(np.column_stack([column, row]), values[row, column])


def _means(image: NDArray[np.float64], parts: int) -> NDArray[np.float64]:
    """Average an image over `parts` equal shares of its height; edges may cut through pixels."""
    summed = np.concatenate([np.zeros((1, image.shape[1])), np.cumsum(image, axis=0, dtype=np.float64)])
    edges = np.linspace(0, len(image), parts + 1)
    below = np.minimum(edges.astype(int), len(image) - 1)
    at_edges = summed[below] + (edges - below)[:, None] * image[below]
    return np.asarray(np.clip(np.diff(at_edges, axis=0) * parts / len(image), 0, 1))


def read_arrangement(path: str | os.PathLike[str], lattice: Lattice) -> Arrangement:
    r"""Read an arrangement file.

    Parameters
    ----------
    path : path
        A TOML file.
    lattice : Lattice
        On which shapes are drawn and dark sites are found.

    Raises
    ------
    InputError
        With file and key, for anything that is not as below, and if no bright site is left.

    Notes
    -----
    The file has a ``title`` (by default its own name), blocks ``[[add]]`` and ``[[remove]]``, which are applied in the order in
    which they stand, and at most one table ``[dark]``. Each block has exactly one source of sites:

    ``sites = [[i, j], ...]``
        A list of lattice coordinates, real numbers.
    ``sites_csv = "file.csv"``
        A table with columns ``i``, ``j`` and optionally ``target`` and ``z_um``.
    ``block = [columns, rows]``
        All sites of the cells from (0, 0) to (columns - 1, rows - 1).
    ``disc = radius``, ``ring = [inner, outer]``
        All lattice sites up to, or between, these distances from ``at``, the centre. Distances are in units of the
        lattice's spacing and measured in real space.
    ``line = [[i, j], [i, j]]``
        All places with whole i and j on the line from end to end; with ``count = n``, n places evenly spaced.
    ``picture = ["x.x", ".5."]``
        Rows of characters, the first on top, or one text of several lines: ``x`` is bright, ``.`` empty, a digit 1 to 9 that
        many tenths of the target.
    ``image = "file.png"``
        A grey PNG, BMP or TIFF, sampled on ``size = [columns, rows]`` sites by the mean over each one's share: black is no
        light, white the full target. Sites under ``threshold`` (by default 0.05) are left out.

    On a lattice with several sites in a cell, ``block``, ``disc`` and ``ring`` have them all, ``line``, ``picture`` and ``image`` the one
    at the cell's (i, j). Names of files are relative to the arrangement's own. The sites then go through, in this order:

    ``every = [m, n]``
        Keep every m-th column and every n-th row of cells, counted before ``at`` moves them.
    ``fill = p`` and ``seed = s``
        Keep each site with probability p; the same seed (by default 0) keeps the same sites.
    ``at = [i, j]``
        Move the sites by that; for ``disc`` and ``ring``, where the centre lies, possibly between sites.

    and in ``[[add]]`` also through

    ``target = t``
        Relative intensity, by default 1; multiplies what the source gives. 0 makes dark sites.
    ``z_um = z``
        Depth, by default 0; added to what a table gives.
    ``target_gradient = [low, high]`` and ``gradient_along = [di, dj]``
        Scale the targets linearly from the first site to the last in that direction, by default [1, 0].

    A site that is added again takes its new target. ``[[remove]]`` takes sites away at every depth, or with ``z_um`` at that one;
    the targets of its source do not matter. A block must add or remove something.

    ``[dark]`` with ``margin = d`` asks for darkness on every lattice site that lies within the distance d of a bright one and
    is not in the arrangement itself (`Arrangement.with_dark_margin`).

    A table ``[smooth]`` asks for continuous light, besides sites or without any (`holo.smooth`). It has, all optional,

    ``unit = "um"`` or ``"lattice"``
        What its places and lengths are counted in: um in the objective plane, or lattice coordinates and spacings; then x runs along the
        first lattice vector and everything moves with a registration.
    ``power = p``
        Share of the light of the pupil that goes into the signal region, by default 0.5: the less, the smoother.
    ``margin = m``
        Width of the dark rim around the light that belongs to that region; outside it the light is free.
    ``z_um = z``
        Depth.
    ``sites_power = p``
        Share of the light that goes to the sites, if there are any, by default 0.1.

    and shapes: one in the table itself, and any number in tables ``[[smooth.add]]``, which are summed, and ``[[smooth.times]]``, by which
    the sum is multiplied. Each has exactly one of

    ``box = [width, height]``, ``disc = radius``, ``ring = [inner, outer]``
        Full light inside.
    ``wall = [length, thickness]`` with ``gap = g``
        A bar along x with a gap in its middle.
    ``image = "file.png"``, ``array = "file.npy"`` with ``size = [width, height]``
        Laid over a rectangle; black or 0 is no light.
    ``speckle = correlation`` with ``size = [width, height]`` and ``seed = s``
        Random grains of mean 1 of that correlation length.
    ``ramp = [low, high]`` with ``length = l``
        In ``[[smooth.times]]``: a slope along x over that length, constant beyond.
    ``bowl = [harmonic, quartic]`` with ``radius = r``
        In ``[[smooth.times]]``: ``1 + harmonic (d / r)^2 + quartic (d / r)^4`` at the distance d.

    and may have ``at = [x, y]``, its middle in the unit, ``angle_deg``, turned from x towards y, ``target``, a factor, ``edge``, the
    width over which its rim rises from 8 % to 92 % (by default four focal cells), and ``inverse = true`` for 1 less the shape.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "frame.toml"
    ...     _ = path.write_text("[[add]]\nblock = [4, 4]\n[[remove]]\nblock = [2, 2]\nat = [1, 1]\n")
    ...     len(read_arrangement(path, Lattice([[5, 0], [0, 5]])))
    12
    """
    return parse_arrangement(read_text(path), path, lattice)


def parse_arrangement(text: str, path: str | os.PathLike[str], lattice: Lattice, *, confined: bool = False) -> Arrangement:
    """Read an arrangement from the text of its file; `path` names it in messages and is where relative names start.

    With `confined` no file that it names may lie outside that folder: for text that comes from somebody else. See `read_arrangement`.
    """
    root = parse_toml(text, Path(path), confined=confined)
    smooth = root.table("smooth")
    sites = _built(from_sites([], title=root.text("title", default=Path(path).stem)), _blocks(root, text), lattice)
    dark = root.table("dark")
    root.close()
    if smooth is not None:
        sites = replace(sites, smooth=read_smooth(smooth))
    elif not len(sites.bright):
        raise InputError(
            f"{root.path}: found no bright site; allowed: at least one [[add]] block with a target above 0, or a table [smooth]"
        )
    if dark is None:
        return sites
    margin = dark.number("margin", 0, 1000, REQUIRED, above=True)
    dark.close()
    with _naming(dark, "margin"):
        return sites.with_dark_margin(margin, lattice)


def arrangement_files(text: str, path: str | os.PathLike[str]) -> dict[str, str]:
    """List the files that an arrangement names, with their digests.

    Parameters
    ----------
    text : str
        Content of the arrangement file.
    path : path
        Of the arrangement file.

    Returns
    -------
    dict
        Name as it stands in the arrangement to ``sha256:<hex>``, in order of appearance.
    """
    root = parse_toml(text, Path(path))
    named = [(table, key) for _, table in _blocks(root, text) for key in ("sites_csv", "image") if key in table]
    smooth = root.table("smooth")
    named += [] if smooth is None else smooth_files(smooth)
    return {table.text(key): digest(table.file(key)) for table, key in named}


def _blocks(root: Table, text: str) -> list[tuple[str, Table]]:
    """List the blocks in the order in which they stand in the file, which a TOML reader does not keep between the two kinds."""
    tables = {kind: root.tables(kind) for kind in ("add", "remove")}
    order = _HEADING.findall(text)
    for kind, found in tables.items():
        if order.count(kind) != len(found):
            raise root.problem(kind, f"found {len(found)} blocks and {order.count(kind)} headings; allowed: a line [[{kind}]] above each")
    waiting = {kind: iter(found) for kind, found in tables.items()}
    return [(kind, next(waiting[kind])) for kind in order]


def _built(sites: Arrangement, blocks: list[tuple[str, Table]], lattice: Lattice) -> Arrangement:
    """Apply blocks in their order; those that follow each other and add are joined at once."""
    parts, count, work = [sites], 0, 0
    for kind, table in blocks:
        added = _added(table, lattice) if kind == "add" else None
        count += 0 if added is None else len(added)
        parts += [] if added is None else [added]
        work += 100_000 if "image" in table or "sites_csv" in table else 200  # the time of a block, in that of sites that are joined
        if added is None or count > MAX_SITES:
            work += count
            with naming(f"{table.path}: {table.where}"):
                parts = [_joined(parts)]
            if added is None:
                parts = [_without(parts[0], table, lattice)]
            count = len(parts[0])
        if work > _MOST_WORK:
            raise _block_problem(table, "comes after too many blocks; allowed: fewer and larger ones, or one table as sites_csv")
    return _joined(parts)


def _joined(parts: list[Arrangement]) -> Arrangement:
    """Join arrangements; a site that comes again takes its new target and place."""
    ij, target, z_um = (np.concatenate([getattr(part, name) for part in parts]) for name in ("ij", "target", "z_um"))
    _, last = np.unique(_keys(ij, z_um)[::-1], return_index=True)
    if len(last) > MAX_SITES:
        raise InputError(f"brings the sites to {len(last)}; allowed: at most {MAX_SITES}")
    kept = np.sort(len(ij) - 1 - last)
    return Arrangement(parts[0].title, ij[kept], target[kept], z_um[kept])


def _added(table: Table, lattice: Lattice) -> Arrangement:
    """Read the sites of an ``[[add]]`` block."""
    added = _sites_of(table, lattice)
    factor, depth = table.number("target", 0, 1000, 1.0), table.number("z_um", -_DEEPEST_UM, _DEEPEST_UM, 0.0)
    gradient = table.numbers("target_gradient", 2, 0.001, 1000)
    along = table.numbers("gradient_along", 2, -_FARTHEST, _FARTHEST, (1.0, 0.0))
    if gradient is None and "gradient_along" in table:
        raise table.problem("gradient_along", "has no use without target_gradient")
    table.close()
    if not len(added):
        raise _block_problem(table, "adds no site; allowed: blocks that add at least one")
    if depth:
        with _naming(table, "z_um"):
            added = added.at_depth(added.z_um + depth)
    if factor != 1:
        with _naming(table, "target"):
            added = added.with_target(added.target * factor)
    if gradient is not None:
        with _naming(table, "gradient_along"):
            added = added.graded(gradient[0], gradient[1], along, lattice)
    return added


def _block_problem(table: Table, text: str) -> InputError:
    return InputError(f"{table.path}: {table.where}: {text}")


def _without(sites: Arrangement, table: Table, lattice: Lattice) -> Arrangement:
    """Take the sites of a ``[[remove]]`` block from `sites`."""
    gone = _sites_of(table, lattice)
    depth = table.number("z_um", -_DEEPEST_UM, _DEEPEST_UM)
    table.close()
    hit = np.isin(_keys(sites.ij), _keys(gone.ij))
    if depth is not None:
        hit &= np.abs(sites.z_um - depth) < SAME
    if not hit.any():
        raise _block_problem(table, "removes no site of the blocks above it; allowed: blocks that remove at least one")
    return sites._only(~hit)


def _sites_of(table: Table, lattice: Lattice) -> Arrangement:
    """Read the sites of the one source of a block, thinned out and moved as the block says."""
    found = [key for key in _SOURCES if key in table]
    if len(found) != 1:
        named = " and ".join(found) or "none"
        raise _block_problem(table, f"found {named} of the sources of sites; allowed: exactly one of {', '.join(_SOURCES)}")
    key = found[0]
    at = np.array(table.numbers("at", 2, -_FARTHEST, _FARTHEST, (0.0, 0.0)))
    shift = np.floor(at) if key in ("disc", "ring") else at
    source = _source(key, table, lattice, tuple(at - shift))
    with _naming(table, key):
        sites = source()
    every = table.integers("every", 2, 1, 10000, (1, 1))
    fill, seed = table.number("fill", 0, 1, 1.0, above=True), table.integer("seed", 0, 2**63 - 1, 0)
    if "seed" in table and "fill" not in table:
        raise table.problem("seed", "has no use without fill")
    with _naming(table, "at"):
        sites = sites.every(*every) if every != (1, 1) else sites
        sites = sites.thinned(fill, np.random.default_rng(seed)) if fill < 1 else sites
        return sites.shifted(shift[0], shift[1]) if shift.any() else sites


def _naming(table: Table, key: str) -> AbstractContextManager[None]:
    """Put the file and key before what a function on arrays refuses."""
    return naming(f"{table.path}: {table.name(key)}")


def _source(key: str, table: Table, lattice: Lattice, centre: tuple[float, float]) -> Callable[[], Arrangement]:
    """Read what a source needs; what it returns builds the sites, and refuses in words without file and key."""
    match key:
        case "sites":
            return partial(from_sites, table.rows(key, 2, -_FARTHEST, _FARTHEST))
        case "sites_csv":
            return partial(_from_columns, **read_csv(table.file(key), ("i", "j"), ("target", "z_um")))
        case "block":
            columns, rows = table.integers(key, 2, 1, MAX_SITES)
            return partial(block, columns, rows, lattice)
        case "disc":
            return partial(disc, table.number(key, 0, 10000), lattice, centre)
        case "ring":
            inner, outer = table.numbers(key, 2, 0, 10000)
            return partial(ring, inner, outer, lattice, centre)
        case "line":
            ends = table.rows(key, 2, -_FARTHEST, _FARTHEST)
            if len(ends) != 2:
                raise table.wrong(key, "two ends [[i, j], [i, j]]")
            return partial(line, ends[0], ends[1], table.integer("count", 1, MAX_SITES))
        case "picture":
            return partial(picture, [row.strip() for row in table.texts(key)])
        case _:
            columns, rows = table.integers("size", 2, 1, 2000, REQUIRED)
            return partial(from_image, read_grey(table.file(key)), columns, rows, table.number("threshold", 0.001, 1, 0.05))


def _from_columns(
    i: NDArray[np.float64], j: NDArray[np.float64], target: NDArray[np.float64] | None = None, z_um: NDArray[np.float64] | None = None
) -> Arrangement:
    """Build the sites of a CSV file, whose empty cells mean the default."""
    given = np.ones_like(i) if target is None else np.where(np.isnan(target), 1.0, target)
    depth = np.zeros_like(i) if z_um is None else np.where(np.isnan(z_um), 0.0, z_um)
    return from_sites(np.column_stack([i, j]), given, depth)
