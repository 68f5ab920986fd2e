"""Predict the continuous light that the levels of a mask make, and judge it.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.errors import InputError
from holo.field.path import LightPath, light_path
from holo.field.plane import PlaneTransform, grid_envelope
from holo.field.sites import panel_light
from holo.mask import phase_of_levels
from holo.predict import Prediction, predict
from holo.retrieve.smooth import BRIGHT, FLAT, plaquettes, vortices

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from holo.bench import Bench
    from holo.registration import Sites
    from holo.smooth import PlacedSmooth

    Array = NDArray[np.float64]

EDGE_CELLS, MARGIN_CELLS = 4.0, 8.0
"""Width of soft edges and of the dark rim where a target names none, in focal cells of the pupil."""

FAINT = 1e-3
"""Share of a target's maximum below which it counts as dark."""

SITE_REACH = 2.0
"""Radius around a site, in Airy radii, in which the light is the site's and not judged as continuous."""

SAMPLING = 0.4
"""Distance of the points of the judge's grid, in focal cells: finer than the intensity needs, and no multiple of the engine's."""

MOST_POINTS = 900
"""Points of that grid along an axis; a larger target is judged on a coarser one."""


@dataclass(frozen=True)
class SmoothFigures:
    """Figures of merit of continuous light.

    Attributes
    ----------
    rms : float
        Standard deviation of intensity over target, over its mean, where the target exceeds half its maximum.
    rms_flat : float or None
        The same where it exceeds 99 % of its maximum; None if it does nowhere apart from the sites.
    largest : float
        Largest deviation of intensity over target from its mean, over that, in the former region.
    power_share : float
        Share of the light of the pupil that falls into the signal region, of the first order and without the pixel envelope.
    power_fraction : float
        Share of the power on the panel that falls onto the light part of the target, losses of pupil, pixels and envelope included.
    level : float
        Mean intensity where the target is bright, over that of an unsplit focus on the axis, for a target of 1.
    rim : float
        Mean intensity on the dark rim, over that at the target's maximum.
    vortices : int
        Points in the bright region around which the phase turns: dark holes that no small change can mend.
    """

    rms: float
    rms_flat: float | None
    largest: float
    power_share: float
    power_fraction: float
    level: float
    rim: float
    vortices: int


@dataclass(frozen=True, eq=False)
class SmoothPrediction:
    """The continuous light of a mask.

    Attributes
    ----------
    placed : PlacedSmooth
        What was wanted.
    sites : Sites
        The sites, none or some.
    x_um, y_um : ndarray, shapes (nx,) and (ny,)
        Grid on which the light is judged.
    target, intensity : ndarray, shape (ny, nx)
        Wanted, relative; and predicted, over an unsplit focus on the axis, pixel envelope included.
    region, bright : ndarray of bool, shape (ny, nx)
        The signal region, and where the target exceeds half its maximum, sites left out.
    figures : SmoothFigures
    at_sites : Prediction or None
        The light on the sites.
    power_in_pupil : float
        Share of the power on the panel that the pupil lets through.
    undiffracted : float
        Relative intensity at (0, 0, 0).
    """

    placed: PlacedSmooth
    sites: Sites
    x_um: Array
    y_um: Array
    target: Array
    intensity: Array
    region: NDArray[np.bool_]
    bright: NDArray[np.bool_]
    figures: SmoothFigures
    at_sites: Prediction | None
    power_in_pupil: float
    undiffracted: float

    @property
    def deviation(self) -> Array:
        """``r / mean r - 1`` of intensity over target in the bright part, NaN elsewhere."""
        ratio = np.divide(self.intensity, self.target, out=np.full(self.target.shape, np.nan), where=self.bright)
        return np.asarray(ratio / np.nanmean(ratio) - 1)

    def summary(self) -> dict[str, Any]:
        """All single figures as a JSON-compatible dict: those of the continuous light, then those of the sites, null without any.

        Returns
        -------
        dict
            Shares and relative errors, without unit.
        """
        sites = dict.fromkeys(("efficiency", "uniformity", "spread")) if self.at_sites is None else self.at_sites.summary()
        return {**sites, **asdict(self.figures), "power_in_pupil": self.power_in_pupil, "undiffracted": self.undiffracted}


