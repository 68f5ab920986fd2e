"""``holo new``: the files to start from."""

from __future__ import annotations

from pathlib import Path

import click

from holo.starters import guides, patterns

from . import options
from .output import note, show

RING = """\
# A ring in the camera's view, aside of the undiffracted light.
title = "ring"

[[add]]
ring = [4.5, 6.0]       # all sites between these distances, in lattice spacings ...
at = [-4, -8]           # ... from here

[dark]
margin = 1              # every other lattice site that near is to stay dark
"""
"""An arrangement that the camera of a twin sees, whichever way round it looks."""


@click.command()
@click.argument("folder", metavar="DIR", type=options.FILE)
@click.option("--twin", is_flag=True, help="Add a simulated bench to practise on, and frames of its atoms.")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Start of the twin's random numbers.")
@options.overwrite
@options.as_json
def command(folder: Path, twin: bool, seed: int, overwrite: bool, as_json: bool) -> None:
    """Write a bench and arrangements to start from.

    They go into the folder DIR, which is made if there is none, with a
    tutorial and a table of what to do when something looks wrong. With --twin there are also twin.toml, a
    simulated bench that differs from the one in bench.toml as a real one would, and atoms-000.tiff to
    atoms-002.tiff, which its camera sees of atoms in its drifting lattice.
    """
    bench = folder / "bench.toml"
    written = write_starter(folder, overwrite, seed if twin else None)
    result = {
        "bench": bench,
        "patterns": folder / "patterns",
        "arrangements": [path.stem for path in written if path.parent.name == "patterns"],
    }
    result["guides"] = [path for path in written if path.suffix == ".md"]
    if twin:
        result |= {"twin": folder / "twin.toml", "atoms": [path for path in written if path.suffix == ".tiff"]}
    show(result, as_json)
    note(f"next: put your own numbers into {bench}, then: holo check {bench}")


def write_starter(folder: Path, overwrite: bool = False, twin_seed: int | None = None) -> list[Path]:
    """Write the demo bench, the starter patterns and the guides, and with a seed a twin of the bench and frames of its atoms.

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
    files |= {path.name: read_bytes(path) for path in guides()}
    files |= {} if twin_seed is None else _twin_files(files["bench.toml"], twin_seed)

    def check() -> None:
        for name in files:
            if (folder / name).exists():
                check_output(folder / name, overwrite)

    try:
        if folder.exists() and not folder.is_dir():
            raise InputError(f"{folder}: cannot be made a folder (there is a file of this name)")
        folder.parent.mkdir(parents=True, exist_ok=True)  # the folder itself appears as a whole
    except OSError as error:
        raise InputError(f"{folder}: cannot be made a folder ({error.strerror})") from error
    write_folder(folder, files, check)
    return [folder / name for name in files]


def _twin_files(bench: bytes, seed: int) -> dict[str, bytes]:
    """Content of a random twin's file and of the frames of its atoms, by name."""
    from tempfile import TemporaryDirectory

    import numpy as np

    from holo.files import read_bytes
    from holo.frames import write_frame
    from holo.twin import read_twin, twin_text

    frames = [f"atoms-{step:03d}.tiff" for step in range(3)]
    with TemporaryDirectory() as temporary:
        place = Path(temporary)
        (place / "bench.toml").write_bytes(bench)
        (place / "twin.toml").write_text(twin_text("bench.toml", np.random.default_rng(seed)), encoding="utf-8")
        twin = read_twin(place / "twin.toml")
        for step, name in enumerate(frames):
            write_frame(place / name, twin.atoms(step))
        return {"ring.toml": RING.encode(), **{name: read_bytes(place / name) for name in ("twin.toml", *frames)}}
