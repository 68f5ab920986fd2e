"""Text of a small bench."""

from __future__ import annotations

import json
from copy import deepcopy

# A small bench: pupil of 40 pixels radius, Airy radius 0.71 um, field 46.7 um to a side; 5 x 5 sites of its lattice lie inside the field.
SMALL = {
    "name": "small bench",
    "light": {"wavelength_nm": 700.0, "power_mw": 2.0, "beam_diameter_mm": 0.72},
    "panel": {
        "columns": 96,
        "rows": 80,
        "pitch_um": 10.0,
        "levels": 256,
        "level_for_2pi": 212,
        "fill_factor": 0.93,
        "power_limit_w_cm2": 2.0,
    },
    "optics": {"focal_length_mm": 4.0, "numerical_aperture": 0.6, "relay_magnification": 6.0, "medium_index": 1.0},
    "lattice": {"vectors_um": [[3.0, 0.0], [0.0, 3.0]], "origin_um": [6.0, 4.0]},
}


def bench_text(**changes):
    """TOML of the small bench; ``panel__levels=512`` sets a key, None takes it (or a whole table) away."""
    content = deepcopy(SMALL)
    for name, value in changes.items():
        *tables, key = name.split("__")
        place = content
        for table in tables:
            place = place.setdefault(table, {})
        place[key] = deepcopy(value)
        if value is None:
            del place[key]
    top = [f"{key} = {json.dumps(value)}" for key, value in content.items() if not isinstance(value, dict)]
    return "\n".join(top + [line for key, value in content.items() if isinstance(value, dict) for line in _table_lines(key, value)]) + "\n"


def _table_lines(name, table):
    lines = [f"[{name}]", *(f"{json.dumps(key)} = {json.dumps(value)}" for key, value in table.items() if not isinstance(value, dict))]
    return lines + [line for key, value in table.items() if isinstance(value, dict) for line in _table_lines(f"{name}.{key}", value)]
