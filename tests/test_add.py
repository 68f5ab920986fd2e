"""Sums of masks and terms, and test patterns: efficiencies of orders, places, signs, records, and what is refused."""

from __future__ import annotations

import json

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from holo.arrangement import from_sites
from holo.bench import parse_bench
from holo.cli import main
from holo.compose import Sum, add, blank_mask, is_blank, remake_blank
from holo.design import DesignOptions, design, remake
from holo.errors import InputError
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.mask import levels_of_phase, phase_of_levels, read_mask, write_mask
from holo.terms import KINDS, first_order_um, pattern, term

# Wide enough for orders to stand apart; every part of the panel counts alike, and each pixel is active all over.
WIDE = {"light__beam_diameter_mm": 100.0, "panel__fill_factor": 1.0, "optics__numerical_aperture": 0.9}


@pytest.fixture(scope="module")
def wide(small_bench_text):
    return parse_bench(small_bench_text(**WIDE), "bench.toml")


@pytest.fixture(scope="module")
def round_one(small_bench_text):
    """The same with a round pupil that lies inside the panel."""
    return parse_bench(small_bench_text(light__beam_diameter_mm=100.0), "bench.toml")


@pytest.fixture(scope="module")
def bench(small_bench_text):
    return parse_bench(small_bench_text(optics__aberration={"5": 0.08, "8": -0.05}), "bench.toml")


def of(bench, *terms, **rest):
    return add(blank_mask(bench), bench, Sum(terms=terms, **rest))


def light(bench, mask, *places):
    """Share of the light, by the direct sum of what the levels make, at some (x, y) or (x, y, z)."""
    points = np.array([[*place, 0.0][:3] for place in places])
    return np.abs(direct_fields(light_path(bench), phase_of_levels(mask.levels, bench.panel), points)) ** 2


# ---------------------------------------------------------------------------------------------------------------------
# gratings: J. W. Goodman, Introduction to Fourier Optics, sec. 4.4; G. J. Swanson, MIT Lincoln Laboratory TR-854 (1989)


@pytest.mark.parametrize(("period", "share"), [(4, 0.810569), (8, 0.949641), (16, 0.987215)])
@pytest.mark.parametrize("angle", [0, 90, 180, -90])
def test_a_blazed_grating_of_so_many_steps_has_the_published_first_order(wide, period, share, angle):
    """Swanson's table: L steps a period put sinc^2(1 / L) into the first order, which lies where the angle says."""
    where = first_order_um(wide, period, angle)
    assert np.hypot(*where) == pytest.approx(wide.field_um / period)
    x, y = where
    found = light(wide, of(wide, ("grating", {"period_px": period, "angle_deg": angle})), where, (-x, -y), (0, 0))
    assert found[0] == pytest.approx(share, abs=1e-3)  # rounded to 212 levels
    assert (found[1:] < 2e-3).all()
    assert [np.sign(round(value, 6)) for value in where] == [round(np.cos(np.deg2rad(angle))), round(np.sin(np.deg2rad(angle)))]


@settings(max_examples=15, deadline=None)
@given(angle=st.floats(-180, 180), period=st.floats(4, 12))
def test_a_grating_is_a_tilt(wide, angle, period):
    found = of(wide, ("grating", {"period_px": period, "angle_deg": angle})).phase
    tilted = of(wide, by_um=first_order_um(wide, period, angle)).phase
    np.testing.assert_allclose(np.angle(np.exp(1j * (found - tilted))), 0, atol=1e-5)


