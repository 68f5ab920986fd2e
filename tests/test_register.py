from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from registered import answered, frame_of_sites, start_of, truth_of
from simulated_frames import affine, airy_spots, exposed

from holo.affine import Affine
from holo.bench import parse_bench
from holo.errors import CalibrationError, InputError
from holo.predict import predict
from holo.record import recorded_sites
from holo.register import CLEAR, FEW, RegisterOptions, register, scattered_points, shape_of, spread_points
from holo.registration import parse_registration


@pytest.fixture(scope="module")
def start():
    return start_of()


def parameters(affine_):
    return np.append(affine_.matrix.ravel(), affine_.offset)


@pytest.mark.parametrize("seed", range(6))
def test_a_random_truth_is_found_to_its_own_errors(start, seed):
    """12 % missing, 10 % false, any turn, mirrored or not, 2 % shear, peaks of 300 electrons; 200 truths: tests/benchmarks/register.py."""
    rng = np.random.default_rng(seed)
    matrix, offset = truth_of(rng)
    found = answered(start, matrix, offset, rng).registration.plane_to_camera
    pulls = (parameters(found) - np.append(matrix.ravel(), offset)) / found.errors()
    assert np.abs(pulls).max() < 4  # 36 numbers in all: a normal distribution has one beyond 4 in 400 such tests
    corners = np.array([[0, 0], [1199, 0], [0, 899], [1199, 899.0]])
    plane = (corners - offset) @ np.linalg.inv(matrix).T
    assert np.hypot(*(found.apply(plane) - corners).T).max() < 0.05


def test_the_turn_of_37_degrees_and_the_mirror(start):
    rng = np.random.default_rng(1)
    matrix, offset = affine(rng, degrees=37.0, mirror=True, shear=0.0)
    outcome = answered(start, matrix, offset, rng)
    summary = outcome.summary()
    assert summary["mirrored"]
    assert summary["scale_px_per_um"] == pytest.approx(5.0, abs=1e-3)
    assert summary["rotation_deg"] == pytest.approx(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])), abs=0.01)
    assert summary["axis_px"] == pytest.approx(offset, abs=0.02)
    assert summary["map_error_px"] < 0.05
    assert summary["points"] + summary["rejected"] + summary["missing"] == len(outcome.plane_um) + len(outcome.missing_um)
    assert 0.08 < len(outcome.missing_um) / (len(outcome.plane_um) + len(outcome.missing_um)) < 0.16


def test_the_file_of_the_result(start):
    rng = np.random.default_rng(2)
    outcome = answered(start, *truth_of(rng), rng)
    text = outcome.files({"frame-000.tiff": "sha256:" + "0" * 64})["registration.toml"].decode()
    read = parse_registration(text, "registration.toml")
    assert (read.plane_to_camera.matrix == outcome.registration.plane_to_camera.matrix).all()
    assert (read.plane_to_camera.covariance == outcome.registration.plane_to_camera.covariance).all()
    assert read.digests == {"frame-000.tiff": "sha256:" + "0" * 64}
    assert tomllib.loads(text)["plane_to_camera"]["points"] == (~outcome.rejected).sum()
    assert read.time == start.time


def test_a_distorted_view_is_told_and_widens_the_errors(start):
    rng = np.random.default_rng(4)
    matrix, offset = truth_of(rng)

    def bent(sites):
        seen = sites @ matrix.T
        return seen * (1 + 0.004 * (seen**2).sum(axis=1, keepdims=True) / 750**2) + offset

    outcome = answered(start, lambda sites: exposed(airy_spots(bent(sites), 300.0, (900, 1200), 4.77), rng))
    straight = answered(start, matrix, offset, np.random.default_rng(4))
    assert any("distort" in note for note in outcome.notes)
    assert not any("distort" in note for note in straight.notes)
    assert outcome.summary()["map_error_px"] > 3 * straight.summary()["map_error_px"]


def test_the_masks_make_the_spots_that_they_ask_for(start):
    ask = next(register(start))
    sites = recorded_sites(ask.mask.record, start.bench)
    assert len(sites.target) == FEW
    assert predict(start.bench, ask.mask.levels, sites).figures.uniformity > 0.9
    assert ask.mask.record["time"] == start.time
    again = next(register(start))
    assert (again.mask.levels == ask.mask.levels).all()
    assert again.mask.record == ask.mask.record


def test_first_spots_keep_clear_of_each_other_and_of_stray_light(start):
    points = scattered_points(start.bench, start.bench.camera, RegisterOptions(), np.random.default_rng(0))
    others = np.vstack([points, -points, [[0.0, 0.0]]])
    distance = np.hypot(*(points[:, None] - others).transpose(2, 0, 1))
    distance[np.arange(FEW), np.arange(FEW)] = np.inf
    assert distance.min() > CLEAR * start.bench.airy_radius_um / 2


