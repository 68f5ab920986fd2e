"""Balance on a simulated bench that is none of holo's code (lit_sites.py): truth hidden, noise floor from photon statistics."""

from __future__ import annotations

import csv
import io
import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from lit_sites import SIGMA_PX, TIME, bench_with

from holo.affine import Affine
from holo.arrangement import block, from_sites
from holo.balance import LARGEST_FACTOR, Change, Factors, balance, correct, process_law
from holo.cli.balance import command
from holo.design import DesignOptions, design, recorded_correction, remake
from holo.dialogue import converse, open_run, start_run
from holo.errors import CalibrationError, InputError, OutputExistsError
from holo.frames import frame_of, write_frame
from holo.mask import check_mask, read_mask
from holo.record import recorded_sites
from holo.registration import Registration, registration_text
from holo.site_light import measure_light


def answered(truth, frames=None):
    """Let the simulator answer the dialogue; its outcome, and the true spread of each mask that it showed."""
    dialogue = balance(truth.start)
    ask, spreads = next(dialogue), []
    while True:
        spreads.append(truth.spread(ask.mask.levels))
        try:
            ask = dialogue.send(truth.take(ask.mask.levels, len(spreads) - 1))
        except StopIteration as end:
            return end.value, spreads


def quick(side=4, **options):
    """A small case for what does not depend on the number of sites."""
    return bench_with(side, **{"frames": 2, "effort": "quick", "coarse": 5, **options})


def refused(truth, frame):
    dialogue = balance(truth.start)
    ask = next(dialogue)
    return dialogue.send(frame(ask.mask.levels))


@pytest.fixture(scope="module")
def hundred():
    truth = bench_with(10)
    return truth, *answered(truth)


# ---------------------------------------------------------------------------------------------------------------------
# the figures


def test_a_hundred_sites_come_level(hundred):
    """15 % to below 0.3 % in at most 8 frames of 40,000 electrons per site; 1,024 sites and other truths: tests/benchmarks/balance.py."""
    truth, outcome, spreads = hundred
    assert spreads[0] == pytest.approx(0.15, rel=0.05)
    assert len(spreads) <= 8
    assert truth.spread(outcome.design.mask.levels) < 0.003


def test_what_is_said_of_the_spread_is_true(hundred):
    truth, outcome, spreads = hundred
    for entry, true in zip(outcome.rounds, spreads, strict=True):
        assert entry.true_spread**2 == pytest.approx(true**2, abs=4 * np.sqrt(2 / 99) * entry.measured_spread**2)
        assert entry.true_spread_error > 0
        if entry.expected_spread is not None and entry is not outcome.rounds[2]:
            assert entry.expected_spread == pytest.approx(true, rel=0.3)  # a spread of 100 sites is known to 7 %
    assert outcome.expected_spread == pytest.approx(truth.spread(outcome.design.mask.levels), rel=0.3)
    assert outcome.floor < outcome.expected_spread
    assert outcome.summary()["limited_by"] == "noise"


def test_the_noise_is_that_of_the_photons(hundred):
    """Between that of all electrons within two widths and that of a fit with a free curvature (Fisher information of Poisson numbers)."""
    truth, outcome, _ = hundred
    levels = next(balance(truth.start)).mask.levels
    electrons = truth.picture(levels) * (truth.electrons / (2 * np.pi * SIGMA_PX**2) / truth.light(levels).mean())
    row, column = np.indices(electrons.shape)
    least, most = [], []
    for x, y in truth.xyz_um[:, :2] @ truth.matrix + truth.offset:
        square = (column - x) ** 2 + (row - y) ** 2
        near = square < (2 * 1.64) ** 2  # widths of an Airy pattern
        weight = electrons[near] ** 2 / (electrons[near] + 2 + 2**2 + 2.5**2 / 12)  # background, read noise, whole counts
        zero, one, two = ((weight * square[near] ** power).sum() for power in range(3))
        least.append(1 / zero)
        most.append(two / (zero * two - one**2))
    assert 1.0 < np.sqrt(np.mean(least) * truth.electrons) < 1.2
    assert 1.6 < np.sqrt(np.mean(most) * truth.electrons) < 2.0
    for entry in outcome.rounds:
        assert 0.97 * np.sqrt(np.mean(least)) < entry.noise < 1.03 * np.sqrt(np.mean(most))


