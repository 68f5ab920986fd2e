"""The whole line from files to a mask, its record, and the mask made again from that record."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
import tifffile

from holo.affine import Affine
from holo.arrangement import block, from_sites
from holo.bench import read_bench
from holo.design import DesignOptions, check_sites, design, remake
from holo.errors import InputError
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import levels_of_phase, nudge_mask, phase_of_levels, read_mask, write_mask
from holo.predict import predict
from holo.record import Inputs, drift, read_inputs, recorded_inputs, recorded_sites, sources_of, told_map
from holo.registration import Registration, place, write_registration
from holo.report.page import report_summary
from holo.worker import Task, make

QUICK = DesignOptions(effort="quick")
TIME = "2025-06-30T14:05:00+02:00"
FRAME = 'title = "frame"\n[[add]]\nblock = [4, 3]\n[[remove]]\nblock = [1, 1]\nat = [1, 1]\n[dark]\nmargin = 1\n'


@pytest.fixture
def from_files(small_bench_file, tmp_path):
    """Function that writes the files of a small design and designs from them."""

    def run(arrangement=FRAME, registration=None, options=QUICK, progress=None, **changes):
        (tmp_path / "frame.toml").write_text(arrangement)
        inputs = read_inputs(small_bench_file(**changes), tmp_path / "frame.toml", registration)
        return design(inputs.bench, inputs.arrangement, inputs.registration, options, progress, sources=inputs.sources)

    return run


@pytest.fixture
def all_features(from_files, tmp_path):
    """Function that designs with every kind of side file: beam, flatness, response, sites, and a registration."""
    rng = np.random.default_rng(4)
    tifffile.imwrite(tmp_path / "beam.tiff", rng.uniform(0.5, 1, (80, 96)).astype(np.float32))
    tifffile.imwrite(tmp_path / "flatness.tiff", rng.normal(0, 1, (80, 96)).astype(np.float32))
    (tmp_path / "response.csv").write_text("level,phase_rad\n0,0\n100,2.2\n255,6.6\n")
    (tmp_path / "sites.csv").write_text("i,j,target,z_um\n0,0,1,0\n1.5,0,0.5,0\n0,2,1,4\n3,3,0,0\n")
    measured = Registration(Affine([[3.1, 0.1], [-0.1, 3.0]], [5.0, -6.0]), time="2025-06-30T14:05:00+02:00")
    write_registration(tmp_path / "registration.toml", measured)
    bench = {"light__beam_diameter_mm": None, "light__beam_tiff": "beam.tiff", "panel__flatness_tiff": "flatness.tiff"}
    bench |= {"panel__level_for_2pi": None, "panel__response_csv": "response.csv", "optics__aberration": {"5": 0.05, "8": -0.1}}
    return lambda: from_files('[[add]]\nsites_csv = "sites.csv"\n', tmp_path / "registration.toml", **bench)


def same(one, other):
    return np.array_equal(one.mask.levels, other.mask.levels) and np.array_equal(one.mask.phase, other.mask.phase)


def test_a_design_puts_level_light_on_the_bright_sites(from_files):
    made = from_files(options=DesignOptions(effort="normal"))
    figures = made.prediction.figures
    assert (figures.bright, figures.dark) == (11, 15)
    # 212 levels leave a few tenths of a per cent of what the engine reaches
    assert figures.uniformity > 0.99
    assert figures.efficiency == pytest.approx(made.retrieval.efficiency, rel=0.01)
    assert figures.crosstalk_mean < 0.1
    assert made.prediction.power_fraction < made.prediction.power_in_pupil
    assert made.seconds > 0


def test_the_figures_are_of_the_levels_not_of_the_phase(from_files, small_bench):
    """With 3 levels the light falls to sinc^2(1/3) = 0.684 (Swanson 1989), whatever the engine reached."""
    made = from_files(panel__level_for_2pi=3)
    assert made.prediction.figures.efficiency / made.retrieval.efficiency == pytest.approx(0.684, abs=0.05)
    bench = small_bench(panel__level_for_2pi=3)
    assert np.array_equal(made.mask.levels, levels_of_phase(made.mask.phase, bench.panel))
    again = predict(bench, made.mask.levels, made.prediction.sites)
    assert np.array_equal(again.intensity, made.prediction.intensity)
    assert made.mask.record["figures"].items() >= again.summary().items()


def test_a_mask_that_its_levels_spoil_has_not_converged(from_files):
    """Three steps of phase, and no trimming, leave the sites 5 % apart, whatever the search reached."""
    made = from_files(options=DesignOptions(effort="quick"), panel__level_for_2pi=3)
    assert made.retrieval.converged
    assert not made.converged
    figures = made.mask.record["figures"]
    assert figures["shortfall"] == made.shortfall
    assert figures["uniformity_before_levels"] == made.retrieval.uniformity
    assert f"{made.retrieval.uniformity:.6g} to {made.prediction.figures.uniformity:.6g}, as site (" in made.shortfall
    assert "rounding to 3 steps of phase per 2 pi took the uniformity from" in made.shortfall
    assert "--effort normal" in made.shortfall
    assert from_files(options=DesignOptions(effort="quick")).converged


def test_batches_and_reports_tell_of_spoilt_levels_too(small_bench):
    bench = small_bench(panel__level_for_2pi=3)
    inputs = Inputs(bench, block(2, 2), None, sources_of(bench, block(2, 2)))
    task = make(Task(inputs, DesignOptions(effort="quick")))
    assert task.figures["converged"] is False
    assert task.warnings[-1] == task.figures["shortfall"]
    made = design(bench, inputs.arrangement, options=DesignOptions(effort="quick"))
    summary = report_summary(bench, made.mask, made.prediction, retrieval=made.retrieval)
    assert (summary["converged"], summary["search_converged"], summary["shortfall"]) == (False, True, made.shortfall)


@pytest.mark.parametrize("uniformity", [0.99, 0.99999])
def test_the_levels_are_held_to_a_uniformity_asked_for(from_files, uniformity):
    made = from_files(options=DesignOptions(uniformity=uniformity))
    assert made.retrieval.converged
    assert made.converged == (made.prediction.figures.uniformity >= uniformity)
    assert made.converged == (uniformity == 0.99)
    assert made.converged or "(0.99999 was asked for)" in made.shortfall


def test_every_error_of_bench_and_panel_is_taken_off(all_features):
    """The phase that the panel really makes plus the aberration still puts the wanted ratios on the sites."""
    made = all_features()
    assert made.prediction.figures.uniformity > 0.97
    assert made.prediction.figures.efficiency > 0.6
    np.testing.assert_allclose(made.prediction.sites.xyz_um[1], [5.0 + 1.5 * 3.1, -6.0 - 1.5 * 0.1, 0])
    assert made.prediction.intensity[1] / made.prediction.intensity[0] == pytest.approx(0.5, rel=0.05)


def test_the_record_tells_everything(from_files, tmp_path):
    made = from_files(options=DesignOptions(effort="quick", seed=7, uniformity=0.9))
    write_mask(tmp_path / "mask.tiff", made.mask)
    record = read_mask(tmp_path / "mask.tiff").record
    bench = read_bench(tmp_path / "bench.toml")
    assert record["bench"] == {"path": str(tmp_path / "bench.toml"), "digest": bench.digest, "text": bench.text, "files": {}}
    assert record["arrangement"]["text"] == FRAME
    assert record["registration"] is None
    assert record["seed"] == 7
    told = {"effort": "quick", "uniformity": 0.9, "iterations": None, "engine": "spots", "polarisation": "scalar", "device": "cpu"}
    assert record["options"] == told
    assert record["figures"]["efficiency"] == made.prediction.figures.efficiency
    assert record["figures"]["crosstalk_by_order"][0]["order"] == 1
    age = datetime.now().astimezone() - datetime.fromisoformat(record["time"])
    assert -timedelta(minutes=1) < age < timedelta(minutes=5)
    assert datetime.fromisoformat(record["time"]).utcoffset() == timedelta(0)


def test_the_same_inputs_give_the_same_mask_and_another_seed_another(from_files):
    first = from_files()
    assert same(first, from_files())
    assert not same(first, from_files(options=replace(QUICK, seed=1)))


def test_a_mask_is_made_again_from_its_file(all_features, tmp_path):
    made = all_features()
    write_mask(tmp_path / "mask.tiff", made.mask)
    for name in ("bench.toml", "frame.toml", "registration.toml"):  # their texts are in the record
        (tmp_path / name).unlink()
    again = remake(read_mask(tmp_path / "mask.tiff").record)
    assert same(made, again)
    assert np.array_equal(made.prediction.field, again.prediction.field)
    assert {**again.mask.record, "time": ""} == {**made.mask.record, "time": ""}


def test_a_mask_designed_in_code_is_made_again(small_bench, tmp_path):
    bench = small_bench()
    arrangement = from_sites([[0, 0], [1 / 3, 1.1], [2, -0.7]], target=[1, 0.1 + 0.2, 0], z_um=[0, 2 / 3, 0])
    measured = Registration(Affine([[3.0, 1 / 3], [0, 3.0]], [6.0, 4.0]), time="2025-06-30T14:05:00+02:00")
    made = design(bench, arrangement, measured, QUICK)
    write_mask(tmp_path / "mask.tiff", made.mask)
    again = remake(read_mask(tmp_path / "mask.tiff").record)
    assert same(made, again)
    assert np.array_equal(again.prediction.sites.xyz_um, made.prediction.sites.xyz_um)
    assert np.array_equal(again.prediction.sites.target, made.prediction.sites.target)


def test_a_nudged_mask_is_made_again_with_its_nudges(from_files, small_bench, tmp_path):
    made, bench = from_files(), small_bench()
    nudged = made.mask
    for by, focus in (((1.5, -0.5), 0.0), ((0.25, 0.0), 2.0)):
        nudged = nudge_mask(nudged, light_path(bench), bench.panel, by, focus)
    write_mask(tmp_path / "mask.tiff", nudged)
    again = remake(read_mask(tmp_path / "mask.tiff").record)
    assert np.array_equal(again.mask.levels, nudged.levels)
    assert np.array_equal(again.mask.phase, nudged.phase)
    assert again.mask.record["nudges"] == nudged.record["nudges"]
    moved = again.prediction.sites.xyz_um - made.prediction.sites.xyz_um
    np.testing.assert_allclose(moved, np.tile([1.75, -0.5, 2.0], (len(moved), 1)), atol=1e-12)
    # the same light elsewhere, but for the rounding to levels and the envelope
    assert again.prediction.figures.efficiency == pytest.approx(made.prediction.figures.efficiency, rel=0.06)
    assert again.prediction.figures.uniformity > 0.8


# ---------------------------------------------------------------------------------------------------------------------
# following a lattice that moves


def test_the_light_follows_its_sites(small_bench):
    """By the direct sum: before the nudge there is no light where the sites have gone, after it all that was, and none is left.

    The drift differs in x and y, size and sign, so that neither an exchange nor a reversal would pass.
    """
    bench = small_bench()
    made = design(bench, from_sites([[0, 0], [2, 0], [1, 2]], target=[1, 0.6, 0.8]), options=QUICK)
    path, sites = light_path(bench), made.prediction.sites
    now = Affine(bench.lattice.vectors_um.T, bench.lattice.origin_um + [1.4, -0.9])
    nudged = nudge_mask(made.mask, path, bench.panel, drift(made.mask.record, now).by_um)
    gone = np.column_stack([now.apply(sites.ij), np.zeros(3)])

    def light(mask, places_um):
        return np.abs(direct_fields(path, phase_of_levels(mask.levels, bench.panel), places_um)) ** 2 / path.envelope(places_um) ** 2

    was = light(made.mask, sites.xyz_um)
    assert light(made.mask, gone).max() < 0.1 * was.min()
    assert light(nudged, gone) == pytest.approx(was, rel=0.05)  # rounded to levels anew
    assert light(nudged, sites.xyz_um).max() < 0.1 * was.min()


@pytest.mark.parametrize("registered", [False, True])
def test_following_twice_moves_nothing_the_second_time(small_bench, registered):
    """Whatever the mask was made with and whatever nudges it has."""
    bench = small_bench()
    old = Registration(Affine([[3.1, 0.1], [-0.1, 3.0]], [5.0, -6.0]), time=TIME) if registered else None
    mask = design(bench, from_sites([[0, 0], [1, 0], [0, 2]], target=[1, 1, 0]), old, QUICK).mask
    mask = nudge_mask(mask, light_path(bench), bench.panel, (0.5, 0.3), 2.0)
    now = Affine([[3.2, 0.1], [-0.2, 3.1]], [7.0, -5.5])
    first = drift(mask.record, now)
    bright = np.array([[0, 0], [1, 0]])
    before = (old.to_plane() if registered else Affine([[3, 0], [0, 3]], [6, 4])).apply(bright) + [0.5, 0.3]
    assert first.by_um == pytest.approx(tuple((now.apply(bright) - before).mean(axis=0)), abs=1e-9)
    nudged = nudge_mask(mask, light_path(bench), bench.panel, first.by_um)
    assert np.array_equal(recorded_sites(nudged.record, bench).xyz_um[:, 2], [2, 2, 2])
    second = drift(nudged.record, now)
    assert second.by_um == (0, 0)
    assert second.largest_offset_um == pytest.approx(first.largest_offset_um)


def test_what_a_nudge_cannot_follow_is_told(small_bench):
    """A lattice stretched by 2 % about the middle of 3 sites 3 um apart leaves the outer ones 0.06 um off; a quarter turn, 3 sqrt(2)."""
    record = design(small_bench(), block(3, 1), options=QUICK).mask.record
    left = drift(record, Affine([[3.06, 0], [0, 3]], [5.94, 4]))
    assert left.by_um == pytest.approx((0, 0), abs=1e-12)
    assert left.largest_offset_um == pytest.approx(0.06)
    assert left.spacing_um == pytest.approx(3.0)
    assert drift(record, Affine([[0, -3], [3, 0]], [0, 0])).largest_offset_um == pytest.approx(3 * np.sqrt(2))


def test_the_spacing_now_is_that_of_all_sites_of_a_cell(small_bench):
    """Nearest neighbours of a honeycomb are 1/sqrt(3) of its cell's side apart (Ashcroft and Mermin 1976, chapter 4; from memory)."""
    bench = small_bench(lattice__vectors_um=None, lattice__geometry="honeycomb", lattice__spacing_um=3.0)
    record = design(bench, from_sites([[0, 0], [1 / 3, 1 / 3]]), options=QUICK).mask.record
    doubled = Affine(2 * bench.lattice.vectors_um.T, bench.lattice.origin_um)
    assert drift(record, doubled).spacing_um == pytest.approx(np.hypot(*doubled.matrix[:, 0]) / np.sqrt(3))


