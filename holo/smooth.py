"""Continuous targets: what light is wanted between the sites, as parts that are added and multiplied.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holo import shapes
from holo.affine import Affine
from holo.checks import check_numbers
from holo.errors import InputError
from holo.images import read_grey, read_npy
from holo.tables import REQUIRED, Table, shortened

Array = NDArray[np.float64]

UNITS = ("um", "lattice")
"""What lengths and places of a continuous target may be counted in."""

SOURCES = ("box", "disc", "ring", "wall", "speckle", "image", "array", "ramp", "bowl")
"""Shapes of parts, by their keys in files."""

_ENDLESS = ("ramp", "bowl")
_EDGED = ("box", "disc", "ring", "wall", "image", "array")
_FARTHEST = 1e5
_MOST_CELLS = 2**22
_MOST_PARTS = 1000


@dataclass(frozen=True, eq=False)
class Part:
    """One shape of a continuous target, with its place.

    Parameters
    ----------
    shape : str
        One of `SOURCES`.
    numbers : mapping of str to float
        Arguments of the function of that name in `holo.shapes`; ``width`` and ``height`` for ``speckle``, ``image`` and ``array``.
    at : (float, float)
        Its middle: x and y in um, or the lattice coordinates (i, j), as `Smooth.unit` says.
    angle_deg : float
        Turned by that from the x axis towards the y axis.
    target : float
        Factor on its intensity.
    edge : float or None
        Width of its soft edge, in the unit; None for four focal cells. An image or array is blurred to match.
    inverse : bool
        Whether it is 1 less the shape: a hole where it multiplies others.
    values : ndarray, shape (rows, columns), optional
        Of ``speckle``, ``image`` and ``array``.

    Raises
    ------
    InputError
        If the shape is unknown, or values are missing, negative or not finite.
    """

    shape: str
    numbers: Mapping[str, float]
    at: tuple[float, float] = (0.0, 0.0)
    angle_deg: float = 0.0
    target: float = 1.0
    edge: float | None = None
    inverse: bool = False
    values: Array | None = None

    def __post_init__(self) -> None:
        if self.shape not in SOURCES:
            raise InputError(f"shape: found {self.shape!r}; allowed: {', '.join(SOURCES)}")
        object.__setattr__(self, "numbers", {key: float(value) for key, value in self.numbers.items()})
        edge = 0.0 if self.edge is None else self.edge
        check_numbers(**self.numbers, at=self.at, angle_deg=self.angle_deg, target=self.target, edge=edge)
        if self.shape in ("speckle", "image", "array"):
            values = np.array([] if self.values is None else self.values, np.float64)
            if values.ndim != 2 or not values.size or not (np.isfinite(values) & (values >= 0)).all():
                raise InputError(
                    f"{self.shape}: found values of shape {values.shape}; allowed: rows and columns of finite numbers, none below 0"
                )
            values.setflags(write=False)
            object.__setattr__(self, "values", values)

    def intensity(self, x: Array, y: Array, soft: float) -> Array:
        """Intensity at points about its middle and along its axes, in its unit; `soft` is the default width of edges."""
        values = self.target * self._shape(x, y, soft if self.edge is None else self.edge)
        return 1 - values if self.inverse else values

    def _shape(self, x: Array, y: Array, edge: float) -> Array:
        if self.values is None:
            edges = {"edge": edge} if self.shape in _EDGED else {}
            return np.asarray(getattr(shapes, self.shape)(x, y, **self.numbers, **edges), np.float64)
        size = self.numbers["width"], self.numbers["height"]
        rows, columns = self.values.shape
        if self.shape not in _EDGED or edge == 0:
            return shapes.sampled(x, y, self.values, *size)
        # the blur reaches beyond the rectangle, so the array gets a dark frame first
        frame = [int(np.ceil(edge * count / length)) for count, length in ((rows, size[1]), (columns, size[0]))]
        framed = np.pad(self.values, [(extra, extra) for extra in frame])
        blur = edge / np.sqrt(8)
        wide = shapes.blurred(framed, blur * columns / size[0], blur * rows / size[1])
        return shapes.sampled(x, y, wide, size[0] * framed.shape[1] / columns, size[1] * framed.shape[0] / rows)

    def reach(self, soft: float) -> tuple[float, float]:
        """Half its width and half its height along its own axes, edges included; infinite for a ramp or a bowl."""
        edge = soft if self.edge is None else self.edge
        numbers = self.numbers
        match self.shape:
            case "disc":
                half = (numbers["radius"], numbers["radius"])
            case "ring":
                half = (numbers["outer"], numbers["outer"])
            case "wall":
                half = (numbers["length"] / 2, numbers["thickness"] / 2)
            case "ramp" | "bowl":
                return np.inf, np.inf
            case _:
                half = (numbers["width"] / 2, numbers["height"] / 2)
        return half[0] + edge, half[1] + edge


@dataclass(frozen=True, eq=False)
class Smooth:
    """A continuous target: the sum of some parts times the product of others.

    Parameters
    ----------
    add, times : tuple of Part
        At least one to add, none of them without an end.
    unit : str
        ``um``: places and lengths in um in the objective plane. ``lattice``: places are lattice coordinates, lengths count the lattice's
        spacing, and x runs along its first vector: the target moves and turns with the lattice.
    power : float
        Share of the light of the pupil that goes into the signal region, sites apart.
    margin : float or None
        Width of the dark rim around the light that belongs to the signal region, in the unit; None for eight focal cells.
    z_um : float
        Depth.
    sites_power : float
        Share of the light of the pupil that goes to the sites, where there are some.

    Raises
    ------
    InputError
        If there is nothing to add, or a number is out of range.

    Examples
    --------
    >>> flat = Smooth((Part("box", {"width": 30, "height": 20}, at=(70, 50)),), power=0.6)
    >>> placed = place_smooth(flat, Affine([[5, 0], [0, 5]], [60, 40]), 5.0)
    >>> placed.intensity(np.array([70.0, 85.0, 99.0]), np.array([50.0]), 1.0).round(3)
    array([1. , 0.5, 0. ])
    """

    add: tuple[Part, ...]
    times: tuple[Part, ...] = ()
    unit: str = "um"
    power: float = 0.5
    margin: float | None = None
    z_um: float = 0.0
    sites_power: float = 0.1

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise InputError(f"unit: found {self.unit!r}; allowed: {', '.join(UNITS)}")
        if not self.add:
            raise InputError("add: found no part; allowed: one or more")
        endless = [part.shape for part in self.add if part.shape in _ENDLESS or part.inverse]
        if endless:
            raise InputError(
                f"add: found a {endless[0]} without an end; allowed: parts with one; a ramp, a bowl or an inverse multiplies others"
            )
        check_numbers(z_um=self.z_um, margin=0.0 if self.margin is None else self.margin)
        for name in ("power", "sites_power"):
            if not 0 < getattr(self, name) < 1:
                raise InputError(f"{name}: found {getattr(self, name):g}; allowed: above 0, below 1")
        if self.power + self.sites_power > 0.99:
            raise InputError(f"power and sites_power: found {self.power + self.sites_power:g} together; allowed: up to 0.99")

    def recorded(self) -> dict[str, Any]:
        """Write it as JSON's own types; `Smooth.read` gives it back."""
        return {**asdict(self), "add": [_recorded(part) for part in self.add], "times": [_recorded(part) for part in self.times]}

    @staticmethod
    def read(recorded: Any) -> Smooth:
        """Read what `recorded` wrote; raises `InputError` if it is something else."""
        try:
            parts = {key: tuple(_part_of(part) for part in recorded[key]) for key in ("add", "times")}
            return Smooth(**{**recorded, **parts})
        except (TypeError, KeyError, ValueError) as error:
            raise InputError(f"smooth: found {shortened(recorded)}; allowed: a continuous target as a record has it ({error})") from error


