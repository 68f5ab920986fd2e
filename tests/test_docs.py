"""The documentation is under test: its commands run and print what it shows, its examples work, its names exist."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from holo.bench import demo_bench_text
from holo.cli import NAMES, main

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def blocks(kind):
    return re.findall(rf"```{kind}\n(.*?)```", README, flags=re.DOTALL)


def session():
    """Commands of the README's session, each with the lines that it shows."""
    text = "".join(blocks("console"))
    return [(part.split("\n", 1)[0], part.split("\n", 1)[1].splitlines()) for part in text.split("$ ")[1:]]


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
        assert f"## {anchor.capitalize()}" in (ROOT / file).read_text()


def test_every_module_is_in_the_architecture():
    for path in (ROOT / "holo").rglob("*.py"):
        if path.name not in ("__init__.py", "__main__.py"):
            assert path.relative_to(ROOT / "holo").as_posix() in DEVELOPERS, path


NOISY = (
    *("seconds", "iterations", "measured", "axis", "stretch", "shear", "rms", "largest", "map error", "origin errors", "shift"),
    *("saturated", "highest", "spacing errors", "spread by", "0      0.0", "1      0.0", "2      0.0"),
    *("predicted error", "counting limit", "threshold", "light empty", "width"),
)
"""Lines whose figures depend on the noise of a frame, or on the time."""


def close(shown, found):
    """Whether a word of the README is what a command prints: figures to 3 %, small ones to a factor of 30."""
    try:
        one, other = float(shown.rstrip(",")), float(found.rstrip(","))
    except ValueError:
        return shown == found
    return abs(one - other) <= 0.03 * abs(one) or (0 < abs(one) < 1e-2 and abs(one) / 30 < abs(other) < 30 * abs(one))


def test_the_session_prints_what_it_shows(tmp_path, monkeypatch):
    """All but the time that something took, and what rounding may change: iterations, and what noise makes of a frame of a mask."""
    monkeypatch.chdir(tmp_path)
    for command, shown in session():
        words = shlex.split(command)
        if words[0] == "cd":
            monkeypatch.chdir(words[1])
            for text in blocks("toml"):
                if named := re.match(r"# (\w+\.toml)\n", text):
                    Path(named[1]).write_text(text)
            continue
        result = CliRunner().invoke(main, words[1:])
        assert result.exit_code == 0, result.output
        lines = result.stdout.splitlines()
        assert len(lines) == len(shown)
        for expected, found in zip(shown, lines, strict=True):
            if not expected.startswith(NOISY):
                assert len(expected.split()) == len(found.split())
                assert all(map(close, expected.split(), found.split())), (expected, found)


def test_the_python_example_runs(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(demo_bench_text())
    (code,) = blocks("python")
    exec(compile(code.replace('effort="high"', 'effort="quick"'), "README.md", "exec"), {})
    uniformity, crosstalk = map(float, capsys.readouterr().out.split())
    assert uniformity > 0.99
    assert crosstalk < 0.01
    assert Path("mine.tiff").exists()