def test_the_factors_are_right_to_their_errors(hundred):
    truth, outcome, _ = hundred
    rows = list(csv.DictReader(io.StringIO(outcome.files({})["balance.csv"].decode())))
    table = {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}
    prediction = outcome.design.prediction
    true = np.log(truth.light(outcome.design.mask.levels) / prediction.intensity)
    off = np.log(table["factor"]) - true
    pulls = (off - off.mean()) / table["error"]
    assert 0.75 < pulls.std() < 1.25  # 100 sites: +- 0.07
    assert (np.column_stack([table["i"], table["j"]]) == truth.start.arrangement.ij).all()
    assert (table["target"] == 1).all()
    assert table["intensity"] == pytest.approx(np.ones(100), abs=1e-3)


@pytest.mark.parametrize("camera", [{}, {"told": False}, {"shots": 3}, {"background": 30.0}])
def test_error_bars_of_the_light_against_realised_scatter(camera):
    truth = quick(5, **camera)
    bench, to_camera = truth.start.bench, truth.start.registration.plane_to_camera
    made = design(bench, truth.start.arrangement, truth.start.registration, DesignOptions(effort="quick"))
    levels, intensity = made.mask.levels, made.prediction.intensity
    picture = truth.picture(levels)
    found = []
    for step in range(12):
        frame = frame_of(truth.exposed(picture, levels, step), bench.camera)
        found.append(measure_light(frame, bench, levels, truth.xyz_um[:, :2], intensity, to_camera))
    logs, errors = np.log([light.ratio for light in found]), np.array([light.error for light in found])
    assert logs.std(axis=0, ddof=1).mean() == pytest.approx(errors.mean(), rel=0.15)  # 275 degrees of freedom: +- 0.043
    off = logs.mean(axis=0) - np.log(truth.light(levels) / intensity)
    assert off.std() < 1.6 * errors.mean() / np.sqrt(12)


@pytest.mark.parametrize(("waves", "px_per_um", "most"), [({}, 5.0, 0.001), ({}, 4.87, 0.001), ({6: 0.05, 8: 0.05}, 4.87, 0.0025)])
def test_light_between_the_spots_is_no_difference_of_the_sites(waves, px_per_um, most):
    """A camera that adds up whole spots sees a spread of a per cent that the atoms do not, the more so with an unknown aberration.

    At 4.87 px/um each spot lies differently on its pixels: the shape that an aberration gives to all of them then looks like a difference
    of 0.5 % between sites, unless it is allowed for.
    """
    truth = quick(6, spread=0.0, waves=waves)
    bench, registration = truth.start.bench, truth.start.registration
    truth.matrix = truth.matrix * px_per_um / 5
    truth.offset = np.array([bench.camera.columns, bench.camera.rows]) / 2 - truth.matrix @ truth.xyz_um[:, :2].mean(axis=0)
    made = design(bench, truth.start.arrangement, registration)
    picture = truth.picture(made.mask.levels)
    frame = frame_of(3000 * picture / picture.max() + np.random.default_rng(0).normal(100, 0.1, picture.shape), bench.camera)
    intensity, to_camera = made.prediction.intensity, Affine(truth.matrix, truth.offset)
    light = measure_light(frame, bench, made.mask.levels, truth.xyz_um[:, :2], intensity, to_camera, frames=1000)
    there = np.pad(light.shift_px / np.diag(truth.matrix), (0, 1))  # coma moves all spots; a registration would have told
    true = truth.light(made.mask.levels, there)
    row, column = np.indices(picture.shape)
    places = truth.xyz_um[:, :2] @ truth.matrix + truth.offset + light.shift_px
    whole = np.array([picture[np.hypot(column - x, row - y) < 5].sum() for x, y in places])
    assert np.log(whole / true).std() > 0.007
    assert np.log(light.ratio * intensity / true).std() < most


