"""The report of a mask: one page to read, the table of its sites, its figures and its pictures.

Everything shown comes from the levels of the mask: the figures are those of `holo.predict`, the pictures come from the plane transforms.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from holo.bench import bench_warnings, derived_numbers
from holo.errors import InputError, OutputExistsError
from holo.field.path import light_path
from holo.files import check_output_folder, write_folder
from holo.manifest import levels_digest
from holo.mask import SOURCES, phase_of_levels
from holo.predict import displaced, vectors
from holo.report.pictures import PLANES, Scene, draw, drawn_depths
from holo.report.style import Picture, counted
from holo.retrieve.spots import EFFORTS
from holo.terms import told

if TYPE_CHECKING:
    from holo.bench import Bench
    from holo.mask import Mask
    from holo.predict import Prediction, Vector
    from holo.retrieve.spots import Retrieval

ROWS = 200
"""Most sites that the page lists, the worst first; the file of sites lists all."""

ORDERS = 12
"""Most neighbour orders of the crosstalk that the page lists."""

_TABLES = ("report.html", "sites.csv", "summary.json")
_PICTURES = ("field.png", "mask.png", "mask-detail.png", "histogram.png", "spot.png", "convergence.png")
_PER_PLANE = ("spots-{}.png", "close-{}.png", "sites-{}.png")
_SMOOTH = ("cuts.csv", "light.png", "error.png", "cuts.png")
FILES = (*_TABLES, *_PICTURES, *_SMOOTH, *(name.format(plane + 1) for plane in range(PLANES) for name in _PER_PLANE))
"""Every file that a report may hold; not every report holds them all."""


def write_report(
    folder: str | os.PathLike[str],
    bench: Bench,
    mask: Mask,
    prediction: Prediction,
    *,
    title: str = "",
    retrieval: Retrieval | None = None,
    seconds: float | None = None,
    overwrite: bool = False,
) -> dict[str, Any]:
    """Write the report of a mask into a folder, which is made if need be.

    Parameters
    ----------
    folder : path
        Gets ``report.html`` (self-contained), ``sites.csv`` (i, j, x_um, y_um, z_um, target, intensity of each site), ``summary.json``
        and the pictures as PNG; see `FILES`.
    bench : Bench
    mask : Mask
    prediction : Prediction
        Of the levels of `mask` on `bench`.
    title : str
        Of the arrangement.
    retrieval : Retrieval, optional
        Of the search that found the mask; without it the report has no history.
    seconds : float, optional
        Time the design took.
    overwrite : bool
        Whether files of a report that stand in the folder may be replaced, or removed where the new report has none of that name.

    Returns
    -------
    dict
        What ``summary.json`` holds.

    Raises
    ------
    OutputExistsError
        If a file of a report stands in the folder and `overwrite` is false; nothing is changed.
    InputError
        If the levels do not fit the bench, or the folder cannot be made or written.

    Notes
    -----
    All files are complete before the first of them takes its place.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from holo.arrangement import block
    >>> from holo.bench import demo_bench_text, parse_bench
    >>> from holo.design import DesignOptions, design
    >>> bench = parse_bench(demo_bench_text(), "bench.toml")
    >>> made = design(bench, block(2, 2), options=DesignOptions(effort="quick"))
    >>> with TemporaryDirectory() as folder:
    ...     summary = write_report(folder, bench, made.mask, made.prediction, title="two by two", retrieval=made.retrieval)
    ...     (Path(folder) / "sites.csv").read_text().splitlines()[0]
    'i,j,x_um,y_um,z_um,target,intensity'
    >>> summary["bright"], summary["uniformity"] == made.prediction.figures.uniformity
    (4, True)
    """
    folder = Path(folder)
    check_folder(folder, overwrite)
    phase = phase_of_levels(mask.levels, bench.panel)
    scene = Scene(bench, light_path(bench), mask.levels, phase, prediction, drawn_depths(prediction.sites))
    summary = report_summary(bench, mask, prediction, title=title, retrieval=retrieval, seconds=seconds)
    pictures = draw(scene, retrieval, summary["wanted_uniformity"])
    tables = {"sites.csv": sites_csv(prediction)}
    replace_report(folder, report_files(_page(scene, summary, pictures), summary, pictures, tables), overwrite)
    return summary


def report_files(page: str, summary: dict[str, Any], pictures: Iterable[Picture], tables: Mapping[str, str]) -> dict[str, bytes]:
    """Gather the files of a report, by their names.

    Parameters
    ----------
    page : str
        What becomes ``report.html``.
    summary : dict
        What becomes ``summary.json``; JSON-compatible.
    pictures : iterable of Picture
    tables : mapping of str to str
        Tables as text, by the names of their files.

    Returns
    -------
    dict of str to bytes
    """
    return {
        "report.html": page.encode("utf-8", "replace"),
        **{name: text.encode("ascii") for name, text in tables.items()},
        "summary.json": (json.dumps(summary, indent=2, allow_nan=False) + "\n").encode("ascii"),
        **{picture.name: picture.png for picture in pictures},
    }


def replace_report(folder: Path, files: Mapping[str, bytes], overwrite: bool) -> None:
    """Write the files of a report of a mask, and take away those of an earlier one that it does not have; raises as `check_folder`."""
    write_folder(folder, files, lambda: check_folder(folder, overwrite))
    for name in set(FILES) - set(files):
        (folder / name).unlink(missing_ok=True)


def report_summary(
    bench: Bench,
    mask: Mask,
    prediction: Prediction,
    *,
    title: str = "",
    retrieval: Retrieval | None = None,
    seconds: float | None = None,
) -> dict[str, Any]:
    """Gather the figures, derived numbers, warnings and record of a mask of sites.

    Parameters
    ----------
    bench, mask, prediction, title, retrieval, seconds
        As for `write_report`.

    Returns
    -------
    dict
        JSON-compatible. Names of numbers end in their unit; a name without one is a ratio or a count. The texts of the inputs, which
        the mask file holds, are left out of the record; ``levels_digest`` is that of the levels, row by row.
    """
    record = mask.record
    effort = EFFORTS.get(record["options"].get("effort", "")) if record["options"].get("engine") != "dense" else None
    wanted = record["options"].get("uniformity") or getattr(effort, "uniformity", None)
    short = record["figures"].get("shortfall", "")
    other = [] if bench.digest == record["bench"]["digest"] else ["the bench of this prediction is not the one that the mask was made for"]
    return {
        "title": title,
        "sites": len(prediction.sites.target),
        **prediction.summary(),
        "iterations": retrieval.iterations if retrieval else None,
        "converged": retrieval.converged and not short if retrieval else None,
        "search_converged": retrieval.converged if retrieval else None,
        "shortfall": short,
        "wanted_uniformity": wanted,
        "seconds": seconds,
        "displaced": [asdict(found) for found in displaced(bench, mask.levels, prediction.sites)],
        "vector": [
            {"polarisation": found.polarisation, **{name: getattr(found.figures, name) for name in _VECTOR}}
            for found in _vectors(bench, mask, prediction)
        ],
        "power_per_site_mw": bench.light.power_mw * prediction.power_fraction / prediction.figures.bright,
        "derived": derived_numbers(bench, prediction.sites),
        "warnings": [*other, *bench_warnings(bench, prediction.sites)],
        **origin(bench, mask),
    }


def origin(bench: Bench, mask: Mask) -> dict[str, Any]:
    """Tell in a summary where a mask comes from: bench, digests and record, without the texts of the inputs."""
    record = mask.record
    sources = {key: record[key] and {part: record[key][part] for part in ("path", "digest", "files")} for key in SOURCES}
    return {
        "bench": bench.name,
        "bench_digest": bench.digest,
        "levels_digest": levels_digest(mask.levels),
        "record": {**{key: record[key] for key in ("version", "time", "holo", "seed", "options", "nudges")}, **sources},
    }


def _vectors(bench: Bench, mask: Mask, prediction: Prediction) -> tuple[Vector, ...]:
    """The light by the vector model: of all polarisations where sites are close, else of the one that was asked for, if any."""
    if mask.record["options"].get("engine") == "dense":
        return vectors(bench, mask.levels, prediction.sites)
    return () if prediction.vector is None else (prediction.vector,)


_VECTOR = ("uniformity", "spread", "crosstalk_max", "crosstalk_mean")
"""Figures of the vector model that a report has."""


# ---------------------------------------------------------------------------------------------------------------------
# files


def check_folder(folder: str | os.PathLike[str], overwrite: bool, files: Iterable[str] = FILES) -> None:
    """Refuse early, before any work is done, what `write_report`, or another report of some `files`, could not write after it.

    Raises
    ------
    OutputExistsError
        If a file of a report stands in the folder and `overwrite` is false.
    InputError
        If the folder cannot be made or written.
    """
    folder = Path(folder)
    try:
        check_output_folder(folder)
        present = [name for name in files if (folder / name).exists()]
        for name in present:
            if (folder / name).is_dir():
                raise InputError(f"{folder / name}: is a folder; the report has a file of that name")
    except OSError as error:
        raise InputError(f"{folder}: not a usable folder ({error.strerror or error})") from error
    if present and not overwrite:
        raise OutputExistsError(f"{folder}: holds {present[0]} already; use --overwrite to replace the report")


def sites_csv(prediction: Prediction) -> str:
    """Give the table of the sites of a report."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["i", "j", "x_um", "y_um", "z_um", "target", "intensity"])
    sites = prediction.sites
    columns = np.column_stack([sites.ij, sites.xyz_um, sites.target, prediction.intensity])
    table.writerows(columns.tolist())
    return text.getvalue()


