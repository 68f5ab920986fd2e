"""The parts of a bench, light, panel, optics and camera: what each is told by its table of the bench file.

Lengths are um unless a name says otherwise, phases rad, aberrations waves rms by Noll index; arrays and axes as in `holo.bench`.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from holo.files import MAX_PIXELS, read_text
from holo.side_files import beam_fault, dark_fault, hot_fault, phase_fault, read_picture, read_response, side_file
from holo.tables import REQUIRED, Table, parse_toml

if TYPE_CHECKING:
    from numpy.typing import NDArray

NOLL_LAST = 120
"""Largest Noll index of the aberration table: all terms up to radial order 14."""


@dataclass(frozen=True, eq=False)
class Light:
    """The beam on the panel: Gaussian by its diameter, or measured pixel by pixel."""

    wavelength_nm: float
    power_mw: float
    """Power on the panel."""
    beam_diameter_mm: float | None
    """1/e^2 intensity diameter of a Gaussian beam; None with a measured `beam`."""
    beam_centre_mm: tuple[float, float]
    """(x, y) of the Gaussian beam's centre on the panel."""
    beam: NDArray[np.float32] | None
    """Measured relative intensity, shape (rows, columns), >= 0; None for a Gaussian beam."""
    transmission: tuple[tuple[str, float], ...] = ()
    """(name, share of the power) of each thing between laser and panel."""

    @property
    def laser_mw(self) -> float:
        """Power that the laser gives, as far as the bench tells what is lost before the panel."""
        return self.power_mw / math.prod(share for _, share in self.transmission)


@dataclass(frozen=True, eq=False)
class Panel:
    """The phase panel: its pixels and how levels become phase."""

    columns: int
    rows: int
    pitch_um: float
    levels: int
    """Number of levels; the panel takes 0 to ``levels - 1``."""
    level_for_2pi: float | None
    """Level of a phase of 2 pi on a linear response; None with a measured `response`."""
    response: NDArray[np.float64] | None
    """Measured response, shape (n, 2): rising level, phase in rad (monotonic); None for a linear one."""
    flatness: NDArray[np.float64] | None
    """The panel's own phase error, rad, shape (rows, columns); it adds to what the levels make."""
    fill_factor: float
    """Active share of a pixel's area."""
    frame_rate_hz: float | None
    settling_ms: float | None
    """1/e time of the liquid crystal."""
    power_limit_w_cm2: float | None
    """Power density that the panel's data sheet allows, as entered by the user."""

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.rows, self.columns

    @property
    def x_um(self) -> NDArray[np.float64]:
        """Pixel centres along a row, shape (columns,)."""
        return np.asarray((np.arange(self.columns) - (self.columns - 1) / 2) * self.pitch_um)

    @property
    def y_um(self) -> NDArray[np.float64]:
        """Pixel centres along a column, shape (rows,), downwards."""
        return np.asarray((np.arange(self.rows) - (self.rows - 1) / 2) * self.pitch_um)

    @property
    def phase_steps(self) -> float:
        """Number of levels that make a phase of 2 pi (the mean over a measured response)."""
        if self.response is None:
            assert self.level_for_2pi is not None
            return self.level_for_2pi
        level, phase = self.response.T
        return float(2 * np.pi * np.ptp(level) / np.ptp(phase))


@dataclass(frozen=True, eq=False)
class Optics:
    """The optics from the panel to the objective plane."""

    focal_length_mm: float
    numerical_aperture: float
    relay_magnification: float
    """Size of the panel's image in the pupil over its own size."""
    medium_index: float
    aberration: tuple[tuple[int, float], ...]
    """(Noll index, waves rms) of the known aberration of the light path."""
    aberration_map: NDArray[np.float64] | None = None
    """Phase that adds to the terms, rad, shape (rows, columns) of the panel; None where there is none."""
    transmission: tuple[tuple[str, float], ...] = ()
    """(name, share of the power) of each thing from the panel, its reflection included, to the atoms."""


