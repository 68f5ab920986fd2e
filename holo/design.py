"""Design: from bench, arrangement and registration to a mask, the light it makes and the record that makes it again."""

from __future__ import annotations

import os
import time
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo import __version__
from holo.addends import replay
from holo.arrangement import Arrangement
from holo.arrays import DEVICES, Device, find_device
from holo.bench import HOPELESS, Bench, drowned
from holo.errors import InputError
from holo.field.path import LightPath, light_path
from holo.field.vector import focus_weights, transverse
from holo.mask import FORMAT, VERSION, Levels, Mask, levels_of_phase, phase_of_levels
from holo.plans import mark_of_plans
from holo.predict import Prediction, predict
from holo.record import Source, nudged_sites, recorded_inputs, recorded_sites, sources_of
from holo.registration import Registration, Sites, closest_pair, place
from holo.retrieve.dense import DenseOptions, retrieve_dense
from holo.retrieve.spots import EFFORTS, Retrieval, retrieve_spots
from holo.retrieve.stages import Progress
from holo.retrieve.trim import trim
from holo.shortfall import missed_by_sites
from holo.tables import shortened

ENGINES = ("auto", "spots", "dense")
"""What may find the phase: `holo.retrieve.spots`, `holo.retrieve.dense`, or whichever the distances between the sites ask for."""


@dataclass(frozen=True)
class DesignOptions:
    """How hard to look for the phase.

    Attributes
    ----------
    effort : str
        How much work the engine may do, one of `holo.retrieve.spots.EFFORTS`.
    seed : int
        Seed of the random numbers: same inputs and seed, same mask.
    uniformity : float or None
        Uniformity to stop at; None leaves it to the effort. For the engine spots.
    iterations : int or None
        Most iterations with the phases of the sites held, and most corrections on the panel after them; for the engine dense, most steps
        on the panel in blocks, and on the whole one after them. None leaves both to the effort. For continuous light,
        most iterations at all.
    engine : str
        One of `ENGINES`.
    polarisation : str
        Of the light on the panel, for the prediction and for the engine dense; see `holo.field.vector.transverse`.
    dense : DenseOptions or None
        For the engine dense; None stands for the defaults.
    rms : float or None
        Of continuous light only (`holo.design_smooth`): error of the intensity to stop at; None leaves it to the effort.
    device : str
        Where to search, one of `holo.arrays.DEVICES`. The record of a mask has the one that it was found on: the CPU where there is no GPU.

    Raises
    ------
    InputError
        If a value is out of range.
    """

    effort: str = "normal"
    seed: int = 0
    uniformity: float | None = None
    iterations: int | None = None
    engine: str = "auto"
    polarisation: str = "scalar"
    dense: DenseOptions | None = None
    rms: float | None = None
    device: str = "cpu"

    def __post_init__(self) -> None:
        if self.engine not in ENGINES:
            raise InputError(f"engine: found {self.engine!r}; allowed: {', '.join(ENGINES)}")
        transverse(self.polarisation)
        if self.effort not in EFFORTS:
            raise InputError(f"effort: found {self.effort!r}; allowed: {', '.join(EFFORTS)}")
        if type(self.seed) is not int or self.seed < 0:
            raise InputError(f"seed: found {self.seed!r}; allowed: a whole number from 0 up")
        if self.uniformity is not None and not (isinstance(self.uniformity, float) and 0 < self.uniformity < 1):
            raise InputError(f"uniformity: found {self.uniformity!r}; allowed: a number between 0 and 1")
        if self.iterations is not None and not (type(self.iterations) is int and 1 <= self.iterations <= 100_000):
            raise InputError(f"iterations: found {self.iterations!r}; allowed: a whole number from 1 to 100000")
        if self.rms is not None and not (isinstance(self.rms, float) and 0 < self.rms < 1):
            raise InputError(f"rms: found {self.rms!r}; allowed: a number between 0 and 1")
        if self.device not in DEVICES:
            raise InputError(f"device: found {self.device!r}; allowed: {', '.join(DEVICES)}")

    def on_device(self) -> tuple[DesignOptions, Device]:
        """Find the device, and give the options that name it."""
        found = find_device(self.device)
        return replace(self, device=found.name), found