@pytest.mark.parametrize("depth", [0.0, 0.7, np.pi / 2, np.pi, 4.0])
def test_a_binary_grating_shares_the_light_by_its_depth(wide, depth):
    """cos^2(phi / 2) stays, (2 / pi)^2 sin^2(phi / 2) goes into each first order, nothing into even ones."""
    mask = of(wide, ("stripes", {"period_px": 8, "angle_deg": 0, "depth_rad": depth}))
    x, _ = first_order_um(wide, 8, 0)
    middle, right, left, second = light(wide, mask, (0, 0), (x, 0), (-x, 0), (2 * x, 0))
    levels_of_depth = round(depth * 212 / (2 * np.pi)) * 2 * np.pi / 212
    assert middle == pytest.approx(np.cos(levels_of_depth / 2) ** 2, abs=2e-3)
    assert right == pytest.approx(0.405285 * np.sin(levels_of_depth / 2) ** 2, abs=2e-3)
    assert left == pytest.approx(right, abs=4e-3)  # the rings around the other orders reach there
    assert second < 1e-3


def test_a_checker_sends_the_light_into_four_diagonal_orders(wide):
    """The product of two binary gratings: (4 / pi^2)^2 each."""
    mask = of(wide, ("checker", {"cell_px": 4, "depth_rad": np.pi}))
    x = wide.field_um / 8
    found = light(wide, mask, (x, x), (-x, x), (x, -x), (-x, -x), (0, 0), (x, 0))
    np.testing.assert_allclose(found, [0.164256] * 4 + [0, 0], atol=2e-3)


