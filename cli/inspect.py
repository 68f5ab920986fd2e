"""``holo inspect``: what a mask file says of itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from . import options
from .output import show


@click.command()
@options.mask
@options.as_json
def command(mask: Path, as_json: bool) -> None:
    """Show how a mask came about.

    With --json, the whole record of the mask file MASK, including the text of bench and arrangement.
    """
    from holo.compose import is_blank
    from holo.design import recorded_correction
    from holo.errors import naming
    from holo.mask import SOURCES, read_mask

    read = read_mask(mask)
    record, (rows, columns) = read.record, read.levels.shape
    head = {"mask": mask, "columns": columns, "rows": rows, "levels": [int(read.levels.min()), int(read.levels.max())]}
    if as_json:
        show({**head, "record": record}, as_json)
        return
    sources = {key: record[key]["path"] or "given in code" for key in SOURCES if record[key]}
    if is_blank(record):
        del sources["arrangement"]
    with naming(mask):
        correction = recorded_correction(record)
    chosen = {key: value for key, value in record["options"].items() if key not in ("correction", "dense")}
    chosen |= record["options"].get("dense", {})
    options_text = ", ".join(f"{key} {value}" for key, value in chosen.items() if value is not None)
    corrected = {} if correction is None else {"corrected": f"for light measured at {len(correction.waves)} sites"}
    about = {"made": record["time"], "holo": record["holo"], **sources, "seed": record["seed"], "options": options_text, **corrected}
    show({**head, **about, **record["figures"], **({"nudges": _steps(record)} if record["nudges"] else {})}, as_json)


def _steps(record: dict[str, Any]) -> list[dict[str, Any]]:
    """Nudges as rows; what was added in words, if anything was."""
    from holo.terms import told

    any_added = any("added" in step for step in record["nudges"])
    return [
        {**step, **({"added": "; ".join(told(entry) for entry in step.get("added", [])) or "nothing"} if any_added else {})}
        for step in record["nudges"]
    ]