@dataclass(frozen=True, eq=False)
class Correction:
    """What was found out about the light of a mask: the next one is asked for other targets, and starts from where that one ended.

    Attributes
    ----------
    factor : ndarray, shape (n,)
        Light that a site gets over what the bench predicts, up to a factor that all share; 1 where nothing is known. Bright sites are
        asked for their target over it.
    waves : ndarray of complex, shape (bright,)
        `holo.retrieve.spots.Retrieval.waves` of that mask.
    """

    factor: NDArray[np.float64]
    waves: NDArray[np.complex128]

    def asked(self, sites: Sites) -> Sites:
        """Give the sites with the targets to ask for; raises `InputError` unless there is one positive factor for each."""
        if self.factor.shape != sites.target.shape or not (np.isfinite(self.factor) & (self.factor > 0)).all():
            raise InputError(f"correction.factor: found {shortened(self.factor.tolist())}; allowed: {len(sites.target)} numbers above 0")
        return replace(sites, target=sites.target / self.factor)

    def recorded(self) -> dict[str, list[float]]:
        """Write it for the record of a mask; `Correction.read` gives it back."""
        return {"factor": self.factor.tolist(), "real": self.waves.real.tolist(), "imaginary": self.waves.imag.tolist()}

    @staticmethod
    def read(recorded: object) -> Correction:
        """Read what `recorded` wrote; raises `InputError` if it is something else."""
        try:
            factor, real, imaginary = (np.array([*map(float, recorded[key])]) for key in ("factor", "real", "imaginary"))  # type: ignore[index]
            return Correction(factor, real + 1j * imaginary)
        except (TypeError, KeyError, ValueError) as error:
            found = f"found {shortened(recorded)}"
            raise InputError(f"record.options.correction: {found}; allowed: factor, real and imaginary, lists of numbers") from error


@dataclass(frozen=True, eq=False)
class Design:
    """A designed mask, the light it makes, and how it was found.

    Attributes
    ----------
    mask : Mask
    prediction : Prediction
        From the levels of the mask, on all sites.
    retrieval : Retrieval
        The engine's own result, before rounding to levels.
    seconds : float
        Time taken from inputs to prediction.
    shortfall : str
        Why the mask is not what was asked for, and what to do; empty if it is. See `holo.shortfall`.
    """

    mask: Mask
    prediction: Prediction
    retrieval: Retrieval
    seconds: float
    shortfall: str = ""

    @property
    def converged(self) -> bool:
        """Whether the search reached what was wanted, and rounding to levels left it so."""
        return not self.shortfall