# ---------------------------------------------------------------------------------------------------------------------
# what a bench may do


def test_drift_between_frames_is_followed():
    truth = quick(frames=3, drift_px=(9.4, -6.3), electrons=1e5)
    outcome, _ = answered(truth)
    for step, entry in enumerate(outcome.rounds):
        assert entry.shift_px == pytest.approx(step * truth.drift_px, abs=0.05)
    assert truth.spread(outcome.design.mask.levels) < 0.004


def test_aberrated_spots_are_followed_too():
    """They are wider than those of the bench file."""
    truth = quick(waves={6: 0.08, 8: 0.05}, drift_px=(9.4, -6.3))
    outcome, _ = answered(truth)
    first, second = (entry.shift_px for entry in outcome.rounds)
    assert first[0] > 0.3  # by the coma, which a registration would have told
    assert np.subtract(second, first) == pytest.approx(truth.drift_px, abs=0.05)


def test_it_ends_where_another_frame_would_not_help():
    """With many electrons the rounding to levels decides, which the effort quick leaves as it is."""
    truth = quick(frames=8, shots=10, electrons=1e5)
    outcome, spreads = answered(truth)
    assert len(spreads) < 5
    assert outcome.summary()["limited_by"] == "levels"
    assert outcome.floor > 0.9 * outcome.expected_spread
    assert truth.spread(outcome.design.mask.levels) == pytest.approx(outcome.expected_spread, rel=0.5)  # of 16 sites


def test_targets_that_differ_are_kept():
    target = np.linspace(0.5, 2, 16)
    truth = quick(arrangement=block(4, 4).with_target(target), electrons=1e5)
    outcome, spreads = answered(truth)
    light = truth.light(outcome.design.mask.levels)
    assert spreads[0] > 0.1
    assert light / light.mean() == pytest.approx(target / target.mean(), rel=0.015)


def test_a_site_without_light_is_left_out_and_told():
    truth = quick()
    truth.factor[5] = 0.0
    outcome, _ = answered(truth)
    (note,) = outcome.notes
    assert note.startswith("1 site(s), (1, 1), show no light")
    assert not outcome.levelled[5]
    assert outcome.levelled.sum() == 15
    assert truth.spread(outcome.design.mask.levels, outcome.levelled) < 0.01
    relative = outcome.design.prediction.intensity
    assert 0.5 < relative[5] / np.median(relative) < 2
    assert ",," in outcome.files({})["balance.csv"].decode().splitlines()[6]


def test_no_site_is_given_power_without_bound():
    truth = quick()
    truth.factor[5] = 0.08
    outcome, _ = answered(truth)
    (note,) = outcome.notes
    assert note.startswith("1 site(s), (1, 1), differ from the others by more than a factor of 4")
    assert truth.spread(outcome.design.mask.levels, outcome.levelled) < 0.01
    asked = outcome.design.prediction.sites.target
    assert asked[5] == LARGEST_FACTOR


def test_sites_out_of_view_keep_their_predicted_level():
    truth = quick(5, spread=0.1)
    away = np.array([-60.0, 0.0])
    truth.offset = truth.offset + away
    registration = truth.start.registration
    moved = replace(registration.plane_to_camera, offset=registration.plane_to_camera.offset + away)
    truth.start = replace(truth.start, registration=replace(registration, plane_to_camera=moved))
    outcome, _ = answered(truth)
    (note,) = outcome.notes
    assert note.startswith("5 site(s), (4, 0), (4, 1), (4, 2), (4, 3), (4, 4), were not seen")
    assert (outcome.factors.log[~outcome.levelled] == 0).all()
    assert truth.spread(outcome.design.mask.levels, outcome.levelled) < 0.01