@dataclass(frozen=True, eq=False)
class Camera:
    """The camera that sees the objective plane."""

    columns: int
    rows: int
    pixel_um: float
    magnification: float
    bits: int
    electrons_per_count: float | None = None
    """Electrons that make one count, over the excess noise of a gain register if there is one; None if not known."""
    dark: NDArray[np.float32] | None = None
    """Mean counts without light, shape (rows, columns)."""
    hot: NDArray[np.bool_] | None = None
    """True at pixels that must not be used, shape (rows, columns)."""


def read_light(table: Table, panel: Panel, files: dict[str, str]) -> Light:
    """Read the table [light] of a bench.

    Parameters
    ----------
    table : Table
    panel : Panel
    files : dict
        Gets the digests of the files that the table names, by those names.

    Returns
    -------
    Light

    Raises
    ------
    InputError
        As `holo.bench.read_bench`.
    """
    _one_of(table, "beam_diameter_mm", "beam_tiff")
    light = Light(
        wavelength_nm=table.number("wavelength_nm", 200, 3000, REQUIRED),
        power_mw=table.number("power_mw", 0, 1e6, REQUIRED, above=True),
        beam_diameter_mm=table.number("beam_diameter_mm", 0.01, 1000),
        beam_centre_mm=table.numbers("beam_centre_mm", 2, -1000, 1000, (0.0, 0.0)),
        beam=read_picture(table, "beam_tiff", panel.shape, files, beam_fault, np.float32),
        transmission=_read_transmission(table),
    )
    if light.beam is not None and any(light.beam_centre_mm):
        raise table.wrong("beam_centre_mm", "[0, 0] or nothing beside beam_tiff, which says itself where the beam lies")
    table.close()
    return light


def read_panel(table: Table, files: dict[str, str]) -> Panel:
    """Read the table [panel] of a bench.

    Parameters
    ----------
    table : Table
    files : dict
        Gets the digests of the files that the table names, by those names.

    Returns
    -------
    Panel

    Raises
    ------
    InputError
        As `holo.bench.read_bench`.
    """
    columns = table.integer("columns", 1, 16384, REQUIRED)
    rows = table.integer("rows", 1, 16384, REQUIRED)
    if columns * rows > MAX_PIXELS:
        raise table.problem("columns", f"found {columns} x {rows} pixels; allowed: at most {MAX_PIXELS}")
    pitch = table.number("pitch_um", 1, 100, REQUIRED)
    levels = table.integer("levels", 256, 65536, REQUIRED)
    _one_of(table, "level_for_2pi", "response_csv")
    panel = Panel(
        columns=columns,
        rows=rows,
        pitch_um=pitch,
        levels=levels,
        level_for_2pi=table.number("level_for_2pi", 2, levels),
        response=read_response(table, levels, files),
        flatness=read_picture(table, "flatness_tiff", (rows, columns), files, phase_fault, np.float64),
        fill_factor=table.number("fill_factor", 0.1, 1, 1.0),
        frame_rate_hz=table.number("frame_rate_hz", 0.1, 1e5),
        settling_ms=table.number("settling_ms", 0, 1e4),
        power_limit_w_cm2=table.number("power_limit_w_cm2", 0, 1e6, above=True),
    )
    table.close()
    return panel


def read_optics(table: Table, panel: Panel, files: dict[str, str]) -> Optics:
    """Read the table [optics] of a bench.

    Parameters
    ----------
    table : Table
    panel : Panel
    files : dict
        Gets the digests of the files that the table names, by those names.

    Returns
    -------
    Optics

    Raises
    ------
    InputError
        As `holo.bench.read_bench`.
    """
    index = table.number("medium_index", 1, 4, 1.0)
    aperture = table.number("numerical_aperture", 1e-3, 4, REQUIRED)
    if aperture >= index:
        raise table.wrong("numerical_aperture", f"a number from 0.001 up and below medium_index, {index:g}")
    if "aberration" in table and "aberration_toml" in table:
        raise table.problem("aberration_toml", "found beside aberration; allowed: only one of them")
    aberration = table.table("aberration")
    optics = Optics(
        focal_length_mm=table.number("focal_length_mm", 0.01, 1e4, REQUIRED),
        numerical_aperture=aperture,
        relay_magnification=table.number("relay_magnification", 1e-3, 1e3, REQUIRED),
        medium_index=index,
        aberration=_read_aberration_file(table, files) if aberration is None else read_aberration(aberration),
        aberration_map=read_picture(table, "aberration_tiff", panel.shape, files, phase_fault, np.float64),
        transmission=_read_transmission(table),
    )
    table.close()
    return optics