@pytest.mark.parametrize("angle", [0, 90, 37])
@pytest.mark.parametrize("size", [(96, 80), (97, 81)])
def test_half_of_each_period_is_up(small_bench_text, size, angle):
    """Also where edges run through the middles of pixels, as on panels of odd size and of any pitch."""
    columns, rows = size
    bench = parse_bench(small_bench_text(panel__columns=columns, panel__rows=rows, panel__pitch_um=9.2), "bench.toml")
    up = pattern(bench, "stripes", {"period_px": 8, "angle_deg": angle})[: rows // 8 * 8, : columns // 8 * 8]
    assert up.mean() == pytest.approx(0.5, abs=0.0 if angle in (0, 90) else 0.01)
    if angle != 37:
        lines = up if angle == 90 else up.T
        assert (lines == lines[:, :1]).all()


# ---------------------------------------------------------------------------------------------------------------------
# other terms


def test_a_spiral_is_dark_in_the_middle_and_winds_one_way(round_one):
    """The focus of a spiral of charge l has a phase that winds l times, the same way round (Allen et al. 1992, from memory)."""
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    ring = 0.9 * round_one.airy_radius_um * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    for charge in (1, -2):
        mask = of(round_one, ("spiral", {"charge": charge, "x_mm": 0.0, "y_mm": 0.0}))
        assert light(round_one, mask, (0, 0))[0] < 1e-3
        points = np.column_stack([ring, np.zeros(40)])
        field = direct_fields(light_path(round_one), phase_of_levels(mask.levels, round_one.panel), points)
        assert np.abs(field).min() > 0.1
        steps = np.angle(np.roll(field, -1) / field)
        assert steps.sum() / (2 * np.pi) == pytest.approx(charge, abs=1e-6)


def test_an_axicon_makes_a_ring_of_its_radius(wide):
    mask = of(wide, ("axicon", {"radius_um": 5.0, "x_mm": 0.0, "y_mm": 0.0}))
    radii = np.linspace(0, 10, 201)
    for direction in ((1, 0), (0, -1), (0.6, 0.8)):
        profile = light(wide, mask, *(radius * np.array(direction) for radius in radii))
        assert radii[profile.argmax()] == pytest.approx(5.0, abs=wide.airy_radius_um / 2)
        assert profile[0] < 0.1 * profile.max()


def test_a_half_plane_splits_the_spot_along_its_angle(wide):
    def spread(angle):
        mask = of(wide, ("half-plane", {"angle_deg": angle, "x_mm": 0.0, "y_mm": 0.0, "depth_rad": np.pi}))
        d = wide.airy_radius_um
        return light(wide, mask, (0, 0), (d, 0), (-d, 0), (0, d))

    middle, right, left, below = spread(0)
    assert middle < 1e-3
    assert right == pytest.approx(left, rel=0.05)
    assert right > 0.1 > 100 * below
    assert spread(90)[3] > 0.1 > 100 * spread(90)[1]


def test_patterns_lie_where_they_are_wanted(wide):
    """Row 0 is on top, y points down; the middle of the 96 x 80 panel lies between pixels."""
    half = pattern(wide, "half-plane", {"angle_deg": 90, "x_mm": 0.0, "y_mm": 0.1})
    assert half.sum(axis=0).tolist() == [30] * 96
    assert half[50:].all()
    assert pattern(wide, "half-plane", {"angle_deg": 0, "x_mm": -0.2, "y_mm": 0.0})[:, 28:].all()
    cross = pattern(wide, "crosshair", {"width_px": 3, "x_mm": 0.2, "y_mm": -0.1})
    assert np.flatnonzero(cross[0]).tolist() == [66, 67, 68]
    assert np.flatnonzero(cross[:, 0]).tolist() == [28, 29, 30]
    checks = pattern(wide, "checker", {"cell_px": 10})
    assert (checks[0, 0], checks[0, 10], checks[10, 0], checks[10, 10]) == (False, True, True, False)


@pytest.mark.parametrize("noll", [3, 4, 8])
def test_a_polynomial_has_the_rms_that_is_asked_for(demo_bench, noll):
    """Noll (1976): rms 1 over the pupil."""
    found = term(demo_bench, "zernike", {"noll": noll, "waves": 0.3})
    inside = light_path(demo_bench).pupil
    assert np.sqrt((found.phase[inside] ** 2).mean()) == pytest.approx(0.3 * 2 * np.pi, rel=2e-3)
    assert (found.phase[~inside] == 0).all()


def test_minus_an_aberration_takes_it_off(bench):
    """The spot is that of the bench without it; `corrected` does the same."""
    terms = [("zernike", {"noll": noll, "waves": -waves}) for noll, waves in bench.optics.aberration]
    spots = [light(bench, mask, (0, 0))[0] for mask in (of(bench), of(bench, *terms), of(bench, corrected=True))]
    assert spots[0] < 0.85
    np.testing.assert_allclose(spots[1:], 1, atol=1e-3)


# ---------------------------------------------------------------------------------------------------------------------
# sums


@pytest.fixture(scope="module")
def pair(bench):
    """A designed mask of two spots beside each other."""
    return design(bench, from_sites([[0, 0], [1, 0]]), options=DesignOptions(effort="quick")).mask


def test_a_nudge_is_a_sum_with_a_tilt(bench, pair):
    from holo.mask import nudge_mask

    moved = nudge_mask(pair, light_path(bench), bench.panel, (-1.5, 2.0), 0.5)
    summed = add(pair, bench, Sum(by_um=(-1.5, 2.0), focus_um=0.5))
    assert np.array_equal(moved.levels, summed.levels)
    assert moved.record["nudges"] == summed.record["nudges"]


def test_a_sum_of_masks_is_corrected_once(bench, pair, tmp_path):
    """Each spot of one becomes the light of the other (convolution), as sharp as a mask by itself: the aberration is off once."""
    split = design(bench, from_sites([[0, -1], [0, -2.5]]), options=DesignOptions(effort="quick")).mask
    write_mask(tmp_path / "split.tiff", split)
    summed = add(pair, bench, Sum(masks=(tmp_path / "split.tiff",)))
    ones = np.array([[6.0, 4.0], [9.0, 4.0]])
    others = np.array([[6.0, 1.0], [6.0, -3.5]])
    places = (ones[:, None] + others).reshape(-1, 2)
    found = light(bench, summed, *places)
    apart = light(bench, pair, *ones).sum() * light(bench, split, *others).sum()
    assert found.sum() > 0.85 * apart
    twice = levels_of_phase(pair.phase + split.phase, bench.panel)
    assert light(bench, type(pair)(twice, pair.phase, {}), *places).sum() < 0.85 * found.sum()


def test_response_and_flatness_are_applied_once(small_bench_text, tmp_path):
    rng = np.random.default_rng(3)
    tifffile.imwrite(tmp_path / "flatness.tiff", rng.uniform(-2, 2, (80, 96)).astype(np.float32))
    (tmp_path / "bench.toml").write_text(small_bench_text(panel__flatness_tiff="flatness.tiff"))
    bench = parse_bench((tmp_path / "bench.toml").read_text(), tmp_path / "bench.toml")
    first = of(bench, ("grating", {"period_px": 7.3, "angle_deg": 20}))
    write_mask(tmp_path / "first.tiff", first)
    summed = add(first, bench, Sum(terms=(("spiral", {"charge": 3, "x_mm": 0.0, "y_mm": 0.0}),), masks=(tmp_path / "first.tiff",)))
    wanted = 2 * first.phase.astype(float) + term(bench, "spiral", {"charge": 3, "x_mm": 0.0, "y_mm": 0.0}).phase
    off = np.angle(np.exp(1j * (phase_of_levels(summed.levels, bench.panel) - wanted)))
    assert np.abs(off).max() < np.pi / 212 + 1e-4


@settings(max_examples=20, deadline=None)
@given(
    kinds=st.lists(st.sampled_from(sorted(KINDS)), max_size=3),
    by=st.tuples(st.floats(-5, 5), st.floats(-5, 5)),
    data=st.data(),
)
def test_any_sum_is_made_again_bit_for_bit_from_its_record(bench, kinds, by, data):
    def value(limit):
        low, high = max(limit.low, -20), min(limit.high, 20)
        return data.draw(st.integers(int(low), int(high)) if limit.whole else st.floats(low, high))

    terms = tuple((kind, {name: value(limit) for name, limit in KINDS[kind].all_values.items()}) for kind in kinds)
    mask = add(add(blank_mask(bench), bench, Sum(by_um=by)), bench, Sum(focus_um=0.3, terms=terms))
    again = remake_blank(json.loads(json.dumps(mask.record)))
    assert is_blank(again.record)
    assert np.array_equal(again.levels, mask.levels)
    assert np.array_equal(again.phase, mask.phase)
    assert again.record["nudges"] == mask.record["nudges"]


def test_a_designed_mask_with_everything_added_is_made_again(bench, pair, tmp_path):
    np.save(tmp_path / "more.npy", np.linspace(-9, 9, 80 * 96).reshape(80, 96))
    write_mask(tmp_path / "other.tiff", of(bench, ("checker", {"cell_px": 5, "depth_rad": 1.0})))
    wanted = Sum((1.0, 0.0), 0.0, (("axicon", {"radius_um": 2.0, "x_mm": 0.0, "y_mm": 0.1}),), ((tmp_path / "more.npy", -0.5),))
    mask = add(add(pair, bench, wanted), bench, Sum(masks=(tmp_path / "other.tiff",)))
    again = remake(mask.record)
    assert np.array_equal(again.mask.levels, mask.levels)
    assert again.mask.record["nudges"] == mask.record["nudges"]
    np.save(tmp_path / "more.npy", np.zeros((80, 96)))
    with pytest.raises(InputError, match=r"more\.npy: found sha256:.*; allowed: sha256:.*, the file that the mask was made with"):
        remake(mask.record)


# ---------------------------------------------------------------------------------------------------------------------
# the command


@pytest.fixture
def lab(tmp_path, monkeypatch, small_bench_text, pair):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(small_bench_text(optics__aberration={"5": 0.08, "8": -0.05}))
    write_mask(tmp_path / "mask.tiff", pair)
    np.save("small.npy", np.zeros((2, 2)))
    np.save("whole.npy", np.zeros((80, 96), np.uint8))
    np.save("nan.npy", np.full((80, 96), np.nan))
    (tmp_path / "wide.toml").write_text(small_bench_text(panel__columns=128))
    return tmp_path


def holo_(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args], catch_exceptions=False)


