"""What the reference is made of: public names with their docstrings, read from the source without running it, and sessions of a text.

Docstrings are in the form of numpydoc (https://numpydoc.readthedocs.io): a summary, text, and sections with underlined titles.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable
from inspect import cleandoc

SECTIONS = ("Parameters", "Attributes", "Returns", "Yields", "Raises", "Warns", "See Also", "Notes", "References", "Examples")
"""Titles of the sections of a docstring."""

ITEMISED = ("Parameters", "Attributes", "Returns", "Yields", "Raises", "Warns")
"""Sections that are lists of heads (a name, a type, both) with text below each."""

SESSION_KINDS = ("console", "text", "shell-session")
"""What blocks of code call themselves that show commands with what these print."""


@dataclass(frozen=True)
class Item:
    """One entry of a section.

    Attributes
    ----------
    head : str
        Name and type, as ``name : type``, or one of both.
    text : str
        What is said about it; may be empty.
    """

    head: str
    text: str


@dataclass(frozen=True)
class Section:
    """One section of a docstring.

    Attributes
    ----------
    title : str
        One of `SECTIONS`; empty for the text before the first of them.
    text : str
        All of it.
    items : tuple of Item
        The same cut up, in those that are `ITEMISED`; empty in others.
    """

    title: str
    text: str
    items: tuple[Item, ...] = ()


@dataclass(frozen=True)
class Entry:
    """A public name.

    Attributes
    ----------
    name : str
        Without its module; of what a class holds, with the class: ``Bench.field_um``.
    kind : str
        class, function, method, property, field or constant.
    signature : str
        What follows the name in the source: parameters and result, bases, type, or the value of a constant.
    doc : str
        The docstring; of fields and constants the string below them. Empty if there is none.
    parts : tuple of Entry
        What a class holds.
    """

    name: str
    kind: str
    signature: str
    doc: str
    parts: tuple[Entry, ...] = ()


@dataclass(frozen=True)
class Module:
    """A module.

    Attributes
    ----------
    name : str
        With the package.
    doc : str
    entries : tuple of Entry
        In the order of the source.
    """

    name: str
    doc: str
    entries: tuple[Entry, ...]

    def all_entries(self) -> Iterator[Entry]:
        """Entries, each before its parts.

        Yields
        ------
        Entry
        """
        for entry in self.entries:
            yield entry
            yield from entry.parts


# ---------------------------------------------------------------------------------------------------------------------
# the source


def modules() -> list[Module]:
    """Read all public modules of the package, those of the package itself first, then package by package.

    Returns
    -------
    list of Module
    """
    return [read_module(name, file.read_text(encoding="utf-8")) for name, file in _sources("holo", resources.files("holo"))]


def _sources(package: str, folder: Traversable) -> Iterator[tuple[str, Traversable]]:
    inside = sorted(folder.iterdir(), key=lambda place: place.name)
    for file in inside:
        if file.name.endswith(".py") and not file.name.startswith("_"):
            yield f"{package}.{file.name.removesuffix('.py')}", file
    for place in inside:
        if place.name not in ("cli", "patterns") and place.is_dir() and place.joinpath("__init__.py").is_file():
            yield from _sources(f"{package}.{place.name}", place)


def read_module(name: str, source: str) -> Module:
    """Read the public names of a module; nothing of it is run.

    Parameters
    ----------
    name : str
    source : str
        Text of the file.

    Returns
    -------
    Module

    Examples
    --------
    >>> [(entry.name, entry.signature) for entry in read_module("m", "def twice(x: int) -> int: return 2 * x").entries]
    [('twice', '(x: int) -> int')]
    """
    tree = ast.parse(source)
    return Module(name, ast.get_docstring(tree) or "", tuple(_entries(tree.body, "")))


def _entries(body: list[ast.stmt], owner: str) -> Iterator[Entry]:
    for node, following in zip(body, [*body[1:], None], strict=True):
        match node:
            case ast.FunctionDef(name=name) if _public(name) and not _is_repeated(node):
                yield _function(node, owner)
            case ast.ClassDef(name=name) if _public(name):
                bases = ", ".join(map(ast.unparse, node.bases))
                parts = tuple(_entries(node.body, f"{name}."))
                yield Entry(name, "class", f"({bases})" if bases else "", ast.get_docstring(node) or "", parts)
            case ast.Assign() | ast.AnnAssign():
                yield from _values(node, following, owner)


def _public(name: str) -> bool:
    return not name.startswith("_")


def _is_repeated(node: ast.FunctionDef) -> bool:
    """Whether this is one of several forms of a name, of which the last one is told (overloads, setters)."""
    return any(ast.unparse(mark).endswith(("overload", ".setter")) for mark in node.decorator_list)


def _function(node: ast.FunctionDef, owner: str) -> Entry:
    marks = [ast.unparse(mark) for mark in node.decorator_list]
    result = f" -> {ast.unparse(node.returns)}" if node.returns else ""
    doc = ast.get_docstring(node) or ""
    if any(mark.endswith("property") for mark in marks):
        return Entry(owner + node.name, "property", result, doc)
    arguments = node.args
    if owner and "staticmethod" not in marks:  # the object itself is not the caller's to give
        arguments = ast.arguments(**{**vars(arguments), "args": arguments.args[1:]})
    return Entry(owner + node.name, "method" if owner else "function", f"({ast.unparse(arguments)}){result}", doc)


def _values(node: ast.Assign | ast.AnnAssign, following: ast.stmt | None, owner: str) -> Iterator[Entry]:
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    names = [
        name.id for target in targets for name in (target.elts if isinstance(target, ast.Tuple) else [target]) if isinstance(name, ast.Name)
    ]
    told = following.value if isinstance(following, ast.Expr) else None
    doc = cleandoc(told.value) if isinstance(told, ast.Constant) and isinstance(told.value, str) else ""
    signature = f": {ast.unparse(node.annotation)}" if isinstance(node, ast.AnnAssign) else ""
    value = ast.unparse(node.value) if node.value else ""
    signature += f" = {value if len(value) <= 80 else '...'}" if value else ""
    for name in names:
        if _public(name) and (owner or doc):  # a constant without a word is a short name for a type, or the module's own affair
            yield Entry(owner + name, "field" if owner else "constant", signature, doc)


# ---------------------------------------------------------------------------------------------------------------------
# docstrings


def sections(doc: str) -> list[Section]:
    r"""Cut a docstring into its sections.

    Parameters
    ----------
    doc : str
        Without common indentation.

    Returns
    -------
    list of Section
        The first one, without a title, is the summary and what follows it.

    Examples
    --------
    >>> doc = "Twice a number.\n\nParameters\n----------\nx : int\n    The number."
    >>> [(section.title, section.items) for section in sections(doc)]
    [('', ()), ('Parameters', (Item(head='x : int', text='The number.'),))]
    """
    parts = re.split(rf"^({'|'.join(SECTIONS)})\n-+$", doc, flags=re.MULTILINE)
    found = [Section("", parts[0].strip())]
    for title, text in zip(parts[1::2], parts[2::2], strict=True):
        found.append(Section(title, text.strip("\n").rstrip(), _items(text) if title in ITEMISED else ()))
    return found


def _items(text: str) -> tuple[Item, ...]:
    heads = re.split(r"^(?=\S)", text.strip("\n"), flags=re.MULTILINE)
    cut = [part.partition("\n") for part in heads if part.strip()]
    return tuple(Item(head.strip(), cleandoc("\n" + rest)) for head, _, rest in cut)


def summary(doc: str) -> str:
    """Give the first paragraph of a docstring, on one line.

    Parameters
    ----------
    doc : str

    Returns
    -------
    str
    """
    return " ".join(doc.split("\n\n")[0].split())


def blocks(text: str) -> list[tuple[str, str]]:
    r"""Cut a text into paragraphs, lists and what is to be set as it is.

    Parameters
    ----------
    text : str

    Returns
    -------
    list of (str, str)
        Kind, "text", "item" or "code", and content.

    Examples
    --------
    >>> blocks("One\nline.\n\n- a\n- b\n\n>>> 1 + 1\n2")
    [('text', 'One line.'), ('item', 'a'), ('item', 'b'), ('code', '>>> 1 + 1\n2')]
    """
    found: list[tuple[str, str]] = []
    for paragraph in re.split(r"\n\s*\n", text.strip("\n")):
        if paragraph.startswith((">>>", " ")):
            found.append(("code", paragraph))
        elif paragraph.startswith("- "):
            found.extend(("item", " ".join(item.split())) for item in re.split(r"^- ", paragraph, flags=re.MULTILINE) if item)
        elif paragraph.strip():
            found.append(("text", " ".join(paragraph.split())))
    return found


# ---------------------------------------------------------------------------------------------------------------------
# sessions


def sessions(text: str, command: str) -> list[str]:
    r"""Find the parts of a text in Markdown that show a command with what it prints.

    Parameters
    ----------
    text : str
    command : str
        Its words: ``holo design``.

    Returns
    -------
    list of str
        From its prompt to the next command of the program; other commands in between (``cd``, ``curl``) go along.

    Examples
    --------
    >>> sessions("```console\n$ holo check a\nname a\n$ holo design b\n```", "holo check")
    ['$ holo check a\nname a']
    """
    kinds = "|".join(SESSION_KINDS)
    shown = re.findall(rf"^```(?:{kinds})\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)
    program = command.split()[0]
    parts = [part.rstrip() for block in shown for part in re.split(rf"^(?=\$ {program} )", block, flags=re.MULTILINE)]
    return [part for part in parts if f"{part.split(chr(10))[0]} ".startswith(f"$ {command} ")]
