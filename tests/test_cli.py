"""The commands: what they print, what they write, and what they return."""

from __future__ import annotations

import html
import json
import os
import re
import select
import shlex
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image
from shown import NOISY, assert_printed, blocks

import holo
from holo.bench import demo_bench_text
from holo.cli import NAMES, main
from holo.cli.design import command as design_command
from holo.cli.output import show
from holo.errors import InputError, RetrievalError
from holo.mask import read_mask, write_mask
from holo.retrieve.spots import EFFORTS
from holo.starters import patterns

ARRANGEMENT = 'title = "nine and a hole"\n[[add]]\nblock = [3, 3]\n[[remove]]\nsites = [[1, 1]]\n[dark]\nmargin = 1\n'

REGISTRATION = 'time = "2025-06-30T14:05:00+02:00"\n[lattice_to_plane]\nmatrix = [[3.1, 0.2], [-0.2, 3.1]]\noffset = [5.0, 4.5]\n'

DRIFTED = 'time = "2025-06-30T14:05:00+02:00"\n[lattice_to_plane]\nmatrix = [[3.03, 0.0], [0.0, 3.0]]\noffset = [6.4, 3.3]\n'


def holo_(*args):
    """Run a command in this process; the strings of a path may be paths."""
    return CliRunner().invoke(main, [str(arg) for arg in args], catch_exceptions=False)


def result_of(*args):
    """The JSON object that a command prints, all else being well."""
    run = holo_(*args, "--json")
    assert run.exit_code == 0, run.stderr
    return json.loads(run.stdout)


def process(*args, cwd, **env):
    """Run ``python -m holo`` in a process of its own."""
    with start(*args, cwd=cwd, **env) as started:
        out, err = started.communicate(timeout=120)
    return subprocess.CompletedProcess(args, started.returncode, out, err)


@contextmanager
def start(*args, cwd, stderr=subprocess.PIPE, **env):
    """A process with ``python -m holo``, which does not outlive the block."""
    where = str(Path(holo.__file__).parent.parent)
    with subprocess.Popen(
        [sys.executable, "-m", "holo", *map(str, args)],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": where, **env},
        stdout=subprocess.PIPE,
        stderr=stderr,
        text=True,
    ) as started:
        try:
            yield started
        finally:
            started.kill()


def contents(folder):
    """Every file below a folder with its bytes."""
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="session")
def made(tmp_path_factory, small_bench_text):
    """A folder with a small bench, an arrangement, a registration and a mask, that tests only read."""
    folder = tmp_path_factory.mktemp("made")
    (folder / "bench.toml").write_text(small_bench_text())
    (folder / "holes.toml").write_text(ARRANGEMENT)
    (folder / "registration.toml").write_text(REGISTRATION)
    (folder / "drifted.toml").write_text(DRIFTED)
    result_of("design", folder / "holes.toml", "--bench", folder / "bench.toml", "-o", folder / "mask.tiff", "--effort", "quick")
    return folder


# ---------------------------------------------------------------------------------------------------------------------
# the group


STEPS = ("start", "step", "run")
GROUPS = {"register": STEPS, "response": STEPS, "sense": STEPS, "balance": (*STEPS, "apply")}


@pytest.mark.parametrize("name", NAMES)
def test_every_command_has_help(name):
    words = [(name, part) for part in GROUPS[name]] if name in GROUPS else [(name,)]
    for command in words:
        run = holo_(*command, "--help")
        assert run.exit_code == 0
        assert f"{' '.join(command)} [OPTIONS]" in run.stdout
        assert "--json" in run.stdout
        assert not run.stderr


def test_help_lists_the_commands_with_whole_sentences():
    text = holo_("--help").stdout
    for name in NAMES:
        assert re.search(rf"^  {name} .*\.$", text, re.MULTILINE)
        assert not re.search(rf"^  {name} .*\.\.\.$", text, re.MULTILINE)
    assert "_HOLO_COMPLETE" in text


def test_version():
    assert holo_("--version").stdout.split() == ["holo,", "version", holo.__version__]


def test_efforts_are_those_of_the_engine():
    choices = next(parameter for parameter in design_command.params if parameter.name == "effort").type.choices
    assert list(choices) == list(EFFORTS)


def test_help_loads_no_heavy_module_and_answers_at_once(tmp_path):
    where = {**os.environ, "PYTHONPATH": str(Path(holo.__file__).parent.parent)}
    traced = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "holo", "--help"], env=where, capture_output=True, text=True, cwd=tmp_path
    )
    loaded = {line.rsplit("|", 1)[-1].strip().split(".")[0] for line in traced.stderr.splitlines()}
    assert "click" in loaded
    assert not loaded & {"numpy", "scipy", "numba", "matplotlib", "tifffile", "pyfftw", "PIL", "jinja2"}
    seconds = []
    for _ in range(5):
        begin = time.perf_counter()
        assert process("--help", cwd=tmp_path).returncode == 0
        seconds.append(time.perf_counter() - begin)
    assert min(seconds) < 0.4


def test_completion_offers_the_commands(tmp_path):
    run = process(cwd=tmp_path, _HOLO_COMPLETE="bash_complete", COMP_WORDS="holo de", COMP_CWORD="1")
    assert run.stdout.split() == ["plain,demo", "plain,design"]


