"""Check what a wheel would put into site-packages: the whole of holo, and nothing beside it."""

from __future__ import annotations

import sys
from pathlib import Path
from zipfile import ZipFile

ROOT = Path(__file__).parent.parent

PLACES = {"holo": "", "cli": "holo/", "patterns": "holo/"}
"""Folders of the checkout, and where in the wheel they go."""

KINDS = (".py", ".toml", ".html", ".typed", ".md", ".cu")
"""Suffixes of the files that belong to the program."""


def wanted() -> set[str]:
    """Files of the checkout that must be in the wheel, by their names there."""
    files = [(place, path) for folder, place in PLACES.items() for path in (ROOT / folder).rglob("*") if path.suffix in KINDS]
    return {place + path.relative_to(ROOT).as_posix() for place, path in files}


def main(wheel: str) -> int:
    """Compare, print what is wrong, and return how many files that is."""
    with ZipFile(wheel) as content:
        found = {name for name in content.namelist() if ".dist-info/" not in name}
    problems = {f"missing in the wheel: {name}" for name in wanted() - found} | {f"not wanted there: {name}" for name in found - wanted()}
    print("\n".join(sorted(problems)) or f"{len(found)} files, as wanted")  # noqa: T201
    return len(problems)


if __name__ == "__main__":
    sys.exit(min(main(sys.argv[1]), 1))