def predict_smooth(
    bench: Bench, levels: NDArray[np.integer[Any]], placed: PlacedSmooth, sites: Sites, path: LightPath | None = None
) -> SmoothPrediction:
    """Predict the continuous light of levels, by matrix products in float64 that the engine does not use.

    Parameters
    ----------
    bench : Bench
    levels : ndarray of int, shape (rows, columns)
        As the panel shows them.
    placed : PlacedSmooth
        What was wanted, in the plane.
    sites : Sites
        Sites in the same mask; may be none.
    path : LightPath, optional
        The light path of `bench`, if it is at hand.

    Returns
    -------
    SmoothPrediction

    Raises
    ------
    InputError
        If the levels do not fit the panel, or the target has no light.

    Notes
    -----
    Power from sums over the grid: over a whole field of width ``lambda f / pitch`` the integral of ``|V|^2`` is
    ``(lambda f / pitch)^2 sum A^2`` (Parseval). Of the power on the panel the gaps between the pixels cost the square of the fill
    factor, as in `holo.predict.predict`.
    """
    path = path or light_path(bench)
    phase = phase_of_levels(levels, bench.panel)
    at_sites = predict(bench, levels, sites, path) if sites.bright.any() else None
    field = PlaneTransform(path, [0.0], [0.0]).forward(panel_light(path, phase))[0, 0] / path.amplitude_sum
    return _judged(bench, path, phase, placed, sites, at_sites, float(np.abs(field) ** 2))


def rms_of_phase(bench: Bench, path: LightPath, phase: NDArray[np.floating[Any]], placed: PlacedSmooth, sites: Sites) -> float:
    """Error of the light that a panel without levels would make of a phase: `SmoothFigures.rms`, judged as that of the levels.

    Parameters
    ----------
    bench : Bench
    path : LightPath
        Of `bench`.
    phase : ndarray, shape (rows, columns)
        Of the mask, rad.
    placed : PlacedSmooth
        Target.
    sites : Sites
        Left out around.

    Returns
    -------
    float
        Relative, 0.01 for 1 %.
    """
    return _judged(bench, path, phase, placed, sites, None, 0.0).figures.rms


def _judged(
    bench: Bench,
    path: LightPath,
    phase: NDArray[np.floating[Any]],
    placed: PlacedSmooth,
    sites: Sites,
    at_sites: Prediction | None,
    undiffracted: float,
) -> SmoothPrediction:
    x, y = judging_grid(bench, placed)
    soft, margin = soft_um(bench), margin_um(bench, placed)
    target = placed.intensity(x[None, :], y[:, None], soft)
    region = signal_region(target, x, y, margin)
    free = ~near_sites(x, y, sites, SITE_REACH * bench.airy_radius_um)
    bright = free & (target > BRIGHT * target.max())
    if not bright.any():
        raise InputError("smooth: found no light apart from the sites; allowed: a target that is wider than the discs around them")
    fields = PlaneTransform(path, x, y, placed.z_um).forward(panel_light(path, phase)) / path.amplitude_sum
    envelope = grid_envelope(path, x, y)
    intensity = np.abs(fields * envelope) ** 2
    figures = _figures(bench, path, target, fields, intensity, (region, bright, free), (x, y))
    return SmoothPrediction(placed, sites, x, y, target, intensity, region, bright, figures, at_sites, path.pupil_share, undiffracted)


def _figures(
    bench: Bench,
    path: LightPath,
    target: Array,
    fields: NDArray[np.complex128],
    intensity: Array,
    parts: tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]],
    axes: tuple[Array, Array],
) -> SmoothFigures:
    region, bright, free = parts
    ratio = intensity[bright] / target[bright]
    flat = bright & (target > FLAT * target.max())
    top = intensity[flat] / target[flat]
    dark = region & free & (target < FAINT * target.max())
    area = float((axes[0][1] - axes[0][0]) * (axes[1][1] - axes[1][0]))
    per_area = area * (path.amplitude_sum * bench.panel.pitch_um * path.scale / (2 * np.pi)) ** 2 / float((path.amplitude**2).sum())
    inside = region & (target > FAINT * target.max())
    return SmoothFigures(
        rms=float(ratio.std() / ratio.mean()),
        rms_flat=float(top.std() / top.mean()) if len(top) else None,
        largest=float(np.abs(ratio / ratio.mean() - 1).max()),
        power_share=float(np.sum(np.abs(fields[region]) ** 2) * per_area),
        power_fraction=float(intensity[inside].sum() * per_area * path.pupil_share * bench.panel.fill_factor**2),
        level=float(ratio.mean()),
        rim=float(intensity[dark].mean() / (ratio.mean() * target.max())) if dark.any() else 0.0,
        vortices=int(np.count_nonzero(vortices(fields) * plaquettes(bright))),
    )


# ---------------------------------------------------------------------------------------------------------------------
# regions, for the engine and the judge


