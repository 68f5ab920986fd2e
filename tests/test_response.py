"""The response of the panel: on frames of the tests' own simulator, on the twin by command, killed and resumed, and the fit by itself."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
import sensing
from click.testing import CliRunner
from PIL import Image
from sensing import gaussian_beam, simulator_of, start_of
from simulated_frames import exposed

from holo.affine import Affine
from holo.arrangement import from_sites
from holo.bench import demo_bench_text, read_bench
from holo.cli import main
from holo.design import DesignOptions, design
from holo.dialogue import converse, open_run
from holo.errors import CalibrationError, InputError, LinkError
from holo.files import read_csv
from holo.frames import frame_of as fr
from holo.frames import read_frame, write_frame
from holo.gratings import centred, gratings_of, read_orders
from holo.mask import response_of_levels
from holo.predict import predict
from holo.record import recorded_sites
from holo.registration import Registration, place, write_registration
from holo.response import HOLDS, ResponseOptions, camera_map, phase_error, response
from holo.response_fit import EDGE, FLOOR, Shown, compared_pairs, fit_response, shared_pairs
from holo.twin import blur_weights, read_twin

LEVELS = np.arange(256)
BELIEVED = 2 * np.pi * LEVELS / 212
SHAPES = {
    "steep": 1.2 * BELIEVED,
    "flat": 0.85 * BELIEVED,
    "an S": 2.3 * np.pi * (0.5 + 0.5 * np.tanh((LEVELS - 120) / 90) / np.tanh(135 / 90)),
    "late": 2.4 * np.pi * (LEVELS / 255) ** 1.4,
    "two turns": 1.6 * BELIEVED + 0.3 * np.sin(LEVELS / 40),
}
"""Responses that the believed one must not stand in the way of."""


def off(found, true):
    """Difference of phases, less its mean."""
    error = found - true
    return error - error.mean()


# ---------------------------------------------------------------------------------------------------------------------
# the fit by itself


def shown_by(true, rng, frames=40, noise=0.004, gain=(0.0, 0.0, 0.0, 0.0), background=0.01):
    """Light of gratings by the formula, with a laser and an exposure that nobody can rely on."""
    pairs = shared_pairs(BELIEVED, frames, 4, rng)
    delta = (true[pairs[..., 1]] - true[pairs[..., 0]]) * (1 + np.array(gain))
    most = 1e5 * rng.uniform(0.5, 2, (frames, 1)) * rng.uniform(0.5, 1.5, 4)
    power = most * (np.sin(delta / 2) ** 2 + background) + noise * most * rng.standard_normal((frames, 4))
    return Shown(pairs, power, np.full((frames, 4), 10.0), np.full(4, 0.25), np.full(4, 1e4))


@pytest.mark.parametrize("name", SHAPES)
def test_any_response_is_found_on_all_its_turns(name):
    true = SHAPES[name] - SHAPES[name][0]
    fit = fit_response(shown_by(true, np.random.default_rng(3), noise=1e-4), BELIEVED, 12)
    assert np.abs(off(fit.phase, true)).max() < 0.02
    assert fit.phase[0] == 0
    assert fit.unexplained < 0.003


def test_told_errors_are_those_made():
    true = SHAPES["steep"] + 0.3 * np.sin(LEVELS / 40)
    errors, told = [], []
    for seed in range(8):
        fit = fit_response(shown_by(true, np.random.default_rng(seed), noise=3 * FLOOR), BELIEVED, 12)
        errors.append(off(fit.phase, true))
        told.append(fit.error)
        assert 4 < fit.chi2 < 16
    pulls = np.sqrt(np.mean(np.square(errors) / np.square(told)))
    assert 0.7 < pulls < 1.2
    assert np.sqrt(np.mean(np.square(told))) < 0.02


def test_patches_that_differ_are_told_apart():
    gain = np.array([0.03, -0.01, -0.03, 0.01])
    fit = fit_response(shown_by(SHAPES["an S"], np.random.default_rng(0), noise=1e-3, gain=gain), BELIEVED, 12)
    assert fit.gain == pytest.approx(gain, abs=0.003)
    assert (np.abs(fit.gain - gain) < 5 * fit.gain_error).all()
    assert np.abs(off(fit.phase, SHAPES["an S"])).max() < 0.02


def test_a_response_that_falls():
    fit = fit_response(shown_by(-SHAPES["late"], np.random.default_rng(1), noise=1e-3), -BELIEVED, 12)
    assert np.abs(off(fit.phase, -SHAPES["late"])).max() < 0.02


def test_light_that_no_response_makes_is_refused():
    shown = shown_by(SHAPES["steep"], np.random.default_rng(1))
    mixed = replace(shown, power=np.vstack([shown.power[:1], np.random.default_rng(2).permutation(shown.power[1:])]))
    with pytest.raises(CalibrationError, match=r"no response explains .* fit worst\. Start a new run"):
        fit_response(mixed, BELIEVED, 12)


def test_each_level_is_compared_with_several():
    for believed in (BELIEVED, -BELIEVED, 2 * np.pi * np.arange(1024) / 1024, np.concatenate([np.zeros(40), BELIEVED[:216]])):
        pairs = compared_pairs(believed)
        apart = np.abs(believed[pairs[:, 1]] - believed[pairs[:, 0]])
        assert apart.max() <= 0.7 * 2 * np.pi
        levels, count = np.unique(pairs[apart > 0, 1], return_counts=True)
        assert len(levels) >= 30
        assert np.median(count) >= 2
        assert (apart == 0).any()
    shown = shared_pairs(BELIEVED, 40, 4, np.random.default_rng(0))
    assert (shown[np.arange(40), np.arange(40) % 4] == [0, 106]).all()
    assert {tuple(pair) for pair in shown.reshape(-1, 2).tolist()} >= {tuple(pair) for pair in compared_pairs(BELIEVED).tolist()}


def test_what_a_wrong_response_costs():
    """A ramp with g times the slope of a sawtooth has sinc(1 - g)^2 of the light in its first order (Goodman, section 4.4, from memory)."""
    panel = start_of().bench.panel
    for gain in (0.9, 1.05, 1.2):
        rms, lost = phase_error(panel, gain * response_of_levels(panel))
        assert rms == pytest.approx(abs(gain - 1) * 2 * np.pi / np.sqrt(12), rel=0.01)
        assert lost == pytest.approx(1 - np.sinc(1 - gain) ** 2, rel=0.02)
    assert phase_error(panel, response_of_levels(panel) + 1.0) == pytest.approx((0, 0), abs=1e-12)


# ---------------------------------------------------------------------------------------------------------------------
# gratings


def test_first_orders_have_the_share_that_the_fourier_series_gives():
    """By the plain sum over the panel: (2 / pi)^2 sin^2(delta / 2) of each patch's light (Goodman, problem 4-14, from memory)."""
    start = start_of()
    gratings = gratings_of(start.bench, camera_map(start), 2, np.random.default_rng(0))
    x, y = start.bench.panel.x_um, start.bench.panel.y_um
    k = start.bench.wavenumber_scale
    for at, number in zip(gratings.places_um, range(4), strict=True):
        pair = np.array([20, 20 + 30 * (number + 1)])
        levels = gratings.levels(np.tile(pair, (4, 1)), np.full(4, 0.3)).astype(int)
        own = gratings.patches.number == number
        for sign in (1, -1):
            wave = np.exp(1j * (BELIEVED[levels] - sign * k * (x * at[0] + y[:, None] * at[1])))
            share = np.abs(wave[own].sum() / own.sum()) ** 2
            assert share == pytest.approx((2 / np.pi) ** 2 * np.sin(BELIEVED[pair[1] - pair[0]] / 2) ** 2, abs=0.012)