def test_the_light_lies_where_the_masks_own_bench_had_it(all_features, from_files, tmp_path):
    """Neither a bench file that was changed since nor side files that are gone matter; the arrangement's do."""
    made = from_files()
    (tmp_path / "bench.toml").write_text("name = 1")
    assert drift(made.mask.record, Affine([[3, 0], [0, 3]], [6.5, 4.0])).by_um == pytest.approx((0.5, 0), abs=1e-12)
    record = all_features().mask.record
    for name in ("beam.tiff", "flatness.tiff", "response.csv"):
        (tmp_path / name).unlink()
    assert drift(record, Affine([[3.1, 0.1], [-0.1, 3.0]], [5.0, -6.5])).by_um == pytest.approx((0, -0.5), abs=1e-12)
    (tmp_path / "sites.csv").unlink()
    with pytest.raises(InputError, match=r"sites\.csv"):
        drift(record, Affine([[3, 0], [0, 3]], [6, 4]))


def test_a_registration_that_tells_no_place_is_refused():
    camera = Affine([[5, 0], [0, 5]], [600, 450])
    with pytest.raises(InputError, match=r"found no map from the lattice to the objective plane; allowed: .* lattice_to_plane, or with"):
        told_map(Registration(plane_to_camera=camera, time=TIME))
    seen = Registration(plane_to_camera=camera, lattice_to_camera=Affine([[15, 0], [0, 15]], [630, 470]), time=TIME)
    np.testing.assert_allclose(told_map(seen).apply([[0, 0], [1, 2]]), [[6, 4], [9, 10]])


