"""The reference: every public name and every command is in it, with what its docstring and its options say."""

from __future__ import annotations

import ast
import json
import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner

import holo.cli.reference
from holo.cli import NAMES, main
from holo.docstrings import ITEMISED, modules, read_module, sections, sessions, summary
from holo.report.reference import CommandPage, documented, missing_sections, reference_pages

ROOT = Path(__file__).parent.parent
MODULES = modules()
ENTRIES = [(module, entry) for module in MODULES for entry in module.all_entries()]
IN_SECTIONS = 0.98
"""Least share of functions whose parameters and results have sections of their own; of the others the summary tells, with the types."""


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("reference") / "pages"
    result = CliRunner().invoke(main, ["reference", str(folder), "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["reference"] == str(folder / "index.html")
    assert told["commands"] == len(NAMES)
    return {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}


class Checker(HTMLParser):
    """Gathers anchors and links, refuses what would be fetched or run, and tags that do not close."""

    def __init__(self):
        super().__init__()
        self.open, self.ids, self.links = [], [], []

    def handle_starttag(self, tag, attrs):
        assert tag not in {"script", "img", "link", "iframe", "object"}
        given = dict(attrs)
        self.ids += [given["id"]] if "id" in given else []
        self.links += [given["href"]] if "href" in given else []
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def checked(page):
    checker = Checker()
    checker.feed(page)
    assert not checker.open
    return checker


# ---------------------------------------------------------------------------------------------------------------------
# pages


def test_every_public_name_has_its_place(pages):
    for module in MODULES:
        ids = checked(pages[f"{module.name}.html"]).ids
        assert len(ids) == len(set(ids)), module.name
        source = (ROOT / (module.name.replace(".", "/") + ".py")).read_text(encoding="utf-8")
        for name in re.findall(r"^(?:def|class) ([a-z]\w*)", source, flags=re.MULTILINE | re.IGNORECASE):
            assert name in ids, (module.name, name)
        assert f'href="{module.name}.html"' in pages["index.html"]


def test_names_are_in_the_order_of_the_source(pages):
    page = pages["holo.mask.html"]
    places = [
        page.index(f'id="{name}"') for name in ("Levels", "Mask", "response_of_levels", "levels_of_phase", "read_mask", "render_levels")
    ]
    assert places == sorted(places)


def test_links_lead_somewhere(pages):
    found = {name: checked(page) for name, page in pages.items()}
    for name, page in found.items():
        for link in page.links:
            file, _, anchor = link.partition("#")
            assert (file or name) in found, (name, link)
            assert not anchor or anchor in found[file or name].ids, (name, link)


def test_a_page_has_what_the_docstring_says(pages):
    text = unescape(re.sub("<[^>]+>", "", pages["holo.predict.html"]))
    for words in ("Share of the power on the panel that lands within the Airy radius", "figures : Figures", "Attributes", "Parameters"):
        assert words in text
    assert '<a href="holo.mask.html#read_mask">' in "".join(pages.values())


def test_texts_are_escaped():
    evil = "<script>alert(1)</script>"
    module = read_module(
        "m", f'"""{evil} `{evil}` ``{evil}``."""\n\ndef f(x="{evil}"):\n    """{evil}\n\n    Returns\n    -------\n    {evil}\n    """\n'
    )
    command = CommandPage(f"holo {evil}", evil, f"{evil}\n\n\b\n{evil}", [(evil, evil)], [(evil, evil)], [evil])
    made = reference_pages([module], [command], evil)
    assert len(made) == 3
    for page in made.values():
        assert b"<script" not in page
        assert b"&lt;script&gt;" in page


# ---------------------------------------------------------------------------------------------------------------------
# docstrings


def test_everything_public_has_a_summary():
    """Fields apart, of which many say all by name, unit and type; the docstring of their class tells what else there is."""
    for module in MODULES:
        assert summary(module.doc).endswith((".", ":")), module.name
    for module, entry in ENTRIES:
        if entry.kind != "field":
            assert summary(entry.doc), f"{module.name}.{entry.name}"


def names_of(items):
    return [name.strip(" *") for item in items for name in item.head.split(" : ")[0].split(",")]


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.name)
def test_sections_are_those_of_the_signature(module):
    """Every parameter in its place, none that there is not, and a result where there is one."""
    for entry in module.all_entries():
        told = {section.title: names_of(section.items) for section in sections(entry.doc)}
        if entry.kind in ("function", "method"):
            if "Parameters" in told:
                assert told["Parameters"] == parameters(entry.signature), entry.name
            if entry.signature.endswith((") -> None", ") -> Never")):
                assert not {"Returns", "Yields"} & set(told), entry.name


def raised(body, owner=""):
    """What functions raise by themselves, by name: exceptions that they call by their own name."""
    for node in body:
        if isinstance(node, ast.ClassDef):
            yield from raised(node.body, f"{node.name}.")
        elif isinstance(node, ast.FunctionDef):
            calls = [inner.exc.func for inner in ast.walk(node) if isinstance(inner, ast.Raise) and isinstance(inner.exc, ast.Call)]
            yield owner + node.name, {call.id for call in calls if isinstance(call, ast.Name) and call.id[0].isupper()}


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.name)
def test_what_is_raised_is_told(module):
    thrown = dict(raised(ast.parse((ROOT / (module.name.replace(".", "/") + ".py")).read_text(encoding="utf-8")).body))
    for entry in module.all_entries():
        if entry.kind in ("function", "method"):
            told = [item.head for section in sections(entry.doc) if section.title == "Raises" for item in section.items]
            assert thrown[entry.name] <= set(", ".join(told).split(", ")), entry.name