def test_the_record_tells_what_was_summed(lab):
    terms = ("--tilt-um", 1, 0.5, "--zernike", 12, 0.05, "--index", "ansi", "--spiral", 2)
    run = holo_("add", "mask.tiff", "-o", "sum.tiff", *terms, "--json")
    assert run.exit_code == 0, run.stderr
    told = json.loads(run.stdout)
    assert told["added"] == [{"term": "zernike: noll 11, waves 0.05"}, {"term": "spiral: charge 2, x mm 0.0, y mm 0.0"}]
    shown = holo_("inspect", "sum.tiff").stdout
    assert "zernike: noll 11, waves 0.05; spiral: charge 2" in shown
    predicted = json.loads(holo_("predict", "sum.tiff", "--bench", "bench.toml", "--json").stdout)
    assert predicted["efficiency"] < 0.1  # the sites, moved along, lie in the dark middles of the rings
    assert json.loads(holo_("design", "--again", "sum.tiff", "-o", "again.tiff", "--json").stdout)["same_mask"]


def test_a_report_tells_what_was_added(bench, pair):
    from holo.report.page import record_rows

    mask = add(pair, bench, Sum((1.0, 0.0), terms=(("zernike", {"noll": 11, "waves": 0.05}),)))
    rows = record_rows({"record": mask.record, "levels_digest": "", "seconds": None})
    assert ("nudged by", "1, 0 um, focus 0 um") in rows
    assert ("added", "zernike: noll 11, waves 0.05") in rows