def test_second_spots_lie_in_the_camera_wherever_it_looks(start):
    for seed in range(20):
        rng = np.random.default_rng(seed)
        matrix, offset = affine(rng, wander=200.0)
        seen = Affine(matrix, offset).apply(spread_points(start.bench, start.bench.camera, Affine(matrix, offset), rng))
        assert (seen > 10).all()
        assert (seen < [1190, 890]).all()
        assert len(seen) > 60


class TestRefusals:
    def send(self, start, frame):
        dialogue = register(start)
        ask = next(dialogue)
        sites = recorded_sites(ask.mask.record, start.bench).xyz_um[:, :2]
        return dialogue.send(frame(sites))

    def test_no_light(self, start):
        rng = np.random.default_rng(0)
        with pytest.raises(CalibrationError, match=r"found 0 of 20; needed: 10 or more.*mask on the panel.*exposure"):
            self.send(start, lambda sites: exposed(np.zeros((900, 1200)), rng))

    def test_half_of_the_spots(self, start):
        rng = np.random.default_rng(0)
        with pytest.raises(CalibrationError, match="spots: found"):
            self.send(start, lambda sites: frame_of_sites(sites[:9], *truth_of(rng), rng, missing=0))

    def test_other_spots_than_those_asked_for(self, start):
        rng = np.random.default_rng(0)
        with pytest.raises(CalibrationError, match="no map brings more than"):
            self.send(start, lambda sites: frame_of_sites(rng.uniform(-70, 70, sites.shape), *truth_of(rng), rng, missing=0))

    def test_saturated_spots(self, start):
        rng = np.random.default_rng(0)
        with pytest.raises(CalibrationError, match=r"\d+ of \d+ are saturated; allowed: 20%. Take the frame with less light"):
            self.send(start, lambda sites: frame_of_sites(sites, *truth_of(rng), rng, peak=9000.0))

    def test_the_camera_looks_elsewhere(self, start):
        rng = np.random.default_rng(0)
        with pytest.raises(CalibrationError, match="--around-um"):
            self.send(start, lambda sites: frame_of_sites(sites, *affine(rng, offset=(1300.0, 1000.0), wander=0), rng))

    def test_a_frame_of_another_camera(self, start):
        with pytest.raises(InputError, match=r"1000.*allowed.*1200"):
            self.send(start, lambda sites: np.zeros((1000, 1000), np.uint16))

    def test_the_second_frame_is_of_the_first_mask(self, start):
        rng = np.random.default_rng(0)
        matrix, offset = truth_of(rng)
        dialogue = register(start)
        sites = recorded_sites(next(dialogue).mask.record, start.bench).xyz_um[:, :2]
        dialogue.send(frame_of_sites(sites, matrix, offset, rng))
        with pytest.raises(CalibrationError, match="where they were to be expected"):
            dialogue.send(frame_of_sites(sites, matrix, offset, rng))

    def test_a_bench_without_camera(self, start):
        text = start.bench.text[: start.bench.text.index("[camera]")] + start.bench.text[start.bench.text.index("[lattice]") :]
        with pytest.raises(InputError, match=r"found no table \[camera\]"):
            next(register(replace(start, bench=parse_bench(text, "bench.toml"))))

    @pytest.mark.parametrize(
        ("options", "message"),
        [
            ({"seed": -1}, "seed: found -1"),
            ({"width_um": 0.0}, r"width_um: found 0\.0"),
            ({"width_um": 1.0}, "width_um: found room for fewer than 20 spots"),
            ({"around_um": (1e4, 0.0)}, "found room for fewer"),
            ({"around_um": (np.nan, 0.0)}, "around_um: found"),
            ({"wide": 3}, "allowed: seed, around_um and width_um"),
        ],
    )
    def test_options(self, options, message):
        with pytest.raises(InputError, match=message):
            next(register(start_of(**options)))


def test_a_camera_that_looks_aside_is_registered_around_there():
    start = start_of(around_um=[60.0, -40.0], width_um=100.0)
    rng = np.random.default_rng(0)
    matrix, offset = 5 * np.eye(2), np.array([300.0, 650.0])
    found = answered(start, matrix, offset, rng).registration.plane_to_camera
    assert np.abs(found.apply([[60, -40]]) - [600, 450]).max() < 0.05


@pytest.mark.parametrize("mirrored", [False, True])
def test_parts_of_a_map(mirrored):
    turn = np.radians(37)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    flip = -1 if mirrored else 1
    matrix = rotation @ np.array([[5.0, 5.0 * 0.02], [0.0, flip * 5.0 * 1.1]])
    parts = shape_of(Affine(matrix, [600, 450]))
    assert parts["rotation_deg"] == pytest.approx(37)
    assert parts["shear"] == pytest.approx(0.02)
    assert parts["stretch"] == pytest.approx(0.1)
    assert parts["mirrored"] == mirrored
    assert parts["scale_px_per_um"] == pytest.approx(5 * np.sqrt(1.1))
