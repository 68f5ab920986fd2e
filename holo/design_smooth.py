"""Design of continuous light: from bench, arrangement and registration to a mask, the light it makes and the record that makes it again."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo.addends import replay
from holo.arrangement import Arrangement
from holo.arrays import Device
from holo.bench import Bench
from holo.design import DesignOptions, check_sites, mask_record, recorded_options
from holo.errors import InputError
from holo.field.path import LightPath, light_path
from holo.field.plane import grid_envelope
from holo.field.window import WindowTransform
from holo.mask import Levels, Mask, levels_of_phase, phase_of_levels
from holo.predict_smooth import (
    SITE_REACH,
    SmoothPrediction,
    margin_um,
    near_sites,
    predict_smooth,
    reach_um,
    rms_of_phase,
    signal_region,
    soft_um,
)
from holo.record import Source, recorded_arrangement, recorded_inputs, recorded_registration, recorded_sites, sources_of
from holo.registration import Registration, Sites, place, place_continuous
from holo.retrieve.smooth import BRIGHT, SMOOTH_EFFORTS, Progress, SmoothRetrieval, retrieve_smooth, start_phase
from holo.retrieve.trim import trim_window
from holo.shortfall import missed_by_light
from holo.smooth import PlacedSmooth

Array = NDArray[np.float64]

SITE_WIDTH = 1.5
"""Width of the light on a site over that of a spot: without the sharp spot's rings, which would mark the continuous light around it."""

GROWTH, GROWING = (0.1, 0.3), 30
"""Shares of the sites' light with which the search begins, and most iterations at each."""


@dataclass(frozen=True, eq=False)
class SmoothDesign:
    """A designed mask of continuous light, the light it makes, and how it was found.

    Attributes
    ----------
    mask : Mask
    prediction : SmoothPrediction
        From the levels of the mask.
    rms_before_levels : float
        Error of the light without levels, by the same judge.
    retrieval : SmoothRetrieval
        The engine's own result, before rounding to levels.
    seconds : float
        Time taken from inputs to prediction.
    shortfall : str
        As that of `holo.design.Design`.
    """

    mask: Mask
    prediction: SmoothPrediction
    rms_before_levels: float
    retrieval: SmoothRetrieval
    seconds: float
    shortfall: str = ""

    @property
    def converged(self) -> bool:
        """Whether the search reached what was wanted, and rounding to levels left it so."""
        return not self.shortfall


@dataclass(frozen=True, eq=False)
class Goal:
    """What the engine is asked for.

    Attributes
    ----------
    target : ndarray, shape (ny, nx)
        Wanted ``|V|^2`` on the window, of sum `power`; the pixel envelope divided out.
    continuous : ndarray, shape (ny, nx)
        The part of it without the sites.
    region : ndarray of bool, shape (ny, nx)
        The signal region.
    power : float
        Share of the light of the pupil in it.
    """

    target: Array
    continuous: Array
    region: NDArray[np.bool_]
    power: float

    @property
    def bright(self) -> NDArray[np.bool_]:
        """Where the continuous light is bright, sites included, or a site is."""
        return np.asarray(self.target > BRIGHT * self.continuous.max())


def design_smooth(
    bench: Bench,
    arrangement: Arrangement,
    registration: Registration | None = None,
    options: DesignOptions | None = None,
    progress: Progress | None = None,
    *,
    sources: dict[str, Source | None] | None = None,
) -> SmoothDesign:
    """Design the mask of an arrangement with continuous light, with sites or without.

    Parameters
    ----------
    bench, arrangement, registration, options, sources
        As for `holo.design.design`. Nothing here is random, so the seed does not matter.
    progress : callable, optional
        Called after each iteration; see `holo.retrieve.smooth.Progress`.

    Returns
    -------
    SmoothDesign
        After a KeyboardInterrupt during the search it is of the best phase found until then, and its record says after how many
        iterations, so that it can be made again.

    Raises
    ------
    InputError
        If the arrangement has no continuous light, that or a site lies outside the field, or a site not in its plane.

    Examples
    --------
    >>> from holo.arrangement import from_sites
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.smooth import Part, Smooth
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> flat = Smooth((Part("box", {"width": 16, "height": 12}, at=(70, 50)),), power=0.6)
    >>> made = design_smooth(bench, replace(from_sites([]), smooth=flat), options=DesignOptions(rms=0.01))
    >>> made.prediction.figures.rms < 0.02, made.prediction.figures.vortices
    (True, 0)
    """
    begin = time.perf_counter()
    options, device = (options or DesignOptions()).on_device()
    check_options(options)
    placed, sites = placed_light(bench, arrangement, registration)
    path = light_path(bench)
    window = _window(bench, path, placed, sites)
    goal = _goal(bench, window, placed, sites)
    found = _search(window, goal, options, progress, device)
    if found.interrupted:
        options = replace(options, iterations=max(found.iterations, 1))
    levels = _levels(bench, window, goal, found, SMOOTH_EFFORTS[options.effort].trim, device)
    prediction = predict_smooth(bench, levels, placed, sites, path)
    before = rms_of_phase(bench, path, found.phase, placed, sites)
    steps, rms = bench.panel.phase_steps, prediction.figures.rms
    short = missed_by_light(found, rms, before, steps, effort=options.effort, asked=options.rms)
    figures = {**prediction.summary(), "rms_before_levels": before, **({"shortfall": short} if short else {})}
    mask = Mask(levels, found.phase, mask_record(sources or sources_of(bench, arrangement, registration), options, None, figures))
    return SmoothDesign(mask, prediction, before, found, time.perf_counter() - begin, short)


