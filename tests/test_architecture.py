"""Rules of the house that a few lines of syntax tree can hold."""

from __future__ import annotations

import ast
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ORDER = [
    "errors",
    "checks",
    "files",
    "tables",
    "toml_edit",
    "starters",
    "cards",
    "lattice",
    "affine",
    "images",
    "shapes",
    "smooth",
    "arrangement",
    "registration",
    "zernike",
    "exposure",
    "side_files",
    "parts",
    "bench",
    "arrays",
    "plans",
    "field.path",
    "field.grid",
    "field.sites",
    "field.device",
    "field.vector",
    "field.curvature",
    "field.plane",
    "field.window",
    "field.window_gpu",
    "field.pixels",
    "terms",
    "retrieve.trim",
    "retrieve.device",
    "retrieve.stages",
    "retrieve.spots",
    "retrieve.descent",
    "retrieve.descents",
    "retrieve.transport",
    "retrieve.smooth_gpu",
    "retrieve.smooth",
    "retrieve.demands",
    "retrieve.site_phases",
    "retrieve.products",
    "retrieve.dense_gpu",
    "retrieve.dense",
    "retrieve.follow",
    "mask",
    "addends",
    "predict",
    "predict_smooth",
    "atoms",
    "polarizability",
    "band",
    "trap",
    "site_traps",
    "shortfall",
    "record",
    "design",
    "design_smooth",
    "compose",
    "jobs",
    "transition",
    "assignment",
    "paths",
    "rearrange",
    "moves",
    "stream",
    "manifest",
    "sequence",
    "player",
    "screen",
    "loss",
    "rearranger",
    "shelf",
    "serve",
    "work",
    "openapi",
    "service",
    "frames",
    "background",
    "peaks",
    "spot_fit",
    "scene",
    "spot_width",
    "spots",
    "compare",
    "matching",
    "dialogue",
    "register",
    "periods",
    "crowd",
    "naming",
    "survey",
    "track",
    "wavefront",
    "wavefront_fit",
    "scan",
    "patches",
    "probe",
    "sensed",
    "sense",
    "gratings",
    "response_fit",
    "response",
    "site_light",
    "balance",
    "spread",
    "deconvolution",
    "chances",
    "threshold",
    "atom_light",
    "occupancy",
    "twin",
    "link",
    "docstrings",
    "report.style",
    "report.panel",
    "report.pictures",
    "report.page",
    "report.smooth",
    "report.calibration",
    "report.wavefront",
    "report.response",
    "report.balancing",
    "report.atoms",
    "report.moves",
    "report.reference",
    "worker",
    "crew",
    "results",
    "batch",
]
DOORS = {
    "numba": {"arrays"},
    "pyfftw": {"plans"},
    "cupy": {"arrays"},
    "matplotlib": {"report.style"},
    "pygame": {"screen"},
    "dask": set(),
    "distributed": {"crew"},
    "pyarrow": {"results"},
    "click": set(),
}


MODULES = {".".join(path.relative_to(ROOT / "holo").with_suffix("").parts): path for path in (ROOT / "holo").rglob("*.py")}
AT_THE_TOP = {"click", "click.core", "holo", "holo.errors", "holo.starters"}
PINNED = ROOT / "tests/data/public-names.txt"


@cache
def tree(path):
    """Syntax tree of a file, parsed once for all tests of a process."""
    return ast.parse(path.read_text())


@cache
def imports(path, *, typing_too=False):
    """Names of all imported modules; those under TYPE_CHECKING only if asked."""
    found, waiting = set(), [tree(path)]
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING" and not typing_too:
            waiting += node.orelse
            continue
        waiting += [child for child in ast.iter_child_nodes(node) if not isinstance(child, ast.expr)]
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}:{node.lineno}: modules are imported by their whole names"
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


@pytest.mark.parametrize("name", ORDER)
def test_imports_go_down_only(name):
    later = {f"holo.{module}" for module in ORDER[ORDER.index(name) :]}
    found = imports(MODULES[name], typing_too=True)
    assert not found & later
    assert not any(whole.startswith("holo.cli") for whole in found)


def test_every_module_has_its_place_in_the_order():
    plain = {name for name in MODULES if not name.endswith("__init__") and name != "__main__"}
    assert plain == set(ORDER)


def test_packages_hold_no_code_of_their_own():
    """So that the order of their modules is the whole order; holo itself only makes a checkout whole."""
    for name, path in MODULES.items():
        if name.endswith(".__init__"):
            (docstring,) = tree(path).body
            assert isinstance(docstring, ast.Expr), path


def test_only_the_link_knows_the_twin():
    """What the twin is used to test must not see what it hides."""
    users = {name for name, path in MODULES.items() if "holo.twin" in imports(path, typing_too=True)}
    assert users == {"link"}


@pytest.mark.parametrize("library", DOORS)
def test_one_door_to_each_library(library):
    users = {name for name, path in MODULES.items() if any(found.split(".")[0] == library for found in imports(path))}
    assert users == DOORS[library]


def test_commands_import_only_the_command_line_library_at_the_top():
    for path in (ROOT / "cli").glob("*.py"):
        for node in tree(path).body:
            if isinstance(node, ast.Import | ast.ImportFrom) and not getattr(node, "level", 0):
                names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module]
                assert set(names) <= AT_THE_TOP or names[0].split(".")[0] in sys.stdlib_module_names, (path, names)


def test_the_library_does_not_print():
    for path in MODULES.values():
        if "print(" in path.read_text():
            calls = [node for node in ast.walk(tree(path)) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)]
            assert not any(call.func.id == "print" for call in calls), path


def code_lines(path):
    """How many lines of a file are neither empty nor comment nor docstring."""
    documented = [node for node in tree(path).body if isinstance(node, ast.ClassDef | ast.FunctionDef)]
    documented += [node for whole in documented for node in whole.body if isinstance(node, ast.FunctionDef)]
    strings = [
        part
        for whole in (tree(path), *documented)
        for part in whole.body
        if isinstance(part, ast.Expr) and isinstance(part.value, ast.Constant)
    ]
    told = {line for part in strings for line in range(part.lineno, part.end_lineno + 1)}
    lines = enumerate(path.read_text().splitlines(), 1)
    return sum(bool(line.strip()) and not line.lstrip().startswith("#") and number not in told for number, line in lines)


def test_modules_stay_small():
    """One that outgrows 400 lines of code has grown past its purpose: cut it where the physics has a seam."""
    assert not {name: count for name, path in MODULES.items() if (count := code_lines(path)) > 400}


def public_names():
    """A line for each module: what it defines and does not begin with an underscore."""
    lines = []
    for name in ORDER:
        found = []
        for node in tree(MODULES[name]).body:
            if isinstance(node, ast.ClassDef | ast.FunctionDef):
                found.append(node.name)
            elif isinstance(node, ast.Assign | ast.AnnAssign):
                found += [target.id for target in getattr(node, "targets", [getattr(node, "target", None)]) if isinstance(target, ast.Name)]
        lines.append(f"{name}: {' '.join(sorted(word for word in found if not word.startswith('_')))}".rstrip())
    return lines


def test_public_names_are_pinned():
    """A name that users may import neither goes nor comes unseen; ``python tests/test_architecture.py`` writes the list anew."""
    pinned = PINNED.read_text().splitlines()
    assert public_names() == pinned, "if this is meant, run: python tests/test_architecture.py"


if __name__ == "__main__":
    PINNED.write_text("\n".join(public_names()) + "\n")