def design(
    bench: Bench,
    arrangement: Arrangement,
    registration: Registration | None = None,
    options: DesignOptions | None = None,
    progress: Progress | None = None,
    *,
    sources: dict[str, Source | None] | None = None,
    correction: Correction | None = None,
) -> Design:
    """Design the mask of an arrangement.

    Parameters
    ----------
    bench : Bench
    arrangement : Arrangement
    registration : Registration, optional
        Overrides the lattice of the bench.
    options : DesignOptions, optional
    progress : callable, optional
        Called after each iteration; see `holo.retrieve.stages.Progress`.
    sources : dict, optional
        What the record is to say of the three inputs: those of `read_inputs`; by default, `sources_of` them.
    correction : Correction, optional
        What is known of the light beyond the bench. It becomes part of the record, whose arrangement stays the wanted one; the prediction
        has the targets that were asked for, so that its uniformity and spread are those of the light to be expected on the wanted ones.

    Returns
    -------
    Design

    Raises
    ------
    InputError
        If a bright site lies outside the addressable field, the engine cannot do with these sites or options, or the correction is not one
        for these sites.
    RetrievalError
        If the light at a site stays zero.

    Notes
    -----
    Dark sites too close to a bright one (`holo.bench.drowned`; for the engine dense, at `HOPELESS` times that distance) are judged but not
    asked to be dark. The levels are those of the retrieved phase. With the engine spots they are trimmed so that their rounding leaves the
    sites level (`holo.retrieve.trim`), which the effort quick leaves out. The figures are of the levels as the panel shows them, by a
    sum that the engine does not use.

    Examples
    --------
    >>> from holo.arrangement import block
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> made = design(bench, block(3, 3), options=DesignOptions(effort="quick"))
    >>> made.prediction.figures.uniformity > 0.98
    True
    """
    start = time.perf_counter()
    options, device = (options or DesignOptions()).on_device()
    if arrangement.smooth is not None or options.rms is not None:
        raise InputError("found continuous light, or an rms error to stop at; allowed: sites, as continuous light has a design of its own")
    sites = place(arrangement, bench.lattice, registration)
    options = replace(options, engine=chosen_engine(bench, sites, options).name)
    check_sites(bench, sites, options.engine)
    sites = sites if correction is None else correction.asked(sites)
    path = light_path(bench)
    retrieval = _retrieved(bench, path, sites, options, progress, correction, device)
    levels = _levels(bench, path, sites, retrieval, EFFORTS[options.effort].trim if options.engine == "spots" else 0)
    prediction = predict(bench, levels, sites, path, options.polarisation)
    short = missed_by_sites(
        retrieval,
        prediction,
        _sought(bench, sites, options.engine),
        bench.panel.phase_steps,
        engine=options.engine,
        effort=options.effort,
        asked=options.uniformity,
    )
    figures = {**prediction.summary(), "uniformity_before_levels": retrieval.uniformity, **({"shortfall": short} if short else {})}
    record = mask_record(sources or sources_of(bench, arrangement, registration), options, correction, figures)
    if retrieval.interrupted:
        record["figures"]["interrupted"] = True
    mask = Mask(levels, retrieval.phase, record)
    return Design(mask, prediction, retrieval, time.perf_counter() - start, short)


def _sought(bench: Bench, sites: Sites, engine: str) -> NDArray[np.bool_]:
    """Which sites an engine is asked for: all but dark ones that no mask of its kind keeps dark."""
    return ~drowned(bench, sites, HOPELESS if engine == "dense" else 1.0)


def _retrieved(
    bench: Bench,
    path: LightPath,
    sites: Sites,
    options: DesignOptions,
    progress: Progress | None,
    correction: Correction | None,
    device: Device,
) -> Retrieval:
    """Have the engine of the options find the phase."""
    rng, start = np.random.default_rng(options.seed), None if correction is None else correction.waves
    kept = _sought(bench, sites, options.engine)
    if options.engine == "dense":
        return retrieve_dense(
            path,
            sites.xyz_um[kept],
            sites.target[kept],
            rng=rng,
            ij=sites.ij[kept],
            options=options.dense,
            weights=focus_weights(bench, options.polarisation),
            effort=options.effort,
            iterations=options.iterations,
            progress=progress,
            start=start,
            device=device,
        )
    return retrieve_spots(
        path,
        sites.xyz_um[kept],
        sites.target[kept],
        rng=rng,
        effort=options.effort,
        uniformity=options.uniformity,
        iterations=options.iterations,
        progress=progress,
        start=start,
        device=device,
    )


@dataclass(frozen=True)
class Engine:
    """The engine for some sites, and why it."""

    name: str
    why: str