def check_options(options: DesignOptions) -> None:
    """Refuse what the engine for continuous light has no use for; raises `InputError`."""
    if options.uniformity is not None:
        raise InputError(f"uniformity: found {options.uniformity:g}; allowed: none with continuous light; use rms")
    if options.engine != "auto" or options.dense is not None:
        raise InputError(f"engine: found {options.engine}, or options of one; allowed: auto with continuous light")
    if options.polarisation != "scalar":
        raise InputError(f"polarisation: found {options.polarisation}; allowed: scalar with continuous light")


def placed_light(bench: Bench, arrangement: Arrangement, registration: Registration | None) -> tuple[PlacedSmooth, Sites]:
    """Find where the continuous light and the sites of an arrangement lie, and refuse what no mask can make.

    Raises
    ------
    InputError
        As `design_smooth`.
    """
    placed = place_continuous(arrangement, bench.lattice, registration)
    if placed is None:
        raise InputError("found no continuous light; allowed: an arrangement with a table [smooth]")
    sites = place(arrangement, bench.lattice, registration)
    check_sites(bench, sites, "spots")
    left, right, top, bottom = reach_um(bench, placed)
    half = bench.field_um / 2
    if min(left, top) < -half or max(right, bottom) > half:
        found = f"x from {left:.4g} to {right:.4g} and y from {top:.4g} to {bottom:.4g} um with its dark rim"
        raise InputError(f"smooth: found {found}; allowed: {-half:.4g} to {half:.4g} um, the field")
    away = np.abs(sites.xyz_um[:, 2] - placed.z_um) > 1e-6
    if away.any():
        raise InputError(f"sites: found one at z = {sites.xyz_um[away][0, 2]:g} um; allowed: {placed.z_um:g} um, the plane of [smooth]")
    return placed, sites


def smooth_warnings(bench: Bench, placed: PlacedSmooth) -> list[str]:
    """Say what a user should know of where continuous light lies: on the undiffracted spot, or on its own mirror image."""
    left, right, top, bottom = reach_um(bench, placed)
    found = []
    if left < 0 < right and top < 0 < bottom:
        found.append("the undiffracted spot at (0, 0) lies in the continuous light or its rim: move the light away from it")
    elif max(abs(left + right) - (right - left), abs(top + bottom) - (bottom - top)) < 0:
        found.append("the continuous light overlaps its ghost at (-x, -y), which a panel whose response is not exact makes: move it away")
    return found


def _window(bench: Bench, path: LightPath, placed: PlacedSmooth, sites: Sites) -> WindowTransform:
    """The window that holds the signal region and the discs around the sites."""
    left, right, top, bottom = reach_um(bench, placed)
    reach = 1.5 * SITE_REACH * bench.airy_radius_um
    corners = np.concatenate([[[left, top], [right, bottom]], sites.xyz_um[:, :2] - reach, sites.xyz_um[:, :2] + reach])
    low, high = corners.min(axis=0), corners.max(axis=0)
    middle, size = (low + high) / 2, np.minimum(high - low, bench.field_um)
    return WindowTransform(path, (float(middle[0]), float(middle[1])), (float(size[0]), float(size[1])), placed.z_um)


def _goal(bench: Bench, window: WindowTransform, placed: PlacedSmooth, sites: Sites) -> Goal:
    """Target and region on the window.

    A site is a Gaussian as wide as a spot on top of the continuous light; together they reach its target in the middle.
    """
    x, y = window.x_um, window.y_um
    smooth = placed.intensity(x[None, :], y[:, None], soft_um(bench))
    region = signal_region(smooth, x, y, margin_um(bench, placed))
    envelope = grid_envelope(window.path, x, y) ** 2
    wanted = placed.smooth
    continuous = np.where(region, smooth / envelope, 0)
    if not continuous.sum() > 0:
        raise InputError("smooth: found no light anywhere; allowed: shapes whose sum and product leave some")
    continuous *= wanted.power / continuous.sum()
    if not sites.bright.any():
        return Goal(continuous, continuous, region, wanted.power)
    spots = _spots(bench, window, sites, continuous, wanted.sites_power)
    region |= near_sites(x, y, sites, SITE_REACH * bench.airy_radius_um)
    return Goal(np.where(region, continuous + spots, 0), continuous, region, wanted.power + wanted.sites_power)


