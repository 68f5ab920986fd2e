"""``holo reference``: pages that tell all commands, modules and functions."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from . import options
from .output import note, show

if TYPE_CHECKING:
    from holo.report.reference import CommandPage


@click.command()
@click.argument("folder", metavar="DIR", type=options.FILE)
@options.overwrite
@options.as_json
@click.pass_context
def command(context: click.Context, folder: Path, overwrite: bool, as_json: bool) -> None:
    """Write the reference: a page for each command and each module.

    The pages go into the folder DIR and need no network; begin with index.html. Commands are told with their
    options and examples, modules with all public functions and classes.
    """
    from holo import __version__
    from holo.docstrings import modules
    from holo.files import check_output, write_folder
    from holo.report.reference import documented, reference_pages

    commands, found = list(command_pages(context.find_root())), modules()
    pages = reference_pages(found, commands, __version__)

    def check() -> None:
        for name in pages:
            if (folder / name).exists():
                check_output(folder / name, overwrite)

    write_folder(folder, pages, check)
    names = documented(found)["names"]
    show({"reference": folder / "index.html", "commands": len(commands), "modules": len(found), "names": names}, as_json)
    note(f"next: open {folder / 'index.html'} in a browser")


def command_pages(root: click.Context) -> Iterator[CommandPage]:
    """What there is to tell about each command of the program, in their order."""
    from holo.starters import guides

    text = "\n".join([readme(), *(path.read_text(encoding="utf-8") for path in guides())])
    assert isinstance(root.command, click.Group)
    top = click.Context(root.command, info_name="holo", help_option_names=root.help_option_names)
    for name in root.command.list_commands(root):
        found = root.command.get_command(root, name)
        assert found is not None
        yield _page(click.Context(found, parent=top, info_name=name), text)


def _page(context: click.Context, text: str) -> CommandPage:
    """Tell about one command, and those below it."""
    from inspect import cleandoc

    from holo.docstrings import sessions
    from holo.report.reference import CommandPage

    name, own = context.command_path, context.command
    usage, listed, below = own.get_usage(context).removeprefix("Usage: "), _options(context), []
    if isinstance(own, click.Group):
        for word in own.list_commands(context):
            part = own.commands[word]
            inner = click.Context(part, parent=context, info_name=word)
            below.append((f"{name} {word}", part.get_short_help_str(100)))
            usage += f"\n{part.get_usage(inner).removeprefix('Usage: ')}"
            listed += [(f"{word}: {option}", words) for option, words in _options(inner) if "--help" not in option]
    return CommandPage(name, usage, cleandoc(own.help or ""), listed, below, sessions(text, name))


def _options(context: click.Context) -> list[tuple[str, str]]:
    """Options of a command with what they do; its arguments are told in its help."""
    found = [parameter.get_help_record(context) for parameter in context.command.get_params(context)]
    return [record for record in found if record is not None]


def readme() -> str:
    """Text of the README, which has the examples: of the checkout, or as it was installed; empty if it was left out."""
    from importlib import metadata, resources

    near = Path(str(resources.files("holo"))).parent / "README.md"
    if near.is_file():
        return near.read_text(encoding="utf-8")
    try:
        return str(metadata.metadata("holo").get_payload() or "")  # type: ignore[attr-defined]
    except metadata.PackageNotFoundError:
        return ""