def chosen_engine(bench: Bench, sites: Sites, options: DesignOptions) -> Engine:
    """Choose the engine that finds the phase for some sites.

    Parameters
    ----------
    bench : Bench
    sites : Sites
    options : DesignOptions
        Its engine auto stands for dense where two bright sites, or a bright and a dark one, lie closer than the resolution
        (`Bench.resolution_um`), and for spots elsewhere. Dark sites at less than `HOPELESS` of that from a bright one do not count.

    Returns
    -------
    Engine

    Raises
    ------
    InputError
        If there are options for another engine than the one chosen.

    Examples
    --------
    >>> from holo.arrangement import block
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> chosen_engine(bench, place(block(3, 3), bench.lattice), DesignOptions())
    Engine(name='spots', why='the closest sites are 5 um apart, and the Airy radius is 0.9534 um')
    """
    close = _closest_um(bench, sites)
    apart = "there is one site only" if close is None else f"the closest sites are {close[1]:.4g} um apart"
    needed = "dense" if close is not None and close[0] < 1 - 1e-9 else "spots"
    name = needed if options.engine == "auto" else options.engine
    why = f"{apart}, and the Airy radius is {bench.airy_radius_um:.4g} um" if options.engine == "auto" else "as asked"
    if name == "spots" and options.dense is not None:
        raise InputError(f"darkness, given_up, drift_nm: found for the engine spots ({why}); allowed: with the engine dense")
    if name == "dense" and options.uniformity is not None:
        raise InputError(f"uniformity: found {options.uniformity:g} for the engine dense ({why}); allowed: with the engine spots")
    return Engine(name, why)


def _closest_um(bench: Bench, sites: Sites) -> tuple[float, float] | None:
    """Least distance of a bright site to another site that takes part: over the resolution, and in um; None with one site."""
    kept = np.flatnonzero(~drowned(bench, sites, HOPELESS))
    places = sites.xyz_um[kept] / bench.resolution_um
    bright = sites.bright[kept]
    if len(kept) < 2 or not bright.any():
        return None
    from scipy.spatial import KDTree

    distance, nearest = KDTree(places).query(places[bright], k=2)
    worst = int(np.argmin(distance[:, 1]))
    one, other = kept[np.flatnonzero(bright)[worst]], kept[nearest[worst, 1]]
    return float(distance[worst, 1]), float(np.linalg.norm(sites.xyz_um[one] - sites.xyz_um[other]))


def _levels(bench: Bench, path: LightPath, sites: Sites, retrieval: Retrieval, steps: int) -> Levels:
    """Levels of a retrieved phase, trimmed so that the sites are level in spite of the rounding."""
    if steps == 0:
        return levels_of_phase(retrieval.phase, bench.panel)
    trimmed = trim(
        path,
        retrieval.phase,
        sites.xyz_um[sites.bright],
        sites.target[sites.bright],
        lambda wanted: phase_of_levels(levels_of_phase(wanted, bench.panel), bench.panel),
        steps=steps,
    )
    return levels_of_phase(trimmed.phase, bench.panel)


def check_sites(bench: Bench, sites: Sites, engine: str = "auto") -> None:
    """Refuse sites that an engine cannot put light on.

    Raises
    ------
    InputError
        If a bright site lies outside the addressable field, ``lambda f / pitch`` wide, or, for the engine spots, two bright sites lie
        closer than the Airy radius, measured with depths over the axial distance of the first dark point, ``2 n lambda / NA^2``.

    Notes
    -----
    Two points at the Airy radius are just resolved (Rayleigh's criterion; Born & Wolf, 7th ed., section 8.6.2; section from memory). The
    first dark point on the axis: the same, section 8.8.2.
    """
    bright = np.flatnonzero(sites.bright)
    half = bench.field_um / 2
    outside = bright[(np.abs(sites.xyz_um[bright, :2]) > half).any(axis=1)]
    if len(outside):
        more = f" (and {len(outside) - 1} more)" if len(outside) > 1 else ""
        raise InputError(f"{_name(sites, outside[0])}{more}: found outside the field; allowed: x and y from {-half:.2f} to {half:.2f} um")
    if engine == "spots" and len(bright) > 1:
        _check_separated(bench, sites, bright)


def check_nudged(record: dict[str, Any], bench: Bench) -> list[str]:
    """Refuse a nudged mask whose sites have left the field (raises as `check_sites`); give a warning where that is not known."""
    try:
        sites = recorded_sites(record, bench)
    except InputError as error:
        return [f"whether the sites stay inside the field is not known ({error})"]
    check_sites(bench, sites)
    return []


