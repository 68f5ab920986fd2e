"""What the benchmarks share: a light path without a bench file, a turned lattice, the description of the machine."""

from __future__ import annotations

import platform
import subprocess
from importlib.metadata import packages_distributions, version

import numpy as np

from holo.arrays import core_count
from holo.bench import demo_bench_text, parse_bench
from holo.field.path import LightPath, light_path


def bench_text(columns, rows, *, fill_factor=0.93, beam_mm=10.0):
    """The demo bench with another panel, the relay chosen so that the pupil is the largest circle on it."""
    text = demo_bench_text()
    changes = {
        "columns = 1200": f"columns = {columns}",
        "rows = 1000": f"rows = {rows}",
        "relay_magnification = 0.48": f"relay_magnification = {2 * 0.6 * 4000 / (10 * min(columns, rows)):.12g}",
        "beam_diameter_mm = 9.0": f"beam_diameter_mm = {beam_mm * min(columns, rows) / 1000:.12g}",
        "fill_factor = 0.93": f"fill_factor = {fill_factor}",
    }
    for old, new in changes.items():
        if old not in text:
            raise ValueError(f"the demo bench has no {old!r}")
        text = text.replace(old, new, 1)
    return text


def panel_path(columns, rows, **changes) -> LightPath:
    return light_path(parse_bench(bench_text(columns, rows, **changes), "bench.toml"))


def turned_lattice(columns, rows, spacing_um, degrees, centre_um=(0.0, 0.0)):
    """Sites (n, 3) of a square lattice turned by an angle about its centre."""
    i, j = np.meshgrid(np.arange(columns) - (columns - 1) / 2, np.arange(rows) - (rows - 1) / 2)
    angle = np.deg2rad(degrees)
    x = spacing_um * (np.cos(angle) * i - np.sin(angle) * j).ravel() + centre_um[0]
    y = spacing_um * (np.sin(angle) * i + np.cos(angle) * j).ravel() + centre_um[1]
    return np.column_stack([x, y, np.zeros(len(x))])


def uniformity(intensity):
    return 1 - (intensity.max() - intensity.min()) / (intensity.max() + intensity.min())


def machine():
    """One line on processor, cores and versions."""
    name = platform.processor() or platform.machine()
    try:
        found = subprocess.run(["lscpu"], capture_output=True, text=True, check=True).stdout
        name = next(line.split(":")[1].strip() for line in found.splitlines() if line.startswith("Model name"))
    except (OSError, StopIteration, subprocess.CalledProcessError):
        pass
    known = {package for found in packages_distributions().values() for package in found}
    packages = ", ".join(f"{package} {version(package)}" for package in ("numpy", "numba", "pyFFTW", "finufft") if package in known)
    return f"{name}, {core_count()} cores, Python {platform.python_version()}, {packages}"
