"""The command line: one module per command, each a thin layer over the library.

Only click is imported until a command runs, so that ``holo --help`` answers at once.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module
from typing import Any

import click

from holo import __version__
from holo.errors import HoloError

from .output import note, printable

NAMES = (
    *("demo", "new", "check", "register", "survey", "track", "occupancy", "response", "sense", "design", "balance", "predict"),
    *("trap", "nudge", "add", "inspect", "render", "show", "rearrange", "batch", "manifest", "serve", "twin", "reference"),
)
"""The commands, in the order in which one meets them; each is the object `command` of the module of its name."""

EPILOG = """\
\b
Completion of commands and options with the Tab key:
  bash  eval "$(_HOLO_COMPLETE=bash_source holo)"   in ~/.bashrc
  zsh   eval "$(_HOLO_COMPLETE=zsh_source holo)"    in ~/.zshrc
  fish  _HOLO_COMPLETE=fish_source holo | source    in ~/.config/fish/config.fish

\b
Results go to standard output (--json: one JSON object), warnings and progress
to standard error. Exit codes: 0 done, 1 failed, 2 wrong usage or bad input.
"""


class Commands(click.Group):
    """A group that imports a command when it is asked for, and turns exceptions into messages and exit codes."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Give the names in their own order."""
        return list(self.commands)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command."""
        if cmd_name not in self.commands:
            return None
        command: click.Command = import_module(f".{cmd_name}", __name__).command
        return command

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; whatever it raises ends in one line on standard error."""
        try:
            result = super().invoke(ctx)
            _tell_of_unkept_kernels()
            return result
        except (click.exceptions.Exit, click.ClickException, click.Abort, BrokenPipeError):
            raise  # click reports these itself
        except BaseException as error:
            if os.environ.get("HOLO_TRACEBACK"):
                raise
            message, code = told(error)
            click.echo(printable(message), err=True)
            ctx.exit(code)


def _tell_of_unkept_kernels() -> None:
    """Say that the next run will compile again, if it will; a command that needed no kernel has not even imported that module."""
    arrays = sys.modules.get("holo.arrays")
    if arrays is not None and arrays.unkept_kernels():
        note(
            "note: every run compiles its kernels anew, which takes some seconds, as they could be kept neither beside holo nor in this "
            "user's cache folder; let NUMBA_CACHE_DIR name a folder that can be written and has room"
        )


def told(error: BaseException) -> tuple[str, int]:
    """Message and exit code for an exception that ends a command."""
    match error:
        case HoloError():
            return f"error: {error}", error.exit_code
        case KeyboardInterrupt():
            return "interrupted; no file is left half written", 130
        case MemoryError():
            return f"error: not enough memory ({error or 'no details'})", 1
        case OSError():
            return f"error: {error}", 1
        case _:
            kind = type(error).__name__
            return f"error: this is a fault in holo: {kind}: {error}; please report it, set HOLO_TRACEBACK=1 for details", 1


@click.group(
    cls=Commands,
    commands={name: click.Command(name) for name in NAMES},  # stand for the real ones until these are imported
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="holo")
def main() -> None:
    """Phase masks that put equally bright light on the lattice sites you name.

    Start with "holo demo", or with "holo new DIR" and your own numbers in DIR/bench.toml.

    Trapping light is class 4 and mostly invisible: your laser safety officer, the data sheets and the local rules come first.
    """