# ---------------------------------------------------------------------------------------------------------------------
# the page

CAUTION = (
    "This page is a calculation and says nothing about safety. The undiffracted spot and stray orders carry power. Start at low power, and"
    " follow your laser safety officer, the data sheets and the local rules."
)
"""What every report says, whatever the bench."""

_UNITS = {"_w_cm2": "W/cm^2", "_um": "um", "_mm": "mm", "_pixels": "pixels", "_airy_radii": "Airy radii"}


def _page(scene: Scene, summary: dict[str, Any], pictures: list[Picture]) -> str:
    """The page itself."""
    listed = summary["crosstalk_by_order"]
    depths = np.unique(scene.sites.xyz_um[scene.sites.bright, 2])
    hidden = len(depths) - len(scene.depths_um)
    note = (
        f"The bright sites lie in {len(depths)} planes. {PLANES} of them are drawn; each map of the sites has those nearest to its plane."
    )
    return rendered(
        title=summary["title"] or counted(summary["bright"], "site"),
        bench=scene.bench.name,
        made=moment(summary["record"]["time"]),
        verdict=_verdict(scene, summary),
        numbers=_numbers(summary, scene.bench.light.power_mw, len(depths)),
        warnings=[*(f"{text[0].upper()}{text[1:]}." for text in summary["warnings"]), CAUTION],
        planes_note=note if hidden else "",
        pictures=pictures,
        orders=listed[:ORDERS],
        orders_note=f" The first {ORDERS} of {len(listed)} distances; summary.json has all." if len(listed) > ORDERS else "",
        changed=_changed(summary),
        vector=summary["vector"],
        columns=COLUMNS if scene.sites.bright.all() else (*COLUMNS, "crosstalk (%)"),
        rows=site_rows(scene),
        sites_note=sites_note(scene),
        derived=[labelled(name, value) for name, value in summary["derived"].items()],
        record=record_rows(summary),
    )