# ---------------------------------------------------------------------------------------------------------------------
# each command


def test_new_writes_a_bench_and_all_patterns(tmp_path):
    told = result_of("new", tmp_path / "lab")
    assert told["bench"] == str(tmp_path / "lab" / "bench.toml")
    assert told["arrangements"] == list(patterns())
    assert len(told["arrangements"]) >= 20
    assert {path.name for path in (tmp_path / "lab" / "patterns").iterdir()} == {f"{name}.toml" for name in told["arrangements"]}
    assert result_of("check", told["bench"])["name"] == "demo bench"


def test_new_keeps_what_is_there(tmp_path):
    (tmp_path / "patterns").mkdir()
    (tmp_path / "patterns" / "ring.toml").write_text("mine")
    (tmp_path / "notes.txt").write_text("mine too")
    before = contents(tmp_path)
    refused = holo_("new", tmp_path)
    assert refused.exit_code == 2
    assert "ring.toml: exists already; use --overwrite" in refused.stderr
    assert contents(tmp_path) == before
    assert holo_("new", tmp_path, "--overwrite").exit_code == 0
    assert (tmp_path / "patterns" / "ring.toml").read_text() != "mine"
    assert (tmp_path / "notes.txt").read_text() == "mine too"


def test_check_prints_numbers_and_warns_beside_them(made, tmp_path, small_bench_text):
    told = result_of("check", made / "bench.toml")
    # 0.6098 lambda / NA, lambda f / pitch and 2 NA f / relay magnification, with the numbers of the small bench
    assert told["airy_radius_um"] == pytest.approx(0.6098 * 0.7 / 0.6, rel=1e-4)
    assert told["field_um"] == pytest.approx(0.7 * 4000 / 6 / 10)
    assert told["pupil_diameter_mm"] == pytest.approx(2 * 0.6 * 4 / 6)
    assert told["warnings"] == []
    (tmp_path / "infrared.toml").write_text(small_bench_text(light__wavelength_nm=938.0))
    run = holo_("check", tmp_path / "infrared.toml")
    assert "warning" not in run.stdout
    assert re.search("^warning: .*cannot be seen.*laser safety officer", run.stderr)
    assert re.search(r"^airy radius +0\.95338 um$", run.stdout, re.MULTILINE)
    assert "cannot be seen" in result_of("check", tmp_path / "infrared.toml")["warnings"][0]


def test_check_tells_what_design_will_refuse(made, tmp_path):
    (tmp_path / "far.toml").write_text("[[add]]\nsites = [[0, 0], [9, 0]]\n")
    told = result_of("check", made / "bench.toml", "--arrangement", tmp_path / "far.toml")
    assert re.search(r"^holo design will refuse this arrangement: site \(9, 0\) at .*: found outside the field", told["warnings"][0])
    assert result_of("check", made / "bench.toml", "--arrangement", made / "holes.toml")["warnings"] == []


def test_design_prints_the_figures_of_its_mask(made, tmp_path):
    told = result_of("design", made / "holes.toml", "--bench", made / "bench.toml", "-o", tmp_path / "mask.tiff")
    assert told["mask"] == str(tmp_path / "mask.tiff")
    assert (told["sites"], told["bright"]) == (8 + 1 + 12, 8)
    assert told["uniformity"] > 0.99
    assert 0 < told["power_fraction"] < told["efficiency"] < 1
    assert 0 <= told["crosstalk_mean"] <= told["crosstalk_max"] < 0.2
    assert told["converged"] is True
    assert told["iterations"] > 0
    assert told["seconds"] > 0
    assert told["spread"] < 0.01
    assert "report" not in told
    predicted = result_of("predict", tmp_path / "mask.tiff", "--bench", made / "bench.toml")
    for key in ("sites", "efficiency", "power_fraction", "uniformity", "spread", "crosstalk_max", "crosstalk_mean"):
        assert predicted[key] == told[key]
    assert list(contents(tmp_path)) == [tmp_path / "mask.tiff"]


def test_design_takes_a_starter_pattern_by_name(tmp_path, small_bench_text):
    (tmp_path / "bench.toml").write_text(small_bench_text(lattice__vectors_um=[[1.3, 0.0], [0.0, 1.3]], lattice__origin_um=[1.0, 1.0]))
    told = result_of("design", "ring", "--bench", tmp_path / "bench.toml", "-o", tmp_path / "mask.tiff", "--effort", "quick")
    assert Path(read_mask(told["mask"]).record["arrangement"]["path"]).name == "ring.toml"


def test_design_options_reach_the_engine(made, tmp_path):
    arguments = ["design", made / "holes.toml", "--bench", made / "bench.toml", "-o", tmp_path / "mask.tiff", "--overwrite"]
    assert result_of(*arguments)["converged"] is True
    arguments += ["--effort", "high", "--seed", 7, "--iterations", 1, "--uniformity", 1 - 1e-15]
    run = holo_(*arguments)
    assert run.exit_code == 0
    assert re.search(r"^converged +no$", run.stdout, re.MULTILINE)
    assert re.search(r"^warning: the search ended after \d+ iterations", run.stderr)
    record = read_mask(tmp_path / "mask.tiff").record
    told = {"effort": "high", "iterations": 1, "uniformity": 1 - 1e-15, "engine": "spots", "polarisation": "scalar"}
    assert record["options"] == told | {"device": "cpu"}
    assert record["seed"] == 7


