"""What the record of a mask says of its inputs: written, read back, and how far its sites have moved since.

Axes, signs and units: DEVELOPERS.md, Conventions.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from holo.affine import Affine
from holo.arrangement import Arrangement, arrangement_files, from_sites, parse_arrangement
from holo.bench import Bench, parse_bench
from holo.errors import InputError
from holo.files import digest_of, read_text
from holo.lattice import Lattice, read_lattice
from holo.mask import SOURCES
from holo.registration import Registration, Sites, parse_registration, place, registration_text
from holo.smooth import Smooth
from holo.tables import REQUIRED, parse_toml

Source = dict[str, Any]
"""Where an input came from, as the record of a mask has it: ``path``, ``digest``, ``text`` and ``files`` (side files by digest)."""

_TABLE = "i,j,target,z_um"
_SMOOTH = "smooth "


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
    bench, bench_source = read_bench_source(bench_path)
    arrangement, arrangement_source = read_arrangement_source(arrangement_path, bench.lattice)
    registration, registration_source = (None, None) if registration_path is None else read_registration_source(registration_path)
    sources = {"bench": bench_source, "arrangement": arrangement_source, "registration": registration_source}
    return Inputs(bench, arrangement, registration, sources)


def read_bench_source(path: str | os.PathLike[str]) -> tuple[Bench, Source]:
    """Read a bench file, and what a record is to say of it; raises as `parse_bench`."""
    return bench_source(read_text(path), path)


def bench_source(text: str, path: str | os.PathLike[str]) -> tuple[Bench, Source]:
    """Read the text of a bench file that stands at `path`, and what a record is to say of it; raises as `parse_bench`."""
    bench = parse_bench(text, path)
    return bench, _source(path, text, bench.files)


def read_arrangement_source(path: str | os.PathLike[str], lattice: Lattice, *, confined: bool = False) -> tuple[Arrangement, Source]:
    """Read an arrangement file, and what a record is to say of it; options, errors: `parse_arrangement`."""
    return arrangement_source(read_text(path), path, lattice, confined=confined)


def arrangement_source(text: str, path: str | os.PathLike[str], lattice: Lattice, *, confined: bool = False) -> tuple[Arrangement, Source]:
    """Read the text of an arrangement file at `path`, and what a record is to say of it; options, errors: `parse_arrangement`."""
    return parse_arrangement(text, path, lattice, confined=confined), _source(path, text, arrangement_files(text, path))


def read_registration_source(path: str | os.PathLike[str]) -> tuple[Registration, Source]:
    """Read a registration file, and what a record is to say of it; raises as `parse_registration`."""
    text = read_text(path)
    return parse_registration(text, path), _source(path, text, {})


def sources_of(bench: Bench, arrangement: Arrangement, registration: Registration | None = None) -> dict[str, Source | None]:
    """Write what the record of a mask says of inputs that were not, or not only, read from files."""
    rows = np.column_stack([arrangement.ij, arrangement.target, arrangement.z_um]).tolist()
    smooth = [] if arrangement.smooth is None else [_SMOOTH + json.dumps(arrangement.smooth.recorded())]
    table = "\n".join([*smooth, _TABLE, *(",".join(map(repr, row)) for row in rows)]) + "\n"
    return {
        "bench": _source("", bench.text, bench.files),
        "arrangement": _source("", table, {}),
        "registration": None if registration is None else _source("", registration_text(registration), {}),
    }


def _source(path: str | os.PathLike[str], text: str, files: dict[str, str]) -> Source:
    place = str(Path(path).absolute()) if str(path) else ""
    return {"path": place, "digest": digest_of("\n".join([text, *files.values()]).encode()), "text": text, "files": dict(files)}


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
    return _placed(record, bench.lattice)


def _placed(record: dict[str, Any], lattice: Lattice) -> Sites:
    """Find where the sites of a mask lie, on some nominal lattice if the mask has no registration of its own."""
    for number, step in enumerate(record["nudges"]):
        for entry in step.get("added", []):
            if entry["kind"] == "mask":
                where = f"record.nudges[{number}].added: found the mask {entry['path']}"
                raise InputError(f"{where}; allowed: none, as a sum of masks has no sites of its own: name an arrangement")
    sites = place(recorded_arrangement(record, lattice), lattice, recorded_registration(record))
    return nudged_sites(sites, record["nudges"])


def _recorded_lattice(record: dict[str, Any]) -> Lattice:
    """Recover the nominal lattice of a mask's own bench, which needs none of the bench's side files."""
    source = record["bench"]
    return read_lattice(parse_toml(source["text"], Path(source["path"] or "bench.toml")).table("lattice", REQUIRED))


def nudged_sites(sites: Sites, nudges: list[dict[str, Any]]) -> Sites:
    """Move sites along with the nudges of a record.

    Parameters
    ----------
    sites : Sites
    nudges : list of dict
        As the record of a mask has them (`holo.mask.Mask`).

    Returns
    -------
    Sites
    """
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
    if header.startswith(_SMOOTH):
        try:
            smooth = Smooth.read(json.loads(header.removeprefix(_SMOOTH)))
        except ValueError as error:
            raise InputError(f"record.arrangement.text: {error}; allowed: a continuous target as JSON") from error
        return replace(_arrangement_of_table("\n".join(lines)), smooth=smooth)
    try:
        rows = np.array([[float(cell) for cell in line.split(",")] for line in lines]).reshape(-1, 4)
    except ValueError as error:
        raise InputError(f"record.arrangement.text: {error}; allowed: lines of four numbers, {_TABLE}") from error
    if header != _TABLE:
        raise InputError(f"record.arrangement.text: found the header {header!r:.60}; allowed: {_TABLE}")
    return from_sites(rows[:, :2], rows[:, 2], rows[:, 3])


@dataclass(frozen=True)
class Drift:
    """How far the sites of a mask have moved away from its light.

    Attributes
    ----------
    by_um : (float, float)
        Mean displacement over the bright sites, (x, y): the nudge that brings the light back onto them.
    largest_offset_um : float
        Farthest that a bright site lies from its light after that nudge, because the lattice was also turned or stretched.
    spacing_um : float
        Distance of nearest neighbours of the lattice as it lies now.
    """

    by_um: tuple[float, float]
    largest_offset_um: float
    spacing_um: float


def told_map(registration: Registration) -> Affine:
    """Give the map from the lattice to the objective plane that a registration tells, and refuse one that tells none.

    Raises
    ------
    InputError
        If the registration has neither that map nor both of those by way of the camera.
    """
    told = registration.to_plane()
    if told is None:
        raise InputError(
            "found no map from the lattice to the objective plane; allowed: a registration with lattice_to_plane, or with plane_to_camera"
            " and lattice_to_camera"
        )
    return told


def drift(record: dict[str, Any], now: Affine) -> Drift:
    """Measure how far the sites of a mask have moved since it was made.

    Parameters
    ----------
    record : dict
        Of a `Mask`. Its light lies where its own registration, or the nominal lattice of its own bench, had the bright sites, moved along
        with its nudges.
    now : Affine
        From the lattice to the objective plane, as measured now; see `told_map`.

    Returns
    -------
    Drift
        After `holo.mask.nudge_mask` by it, the drift of the new mask is zero.

    Raises
    ------
    InputError
        As `recorded_inputs`.

    Notes
    -----
    A nudge moves all the light alike; of all such moves the mean displacement leaves the least sum of squared offsets.

    Examples
    --------
    >>> from holo.arrangement import block
    >>> from holo.bench import demo_bench_text
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> record = {**sources_of(bench, block(3, 3)), "nudges": []}
    >>> drift(record, Affine([[5, 0], [0, 5]], [60.25, 39.5])).by_um
    (0.25, -0.5)
    """
    lattice = _recorded_lattice(record)
    sites = _placed(record, lattice)
    light_um, ij = sites.xyz_um[sites.bright, :2], sites.ij[sites.bright]
    if not len(ij):
        raise InputError("found no bright site; allowed: a mask with sites to follow, as continuous light alone has none: nudge it by um")
    away = now.apply(ij) - light_um
    x, y = (away.mean(axis=0).round(9) + 0.0).tolist()  # what is less comes from rounding, and -0 is 0
    left = float(np.hypot(*(away - [x, y]).T).max())
    return Drift((x, y), left, Lattice(now.matrix.T, now.offset, lattice.basis).spacing_um)