def rendered(**content: Any) -> str:
    """Fill the page of a report; every text is escaped by the template."""
    import jinja2

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string(resources.files("holo.report").joinpath("report.html").read_text(encoding="utf-8"))
    return template.render(**content)


def _verdict(scene: Scene, summary: dict[str, Any]) -> dict[str, Any]:
    """Whether the search got where it should, what that leaves of the light, and what to do if it did not."""
    wanted, steps = summary["wanted_uniformity"], summary["iterations"]
    goal = "the wanted uniformity" + (f" of {wanted:g}" if wanted else "") + (" and darkness" if summary["dark"] else "")
    predicted = f"The sites are level to a uniformity of {near_one(summary['uniformity'])} as the panel shows them"
    if summary["converged"] is None:
        return {"fine": True, "lines": [f"{predicted}.", "How the mask was found is not part of this report."], "remedies": ()}
    if not summary["converged"] and summary["search_converged"]:
        return {"fine": False, "lines": [f"Not converged: {summary['shortfall']}.", f"{predicted}."], "remedies": ()}
    if summary["record"]["options"].get("engine") == "dense":
        return _settled(summary, predicted)
    if not summary["converged"]:
        first = f"Not converged: the search stopped after {steps} iterations, short of {goal}."
        return {"fine": False, "lines": [first, f"{predicted}. If that is not enough:"], "remedies": REMEDIES}
    rest = f"; {_cost(scene.bench, summary['record'])}" if wanted and summary["uniformity"] < wanted else ""
    return {"fine": True, "lines": [f"Converged: the search reached {goal} in {steps} iterations.", f"{predicted}{rest}."], "remedies": ()}