def test_the_shift_of_a_bright_unmodulated_spot_does_not_mislead():
    truth = quick()
    mask = next(balance(truth.start)).mask
    stack = truth.take(mask.levels, 0)
    stack[:, 5:25, 5:25] = 4095
    light = measure_light(
        frame_of(stack, truth.start.bench.camera), truth.start.bench, mask.levels, truth.xyz_um[:, :2], np.ones(16),
        truth.start.registration.plane_to_camera,
    )  # fmt: skip
    assert light.shift_px == pytest.approx([0, 0], abs=0.05)


class TestRefusals:
    def test_saturated_spots_ask_for_less_light(self):
        truth = quick(electrons=4e5)
        with pytest.raises(
            CalibrationError, match=r"spots: \d+ of 16 are saturated; allowed: none. Expose (0\.\d+) times as long"
        ) as caught:
            refused(truth, lambda levels: truth.take(levels, 0))
        truth.electrons *= float(str(caught.value).split()[-4])
        refused(truth, lambda levels: truth.take(levels, 0))

    def test_a_hot_pixel_saturates_nothing(self):
        truth = quick()
        x, y = np.rint(truth.xyz_um[0, :2] @ truth.matrix + truth.offset).astype(int)

        def frame(levels):
            stack = truth.take(levels, 0)
            stack[:, y + 2, x + 1] = 4095
            return stack

        refused(truth, frame)

    def test_no_light(self):
        truth = quick()
        with pytest.raises(CalibrationError, match=r"frame: found light on 0 of 16 sites in view; needed: half"):
            refused(truth, lambda levels: np.random.default_rng(0).normal(100, 3, truth.picture(levels).shape))

    def test_a_camera_that_looks_elsewhere(self):
        truth = quick()
        registration = truth.start.registration
        far = replace(registration.plane_to_camera, offset=registration.plane_to_camera.offset + 1000)
        truth.start = replace(truth.start, registration=replace(registration, plane_to_camera=far))
        with pytest.raises(CalibrationError, match=r"found 0 of 16 sites where the registration has the camera's view"):
            refused(truth, lambda levels: np.random.default_rng(0).normal(100, 3, truth.picture(levels).shape))

    def test_a_frame_of_another_camera(self):
        with pytest.raises(InputError, match="allowed: 170 x 190"):
            refused(quick(), lambda _: np.zeros((100, 100), np.uint16))

    @pytest.mark.parametrize(
        ("changes", "message"),
        [
            ({"registration": None}, "registration: found none that tells plane_to_camera"),
            ({"arrangement": None}, "arrangement: found 0 bright sites; needed: two"),
            ({"arrangement": from_sites([[0, 0], [1, 0]], [1.0, 0.0])}, "arrangement: found 1 bright sites; needed: two"),
            ({"options": {"frames": 0}}, "frames: found 0; allowed: a whole number from 1 to 100"),
            ({"options": {"effort": "hard"}}, "effort: found 'hard'"),
            ({"options": {"speed": 1}}, "allowed: frames, effort and seed"),
        ],
    )
    def test_starts(self, changes, message):
        with pytest.raises(InputError, match=message):
            next(balance(replace(quick().start, **changes)))

    def test_a_registration_without_camera(self):
        start = quick().start
        bare = Registration(lattice_to_plane=start.registration.lattice_to_plane, time=TIME)
        with pytest.raises(InputError, match="plane_to_camera"):
            next(balance(replace(start, registration=bare)))


# ---------------------------------------------------------------------------------------------------------------------
# files and runs


def test_the_balanced_mask_can_be_made_again_from_its_record(tmp_path):
    truth = quick()
    outcome, _ = answered(truth)
    (tmp_path / "balanced.tiff").write_bytes(outcome.files({})["balanced.tiff"])
    mask = read_mask(tmp_path / "balanced.tiff")
    check_mask("balanced.tiff", mask)
    again = remake(mask.record)
    assert (again.mask.levels == mask.levels).all()
    assert (again.mask.phase == mask.phase).all()
    assert mask.record["time"] == TIME
    assert mask.record["figures"]["spread"] < 0.01  # of the light to be expected on the wanted targets
    assert (recorded_sites(mask.record, truth.start.bench).target == 1).all()
    assert outcome.files({}) == answered(truth)[0].files({})


