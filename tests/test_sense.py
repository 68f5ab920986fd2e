from __future__ import annotations

import io
import json
import shutil
import tomllib
from dataclasses import replace

import numpy as np
import pytest
import sensing
import tifffile
from click.testing import CliRunner
from PIL import Image
from sensing import answered, frame_of, odd_beam, residual, simulator_of, spread, start_of
from simulated_wavefront import polynomial

from holo.arrangement import block
from holo.bench import demo_bench_text, parse_bench, pupil_radii, read_bench
from holo.cli.sense import command
from holo.dialogue import converse, open_run, start_run
from holo.errors import CalibrationError, InputError
from holo.field.path import light_path
from holo.mask import levels_of_phase
from holo.patches import GROWTH, averaged_terms, grown_terms, patches_of, powers_of, shared_out
from holo.probe import on_panel, probe_points
from holo.record import sources_of
from holo.registration import Registration, write_registration
from holo.report.wavefront import sensing_picture
from holo.sense import MOST_SPOTS, aside, last_beyond, sense
from holo.sensed import strehl
from holo.twin import read_twin, twin_text

KNOWN = {5: 0.06, 8: -0.04}
KNOWN_TEXT = sensing.TEXT + "aberration = {5 = 0.06, 8 = -0.04}\n"


@pytest.fixture(scope="module")
def strong():
    """A quarter of a wave of aberration over Noll 4 to 21, on an odd beam, 10,000 electrons at the peak."""
    rng = np.random.default_rng(1)
    truth = spread(0.25, rng)
    start = start_of(spots=2)
    sensed, frames = answered(start, simulator_of(start, truth, odd_beam), rng)
    return start, truth, sensed, frames


@pytest.fixture(scope="module")
def refined():
    """A run of a bench that knows a part of the aberration, 50,000 electrons at the peak."""
    rng = np.random.default_rng(2)
    truth = spread(0.12, rng, 11)
    start = start_of(KNOWN_TEXT, degrees=-100.0, mirror=False, spots=1, terms=11)
    sensed, _ = answered(start, simulator_of(start, truth), rng, 50_000)
    return start, truth, sensed


def test_a_strong_aberration_is_found(strong):
    """Better than lambda / 100 from at most 12 frames; on the twin too: tests/benchmarks/sense.py."""
    _, truth, sensed, frames = strong
    assert frames <= 12
    assert sensed.frames == frames
    assert residual(sensed, truth) < 1 / 300
    assert set(sensed.errors) == set(range(4, 22))
    pulls = np.array([(sensed.waves[j] - truth[j]) / sensed.errors[j] for j in truth])
    assert np.sqrt(np.mean(pulls**2)) < 2.5
    assert sensed.chi2 == pytest.approx(1, abs=0.1)
    assert sensed.notes == ()


def test_strehl_ratios_are_those_of_the_truth(strong):
    """By the sum over the pupil of the simulator's own amplitude and phase."""
    start, truth, sensed, _ = strong
    simulator = simulator_of(start, truth, odd_beam)
    field = simulator.amplitude * np.exp(1j * simulator.phase(truth))
    assert sensed.strehl_before == pytest.approx(abs(field.sum() / simulator.amplitude.sum()) ** 2, abs=0.01)
    left = {j: truth[j] - sensed.waves[j] for j in truth}
    field = simulator.amplitude * np.exp(1j * simulator.phase(left))
    assert sensed.strehl_after == pytest.approx(abs(field.sum() / simulator.amplitude.sum()) ** 2, abs=1e-3)
    assert sensed.before.core < 0.6
    assert sensed.after.core == pytest.approx(1, abs=0.02)


def test_the_beam_is_found(strong):
    start, truth, sensed, _ = strong
    inside = pupil_radii(start.bench) <= 0.97
    true = simulator_of(start, truth, odd_beam).amplitude[inside]
    found = np.sqrt(sensed.beam[inside])
    believed = light_path(start.bench).amplitude[inside]
    found, believed = (amplitude * (amplitude @ true) / (amplitude @ amplitude) for amplitude in (found, believed))
    assert np.std(found - true) < 0.012 * true.mean()
    assert np.std(believed - true) > 3 * np.std(found - true)