def _recorded(part: Part) -> dict[str, Any]:
    return {**asdict(part), "values": None if part.values is None else part.values.tolist()}


def _part_of(recorded: dict[str, Any]) -> Part:
    values = recorded["values"]
    return Part(**{**recorded, "at": tuple(recorded["at"]), "values": None if values is None else np.array(values, np.float64)})


@dataclass(frozen=True, eq=False)
class PlacedSmooth:
    """A continuous target in the objective plane.

    Parameters
    ----------
    smooth : Smooth
    frame : ndarray, shape (2, 2)
        Its axes in the plane, columns x and y, as long as its unit, um.
    middles_um : tuple of ndarray, shape (2,)
        Where the parts lie, those to add first.
    moved_um : (float, float)
        How far nudges have moved it.
    """

    smooth: Smooth
    frame: Array
    middles_um: tuple[Array, ...] = field(default=())

    @property
    def unit_um(self) -> float:
        """Length of its unit, um."""
        return float(np.hypot(*self.frame[:, 0]))

    @property
    def z_um(self) -> float:
        """Depth of its plane."""
        return self.smooth.z_um

    def moved(self, x_um: float, y_um: float, z_um: float = 0.0) -> PlacedSmooth:
        """Move it along with the light of a nudged mask."""
        middles = tuple(middle + np.array([x_um, y_um]) for middle in self.middles_um)
        return replace(self, middles_um=middles, smooth=replace(self.smooth, z_um=self.smooth.z_um + z_um))

    def intensity(self, x_um: ArrayLike, y_um: ArrayLike, soft_um: float) -> Array:
        """Wanted intensity at points, never below 0.

        Parameters
        ----------
        x_um, y_um : array_like
            Places, um, that broadcast against each other.
        soft_um : float
            Width of edges that have none of their own, um.
        """
        parts = [*self.smooth.add, *self.smooth.times]
        values = []
        for part, middle in zip(parts, self.middles_um, strict=True):
            across, down = self._local(part, middle, np.asarray(x_um, np.float64), np.asarray(y_um, np.float64))
            values.append(part.intensity(across, down, soft_um / self.unit_um))
        total = np.sum(values[: len(self.smooth.add)], axis=0)
        return np.asarray(np.maximum(np.prod([total, *values[len(self.smooth.add) :]], axis=0), 0), np.float64)

    def _axes(self, part: Part) -> Array:
        angle = np.deg2rad(part.angle_deg)
        return np.asarray(self.frame @ [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def _local(self, part: Part, middle: Array, x_um: Array, y_um: Array) -> tuple[Array, Array]:
        back = np.linalg.inv(self._axes(part))
        x, y = x_um - middle[0], y_um - middle[1]
        return back[0, 0] * x + back[0, 1] * y, back[1, 0] * x + back[1, 1] * y

    def box_um(self, soft_um: float) -> tuple[float, float, float, float]:
        """Left, right, top and bottom of the light in the plane, edges included, um."""
        corners = []
        for part, middle in zip(self.smooth.add, self.middles_um, strict=False):
            half = np.abs(self._axes(part)) @ np.array(part.reach(soft_um / self.unit_um))
            corners += [middle - half, middle + half]
        (left, top), (right, bottom) = np.min(corners, axis=0), np.max(corners, axis=0)
        return float(left), float(right), float(top), float(bottom)


def place_smooth(smooth: Smooth, to_plane: Affine, spacing_um: float) -> PlacedSmooth:
    """Find where a continuous target lies in the objective plane.

    Parameters
    ----------
    smooth : Smooth
    to_plane : Affine
        From lattice coordinates to the objective plane, um, as registered; it matters for the unit ``lattice`` only.
    spacing_um : float
        Distance of nearest neighbours in that lattice.

    Returns
    -------
    PlacedSmooth

    Notes
    -----
    In lattice units x runs along the image of the first lattice vector and y at right angles to it, on the side of the second: shapes
    stay what they are in a lattice that is not square, as the discs of `holo.arrangement` do.
    """
    parts = (*smooth.add, *smooth.times)
    if smooth.unit == "um":
        return PlacedSmooth(smooth, np.eye(2), tuple(np.array(part.at) for part in parts))
    first = to_plane.matrix[:, 0] / np.hypot(*to_plane.matrix[:, 0])
    side = np.sign(np.linalg.det(to_plane.matrix))
    frame = spacing_um * np.column_stack([first, side * np.array([-first[1], first[0]])])
    return PlacedSmooth(smooth, frame, tuple(to_plane.apply(np.array([part.at]))[0] for part in parts))


# ---------------------------------------------------------------------------------------------------------------------
# files


def read_smooth(table: Table) -> Smooth:
    """Read the ``[smooth]`` table of an arrangement file; see `holo.arrangement.read_arrangement`.

    Raises
    ------
    InputError
        With file and key, for anything that is not as described there.
    """
    own = [key for key in SOURCES if key in table]
    add = [_read_part(table)] if own else []
    tables = {key: table.tables(key) for key in ("add", "times")}
    if sum(map(len, tables.values())) > _MOST_PARTS:
        raise InputError(f"{table.path}: {table.where}: found {sum(map(len, tables.values()))} parts; allowed: at most {_MOST_PARTS}")
    cells = sum(_cells(part) for part in add)
    parts: dict[str, list[Part]] = {"add": add, "times": []}
    for key, part_table in ((key, each) for key, found in tables.items() for each in found):
        part = _closed(part_table)
        parts[key].append(part)
        cells += _cells(part)
        if cells > _MOST_CELLS:
            raise part_table.problem("size", f"brings images, arrays and speckle to {cells} values; allowed: at most {_MOST_CELLS} in all")
    smooth = {
        "unit": table.text("unit", UNITS, "um"),
        "power": table.number("power", 0.001, 0.99, 0.5),
        "margin": table.number("margin", 0, 1e4, None),
        "z_um": table.number("z_um", -1e4, 1e4, 0.0),
        "sites_power": table.number("sites_power", 0.001, 0.99, 0.1),
    }
    table.close()
    try:
        return Smooth(tuple(parts["add"]), tuple(parts["times"]), **smooth)
    except InputError as error:
        raise InputError(f"{table.path}: {table.where}: {error}") from error


def _cells(part: Part) -> int:
    return 0 if part.values is None else part.values.size


def smooth_files(table: Table) -> list[tuple[Table, str]]:
    """List the tables and keys of a ``[smooth]`` table that name files."""
    tables = [table, *table.tables("add"), *table.tables("times")]
    return [(part, key) for part in tables for key in ("image", "array") if key in part]


def _closed(table: Table) -> Part:
    part = _read_part(table)
    table.close()
    return part


def _read_part(table: Table) -> Part:
    """Read one part: its shape, and where and how it stands."""
    found = [key for key in SOURCES if key in table]
    if len(found) != 1:
        named = " and ".join(found) or "none"
        raise InputError(f"{table.path}: {table.where}: found {named} of the shapes; allowed: exactly one of {', '.join(SOURCES)}")
    key = found[0]
    numbers, values = _read_shape(table, key)
    edge = table.number("edge", 0, 1e4, None) if key in _EDGED else None
    return Part(
        shape=key,
        numbers=numbers,
        at=table.numbers("at", 2, -_FARTHEST, _FARTHEST, (0.0, 0.0)),
        angle_deg=table.number("angle_deg", -360, 360, 0.0),
        target=table.number("target", 0.001, 1000, 1.0),
        edge=edge,
        inverse=table.flag("inverse"),
        values=values,
    )


def _read_shape(table: Table, key: str) -> tuple[dict[str, float], Array | None]:
    """Read the numbers of a shape, and its values if it is laid over a rectangle."""
    match key:
        case "box":
            return dict(zip(("width", "height"), _lengths(table, key), strict=True)), None
        case "disc":
            return {"radius": table.number(key, 0, 1e4, above=True)}, None
        case "ring":
            inner, outer = table.numbers(key, 2, 0, 1e4)
            if not inner < outer:
                raise table.wrong(key, "[inner, outer], inner below outer")
            return {"inner": inner, "outer": outer}, None
        case "wall":
            length, thickness = _lengths(table, key)
            return {"length": length, "thickness": thickness, "gap": table.number("gap", 0, length, 0.0)}, None
        case "ramp":
            low, high = table.numbers(key, 2, 0, 1000)
            return {"low": low, "high": high, "length": table.number("length", 0, 1e4, REQUIRED, above=True)}, None
        case "bowl":
            harmonic, quartic = table.numbers(key, 2, -1000, 1000)
            return {"harmonic": harmonic, "quartic": quartic, "radius": table.number("radius", 0, 1e4, REQUIRED, above=True)}, None
        case _:
            return _read_laid(table, key)


def _lengths(table: Table, key: str, default: Any = None) -> tuple[float, float]:
    first, second = table.numbers(key, 2, 0, 1e4, default)
    if not min(first, second) > 0:
        raise table.wrong(key, "2 numbers above 0")
    return first, second


def _read_laid(table: Table, key: str) -> tuple[dict[str, float], Array]:
    """Read a shape that is laid over a rectangle: speckle, image or array."""
    width, height = _lengths(table, "size", REQUIRED)
    size = {"width": width, "height": height}
    if key == "speckle":
        correlation, seed = table.number(key, 0, 1e4, above=True), table.integer("seed", 0, 2**63 - 1, 0)
        rows, columns = (max(int(np.ceil(shapes.FINEST * length / correlation)), 1) for length in (height, width))
        if rows * columns > _MOST_CELLS:
            raise table.wrong(key, f"a correlation length that leaves fewer than {_MOST_CELLS // shapes.FINEST**2} grains")
        return size, shapes.speckle(rows, columns, float(shapes.FINEST), np.random.default_rng(seed))
    path: Path = table.file(key)
    if key == "image":
        return size, read_grey(path)
    values = read_npy(path)
    if values.ndim != 2 or not values.size or values.size > _MOST_CELLS or not (np.isfinite(values) & (values >= 0)).all():
        raise InputError(f"{path}: found an array of shape {values.shape}; allowed: rows and columns of finite numbers, none below 0")
    return size, values