@pytest.mark.parametrize("name", ["beam.tiff", "flatness.tiff", "response.csv", "sites.csv"])
def test_a_side_file_that_changed_or_went_is_named(all_features, tmp_path, name):
    record = all_features().mask.record
    content = (tmp_path / name).read_bytes()
    changed = content[:-2] + b"9\n" if name.endswith("csv") else content[:-1] + bytes([content[-1] ^ 1])
    (tmp_path / name).write_bytes(changed)
    with pytest.raises(InputError, match=rf"{name}: found sha256:\w+; allowed: sha256:\w+, the file that the mask was made with"):
        remake(record)
    (tmp_path / name).unlink()
    with pytest.raises(InputError, match=name):
        remake(record)


def test_side_files_may_have_moved_with_the_bench(all_features, tmp_path):
    record = json.loads(json.dumps(all_features().mask.record))
    (tmp_path / "new").mkdir()
    for name in ("beam.tiff", "flatness.tiff", "response.csv"):
        (tmp_path / name).rename(tmp_path / "new" / name)
    with pytest.raises(InputError, match="there is no file"):
        recorded_inputs(record)
    assert recorded_inputs(record, tmp_path / "new" / "bench.toml").bench.light.beam is not None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"options": {"effort": "quick", "speed": 3}}, "record.options: found .*speed.*; allowed: effort, uniformity, iterations"),
        ({"options": {"effort": "lazy"}}, "effort: found 'lazy'; allowed: quick, normal, high"),
        ({"options": {"iterations": 0}}, "iterations: found 0; allowed: a whole number from 1"),
        ({"options": {"uniformity": 1.5}}, "uniformity: found 1.5; allowed: a number between 0 and 1"),
        ({"seed": -3}, "seed: found -3; allowed: a whole number from 0"),
        ({"bench": {"path": "", "digest": "", "text": "name = 1", "files": {}}}, "bench.toml: name: found 1; allowed: a text"),
        (
            {"arrangement": {"path": "", "text": "0,0,1,0\n"}},
            "record.arrangement.text: found the header '0,0,1,0'; allowed: i,j,target,z_um",
        ),
        ({"arrangement": {"path": "", "text": "i,j,target,z_um\n0,0,1\n"}}, "record.arrangement.text: .*; allowed: lines of four numbers"),
        (
            {"arrangement": {"path": "", "text": "i,j,target,z_um\n0,0,x,0\n"}},
            "record.arrangement.text: .*; allowed: lines of four numbers",
        ),
        ({"arrangement": {"path": "", "text": "i,j,target,z_um\n0,0,nan,0\n"}}, "allowed: finite numbers"),
        ({"arrangement": {"path": "", "text": ""}}, "record.arrangement.text: found the header ''"),
    ],
)
def test_a_record_that_cannot_be_made_again_is_refused(small_bench, change, message):
    record = design(small_bench(), block(2, 1), options=QUICK).mask.record
    with pytest.raises(InputError, match=message):
        remake(record | change)


