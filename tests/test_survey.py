"""The survey against truth by construction, on frames of the tests' own simulator; larger figures: tests/benchmarks/survey.py."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner
from fluorescence import answer, any_scene, exposed_atoms, guessed, scene, scored

from holo.affine import Affine
from holo.bench import demo_bench_text
from holo.cli import main
from holo.errors import CalibrationError
from holo.frames import frame_of, write_frame
from holo.registration import Misfit, Registration, read_registration, write_registration
from holo.survey import registered, survey, vectors_of
from holo.track import followed, track

TIME = "2025-06-30T14:05:00+02:00"


def test_vectors_and_offset_of_200_atoms_at_two_and_a_half_pixels():
    """250 x 250 px, 2 % filling, 300 counts an atom; 200 truths give 1.1e-4 and 0.003 sites, rms (tests/benchmarks/survey.py)."""
    bends, places, pulls = [], [], []
    for seed in range(5):
        rng = np.random.default_rng([1, seed])
        truth = scene(rng, spacing=2.5, filling=0.022, side=250, off=0.0)
        found, score = answer(truth, guessed(rng, truth))
        assert score is not None, found
        bends.append(score.vectors)
        places.append(score.sites)
        pulls.append(score.pulls)
    assert np.sqrt(np.square(bends).mean()) < 1.6e-4  # 20 numbers about 1.1e-4: three standard errors
    assert np.abs(places).max() < 0.02
    assert 0.6 < np.std(pulls) < 1.5


@pytest.mark.parametrize("seed", range(8))
def test_any_lattice_is_found_or_refused_but_never_wrong(seed):
    truth, told, rng = any_scene(100 + seed)
    found, score = answer(truth, guessed(rng, truth))
    assert score is None or score.worst < 0.25, (told, found)


@pytest.mark.parametrize("geometry", ["square", "triangular", "oblique"])
def test_the_usual_lattices_are_found(geometry):
    rng = np.random.default_rng(6)
    truth = scene(rng, geometry, 6.0, 0.3, 160, 1.3)
    found, score = answer(truth, guessed(rng, truth))
    assert score is not None, found
    assert score.worst < 0.05
    assert found.filling == pytest.approx(0.3, abs=0.08)


@pytest.mark.parametrize("atoms", [0, 5, 60])
def test_frames_without_a_lattice_are_refused(atoms):
    for seed in range(3):
        rng = np.random.default_rng([9, seed])
        frame = frame_of(exposed_atoms(rng, rng.uniform(4, 196, (atoms, 2)), 200, 1.2))
        with pytest.raises(CalibrationError):
            survey([frame], Affine(5 * np.eye(2), [100, 100]))


def test_a_lattice_that_is_not_the_nominal_one_is_refused():
    rng = np.random.default_rng(4)
    truth = scene(rng, spacing=6.0, side=160)
    with pytest.raises(CalibrationError):
        survey([truth.frame], Affine(truth.matrix * 1.5, truth.offset))


def test_several_frames_share_the_vectors_and_tell_the_drift():
    rng = np.random.default_rng(5)
    one = scene(rng, spacing=7.0, filling=0.2, side=160, sigma=1.3)
    moved = one.matrix @ [0.2, -0.1]
    other = frame_of(exposed_atoms(rng, one.xy + moved, 160, 1.3))
    found = survey([one.frame, other], Affine(one.matrix, one.offset))
    assert found.drift_px[0] == pytest.approx(-moved, abs=0.05)
    assert found.drift_px[1] == pytest.approx([0, 0], abs=1e-12)
    place = found.lattice_to_camera.apply([[0, 0]])[0] - (one.offset + moved)
    assert np.abs(place).max() < 0.05


def test_a_lattice_of_atoms_that_overlap_is_found_in_the_whole_image_and_followed():
    """2.5 widths from atom to atom: spots by themselves tell nothing (`holo.crowd`)."""
    rng = np.random.default_rng([7, 1])
    truth = scene(rng, "triangular", 3.0, 0.4, 36, 1.2, off=0.0)
    moved = truth.matrix @ [0.2, -0.1]
    other = frame_of(exposed_atoms(rng, truth.xy + moved, 36, 1.2))
    found = survey([truth.frame, other], Affine(truth.matrix, truth.offset))
    assert found.crowded
    assert found.drift_px[0] == pytest.approx(-moved, abs=0.15)
    truth.offset = truth.offset + moved
    score = scored(found, truth)
    assert score.worst < 0.05
    assert np.abs(score.pulls).max() < 4


def test_frames_of_a_lattice_at_rest_count_together():
    rng = np.random.default_rng(5)
    one = scene(rng, spacing=7.0, filling=0.2, side=90, sigma=1.3, off=0.0)
    again = frame_of(exposed_atoms(rng, one.xy, 90, 1.3))
    nominal = Affine(one.matrix, one.offset)
    alone, together = survey([one.frame], nominal), survey([one.frame, again], nominal)
    assert (together.drift_px == 0).all()
    assert together.lattice_to_camera.errors() == pytest.approx(alone.lattice_to_camera.errors() / np.sqrt(2), rel=0.1)


def test_a_lattice_with_two_sites_a_cell_is_found_with_its_origin_on_a_site():
    """Honeycomb: the gaps in the middles of the hexagons are a third of the sites of the lattice that has all of them."""
    rng = np.random.default_rng(8)
    basis = ((0.0, 0.0), (1 / 3, 1 / 3))
    truth = scene(rng, "triangular", 13.0, 0.5, 160, 1.3, off=0.0, basis=basis)
    found, score = answer(truth, Affine(truth.matrix, truth.offset + truth.matrix @ [0.1, 0.1]), basis=basis)
    assert score is not None, found
    assert score.worst < 0.05
    inside = (found.ij - np.round(found.ij)) * 3
    assert {tuple(np.round(site).astype(int) % 3) for site in inside} == {(0, 0), (1, 1)}


def test_without_a_direction_lengths_and_hand_name_the_vectors():
    """The nominal map is turned by 100 degrees: its longer vector is still the second, and the turn from first to second has its sign."""
    rng = np.random.default_rng(2)
    truth = scene(rng, "rectangular", 6.0, 0.3, 140, 1.3, off=0.0)
    turn = np.array([[np.cos(1.75), -np.sin(1.75)], [np.sin(1.75), np.cos(1.75)]])
    found = survey([truth.frame], Affine(turn @ truth.matrix, [70, 70]), oriented=False)
    matrix = found.lattice_to_camera.matrix
    assert np.hypot(*matrix) == pytest.approx(np.hypot(*truth.matrix), rel=2e-3)
    assert np.sign(np.linalg.det(matrix)) == np.sign(np.linalg.det(truth.matrix))


def test_the_plane_follows_from_both_calibrations_and_the_chromatic_shift():
    """lattice_to_plane = inv(plane_to_camera) (lattice_to_camera - shift): the composition written out."""
    camera = Affine([[0.5, -4.9], [4.9, 0.5]], [600, 450], np.eye(6) * 1e-6)
    lattice = Affine([[24.0, 1.0], [-1.0, 24.0]], [300, 200], np.eye(6) * 1e-6)
    made = registered(lattice, Misfit(9, 0.1, 0.2), TIME, {}, Registration(plane_to_camera=camera, time=TIME), (1.5, -2.0))
    for ij in ([0, 0], [3, -2]):
        light = camera.apply(made.lattice_to_plane.apply([ij]))
        assert light == pytest.approx(lattice.apply([ij]) - [[1.5, -2.0]], abs=1e-9)
    assert made.plane_to_camera is camera
    assert made.lattice_to_plane.errors().min() > 0


def test_lengths_and_angles_of_vectors():
    told = vectors_of(Affine([[3, -4], [4, 3]], [0, 0]))
    assert told["lengths"] == pytest.approx([5, 5])
    assert told["angles_deg"] == pytest.approx([53.130102, 143.130102, 90])


class TestTrack:
    def old(self, truth):
        plane = Affine(truth.matrix / 5, [3, 4])
        return Registration(plane, Affine(5 * np.eye(2), [0, 0]), Affine(truth.matrix, truth.offset, np.zeros((6, 6))), time=TIME)

    @pytest.mark.parametrize("shift", [(0.0, 0.0), (0.25, -0.1), (-0.3, 0.2)])
    @pytest.mark.parametrize("filling", [0.01, 0.3])
    def test_the_shift_is_found_within_its_error(self, shift, filling):
        rng = np.random.default_rng(3)
        truth = scene(rng, spacing=8.0, filling=filling, side=200, sigma=1.3, off=0.0)
        moved = frame_of(exposed_atoms(rng, truth.xy + truth.matrix @ shift, 200, 1.3))
        found = track(moved, self.old(truth))
        assert np.abs((found.shift_px - truth.matrix @ shift) / found.error_px).max() < 4
        assert found.shift_sites == pytest.approx(shift, abs=0.03)
        assert found.lattice_to_camera.offset == pytest.approx(truth.offset + found.shift_px, abs=1e-9)
        assert found.shift_um == pytest.approx(found.shift_px / 5, abs=1e-9)

    def test_atoms_that_overlap_tell_the_shift_too(self):
        rng = np.random.default_rng([7, 1])
        truth = scene(rng, "triangular", 3.0, 0.4, 36, 1.2, off=0.0)
        found = track(frame_of(exposed_atoms(rng, truth.xy + truth.matrix @ [0.2, -0.1], 36, 1.2)), self.old(truth))
        assert np.abs((found.shift_px - truth.matrix @ [0.2, -0.1]) / found.error_px).max() < 4
        assert found.error_px.max() < 0.15

    def test_the_registration_moves_along(self):
        rng = np.random.default_rng(3)
        truth = scene(rng, spacing=8.0, filling=0.2, side=200, sigma=1.3)
        old = self.old(truth)
        found = track(frame_of(exposed_atoms(rng, truth.xy + truth.matrix @ [0.2, 0.1], 200, 1.3)), old)
        now = followed(found, old, TIME, {})
        assert (now.lattice_to_plane.matrix == old.lattice_to_plane.matrix).all()
        moved = now.lattice_to_plane.offset - old.lattice_to_plane.offset
        assert moved == pytest.approx(old.lattice_to_plane.matrix @ [0.2, 0.1], abs=0.02)

    def test_atoms_that_sit_elsewhere_are_refused(self):
        rng = np.random.default_rng(3)
        truth = scene(rng, spacing=8.0, filling=0.2, side=200)
        with pytest.raises(CalibrationError):
            track(frame_of(exposed_atoms(rng, rng.uniform(5, 195, (80, 2)), 200, 1.2)), self.old(truth))
        with pytest.raises(CalibrationError):
            track(frame_of(exposed_atoms(rng, np.zeros((0, 2)), 200, 1.2)), self.old(truth))


class TestCommands:
    @pytest.fixture
    def lab(self, tmp_path):
        text = demo_bench_text().replace("columns = 1200\nrows = 900", "columns = 200\nrows = 200").replace("electrons_per_count = 2.5", "")
        (tmp_path / "bench.toml").write_text(text)
        rng = np.random.default_rng(3)
        truth = scene(rng, spacing=25.0, filling=0.5, side=200, sigma=1.7, degrees=0.0, off=0.0, counts=3000.0)
        write_frame(tmp_path / "atoms.tiff", truth.shots)
        write_frame(tmp_path / "later.tiff", exposed_atoms(rng, truth.xy + [2.0, -1.0], 200, 1.7, 3000.0))
        write_registration(
            tmp_path / "camera.toml", Registration(plane_to_camera=Affine(5 * np.eye(2), [99.5, 99.5], np.zeros((6, 6))), time=TIME)
        )
        return tmp_path, truth

    def run(self, *args, code=0):
        done = CliRunner().invoke(main, [str(arg) for arg in args], catch_exceptions=False)
        assert done.exit_code == code, done.output
        return done

    def test_survey_then_track(self, lab):
        folder, truth = lab
        bench, today = folder / "bench.toml", folder / "today.toml"
        with_camera = ("--bench", bench, "--registration", folder / "camera.toml", "-o", today)
        told = json.loads(self.run("survey", folder / "atoms.tiff", *with_camera, "--picture", folder / "s.png", "--json").stdout)
        assert told["atoms"] > 10
        made = read_registration(today)
        assert np.linalg.norm(made.lattice_to_camera.matrix - truth.matrix) < 0.1
        assert made.lattice_to_plane.matrix == pytest.approx(made.lattice_to_camera.matrix / 5)
        assert (folder / "s.png").read_bytes().startswith(b"\x89PNG")
        assert "atoms.tiff" in made.digests
        arguments = ("track", folder / "later.tiff", "--registration", today, "--bench", bench, "-o", folder / "now.toml", "--json")
        moved = json.loads(self.run(*arguments).stdout)
        assert moved["shift_px"] == pytest.approx([2, -1], abs=0.1)
        now = read_registration(folder / "now.toml")
        assert now.lattice_to_plane.offset - made.lattice_to_plane.offset == pytest.approx([0.4, -0.2], abs=0.02)

    def test_an_empty_frame_is_refused_and_nothing_is_written(self, lab):
        folder, _ = lab
        write_frame(folder / "empty.tiff", exposed_atoms(np.random.default_rng(0), np.zeros((0, 2)), 200, 1.7))
        done = self.run("survey", folder / "empty.tiff", "--bench", folder / "bench.toml", "-o", folder / "today.toml", code=1)
        assert "empty.tiff" in done.stderr
        assert done.stdout == ""
        assert not (folder / "today.toml").exists()

    def test_outputs_are_kept_and_inputs_named(self, lab):
        folder, _ = lab
        bench = ("--bench", folder / "bench.toml")
        before = (folder / "camera.toml").read_bytes()
        assert "--overwrite" in self.run("survey", folder / "atoms.tiff", *bench, "-o", folder / "camera.toml", code=2).stderr
        assert (folder / "camera.toml").read_bytes() == before
        assert "none.tiff: no such file" in self.run("survey", folder / "none.tiff", *bench, "-o", folder / "t.toml", code=2).stderr
        done = self.run("track", folder / "atoms.tiff", *bench, "--registration", folder / "camera.toml", code=2)
        assert "lattice_to_camera" in done.stderr