def _settled(summary: dict[str, Any], predicted: str) -> dict[str, Any]:
    """The verdict on a search that has no goal but to get better: whether it still did when it ended."""
    stray = f" and dark to {percent(summary['crosstalk_max'])} at worst" if summary["dark"] else ""
    lines = [f"{predicted.removesuffix(' as the panel shows them')}{stray} as the panel shows them."]
    if summary["converged"]:
        return {
            "fine": True,
            "lines": [f"Settled: the search ended after {summary['iterations']} steps, when little was left to gain.", *lines],
            "remedies": (),
        }
    first = f"Not settled: the search ended after {summary['iterations']} steps, while the light was still getting better."
    return {"fine": False, "lines": [first, f"{lines[0]} If that is not enough:"], "remedies": DENSE_REMEDIES}


def _cost(bench: Bench, record: dict[str, Any]) -> str:
    """What makes the light of the levels less level than the search left it."""
    if record["nudges"]:
        return "moving the light after the search, to places of another pixel envelope and to levels rounded anew, costs the rest"
    rounding = f"rounding to {bench.panel.phase_steps:.4g} steps of phase per 2 pi costs"
    effort = record["options"].get("effort", "normal")
    if EFFORTS[effort].trim:
        return f"{rounding} what trimming the levels could not win back"
    return f"{rounding} the rest, and the effort {effort} does not trim the levels against that"


REMEDIES = (
    "Search longer: a higher --iterations, or --effort high. The picture of the search shows whether it was still getting better.",
    "Try another --seed: the search starts from random phases.",
    "Ask for what is possible: sites further apart than the Airy radius, away from the edge of the field, with targets of similar size.",
    "Where dark sites stay bright, ask for fewer of them: light that few bright sites leave over must have somewhere to go.",
    "Accept less: a lower --uniformity ends the search earlier.",
)
"""What to try when a search has not converged."""


DENSE_REMEDIES = (
    "Search longer: --effort high, or a higher --iterations.",
    "Give up more of the light (--given-up), which is what darkness and level sites cost.",
    "Weigh dark sites more or less against level ones (--darkness), or ask for less drift (--drift-nm).",
)
"""The same for the engine dense."""


def _numbers(summary: dict[str, Any], power_mw: float, planes: int) -> list[dict[str, str]]:
    """The figures to read first, each with its meaning."""
    off = percent(1 - summary["uniformity"])
    again = "; light that passes sites in several planes counts in each" if planes > 1 else ""
    rows = [
        ("bright sites", f"{summary['bright']}", f"and {counted(summary['dark'], 'dark one')}"),
        ("uniformity", near_one(summary["uniformity"]), f"all sites within {off} of the middle between brightest and dimmest"),
        ("spread", percent(summary["spread"]), "standard deviation of intensity over target, over its mean"),
        ("efficiency", percent(summary["efficiency"]), f"sum of the bright sites, over an unsplit focus on the axis{again}"),
        (
            "power on the sites",
            percent(summary["power_fraction"]),
            f"of the power on the panel, within the Airy radius of a bright site{again}",
        ),
        ("power per site", power(summary["power_per_site_mw"]), f"mean, of {power_mw:g} mW on the panel, before losses of the optics"),
    ]
    if summary["dark"]:
        rows.append(
            ("crosstalk, worst", little(summary["crosstalk_max"]), "light on the worst dark site, over the mean of the bright ones")
        )
        rows.append(("crosstalk, mean", little(summary["crosstalk_mean"]), "the same, over all dark sites"))
    return [dict(zip(("name", "value", "meaning"), row, strict=True)) for row in rows]


def _changed(summary: dict[str, Any]) -> list[list[str]]:
    """Rows of the table of what changes the figures: the case, uniformity, spread and, where there are dark sites, crosstalk."""
    cases = [("as designed" if not row["by_nm"] else f"drift of {row['by_nm']:g} nm", row) for row in summary["displaced"]]
    cases += [(f"vector model, {_POLARISED.get(row['polarisation'], row['polarisation'])}", row) for row in summary["vector"]]
    shares = ("spread", "crosstalk_max", "crosstalk_mean") if summary["dark"] else ("spread",)
    return [[case, near_one(row["uniformity"]), *(little(row[name]) for name in shares)] for case, row in cases]