def _spots(bench: Bench, window: WindowTransform, sites: Sites, continuous: Array, power: float) -> Array:
    """The sites' share of the target, of sum `power`: what their spots must add to the continuous light."""
    x, y = window.x_um, window.y_um
    xy = sites.xyz_um[sites.bright, :2]
    width = bench.spot_width_um * SITE_WIDTH
    profiles = [np.exp(-0.5 * ((axis[None, :] - xy[:, k, None]) / width) ** 2) for k, axis in ((0, x), (1, y))]
    volume = profiles[0].sum(axis=1) * profiles[1].sum(axis=1)
    ground = _at_sites(window, continuous, sites)
    wanted = sites.target[sites.bright] / window.path.envelope(xy) ** 2
    height = (power + (ground * volume).sum()) / (wanted * volume).sum() * wanted - ground
    if height.min() <= 0:
        raise InputError(
            f"sites_power: found {power:g}, which leaves a site no brighter than the continuous light around it; allowed: a larger share"
        )
    return np.asarray((profiles[1] * height[:, None]).T @ profiles[0], np.float64)


def _search(window: WindowTransform, goal: Goal, options: DesignOptions, progress: Progress | None, device: Device) -> SmoothRetrieval:
    """Search for the phase of a goal; the light of the sites grows in `GROWTH` steps.

    With all of it from the start, dark rings with vortices in them would part the spots from the light around them. Grown from that
    light, in step with it, they leave the field without a zero all the way.
    """
    effort = SMOOTH_EFFORTS[options.effort]
    spots = goal.target - goal.continuous
    shares = (*GROWTH, 1.0) if spots.any() else (1.0,)
    left = options.iterations or (effort.mixes or effort.steps) + GROWING * (len(shares) - 1)
    theta = start_phase(window, goal.continuous, goal.continuous > 0, float(goal.continuous.sum()), device)
    found: list[SmoothRetrieval] = []
    for share in shares:
        target, done = goal.continuous + share * spots, sum(stage.iterations for stage in found)
        last = share == 1
        stage = retrieve_smooth(
            window,
            target,
            goal.region,
            power=float(target.sum()),
            effort=options.effort if last else "normal",
            rms=options.rms if last else 1e-4,
            iterations=left - done if last else min(GROWING, left - done),
            progress=None if progress is None else partial(_onwards, progress, done),
            start=theta,
            bright=goal.bright,
            device=device,
        )
        theta = (stage.phase[window.box] + window.carrier).astype(np.float32)
        found.append(stage)
        if stage.interrupted or done + stage.iterations >= left:
            break
    return replace(
        found[-1],
        iterations=sum(stage.iterations for stage in found),
        converged=found[-1].converged and len(found) == len(shares),
        history=tuple(entry for stage in found for entry in stage.history),
    )


def _onwards(progress: Progress, done: int, stage: str, iterations: int, error: float) -> None:
    progress(stage, done + iterations, error)


def _at_sites(window: WindowTransform, values: Array, sites: Sites) -> Array:
    """Values on the window at the bright sites, interpolated."""
    from scipy.interpolate import RegularGridInterpolator

    return np.asarray(RegularGridInterpolator((window.y_um, window.x_um), values)(sites.xyz_um[sites.bright, 1::-1]), np.float64)


def _levels(bench: Bench, window: WindowTransform, goal: Goal, found: SmoothRetrieval, steps: int, device: Device) -> Levels:
    """Levels of a retrieved phase, trimmed so that their rounding leaves the light as it was."""
    if steps == 0:
        return levels_of_phase(found.phase, bench.panel)
    trimmed = trim_window(
        window,
        found.phase,
        goal.region,
        goal.bright,
        lambda wanted: phase_of_levels(levels_of_phase(wanted, bench.panel), bench.panel),
        steps=steps,
        device=device,
    )
    return levels_of_phase(trimmed.phase, bench.panel)


def remake_smooth(record: dict[str, Any], bench_path: Any = None, progress: Progress | None = None) -> SmoothDesign:
    """Make a mask of continuous light again from its own record; see `holo.design.remake`."""
    inputs, options = recorded_inputs(record, bench_path), recorded_options(record)
    made = design_smooth(inputs.bench, inputs.arrangement, inputs.registration, options, progress, sources=inputs.sources)
    if not record["nudges"]:
        return made
    path = light_path(inputs.bench)
    mask = replay(made.mask, inputs.bench, record["nudges"], path)
    moves = [{key: step[key] for key in ("x_um", "y_um", "focus_um")} for step in record["nudges"]]  # whatever else was added
    placed, sites = recorded_light({**record, "nudges": moves}, inputs.bench)
    return replace(made, mask=mask, prediction=predict_smooth(inputs.bench, mask.levels, placed, sites, path))


def recorded_light(record: dict[str, Any], bench: Bench) -> tuple[PlacedSmooth, Sites]:
    """Find where on a bench the continuous light and the sites of a mask lie: those of its record, moved along with its nudges."""
    placed = place_continuous(recorded_arrangement(record, bench.lattice), bench.lattice, recorded_registration(record))
    if placed is None:
        raise InputError("record: found no continuous light; allowed: a mask made with a table [smooth]")
    for step in record["nudges"]:
        placed = placed.moved(step["x_um"], step["y_um"], step["focus_um"])
    return placed, recorded_sites(record, bench)