def test_stopped_at_any_frame_the_run_ends_the_same(tmp_path):
    truth = quick(3, frames=3)

    def begin(folder):
        return start_run(folder, "balance", balance, truth.start.sources, truth.start.options)

    class Stopped(Exception):
        pass

    def stopping(at):
        def take(levels, step):
            if step == at:
                raise Stopped
            return truth.take(levels, step)

        return take

    run = begin(tmp_path / "one")
    shutil.copytree(tmp_path / "one", tmp_path / "two")
    converse(run, truth.take)
    for at in range(run.step):
        with pytest.raises(Stopped):
            converse(open_run(tmp_path / "two", "balance", balance), stopping(at))
    with pytest.raises(CalibrationError, match="found light on 0"):
        open_run(tmp_path / "two", "balance", balance).answer(np.full((145, 165), 100, np.uint16))
    converse(open_run(tmp_path / "two", "balance", balance), truth.take)
    one, two = ({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()} for name in ("one", "two"))
    assert one == two
    assert {"balanced.tiff", "balance.csv"} < set(one)


def test_commands(tmp_path):
    truth = quick(3, frames=1)
    start = truth.start
    (tmp_path / "bench.toml").write_text(start.bench.text)
    (tmp_path / "nine.toml").write_text("[[add]]\nblock = [3, 3]\n")
    (tmp_path / "registration.toml").write_text(registration_text(start.registration))

    def result(*arguments):
        found = CliRunner().invoke(command, [str(argument) for argument in arguments] + ["--json"], catch_exceptions=False)
        assert found.exit_code == 0, found.stderr
        return json.loads(found.stdout)

    files = ("--bench", tmp_path / "bench.toml", "--run", tmp_path / "run", "--arrangement", tmp_path / "nine.toml")
    begun = result("start", *files, "--registration", tmp_path / "registration.toml", "--frames", 1, "--effort", "quick")
    write_frame(tmp_path / "frame.tiff", truth.take(read_mask(begun["mask"]).levels, 0))
    done = result("step", "--run", tmp_path / "run", "--frame", tmp_path / "frame.tiff")
    assert done["done"]
    assert done["balanced"] == str(tmp_path / "run" / "balanced.tiff")
    assert truth.spread(read_mask(done["balanced"]).levels) < 0.03
    light = truth.light(read_mask(done["balanced"]).levels)
    values = "\n".join(["i,j,value", *(f"{i},{j},{one!r}" for (i, j), one in zip(start.arrangement.ij, light.tolist(), strict=True))])
    (tmp_path / "values.csv").write_text(values)
    arguments = ("apply", tmp_path / "values.csv", "--mask", done["balanced"], "-o", tmp_path / "new.tiff")
    applied = result(*arguments)
    assert applied["with_value"] == 9
    assert applied["measured_spread"] == pytest.approx(truth.spread(read_mask(done["balanced"]).levels))
    assert truth.spread(read_mask(tmp_path / "new.tiff").levels) < 0.004
    with pytest.raises(OutputExistsError):
        result(*arguments)
    (tmp_path / "values.csv").write_text("i,j,value\n0,0,1\n7,7,1\n")
    with pytest.raises(InputError, match=r"balanced.tiff by .*values.csv: site \(7, 7\): is no bright one of the mask"):
        result(*arguments[:-1], tmp_path / "other.tiff")
    assert not (tmp_path / "other.tiff").exists()


# ---------------------------------------------------------------------------------------------------------------------
# values of the atoms


@pytest.fixture(scope="module")
def uneven():
    """A bench, and the mask of it that is not corrected."""
    truth = bench_with(4, seed=2, coarse=5)
    options = DesignOptions(effort="quick")
    return truth, design(truth.start.bench, truth.start.arrangement, truth.start.registration, options).mask