def test_sites_outside_the_field_are_named(small_bench):
    bench = small_bench()  # field 46.67 um
    with pytest.raises(
        InputError, match=r"site \(6, -1\) at \(24\.00, 1\.00, 0\.00\) um: found outside the field; allowed: .* -23\.33 to 23\.33 um"
    ):
        design(bench, from_sites([[0, 0], [6, -1]]), options=QUICK)
    with pytest.raises(InputError, match=r"site \(0, -10\) at \(6\.00, -26\.00, 3\.00\) um \(and 1 more\): found outside"):
        design(bench, from_sites([[0, 0], [0, -10], [9, 9]], z_um=[0, 3, 0]), options=QUICK)
    edge = (bench.field_um / 2 - 6) / 3
    check_sites(bench, place(from_sites([[0, 0], [edge, 0]]), bench.lattice))
    # a dark site there is judged: the light is what it is
    made = design(bench, from_sites([[0, 0], [6, 0]], target=[1, 0]), options=QUICK)
    assert made.prediction.figures.dark == 1


def test_sites_that_touch_are_named(small_bench):
    bench = small_bench()  # Airy radius 0.7115 um, 2 n lambda / NA^2 = 3.889 um
    near = from_sites([[0, 0], [2, 2], [2.2, 2]])
    with pytest.raises(
        InputError, match=r"site \(2, 2\) at .* and site \(2\.2, 2\) at .*: found 0\.6 um apart; allowed: 0\.7115 um .*engine spots"
    ):
        design(bench, near, options=replace(QUICK, engine="spots"))
    sites = place(from_sites([[0, 0], [0, 0], [0.24, 0], [2, 2], [2.01, 2]], target=[1, 1, 1, 1, 0], z_um=[0, 4, 0, 0, 0]), bench.lattice)
    check_sites(bench, sites, "spots")
    with pytest.raises(InputError, match="found 3 um apart"):
        check_sites(bench, place(from_sites([[0, 0], [0, 0]], z_um=[0, 3]), bench.lattice), "spots")


