"""The twin of the demo bench: time and memory of a frame, and the error of its picture against the plain sum over the panel.

    python tests/benchmarks/twin.py [--runs 7] [--twins 3]

The error is that of the mean over a pixel (Gauss-Legendre quadrature of degree 5 per axis) at 200 pixels on and beside the spots of a mask
of 12 spots, over the brightest pixel. The memory is the most that the process has had so far; that of later twins counts the sums for the
error of the earlier ones.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from bench_tools import machine

from holo.bench import demo_bench_text
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import levels_of_phase
from holo.twin import read_twin, twin_text


def twin_of(seed):
    """A random twin of the demo bench; all of its light is modulated, as the plain sum has it."""
    with TemporaryDirectory() as folder:
        (Path(folder) / "bench.toml").write_text(demo_bench_text())
        text = twin_text("bench.toml", np.random.default_rng(seed)).replace("undiffracted = 0.03", "undiffracted = 0.0")
        (Path(folder) / "twin.toml").write_text(text)
        return read_twin(Path(folder) / "twin.toml")


def spots(bench, rng):
    """Levels of 12 spots at random."""
    path = light_path(bench)
    waves = [path.scale * (path.x_um * x + path.y_um[:, None] * y) + turn for x, y, turn in rng.uniform(-60, 60, (12, 3))]
    return levels_of_phase(np.angle(sum(np.exp(1j * wave) for wave in waves)), bench.panel)


def error(twin, levels, rng):
    """Largest error of the picture over its brightest pixel."""
    picture, path, phase = twin.picture(levels), light_path(twin.hidden), twin.phase(levels)
    ghost_um = np.array(twin.panel.ghost_um)
    row, column = np.unravel_index(np.argsort(picture, axis=None)[-4000::20], picture.shape)
    pixels = np.column_stack([column, row]) + rng.integers(-3, 4, (len(row), 2))
    pixels = pixels[((pixels >= 0) & (pixels < [picture.shape[1], picture.shape[0]])).all(axis=1)]
    node, weight = np.polynomial.legendre.leggauss(3)
    across, down = np.meshgrid(node / 2, node / 2)
    points_um = twin.from_camera(pixels[:, None] + np.stack([across.ravel(), down.ravel()], axis=-1))

    def intensity(places_um):
        return np.abs(direct_fields(path, phase, np.pad(places_um, ((0, 0), (0, 1))))) ** 2

    expected = intensity(points_um) + twin.panel.ghost * intensity(points_um - ghost_um)
    means = expected.reshape(len(pixels), -1) @ (np.outer(weight, weight).ravel() / 4)
    return np.abs(picture[pixels[:, 1], pixels[:, 0]] - means).max() / picture.max()


def median_seconds(work, runs):
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--twins", type=int, default=3)
    options = parser.parse_args()
    print(machine())
    print("panel 1200 x 1000, camera 1200 x 900, one shot\n")
    print("twin  first frame s  frame s  atoms s  memory MB  error / peak")
    for seed in range(options.twins):
        rng = np.random.default_rng(seed)
        twin = twin_of(seed)
        levels = spots(twin.bench, rng)
        first = median_seconds(lambda twin=twin, levels=levels: twin.show(levels, 0), 1)
        frame = median_seconds(lambda twin=twin, levels=levels: twin.show(levels, 0), options.runs)
        atoms = median_seconds(lambda twin=twin: twin.atoms(0), options.runs)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{seed:4}  {first:13.3f}  {frame:7.3f}  {atoms:7.3f}  {memory:9.0f}  {error(twin, levels, rng):12.2e}")


if __name__ == "__main__":
    main()
