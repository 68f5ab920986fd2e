"""Design: from bench, arrangement and registration to a mask, the light it makes and the record that makes it again."""

from __future__ import annotations

import os
import time
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from holo import __version__
from holo.arrangement import Arrangement, arrangement_files, from_sites, parse_arrangement
from holo.bench import Bench, drowned, parse_bench
from holo.errors import InputError
from holo.field.path import LightPath, light_path
from holo.files import digest_of, read_text
from holo.lattice import Lattice
from holo.mask import FORMAT, SOURCES, VERSION, Levels, Mask, levels_of_phase, nudge_mask, phase_of_levels
from holo.predict import Prediction, predict
from holo.registration import Registration, Sites, closest_pair, parse_registration, place, registration_text
from holo.retrieve.spots import EFFORTS, Progress, Retrieval, retrieve_spots
from holo.retrieve.trim import trim
from holo.tables import shortened

Source = dict[str, Any]
"""Where an input came from, as the record of a mask has it: ``path``, ``digest``, ``text`` and ``files`` (side files by digest)."""


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
        Uniformity to stop at; None leaves it to the effort.
    iterations : int or None
        Most iterations with the phases of the sites held, and most corrections on the panel after them; None leaves both to the
        effort.

    Raises
    ------
    InputError
        If a value is out of range.
    """

    effort: str = "normal"
    seed: int = 0
    uniformity: float | None = None
    iterations: int | None = None

    def __post_init__(self) -> None:
        if self.effort not in EFFORTS:
            raise InputError(f"effort: found {self.effort!r}; allowed: {', '.join(EFFORTS)}")
        if type(self.seed) is not int or self.seed < 0:
            raise InputError(f"seed: found {self.seed!r}; allowed: a whole number from 0 up")
        if self.uniformity is not None and not (isinstance(self.uniformity, float) and 0 < self.uniformity < 1):
            raise InputError(f"uniformity: found {self.uniformity!r}; allowed: a number between 0 and 1")
        if self.iterations is not None and not (type(self.iterations) is int and 1 <= self.iterations <= 100_000):
            raise InputError(f"iterations: found {self.iterations!r}; allowed: a whole number from 1 to 100000")


@dataclass(frozen=True, eq=False)
class Design:
    """A designed mask, the light it makes, and how it was found.

    Attributes
    ----------
    mask : Mask
    prediction : Prediction
        From the levels of the mask, on all sites.
    retrieval : Retrieval
        The engine's own result.
    seconds : float
        Time taken from inputs to prediction.
    """

    mask: Mask
    prediction: Prediction
    retrieval: Retrieval
    seconds: float


@dataclass(frozen=True, eq=False)
class Inputs:
    """What a mask is designed from.

    Attributes
    ----------
    bench : Bench
    arrangement : Arrangement
    registration : Registration or None
    sources : dict of str to Source or None
        By the names of the three above: what the record of the mask is to say of them.
    """

    bench: Bench
    arrangement: Arrangement
    registration: Registration | None
    sources: dict[str, Source | None]


def read_inputs(
    bench_path: str | os.PathLike[str], arrangement_path: str | os.PathLike[str], registration_path: str | os.PathLike[str] | None = None
) -> Inputs:
    """Read the files that a mask is designed from.

    Raises
    ------
    InputError
        As `parse_bench`, `parse_arrangement` and `parse_registration`.
    """
    bench = parse_bench(read_text(bench_path), bench_path)
    text = read_text(arrangement_path)
    arrangement = parse_arrangement(text, arrangement_path, bench.lattice)
    sources: dict[str, Source | None] = {
        "bench": _source(bench_path, bench.text, bench.files),
        "arrangement": _source(arrangement_path, text, arrangement_files(text, arrangement_path)),
        "registration": None,
    }
    if registration_path is None:
        return Inputs(bench, arrangement, None, sources)
    text = read_text(registration_path)
    sources["registration"] = _source(registration_path, text, {})
    return Inputs(bench, arrangement, parse_registration(text, registration_path), sources)


def sources_of(bench: Bench, arrangement: Arrangement, registration: Registration | None = None) -> dict[str, Source | None]:
    """Write what the record of a mask says of inputs that were not, or not only, read from files."""
    rows = np.column_stack([arrangement.ij, arrangement.target, arrangement.z_um]).tolist()
    table = "\n".join([_TABLE, *(",".join(map(repr, row)) for row in rows)]) + "\n"
    return {
        "bench": _source("", bench.text, bench.files),
        "arrangement": _source("", table, {}),
        "registration": None if registration is None else _source("", registration_text(registration), {}),
    }


_TABLE = "i,j,target,z_um"


def _source(path: str | os.PathLike[str], text: str, files: dict[str, str]) -> Source:
    place = str(Path(path).absolute()) if str(path) else ""
    return {"path": place, "digest": digest_of("\n".join([text, *files.values()]).encode()), "text": text, "files": dict(files)}


def design(
    bench: Bench,
    arrangement: Arrangement,
    registration: Registration | None = None,
    options: DesignOptions | None = None,
    progress: Progress | None = None,
    *,
    sources: dict[str, Source | None] | None = None,
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
        Called after each iteration; see `holo.retrieve.spots.Progress`.
    sources : dict, optional
        What the record is to say of the three inputs: those of `read_inputs`; by default, `sources_of` them.

    Returns
    -------
    Design

    Raises
    ------
    InputError
        If a bright site lies outside the addressable field, or two lie so close that they are not separated spots.
    RetrievalError
        If the light at a site stays zero.

    Notes
    -----
    Dark sites too close to a bright one (`holo.bench.drowned`) are judged but not asked to be dark. The levels are those of the
    retrieved phase, trimmed so that their rounding leaves the sites level (`holo.retrieve.trim`); the effort quick leaves that
    out. The figures are of the levels as the panel shows them, by a sum that the engine does not use.

    Examples
    --------
    >>> from holo.arrangement import block
    >>> from holo.bench import demo_bench_text
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> made = design(bench, block(3, 3), options=DesignOptions(effort="quick"))
    >>> made.prediction.figures.uniformity > 0.98
    True
    """
    start = time.perf_counter()
    options = options or DesignOptions()
    sites = place(arrangement, bench.lattice, registration)
    check_sites(bench, sites)
    path = light_path(bench)
    kept = ~drowned(bench, sites)
    retrieval = retrieve_spots(
        path,
        sites.xyz_um[kept],
        sites.target[kept],
        rng=np.random.default_rng(options.seed),
        effort=options.effort,
        uniformity=options.uniformity,
        iterations=options.iterations,
        progress=progress,
    )
    levels = _levels(bench, path, sites, retrieval, EFFORTS[options.effort].trim)
    prediction = predict(bench, levels, sites, path)
    record = _record(sources or sources_of(bench, arrangement, registration), options, prediction)
    mask = Mask(levels, retrieval.phase, record)
    return Design(mask, prediction, retrieval, time.perf_counter() - start)


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


