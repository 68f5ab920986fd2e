"""Records: masks made again, and files of version 1 as `tests/make_version_1.py` wrote them once."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile
from faulty import light_dialogue

from holo.arrangement import read_arrangement
from holo.bench import read_bench
from holo.design import remake
from holo.dialogue import open_run
from holo.errors import InputError
from holo.manifest import check_manifest
from holo.mask import read_mask
from holo.rearrange import read_occupancy
from holo.registration import read_registration
from holo.twin import read_twin

KEPT = Path(__file__).parent / "data" / "version-1"


@pytest.fixture
def place(tmp_path):
    """A copy of the files of version 1."""
    return shutil.copytree(KEPT, tmp_path / "version-1")


def test_a_bench_of_version_1(place):
    bench = read_bench(place / "bench.toml")
    assert bench.panel.shape == (20, 24)
    assert bench.panel.response.shape == (5, 2)
    assert bench.optics.aberration == ((5, 0.05), (11, -0.02))
    assert bench.light.beam.sum() == pytest.approx(tifffile.imread(KEPT / "beam.tiff").sum())
    assert bench.camera.hot.sum() == 10
    assert bench.digest == "sha256:123cdaa969153f4ddfcda77eacfffdfa7d52543b781d078da7c52be9f7f1c51d"


def test_an_arrangement_of_version_1(place):
    wanted = read_arrangement(place / "arrangement.toml", read_bench(place / "small.toml").lattice)
    assert (len(wanted.bright), len(wanted.dark)) == (58, 156)
    assert wanted.ij.sum() == pytest.approx(9253.75)
    assert len(wanted.smooth.add) == 3


def test_a_registration_a_twin_and_an_occupancy_of_version_1(place):
    registration = read_registration(place / "registration.toml")
    assert registration.plane_to_camera.matrix.tolist() == [[5.0, 0.1], [-0.1, 5.0]]
    assert registration.misfits["plane_to_camera"].points == 100
    sites, filled = read_occupancy(place / "occupancy.csv")
    assert (sites.tolist(), filled.tolist()) == ([[0, 0], [1, 0], [0, 1]], [True, False, True])
    (place / "twin.toml").write_text((place / "twin.toml").read_text().replace("bench.toml", "small.toml"))
    with (place / "small.toml").open("a") as file:
        file.write("[camera]\ncolumns = 12\nrows = 10\npixel_um = 4.8\nmagnification = 24.0\nbits = 12\n")
    assert read_twin(place / "twin.toml").seed == 4


@pytest.mark.parametrize(("name", "nudges"), [("mask.tiff", 0), ("nudged.tiff", 1)])
def test_a_mask_of_version_1_is_made_again(place, name, nudges):
    """On the machine that wrote it bit for bit; elsewhere but for pixels that lie on the border between two levels."""
    mask = read_mask(place / name)
    assert len(mask.record["nudges"]) == nudges
    again = remake(mask.record, place / "small.toml").mask
    apart = np.abs(again.levels.astype(int) - mask.levels)
    apart = np.minimum(apart, 212 - apart)
    assert apart.max() <= 1
    assert np.count_nonzero(apart) <= 2e-3 * apart.size  # half of that where kernels round otherwise, see tests/benchmarks/remade.py
    assert again.record["figures"].keys() >= mask.record["figures"].keys() or nudges
    for key in ("bench", "arrangement", "registration", "seed"):
        assert again.record[key] == mask.record[key]
    assert again.record["options"].items() >= mask.record["options"].items()  # later versions may have more of them


def test_a_run_of_version_1_is_opened(place):
    before = {path.name: path.read_bytes() for path in (place / "run").iterdir()}
    run = open_run(place / "run", "light", light_dialogue)
    assert run.ask is None
    assert run.outcome.seen == 15
    after = {path.name: path.read_bytes() for path in (place / "run").iterdir()}
    assert {**after, "journal.json": json.loads(after["journal.json"])} == {**before, "journal.json": json.loads(before["journal.json"])}


def test_a_sequence_of_version_1(place):
    manifest = check_manifest(place / "moves" / "manifest.json")
    for number, entry in enumerate(manifest.masks):
        assert (tifffile.imread(place / "moves" / entry.file) == 1 + number).all()


@pytest.mark.parametrize("version", [0, 2, "1", None])
def test_files_of_another_version_are_refused(place, version):
    mask = read_mask(place / "mask.tiff")
    record = json.dumps({**mask.record, "version": version})
    with tifffile.TiffWriter(place / "mask.tiff") as file:
        file.write(mask.levels, description=record, photometric="minisblack", metadata=None, contiguous=False)
        file.write(mask.phase, photometric="minisblack", metadata=None, contiguous=False)
    with pytest.raises(InputError, match=r"mask.tiff: record.version: found .*; allowed: 1, the one read here"):
        read_mask(place / "mask.tiff")
    journal = json.loads((place / "run" / "journal.json").read_text())
    (place / "run" / "journal.json").write_text(json.dumps({**journal, "version": version}))
    with pytest.raises(InputError, match=r"journal.json: version: found .*; allowed: 1, the one read here"):
        open_run(place / "run", "light", light_dialogue)


@pytest.mark.parametrize("name", ["bench.toml", "arrangement.toml", "registration.toml", "twin.toml"])
def test_a_key_of_a_later_version_is_refused_by_its_name(place, name):
    text = (place / name).read_text()
    (place / name).write_text("later = 1\n" + text)
    lattice = read_bench(place / "small.toml").lattice
    readers = {"bench": read_bench, "registration": read_registration, "twin": read_twin}
    readers["arrangement"] = lambda path: read_arrangement(path, lattice)
    with pytest.raises(InputError, match=rf"{name}: later: unknown key, found 1"):
        readers[Path(name).stem](place / name)