@pytest.mark.parametrize("delta", [0.2, 1.0, 2.0])
def test_crosstalk_flattens_what_gratings_show(delta):
    """The Fourier series of a blurred grating, summed, against what the errors reckon with: to first order in the phase that is missing."""
    period, weights = 64, blur_weights(0.3)
    sharp = np.repeat([0.0, delta], period // 2)
    blurred = sum(weight * np.roll(sharp, shift - len(weights) // 2) for shift, weight in enumerate(weights))
    wave = np.exp(-2j * np.pi * np.arange(period) / period)
    most = abs((np.exp(1j * np.pi * (sharp > 0)) * wave).sum())
    shown = 2 * np.arcsin(abs((np.exp(1j * blurred) * wave).sum()) / most)
    assert 1 - shown / delta == pytest.approx(8 * np.pi**2 * EDGE / period**2, rel=0.02 + 0.05 * delta**2)


def test_first_orders_keep_apart():
    start = start_of()
    for across in (2, 3):
        gratings = gratings_of(start.bench, camera_map(start), across, np.random.default_rng(1))
        assert gratings.share.sum() == pytest.approx(1)
        assert gratings.periods_px.min() > 7.99
        corner = gratings.corner.reshape(-1, 2)
        assert (corner >= 0).all()
        assert (corner + gratings.side <= [260, 240]).all()
        apart = np.hypot(*(corner[:, None] - corner).T)[np.triu_indices(len(corner), 1)]
        assert apart.min() > 2.05 * (gratings.side // 2)  # where weights have fallen to nothing


# ---------------------------------------------------------------------------------------------------------------------
# on the tests' own simulator


def frame_of(start, simulator, true, ask, rng, electrons=20_000):
    """A frame of the tests' simulator of a panel with some response, under a laser whose power is never the same."""
    places = recorded_sites(ask.mask.record, start.bench).xyz_um[:, :2]
    picture = simulator.picture(true[ask.mask.levels] * 212 / (2 * np.pi), np.vstack([places, -places]), 4.0)
    return exposed(picture * (electrons * rng.uniform(0.6, 1) / max(picture.max(), 1e-4)), rng, bits=16)


def answered(start, simulator, true, rng):
    dialogue = response(start)
    ask = next(dialogue)
    while True:
        try:
            ask = dialogue.send(frame_of(start, simulator, true, ask, rng))
        except StopIteration as end:
            return end.value


def registered(**options):
    start = start_of(**options)
    return replace(start, options=options)


@pytest.fixture(scope="module")
def reversed_():
    """A panel whose phase falls, where the bench file has it rise, and not in a straight line; the registration is right."""
    start = registered(frames=22)
    true = -(1.12 * BELIEVED + 0.4 * np.sin(2 * np.pi * LEVELS / 255))
    return true, answered(start, simulator_of(start, {5: 0.05, 8: 0.04}, gaussian_beam), true, np.random.default_rng(4))


def test_a_response_and_its_sign_are_found(reversed_):
    true, found = reversed_
    assert found.frames == 23
    assert np.std(found.phase - true) < 0.02
    assert np.sqrt(np.mean(np.square(off(found.phase, true) / found.fit.error))) < 2
    assert "the other way round" in found.notes[0]
    assert found.two_pi_level == pytest.approx(np.interp(2 * np.pi, -true, LEVELS), abs=1)


def test_a_check_tells_how_far_off_the_bench_file_is():
    start, true = registered(check=True, frames=8), BELIEVED * (1.1 - 0.05 * LEVELS / 255)
    found = answered(start, simulator_of(start, {6: 0.05}, gaussian_beam), true, np.random.default_rng(5))
    wrong = phase_error(start.bench.panel, true)[0]
    assert wrong > HOLDS
    assert found.frames == 9
    assert found.summary()["change_rad"] == pytest.approx(wrong, abs=0.03)
    assert found.verdict.startswith("does not hold: ")
    assert "measure it anew" in found.verdict
    assert found.files({}) == {}


def test_without_a_registration_the_bench_is_believed():
    rng = np.random.default_rng(6)
    start = replace(start_of(check=True, frames=8), registration=None)
    straight = replace(start, registration=Registration(plane_to_camera=camera_map(start), time=sensing.TIME))
    found = answered(start, simulator_of(straight, {}, gaussian_beam), BELIEVED, rng)
    assert found.frames == 8
    assert "taken from the bench file" in found.notes[0]
    assert found.summary()["verdict"].startswith("holds: the bench file's response is off by 0.0")
    turned = simulator_of(start_of(degrees=70.0), {}, gaussian_beam)
    with pytest.raises(CalibrationError, match=r"found light at both places of \d of 4 gratings; needed: all.*--registration"):
        answered(start, turned, BELIEVED, rng)


class TestFrames:
    """What is wrong with a frame is told, and another one is taken."""

    def begun(self, **options):
        start = registered(**options)
        dialogue = response(start)
        ask = next(dialogue)
        return start, dialogue, frame_of(start, simulator_of(start, {}, gaussian_beam), BELIEVED, ask, np.random.default_rng(0))

    def test_dark(self):
        _, dialogue, frame = self.begun()
        with pytest.raises(CalibrationError, match="found light at both places of 0 of 4"):
            dialogue.send(np.random.default_rng(0).poisson(100.0, frame.shape).astype(np.uint16))

    def test_saturated(self):
        _, dialogue, frame = self.begun()
        with pytest.raises(CalibrationError, match=r"\d of 8 are saturated; allowed: none\. Take it with less light"):
            dialogue.send(np.minimum(frame.astype(int) * 8, 65535).astype(np.uint16))

    def test_no_light_later(self):
        _, dialogue, frame = self.begun()
        dialogue.send(frame)
        with pytest.raises(CalibrationError, match="no light in the first orders of patch 1, whose grating is bright in this frame"):
            dialogue.send(np.random.default_rng(0).poisson(100.0, frame.shape).astype(np.uint16))

    def test_windows_go_where_the_light_is(self):
        start, _, frame = self.begun()
        gratings = gratings_of(start.bench, camera_map(start), 2, np.random.default_rng(0))
        shifted = replace(gratings, corner=gratings.corner + 3)
        assert np.abs(centred(shifted, frame).corner - centred(gratings, frame).corner).max() <= 1
        bad = frame.copy()
        column, row = gratings.corner[0, 0] + 2
        bad[:, row, column] = 65535  # a hot pixel
        camera = start.bench.camera
        whole, holed = (read_orders(gratings, fr(stack, camera)).power for stack in (frame, bad))
        assert holed == pytest.approx(whole, rel=0.02)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"across": 1}, "across: found 1; allowed: a whole number from 2 to 4"),
        ({"frames": 10}, "frames: found 10; allowed: a whole number from 20 to 900"),
        ({"frames": 3, "check": True}, "frames: found 3; allowed: a whole number from 6"),
        ({"check": "yes"}, "check: found 'yes'; allowed: true or false"),
        ({"seed": -1}, "seed: found -1; allowed: a whole number from 0 up"),
        ({"spots": 3}, r"options: found {'spots': 3}; allowed: across, frames, check, seed"),
    ],
)
def test_options_that_cannot_be(options, message):
    with pytest.raises(InputError, match=message):
        next(response(registered(**options)))


