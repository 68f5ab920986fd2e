"""What input must never do: run as code, take memory before its size is checked, or reach files that it was not given."""

from __future__ import annotations

import ast
import json
import re
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from fuzzing import npy, tiff

from holo import files, images, manifest, results, sequence, tables
from holo.arrangement import MAX_SITES, parse_arrangement
from holo.atoms import read_species
from holo.bench import parse_bench, read_bench
from holo.errors import InputError
from holo.files import read_csv
from holo.frames import MOST_SHOTS, read_frame
from holo.images import read_npy
from holo.jobs import MAX_JOBS, Checker, read_jobs
from holo.lattice import Lattice
from holo.manifest import check_manifest, read_manifest
from holo.registration import read_registration
from holo.serve import Limits

ROOT = Path(__file__).parent.parent
SOURCES = [*(ROOT / "holo").rglob("*.py"), *(ROOT / "cli").glob("*.py")]
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "fromstring", "loadtxt", "genfromtxt"}
FORBIDDEN_MODULES = {
    "pickle",
    "cPickle",
    "marshal",
    "shelve",
    "dill",
    "cloudpickle",
    "joblib",
    "yaml",
    "xml",
    "subprocess",
    "ctypes",
    "codeop",
    "gzip",
    "zipfile",
    "tarfile",
    "lzma",
    "bz2",
}
ALLOWED = {"holo/worker.py": ["pickle"], "holo/crew.py": ["pickle", "subprocess"]}
"""Between a batch and the processes that it has started itself, over their own pipes."""
FORBIDDEN_ATTRIBUTES = {("np", "load"), ("numpy", "load"), ("os", "system"), ("os", "popen"), ("os", "exec"), ("tempfile", "mktemp")}