def parameters(signature):
    (function,) = ast.parse(f"def f{signature}: ...").body
    given = function.args
    ends = [[given.vararg.arg] if given.vararg else [], [given.kwarg.arg] if given.kwarg else []]
    return [*(one.arg for one in given.posonlyargs + given.args), *ends[0], *(one.arg for one in given.kwonlyargs), *ends[1]]


def test_sections_are_no_rarer_than_they_were():
    counted = documented(MODULES)
    assert counted["sections"] + counted["sentences"] == counted["functions"]
    assert counted["sections"] >= IN_SECTIONS * counted["functions"]


@pytest.mark.parametrize(
    ("signature", "doc", "missing"),
    [
        ("(x: int) -> int", "Twice.", ["Parameters", "Returns"]),
        ("(x: int) -> Iterator[int]", "T.\n\nParameters\n----------\nx : int\n\nYields\n------\nint", []),
        ("() -> None", "Do.", []),
        ("(x: int) -> None", "Do.", ["Parameters"]),
        ("() -> int", "One.", ["Returns"]),
    ],
)
def test_missing_sections(signature, doc, missing):
    assert missing_sections(signature, doc) == missing


def test_sections_with_items_have_some():
    for module, entry in ENTRIES:
        for section in sections(entry.doc):
            assert section.text.strip() or not section.title, (module.name, entry.name)
            assert section.title not in ITEMISED or section.items


# ---------------------------------------------------------------------------------------------------------------------
# commands


@pytest.mark.parametrize("name", NAMES)
def test_every_command_has_a_page_with_its_options_and_an_example(name, pages):
    text = unescape(re.sub("<[^>]+>", "", pages[f"command-{name}.html"]))
    assert f"holo {name} [OPTIONS]" in text
    asked = CliRunner().invoke(main, [name, "--help"]).stdout
    for option in re.findall(r"^  (?:-\w, )?(--[\w-]+)", asked, flags=re.MULTILINE):
        assert option in text
    example = text.partition("$ holo ")[2]
    assert example.startswith((f"{name} ", f"{name}\n")), f"the README shows no session of holo {name}"
    assert len(example.splitlines()) > 1


def test_commands_below_a_command_are_told(pages):
    text = unescape(re.sub("<[^>]+>", "", pages["command-balance.html"]))
    for words in ("holo balance apply", "run: --link LINK", "holo balance start"):
        assert words in text


def test_sessions_end_at_the_next_command():
    text = "```console\n$ holo a x\n1\n$ cd x\n$ holo ab y\n2\n```\n\n```sh\n$ holo a z\n```\n"
    assert sessions(text, "holo a") == ["$ holo a x\n1\n$ cd x"]
    assert sessions(text, "holo ab") == ["$ holo ab y\n2"]
    assert sessions(text, "holo c") == []


def test_a_readme_that_was_left_out(monkeypatch, tmp_path):
    monkeypatch.setattr(holo.cli.reference, "readme", lambda: "")
    result = CliRunner().invoke(main, ["reference", str(tmp_path / "pages")])
    assert result.exit_code == 0, result.output
    assert "Example" not in (tmp_path / "pages" / "command-batch.html").read_text()


def test_nothing_is_overwritten_unasked(tmp_path):
    folder = tmp_path / "pages"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    (folder / "index.html").write_text("mine")
    result = CliRunner().invoke(main, ["reference", str(folder)])
    assert result.exit_code == 2
    assert "exists already" in result.stderr
    assert (folder / "index.html").read_text() == "mine"
    assert CliRunner().invoke(main, ["reference", str(folder), "--overwrite"]).exit_code == 0
    assert (folder / "mine.txt").read_text() == "mine"
    assert "holo design" in (folder / "index.html").read_text()
    result = CliRunner().invoke(main, ["reference", str(tmp_path / "no" / "folder")])
    assert result.exit_code == 2
    assert "cannot be written" in result.stderr