def _check_separated(bench: Bench, sites: Sites, bright: NDArray[np.intp]) -> None:
    first, second, distance = closest_pair(sites.xyz_um[bright] / bench.resolution_um)
    if distance < 1 - 1e-9:
        one, other = bright[first], bright[second]
        apart = float(np.linalg.norm(sites.xyz_um[one] - sites.xyz_um[other]))
        raise InputError(
            f"{_name(sites, one)} and {_name(sites, other)}: found {apart:.4g} um apart; "
            f"allowed: {bench.airy_radius_um:.4g} um (the Airy radius) or more in one plane for the engine spots; dense takes less"
        )


def _name(sites: Sites, number: np.intp) -> str:
    (i, j), (x, y, z) = sites.ij[number], sites.xyz_um[number]
    return f"site ({i:g}, {j:g}) at ({x:.2f}, {y:.2f}, {z:.2f}) um"


def mask_record(
    sources: dict[str, Source | None], options: DesignOptions, correction: Correction | None, figures: dict[str, Any]
) -> dict[str, Any]:
    """Write the record of a mask that is made now; see `holo.mask.Mask`."""
    chosen = asdict(options) | ({} if correction is None else {"correction": correction.recorded()})
    if options.engine == "dense":
        chosen["dense"] = asdict(options.dense or DenseOptions())
    else:
        del chosen["dense"]
    if options.rms is None:
        del chosen["rms"]  # of no use for sites
    return {
        "format": FORMAT,
        "version": VERSION,
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "holo": __version__,
        **sources,
        "seed": chosen.pop("seed"),
        "options": chosen,
        "plans": mark_of_plans(),
        "figures": figures,
        "nudges": [],
    }


def recorded_options(record: dict[str, Any]) -> DesignOptions:
    """Recover the options of a mask from its record; raises `InputError` if they are not those of `DesignOptions`."""
    chosen = {key: value for key, value in record["options"].items() if key not in ("correction", "dense")}
    try:
        dense = DenseOptions(**record["options"]["dense"]) if "dense" in record["options"] else None
        return DesignOptions(seed=record["seed"], dense=dense, **({"engine": "spots"} | chosen))  # older records name no engine
    except TypeError as error:
        known = "effort, uniformity, iterations, engine, polarisation, dense, rms and device"
        raise InputError(f"record.options: found {shortened(record['options'])}; allowed: {known}, besides a correction") from error


def recorded_correction(record: dict[str, Any]) -> Correction | None:
    """Recover from its record what a mask was corrected by; None if it was not."""
    return Correction.read(record["options"]["correction"]) if "correction" in record["options"] else None


def remake(record: dict[str, Any], bench_path: str | os.PathLike[str] | None = None, progress: Progress | None = None) -> Design:
    """Make a mask again from its own record: the same levels and phase, bit for bit, on the same machine, plans and versions.

    Parameters
    ----------
    record : dict
        Of a `Mask`; its nudges, and what was added to it, are made again too.
    bench_path : path, optional
        See `recorded_inputs`.
    progress : callable, optional

    Returns
    -------
    Design
        The prediction of a nudged mask is for the sites moved along, whatever else was added.

    Raises
    ------
    InputError
        As `recorded_inputs` and `design`, and if the record's options are not those of `DesignOptions`.
    """
    inputs, options, correction = recorded_inputs(record, bench_path), recorded_options(record), recorded_correction(record)
    made = design(inputs.bench, inputs.arrangement, inputs.registration, options, progress, sources=inputs.sources, correction=correction)
    return _nudged(made, inputs.bench, record["nudges"])


def _nudged(made: Design, bench: Bench, nudges: list[dict[str, Any]]) -> Design:
    if not nudges:
        return made
    path = light_path(bench)
    mask = replay(made.mask, bench, nudges, path)
    sites = nudged_sites(made.prediction.sites, nudges)
    return replace(made, mask=mask, prediction=predict(bench, mask.levels, sites, path))