_POLARISED = {"x": "polarised along x", "y": "polarised along y", "circular-xy": "circular"}

COLUMNS = ("i", "j", "x (um)", "y (um)", "z (um)", "target", "intensity", "deviation (%)")
"""Columns of the page's table of sites; with dark sites there is one more, their crosstalk."""


def site_rows(scene: Scene) -> list[list[str]]:
    """Cells of the sites that the page lists, those farthest from what was wanted first."""
    sites, intensity, deviation = scene.sites, scene.prediction.intensity, scene.deviation
    stray = intensity / scene.unit
    fault = np.where(sites.bright, np.abs(deviation), stray)
    rows = []
    for site in np.argsort(-fault, kind="stable")[:ROWS]:
        off, dark = (_three(100 * deviation[site]), "") if sites.bright[site] else ("", _three(100 * stray[site]))
        place = [f"{value:g}" for value in sites.ij[site]] + [f"{value:.3f}" for value in sites.xyz_um[site]]
        row = [*place, f"{sites.target[site]:g}", f"{intensity[site]:.4g}", off]
        rows.append(row if sites.bright.all() else [*row, dark])
    return rows


def sites_note(scene: Scene) -> str:
    """What stands above the table of the sites."""
    count = len(scene.sites.target)
    shown = f"The worst {ROWS} of {count} sites" if count > ROWS else counted(count, "site")
    stray = "" if scene.sites.bright.all() else " Crosstalk is the light on a dark site over the mean of the bright ones."
    return (
        f"{shown}, the one farthest from what was wanted first; sites.csv lists all, in full precision. Intensity is over that of an"
        f" unsplit focus on the axis; deviation is that of intensity over target from its mean.{stray}"
    )


def labelled(name: str, value: float) -> tuple[str, str]:
    """Name and value of a derived number, with its unit in words."""
    end = next((end for end in _UNITS if name.endswith(end)), "")
    return name.removesuffix(end).replace("_", " ").replace("airy", "Airy"), f"{value:.5g} {_UNITS.get(end, '')}".rstrip()


def record_rows(summary: dict[str, Any]) -> list[tuple[str, str]]:
    """Names and values of what the mask was made from."""
    record = summary["record"]
    rows = [("made", record["time"]), ("with holo", record["holo"]), ("digest of the levels", summary["levels_digest"])]
    for key in SOURCES:
        source = record[key] or {"path": "", "digest": "none; the bench's own lattice", "files": {}}
        rows.append((key, f"{source['path']} {source['digest']}".strip()))
        rows.extend((f"{key}: {name}", digest) for name, digest in source["files"].items())
    rows.append(("seed", f"{record['seed']}"))
    options = {name: value for name, value in record["options"].items() if name != "dense"} | record["options"].get("dense", {})
    rows.extend((name.replace("_", " "), f"{value}") for name, value in options.items() if value is not None)
    for step in record["nudges"]:
        rows.append(("nudged by", f"{step['x_um']:g}, {step['y_um']:g} um, focus {step['focus_um']:g} um"))
        rows.extend(("added", told(entry)) for entry in step.get("added", []))
    if summary["seconds"] is not None:
        rows.append(("time taken", f"{summary['seconds']:.3g} s"))
    return rows


def moment(time: str) -> str:
    """A time of ISO 8601 as a person writes it."""
    return datetime.fromisoformat(time).astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")


def percent(share: float) -> str:
    """A share in per cent, to three digits."""
    return f"{_three(100 * share)} %"


def little(share: float) -> str:
    """A share that may be so small that its digits tell nothing about a real panel."""
    return "under 0.0001 %" if 0 < share < 1e-6 else percent(share)


def near_one(share: float) -> str:
    """A number close below 1, with two digits of what it lacks."""
    digits = 3 if share >= 1 else int(np.clip(1 - np.floor(np.log10(1 - share)), 3, 7))
    return f"{share:.{digits}f}"


def power(power_mw: float) -> str:
    """A power in mW, or in uW where it is small."""
    return f"{_three(power_mw)} mW" if power_mw >= 1 else f"{_three(1e3 * power_mw)} uW"


def _three(value: float) -> str:
    """A number to three digits, trailing zeros kept."""
    return f"{value:#.3g}".removesuffix(".") if 1e-4 <= abs(value) < 1e3 else f"{value:.3g}"