def faults(tree):
    """What in a syntax tree could run input, or unpack it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name.split(".")[0] in FORBIDDEN_MODULES)
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in FORBIDDEN_MODULES:
            yield node.module
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in FORBIDDEN_CALLS:
            yield node.func.id
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and (node.value.id, node.attr) in FORBIDDEN_ATTRIBUTES:
            yield f"{node.value.id}.{node.attr}"
        elif isinstance(node, ast.keyword) and node.arg in ("allow_pickle", "shell") and getattr(node.value, "value", True) is not False:
            yield node.arg


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_nothing_runs_or_unpickles_input(path):
    assert list(faults(ast.parse(path.read_text()))) == ALLOWED.get(path.relative_to(ROOT).as_posix(), [])


@pytest.mark.parametrize(
    "text",
    [
        "import pickle",
        "from yaml import load",
        "eval('1')",
        "np.load('a')",
        "f(allow_pickle=True)",
        "f(shell=x)",
        "import xml.sax",
        "os.system('x')",
    ],
)
def test_the_rule_sees_what_it_forbids(text):
    assert len(list(faults(ast.parse(text)))) == 1


@pytest.mark.parametrize("name", ["../secret.csv", "{absolute}", "link.csv", "in/../../secret.csv"])
def test_confined_text_reaches_no_file_outside_its_folder(tmp_path, name):
    folder = tmp_path / "job"
    (folder / "in").mkdir(parents=True)
    (tmp_path / "secret.csv").write_text("i,j\n0,0\n")
    (folder / "link.csv").symlink_to(tmp_path / "secret.csv")
    text = f'[[add]]\nsites_csv = "{name.format(absolute=tmp_path / "secret.csv")}"\n'
    lattice = Lattice(np.eye(2))
    assert len(parse_arrangement(text, folder / "a.toml", lattice)) == 1
    with pytest.raises(InputError, match=r"add\[1\].sites_csv: found .*; allowed: a file in the folder of a.toml"):
        parse_arrangement(text, folder / "a.toml", lattice, confined=True)


def test_confined_text_reaches_files_inside_its_folder(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "sites.csv").write_text("i,j\n0,0\n")
    text = '[[add]]\nsites_csv = "in/../in/sites.csv"\n'
    assert len(parse_arrangement(text, tmp_path / "a.toml", Lattice(np.eye(2)), confined=True)) == 1


def test_a_confined_bench_reaches_no_file_outside_its_folder(tmp_path, small_bench_text):
    (tmp_path / "aberration.toml").write_text("[aberration]\n5 = 0.1\n")
    (tmp_path / "job").mkdir()
    text = small_bench_text(optics__aberration_toml="../aberration.toml")
    assert parse_bench(text, tmp_path / "job" / "bench.toml").optics.aberration == ((5, 0.1),)
    with pytest.raises(InputError, match=r"aberration_toml: found '\.\./aberration\.toml'; allowed: a file in the folder of bench"):
        parse_bench(text, tmp_path / "job" / "bench.toml", confined=True)


def test_jobs_are_the_users_own_and_name_files_anywhere(tmp_path, small_bench_text):
    """A file of jobs is called by the user, as a bench is: its paths are theirs."""
    (tmp_path / "bench.toml").write_text(small_bench_text())
    (tmp_path / "jobs").mkdir()
    (tmp_path / "jobs" / "jobs.toml").write_text('[common]\nbench = "../bench.toml"\n[[job]]\narrangement = "../a.toml"\n')
    (tmp_path / "a.toml").write_text("[[add]]\nblock = [2, 2]\n")
    (job,) = read_jobs(tmp_path / "jobs" / "jobs.toml")
    assert len(Checker().inputs(job).arrangement) == 4


@pytest.mark.parametrize("file", ["../a.tiff", "/etc/passwd", "in/../../a.tiff", "..\\a.tiff", "C:a.tiff", "", "link.tiff"])
def test_a_manifest_reaches_no_file_outside_its_folder(tmp_path, file):
    folder = tmp_path / "set"
    (folder / "in").mkdir(parents=True)
    (tmp_path / "a.tiff").write_bytes(tiff(np.zeros((20, 24), np.uint8)))
    (folder / "link.tiff").symlink_to(tmp_path / "a.tiff")
    entry = {"name": "a", "file": file, "page": 0, "digest": "sha256:" + "0" * 64, "time_ms": None, "figures": {}}
    head = {"format": "holo set", "version": 1, "holo": "1", "rows": 20, "columns": 24, "type": "uint8", "made_from": {}}
    (folder / "manifest.json").write_text(json.dumps({**head, "masks": [entry]}))
    with pytest.raises(InputError, match=r"allowed: (a )?files? in (the folder of the manifest|it) or below it"):
        check_manifest(folder / "manifest.json")


def test_the_readme_tells_the_limits():
    """Its table of sizes, row by row."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| (.*?) \| (.*?) \|$", text[text.index("### Sizes") : text.index("### The service")], re.MULTILINE))
    mib, limits = 2**20, Limits()
    told = {
        "text (TOML, CSV, journals of runs)": (
            f"{files.MAX_TEXT_BYTES // mib} MiB; TOML {tables.MAX_TOML // mib} million characters and {tables.MAX_PARTS} parts to a key,"
            f" CSV {files.MAX_LINES:,} lines"
        ),
        "manifests and journals of sequences; journals of batches": (
            f"{min(manifest.MAX_BYTES, sequence.MAX_JOURNAL_BYTES) // mib} MiB; {results.MAX_JOURNAL_BYTES // 2**30} GiB"
        ),
        "jobs": f"{MAX_JOBS:,} a file",
        "sites of an arrangement": f"{MAX_SITES:,}",
        "a page of a TIFF file": (
            f"{files.MAX_PIXELS // mib} million pixels, {files.MAX_PAGE_BYTES // mib} MiB;"
            " packed not at all, or by LZW, Deflate or PackBits"
        ),
        "pages of a TIFF file": f"{files.MAX_PAGES:,}; as shots of a frame {MOST_SHOTS:,}, {files.MAX_PIXELS // mib} million pixels in all",
        "pictures in arrangements": f"{images._MOST_IMAGE_PIXELS // mib} million pixels",
        "NumPy files": f"{files.MAX_PIXELS // mib} million numbers, as many as the file is long",
        "requests": (
            f"heads of {limits.head_bytes // 2**10} KiB, bodies of {limits.body_bytes // mib} MiB,"
            f" {limits.bodies_bytes // mib} MiB of all bodies at a time"
        ),
    }
    assert {name: rows[name] for name in rows if name in told} == told
    assert len(rows) == len(told) + 2  # the heading and the line below it


def sparse(path, head, size):
    """A file of some size of which the disk holds the beginning only."""
    with path.open("wb") as file:
        file.write(head)
        file.truncate(size)


@pytest.mark.parametrize(
    ("name", "read"),
    [
        ("bench.toml", read_bench),
        ("registration.toml", read_registration),
        ("jobs.toml", read_jobs),
        ("species.toml", read_species),
        ("response.csv", lambda path: read_csv(path, ("level", "phase_rad"))),
        ("manifest.json", read_manifest),
        ("frame.png", read_frame),
        ("frame.npy", read_frame),
        ("array.npy", read_npy),
    ],
)
def test_sizes_are_checked_before_memory_is_taken(tmp_path, name, read):
    """Files of 8 GiB, which cost the disk nothing: an array that tells the truth of its size too."""
    head = npy(np.zeros(1)).replace(b"(1,), }" + 10 * b" ", b"(1073741808,), }") if name.endswith(".npy") else b"x"
    sparse(tmp_path / name, head, 2**33)
    tracemalloc.start()
    with pytest.raises(InputError, match=rf"{name}: (found .*; allowed: at most|not a readable NPY file)"):
        read(tmp_path / name)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 2**24