def test_cameras_that_cannot_see_it():
    start = registered()
    with pytest.raises(InputError, match=r"bench: found no table \[camera\]"):
        next(response(replace(start, bench=replace(start.bench, camera=None))))
    seen = start.registration.plane_to_camera
    far, coarse = Affine(seen.matrix, [900.0, 100.0]), Affine(seen.matrix / 8, seen.offset)
    for registration, message in (
        (Registration(plane_to_camera=far, time=sensing.TIME), r"found room for the first orders of 0 of 4 patches, .* um from the axis"),
        (Registration(plane_to_camera=coarse, time=sensing.TIME), r"camera: found \d pixels across the first order of a patch; allowed: 9"),
        (Registration(lattice_to_plane=seen, time=sensing.TIME), "registration: found none with plane_to_camera"),
    ):
        with pytest.raises(InputError, match=message):
            next(response(replace(start, registration=registration)))
    with pytest.raises(InputError, match="across: found 6, patches of 42 panel pixels; allowed: 72 or more, fewer patches"):
        gratings_of(start.bench, seen, 6, np.random.default_rng(0))
    assert ResponseOptions().wanted > ResponseOptions(check=True).wanted


# ---------------------------------------------------------------------------------------------------------------------
# on the twin, by command


BENCH = (
    demo_bench_text()
    .replace("columns = 1200\nrows = 1000\npitch_um = 10.0", "columns = 300\nrows = 260\npitch_um = 40.0")
    .replace("columns = 1200\nrows = 900\npixel_um = 4.8", "columns = 200\nrows = 160\npixel_um = 9.6")
)
TWIN = """bench = "bench.toml"
seed = 11
camera_map = {rotation_deg = 160.0, mirror = true, scale = 1.03, offset_px = [4.0, -3.0]}
beam = {shift_mm = [0.3, -0.2], lumpiness = 0.1}
panel = {response_gain = -0.08, response_quadratic = 0.15, response_wave = 0.5, crosstalk_px = 0.05, flicker = 0.003, \
undiffracted = 0.03, ghost = 0.005, ghost_um = [3.0, 2.0]}
sensor = {read_noise_electrons = 2.5, offset_counts = 100.0, vignetting = 0.1, hot_pixels = 2}
[aberration]
5 = 0.05
7 = -0.05
11 = 0.04
"""


