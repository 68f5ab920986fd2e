"""Predict: the light that the levels of a mask make on the sites, and its figures of merit.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.cards import card, sites_png
from holo.checks import check_finite
from holo.errors import InputError
from holo.field.path import LightPath, light_path
from holo.field.sites import direct_fields
from holo.field.vector import vector_fields
from holo.mask import phase_of_levels
from holo.registration import closest_pair
from holo.retrieve.trim import uniformity_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.bench import Bench
    from holo.registration import Sites

SHELL_GAP = 0.05
"""Distances of dark sites that differ by less than this, in units of the nearest-neighbour distance, are of one order."""

DISC_SITES = 16
"""Bright sites whose discs are integrated point by point; the others take over their mean ratio of power to peak."""

DISC_RINGS, DISC_ANGLES = 3, 8
"""Points of the quadrature over a disc."""


@dataclass(frozen=True)
class NeighbourOrder:
    """Crosstalk on the dark sites of one distance shell.

    Attributes
    ----------
    order : int
        1 for the shell nearest to the bright sites, then 2, 3 ...
    distance_um : float
        Mean distance of its sites to their nearest bright site.
    sites : int
        How many dark sites it holds.
    max, mean : float
        Intensity on them over the mean intensity on the bright sites.
    """

    order: int
    distance_um: float
    sites: int
    max: float
    mean: float


@dataclass(frozen=True)
class Figures:
    """Figures of merit of the light on a set of sites.

    Attributes
    ----------
    bright, dark : int
        Numbers of bright and dark sites.
    efficiency : float
        Sum of the relative intensities of the bright sites; light that passes sites in several planes counts in each.
    uniformity, spread : float
        ``1 - (max r - min r) / (max r + min r)`` and ``std r / mean r`` of ``r``, intensity over target.
    crosstalk_max, crosstalk_mean : float or None
        Intensity on dark sites over the mean on bright ones; None without dark sites.
    crosstalk_by_order : tuple of NeighbourOrder
        The same split by distance to the nearest bright site; empty without dark sites or positions.
    """

    bright: int
    dark: int
    efficiency: float
    uniformity: float
    spread: float
    crosstalk_max: float | None
    crosstalk_mean: float | None
    crosstalk_by_order: tuple[NeighbourOrder, ...]


@dataclass(frozen=True, eq=False)
class Vector:
    """The light of a mask on its sites with the direction of the field taken into account; see `holo.field.vector`.

    Attributes
    ----------
    polarisation : str
        Of the light on the panel.
    intensity : ndarray of float64, shape (n,)
        Sum of the squared components of the field, over that of an unsplit focus.
    figures : Figures
    """

    polarisation: str
    intensity: NDArray[np.float64]
    figures: Figures


@dataclass(frozen=True, eq=False)
class Prediction:
    """The light of a mask on its sites.

    Attributes
    ----------
    sites : Sites
        The n sites, bright and dark, in the order of the arrangement.
    field : ndarray of complex128, shape (n,)
        Field over that of an unsplit focus on the axis, pixel envelope included.
    intensity : ndarray of float64, shape (n,)
        ``|field|^2``.
    relative : ndarray of float64, shape (n,)
        ``r``, intensity over target; NaN on dark sites.
    figures : Figures
    power_fraction : float
        Share of the power on the panel that lands within the Airy radius of a bright site; over several planes the sum of the
        shares in each, which may exceed 1.
    power_in_pupil : float
        Share of the power on the panel that the pupil lets through.
    undiffracted : float
        Relative intensity at (0, 0, 0), where light that the panel does not modulate would go.
    vector : Vector or None
        The light by the vector model, if a polarisation was given; all else is of the scalar model.
    """

    sites: Sites
    field: NDArray[np.complex128]
    intensity: NDArray[np.float64]
    relative: NDArray[np.float64]
    figures: Figures
    power_fraction: float
    power_in_pupil: float
    undiffracted: float
    vector: Vector | None = None

    def _repr_html_(self) -> str:
        """Show the prediction in a notebook."""
        bright = self.sites.bright
        told = {name: value for name, value in self.summary().items() if isinstance(value, int | float)}
        off = np.zeros(len(bright))
        off[bright] = self.relative[bright] / self.relative[bright].mean() - 1
        most = float(np.abs(off).max(initial=0.0))
        caption = (
            f"x to the right, y down; intensity over target from its mean, red -{most:.2g} to blue +{most:.2g}; circles are dark sites"
        )
        picture = sites_png(self.sites.xyz_um[:, :2], off / (most or 1.0), ~bright)
        return card("Prediction, from the levels", [(name.replace("_", " "), value) for name, value in told.items()], picture, caption)

    def worst(self) -> str:
        """Say which bright site is farthest from its share of the light, by ratio.

        Examples
        --------
        >>> from holo.arrangement import from_sites
        >>> from holo.bench import demo_bench_text, parse_bench
        >>> from holo.registration import place
        >>> bench = parse_bench(demo_bench_text(), "bench.toml")
        >>> sites = place(from_sites([[0, 0], [1, 0]], [1.0, 0.01]), bench.lattice)
        >>> tilt = bench.wavenumber_scale * (bench.panel.x_um * 60.0 + bench.panel.y_um[:, None] * 40.0)
        >>> levels = np.round(tilt / (2 * np.pi) * 212).astype(int) % 212
        >>> print(predict(bench, levels, sites).worst())  # all the light is on one of them
        site (1, 0) with a target of 0.01 times the brightest gets 0.00196 times the light of its share
        """
        ratio = self.relative / np.nanmedian(self.relative)
        site = int(np.nanargmax(np.abs(np.log(np.maximum(ratio, 1e-300)))))
        i, j = self.sites.ij[site]
        dim = self.sites.target[site] / self.sites.target.max()
        whose = f"site ({i:g}, {j:g})" + (f" with a target of {dim:.3g} times the brightest" if dim < 1 else "")
        return f"{whose} gets {ratio[site]:.3g} times the light of its share"

    def summary(self) -> dict[str, Any]:
        """All single figures as a JSON-compatible dict: `Figures`, shares of power, undiffracted light; ``vector_...`` of `Vector`."""
        return {
            **asdict(self.figures),
            "crosstalk_by_order": [asdict(order) for order in self.figures.crosstalk_by_order],
            "power_fraction": self.power_fraction,
            "power_in_pupil": self.power_in_pupil,
            "undiffracted": self.undiffracted,
            **({} if self.vector is None else self._vector_summary(self.vector)),
        }

    @staticmethod
    def _vector_summary(vector: Vector) -> dict[str, Any]:
        figures = asdict(vector.figures) | {"crosstalk_by_order": [asdict(order) for order in vector.figures.crosstalk_by_order]}
        told = {f"vector_{name}": value for name, value in figures.items() if name not in ("bright", "dark")}
        return {"vector_polarisation": vector.polarisation, **told}


def predict(
    bench: Bench, levels: NDArray[np.integer[Any]], sites: Sites, path: LightPath | None = None, polarisation: str = "scalar"
) -> Prediction:
    """Predict the light that levels make on sites, by the float64 direct sum.

    Parameters
    ----------
    bench : Bench
    levels : ndarray of int, shape (rows, columns)
        As the panel shows them; its response and flatness turn them into phase.
    sites : Sites
        The n sites to judge, at least one of them bright.
    path : LightPath, optional
        The light path of `bench`, if it is at hand.
    polarisation : str
        Of the light on the panel (`holo.field.vector.transverse`), for the figures of the vector model besides; scalar for none.

    Returns
    -------
    Prediction

    Raises
    ------
    InputError
        If the levels do not fit the panel, no site is bright, or no light reaches a bright site.

    Notes
    -----
    Conventions of `holo.field.path`. The power within the Airy radius ``R = 0.609835 lambda / NA`` (Born & Wolf, 7th ed.,
    section 8.5.2) of bright site m is integrated over its disc at 24 points::

        P_m / P = F^2 (p / (lambda f))^2 integral |V|^2 dX dY / sum A^2

    with the pitch ``p``, the fill factor ``F`` and ``sum A^2`` over the whole panel, pupil or not: Parseval's theorem for the panel,
    whose dark gaps cost ``1 - F`` by absorption and another factor ``F`` by diffraction into the orders of the pixel grid. Of more than
    16 bright sites, 16 spread over the list are integrated and their mean ratio of power to peak intensity holds for all, to about 1 %.
    Where discs overlap, each point counts for its nearest bright site only, which the few points follow to about 2 %.
    """
    path = path or light_path(bench)
    phase = phase_of_levels(levels, bench.panel)
    field = direct_fields(path, phase, np.concatenate([sites.xyz_um, np.zeros((1, 3))]))
    intensity = np.abs(field[:-1]) ** 2
    bright = sites.target > 0
    judged = figures(intensity, sites.target, sites.xyz_um)
    return Prediction(
        sites=sites,
        field=field[:-1],
        intensity=intensity,
        relative=np.divide(intensity, sites.target, out=np.full(len(intensity), np.nan), where=bright),
        figures=judged,
        power_fraction=_power_fraction(bench, path, phase, sites.xyz_um[bright], intensity[bright]),
        power_in_pupil=path.pupil_share,
        undiffracted=float(np.abs(field[-1]) ** 2),
        vector=None if polarisation == "scalar" else _vector(bench, path, phase, sites, polarisation),
    )


def _vector(bench: Bench, path: LightPath, phase: NDArray[np.float64], sites: Sites, polarisation: str) -> Vector:
    intensity = (np.abs(vector_fields(bench, path, phase, sites.xyz_um, polarisation)) ** 2).sum(axis=0)
    return Vector(polarisation, intensity, figures(intensity, sites.target, sites.xyz_um))


DISPLACEMENTS_NM = (10.0, 20.0, 50.0)
"""Drifts of the lattice whose effect a report shows."""

SOME = 1000
"""Most sites for which that, and what polarisation does, is worked out; of more, that many spread over the list are."""


def vectors(bench: Bench, levels: NDArray[np.integer[Any]], sites: Sites, path: LightPath | None = None) -> tuple[Vector, ...]:
    """Predict by the vector model what each kind of polarisation on the panel makes of a mask: x, y and circular.

    Parameters
    ----------
    bench : Bench
    levels : ndarray of int, shape (rows, columns)
    sites : Sites
    path : LightPath, optional
        The light path of `bench`, if it is at hand.

    Returns
    -------
    tuple of Vector
        On at most `SOME` sites.
    """
    path = path or light_path(bench)
    phase, pick = phase_of_levels(levels, bench.panel), _some(sites.target)
    some = replace(sites, ij=sites.ij[pick], xyz_um=sites.xyz_um[pick], target=sites.target[pick])
    return tuple(_vector(bench, path, phase, some, polarisation) for polarisation in ("x", "y", "circular-xy"))


def _some(target: NDArray[np.float64]) -> NDArray[np.intp]:
    """At most about `SOME` sites, in the wanted proportion of bright and dark ones."""
    parts = (np.flatnonzero(target > 0), np.flatnonzero(target == 0))
    return np.concatenate([part[_spread_out(len(part), max(1, SOME * len(part) // len(target)))] for part in parts])


@dataclass(frozen=True)
class Displaced:
    """What a drift of the sites away from the light does: the worst of displacements to either side in x and in y.

    Attributes
    ----------
    by_nm : float
        Length of the displacements; 0 for none.
    sites : int
        How many sites were looked at.
    uniformity : float
        Lowest of them.
    spread : float
        Highest.
    crosstalk_max, crosstalk_mean : float or None
        Highest of each; None without dark sites.
    """

    by_nm: float
    sites: int
    uniformity: float
    spread: float
    crosstalk_max: float | None
    crosstalk_mean: float | None


def displaced(
    bench: Bench, levels: NDArray[np.integer[Any]], sites: Sites, by_nm: tuple[float, ...] = DISPLACEMENTS_NM
) -> tuple[Displaced, ...]:
    """Work out what a drift of the lattice does to the figures, by the float64 direct sum of the scalar model.

    Parameters
    ----------
    bench : Bench
    levels : ndarray of int, shape (rows, columns)
    sites : Sites
    by_nm : tuple of float
        Lengths of the displacements.

    Returns
    -------
    tuple of Displaced
        One for each length, no displacement first.
    """
    check_finite("by_nm", by_nm)
    path, phase = light_path(bench), phase_of_levels(levels, bench.panel)
    pick = _some(sites.target)
    sides = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0]], np.float64)
    found = []
    for length in (0.0, *by_nm):
        places = [sites.xyz_um[pick] + 1e-3 * length * side for side in (sides if length else sides[:1])]
        each = [figures(np.abs(direct_fields(path, phase, points)) ** 2, sites.target[pick]) for points in places]
        worst = (
            (None, None)
            if each[0].crosstalk_max is None
            else (max(f.crosstalk_max or 0 for f in each), max(f.crosstalk_mean or 0 for f in each))
        )
        found.append(Displaced(length, len(pick), min(f.uniformity for f in each), max(f.spread for f in each), *worst))
    return tuple(found)


def figures(intensity: NDArray[np.float64], target: NDArray[np.float64], xyz_um: NDArray[np.float64] | None = None) -> Figures:
    """Figures of merit of intensities on sites.

    Parameters
    ----------
    intensity : ndarray of float, shape (n,)
        Relative intensity, over that of an unsplit focus on the axis.
    target : ndarray of float, shape (n,)
        Wanted relative intensity; 0 on a dark site.
    xyz_um : ndarray of float, shape (n, 3), optional
        Positions, to split the crosstalk by distance to the nearest bright site.

    Returns
    -------
    Figures

    Raises
    ------
    InputError
        If a number is not finite, no site is bright, or there is no light on any bright site.

    Notes
    -----
    Efficiency, uniformity and spread as in Di Leonardo, Ianni and Ruocco, Opt. Express 15, 1913 (2007), section 2, with each
    intensity over its target. An order is a run of distances without a gap of more than `SHELL_GAP` of the smallest distance
    between two sites.

    Examples
    --------
    >>> result = figures(np.array([0.4, 0.5, 0.009]), np.array([1.0, 1.0, 0.0]))
    >>> round(result.efficiency, 3), round(result.uniformity, 3), round(result.crosstalk_max, 3)
    (0.9, 0.889, 0.02)
    """
    for name, values in (("intensity", intensity), ("target", target)):
        check_finite(name, values)
    if xyz_um is not None:
        check_finite("xyz_um", xyz_um)
    bright = target > 0
    if not bright.any():
        raise InputError(f"sites: found {len(target)} site(s), none of them bright; allowed: at least one bright site")
    relative = intensity[bright] / target[bright]
    if not relative.max() > 0:
        raise InputError(f"intensity: found no light on any of the {len(relative)} bright site(s); allowed: a mask that sends light there")
    stray = intensity[~bright] / intensity[bright].mean()
    any_dark = len(stray) > 0
    return Figures(
        bright=int(bright.sum()),
        dark=len(stray),
        efficiency=float(intensity[bright].sum()),
        uniformity=uniformity_of(relative),
        spread=float(relative.std() / relative.mean()),
        crosstalk_max=float(stray.max()) if any_dark else None,
        crosstalk_mean=float(stray.mean()) if any_dark else None,
        crosstalk_by_order=_by_order(stray, xyz_um[~bright], xyz_um[bright]) if any_dark and xyz_um is not None else (),
    )


def _by_order(stray: NDArray[np.float64], dark_um: NDArray[np.float64], bright_um: NDArray[np.float64]) -> tuple[NeighbourOrder, ...]:
    """Crosstalk on dark sites, shell by shell of distance to the nearest bright site."""
    from scipy.spatial import KDTree

    distance = np.asarray(KDTree(bright_um).query(dark_um)[0])
    unit = closest_pair(np.concatenate([dark_um, bright_um]))[2]
    order = np.argsort(distance, kind="stable")
    starts = np.flatnonzero(np.diff(distance[order]) > SHELL_GAP * unit) + 1
    return tuple(
        NeighbourOrder(number, float(distance[shell].mean()), len(shell), float(stray[shell].max()), float(stray[shell].mean()))
        for number, shell in enumerate(np.split(order, starts), 1)
    )


def _power_fraction(
    bench: Bench, path: LightPath, phase: NDArray[np.float64], bright_um: NDArray[np.float64], intensity: NDArray[np.float64]
) -> float:
    """Share of the power on the panel within the Airy radius of a bright site; see `predict`."""
    from scipy.spatial import KDTree

    chosen = _spread_out(len(bright_um))
    around, weights = disc_rule(bench.airy_radius_um)
    points = bright_um[chosen, None, :] + np.pad(around, ((0, 0), (0, 1)))
    own = KDTree(bright_um).query(points)[1] == chosen[:, None]
    light = np.abs(direct_fields(path, phase, points.reshape(-1, 3))).reshape(own.shape) ** 2
    spot_area_um2 = (light * own * weights).sum() / intensity[chosen].sum()
    panel_power = (path.amplitude**2).sum() / path.pupil_share
    per_area = (bench.panel.fill_factor * bench.panel.pitch_um * path.scale / (2 * np.pi) * path.amplitude_sum) ** 2 / panel_power
    return float(spot_area_um2 * intensity.sum() * per_area)


def _spread_out(count: int, most: int = DISC_SITES) -> NDArray[np.intp]:
    """At most `most` of `count` indices, spread over them in steps of the golden ratio, which no lattice row repeats."""
    if count <= most:
        return np.arange(count)
    parts = np.mod((np.arange(most) + 0.5) * (np.sqrt(5) - 1) / 2, 1.0)
    return np.unique((parts * count).astype(np.intp))


def disc_rule(radius: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points and weights that integrate a smooth function over a disc about (0, 0).

    Parameters
    ----------
    radius : float

    Returns
    -------
    points : ndarray, shape (24, 2)
    weights : ndarray, shape (24,)
        Their sum is the area of the disc.

    Notes
    -----
    Gauss-Legendre in the square of the radius times the trapezoidal rule in the angle (Stroud, Approximate Calculation of Multiple
    Integrals, 1971, section 2.6; section from memory): exact for polynomials up to degree 5.

    Examples
    --------
    >>> points, weights = disc_rule(2.0)
    >>> print(round((weights * points[:, 0] ** 2).sum() / np.pi, 12))  # the integral of x^2 is pi r^4 / 4
    4.0
    """
    node, weight = np.polynomial.legendre.leggauss(DISC_RINGS)
    radii = radius * np.sqrt((node + 1) / 2)
    angles = 2 * np.pi * np.arange(DISC_ANGLES) / DISC_ANGLES
    points = radii[:, None, None] * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    weights = np.repeat(weight * (np.pi * radius**2 / 2) / DISC_ANGLES, DISC_ANGLES)
    return points.reshape(-1, 2), weights