def check_sites(bench: Bench, sites: Sites) -> None:
    """Refuse sites that this version cannot put light on.

    Raises
    ------
    InputError
        If a bright site lies outside the addressable field, ``lambda f / pitch`` wide, or two bright sites lie closer than the
        Airy radius, measured with depths over the axial distance of the first dark point, ``2 n lambda / NA^2``.

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
    if len(bright) > 1:
        _check_separated(bench, sites, bright)


def _check_separated(bench: Bench, sites: Sites, bright: NDArray[np.intp]) -> None:
    first, second, distance = closest_pair(sites.xyz_um[bright] / bench.resolution_um)
    if distance < 1 - 1e-9:
        one, other = bright[first], bright[second]
        apart = float(np.linalg.norm(sites.xyz_um[one] - sites.xyz_um[other]))
        raise InputError(
            f"{_name(sites, one)} and {_name(sites, other)}: found {apart:.4g} um apart; "
            f"allowed: {bench.airy_radius_um:.4g} um (the Airy radius) or more in one plane, as this version makes separated spots only"
        )


def _name(sites: Sites, number: np.intp) -> str:
    (i, j), (x, y, z) = sites.ij[number], sites.xyz_um[number]
    return f"site ({i:g}, {j:g}) at ({x:.2f}, {y:.2f}, {z:.2f}) um"


def _record(sources: dict[str, Source | None], options: DesignOptions, prediction: Prediction) -> dict[str, Any]:
    chosen = asdict(options)
    return {
        "format": FORMAT,
        "version": VERSION,
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "holo": __version__,
        **sources,
        "seed": chosen.pop("seed"),
        "options": chosen,
        "figures": prediction.summary(),
        "nudges": [],
    }


def recorded_inputs(record: dict[str, Any], bench_path: str | os.PathLike[str] | None = None) -> Inputs:
    """Recover the inputs of a mask from its record.

    Parameters
    ----------
    record : dict
        Of a `Mask`.
    bench_path : path, optional
        Where the bench file would stand now, if its side files are no longer where the record says. Only its folder matters.

    Raises
    ------
    InputError
        If a side file is missing or has changed since, or a text does not parse.
    """
    bench = recorded_bench(record, bench_path)
    sources = {key: record[key] for key in SOURCES}
    return Inputs(bench, recorded_arrangement(record, bench.lattice), recorded_registration(record), sources)


def recorded_bench(record: dict[str, Any], bench_path: str | os.PathLike[str] | None = None) -> Bench:
    """Recover the bench of a mask from its record; see `recorded_inputs`."""
    where = bench_path or record["bench"]["path"] or "bench.toml"
    bench = parse_bench(record["bench"]["text"], where)
    _check_files(where, bench.files, record["bench"])
    return bench


def recorded_arrangement(record: dict[str, Any], lattice: Lattice) -> Arrangement:
    """Recover the arrangement of a mask from its record, on any lattice; see `recorded_inputs`."""
    source = record["arrangement"]
    if not source["path"]:
        return _arrangement_of_table(source["text"])
    _check_files(source["path"], arrangement_files(source["text"], source["path"]), source)
    return parse_arrangement(source["text"], source["path"], lattice)


def recorded_registration(record: dict[str, Any]) -> Registration | None:
    """Recover the registration of a mask from its record; None where the nominal lattice was used."""
    source = record["registration"]
    return None if source is None else parse_registration(source["text"], source["path"] or "registration.toml")


def recorded_sites(record: dict[str, Any], bench: Bench) -> Sites:
    """Find where on a bench the sites of a mask lie: those of its record, moved along with its nudges."""
    sites = place(recorded_arrangement(record, bench.lattice), bench.lattice, recorded_registration(record))
    return _moved(sites, record["nudges"])


def _moved(sites: Sites, nudges: list[dict[str, float]]) -> Sites:
    steps = np.array([[step["x_um"], step["y_um"], step["focus_um"]] for step in nudges]).reshape(-1, 3)
    return replace(sites, xyz_um=sites.xyz_um + steps.sum(axis=0))


def _check_files(where: str | os.PathLike[str], found: dict[str, str], source: Source) -> None:
    """Refuse side files that are not those of the record."""
    for name, digest in found.items():
        recorded = source["files"].get(name, "no such file")
        if digest != recorded:
            raise InputError(f"{Path(where).parent / name}: found {digest}; allowed: {recorded}, the file that the mask was made with")


def _arrangement_of_table(text: str) -> Arrangement:
    header, *lines = text.splitlines() or [""]
    try:
        rows = np.array([[float(cell) for cell in line.split(",")] for line in lines]).reshape(-1, 4)
    except ValueError as error:
        raise InputError(f"record.arrangement.text: {error}; allowed: lines of four numbers, {_TABLE}") from error
    if header != _TABLE:
        raise InputError(f"record.arrangement.text: found the header {header!r:.60}; allowed: {_TABLE}")
    return from_sites(rows[:, :2], rows[:, 2], rows[:, 3])


def remake(record: dict[str, Any], bench_path: str | os.PathLike[str] | None = None, progress: Progress | None = None) -> Design:
    """Make a mask again from its own record: the same levels and phase, bit for bit, on the same machine and versions.

    Parameters
    ----------
    record : dict
        Of a `Mask`; its nudges are made again too.
    bench_path : path, optional
        See `recorded_inputs`.
    progress : callable, optional

    Returns
    -------
    Design
        The prediction of a nudged mask is for the sites moved along.

    Raises
    ------
    InputError
        As `recorded_inputs` and `design`, and if the record's options are not those of `DesignOptions`.
    """
    inputs = recorded_inputs(record, bench_path)
    try:
        options = DesignOptions(seed=record["seed"], **record["options"])
    except TypeError as error:
        raise InputError(f"record.options: found {shortened(record['options'])}; allowed: effort, uniformity and iterations") from error
    made = design(inputs.bench, inputs.arrangement, inputs.registration, options, progress, sources=inputs.sources)
    return _nudged(made, inputs.bench, record["nudges"])


def _nudged(made: Design, bench: Bench, nudges: list[dict[str, float]]) -> Design:
    if not nudges:
        return made
    path, mask = light_path(bench), made.mask
    for step in nudges:
        mask = nudge_mask(mask, path, bench.panel, (step["x_um"], step["y_um"]), step["focus_um"])
    sites = _moved(made.prediction.sites, nudges)
    return replace(made, mask=mask, prediction=predict(bench, mask.levels, sites, path))