def test_a_sum_of_masks_has_no_sites_of_its_own(lab):
    assert holo_("add", "--bench", "bench.toml", "--grating", 8, 0, "-o", "grating.tiff").exit_code == 0
    run = holo_("add", "mask.tiff", "grating.tiff", "-o", "sum.tiff")
    assert run.exit_code == 0
    run = holo_("predict", "sum.tiff", "--bench", "bench.toml")
    assert run.exit_code == 2
    assert "a sum of masks has no sites of its own: name an arrangement" in run.stderr
    assert json.loads(holo_("design", "--again", "sum.tiff", "-o", "again.tiff", "--json").stdout)["same_mask"]


@pytest.mark.parametrize("levels", [(0, 106), (255, 3)])
def test_levels_are_written_as_they_are(lab, levels):
    run = holo_("add", "--bench", "bench.toml", "-o", "two.tiff", "--stripes", 8, 90, "--levels", *levels)
    assert run.exit_code == 0, run.stderr
    found = read_mask(lab / "two.tiff").levels
    assert np.array_equal(found[:8, 0], np.repeat(levels, 4))
    assert (found == found[:, :1]).all()
    assert json.loads(holo_("design", "--again", "two.tiff", "-o", "again.tiff", "--json").stdout)["same_mask"]
    assert np.array_equal(read_mask(lab / "again.tiff").levels, found)
    assert holo_("add", "--bench", "bench.toml", "-o", "one.tiff", "--level", levels[0]).exit_code == 0
    assert (read_mask(lab / "one.tiff").levels == levels[0]).all()