def test_what_is_known_is_part_of_what_is_found(refined):
    """Under lambda / 150, by far, at 50,000 electrons; the masks have what is known taken off."""
    _, truth, sensed = refined
    assert residual(sensed, truth) < 1 / 600
    assert sensed.known == KNOWN
    assert sensed.summary()["change_waves"] == pytest.approx(
        np.sqrt(sum((w - KNOWN.get(j, 0.0)) ** 2 for j, w in truth.items())), abs=0.002
    )


def test_the_result_is_accepted_by_the_bench_file(refined, tmp_path):
    _, _, sensed = refined
    digests = {"frame-000.tiff": "sha256:" + "0" * 64}
    files = sensed.files(digests)
    assert set(files) == {"aberration.toml", "beam.tiff"}
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    text = sensing.TEXT.replace("beam_diameter_mm = 9.0", 'beam_tiff = "beam.tiff"') + 'aberration_toml = "aberration.toml"\n'
    (tmp_path / "bench.toml").write_text(text)
    bench = read_bench(tmp_path / "bench.toml")
    assert dict(bench.optics.aberration) == sensed.waves
    table = tomllib.loads(files["aberration.toml"].decode())
    assert table["errors"] == {str(j): error for j, error in sensed.errors.items()}
    assert table["digests"] == digests
    assert table["time"] == sensing.TIME
    psi = 2 * np.pi * on_panel(bench, sensed.waves)
    assert np.abs(light_path(bench).aberration - psi)[pupil_radii(bench) <= 1].max() < 1e-9
    assert tifffile.imread(io.BytesIO(files["beam.tiff"])).shape == (260, 300)
    assert sensed.files(digests) == files


def test_a_scan_finds_the_aberration():
    """Cross-talk between terms included: better than lambda / 100 though each term's own parabola would be off by more."""
    rng = np.random.default_rng(7)
    truth = spread(0.2, rng, 10)
    start = start_of(KNOWN_TEXT, method="modal", spots=2, terms=10)
    sensed, frames = answered(start, simulator_of(start, truth, odd_beam), rng)
    assert frames == sensed.frames == 3 * 7 + 2
    assert residual(sensed, truth) < 1 / 100
    pulls = np.array([(sensed.waves[j] - truth[j]) / sensed.errors[j] for j in truth])
    assert 0.1 < np.sqrt(np.mean(pulls**2)) < 2.5
    assert sensed.after.core > 0.97


@pytest.fixture(scope="module")
def patched():
    """Patches that see a quarter of a wave of aberration on an odd beam, 10,000 electrons at the peak."""
    rng = np.random.default_rng(3)
    truth = spread(0.25, rng, 10)
    start = start_of(KNOWN_TEXT, method="patches", spots=4, across=8, terms=10)
    sensed, frames = answered(start, simulator_of(start, truth, odd_beam), rng, reach_um=8.0)
    return start, truth, sensed, frames


def test_patches_find_the_aberration(patched):
    start, truth, sensed, frames = patched
    assert sensed.frames == frames
    assert residual(sensed, truth) < 1 / 500
    pulls = np.array([(sensed.waves[j] - truth[j]) / sensed.errors[j] for j in truth])
    assert np.sqrt(np.mean(pulls**2)) < 3
    inside = pupil_radii(start.bench) <= 1
    assert np.std(sensed.map_rad[inside]) < 2 * np.pi / 300
    assert sensed.after.core == pytest.approx(1, abs=0.02)


def test_the_map_is_accepted_by_the_bench_file(patched, tmp_path):
    _, _, sensed, _ = patched
    for name, content in sensed.files({}).items():
        (tmp_path / name).write_bytes(content)
    text = sensing.TEXT.replace("beam_diameter_mm = 9.0", 'beam_tiff = "beam.tiff"')
    (tmp_path / "bench.toml").write_text(text + 'aberration_toml = "aberration.toml"\naberration_tiff = "aberration.tiff"\n')
    bench = read_bench(tmp_path / "bench.toml")
    inside = pupil_radii(bench) <= 1
    psi = 2 * np.pi * on_panel(bench, sensed.waves) + sensed.map_rad
    assert np.abs(light_path(bench).aberration - psi)[inside].max() < 1e-6


