"""``holo new``: the files to start from."""

from __future__ import annotations

from pathlib import Path

import click

from . import options
from .output import note, show


@click.command()
@click.argument("folder", metavar="DIR", type=options.FILE)
@options.overwrite
@options.as_json
def command(folder: Path, overwrite: bool, as_json: bool) -> None:
    """Write a bench and arrangements to start from.

    They go into the folder DIR, which is made if there is none.
    """
    written = write_starter(folder, overwrite)
    bench, *arrangements = written
    show({"bench": bench, "patterns": folder / "patterns", "arrangements": [path.stem for path in arrangements]}, as_json)
    note(f"next: put your own numbers into {bench}, then: holo check {bench}")


def patterns() -> dict[str, Path]:
    """Give the starter patterns, arrangement files by name, in alphabetical order."""
    from importlib import import_module

    folder = Path(next(iter(import_module("holo.patterns").__path__)))
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def arrangement_file(given: Path) -> Path:
    """Find the arrangement that a user means: a file, else the starter pattern of this name.

    Raises
    ------
    InputError
        If it is neither; the message names the nearest pattern.
    """
    import difflib

    from holo.errors import InputError

    known = patterns()
    try:
        if given.exists():
            return given
    except OSError as error:  # a name that no file can have
        raise InputError(f"{given}: cannot be read ({error.strerror or error})") from error
    if str(given) in known:
        return known[str(given)]
    near = difflib.get_close_matches(given.stem, known, 1)
    hint = f" (is {near[0]!r} meant?)" if near else ""
    raise InputError(f"{given}: neither a file nor a starter pattern{hint}; the starter patterns: {', '.join(known)}")


def write_starter(folder: Path, overwrite: bool = False) -> list[Path]:
    """Write the demo bench and the starter patterns.

    Returns
    -------
    list of Path
        The files, ``bench.toml`` first.

    Raises
    ------
    OutputExistsError
        If one of the files exists and `overwrite` is false; then none is written.
    InputError
        If the folder cannot be made or written.
    """
    from holo.bench import demo_bench_text
    from holo.errors import InputError
    from holo.files import check_output, read_bytes, write_folder

    files = {"bench.toml": demo_bench_text().encode()}
    files |= {f"patterns/{path.name}": read_bytes(path) for path in patterns().values()}

    def check() -> None:
        for name in files:
            if (folder / name).exists():
                check_output(folder / name, overwrite)

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot be made a folder ({error.strerror})") from error
    write_folder(folder, files, check)
    return [folder / name for name in files]
