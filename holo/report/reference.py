"""The reference: pages of all modules and commands, each of which needs nothing else."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING

from holo.docstrings import ITEMISED, Module, blocks, sections, summary

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup

_QUOTED = re.compile(r"``(.+?)``|`([^`]+?)`")


@dataclass(frozen=True)
class CommandPage:
    r"""What the page of a command tells.

    Attributes
    ----------
    name : str
        Words that call it: ``holo design``.
    usage : str
    help : str
        Paragraphs; one that begins with a line of its own of ``\b`` is set as it is.
    options : sequence of (str, str)
        Options and arguments, and what they do.
    commands : sequence of (str, str)
        Commands below it, and what they do.
    examples : sequence of str
        Sessions.
    """

    name: str
    usage: str
    help: str
    options: Sequence[tuple[str, str]]
    commands: Sequence[tuple[str, str]] = ()
    examples: Sequence[str] = ()


def reference_pages(modules: Sequence[Module], commands: Sequence[CommandPage], version: str) -> dict[str, bytes]:
    """Make all pages.

    Parameters
    ----------
    modules : sequence of Module
    commands : sequence of CommandPage
    version : str
        Of the program.

    Returns
    -------
    dict of str to bytes
        Pages by the names of their files: ``index.html``, one for each module and one for each command, ``command-NAME.html``.
    """
    page = _template(_places(modules)).render
    counted = documented(modules)
    pages = {"index.html": page(view="index", inside="", version=version, modules=modules, commands=commands, counted=counted)}
    for module in modules:
        pages[f"{module.name}.html"] = page(view="module", inside=module.name, version=version, module=module)
    for command in commands:
        pages[command_file(command.name)] = page(view="command", inside="", version=version, command=command)
    return {name: text.encode() for name, text in pages.items()}


def command_file(name: str) -> str:
    """Name of the page of a command.

    Parameters
    ----------
    name : str
        ``holo design``, or ``holo register run``, which is on the page of ``holo register``.

    Returns
    -------
    str
    """
    return f"command-{name.split()[1]}.html"


def documented(modules: Iterable[Module]) -> dict[str, int]:
    """Count names and what their docstrings have.

    Parameters
    ----------
    modules : iterable of Module

    Returns
    -------
    dict of str to int
        ``names``; ``functions``, methods included; ``sections``, those that have a section for their parameters and one for their
        result as far as they have these; ``sentences``, those whose summary tells.
    """
    entries = [entry for module in modules for entry in module.all_entries()]
    functions = [entry for entry in entries if entry.kind in ("function", "method")]
    whole = sum(not missing_sections(entry.signature, entry.doc) for entry in functions)
    return {"names": len(entries), "functions": len(functions), "sections": whole, "sentences": len(functions) - whole}


def missing_sections(signature: str, doc: str) -> list[str]:
    """Tell which sections a function's docstring lacks, going by its signature.

    Parameters
    ----------
    signature, doc : str
        As of `holo.docstrings.Entry`.

    Returns
    -------
    list of str
        Of "Parameters" and "Returns".

    Examples
    --------
    >>> missing_sections("(x: int) -> int", "Twice.")
    ['Parameters', 'Returns']
    >>> missing_sections("() -> None", "Do it.")
    []
    """
    titles = {section.title for section in sections(doc)}
    given = not signature.startswith("()")
    told = not signature.endswith((") -> None", ") -> Never", ")"))
    missing = ["Parameters"] if given and "Parameters" not in titles else []
    return missing + (["Returns"] if told and not titles & {"Returns", "Yields"} else [])


def _places(modules: Iterable[Module]) -> dict[str, str]:
    """Where each name is told, by its full name; a tail that only one of them has stands for it too."""
    full: dict[str, str] = {}
    tails: dict[str, list[str]] = {}
    for module in modules:
        full[module.name] = f"{module.name}.html"
        for entry in module.all_entries():
            full[f"{module.name}.{entry.name}"] = f"{module.name}.html#{entry.name}"
            tails.setdefault(entry.name, []).append(f"{module.name}.html#{entry.name}")
    return {**{tail: found[0] for tail, found in tails.items() if len(found) == 1}, **full}


def _template(places: Mapping[str, str]) -> Template:
    """Compile the page; every text is escaped by it or by `marked`."""
    import jinja2

    @jinja2.pass_context
    def linked(context: jinja2.runtime.Context, text: str, owner: str = "") -> Markup:
        inside = context["inside"]
        return marked(text, places, (f"{inside}.{owner}.", f"{inside}.", "holo.", ""))

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["marked"] = linked
    environment.globals.update(ITEMISED=ITEMISED, sections=sections, blocks=blocks, summary=summary)
    return environment.from_string(resources.files("holo.report").joinpath("reference.html").read_text(encoding="utf-8"))


def marked(text: str, places: Mapping[str, str], scopes: Sequence[str]) -> Markup:
    """Set what stands in backquotes as code, with links to the names that are in the reference.

    Parameters
    ----------
    text : str
    places : mapping of str to str
        Where names are told.
    scopes : sequence of str
        What a name may lack in front, the likeliest first.

    Returns
    -------
    Markup
        HTML; all else is escaped.

    Examples
    --------
    >>> str(marked("``<`` or `Bench`", {"m.Bench": "m.html#Bench"}, ["m."]))
    '<code>&lt;</code> or <a href="m.html#Bench"><code>Bench</code></a>'
    """
    from markupsafe import Markup, escape

    parts: list[Markup] = []
    end = 0
    for found in _QUOTED.finditer(text):
        parts += [escape(text[end : found.start()]), _code(found[1] or found[2], places, scopes if found[2] else ())]
        end = found.end()
    return Markup("").join([*parts, escape(text[end:])])


def _code(name: str, places: Mapping[str, str], scopes: Sequence[str]) -> Markup:
    from markupsafe import Markup

    code = Markup("<code>{}</code>").format(name)
    place = next((places[scope + name] for scope in scopes if scope + name in places), None)
    return code if place is None else Markup('<a href="{}">{}</a>').format(place, code)