def test_patches_find_the_beam(patched):
    start, truth, sensed, _ = patched
    inside = pupil_radii(start.bench) <= 0.9
    true = simulator_of(start, truth, odd_beam).amplitude[inside]
    found = np.sqrt(sensed.beam[inside])
    assert np.std(found * (found @ true) / (found @ found) - true) < 0.02 * true.mean()


def test_patches_find_what_no_term_is():
    """A bump of 0.2 waves aside of the middle is in the map, and what is left of it is less than a quarter."""
    rng = np.random.default_rng(6)
    start = start_of(method="patches", spots=5, across=7, terms=4)
    simulator = simulator_of(start, {4: 0.05})
    x, y = np.meshgrid(simulator.x / 5000, simulator.y / 5000)
    step = 0.2 * np.exp(-((x - 0.3) ** 2 + (y + 0.2) ** 2) / (2 * 0.3**2))
    simulator.extra = 2 * np.pi * step
    sensed, _ = answered(start, simulator, rng, reach_um=8.0)
    inside = pupil_radii(start.bench) <= 0.9
    left = 2 * np.pi * (step + on_panel(start.bench, {4: 0.05 - sensed.waves[4]})) - sensed.map_rad
    tilts = np.column_stack([np.ones(inside.sum()), *(axis[inside] for axis in np.meshgrid(simulator.x, simulator.y))])
    rest = left[inside] - tilts @ np.linalg.lstsq(tilts, left[inside], rcond=None)[0]
    pupil = simulator.pupil
    direct = np.column_stack([polynomial(j, simulator.rho[pupil], simulator.theta[pupil]) for j in range(1, 16)])
    defocus = np.linalg.lstsq(direct, (step + 0.05 * polynomial(4, simulator.rho, simulator.theta))[pupil], rcond=None)[0][3]
    assert sensed.waves[4] == pytest.approx(defocus, abs=0.004)  # what a least-squares fit of the known phase itself has
    whole = 2 * np.pi * step[inside]
    assert np.std(rest) < np.std(whole - tilts @ np.linalg.lstsq(tilts, whole, rcond=None)[0]) / 4


class TestPatches:
    def test_pairs_of_a_frame_share_no_patch(self):
        start = start_of()
        patches = patches_of(start.bench, light_path(start.bench), 10)
        frames = shared_out(patches.pairs, 7, np.random.default_rng(0))
        assert sorted(np.concatenate(frames)) == list(range(len(patches.pairs)))
        for pairs in frames:
            members = patches.pairs[pairs].ravel()
            assert len(set(members.tolist())) == len(members) <= 14

    def test_terms_are_unwrapped(self):
        """Terms whose differences wrap at the rim, found from differences modulo a turn."""
        start = start_of()
        path = light_path(start.bench)
        patches, terms = patches_of(start.bench, path, 12), tuple(range(2, 22))
        basis = averaged_terms(patches, path, start.bench, terms)
        rng = np.random.default_rng(0)
        for _ in range(20):
            waves = np.concatenate([[0, 0], [*spread(0.25, rng).values()]])
            phases = basis @ waves
            exact = phases[patches.pairs[:, 0]] - phases[patches.pairs[:, 1]]
            found = np.zeros(len(terms))
            for limit in GROWTH:
                left = exact - (basis @ found)[patches.pairs] @ [1, -1]
                found += grown_terms(patches, left - np.rint(left), np.ones(len(exact)), basis, terms, limit)
            assert found == pytest.approx(waves, abs=1e-9)

    def test_powers_from_sums(self):
        rng = np.random.default_rng(0)
        start = start_of()
        patches = patches_of(start.bench, light_path(start.bench), 8)
        power = rng.uniform(0.2, 2, len(patches))
        frame = rng.integers(0, 9, len(patches.pairs))
        light = power[patches.pairs].sum(axis=1) * rng.uniform(1e3, 1e4, 9)[frame]
        assert powers_of(patches, light, frame) == pytest.approx(power / power.mean(), rel=1e-3)

    def test_light_is_sent_aside(self):
        start = start_of()
        place = aside(start, 20, np.random.default_rng(0))
        for order in (1, -1, 2):
            seen = start.registration.plane_to_camera.apply(order * place)[0]
            assert not (0 <= seen[0] < 260 and 0 <= seen[1] < 240)
        assert np.abs(place).max() < start.bench.field_um / 2