def _read_transmission(table: Table) -> tuple[tuple[str, float], ...]:
    """Read a table of shares of the power by any names, in its order; none without it."""
    shares = table.table("transmission")
    return () if shares is None else tuple((name, shares.number(name, 0, 1, above=True)) for name in shares.keys)


def read_aberration(table: Table) -> tuple[tuple[int, float], ...]:
    """Read a table of waves rms by Noll index.

    Parameters
    ----------
    table : Table

    Returns
    -------
    tuple of (int, float)
        (index, waves) in the order of the index.

    Raises
    ------
    InputError
        For a key that is no index up to `NOLL_LAST`, and for values beyond 20 waves.
    """
    allowed = [str(j) for j in range(1, NOLL_LAST + 1)]
    for key in table.keys:
        if key not in allowed:
            raise table.problem(key, f"found the key {key!r}; allowed: Noll indices from 1 to {NOLL_LAST}, like 5 = 0.05")
    return tuple((int(key), table.number(key, -20, 20)) for key in sorted(table.keys, key=int))


def _read_aberration_file(table: Table, files: dict[str, str]) -> tuple[tuple[int, float], ...]:
    """Terms of the file that ``aberration_toml`` names, as sensing leaves it; none without it."""
    key = "aberration_toml"
    path = side_file(table, key, files)
    if path is None:
        return ()
    whole = parse_toml(read_text(path), path)
    terms = read_aberration(whole.table("aberration", REQUIRED))
    for name in ("time", "method"):
        whole.text(name)
    errors = whole.table("errors")
    if errors is not None:
        read_aberration(errors)
    digests = whole.table("digests")
    if digests is not None:
        for name in digests.keys:
            digests.text(name)
        digests.close()
    whole.close()
    return terms


def read_camera(table: Table, files: dict[str, str]) -> Camera:
    """Read the table [camera] of a bench.

    Parameters
    ----------
    table : Table
    files : dict
        Gets the digests of the files that the table names, by those names.

    Returns
    -------
    Camera

    Raises
    ------
    InputError
        As `holo.bench.read_bench`.
    """
    columns = table.integer("columns", 1, 65536, REQUIRED)
    rows = table.integer("rows", 1, 65536, REQUIRED)
    camera = Camera(
        columns=columns,
        rows=rows,
        pixel_um=table.number("pixel_um", 0.1, 1000, REQUIRED),
        magnification=table.number("magnification", 1e-3, 1e5, REQUIRED),
        bits=table.integer("bits", 1, 32, REQUIRED),
        electrons_per_count=table.number("electrons_per_count", 1e-6, 1e6),
        dark=read_picture(table, "dark_tiff", (rows, columns), files, dark_fault, np.float32, "camera"),
        hot=read_picture(table, "hot_tiff", (rows, columns), files, hot_fault, np.bool_, "camera"),
    )
    table.close()
    return camera


def _one_of(table: Table, first: str, second: str) -> None:
    """Demand exactly one of two keys that say the same thing in two ways."""
    if first in table and second in table:
        raise table.problem(second, f"found beside {first}; allowed: only one of {first}, {second}")
    if first not in table and second not in table:
        near = difflib.get_close_matches(first, table.keys, 1) or difflib.get_close_matches(second, table.keys, 1)
        hint = f"; is {near[0]!r} meant to be it?" if near else ""
        raise table.problem(first, f"missing; needed: one of {first}, {second}{hint}")