def test_design_and_predict_follow_a_registration(made, tmp_path):
    measured = ["--registration", made / "registration.toml"]
    told = result_of("design", made / "holes.toml", "--bench", made / "bench.toml", "-o", tmp_path / "m.tiff", *measured)
    again = ["predict", told["mask"], "--bench", made / "bench.toml"]
    for given in ([], measured, ["--arrangement", made / "holes.toml"], ["--arrangement", made / "holes.toml", *measured]):
        assert result_of(*again, *given)["efficiency"] == told["efficiency"]
    # the light of the mask for the nominal lattice misses the sites of the registration
    missed = result_of("predict", made / "mask.tiff", "--bench", made / "bench.toml", *measured)
    assert missed["efficiency"] < 0.5 * told["efficiency"]


STRANGE = "Größe µ 格子 it's & <b>"


def test_design_writes_a_report(made, tmp_path):
    """Into a place, and from files, with names that shells, encodings and pages could get wrong."""
    folder = tmp_path / STRANGE
    sites, bench = tmp_path / f"{STRANGE}.toml", tmp_path / f"bench {STRANGE}.toml"
    for path, name in ((sites, "holes.toml"), (bench, "bench.toml")):
        path.write_bytes((made / name).read_bytes())
    arguments = ["design", sites, "--bench", bench, "-o", tmp_path / "mask.tiff", "--report", folder]
    told = result_of(*arguments)
    assert told["report"] == str(folder / "report.html")
    summary = json.loads((folder / "summary.json").read_text())
    assert summary["uniformity"] == told["uniformity"]
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "nine and a hole" in page
    assert STRANGE in html.unescape(page)
    assert STRANGE not in page  # its <b> would be read as a tag
    before = contents(tmp_path)
    (tmp_path / "mask.tiff").unlink()
    refused = holo_(*arguments)
    assert refused.exit_code == 2
    assert "--overwrite" in refused.stderr
    assert contents(tmp_path) == {path: content for path, content in before.items() if path != tmp_path / "mask.tiff"}


def test_design_again_makes_the_same_mask(made, tmp_path):
    nudged = tmp_path / "nudged.tiff"
    assert holo_("nudge", made / "mask.tiff", "-o", nudged, "--by-um", 0.5, -0.25).exit_code == 0
    for original in (made / "mask.tiff", nudged):
        told = result_of("design", "--again", original, "-o", tmp_path / "again.tiff", "--overwrite")
        assert told["same_mask"] is True
        assert (tmp_path / "again.tiff").read_bytes()[-80 * 96 * 4 :] == original.read_bytes()[-80 * 96 * 4 :]


@pytest.mark.parametrize("rows", [slice(None, None, -1), slice(1, None)])
def test_design_again_says_when_the_mask_differs(made, tmp_path, rows):
    with tifffile.TiffFile(made / "mask.tiff") as file:
        levels, phase, record = file.pages[0].asarray(), file.pages[1].asarray(), file.pages[0].description
    with tifffile.TiffWriter(tmp_path / "other.tiff") as file:
        file.write(levels[rows], description=record, metadata=None)
        file.write(phase[rows], metadata=None)
    run = holo_("design", "--again", tmp_path / "other.tiff", "-o", tmp_path / "again.tiff")
    assert run.exit_code == 0
    assert re.search(r"warning: the new mask differs from .*other\.tiff", run.stderr)
    assert re.search(r"^same mask +no$", run.stdout, re.MULTILINE)