def test_tilt_and_other_known_terms_are_kept():
    rng = np.random.default_rng(4)
    start = start_of(sensing.TEXT + "aberration = {2 = 0.05, 30 = 0.02}\n", spots=1, terms=6)
    truth = {2: 0.05, 5: 0.1, 30: 0.02}
    sensed, _ = answered(start, simulator_of(start, truth), rng)
    assert sensed.waves == {2: 0.05, 30: 0.02, **{j: sensed.waves[j] for j in (4, 5, 6)}}
    assert residual(sensed, truth) < 0.003


def test_the_answer_varies_over_the_field():
    """Defocus that grows along x by 0.1 waves per 100 um is found, and noted."""
    rng = np.random.default_rng(5)
    start = start_of(spots=5, terms=4)
    simulator = simulator_of(start, {4: 0.05}, field_waves=lambda point: {4: 1e-3 * point[0]})
    sensed, _ = answered(start, simulator, rng, 30_000)
    variation = sensed.variation
    assert variation.slope[0] == pytest.approx([1e-3, 0], abs=1e-4)
    assert sensed.waves[4] == pytest.approx(0.05 + 1e-3 * variation.centre_um[0], abs=0.003)
    assert any("varies over the field (Noll terms 4)" in note for note in sensed.notes)


def test_the_summary_is_json_and_the_picture_a_picture(strong):
    start, _, sensed, _ = strong
    told = json.loads(json.dumps(sensed.summary(), allow_nan=False))
    assert told["frames"] == sensed.frames
    assert told["error_waves"] < 0.003
    assert Image.open(io.BytesIO(sensing_picture(sensed, start.bench))).size[0] > 1000
    mapped = replace(sensed, map_rad=np.zeros((260, 300), np.float32))
    assert Image.open(io.BytesIO(sensing_picture(mapped, start.bench))).size[0] > 1000


def test_the_masks_are_the_same_but_for_their_biases(refined):
    start, _, _ = refined
    simulator, rng = simulator_of(start, {}), np.random.default_rng(0)
    dialogue = sense(start)
    first = next(dialogue)
    again = next(sense(start))
    assert (again.mask.levels == first.mask.levels).all()
    assert again.mask.record == first.mask.record
    second = dialogue.send(frame_of(start, simulator, first, rng, 10_000))
    bias = 2 * np.pi * on_panel(start.bench, {4: 0.3})
    off = np.angle(np.exp(1j * (second.mask.phase - first.mask.phase - bias)))
    assert np.abs(off).max() < 1e-4
    assert (second.mask.levels == levels_of_phase(second.mask.phase, start.bench.panel)).all()
    assert "+0.3 waves of Noll term 4" in second.note


def test_spots_lie_where_they_are_wanted():
    start = start_of()
    to_camera = start.registration.plane_to_camera
    for seed in range(10):
        points = probe_points(start, 14, 3, np.random.default_rng(seed), (15.0, 12.0), 44.0)
        assert (np.hypot(*(points - [15, 12]).T) <= 22).all()
        others = np.vstack([points, -points, [[0.0, 0.0]]])
        distance = np.hypot(*(points[:, None] - others).transpose(2, 0, 1))
        distance[np.arange(3), np.arange(3)] = np.inf
        assert distance.min() > 2 * 14 / 3.3
        seen = to_camera.apply(points)
        assert ((seen > 14) & (seen < [245, 225])).all()


@pytest.mark.parametrize(("terms", "last"), [(4, 15), (6, 15), (11, 28), (21, 36)])
def test_terms_beyond(terms, last):
    assert last_beyond(terms) == last


