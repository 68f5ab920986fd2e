"""Terms that are added to the phase of a mask: Zernike polynomials, spirals, axicons, gratings and test patterns.

A term is a kind and its values, small enough to stand in the record of a mask. Sections of books are cited from memory.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.bench import pupil_radii
from holo.checks import check_finite, check_numbers
from holo.errors import InputError
from holo.parts import NOLL_LAST
from holo.tables import shortened
from holo.zernike import zernike

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.bench import Bench
    from holo.parts import Panel


@dataclass(frozen=True, eq=False)
class Addend:
    """What is added to the phase of a mask.

    Attributes
    ----------
    phase : ndarray of float, shape (rows, columns)
        rad, any number of turns.
    recorded : dict
        JSON-compatible: ``kind``, and what it takes to make the phase again.
    """

    phase: NDArray[np.floating[Any]]
    recorded: dict[str, Any]


@dataclass(frozen=True)
class Limit:
    """What a value of a term may be."""

    low: float
    high: float
    whole: bool = False

    def check(self, where: str, value: object) -> None:
        """Raise `InputError`, naming `where`, unless a value lies between the limits, both included."""
        kinds = (int,) if self.whole else (int, float)
        if type(value) not in kinds or not self.low <= value <= self.high:  # type: ignore[operator]
            what = "a whole number" if self.whole else "a number"
            raise InputError(f"{where}: found {shortened(value)}; allowed: {what} from {self.low:g} to {self.high:g}")


# ---------------------------------------------------------------------------------------------------------------------
# terms of any phase


def zernike_term(bench: Bench, noll: int, waves: float) -> NDArray[np.float64]:
    """Phase of a Zernike polynomial on the pupil.

    Parameters
    ----------
    bench : Bench
    noll : int
        Noll index.
    waves : float
        Coefficient, waves rms over the pupil. Minus the coefficient of an aberration takes it off.

    Returns
    -------
    ndarray, shape (rows, columns)
        rad; 0 outside the pupil, where no light passes.

    Notes
    -----
    ``2 pi waves Z_j(rho, theta)`` (R. J. Noll, J. Opt. Soc. Am. 66, 207 (1976), eq. 1), see `holo.zernike.zernike`.
    """
    check_finite("waves", waves)
    rho = pupil_radii(bench)
    inside = rho <= 1
    theta = np.arctan2(bench.panel.y_um[:, None], bench.panel.x_um[None, :])
    phase = np.zeros(rho.shape)
    phase[inside] = 2 * np.pi * waves * zernike(noll, rho[inside], theta[inside])
    return phase


def spiral(bench: Bench, charge: int, x_mm: float = 0.0, y_mm: float = 0.0) -> NDArray[np.float64]:
    """Phase that winds around a point of the panel, which makes rings of light with a dark middle out of spots.

    Parameters
    ----------
    bench : Bench
    charge : int
        Turns of phase in one turn around the point; positive ones rise from +x towards +y, which points down.
    x_mm, y_mm : float
        The point, from the middle of the panel.

    Returns
    -------
    ndarray, shape (rows, columns)
        rad.

    Notes
    -----
    ``charge arctan2(y, x)`` (L. Allen et al., Phys. Rev. A 45, 8185 (1992), doi:10.1103/PhysRevA.45.8185; from memory).
    """
    x, y = _offsets_um(bench.panel, x_mm, y_mm)
    return np.asarray(charge * np.arctan2(y, x))


def axicon(bench: Bench, radius_um: float, x_mm: float = 0.0, y_mm: float = 0.0) -> NDArray[np.float64]:
    """Phase of a cone, which spreads a spot into a ring.

    Parameters
    ----------
    bench : Bench
    radius_um : float
        Of the ring in the objective plane. Rings of either sign look alike there, and differ before and behind it.
    x_mm, y_mm : float
        Axis of the cone, from the middle of the panel.

    Returns
    -------
    ndarray, shape (rows, columns)
        rad.

    Notes
    -----
    ``2 pi r R / (lambda f)``: the slope along each radius is that of a tilt by `radius_um` (J. H. McLeod, J. Opt. Soc. Am. 44, 592
    (1954), doi:10.1364/JOSA.44.000592, for the cone; from memory).

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> axicon(bench, bench.field_um / 4)[500, -3:].round(2)  # a quarter of a turn from pixel to pixel
    array([938.55, 940.12, 941.69])
    """
    check_finite("radius_um", radius_um)
    x, y = _offsets_um(bench.panel, x_mm, y_mm)
    return np.asarray(bench.wavenumber_scale * radius_um * np.hypot(x, y))


def grating(bench: Bench, period_px: float, angle_deg: float = 0.0) -> NDArray[np.float64]:
    """Phase of a blazed grating: one turn in a period.

    Parameters
    ----------
    bench : Bench
    period_px : float
        Pixels of the panel.
    angle_deg : float
        Direction in which the phase rises, from x towards y.

    Returns
    -------
    ndarray, shape (rows, columns)
        rad, 0 in the middle of the panel.

    Notes
    -----
    The light goes to ``lambda f / (period pitch)`` in the direction of the angle (`first_order_um`).
    """
    check_finite("period_px", period_px)
    return 2 * np.pi / period_px * _along_px(bench.panel, angle_deg)


def first_order_um(bench: Bench, period_px: float, angle_deg: float) -> tuple[float, float]:
    """Where in the objective plane the first order of a grating lies: (x, y), um.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> first_order_um(parse_bench(demo_bench_text(), "bench.toml"), 10, 90)
    (0.0, 78.16...)
    """
    check_finite("period_px", period_px)
    cosine, sine = _direction(angle_deg)
    return bench.field_um / period_px * cosine, bench.field_um / period_px * sine


# ---------------------------------------------------------------------------------------------------------------------
# patterns of two values, False and True; they are added as 0 and a depth


def stripes(bench: Bench, period_px: float, angle_deg: float = 0.0) -> NDArray[np.bool_]:
    """Binary grating: half of each period is True.

    Parameters
    ----------
    bench : Bench
    period_px : float
        Pixels of the panel.
    angle_deg : float
        Direction across the stripes, from x towards y.

    Returns
    -------
    ndarray of bool, shape (rows, columns)

    Notes
    -----
    Of a depth phi the first orders get ``(2 / pi)^2 sin^2(phi / 2)`` each and the undiffracted spot ``cos^2(phi / 2)`` (J. W. Goodman,
    Introduction to Fourier Optics, sec. 4.4, for phase gratings).
    """
    check_finite("period_px", period_px)
    return np.asarray(np.mod((_along_px(bench.panel, angle_deg) + _TINY_PX) / period_px, 1.0) >= 0.5)


def checker(bench: Bench, cell_px: int) -> NDArray[np.bool_]:
    """Chequered pattern of square cells, from the top left corner.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
    """
    row, column = np.arange(bench.panel.rows) // cell_px, np.arange(bench.panel.columns) // cell_px
    return np.asarray((row[:, None] + column[None, :]) % 2 == 1)


def half_plane(bench: Bench, angle_deg: float = 0.0, x_mm: float = 0.0, y_mm: float = 0.0) -> NDArray[np.bool_]:
    """One half of the panel: True on the side of a line through a point that the angle points to.

    Parameters
    ----------
    bench : Bench
    angle_deg : float
        Direction across the line, from x towards y: 0 makes the right half True, 90 the lower one.
    x_mm, y_mm : float
        The point, from the middle of the panel.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
    """
    x, y = _offsets_um(bench.panel, x_mm, y_mm)
    cosine, sine = _direction(angle_deg)
    return np.asarray(x * cosine + y * sine > 0)


def crosshair(bench: Bench, width_px: int, x_mm: float = 0.0, y_mm: float = 0.0) -> NDArray[np.bool_]:
    """A row and a column of the panel, some pixels wide, that cross at a point.

    Returns
    -------
    ndarray of bool, shape (rows, columns)

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> int(crosshair(parse_bench(demo_bench_text(), "bench.toml"), 4)[0].sum())
    4
    """
    x, y = _offsets_um(bench.panel, x_mm, y_mm)
    half = width_px / 2 * bench.panel.pitch_um
    tiny = _TINY_PX * bench.panel.pitch_um
    on = [(-half - tiny <= away) & (away < half - tiny) for away in (x, y)]
    return np.asarray(on[0] | on[1])


# ---------------------------------------------------------------------------------------------------------------------
# kinds by name


@dataclass(frozen=True)
class Kind:
    """How a kind of term is made.

    Attributes
    ----------
    make : callable
        Of a bench and the values by name: the phase, or a pattern of False and True.
    values : dict of str to Limit
        Names of the values, and what they may be.
    binary : bool
        Whether `make` gives a pattern; then there is one more value, ``depth_rad``.
    """

    make: Callable[..., NDArray[Any]]
    values: dict[str, Limit]
    binary: bool = False

    @property
    def all_values(self) -> dict[str, Limit]:
        """All values, with the depth of a pattern."""
        return {**self.values, "depth_rad": _DEPTH} if self.binary else self.values


_TINY_PX = 1e-6  # so that pixels with their middle on an edge all fall to the same side of it, whatever the rounding
_CENTRE = {"x_mm": Limit(-1000, 1000), "y_mm": Limit(-1000, 1000)}
_PERIOD = {"period_px": Limit(2, 16384), "angle_deg": Limit(-360, 360)}
_PIXELS = Limit(1, 16384, whole=True)
_DEPTH = Limit(-100, 100)

KINDS: dict[str, Kind] = {
    "zernike": Kind(zernike_term, {"noll": Limit(1, NOLL_LAST, whole=True), "waves": Limit(-100, 100)}),
    "spiral": Kind(spiral, {"charge": Limit(-1000, 1000, whole=True), **_CENTRE}),
    "axicon": Kind(axicon, {"radius_um": Limit(-1e4, 1e4), **_CENTRE}),
    "grating": Kind(grating, _PERIOD),
    "stripes": Kind(stripes, _PERIOD, binary=True),
    "checker": Kind(checker, {"cell_px": _PIXELS}, binary=True),
    "half-plane": Kind(half_plane, {"angle_deg": _PERIOD["angle_deg"], **_CENTRE}, binary=True),
    "crosshair": Kind(crosshair, {"width_px": _PIXELS, **_CENTRE}, binary=True),
}
"""Terms by their names."""


def term(bench: Bench, kind: str, values: Mapping[str, float]) -> Addend:
    """Make a term.

    Parameters
    ----------
    bench : Bench
    kind : str
        One of `KINDS`.
    values : mapping of str to float
        By name; all that the kind has.

    Returns
    -------
    Addend

    Raises
    ------
    InputError
        If there is no such kind, or a value is missing, unknown or out of range.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> term(bench, "checker", {"cell_px": 1, "depth_rad": 3.14}).phase[:2, :3]
    array([[0.  , 3.14, 0.  ],
           [3.14, 0.  , 3.14]])
    """
    check_term("term", {"kind": kind, **values})
    found = KINDS[kind]
    rest = {name: value for name, value in values.items() if name != "depth_rad"}
    made = found.make(bench, **rest)
    return Addend(values["depth_rad"] * made if found.binary else made, {"kind": kind, **values})


def check_term(where: str, recorded: object) -> None:
    """Raise `InputError`, naming `where`, unless `recorded` is what `term` writes."""
    kind = recorded.get("kind") if isinstance(recorded, Mapping) else recorded
    if not isinstance(recorded, Mapping) or not isinstance(kind, str) or kind not in KINDS:
        raise InputError(f"{where}: found {shortened(kind)}; allowed: {', '.join(KINDS)}")
    limits = KINDS[kind].all_values
    for name in recorded:
        if name != "kind" and name not in limits:
            raise InputError(f"{where}.{shortened(name)}: found for the kind {kind}; allowed: {', '.join(limits)}")
    for name, limit in limits.items():
        limit.check(f"{where}.{name}", recorded.get(name))


def pattern(bench: Bench, kind: str, values: Mapping[str, float]) -> NDArray[np.bool_]:
    """Make a pattern of two values, without a depth.

    Raises
    ------
    InputError
        As `term`, and if the kind is none of two values.
    """
    if kind not in KINDS or not KINDS[kind].binary:
        names = ", ".join(name for name, found in KINDS.items() if found.binary)
        raise InputError(f"pattern: found {shortened(kind)}; allowed: {names}")
    check_term("pattern", {"kind": kind, **values, "depth_rad": 0.0})
    return np.asarray(KINDS[kind].make(bench, **values), bool)


def told(recorded: Mapping[str, Any]) -> str:
    """Say in one line what a record tells of an addend.

    Examples
    --------
    >>> told({"kind": "zernike", "noll": 11, "waves": 0.05})
    'zernike: noll 11, waves 0.05'
    """
    values = {name: value for name, value in recorded.items() if name not in ("kind", "digest") and value is not None}
    texts = [f"{name.replace('_', ' ')} {told(value) if isinstance(value, Mapping) else value}" for name, value in values.items()]
    return f"{recorded['kind']}: {', '.join(texts)}" if texts else str(recorded["kind"])


def _offsets_um(panel: Panel, x_mm: float, y_mm: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distances of the pixels from a point, as a row and a column."""
    check_numbers(x_mm=x_mm, y_mm=y_mm)
    return panel.x_um[None, :] - 1e3 * x_mm, panel.y_um[:, None] - 1e3 * y_mm


def _along_px(panel: Panel, angle_deg: float) -> NDArray[np.float64]:
    """Pixels from the middle of the panel in a direction."""
    cosine, sine = _direction(angle_deg)
    return np.asarray((panel.x_um[None, :] * cosine + panel.y_um[:, None] * sine) / panel.pitch_um)


def _direction(angle_deg: float) -> tuple[float, float]:
    """Cosine and sine; rounded, so that the pixels on an edge along a row or column all fall to the same side."""
    check_finite("angle_deg", angle_deg)
    angle = np.deg2rad(angle_deg)
    return float(np.cos(angle).round(15)) + 0.0, float(np.sin(angle).round(15)) + 0.0
