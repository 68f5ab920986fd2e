"""The commands of a dialogue: ``start``, ``step`` and ``run``, the same for all of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holo.starters import arrangement_file

from . import options
from .output import note, show, warn

if TYPE_CHECKING:
    from holo.dialogue import Begin, Run

    Finish = Callable[[Run], Mapping[str, Any]]

_run_folder = click.option("--run", "folder", type=options.FILE, required=True, metavar="DIR", help="Run folder.")
_frame = click.option("--frame", type=options.FILE, required=True, metavar="FILE", help="Camera frame of the mask (TIFF, PNG or NPY).")
_link = click.option(
    "--link",
    required=True,
    metavar="LINK",
    help="Who answers: twin, folder:PATH, python:MODULE:FUNCTION, or the name of an installed link.",
)
_bench = click.option("--bench", type=options.FILE, help="Bench file (TOML); needed to start, not to go on.")
_timeout = click.option("--timeout", type=float, default=600.0, show_default=True, metavar="S", help="Longest wait for a frame, seconds.")
_again = click.option("--overwrite", is_flag=True, help="Start anew in a folder that holds a run.")


def dialogue_commands(
    name: str,
    words: str,
    begin: Callable[[], Begin],
    own: Sequence[Callable[[Any], Any]],
    results: Sequence[str],
    finish: Callable[[Run], Mapping[str, Any]],
) -> click.Group:
    """Make the group of the three commands of a dialogue.

    Parameters
    ----------
    name : str
        The dialogue's.
    words : str
        Help of the group.
    begin : callable
        Imports what makes the dialogue.
    own : sequence of decorators
        The dialogue's own options, named as in `holo.dialogue.Start.options`, and if it needs them the files ``registration`` and
        ``arrangement``.
    results : sequence of str
        Names of the files that it leaves in the end.
    finish : callable
        Adds to the result what the library leaves to its users, such as pictures, and says where the results are.
    """

    def new(folder: Path, bench: Path, wanted: Mapping[str, Any], overwrite: bool) -> Run:
        from holo.dialogue import start_run

        sources = _sources(bench, wanted)
        chosen = {key: value for key, value in wanted.items() if key not in sources}
        return start_run(folder, name, begin(), sources, chosen, results, overwrite)

    @click.group(name=name, help=words)
    def command() -> None:
        pass

    @command.command()
    @options.bench
    @_run_folder
    @_with(own)
    @_again
    @options.as_json
    def start(bench: Path, folder: Path, overwrite: bool, as_json: bool, **wanted: Any) -> None:
        """Start a run folder with the first mask."""
        from holo.files import locked

        with locked(folder):
            _show(new(folder, bench, wanted, overwrite), finish, as_json)

    @command.command()
    @_run_folder
    @_frame
    @options.as_json
    def step(folder: Path, frame: Path, as_json: bool) -> None:
        """Give the frame of the mask that was asked for.

        A frame that does not tell enough is refused with the reason, and not kept: take another one.
        """
        from holo.files import locked

        with locked(folder):
            _show(_stepped(name, begin(), folder, frame), finish, as_json)

    @command.command()
    @_link
    @_run_folder
    @_bench
    @_with(own)
    @_timeout
    @_again
    @options.as_json
    def run(link: str, folder: Path, bench: Path | None, timeout: float, overwrite: bool, as_json: bool, **wanted: Any) -> None:
        """Let a link answer until the result is there.

        Starts a run, or goes on with the one in the folder.
        """
        from holo.files import locked

        with locked(folder):
            if overwrite or not _holds_run(folder):
                if bench is None:
                    raise click.UsageError(f"{folder} holds no run to go on with; needed: --bench, to start one")
                opened = new(folder, bench, wanted, overwrite)
            else:
                opened = _reopened(name, begin(), folder, bench)
        with locked(folder):  # which a new run has only now
            _show(_linked(opened, link, timeout), finish, as_json)

    return command


def _with(decorators: Sequence[Callable[[Any], Any]]) -> Callable[[Any], Any]:
    """One decorator of several."""

    def decorate(function: Any) -> Any:
        for decorator in reversed(decorators):
            function = decorator(function)
        return function

    return decorate


def _sources(bench: Path, wanted: Mapping[str, Any]) -> dict[str, Any]:
    """Read the files that a dialogue starts from."""
    from holo.record import read_arrangement_source, read_bench_source, read_registration_source

    read, source = read_bench_source(bench)
    arrangement, registration = wanted.get("arrangement"), wanted.get("registration")
    return {
        "bench": source,
        "arrangement": None if arrangement is None else read_arrangement_source(arrangement_file(arrangement), read.lattice)[1],
        "registration": None if registration is None else read_registration_source(registration)[1],
    }


def _holds_run(folder: Path) -> bool:
    from holo.dialogue import JOURNAL

    return (folder / JOURNAL).exists()


def _reopened(name: str, begin: Begin, folder: Path, bench: Path | None) -> Run:
    """Go on with a run, if it was started with the bench that the user names now."""
    from holo.bench import read_bench
    from holo.dialogue import open_run
    from holo.errors import InputError

    run = open_run(folder, name, begin)
    if bench is not None and read_bench(bench).digest != run.start.bench.digest:
        raise InputError(f"{folder}: was started with another bench than {bench}; go on without --bench, or start anew with --overwrite")
    return run


def _stepped(name: str, begin: Begin, folder: Path, given: Path) -> Run:
    from holo.dialogue import open_run
    from holo.errors import naming
    from holo.frames import read_frame

    run = open_run(folder, name, begin)
    if run.ask is None:
        warn([f"{folder}: is done; {given} is not used"])
        return run
    stack = read_frame(given)
    with naming(given):
        run.answer(stack)
    return run


def _linked(run: Run, link: str, timeout_s: float) -> Run:
    from holo.dialogue import converse
    from holo.link import open_link

    if run.ask is not None:
        take = open_link(link, run.start.bench_path, timeout_s=timeout_s, report=note)
        converse(run, take, lambda step, text: note(f"mask {step}: {text}"))
    return run


def _show(run: Run, finish: Finish, as_json: bool) -> None:
    """Print where a run stands: the next mask, or the result."""
    state: dict[str, Any] = {"run": run.folder, "step": run.step, "done": run.ask is None}
    if run.ask is not None:
        show({**state, "mask": run.mask_path, "note": run.ask.note}, as_json)
        note(f"next: show {run.mask_path}, take a frame, and give it with: step --run {run.folder} --frame FRAME")
        return
    assert run.outcome is not None
    summary = run.outcome.summary()
    warn(summary.get("warnings", ()))
    show({**state, **finish(run), **summary}, as_json)
