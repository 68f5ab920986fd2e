"""Files of jobs: what they mean, what they are called, what is refused."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holo.design import DesignOptions
from holo.errors import InputError
from holo.jobs import Checker, Job, read_jobs
from holo.retrieve.dense import DenseOptions
from holo.starters import patterns
from holo.toml_edit import changed_toml

NINE = 'title = "nine"\n[[add]]\nblock = [3, 3]\n[[remove]]\nsites = [[1, 1]]\n[[add]]\nsites = [[1, 1]]\ntarget = 0.5\n'


@pytest.fixture
def jobs_of(tmp_path, small_bench_file):
    """Function that reads a file of jobs beside a small bench and an arrangement."""
    small_bench_file()
    (tmp_path / "nine.toml").write_text(NINE)

    def read(text):
        (tmp_path / "jobs.toml").write_text(text)
        return read_jobs(tmp_path / "jobs.toml")

    return read


def test_lists_are_multiplied_out_in_the_order_of_the_file(jobs_of):
    jobs = jobs_of(
        '[common]\nbench = "bench.toml"\neffort = "quick"\n'
        '[[job]]\nname = "one"\narrangement = "nine.toml"\neffort = "high"\n[job.sweep]\ndark.margin = [1, 2.5]\n'
        '[[job]]\narrangement = "ring"\nreport = true\n'
        "[sweep]\nseed = [0, 3]\n"
    )
    assert [job.name for job in jobs] == [
        "one_margin=1_seed=0",
        "one_margin=1_seed=3",
        "one_margin=2.5_seed=0",
        "one_margin=2.5_seed=3",
    ] + [
        "ring_seed=0",
        "ring_seed=3",
    ]
    assert [job.options.effort for job in jobs] == ["high"] * 4 + ["quick"] * 2
    assert [job.options.seed for job in jobs] == [0, 3] * 3
    assert [dict(job.changes) for job in jobs] == [{"dark.margin": 1}] * 2 + [{"dark.margin": 2.5}] * 2 + [{}] * 2
    assert [job.report for job in jobs] == [False] * 4 + [True] * 2
    assert jobs[4].arrangement == patterns()["ring"]
    assert jobs[0].bench.is_absolute()
    assert jobs[0].bench.name == "bench.toml"


def test_every_option_of_a_design_can_be_given(jobs_of):
    (job,) = jobs_of(
        '[common]\nbench = "bench.toml"\narrangement = "nine.toml"\nregistration = "r.toml"\neffort = "high"\nseed = 4\niterations = 9\n'
        'engine = "dense"\npolarisation = 45\ndarkness = 12\ngiven_up = 0.5\ndrift_nm = 3\n'
    )
    assert job.options == DesignOptions("high", 4, None, 9, "dense", "45", DenseOptions(12.0, 0.5, 3.0))
    assert job.registration == job.bench.with_name("r.toml")
    (job,) = jobs_of('[common]\nbench = "bench.toml"\narrangement = "nine.toml"\nuniformity = 0.9\nrms = 0.1\n')
    assert (job.options.uniformity, job.options.rms) == (0.9, 0.1)


def test_names_tell_jobs_apart_and_suit_a_file_system(jobs_of):
    common = '[common]\nbench = "bench.toml"\n'
    powers = "light.power_mw = [1e-7]\npanel.power_mw = [1]\n"
    jobs = jobs_of(common + f'[sweep]\nlattice.origin_um = [[6, 4], [7, 4]]\narrangement = ["nine.toml", "ring"]\n{powers}')
    ends = ("_origin_um=1_light.power_mw=1e-07_panel.power_mw=1", "_origin_um=2_light.power_mw=1e-07_panel.power_mw=1")
    assert [job.name for job in jobs] == [name + end for name in ("nine", "ring") for end in ends]
    same = '[[job]]\narrangement = "nine.toml"\n'
    assert [job.name for job in jobs_of(common + 3 * same)] == ["nine", "nine-2", "nine-3"]
    assert [job.name for job in jobs_of(common + 'arrangement = "nine.toml"\n[[job]]\nname = "A"\n[[job]]\nname = "a"\n')] == ["A", "a-2"]
    words = common + 'arrangement = "nine.toml"\n[sweep]\nlight.beam_tiff = ["../a b/c.tiff", "/", "..", "x\\ty"]'
    assert [job.name for job in jobs_of(words)] == [f"nine_beam_tiff={end}" for end in ("a-b-c.tiff", "2", "3", "x-y")]


@settings(deadline=None, max_examples=25)
@given(st.lists(st.one_of(st.text(max_size=200), st.integers(), st.floats(allow_nan=False)), min_size=1, max_size=4), st.data())
def test_any_values_make_names_that_differ(tmp_path_factory, values, data):
    folder = tmp_path_factory.mktemp("names")
    from holo.toml_edit import _value

    text = f'[common]\nbench = "b"\narrangement = "ring"\n[sweep]\nlight.x = {_value(values)}\npanel.x = {_value(values[::-1])}\n'
    (folder / "j.toml").write_text(text, encoding="utf-8")
    names = [job.name for job in read_jobs(folder / "j.toml")]
    assert len({name.casefold() for name in names}) == len(values) ** 2
    assert all(name == Path(name).name and len(name) <= 100 and not name.startswith(".") for name in names)


def test_a_changed_file_is_the_same_as_one_written_so(jobs_of, small_bench_text):
    (job,) = jobs_of(
        '[common]\nbench = "bench.toml"\narrangement = "nine.toml"\nlight.power_mw = 7\nadd.2.target = 0.25\ndark.margin = 1\n'
    )
    inputs = Checker().inputs(job)
    assert inputs.bench.light.power_mw == 7.0
    assert tomllib.loads(inputs.bench.text) == tomllib.loads(small_bench_text(light__power_mw=7))
    bright = inputs.arrangement.bright
    assert dict(zip(map(tuple, bright.ij.tolist()), bright.target.tolist(), strict=True))[1.0, 1.0] == 0.25  # removed, then added again
    assert len(bright) == 9
    assert len(inputs.arrangement.dark)
    assert inputs.sources["bench"]["path"] == str(job.bench)


def test_changed_toml_keeps_what_it_does_not_change():
    text = (
        'a = "x\\ty"\nd = 1979-05-27T07:32:00Z\n"key with space" = [1, 2.5, -inf, true]\n'
        '[t]\nu = {v = 1, "w.w" = "\\u007f"}\n[t.s]\n5 = 0.05\n[[add]]\nx = [{y = 1}]\n[[remove]]\n[[add]]\nz = 1e300\n'
    )
    changed = changed_toml(text, Path("a.toml"), {"t.s.5": 0.5, "new.key": [[1, 2]]})
    wanted = tomllib.loads(text)
    wanted["t"]["s"]["5"], wanted["new"] = 0.5, {"key": [[1, 2]]}
    assert tomllib.loads(changed) == wanted
    assert [line for line in changed.splitlines() if line.startswith("[[")] == ["[[add]]", "[[remove]]", "[[add]]"]
    assert changed_toml(text, Path("a.toml"), {}) == text


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"a.b": 1}, "a.toml: a.b: cannot be set, found 1"),
        ({"add.3.target": 1}, r"a.toml: add.3.target: cannot be set, there is no add\.3"),
        ({"add.0.target": 1}, r"there is no add\.0"),
        ({"add.x.target": 1}, r"there is no add\.x"),
        ({"add.1": 1}, "a.toml: add.1: cannot be set, add is a list"),
    ],
)
def test_changes_that_lead_nowhere_are_refused(changes, message):
    with pytest.raises(InputError, match=message):
        changed_toml("a = 1\n[[add]]\n[[add]]\n", Path("a.toml"), changes)


COMMON = '[common]\nbench = "bench.toml"\narrangement = "nine.toml"\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", r"jobs.toml: found no job; allowed: tables \[common\], \[\[job\]\] and \[sweep\]"),
        ("[commom]\n", r"jobs.toml: commom: unknown key.*nearest known key: 'common'"),
        ("[common]\neffrot = 'quick'\n", r"jobs.toml: common: effrot: unknown key; nearest known key: 'effort'; allowed keys: arrangement"),
        ("[[job]]\nnmae = 'a'\n", r"job\[1\]: nmae: unknown key; nearest known key: 'name'"),
        (COMMON + "[sweep]\nsed = [1]\n", "sweep: sed: unknown key; nearest known key: 'seed'"),
        (COMMON + "[sweep]\nligth.power_mw = [1]\n", "sweep: ligth.power_mw: unknown key; nearest known key: 'light'"),
        (COMMON + "[sweep]\nseed = 1\n", r"seed: found 1; allowed: a list of the values"),
        (COMMON + "[sweep]\nseed = []\n", r"seed: found \[\]; allowed: a list"),
        (COMMON + "light = 3\n", r"common: light: found one value; allowed: keys of that table, as light.KEY"),
        (COMMON + "effort.x = 3\n", r"common: effort.x: unknown key"),
        (COMMON + "seed = [1, 2]\n", r"seed: found \[1, 2\]; allowed: one value; a list belongs under \[sweep\]"),
        (COMMON + "seed = -1\n", r"jobs.toml: seed: found -1; allowed: a whole number from 0 up"),
        (COMMON + "[[job]]\n[[job]]\neffort = 'hihg'\n", r"jobs.toml: job\[2\]: effort: found 'hihg'; allowed: quick"),
        (COMMON + "report = 1\n", r"report: found 1; allowed: true or false"),
        (COMMON + "polarisation = 'left'\n", r"polarisation: found 'left'"),
        (COMMON + "given_up = 2\n", r"given_up: found 2"),
        ("[common]\nbench = 'bench.toml'\n", r"arrangement: missing; needed: the name of a file or of a starter pattern"),
        ("[common]\narrangement = 'nine.toml'\n", r"bench: missing; needed: the name of a file"),
        ("[common]\nbench = ['a', 'b']\narrangement = 'ring'\n", r"bench: found \['a', 'b'\]; allowed: one name of a file; a list belongs"),
        ("[common]\nbench = 'bench.toml'\narrangement = 'rign'\n", r"neither a file nor a starter pattern \(is 'ring' meant\?\)"),
        (COMMON + "[[job]]\nseed = 1\n[sweep]\nseed = [1]\n", r"job\[1\]: seed: found here and under \[sweep\]; allowed: one of them"),
        (COMMON + "[[job]]\nseed = 1\n[job.sweep]\nseed = [1]\n", r"seed: found here and under \[job.sweep\]"),
        (COMMON + "[[job]]\nname = 'a/b'\n", r"job\[1\]: name: found 'a/b'; allowed: 1 to 100 letters"),
        (COMMON + "[[job]]\nname = '.a'\n", r"name: found '.a'"),
        (COMMON + "[[job]]\nname = 'a'\n[[job]]\nname = 'a'\n", r"job: name: found 'a' more than once"),
        (COMMON + "[[job]]\nsweep = 1\n", r"job\[1\].sweep: found 1"),
        (COMMON + "[sweep]\n" + "".join(f"light.k{n} = {list(range(100))}\n" for n in range(9)), r"found 1000000000000000000 combinations"),
        (COMMON + "light" + ".a" * 2000 + " = 1\n", r"not valid TOML: found a key of more parts"),
        ("job = 3\n", r"job: found 3"),
        ("x = \n", r"jobs.toml: not valid TOML"),
    ],
)
def test_bad_files_are_refused(jobs_of, text, message):
    with pytest.raises(InputError, match=message):
        jobs_of(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("light.power_wm = 3\n", r"jobs.toml: job nine: .*bench.toml: light.power_wm: unknown key.*nearest known key: 'power_mw'"),
        ("panel.columns = -3\n", r"bench.toml: panel.columns: found -3"),
        ("add.1.tagret = 3\n", r"nine.toml: add\[1\].tagret: unknown key.*nearest known key: 'target'"),
        ("add.2.sites = [[50, 50]]\n", r"job nine: site \(50, 50\).*found outside the field"),
        ("engine = 'dense'\nuniformity = 0.5\n", r"job nine: uniformity: found 0.5 for the engine dense"),
        ("rms = 0.01\n", r"job nine: rms: found 0.01; allowed: with continuous light"),
        (
            "smooth.box = [2, 2]\nsmooth.power = 0.5\nuniformity = 0.9\n",
            r"uniformity: found 0.9; allowed: none with continuous light",
        ),
        ("registration = 'none.toml'\n", r"none.toml: no such file"),
    ],
)
def test_jobs_that_cannot_be_done_are_refused(jobs_of, text, message):
    (job,) = jobs_of(COMMON + text)
    with pytest.raises(InputError, match=message):
        Checker().check(job)


def test_the_digest_is_of_what_the_mask_depends_on(jobs_of, tmp_path):
    def digest(text):
        return Checker().check(jobs_of(COMMON + text)[0])

    first = digest("")
    assert digest("[[job]]\nname = 'other'\n") == first
    others = [digest(text) for text in ("seed = 1\n", "report = true\n", "light.power_mw = 3\n", "add.1.target = 0.5\n")]
    assert len({first, *others}) == 5
    (tmp_path / "nine.toml").write_text(NINE + "# more\n")
    assert digest("") != first


def test_jobs_of_ones_own_are_checked_too():
    with pytest.raises(InputError, match=r"job: name: found 'a/b'"):
        Job("a/b", Path("a"), Path("b"))
    with pytest.raises(InputError, match=r"job: seed: unknown key"):
        Job("a", Path("a"), Path("b"), changes={"seed": 1})
