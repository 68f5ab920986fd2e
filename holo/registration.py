"""Registrations: where the lattice, the objective plane and the camera sit with respect to each other, as measured.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.affine import Affine, AffineFit, affine_of
from holo.arrangement import Arrangement
from holo.checks import check_finite
from holo.errors import InputError
from holo.files import read_text, write_text
from holo.lattice import Lattice
from holo.smooth import PlacedSmooth, place_smooth
from holo.tables import REQUIRED, Table, parse_toml

CLOSEST_UM = 1e-3
"""Least distance of two sites in the objective plane, um."""

_UNITS = {"lattice_to_plane": "um", "plane_to_camera": "px", "lattice_to_camera": "px"}
_DIGEST = re.compile(r"sha256:[0-9a-f]{64}")
_TIME = "a time with date and zone such as 2025-06-30T14:05:00+02:00"


@dataclass(frozen=True)
class Misfit:
    """How well a measured map fits the points it came from.

    Parameters
    ----------
    points : int
        Number of points.
    rms : float
        Root mean square of the residuals over points and both coordinates, in units of the map's target (um in the objective
        plane, camera pixels).
    largest : float
        Longest residual, in the same unit.
    """

    points: int
    rms: float
    largest: float

    @classmethod
    def of(cls, fit: AffineFit) -> Misfit:
        """Summarise a fit.

        Parameters
        ----------
        fit : AffineFit

        Returns
        -------
        Misfit
            In the unit of the fit's target.
        """
        return cls(len(fit.residuals), fit.rms, fit.largest)


@dataclass(frozen=True, eq=False)
class Registration:
    """Measured maps between lattice coordinates, the objective plane (um) and camera pixels (column, row).

    Parameters
    ----------
    lattice_to_plane, plane_to_camera, lattice_to_camera : Affine, optional
        One of them at least.
    time : str
        When it was measured, ISO 8601 with time zone.
    misfits : mapping of str to Misfit
        By name of the map; need not have all.
    digests : mapping of str to str
        Name of a frame used to its ``sha256:<hex>``.

    Raises
    ------
    InputError
        If there is no map, or the time, a name or a digest is malformed.

    Examples
    --------
    >>> camera = Affine([[5.0, 0.0], [0.0, 5.0]], [600.0, 450.0])
    >>> nominal = Registration(plane_to_camera=camera, time="2025-06-30T14:05:00+02:00")
    >>> nominal.plane_to_camera.apply([[10, 0]])
    array([[650., 450.]])
    """

    lattice_to_plane: Affine | None = None
    plane_to_camera: Affine | None = None
    lattice_to_camera: Affine | None = None
    time: str = field(kw_only=True)
    misfits: Mapping[str, Misfit] = field(default_factory=dict)
    digests: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("misfits", "digests"):
            object.__setattr__(self, name, dict(getattr(self, name)))
        maps = [name for name in _UNITS if getattr(self, name) is not None]
        if not maps:
            raise InputError(f"registration: found no map; allowed: at least one of {', '.join(_UNITS)}")
        if not _is_time(self.time):
            raise InputError(f"time: found {self.time!r}; allowed: {_TIME}")
        for name in self.misfits:
            if name not in maps:
                raise InputError(f"misfits: found {name!r}; allowed: one of the maps, {', '.join(maps)}")
        for name, digest in self.digests.items():
            if not name.isprintable() or not _DIGEST.fullmatch(digest):
                raise InputError(f"digests: found {name!r}, {digest!r}; allowed: a printable name and sha256:<64 hexadecimal digits>")

    def to_plane(self) -> Affine | None:
        """Give the map from the lattice to the objective plane: the measured one, else by way of the camera, else None.

        Returns
        -------
        Affine or None
            From (i, j) to (x, y), um.

        Examples
        --------
        >>> to_camera = Affine([[5, 0], [0, 5]], [600, 450])
        >>> measured = {"plane_to_camera": to_camera, "lattice_to_camera": Affine([[25, 0], [0, 25]], [900, 650])}
        >>> Registration(**measured, time="2026-01-01T00:00:00+00:00").to_plane().offset
        array([60., 40.])
        """
        if self.lattice_to_plane is None and self.plane_to_camera is not None and self.lattice_to_camera is not None:
            return self.plane_to_camera.inverse().after(self.lattice_to_camera)
        return self.lattice_to_plane


@dataclass(frozen=True, eq=False)
class Sites:
    """Sites in the objective plane.

    Parameters
    ----------
    ij : ndarray, shape (n, 2)
        Lattice coordinates.
    xyz_um : ndarray, shape (n, 3)
        Where they lie, um.
    target : ndarray, shape (n,)
        Wanted relative intensity; 0 for dark sites.

    Raises
    ------
    InputError
        If a number is not finite.
    """

    ij: NDArray[np.float64]
    xyz_um: NDArray[np.float64]
    target: NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in ("ij", "xyz_um", "target"):
            check_finite(f"sites.{name}", getattr(self, name))

    @property
    def bright(self) -> NDArray[np.bool_]:
        """Which sites are to get light, shape (n,)."""
        return self.target > 0


def place(arrangement: Arrangement, lattice: Lattice, registration: Registration | None = None) -> Sites:
    """Find where the sites of an arrangement lie in the objective plane.

    Parameters
    ----------
    arrangement : Arrangement
    lattice : Lattice
        The bench's nominal one.
    registration : Registration, optional
        Where it tells the map from the lattice to the plane (`Registration.to_plane`), that overrides the nominal one.

    Returns
    -------
    Sites
        In the order of the arrangement.

    Raises
    ------
    InputError
        If two sites lie closer to each other than `CLOSEST_UM`.

    Examples
    --------
    >>> from holo.arrangement import from_sites
    >>> place(from_sites([[1, 2]]), Lattice([[5, 0], [0, 5]], [60, 40])).xyz_um
    array([[65., 50.,  0.]])
    """
    xyz_um = np.column_stack([lattice_to_plane(lattice, registration).apply(arrangement.ij), arrangement.z_um])
    _check_apart(arrangement.ij, xyz_um)
    xyz_um.setflags(write=False)
    return Sites(arrangement.ij, xyz_um, arrangement.target)


def lattice_to_plane(lattice: Lattice, registration: Registration | None) -> Affine:
    """Give the map from lattice coordinates to the objective plane: the measured one if there is one, else that of the nominal lattice.

    Parameters
    ----------
    lattice : Lattice
        Nominal, of the bench.
    registration : Registration or None
        None if nothing was measured.

    Returns
    -------
    Affine
        From (i, j) to (x, y), um.

    Examples
    --------
    >>> lattice_to_plane(Lattice([[5, 0], [0, 5]], [60, 40]), None).apply([[1, 2]])
    array([[65., 50.]])
    """
    measured = None if registration is None else registration.to_plane()
    return affine_of(lattice) if measured is None else measured


def place_continuous(arrangement: Arrangement, lattice: Lattice, registration: Registration | None = None) -> PlacedSmooth | None:
    """Find where the continuous light of an arrangement lies in the objective plane; None if it asks for none.

    Parameters
    ----------
    arrangement, lattice, registration
        As for `place`.

    Returns
    -------
    PlacedSmooth or None
        Places in um.
    """
    if arrangement.smooth is None:
        return None
    to_plane = lattice_to_plane(lattice, registration)
    return place_smooth(arrangement.smooth, to_plane, Lattice(to_plane.matrix.T, to_plane.offset, lattice.basis).spacing_um)


def _check_apart(ij: NDArray[np.float64], xyz_um: NDArray[np.float64]) -> None:
    if len(ij) < 2:
        return
    first, second, distance = closest_pair(xyz_um)
    if distance < CLOSEST_UM:
        one, other = (f"({i:g}, {j:g})" for i, j in ij[[first, second]])
        raise InputError(f"sites: found {one} and {other} {distance:.2g} um apart; allowed: {CLOSEST_UM:g} um or more")


def closest_pair(points: NDArray[np.float64]) -> tuple[int, int, float]:
    """Find the two points, of two or more, that lie closest to each other.

    Parameters
    ----------
    points : ndarray, shape (n, d)

    Returns
    -------
    first, second : int
        Their numbers.
    distance : float

    Examples
    --------
    >>> closest_pair(np.array([[0.0, 0.0], [9.0, 0.0], [0.0, 2.0]]))
    (0, 2, 2.0)
    """
    from scipy.spatial import KDTree

    check_finite("points", points)
    found = KDTree(points).query(points, k=2)
    distances, neighbours = np.asarray(found[0]), np.asarray(found[1])
    first = int(np.argmin(distances[:, 1]))
    second = neighbours[first, neighbours[first] != first][0]  # the query names a point's twin before the point itself
    return first, int(second), float(distances[first, 1])


def read_registration(path: str | os.PathLike[str]) -> Registration:
    """Read a registration file.

    Parameters
    ----------
    path : path
        A TOML file.

    Returns
    -------
    Registration

    Raises
    ------
    InputError
        With file and key, for anything that is not as below.

    Notes
    -----
    A TOML file with the key ``time`` and a table for each measured map, ``[lattice_to_plane]``, ``[plane_to_camera]`` or
    ``[lattice_to_camera]``, one at least. Each has ``matrix`` (two rows), ``offset``, optionally ``covariance`` (six rows, in the order of
    `Affine`), and optionally all of ``points``, ``rms_um`` and ``largest_um`` (for the camera ``rms_px`` and ``largest_px``): number of
    points, rms and largest residual. ``[digests]`` may have the digests of the frames, by name.
    """
    return parse_registration(read_text(path), path)


def parse_registration(text: str, path: str | os.PathLike[str]) -> Registration:
    """Read a registration from the text of its file; see `read_registration`.

    Parameters
    ----------
    text : str
    path : path
        Names the text in messages.

    Returns
    -------
    Registration

    Raises
    ------
    InputError
        As `read_registration`.
    """
    root = parse_toml(text, Path(path))
    time = root.text("time", default=REQUIRED)
    if not _is_time(time):
        raise root.wrong("time", _TIME)
    maps: dict[str, Affine] = {}
    misfits: dict[str, Misfit] = {}
    for name, unit in _UNITS.items():
        table = root.table(name)
        if table is not None:
            maps[name], misfit = _read_map(table, unit)
            misfits |= {} if misfit is None else {name: misfit}
    if not maps:
        raise InputError(f"{root.path}: found no map; allowed: at least one of the tables {', '.join(f'[{name}]' for name in _UNITS)}")
    digests = _read_digests(root.table("digests"))
    root.close()
    return Registration(**maps, time=time, misfits=misfits, digests=digests)


def _read_map(table: Table, unit: str) -> tuple[Affine, Misfit | None]:
    matrix = _rows(table, "matrix", 2, 1e6, REQUIRED)
    offset = np.array(table.numbers("offset", 2, -1e6, 1e6, REQUIRED))
    covariance = _rows(table, "covariance", 6, 1e12, None)
    try:
        bare = Affine(matrix, offset)
        bare.inverse()
    except InputError as error:
        raise table.wrong("matrix", "two rows that are not parallel") from error
    try:
        affine = replace(bare, covariance=covariance)
    except InputError as error:
        raise table.wrong("covariance", "a symmetric matrix with no negative eigenvalue") from error
    misfit = _read_misfit(table, unit)
    table.close()
    return affine, misfit


def _rows(table: Table, key: str, size: int, largest: float, default: Any) -> Any:
    """Read a square matrix, or give `default`."""
    rows = table.rows(key, size, -largest, largest, default)
    if rows is not None and len(rows) != size:
        raise table.wrong(key, f"{size} rows of {size} numbers")
    return None if rows is None else np.array(rows)


def _read_misfit(table: Table, unit: str) -> Misfit | None:
    keys = ("points", f"rms_{unit}", f"largest_{unit}")
    default = REQUIRED if any(key in table for key in keys) else None
    points = table.integer(keys[0], 1, 10**9, default)
    rms, largest = table.number(keys[1], 0, 1e6, default), table.number(keys[2], 0, 1e6, default)
    return None if points is None else Misfit(points, rms, largest)


def _read_digests(table: Table | None) -> dict[str, str]:
    if table is None:
        return {}
    digests = {name: table.text(name) for name in table.keys}
    for name, digest in digests.items():
        if not name.isprintable() or not _DIGEST.fullmatch(digest):
            raise table.wrong(name, "sha256:<64 hexadecimal digits>, under a printable name")
    return digests


def _is_time(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False


def write_registration(path: str | os.PathLike[str], registration: Registration, overwrite: bool = False) -> None:
    """Write a registration file (see `read_registration`).

    Parameters
    ----------
    path : path
        Of a file in a folder that is there.
    registration : Registration
    overwrite : bool
        Whether it may exist.

    Raises
    ------
    OutputExistsError
        If the file exists and `overwrite` is false.
    InputError
        If it cannot be written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> found = Registration(lattice_to_plane=Affine([[5, 0], [0, 5]], [60, 40]), time="2026-01-01T00:00:00+00:00")
    >>> with TemporaryDirectory() as folder:
    ...     write_registration(Path(folder) / "today.toml", found)
    ...     print(read_registration(Path(folder) / "today.toml").lattice_to_plane.offset)
    [60. 40.]
    """
    write_text(path, registration_text(registration), overwrite)


def registration_text(registration: Registration) -> str:
    """Give the content of a registration's file; `parse_registration` returns the same numbers bit for bit.

    Parameters
    ----------
    registration : Registration

    Returns
    -------
    str
        TOML.

    Examples
    --------
    >>> found = Registration(plane_to_camera=Affine([[5, 0], [0, 5]], [600, 450]), time="2026-01-01T00:00:00+00:00")
    >>> parse_registration(registration_text(found), "registration.toml").plane_to_camera.offset
    array([600., 450.])
    """
    lines = [f"time = {json.dumps(registration.time)}"]
    for name, unit in _UNITS.items():
        affine: Affine | None = getattr(registration, name)
        if affine is not None:
            lines += ["", f"[{name}]", *_map_lines(affine), *_misfit_lines(registration.misfits.get(name), unit)]
    if registration.digests:
        lines += [
            "",
            "[digests]",
            *(f"{json.dumps(key, ensure_ascii=False)} = {json.dumps(registration.digests[key])}" for key in registration.digests),
        ]
    return "\n".join(lines) + "\n"


def _map_lines(affine: Affine) -> list[str]:
    lines = [f"matrix = {affine.matrix.tolist()}", f"offset = {affine.offset.tolist()}"]
    if affine.covariance is not None:
        lines += ["covariance = [", *(f"    {row}," for row in affine.covariance.tolist()), "]"]
    return lines


def _misfit_lines(misfit: Misfit | None, unit: str) -> list[str]:
    if misfit is None:
        return []
    return [f"points = {misfit.points}", f"rms_{unit} = {float(misfit.rms)}", f"largest_{unit} = {float(misfit.largest)}"]