def test_where_there_is_no_gpu_one_message_says_so_and_the_cpu_goes_on(made, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", None)  # as if it were not installed
    asked = ["design", made / "holes.toml", "--bench", made / "bench.toml", "--effort", "quick", "--overwrite", "-o", tmp_path / "m.tiff"]
    run = holo_(*asked, "--device", "gpu")
    assert run.exit_code == 0
    assert len(re.findall(r"device gpu: cupy cannot be imported .*; the CPU goes on", run.stderr)) == 1
    assert read_mask(tmp_path / "m.tiff").record["options"]["device"] == "cpu"
    assert "device" not in holo_(*asked, "--device", "auto").stderr
    refused = holo_(*asked, "--device", "tpu")
    assert refused.exit_code == 2
    assert "device: found 'tpu'; allowed: cpu, gpu, auto" in refused.stderr


def test_design_again_says_that_another_device_made_the_mask(made, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", None)
    with tifffile.TiffFile(made / "mask.tiff") as file:
        levels, phase, record = file.pages[0].asarray(), file.pages[1].asarray(), json.loads(file.pages[0].description)
    record["options"]["device"] = "gpu"
    with tifffile.TiffWriter(tmp_path / "other.tiff") as file:
        file.write(levels[::-1], description=json.dumps(record), metadata=None)
        file.write(phase[::-1], metadata=None)
    run = holo_("design", "--again", tmp_path / "other.tiff", "-o", tmp_path / "again.tiff")
    assert run.exit_code == 0
    assert "device gpu: cupy cannot be imported" in run.stderr
    assert "it was made on a gpu, and another device rounds otherwise" in run.stderr


def test_design_again_says_that_other_plans_made_the_mask(made, tmp_path):
    with tifffile.TiffFile(made / "mask.tiff") as file:
        levels, phase, record = file.pages[0].asarray(), file.pages[1].asarray(), json.loads(file.pages[0].description)
    assert re.fullmatch("[0-9a-f]{8}|estimated", record["plans"])
    record["plans"] = "of another folder"
    with tifffile.TiffWriter(tmp_path / "other.tiff") as file:
        file.write(levels[::-1], description=json.dumps(record), metadata=None)
        file.write(phase[::-1], metadata=None)
    run = holo_("design", "--again", tmp_path / "other.tiff", "-o", tmp_path / "again.tiff")
    assert run.exit_code == 0
    assert "other timed Fourier plans were used than the cache folder holds now" in run.stderr


def test_nudge_moves_the_light_to_where_it_says(made, tmp_path):
    before = result_of("predict", made / "mask.tiff", "--bench", made / "bench.toml")
    told = result_of("nudge", made / "mask.tiff", "-o", tmp_path / "nudged.tiff", "--by-um", -3, 3, "--focus-um", 0.5)
    assert (told["by_um"], told["focus_um"], told["nudges"]) == ([-3, 3], 0.5, 1)
    moved = tmp_path / "moved.toml"
    moved.write_text(ARRANGEMENT.replace("block = [3, 3]", "block = [3, 3]\nat = [-1, 1]\nz_um = 0.5").replace("[1, 1]", "[0, 2]"))
    found = result_of("predict", tmp_path / "nudged.tiff", "--bench", made / "bench.toml", "--arrangement", moved)
    assert found["efficiency"] == pytest.approx(before["efficiency"], rel=0.05)
    assert result_of("predict", tmp_path / "nudged.tiff", "--bench", made / "bench.toml")["efficiency"] == pytest.approx(
        found["efficiency"]
    )
    back = result_of("nudge", tmp_path / "nudged.tiff", "-o", tmp_path / "back.tiff", "--by-um", 3, -3, "--focus-um", -0.5)
    assert back["nudges"] == 2
    difference = np.exp(1j * (read_mask(tmp_path / "back.tiff").phase - read_mask(made / "mask.tiff").phase))
    assert np.abs(difference - 1).max() < 1e-5


def test_nudge_follows_a_registration(made, tmp_path):
    before = result_of("predict", made / "mask.tiff", "--bench", made / "bench.toml")
    follow = ["--follow", made / "drifted.toml"]
    told = result_of("nudge", made / "mask.tiff", "-o", tmp_path / "there.tiff", *follow, "--focus-um", 0.5)
    # the middle of the eight bright sites is (1, 1): 3 um, 3 um from (0, 0), on a lattice stretched by 1 % along x
    assert told["by_um"] == pytest.approx([0.4 + 0.03, -0.7])
    assert told["largest_offset_um"] == pytest.approx(0.03)
    assert (told["registration"], told["focus_um"], told["nudges"]) == (str(made / "drifted.toml"), 0.5, 1)
    assert read_mask(tmp_path / "there.tiff").record["nudges"] == [{"x_um": told["by_um"][0], "y_um": told["by_um"][1], "focus_um": 0.5}]
    result_of("nudge", tmp_path / "there.tiff", "-o", tmp_path / "flat.tiff", "--by-um", 0, 0, "--focus-um", -0.5)
    found = result_of("predict", tmp_path / "flat.tiff", "--bench", made / "bench.toml", "--registration", made / "drifted.toml")
    assert found["efficiency"] == pytest.approx(before["efficiency"], rel=0.05)
    again = result_of("nudge", tmp_path / "flat.tiff", "-o", tmp_path / "again.tiff", *follow)
    assert again["by_um"] == [0, 0]
    assert np.array_equal(read_mask(tmp_path / "again.tiff").levels, read_mask(tmp_path / "flat.tiff").levels)
    assert result_of("design", "--again", tmp_path / "again.tiff", "-o", tmp_path / "remade.tiff")["same_mask"] is True


def test_nudge_warns_when_the_lattice_is_another_one(made, tmp_path):
    run = holo_("nudge", made / "mask.tiff", "-o", tmp_path / "n.tiff", "--follow", made / "registration.toml")
    assert run.exit_code == 0
    # the vectors are (0.1, -0.2) and (0.2, 0.1) um longer, so a corner site lies hypot(0.3, 0.1) um off, of hypot(3.1, 0.2) um
    assert re.search(
        r"^warning: after the move a site still lies 0\.316 um, 0\.1 of the spacing, .*: design the mask again with --registration",
        run.stderr,
    )
    assert not holo_("nudge", made / "mask.tiff", "-o", tmp_path / "m.tiff", "--follow", made / "drifted.toml").stderr


def test_nudge_takes_a_bench_and_says_when_it_cannot_check_the_sites(made, tmp_path, small_bench_text):
    (tmp_path / "bench.toml").write_text(small_bench_text())
    (tmp_path / "sites.csv").write_text("i,j\n0,0\n1,2\n")
    (tmp_path / "csv.toml").write_text('[[add]]\nsites_csv = "sites.csv"\n')
    mask = result_of("design", tmp_path / "csv.toml", "--bench", tmp_path / "bench.toml", "-o", tmp_path / "m.tiff", "--effort", "quick")[
        "mask"
    ]
    (tmp_path / "sites.csv").unlink()
    run = holo_("nudge", mask, "-o", tmp_path / "n.tiff", "--by-um", 1, 1, "--bench", made / "bench.toml")
    assert run.exit_code == 0
    assert "warning: whether the sites stay inside the field is not known" in run.stderr
    assert "sites.csv" in run.stderr


def test_predict_warns_of_another_bench(made, tmp_path, small_bench_text):
    (tmp_path / "other.toml").write_text(small_bench_text(panel__fill_factor=0.5))
    run = holo_("predict", made / "mask.tiff", "--bench", tmp_path / "other.toml")
    assert run.exit_code == 0
    assert "other.toml: is not the bench that the mask was made for" in run.stderr
    assert not holo_("predict", made / "mask.tiff", "--bench", made / "bench.toml").stderr


def test_inspect_shows_the_record(made):
    told = result_of("inspect", made / "mask.tiff")
    assert (told["columns"], told["rows"]) == (96, 80)
    assert told["record"] == read_mask(made / "mask.tiff").record
    text = holo_("inspect", made / "mask.tiff").stdout
    assert re.search(r"^options +effort quick, engine spots, polarisation scalar, device cpu$", text, re.MULTILINE)
    assert re.search(rf"^arrangement +{re.escape(str(made / 'holes.toml'))}$", text, re.MULTILINE)
    assert "crosstalk by order\norder  distance (um)  sites" in text


@pytest.mark.parametrize("suffix", ["bmp", "png", "npy"])
def test_render_writes_the_levels(made, tmp_path, suffix):
    told = result_of("render", made / "mask.tiff", "-o", tmp_path / f"levels.{suffix}")
    written = np.load(told["output"]) if suffix == "npy" else np.asarray(Image.open(told["output"]))
    assert np.array_equal(written, read_mask(made / "mask.tiff").levels)


def test_demo_in_a_process_of_its_own(tmp_path):
    run = process("demo", cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    demo = tmp_path / "holo-demo"
    made = {
        "register",
        "registration.toml",
        "survey.png",
        "ring.tiff",
        "report",
        "frame.tiff",
        "comparison.png",
        "sense",
        "corrected.toml",
        "balance",
    }
    guides = {"tutorial.md", "troubleshooting.md"}
    starter = {"bench.toml", "twin.toml", "ring.toml", "patterns", *guides, *(f"atoms-{step:03d}.tiff" for step in range(3))}
    assert {path.name for path in demo.iterdir()} == made | starter
    figures = {line.split("  ")[0]: line.split("  ")[-1] for line in run.stdout.splitlines()}
    assert float(figures["measured shift rms"].split()[0]) < 0.2  # px: the light is where the registration has it
    assert int(figures["measured sites"]) == 44
    ((_, *shown),) = [block.splitlines() for block in blocks("text") if block.startswith("$ holo demo\n")]
    assert_printed(shown, run.stdout.splitlines(), (*NOISY, "sensed", "balanced"))
    assert "laser safety officer" in run.stderr
    assert "report.html" in run.stderr
    again = process("demo", cwd=tmp_path)
    assert again.returncode == 2
    assert re.search("^error: holo-demo: exists already; .*--overwrite", again.stderr)
    with tifffile.TiffFile(demo / "ring.tiff") as file:
        assert file.pages[0].shape == (1000, 1200)


# ---------------------------------------------------------------------------------------------------------------------
# what is printed


def test_numbers_that_are_not_finite_become_null(capsys):
    show({"a": float("nan"), "b": [float("inf"), 1.5], "c": {"d": np.float64("nan")}}, as_json=True)
    assert json.loads(capsys.readouterr().out) == {"a": None, "b": [None, 1.5], "c": {"d": None}}


def test_a_table_is_aligned_has_units_and_hides_control_characters(capsys):
    show({"mask": Path("m"), "field_um": 2.0, "a_longer_name": "x\x1b[31m", "nothing": None, "ok": True, "warnings": ["w"]}, as_json=False)
    assert capsys.readouterr().out == "mask           m\nfield          2 um\na longer name  x?[31m\nok             yes\n"


def test_one_json_object_alone_on_standard_output(made, tmp_path):
    run = process(
        "design", made / "holes.toml", "--bench", made / "bench.toml", "-o", "m.tiff", "--effort", "quick", "--json", cwd=tmp_path
    )
    assert run.returncode == 0
    assert json.loads(run.stdout)["mask"] == "m.tiff"
    assert run.stdout.count("\n") == 1
    assert run.stderr == ""


def test_the_first_run_says_that_it_compiles(made, tmp_path):
    arguments = ["design", made / "holes.toml", "--bench", made / "bench.toml", "--effort", "quick"]
    first = process(*arguments, "-o", "1.tiff", cwd=tmp_path, NUMBA_CACHE_DIR=str(tmp_path / "cache"))
    second = process(*arguments, "-o", "2.tiff", cwd=tmp_path, NUMBA_CACHE_DIR=str(tmp_path / "cache"))
    assert first.stderr.startswith("first run: ")
    assert second.stderr == ""


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
def test_progress_shows_on_a_terminal_and_is_wiped(made, tmp_path):
    terminal, inside = os.openpty()
    arguments = ["design", made / "holes.toml", "--bench", made / "bench.toml", "-o", "m.tiff", "--effort", "quick", "--iterations", 3]
    shown = b""
    with start(*arguments, "--json", cwd=tmp_path, stderr=inside) as started:
        while select.select([terminal], [], [], 0.1)[0] or started.poll() is None:
            shown += os.read(terminal, 1000) if select.select([terminal], [], [], 0)[0] else b""
        out = started.communicate(timeout=60)[0]
    os.close(inside)
    os.close(terminal)
    assert json.loads(out)["mask"] == "m.tiff"
    lines = shown.split(b"\r\x1b[K")
    assert all(re.fullmatch(rb"\w+: iteration \d+, uniformity 0\.\d+", line) for line in lines[1:-1])
    assert len(lines) > 30
    assert b"iteration 1," not in lines[-1]


def test_a_closed_pipe_is_no_error(made, tmp_path):
    with start("inspect", made / "mask.tiff", "--json", cwd=tmp_path) as started:
        started.stdout.close()
        assert "Traceback" not in started.stderr.read()
        started.wait(timeout=60)


# ---------------------------------------------------------------------------------------------------------------------
# when things go wrong


def test_a_report_that_fails_leaves_the_mask_and_says_so(made, tmp_path, monkeypatch):
    def full(*_):
        raise InputError("report: cannot be written (No space left on device)")

    monkeypatch.setattr("holo.report.page.write_folder", full)
    arguments = ["design", made / "holes.toml", "--bench", made / "bench.toml", "-o", tmp_path / "m.tiff", "--effort", "quick"]
    run = holo_(*arguments, "--report", tmp_path / "report")
    assert run.exit_code == 2
    assert run.stderr.endswith("m.tiff is written, but not its report\nerror: report: cannot be written (No space left on device)\n")
    assert [path.name for path in tmp_path.iterdir()] == ["m.tiff"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_results_that_cannot_be_printed(made, tmp_path):
    where = {**os.environ, "PYTHONPATH": str(Path(holo.__file__).parent.parent)}
    with Path("/dev/full").open("w") as full:
        arguments = [sys.executable, "-m", "holo", "inspect", str(made / "mask.tiff")]
        run = subprocess.run(arguments, env=where, stdout=full, stderr=subprocess.PIPE, text=True, cwd=tmp_path, timeout=60)
    assert run.returncode == 1
    assert run.stderr == "error: [Errno 28] No space left on device: 'standard output'\n"


def test_an_interrupt_leaves_nothing(tmp_path):
    (tmp_path / "bench.toml").write_text(demo_bench_text())
    before = contents(tmp_path)
    with start("design", "ring", "--bench", "bench.toml", "-o", "m.tiff", "--effort", "high", cwd=tmp_path) as started:
        assert started.stderr.readline().startswith("warning")  # the search comes next
        time.sleep(0.5)
        started.send_signal(signal.SIGINT)
        out, err = started.communicate(timeout=60)
    assert started.returncode == 130
    assert out == ""
    assert err.splitlines()[-1] == "interrupted; no file is left half written"
    assert "Traceback" not in err
    assert contents(tmp_path) == before


def test_a_fault_of_holo_is_called_one(made, monkeypatch):
    def broken(path):
        raise RuntimeError("the sky fell")

    monkeypatch.setattr("holo.mask.read_mask", broken)
    monkeypatch.delenv("HOLO_TRACEBACK", raising=False)
    run = holo_("inspect", made / "mask.tiff")
    assert run.exit_code == 1
    assert run.stderr == (
        "error: this is a fault in holo: RuntimeError: the sky fell; please report it, set HOLO_TRACEBACK=1 for details\n"
    )
    monkeypatch.setenv("HOLO_TRACEBACK", "1")
    with pytest.raises(RuntimeError, match="the sky fell"):
        holo_("inspect", made / "mask.tiff")


@pytest.mark.parametrize(
    ("error", "code", "message"),
    [
        (MemoryError(), 1, "error: not enough memory"),
        (OSError(28, "No space left on device"), 1, r"error: \[Errno 28\] No space left"),
        (KeyboardInterrupt(), 130, "interrupted; no file is left half written"),
        (RetrievalError("no light at site 3"), 1, "error: no light at site 3"),
    ],
)
def test_other_ends_have_their_own_words(made, monkeypatch, error, code, message):
    def broken(path):
        raise error

    monkeypatch.setattr("holo.mask.read_mask", broken)
    run = holo_("inspect", made / "mask.tiff")
    assert run.exit_code == code
    assert re.match(message, run.stderr)


BAD = {
    "no command of that name": ("desing", "No such command 'desing'.*design"),
    "no such option": ("check bench.toml --jsn", "No such option.*--jsn"),
    "check: no file": ("check nowhere.toml", "nowhere.toml: no such file"),
    "check: a folder": ("check .", r"\.: not a file"),
    "check: not TOML": ("check notes.toml", r"notes\.toml: not valid TOML.*line 1"),
    "check: not text": ("check mask.tiff", r"mask\.tiff: byte \d+ is not UTF-8"),
    "check: unknown key": ("check typo.toml", r"typo\.toml: panel\.columns: missing; .*'colums'"),
    "check: out of range": ("check range.toml", r"range\.toml: panel\.fill_factor: found 1\.5; allowed"),
    "design: no pattern": ("design rign --bench bench.toml -o new.tiff", "rign: neither a file nor a starter pattern.*'ring'"),
    "design: no bench option": ("design holes.toml -o new.tiff", "needed: ARRANGEMENT and --bench, or --again"),
    "design: no bench": ("design holes.toml --bench nowhere.toml -o new.tiff", "nowhere.toml: no such file"),
    "design: no output": ("design holes.toml --bench bench.toml", "Missing option '-o'"),
    "design: output exists": ("design holes.toml --bench bench.toml -o mask.tiff", r"mask\.tiff: exists already; use --overwrite"),
    "design: not a TIFF": (
        "design holes.toml --bench bench.toml -o bench.toml --overwrite",
        r"'bench\.toml'; allowed: a name that ends in \.tiff",
    ),
    "design: no folder": ("design holes.toml --bench bench.toml -o there/new.tiff", "there is no folder there"),
    "design: seed": ("design holes.toml --bench bench.toml -o new.tiff --seed -1", "seed: found -1; allowed"),
    "design: seed not whole": ("design holes.toml --bench bench.toml -o new.tiff --seed 1.5", "'--seed'.*1.5"),
    "design: uniformity": ("design holes.toml --bench bench.toml -o new.tiff --uniformity nan", "uniformity: found nan; allowed"),
    "design: iterations": ("design holes.toml --bench bench.toml -o new.tiff --iterations 0", "iterations: found 0; allowed"),
    "design: effort": ("design holes.toml --bench bench.toml -o new.tiff --effort lazy", "'--effort'.*'lazy'.*quick"),
    "design: wrong file": ("design bench.toml --bench bench.toml -o new.tiff", r"bench\.toml: (name|light)"),
    "design: outside": ("design far.toml --bench bench.toml -o new.tiff", r"site \(50, 50\).*allowed: x and y from"),
    "design: registration": ("design holes.toml --bench bench.toml -o new.tiff --registration bench.toml", r"bench\.toml: time: missing"),
    "design: report is a file": (
        "design holes.toml --bench bench.toml -o new.tiff --report notes.toml",
        r"notes\.toml: is a file; name a folder",
    ),
    "design: again and seed": ("design --again mask.tiff -o new.tiff --seed 0", "found seed beside --again"),
    "design: again and more": ("design holes.toml --again mask.tiff -o new.tiff", "found arrangement beside --again"),
    "predict: cut off": ("predict cut.tiff --bench bench.toml", r"cut\.tiff: .*(truncated|not a readable TIFF)"),
    "predict: no TIFF": ("predict bench.toml --bench bench.toml", r"bench\.toml: not a readable TIFF"),
    "predict: other panel": ("predict mask.tiff --bench wide.toml", r"error: mask\.tiff: levels: found shape.*80.*96.*100"),
    "predict: levels above the panel's": ("predict high.tiff --bench bench.toml", r"high\.tiff: levels: found levels from 256 to"),
    "predict: a broken arrangement in the record": (
        "predict empty.tiff --bench bench.toml",
        r"error: empty\.tiff: .*holes\.toml: found no bright site",
    ),
    "nudge: no distance": ("nudge mask.tiff -o new.tiff", "found neither; allowed: one of --by-um and --follow"),
    "nudge: two ways": ("nudge mask.tiff -o new.tiff --by-um 1 0 --follow there.toml", "found both; allowed: one of --by-um and --follow"),
    "nudge: follow nothing": ("nudge mask.tiff -o new.tiff --follow nowhere.toml", r"error: nowhere\.toml: no such file"),
    "nudge: follow no registration": ("nudge mask.tiff -o new.tiff --follow bench.toml", r"error: bench\.toml: time: missing"),
    "nudge: follow without the lattice": (
        "nudge mask.tiff -o new.tiff --follow camera.toml",
        r"error: camera\.toml: found no map from the lattice to the objective plane; allowed: a registration with lattice_to_plane",
    ),
    "nudge: follow out of the field": ("nudge mask.tiff -o new.tiff --follow gone.toml", r"site \(0, 0\).*allowed: x and y from"),
    "nudge: follow with a broken record": (
        "nudge empty.tiff -o new.tiff --follow gone.toml",
        r"error: empty\.tiff: .*holes\.toml: found no bright site",
    ),
    "nudge: half a distance": ("nudge mask.tiff -o new.tiff --by-um 1", "'--by-um' requires 2 arguments"),
    "nudge: not finite": ("nudge mask.tiff -o new.tiff --by-um nan 0", r"mask\.tiff: dx_um: found nan; allowed: from -10000 to 10000 um"),
    "nudge: too far": ("nudge mask.tiff -o new.tiff --by-um 1 0 --focus-um 1e300", r"mask\.tiff: dz_um: found 1e\+300; allowed: from"),
    "nudge: out of the field": ("nudge mask.tiff -o new.tiff --by-um 100 0", r"site \(0, 0\).*allowed: x and y from"),
    "nudge: onto itself": ("nudge mask.tiff -o mask.tiff --by-um 1 0", r"mask\.tiff: exists already"),
    "inspect: no mask": ("inspect plain.tiff", r"plain\.tiff: found 1 page\(s\); allowed: the 2 pages of a mask file"),
    "inspect: no file": ("inspect nowhere.tiff", r"nowhere\.tiff: no such file"),
    "render: no such kind": ("render mask.tiff -o new.jpg", r"new\.jpg: found suffix '\.jpg'; allowed: \.bmp, \.png, \.npy"),
    "render: exists": ("render mask.tiff -o old.png", r"old\.png: exists already; use --overwrite"),
    "new: a file": ("new notes.toml", r"notes\.toml: cannot be made a folder"),
    "new: a long name": (f"new {'x' * 300}", "xxx: cannot be made a folder"),
    "new: exists": ("new .", r"bench\.toml: exists already; use --overwrite"),
    "new: no name": ("new ''", "found an empty name"),
    "check: no name": ("check ''", "found an empty name; allowed: the name of a file or folder"),
    "check: a line break and a colour": ("check 'no\n\x1b[31mfile'", r"^error: no\?\?\[31mfile: no such file $"),
    "check: a long name": (f"check {'x' * 300}", "xxx: cannot be read"),
    "check: a long name of an arrangement": (f"check bench.toml --arrangement {'x' * 300}", "xxx: cannot be read"),
    "inspect: a long name": (f"inspect {'x' * 300}", "xxx: cannot be read"),
    "inspect: a pipe": ("inspect pipe", "pipe: not a file"),
    "check: a pipe": ("check pipe", "pipe: not a file"),
    "design: a long output": (f"design holes.toml --bench bench.toml -o {'x' * 300}.tiff", "xxx.tiff: cannot be written"),
    "design: onto a pipe": ("design holes.toml --bench bench.toml -o pipe.tiff --overwrite", r"pipe\.tiff: is a device or a pipe"),
    "design: report without a name": ("design holes.toml --bench bench.toml -o new.tiff --report ''", "'--report': found an empty name"),
    "design: report in the mask": (
        "design holes.toml --bench bench.toml -o new.tiff --report new.tiff",
        r"new\.tiff: found as the mask and as the folder of its report",
    ),
    "design: onto the beam": (
        "design holes.toml --bench beam.toml -o beam.tiff --overwrite",
        r"beam\.tiff: is read by this design and would be replaced; write elsewhere",
    ),
    "design: report onto the sites": (
        "design list.toml --bench bench.toml -o new.tiff --report . --overwrite",
        r"sites\.csv: is read by this design and would be replaced",
    ),
    "design: again with other options": ("design --again odd.tiff -o new.tiff", r"odd\.tiff: record\.options: found .*'haste'"),
    "design: again with a broken bench": ("design --again broken.tiff -o new.tiff", r"broken\.tiff: .*bench\.toml: not valid TOML"),
    "demo: exists": ("demo .", r"\.: exists already; name another folder"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_named_and_changes_nothing(case, made, tmp_path, monkeypatch, small_bench_text):
    for name in ("bench.toml", "holes.toml", "mask.tiff"):
        (tmp_path / name).write_bytes((made / name).read_bytes())
    (tmp_path / "notes.toml").write_text("no TOML, this\n")
    (tmp_path / "typo.toml").write_text(small_bench_text().replace("columns", "colums"))
    (tmp_path / "range.toml").write_text(small_bench_text(panel__fill_factor=1.5))
    (tmp_path / "wide.toml").write_text(small_bench_text(panel__columns=100))
    (tmp_path / "far.toml").write_text("[[add]]\nsites = [[0, 0], [50, 50]]\n")
    (tmp_path / "gone.toml").write_text(DRIFTED.replace("6.4", "106.4"))
    (tmp_path / "camera.toml").write_text(DRIFTED.replace("lattice_to_plane", "plane_to_camera"))
    (tmp_path / "cut.tiff").write_bytes((made / "mask.tiff").read_bytes()[:20000])
    (tmp_path / "old.png").write_bytes(b"old")
    os.mkfifo(tmp_path / "pipe")
    os.mkfifo(tmp_path / "pipe.tiff")
    tifffile.imwrite(tmp_path / "beam.tiff", np.ones((80, 96), np.float32))
    (tmp_path / "beam.toml").write_text(small_bench_text(light__beam_diameter_mm=None, light__beam_tiff="beam.tiff"))
    (tmp_path / "sites.csv").write_text("i,j\n0,0\n1,2\n")
    (tmp_path / "list.toml").write_text('[[add]]\nsites_csv = "sites.csv"\n')
    mask = read_mask(made / "mask.tiff")
    write_mask(tmp_path / "high.tiff", replace(mask, levels=mask.levels.astype(np.uint16) + 256))
    write_mask(tmp_path / "odd.tiff", replace(mask, record={**mask.record, "options": {"haste": 1}}))
    write_mask(tmp_path / "empty.tiff", replace(mask, record={**mask.record, "arrangement": {**mask.record["arrangement"], "text": ""}}))
    write_mask(tmp_path / "broken.tiff", replace(mask, record={**mask.record, "bench": {**mask.record["bench"], "text": "no TOML"}}))
    tifffile.imwrite(tmp_path / "plain.tiff", np.zeros((4, 4), np.uint8))
    before = contents(tmp_path)
    monkeypatch.chdir(tmp_path)
    arguments, message = BAD[case]
    run = holo_(*shlex.split(arguments))
    assert run.exit_code == 2
    assert run.stdout == ""
    assert re.search(message, run.stderr.replace("\n", " "))
    assert "fault" not in run.stderr
    assert contents(tmp_path) == before
