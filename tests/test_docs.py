"""The documentation is under test: its commands run and print what it shows, its examples work, its names exist."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner
from shown import README, assert_printed, blocks

from holo.bench import demo_bench_text
from holo.cli import NAMES, main
from holo.starters import guides

ROOT = Path(__file__).parent.parent
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


TUTORIAL, TROUBLES = (path.read_text() for path in guides())


def steps(text):
    """What a page has its reader do, in order: files to write, by name and content; commands, each with the lines that it shows."""
    for kind, block in re.findall(r"```(\w+)\n(.*?)```", text, flags=re.DOTALL):
        if kind == "toml" and (named := re.match(r"# (\w+\.toml)\n", block)):
            yield named[1], block
        elif kind == "csv":
            yield "occupancy.csv", block
        elif kind == "console":
            for part in block.split("$ ")[1:]:
                command, shown = part.split("\n", 1)
                yield command, shown.splitlines()


def test_both_set_up_commands_are_there():
    assert "python -m pip install . && python -m holo demo" in README
    assert 'python -m pip install ".[test]" && python -m pytest' in README


@pytest.mark.parametrize("name", NAMES)
def test_every_command_is_documented(name):
    assert f"holo {name}" in README


@pytest.mark.parametrize("link", re.findall(r"\]\(([^)]+)\)", README + DEVELOPERS))
def test_links_lead_somewhere(link):
    file, _, anchor = link.partition("#")
    assert (ROOT / file).exists()
    if anchor:
        heading = anchor.replace("-", " ").capitalize()
        assert f"## {heading}" in (ROOT / file).read_text()


@pytest.mark.parametrize("link", re.findall(r"\]\(([^)]+)\)", TUTORIAL + TROUBLES))
def test_the_guides_link_to_each_other_only(link):
    """They are copied into other folders."""
    assert link in [path.name for path in guides()]


def test_every_module_is_in_the_architecture():
    for path in (ROOT / "holo").rglob("*.py"):
        if path.name not in ("__init__.py", "__main__.py"):
            assert path.relative_to(ROOT / "holo").as_posix() in DEVELOPERS, path


@pytest.mark.parametrize("text", [README, TUTORIAL], ids=["README", "tutorial"])
def test_commands_print_what_is_shown(text, tmp_path, monkeypatch):
    """All but the time that something took, and what rounding may change: iterations, and what noise makes of a frame of a mask."""
    monkeypatch.chdir(tmp_path)
    for command, shown in steps(text):
        words = shlex.split(command)
        if isinstance(shown, str):
            Path(command).write_text(shown)
        elif words[0] == "cd":
            monkeypatch.chdir(words[1])
        elif words[0] == "sed":
            subprocess.run(command, shell=True, check=True)
        elif words[:2] not in (["holo", "demo"], ["holo", "serve"]):  # which have tests of their own
            result = CliRunner().invoke(main, words[1:])
            assert result.exit_code == 0, result.output
            assert_printed(shown, result.stdout.replace(str(Path.cwd()), "/home/you/lab").splitlines())


def test_the_python_example_runs(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(demo_bench_text())
    (code,) = blocks("python")
    exec(compile(code.replace('effort="high"', 'effort="quick"'), "README.md", "exec"), {})
    uniformity, crosstalk = map(float, capsys.readouterr().out.split())
    assert uniformity > 0.99
    assert crosstalk < 0.01
    assert Path("mine.tiff").exists()