def test_values_without_error_level_the_sites_at_once(uneven):
    truth, mask = uneven
    ij = truth.start.arrangement.ij
    once = correct(mask, ij, 3 * truth.light(mask.levels))
    assert once.same
    assert once.measured_spread == pytest.approx(truth.spread(mask.levels))
    assert truth.spread(once.design.mask.levels) < 0.005
    twice = correct(once.design.mask, ij[::-1], truth.light(once.design.mask.levels)[::-1])
    assert truth.spread(twice.design.mask.levels) < 0.004
    assert (remake(twice.design.mask.record).mask.levels == twice.design.mask.levels).all()


@pytest.mark.parametrize("power", [0.5, -2.0])
def test_values_may_go_as_another_power_of_the_light(uneven, power):
    truth, mask = uneven
    light = truth.light(mask.levels)
    plain = correct(mask, truth.start.arrangement.ij, light, 0.05 * light)
    value = 3 * light**power
    other = correct(mask, truth.start.arrangement.ij, value, 0.05 * abs(power) * value, power=power)
    assert other.factors.log == pytest.approx(plain.factors.log)
    assert other.factors.variance == pytest.approx(plain.factors.variance)
    assert other.summary() == pytest.approx(plain.summary())


def test_a_power_that_will_not_do(uneven):
    for power in (0.0, np.nan, 1e9):
        with pytest.raises(InputError, match=r"power: found .*; allowed: 0.01 to 100"):
            correct(uneven[1], uneven[0].start.arrangement.ij, np.ones(16), power=power)


def test_errors_damp_the_correction(uneven):
    truth, mask = uneven
    light = truth.light(mask.levels)
    unsure = correct(mask, truth.start.arrangement.ij, light, 5 * light)
    half = correct(mask, truth.start.arrangement.ij, light, 0.1 * light)
    assert (unsure.factors.log == 0).all()
    assert truth.spread(unsure.design.mask.levels) == pytest.approx(truth.spread(mask.levels), rel=0.01)
    assert 0.2 * truth.spread(mask.levels) < truth.spread(half.design.mask.levels) < 0.8 * truth.spread(mask.levels)


def test_sites_without_a_value_are_left_as_they_are(uneven):
    truth, mask = uneven
    some = correct(mask, truth.start.arrangement.ij[:10], truth.light(mask.levels)[:10])
    assert (some.factors.log[10:] == 0).all()
    assert some.told.sum() == 10
    assert truth.spread(some.design.mask.levels, slice(10)) < 0.005
    assert recorded_correction(some.design.mask.record).factor == pytest.approx(np.exp(some.factors.log))


def test_a_nudged_mask_keeps_its_nudges(uneven):
    from holo.field.path import light_path
    from holo.mask import nudge_mask

    truth, mask = uneven
    bench = truth.start.bench
    moved = nudge_mask(mask, light_path(bench), bench.panel, (0.4, -0.2))
    found = correct(moved, truth.start.arrangement.ij, truth.light(mask.levels))
    assert found.design.mask.record["nudges"] == moved.record["nudges"]
    assert found.design.prediction.sites.xyz_um[0] == pytest.approx(truth.xyz_um[0] + [0.4, -0.2, 0])


@pytest.mark.parametrize(
    ("ij", "value", "error", "message"),
    [
        ([[0, 0], [9, 9]], [1, 1], None, r"site \(9, 9\): is no bright one"),
        ([[0, 0], [0, 0]], [1, 1], None, r"site \(0, 0\): is there twice"),
        ([[0, 0], [1, 0]], [1, 0], None, r"site \(1, 0\): found value 0, error 0; allowed: a value above 0"),
        ([[0, 0], [1, 0]], [1, np.nan], None, r"site \(1, 0\): found value nan"),
        ([[0, 0], [1, 0]], [1, 1], [0.1, -0.1], r"site \(1, 0\): found value 1, error -0.1"),
        ([[0, 0]], [1], None, r"found values of 1 site"),
    ],
)
def test_values_that_will_not_do(uneven, ij, value, error, message):
    with pytest.raises(InputError, match=message):
        correct(uneven[1], np.array(ij, float), np.array(value, float), None if error is None else np.array(error))