@pytest.mark.parametrize(
    ("command", "message"),
    [
        ("", "needed: a MASK to add to, or --bench"),
        ("mask.tiff", "found nothing to add; allowed: a second MASK, or options"),
        ("nowhere.tiff --spiral 1", r"nowhere.tiff: no such file"),
        ("bench.toml --spiral 1", r"bench.toml: not a readable TIFF file"),
        ("mask.tiff nowhere.tiff", r"nowhere.tiff: no such file"),
        ("mask.tiff --bench wide.toml --spiral 1", r"mask.tiff: phase: found shape (80, 96); allowed: 80 rows by 128"),
        ("mask.tiff --zernike 0 1", "noll: found 0; allowed: a whole number from 1 to 120"),
        ("mask.tiff --zernike -1 1 --index ansi", "j: found OSA/ANSI index -1; allowed: from 0 up"),
        ("mask.tiff --zernike 4 nan", "waves: found nan; allowed: a number from -100 to 100"),
        ("mask.tiff --zernike 4.5 1", "'4.5' is not a valid integer"),
        ("mask.tiff --tilt-um inf 0", "dx_um: found inf; allowed: from -10000 to 10000 um"),
        ("mask.tiff --tilt-um 100 0", "found outside the field; allowed: x and y from"),
        ("mask.tiff --grating 1.5 0", "period_px: found 1.5; allowed: a number from 2 to 16384"),
        ("mask.tiff --checker 0", "cell_px: found 0; allowed: a whole number from 1 to 16384"),
        ("mask.tiff --spiral 1 --centre-mm nan 0", "x_mm: found nan; allowed: a number from -1000 to 1000"),
        ("mask.tiff --array nowhere.npy 1", "nowhere.npy: no such file"),
        ("mask.tiff --array small.npy 1", "small.npy: found shape (2, 2); allowed: 80 rows by 96 columns"),
        ("mask.tiff --array whole.npy 1", "whole.npy: found no floats; allowed: phases in rad"),
        ("mask.tiff --array nan.npy 1", "nan.npy: found values that are not finite"),
        ("mask.tiff --array small.npy nan", "small.npy: factor: found nan"),
        ("mask.tiff --array bench.toml 1", "bench.toml: found suffix '.toml'; allowed: .tiff, .tif, .npy"),
        ("mask.tiff --corrected", "corrected: found for a sum with a designed mask"),
        ("--bench bench.toml --level 256", "levels: found 256; allowed: whole numbers from 0 to 255"),
        ("--bench bench.toml --level 3 --levels 1 2", "found both --level and --levels"),
        ("--bench bench.toml --level 3 --checker 4", "found 1 terms beside levels; allowed: none with --level"),
        ("--bench bench.toml --levels 3 4", "found 0 terms beside levels"),
        ("--bench bench.toml --levels 3 4 --spiral 1", "found 1 terms beside levels"),
        ("--bench bench.toml --levels 3 4 --checker 4 --depth-rad 1", "found --depth-rad beside levels"),
        ("mask.tiff --level 3", "found masks or terms beside levels"),
        ("mask.tiff --spiral 1 -o mask.tiff", "mask.tiff: exists already"),
    ],
)
def test_bad_sums_are_refused_and_write_nothing(lab, command, message):
    before = {path: path.read_bytes() for path in lab.iterdir()}
    words = command.split()
    run = holo_("add", *words, *(() if "-o" in words else ("-o", "new.tiff")))
    assert run.exit_code == 2
    assert message in run.stderr.replace("\n", " ")
    assert {path: path.read_bytes() for path in lab.iterdir()} == before


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        (3, "added[0]: found 3; allowed: zernike, spiral"),
        ({"kind": "mirror"}, "added[0]: found 'mirror'; allowed: zernike, spiral"),
        ({"kind": ["zernike"]}, "added[0]: found ['zernike']; allowed: zernike"),
        ({"kind": "zernike", "noll": 4}, "added[0].waves: found None; allowed: a number"),
        ({"kind": "zernike", "noll": 4, "waves": 1, "more": 2}, "added[0].'more': found for the kind zernike; allowed: noll, waves"),
        ({"kind": "array", "path": "a.npy", "digest": "sha256:0"}, "added[0].factor: missing"),
        ({"kind": "levels", "low": "0", "high": 1, "pattern": None}, "added[0].low: found '0'; allowed: a whole number"),
    ],
)
def test_a_record_with_wrong_addends_is_refused(lab, entry, message):
    mask = read_mask(lab / "mask.tiff")
    mask.record["nudges"].append({"x_um": 0, "y_um": 0, "focus_um": 0, "added": [entry]})
    tifffile.imwrite(lab / "wrong.tiff", mask.levels, description=json.dumps(mask.record), metadata=None)
    tifffile.imwrite(lab / "wrong.tiff", mask.phase, append=True, metadata=None)
    run = holo_("inspect", "wrong.tiff")
    assert run.exit_code == 2
    assert message in run.stderr
