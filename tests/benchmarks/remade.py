"""Masks made again from their records, on this machine and as another one would: other threads, other instructions, other plans.

    python tests/benchmarks/remade.py

A mask of 400 sites on a 512 x 512 panel (and one nudged, one of close sites) is made in this process, and again from its record in others
whose threads, compiled instructions or Fourier plans differ. Counted are the pixels whose level is another, and by how many levels at most.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from bench_tools import bench_text, machine

from holo.arrangement import block
from holo.bench import parse_bench
from holo.design import DesignOptions, design
from holo.field.path import light_path
from holo.mask import nudge_mask, read_mask, write_mask

MACHINES = {
    "the same": {},
    "1 thread": {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"},
    "2 threads": {"OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2", "NUMBA_NUM_THREADS": "2"},
    "kernels for any x86-64": {"NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": ""},
    "other Fourier plans": {"XDG_CACHE_HOME": "/dev/null"},  # where none can be kept they are estimated
    "linear algebra for an old x86-64": {"OPENBLAS_CORETYPE": "Prescott"},
    "numpy without AVX": {"NPY_DISABLE_CPU_FEATURES": "AVX2 FMA3 AVX512F AVX512_SKX"},
}
AGAIN = """
import sys
from holo.design import remake
from holo.mask import read_mask, write_mask
write_mask(sys.argv[2], remake(read_mask(sys.argv[1]).record).mask, True)
"""


def masks():
    """Masks by what they are."""
    bench = parse_bench(bench_text(512, 512), "bench.toml")
    made = design(bench, block(20, 20), options=DesignOptions(effort="normal")).mask
    close = design(bench, block(5, 5), options=DesignOptions(effort="quick", engine="dense")).mask
    nudged = nudge_mask(made, light_path(bench), bench.panel, (0.4, -0.2), 0.5)
    return {"spots": made, "spots, nudged": nudged, "dense": close}


def main():
    print(machine())
    print("| made again by | mask | pixels with another level | of | levels apart at most |\n| --- | --- | --- | --- | --- |")
    with TemporaryDirectory() as name:
        first, second = Path(name) / "first.tiff", Path(name) / "second.tiff"
        for what, mask in masks().items():
            write_mask(first, mask, overwrite=True)
            for which, changes in MACHINES.items():
                places = {"PYTHONPATH": str(Path(__file__).parents[2]), "NUMBA_CACHE_DIR": f"{name}/{which.replace(' ', '-')}"}
                subprocess.run([sys.executable, "-c", AGAIN, first, second], env=os.environ | changes | places, check=True)
                apart = np.abs(read_mask(second).levels.astype(int) - mask.levels)
                apart = np.minimum(apart, 212 - apart)
                print(f"| {which} | {what} | {np.count_nonzero(apart)} | {apart.size} | {apart.max()} |", flush=True)


if __name__ == "__main__":
    main()