def test_a_site_in_several_planes_is_ambiguous():
    truth = quick()
    both = from_sites([[0, 0], [0, 0], [2, 0]], z_um=[0.0, 8.0, 0.0])
    mask = design(truth.start.bench, both, truth.start.registration, DesignOptions(effort="quick")).mask
    with pytest.raises(InputError, match=r"site \(0, 0\): lies in several planes"):
        correct(mask, np.array([[0.0, 0.0], [2.0, 0.0]]), np.ones(2))


@pytest.mark.parametrize("wrong", [[1.0], [1.0] * 8 + [0.0], [1.0] * 8 + ["one"]])
def test_a_damaged_correction_is_refused(wrong):
    truth = quick(3)
    mask = design(truth.start.bench, block(3, 3), truth.start.registration, DesignOptions(effort="quick")).mask
    recorded = {"factor": wrong, "real": [1.0] * 9, "imaginary": [0.0] * 9}
    with pytest.raises(InputError, match="correction"):
        remake({**mask.record, "options": {**mask.record["options"], "correction": recorded}})


# ---------------------------------------------------------------------------------------------------------------------
# the filter


def test_constant_factors_average_down_as_they_should():
    """Of k measurements with the same error the best is their mean, with an error less by the root of k."""
    rng = np.random.default_rng(1)
    true = rng.normal(0, 0.15, 400)
    factors, errors = Factors(np.zeros(400), np.zeros(400)), []
    for number in range(8):
        seen = true + rng.normal(0, 0.01, 400) + 3.0 * number  # the exposure is anyone's
        factors, _ = factors.after(seen, np.full(400, 0.01), None if number == 0 else 0.0)
        errors.append((factors.log - true).std())
    assert errors == pytest.approx(0.01 / np.sqrt(np.arange(1, 9)), rel=0.12)
    assert np.sqrt(factors.variance.mean()) == pytest.approx(0.01 / np.sqrt(8), rel=0.01)


def test_factors_that_walk_are_followed_at_the_steady_gain():
    """Error of the filter for a random walk of step q seen with error s: P = (sqrt(q^4 + 4 q^2 s^2) - q^2) / 2, in the steady state."""
    rng = np.random.default_rng(2)
    true, factors, found, off = np.zeros(900), Factors(np.zeros(900), np.zeros(900)), [], []
    for number in range(60):
        true = true + rng.normal(0, 0.004, 900)
        factors, process = factors.after(true + rng.normal(0, 0.01, 900), np.full(900, 0.01))
        found.append(process)
        if number >= 20:
            off.append(np.var(factors.log - true))
    assert np.sqrt(np.mean(found[20:])) == pytest.approx(0.004, rel=0.05)
    steady = (np.sqrt(0.004**4 + 4 * 0.004**2 * 0.01**2) - 0.004**2) / 2
    assert np.mean(off) == pytest.approx(steady, rel=0.05)


def test_a_single_odd_site_does_not_make_all_be_followed_faster():
    rng = np.random.default_rng(3)
    factors, seen, error = Factors(np.zeros(100), np.full(100, 1e-6)), rng.normal(0, 0.01, 100), np.full(100, 0.01)
    plain = factors.after(seen, error)[1]
    seen[7] = 3.0
    assert factors.after(seen, error)[1] - plain < 5e-5


def test_sites_that_tell_nothing_are_left():
    factors, _ = Factors(np.zeros(3), np.zeros(3)).after(np.array([0.2, np.nan, -0.2]), np.array([0.01, np.nan, 0.01]))
    assert factors.log[1] == 0
    assert factors.variance[1] > 0.03  # as unknown as the others differ


def test_noise_is_not_taken_for_change():
    rng = np.random.default_rng(4)
    noise = [Change(0.02, 1e-6, 5e-7), *(Change(1e-6, found, 4e-6) for found in rng.normal(0, 4e-6, 6))]
    base, slope = process_law(noise)
    assert base < 3e-6
    assert slope == pytest.approx(5e-5, rel=0.5)
    assert process_law([]) == (0, 0)
    assert process_law([Change(0.0, 4e-6, 1e-6)]) == (pytest.approx(2e-6), 0)