def cell_um(bench: Bench) -> float:
    """Focal cell of the pupil, ``lambda / (2 NA)``: the finest grain of its light.

    Parameters
    ----------
    bench : Bench

    Returns
    -------
    float
        um.

    Examples
    --------
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> round(cell_um(parse_bench(demo_bench_text(), "bench.toml")), 4)
    0.7817
    """
    return bench.wavelength_um / (2 * bench.optics.numerical_aperture)


def soft_um(bench: Bench) -> float:
    """Width of edges that a target leaves open, um.

    Parameters
    ----------
    bench : Bench

    Returns
    -------
    float
        `EDGE_CELLS` focal cells of the pupil.
    """
    return EDGE_CELLS * cell_um(bench)


def margin_um(bench: Bench, placed: PlacedSmooth) -> float:
    """Width of the dark rim, um.

    Parameters
    ----------
    bench : Bench
    placed : PlacedSmooth
        With a margin of its own, or else `MARGIN_CELLS` focal cells of the pupil count.

    Returns
    -------
    float
        um.
    """
    margin = placed.smooth.margin
    return MARGIN_CELLS * cell_um(bench) if margin is None else margin * placed.unit_um


def reach_um(bench: Bench, placed: PlacedSmooth) -> tuple[float, float, float, float]:
    """Left, right, top and bottom of the signal region, um.

    Parameters
    ----------
    bench : Bench
    placed : PlacedSmooth
        Target.

    Returns
    -------
    left, right, top, bottom : float
        um; y down, so that top is the smaller.
    """
    left, right, top, bottom = placed.box_um(soft_um(bench))
    margin = margin_um(bench, placed)
    return left - margin, right + margin, top - margin, bottom + margin


def judging_grid(bench: Bench, placed: PlacedSmooth) -> tuple[Array, Array]:
    """Columns and rows, um, of the grid on which a target is judged: over its signal region.

    Parameters
    ----------
    bench : Bench
    placed : PlacedSmooth
        Target.

    Returns
    -------
    x_um : ndarray, shape (nx,)
    y_um : ndarray, shape (ny,)
    """
    left, right, top, bottom = reach_um(bench, placed)
    return _points(left, right, bench), _points(top, bottom, bench)


def _points(low: float, high: float, bench: Bench) -> Array:
    count = int(np.clip(np.ceil((high - low) / (SAMPLING * cell_um(bench))), 8, MOST_POINTS))
    return np.asarray(low + (np.arange(count) + 0.5) * ((high - low) / count), np.float64)


def signal_region(target: Array, x_um: Array, y_um: Array, margin: float) -> NDArray[np.bool_]:
    """Where a target has light, and what lies within the margin of that, shape (ny, nx).

    Parameters
    ----------
    target : ndarray, shape (ny, nx)
    x_um : ndarray, shape (nx,)
        Even steps.
    y_um : ndarray, shape (ny,)
        Even steps.
    margin : float
        um.

    Returns
    -------
    ndarray of bool, shape (ny, nx)

    Examples
    --------
    >>> signal_region(np.array([[0.0, 0.0, 0.0, 1.0]]), np.arange(4.0), np.array([0.0, 1.0]), 1.5)
    array([[False, False,  True,  True]])
    """
    from scipy.ndimage import distance_transform_edt

    lit = target > FAINT * target.max()
    if not lit.any():
        return np.zeros(target.shape, bool)
    return np.asarray(distance_transform_edt(~lit, sampling=(y_um[1] - y_um[0], x_um[1] - x_um[0])) <= margin)


def near_sites(x_um: Array, y_um: Array, sites: Sites, reach: float) -> NDArray[np.bool_]:
    """Which points of a grid lie within `reach` of a site, shape (ny, nx).

    Parameters
    ----------
    x_um : ndarray, shape (nx,)
    y_um : ndarray, shape (ny,)
    sites : Sites
        Their x and y count.
    reach : float
        um.

    Returns
    -------
    ndarray of bool, shape (ny, nx)

    Examples
    --------
    >>> from holo.registration import Sites
    >>> sites = Sites(np.zeros((1, 2)), np.array([[1.0, 0, 0]]), np.ones(1))
    >>> near_sites(np.arange(4.0), np.zeros(1), sites, 1.5)
    array([[ True,  True,  True, False]])
    """
    from scipy.spatial import KDTree

    if not len(sites.target):
        return np.zeros((len(y_um), len(x_um)), bool)
    points = np.stack(np.meshgrid(x_um, y_um), axis=-1)
    return np.asarray(np.isfinite(KDTree(sites.xyz_um[:, :2]).query(points, distance_upper_bound=reach)[0]))