def test_progress_is_told(from_files):
    seen = []
    from_files(progress=lambda stage, count, uniformity: seen.append((stage, count, uniformity)))
    assert len(seen) > 3
    assert all(isinstance(stage, str) and 0 <= uniformity <= 1 for stage, _, uniformity in seen)


def test_more_levels_bring_the_light_nearer_to_the_engines(from_files, tmp_path):
    """Untrimmed, rounding to L levels leaves noise of order 1/L on the field of a spot (Goodman and Silvestri 1970, from memory)."""
    made = from_files(options=DesignOptions(effort="quick"))
    bench = read_bench(tmp_path / "bench.toml")
    path, xyz = light_path(bench), made.prediction.sites.xyz_um
    wanted = direct_fields(path, made.mask.phase, xyz)
    errors = []
    for steps in (16, 64, 256):
        panel = replace(bench.panel, level_for_2pi=steps)
        errors.append(np.std(direct_fields(path, phase_of_levels(levels_of_phase(made.mask.phase, panel), panel), xyz) - wanted))
    assert errors[0] > 2 * errors[1] > 4 * errors[2]


def test_the_mask_of_a_design_is_what_the_panel_needs(all_features, tmp_path):
    """The panel's own phase at the chosen levels is the wanted phase to half a step, on the circle."""
    made = all_features()
    panel = read_bench(tmp_path / "bench.toml").panel
    error = np.angle(np.exp(1j * (phase_of_levels(made.mask.levels, panel) - made.mask.phase)))
    assert np.abs(error).max() <= 0.5 * 4.4 / 155 + 1e-6


# ---------------------------------------------------------------------------------------------------------------------
# devices


def test_without_a_gpu_the_cpu_goes_on_and_the_record_says_so(small_bench, monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", None)  # as if it were not installed
    bench = small_bench()
    plain, other = (design(bench, block(2, 2), options=DesignOptions("quick", device=device)) for device in ("cpu", "gpu"))
    assert np.array_equal(plain.mask.levels, other.mask.levels)
    assert plain.mask.record["options"]["device"] == other.mask.record["options"]["device"] == "cpu"


def test_an_unknown_device_is_refused():
    with pytest.raises(InputError, match="device: found 'tpu'; allowed: cpu, gpu, auto"):
        DesignOptions(device="tpu")
