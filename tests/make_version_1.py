"""Writes the files of version 1 that `tests/data/version-1` keeps.

Run once, for version 1; a later version gets a script and a folder of its own.

python tests/make_version_1.py FOLDER
"""

from __future__ import annotations

import sys
from pathlib import Path
from unittest import mock

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

import faulty  # noqa: E402
import fuzzing  # noqa: E402
from small_bench import bench_text  # noqa: E402

import holo.design  # noqa: E402
from holo.arrangement import read_arrangement  # noqa: E402
from holo.bench import read_bench  # noqa: E402
from holo.design import DesignOptions, design  # noqa: E402
from holo.field.path import light_path  # noqa: E402
from holo.mask import nudge_mask, write_mask  # noqa: E402
from holo.record import read_inputs  # noqa: E402


def main(folder):
    files = fuzzing.bench_files() | fuzzing.arrangement_files() | {"registration.toml": fuzzing.REGISTRATION.encode()}
    files |= {"twin.toml": fuzzing.TWIN.encode(), "occupancy.csv": b"i,j,filled,probability\n0,0,1,0.99\n1,0,0,0.02\n0,1,1,0.97\n"}
    for name, content in files.items():
        (folder / name).write_bytes(content)
    faulty._answered(2)(folder)
    faulty._sequence("moves", 1)(folder)
    (folder / "small.toml").write_text(bench_text())
    (folder / "sites.toml").write_text("[[add]]\nblock = [3, 3]\n")
    inputs = read_inputs(folder / "small.toml", folder / "sites.toml")
    made = design(inputs.bench, inputs.arrangement, options=DesignOptions(effort="quick"), sources=inputs.sources)
    write_mask(folder / "mask.tiff", made.mask)
    write_mask(folder / "nudged.tiff", nudge_mask(made.mask, light_path(inputs.bench), inputs.bench.panel, (0.5, -0.25), 0.5))
    assert read_bench(folder / "bench.toml")
    assert len(read_arrangement(folder / "arrangement.toml", inputs.bench.lattice))
    assert np.all(made.mask.levels < 212)


if __name__ == "__main__":
    real = holo.design._source  # records keep the names of the files, not where they lay

    def source(path, text, files):
        return real(path, text, files) | {"path": Path(path).name}

    with mock.patch("holo.design._source", source):
        place = Path(sys.argv[1])
        place.mkdir(parents=True)
        main(place)