@pytest.mark.parametrize("rms", [0.05, 0.1])
def test_strehl_ratio_of_defocus(rms):
    """Closed form for a uniform beam: sinc^2(sqrt(3) s), s in rad rms (Born & Wolf, 7th ed., sec. 8.8.2); Marechal's exp(-s^2) nearby."""
    bench = parse_bench(
        sensing.TEXT.replace("columns = 300, rows = 260, pitch_um = 40.0", "columns = 520, rows = 520, pitch_um = 20.0"), "b"
    )
    pupil = pupil_radii(bench) <= 1
    found = strehl(pupil, np.ones(pupil.shape), on_panel(bench, {4: rms}))
    sigma = 2 * np.pi * rms
    assert found == pytest.approx((np.sin(np.sqrt(3) * sigma) / (np.sqrt(3) * sigma)) ** 2, abs=2e-4)
    assert found == pytest.approx(np.exp(-(sigma**2)), abs=0.02)


@pytest.mark.parametrize(
    "options",
    [{"terms": 4, "spots": 1}, {"method": "modal", "terms": 4, "spots": 1}, {"method": "patches", "terms": 4, "spots": 5, "across": 7}],
)
def test_stopped_at_any_frame_the_run_ends_the_same(options, tmp_path):
    """Stopped before each frame, or each few of many, and brought back from the folder each time: the same files, bit for bit."""
    start, rng = start_of(**options), np.random.default_rng(9)
    source = sources_of(start.bench, block(1, 1), start.registration)["registration"]
    frames = []

    def record(ask):
        frames.append(frame_of(start, simulator_of(start, {4: 0.1}), ask, rng, 10_000, 8.0))
        return frames[-1]

    dialogue = sense(start)
    ask = next(dialogue)
    while ask is not None:
        try:
            ask = dialogue.send(record(ask))
        except StopIteration:
            ask = None

    def stopping(at):
        def take(levels, step):
            if step == at:
                raise KeyboardInterrupt
            return frames[step]

        return take

    run = start_run(tmp_path / "one", "sense", sense, {**start.sources, "registration": source}, options)
    shutil.copytree(tmp_path / "one", tmp_path / "two")
    converse(run, stopping(None))
    for at in range(0, run.step, 1 + run.step // 4):
        with pytest.raises(KeyboardInterrupt):
            converse(open_run(tmp_path / "two", "sense", sense), stopping(at))
    converse(open_run(tmp_path / "two", "sense", sense), stopping(None))
    one, two = ({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()} for name in ("one", "two"))
    assert one == two
    assert "aberration.toml" in one
    assert len(frames) == run.step


class TestRefusals:
    def send(self, frame, **options):
        start = start_of(**{"spots": 3, "terms": 4} | options)
        dialogue = sense(start)
        ask = next(dialogue)
        return dialogue.send(frame(start, ask))

    def test_no_light(self):
        rng = np.random.default_rng(0)
        with pytest.raises(CalibrationError, match=r"found light at 0 of 3 places; needed: 70%.*registration"):
            self.send(lambda start, ask: rng.normal(100, 3, (240, 260)).astype(np.float32))

    def test_saturated_spots(self):
        def burnt(start, ask):
            frame = frame_of(start, simulator_of(start, {}), ask, np.random.default_rng(0), 60_000).astype(int)
            return np.minimum(2 * frame, 65535).astype(np.uint16)

        with pytest.raises(CalibrationError, match=r"3 of 3 are saturated; allowed: 20%\. Take it with less light"):
            self.send(burnt)

    def test_a_frame_of_another_camera(self):
        with pytest.raises(InputError, match=r"100 x 100.*allowed.*240 x 260"):
            self.send(lambda start, ask: np.zeros((100, 100), np.uint16))

    def test_frames_that_no_aberration_explains(self):
        """The panel did not follow: each frame shows the mask without bias, with another aberration."""
        start, rng = start_of(spots=2, terms=4), np.random.default_rng(0)
        dialogue = sense(start)
        ask = first = next(dialogue)
        frames = [frame_of(start, simulator_of(start, spread(0.2, rng, 10)), first, rng, 10_000) for _ in range(9)]
        for frame in frames[:-2]:
            ask = dialogue.send(frame)
        assert "Noll term 4" in ask.note
        with pytest.raises(CalibrationError, match=r"no aberration explains \d+% of what the frames show; allowed: 10%"):
            dialogue.send(frames[-2])

    def test_no_camera_and_no_registration(self):
        start = start_of()
        lines = [line for line in sensing.TEXT.splitlines() if not line.startswith("camera")]
        with pytest.raises(InputError, match=r"found no table \[camera\]"):
            next(sense(replace(start, bench=parse_bench("\n".join(lines), "bench.toml"))))
        for registration in (None, Registration(lattice_to_plane=start.registration.plane_to_camera, time=sensing.TIME)):
            with pytest.raises(InputError, match="found none with plane_to_camera; needed: the result of register"):
                next(sense(replace(start, registration=registration)))

    def test_a_camera_that_resolves_no_spot(self):
        start = start_of()
        coarse = Registration(plane_to_camera=type(start.registration.plane_to_camera)(np.eye(2), [130, 120]), time=sensing.TIME)
        with pytest.raises(InputError, match="needed: 8, or the camera resolves no spot"):
            next(sense(replace(start, registration=coarse)))

    @pytest.mark.parametrize(
        ("options", "message"),
        [
            ({"method": "guess"}, "method: found 'guess'; allowed: diversity, modal, patches"),
            ({"spots": 0}, f"spots: found 0; allowed: a whole number from 1 to {MOST_SPOTS}"),
            ({"spots": 60}, r"spots: found room for \d+ with 41 pixels each in what the camera sees.*allowed: fewer spots than 60"),
            ({"across": 5}, "across: found 5; allowed: a whole number from 6 to 40"),
            ({"method": "patches", "across": 6}, r"across: found 6, 32 patches; needed: 70 of them, or fewer terms"),
            ({"terms": 3}, "terms: found 3; allowed: a whole number from 4 to 120"),
            ({"seed": -1}, "seed: found -1; allowed: a whole number from 0 up"),
            ({"width_um": 0.0}, r"width_um: found 0\.0; allowed: a number above 0"),
            ({"width_um": 1.0, "around_um": (20.0, 20.0)}, "found room for"),
            ({"around_um": (1e4, 0.0), "width_um": 50.0}, "spots: found room for 0"),
            ({"around_um": (10.0, 0.0)}, "around_um: found without width_um; needed: both"),
            ({"around_um": (np.nan, 0.0)}, "around_um: found"),
            ({"wide": 3}, "allowed: method, spots, terms, across, around_um, width_um, seed"),
        ],
    )
    def test_options(self, options, message):
        with pytest.raises(InputError, match=message):
            next(sense(start_of(**options)))


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A bench with a quarter of the demo panel's pixels, a random twin of it, and its true registration."""
    folder = tmp_path_factory.mktemp("lab")
    text = demo_bench_text().replace("columns = 1200\nrows = 1000\npitch_um = 10.0", "columns = 600\nrows = 500\npitch_um = 20.0")
    (folder / "bench.toml").write_text(text)
    (folder / "twin.toml").write_text(twin_text("bench.toml", np.random.default_rng(8)))
    twin = read_twin(folder / "twin.toml")
    write_registration(folder / "registration.toml", Registration(plane_to_camera=twin.plane_to_camera, time=sensing.TIME))
    return folder, twin


def test_the_command_on_the_twin(lab):
    """A hidden aberration, an odd beam, crosstalk, ghost, undiffracted light and a response that is off."""
    folder, twin = lab
    args = [
        "run",
        "--link",
        "twin",
        "--bench",
        folder / "bench.toml",
        "--run",
        folder / "run",
        "--registration",
        folder / "registration.toml",
    ]
    run = CliRunner().invoke(command, [*map(str, args), "--spots", "3", "--terms", "15", "--json"], catch_exceptions=False)
    assert run.exit_code == 0
    result = json.loads(run.stdout)
    assert result["done"]
    truth = dict(twin.hidden.optics.aberration)
    table = tomllib.loads((folder / "run" / "aberration.toml").read_text())
    found = {int(j): waves for j, waves in table["aberration"].items()}
    assert np.sqrt(sum((found.get(j, 0.0) - waves) ** 2 for j, waves in truth.items())) < 0.01
    assert result["strehl_before"] < 0.8
    assert result["core_after"] > result["core_before"] + 0.1
    for key in ("aberration", "beam", "picture"):
        assert (folder / "run" / result[key].rpartition("/")[2]).exists()
    assert len(list((folder / "run").glob("frame-*.tiff"))) == result["frames"] <= 12
