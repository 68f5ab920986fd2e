"""Rules of the house that a few lines of syntax tree can hold."""

from __future__ import annotations

import ast
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
    "matplotlib": {
        f"report.{name}" for name in ("style", "pictures", "smooth", "calibration", "wavefront", "response", "balancing", "atoms", "moves")
    },
    "pygame": {"screen"},
    "dask": {"crew"},
    "distributed": {"crew"},
    "pyarrow": {"results"},
    "click": set(),
}


def modules():
    return {".".join(path.relative_to(ROOT / "holo").with_suffix("").parts): path for path in (ROOT / "holo").rglob("*.py")}


def imports(path, *, typing_too=False):
    """Names of all imported modules; those under TYPE_CHECKING only if asked."""
    tree = ast.parse(path.read_text())
    skipped = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING" and not typing_too:
            skipped |= {inner for part in node.body for inner in ast.walk(part)}
    for node in ast.walk(tree):
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("name", ORDER)
def test_imports_go_down_only(name):
    later = {f"holo.{module}" for module in ORDER[ORDER.index(name) :]} | {"holo.cli"}
    found = set(imports(modules()[name], typing_too=True))
    assert not found & later


def test_every_module_has_its_place_in_the_order():
    plain = {name for name in modules() if not name.endswith("__init__") and name != "__main__"}
    assert plain == set(ORDER)


def test_packages_hold_no_code_of_their_own():
    """So that the order of their modules is the whole order; holo itself only makes a checkout whole."""
    for name, path in modules().items():
        if name.endswith(".__init__"):
            (docstring,) = ast.parse(path.read_text()).body
            assert isinstance(docstring, ast.Expr), path


def test_only_the_link_knows_the_twin():
    """What the twin is used to test must not see what it hides."""
    users = {name for name, path in modules().items() if "holo.twin" in imports(path, typing_too=True)}
    assert users <= {"link"}


@pytest.mark.parametrize("library", DOORS)
def test_one_door_to_each_library(library):
    users = {name for name, path in modules().items() if any(found.split(".")[0] == library for found in imports(path))}
    assert users <= DOORS[library]


def test_commands_import_only_the_command_line_library_at_the_top():
    for path in (ROOT / "cli").glob("*.py"):
        for node in ast.parse(path.read_text()).body:
            if isinstance(node, ast.Import | ast.ImportFrom):
                names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""]
                for name in names:
                    assert name.split(".")[0] not in {"numpy", "scipy", "numba", "matplotlib", "tifffile", "PIL", "pyfftw"}, (path, name)


def test_the_library_does_not_print():
    for path in modules().values():
        calls = [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)]
        assert not any(call.func.id == "print" for call in calls), path
