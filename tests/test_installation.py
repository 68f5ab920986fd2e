"""What is installed, and places that are not as usual; `tests/benchmarks/installations.py` really installs."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest
from click.testing import CliRunner

from holo.cli import main
from holo.mask import read_mask

ROOT = Path(__file__).parent.parent
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROJECT, SETUPTOOLS = PYPROJECT["project"], PYPROJECT["tool"]["setuptools"]
FOLDERS = {name: ROOT / SETUPTOOLS["package-dir"].get(name, name.replace(".", "/")) for name in SETUPTOOLS["packages"]}
STRANGE = "Größe µ 格子 it's & <b>"


def test_every_folder_of_source_is_a_package():
    places = [path for name in ("holo", "cli", "patterns") for path in [ROOT / name, *(ROOT / name).rglob("*")]]
    assert {path for path in places if path.is_dir() and path.name != "__pycache__"} == set(FOLDERS.values())


@pytest.mark.parametrize("name", FOLDERS)
def test_every_file_of_a_package_is_installed(name):
    patterns = ("*.py", *SETUPTOOLS["package-data"].get(name, ()))
    files = [path.name for path in FOLDERS[name].iterdir() if path.is_file()]
    assert [file for file in files if not any(fnmatch(file, pattern) for pattern in patterns)] == []
    assert [pattern for pattern in patterns[1:] if not any(fnmatch(file, pattern) for file in files)] == []


@pytest.mark.skipif(not (ROOT / ".git").exists() or shutil.which("git") is None, reason="needs a clone and git")
def test_the_source_archive_has_every_file_of_the_checkout():
    """What setuptools takes along by itself, and what MANIFEST.in names."""
    lines = [line.split() for line in (ROOT / "MANIFEST.in").read_text().splitlines() if not line.startswith("#")]
    named = {name for word, *names in lines if word in ("graft", "include") for name in names}
    taken = {
        *named,
        *("pyproject.toml", "README.md", "LICENSE", "MANIFEST.in"),
        *(path.relative_to(ROOT).parts[0] for path in FOLDERS.values()),
    }
    tracked = (
        subprocess.run(["git", "-c", "safe.directory=*", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True)
        .stdout.decode()
        .split("\0")
    )
    assert {Path(name).parts[0] for name in tracked if name} == taken


COMES_WITH = {"PIL": "pillow", "pygame": "pygame-ce", "cupy": "cupy-cuda13x", "llvmlite": "numba"}


def test_every_library_that_is_imported_is_asked_for():
    sources = [path for folder in FOLDERS.values() for path in folder.glob("*.py")]
    found = {name for path in sources for name in re.findall(r"^ *(?:from|import) (\w+)", code(path), re.MULTILINE)}
    asked = {need.partition(">=")[0] for needs in (PROJECT["dependencies"], *PROJECT["optional-dependencies"].values()) for need in needs}
    assert {COMES_WITH.get(name, name) for name in found - sys.stdlib_module_names - {"holo"}} - asked == set()


def test_every_library_has_a_floor_that_can_be_asked_for_by_name():
    """So that the oldest libraries can be installed, which `tests/benchmarks/installations.py` does."""
    needs = [need for needs in (PROJECT["dependencies"], *PROJECT["optional-dependencies"].values()) for need in needs]
    assert [need for need in needs if not re.fullmatch(r"[a-z0-9-]+>=[0-9.]+", need)] == []


def code(path):
    """Source without its texts, in which lines may begin with such words."""
    return re.sub(r'"""(?:.|\n)*?"""', "", path.read_text(encoding="utf-8"))


def test_a_design_is_made_again_in_places_with_strange_names(tmp_path, small_bench_text, monkeypatch):
    folder = tmp_path / STRANGE
    folder.mkdir()
    monkeypatch.chdir(folder)
    bench, sites, mask = (f"{STRANGE}{end}" for end in (" bench.toml", ".toml", ".tiff"))
    Path(bench).write_text(small_bench_text())
    Path(sites).write_text('title = "格子"\n[[add]]\nblock = [2, 2]\n', encoding="utf-8")
    run = CliRunner().invoke(main, ["design", sites, "--bench", bench, "-o", mask, "--effort", "quick", "--json"], catch_exceptions=False)
    assert run.exit_code == 0, run.stderr
    assert json.loads(run.stdout)["mask"] == mask
    assert read_mask(mask).record["arrangement"]["path"] == str(folder / sites)
    again = CliRunner().invoke(main, ["design", "--again", mask, "-o", f"again {STRANGE}.tiff", "--json"], catch_exceptions=False)
    assert again.exit_code == 0, again.stderr
    assert (read_mask(f"again {STRANGE}.tiff").levels == read_mask(mask).levels).all()
