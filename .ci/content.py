"""Check what the archives hold: a wheel the whole of holo and nothing beside it, the source archive all that the checkout has.

python .ci/content.py SOURCE_ARCHIVE WHEEL...; several wheels must be the same to the byte.
"""

from __future__ import annotations

import sys
import tarfile
from collections.abc import Iterator
from pathlib import Path
from zipfile import ZipFile

ROOT = Path(__file__).parent.parent

PLACES = {"holo": "", "cli": "holo/", "patterns": "holo/"}
"""Folders of the checkout, and where in the wheel they go."""

KINDS = (".py", ".toml", ".html", ".typed", ".md", ".cu")
"""Suffixes of the files that belong to the program."""

MADE = ("__pycache__", "build", "dist", ".git", ".hypothesis", ".mypy_cache", ".pytest_cache", ".ruff_cache", ".venv", "holo-demo")
"""What a checkout may have besides the source."""


def installed() -> set[str]:
    """Files of the checkout that must be in the wheel, by their names there."""
    files = [(place, path) for folder, place in PLACES.items() for path in (ROOT / folder).rglob("*") if path.suffix in KINDS]
    return {place + path.relative_to(ROOT).as_posix() for place, path in files}


def sources() -> set[str]:
    """Files of the checkout that must be in the source archive."""
    files = {path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file()}
    return {path.as_posix() for path in files if not any(part in MADE or part.endswith(".egg-info") for part in path.parts)}


def packed(archive: str) -> set[str]:
    """Files of a source archive, without those that building it adds."""
    with tarfile.open(archive) as content:
        names = {member.name.partition("/")[2] for member in content if member.isfile()}
    return {name for name in names if name not in ("PKG-INFO", "setup.cfg") and ".egg-info/" not in name}


def wheel(archive: str) -> dict[str, int]:
    """Files of a wheel with their checksums, without those that tell of it."""
    with ZipFile(archive) as content:
        return {entry.filename: entry.CRC for entry in content.infolist() if ".dist-info/" not in entry.filename}


def differences(name: str, wanted: set[str], found: set[str]) -> Iterator[str]:
    """Lines on what is missing, and on what is too much."""
    yield from (f"{name}: missing: {path}" for path in sorted(wanted - found))
    yield from (f"{name}: not wanted: {path}" for path in sorted(found - wanted))


def main(source: str, *wheels: str) -> int:
    """Compare, print what is wrong, and return how many files that is."""
    found = [wheel(archive) for archive in wheels]
    problems = [*differences("source archive", sources(), packed(source)), *differences("wheel", installed(), set(found[0]))]
    problems += [f"wheels differ: {name}" for other in found[1:] for name, check in found[0].items() if other.get(name) != check]
    print("\n".join(problems) or f"{len(sources())} files of source, {len(found[0])} to be installed, as wanted")  # noqa: T201
    return len(problems)


if __name__ == "__main__":
    sys.exit(min(main(*sys.argv[1:]), 1))