def holo_(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args], catch_exceptions=False)


def result_of(*args):
    run = holo_(*args, "--json")
    assert run.exit_code == 0, run.stderr
    return json.loads(run.stdout), run.stderr


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A twin with a hidden response that bends, and a run that it has answered."""
    folder = tmp_path_factory.mktemp("lab")
    (folder / "bench.toml").write_text(BENCH)
    (folder / "twin.toml").write_text(TWIN)
    twin = read_twin(folder / "twin.toml")
    write_registration(folder / "camera.toml", Registration(plane_to_camera=twin.plane_to_camera, time=sensing.TIME))
    place = "--bench", folder / "bench.toml", "--run", folder / "run", "--registration", folder / "camera.toml"
    return folder, twin, *result_of("response", "run", "--link", "twin", "--frames", 30, *place)


def test_the_twin_s_response_is_found_to_two_hundredths_of_a_radian(lab):
    folder, twin, result, told = lab
    true = twin.hidden.panel.response[:, 1]
    found = read_csv(folder / "run" / "response.csv", ("level", "phase_rad", "error_rad"))
    assert (found["level"] == LEVELS).all()
    error = off(found["phase_rad"], true)
    assert np.std(error) < 0.02
    assert np.sqrt(np.mean(np.square(error / found["error_rad"]))) < 2
    assert result["change_rad"] == pytest.approx(phase_error(twin.bench.panel, true)[0], abs=0.02)
    assert result["change_rad"] > 0.2
    assert result["step"] == 31
    assert result["two_pi_level"] == pytest.approx(np.interp(2 * np.pi, true, LEVELS), abs=1.5)
    assert result["warnings"] == []
    assert "panel.response_csv" in told
    table = read_csv(folder / "run" / "two-pi.csv", ("column", "row", "x_mm", "y_mm", "level_for_2pi", "error"))
    assert len(table["row"]) == 4
    assert np.abs(table["level_for_2pi"] - result["two_pi_level"]).max() < 5
    with Image.open(folder / "run" / "response.png") as picture:
        assert picture.size[0] > 1000


def test_the_result_is_accepted_by_the_bench_file_and_makes_masks_better(lab, tmp_path):
    folder, twin, _, _ = lab
    shutil.copy(folder / "run" / "response.csv", tmp_path)
    (tmp_path / "bench.toml").write_text(BENCH.replace("level_for_2pi = 212 ", 'response_csv = "response.csv" '))
    bench = read_bench(tmp_path / "bench.toml")
    assert bench.panel.response.shape == (256, 2)
    sites = from_sites([[-2, -3], [0, -3], [1, -2], [-2, -4], [3, 1], [-4, 2]])
    made = [design(one, sites, options=DesignOptions(effort="quick")).mask for one in (twin.bench, bench)]
    predicted = [predict(twin.hidden, mask.levels, place(sites, bench.lattice)).summary() for mask in made]
    before, after = (summary["efficiency"] for summary in predicted)
    assert after > before * 1.03


def test_killed_and_resumed_the_result_is_the_same_bit_for_bit(lab, tmp_path):
    """A link that dies twice; each time the run is opened anew from its folder, once with a frame but no journal of it."""
    folder, *_ = lab
    taken = {step: read_frame(folder / "run" / f"frame-{step:03d}.tiff") for step in range(31)}
    run = tmp_path / "run"
    result_of("response", "start", "--bench", folder / "bench.toml", "--run", run, "--registration", folder / "camera.toml", "--frames", 30)
    journal = json.loads((run / "journal.json").read_text())
    journal["time"] = json.loads((folder / "run" / "journal.json").read_text())["time"]
    (run / "journal.json").write_text(json.dumps(journal))
    for last in (3, 28):

        def dying(levels, step, last=last):
            if step == last:
                raise LinkError("the power is out")
            return taken[step]

        with pytest.raises(LinkError):
            converse(open_run(run, "response", response), dying)
        shutil.copy(folder / "run" / f"frame-{last:03d}.tiff", run)
    (run / "frame-028.tiff").unlink()
    converse(open_run(run, "response", response), lambda levels, step: taken[step])
    for name in ("response.csv", "two-pi.csv", "journal.json", "mask-030.tiff"):
        assert (run / name).read_bytes() == (folder / "run" / name).read_bytes(), name


def test_bad_frames_are_refused_and_not_kept(lab, tmp_path):
    folder, *_ = lab
    run = tmp_path / "run"
    started, _ = result_of(
        "response", "start", "--bench", folder / "bench.toml", "--run", run, "--registration", folder / "camera.toml", "--check"
    )
    assert "1 of 12" in started["note"]
    write_frame(tmp_path / "dark.tiff", np.random.default_rng(0).poisson(100.0, (160, 200)).astype(np.uint16))
    write_frame(tmp_path / "small.tiff", np.zeros((90, 120), np.uint16))
    for name, code, message in (("dark", 1, "found light at both places of 0 of 4"), ("small", 2, "90 x 120"), ("none", 2, "no such file")):
        told = holo_("response", "step", "--run", run, "--frame", tmp_path / f"{name}.tiff")
        assert told.exit_code == code
        assert message in told.stderr
        assert told.stdout == ""
        assert sorted(path.name for path in run.iterdir()) == ["journal.json", "mask-000.tiff"]
    told = holo_("response", "start", "--bench", folder / "bench.toml", "--run", tmp_path / "new", "--across", 9)
    assert told.exit_code == 2
    assert "across: found 9" in told.stderr
    assert not (tmp_path / "new").exists()


def test_the_twin_s_response_may_change_over_the_panel(lab, tmp_path):
    _, twin, *_ = lab
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "twin.toml").write_text('bench = "bench.toml"\nseed = 1\npanel = {response_tilt = [0.1, -0.05]}')
    tilted = read_twin(tmp_path / "twin.toml")
    phase = tilted.phase(np.full((260, 300), 106, np.uint8))
    x, y = np.arange(-149.5, 150) / 150, np.arange(-129.5, 130)[:, None] / 130
    assert phase == pytest.approx(np.pi * (1 + 0.1 * x - 0.05 * y), rel=1e-5)
    wave = twin.hidden.panel.response[:, 1] - BELIEVED * (0.92 + 0.15 * LEVELS / 212)
    assert wave == pytest.approx(0.5 * np.sin(2 * np.pi * LEVELS / 255), abs=1e-9)
