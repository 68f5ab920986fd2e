"""Occupancy against truth by construction, on frames of the tests' own simulator; larger figures: tests/benchmarks/occupancy.py."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from click.testing import CliRunner
from fluorescence import airy_atoms, exposed_atoms, filling
from simulated_frames import exposed

from holo.affine import Affine
from holo.bench import demo_bench_text
from holo.cli import main
from holo.errors import CalibrationError, InputError
from holo.frames import frame_of, write_frame
from holo.occupancy import (
    HOP_SITES,
    METHODS,
    changes,
    match,
    occupancy,
    occupancy_csv,
    spread_in,
    text_picture,
    with_own_thresholds,
)
from holo.registration import Registration, write_registration
from holo.spread import airy_spread, gaussian_spread
from holo.threshold import Peaks

TIME = "2025-06-30T14:05:00+02:00"


def wrong(found, truth):
    return int((found.filled != truth).sum())


class TestApart:
    """Sites three Airy radii apart, 300 counts an atom."""

    @pytest.mark.parametrize(("background", "read_noise"), [(2.0, 2.0), (60.0, 9.0)])
    def test_the_errors_are_those_of_two_gaussians(self, background, read_noise):
        """The bound comes from the true spot and noise alone: matched filter, Poisson and brightness noise, no code of holo's."""
        sites = errors = 0
        for seed in range(4):
            truth = filling(np.random.default_rng([1, seed]), 30, 9.0, 3.0, electrons=300, background=background, read_noise=read_noise)
            found = occupancy(truth.frame(), truth.lattice, truth.ij, spread=airy_spread(3.0))
            assert found.method == "sums"
            sites, errors = sites + len(found), errors + wrong(found, truth.filled)
            assert not found.notes
        spot = airy_atoms(np.array([[40.0, 40.0]]), 1.0, (81, 81), 3.0)
        floor = background + read_noise**2
        dark = np.sqrt(floor / (spot**2).sum())
        lit = np.sqrt(floor / (spot**2).sum() + 300 * (spot**3).sum() / (spot**2).sum() ** 2 + 45**2)
        ideal = Peaks(0, dark, 300, lit, 0.5).error()
        allowed = 1.2 * ideal * sites
        assert errors <= allowed + 2 * np.sqrt(allowed)  # two standard deviations of so few events
        if background > 50:
            assert errors > 5  # else nothing was tested
            assert found.error == pytest.approx(ideal, rel=0.5)

    def test_the_spread_measured_in_the_frame_is_as_good(self):
        truth = filling(np.random.default_rng(2), 30, 9.0, 3.0, electrons=300, stretch=1.15)
        found = occupancy(truth.frame(), truth.lattice, truth.ij)
        assert wrong(found, truth.filled) == 0
        assert found.spread.width_px == pytest.approx(0.344 * 3.0, rel=0.15)
        assert found.limit is not None
        assert found.limit < 1e-6

    def test_light_has_honest_errors(self):
        truth = filling(np.random.default_rng(3), 30, 12.0, 3.0, electrons=400, varied=0.0, share=0.4)
        found = occupancy(truth.frame(), truth.lattice, truth.ij, spread=airy_spread(3.0))
        for pick in (truth.filled, ~truth.filled):
            light = found.light[pick]
            assert np.std(light) == pytest.approx(float(np.sqrt((found.light_error[pick] ** 2).mean())), rel=0.2)

    def test_all_that_the_camera_sees_are_read_without_being_named(self):
        truth = filling(np.random.default_rng(4), 12, 9.0, 3.0, electrons=400)
        found = occupancy(truth.frame(), truth.lattice)
        assert len(found) > 144
        held = {tuple(site) for site in truth.ij[truth.filled].tolist()}
        assert {tuple(site) for site in found.sites[found.filled].tolist()} == held
        assert found.sites.dtype.kind == "i"

    def test_a_bad_pixel_on_a_site_is_told(self):
        truth = filling(np.random.default_rng(5), 10, 12.0, 3.0)
        frame = truth.frame()
        x, y = np.rint(truth.lattice.apply(truth.ij)[37]).astype(int)
        frame.usable[y - 2 : y + 3, x - 2 : x + 3] = False
        found = occupancy(frame, truth.lattice, truth.ij, spread=airy_spread(3.0))
        assert "unusable pixels" in found.notes[0]
        others = np.arange(100) != 37
        assert (found.filled == truth.filled)[others].all()

    def test_unknown_gain_does_no_harm(self):
        truth = filling(np.random.default_rng(6), 16, 9.0, 3.0, electrons=400)
        found = occupancy(frame_of(3 * truth.shots), truth.lattice, truth.ij)
        assert wrong(found, truth.filled) == 0
        assert found.limit is None


class TestOverlapping:
    """Sites closer than the resolution, 400 counts an atom."""

    @pytest.mark.parametrize("method", METHODS[1:])
    def test_at_nine_tenths_of_the_resolution_all_methods_do(self, method):
        """0.45 of the Airy disc's diameter."""
        truth = filling(np.random.default_rng(1), 26, 3.0, 3.0 / 0.9)
        found = occupancy(truth.frame(), truth.lattice, truth.ij, spread=airy_spread(3.0 / 0.9), method=method)
        assert wrong(found, truth.filled) <= 0.005 * len(found)

    def test_at_less_than_half_of_it_97_of_100_sites_are_right(self):
        """Rayleigh's distance is 2.2 sites. Published for that ratio: 96 % (Impertro et al., Commun. Phys. 6, 166 (2023), from memory)."""
        right, claimed = [], []
        for seed in range(2):
            truth = filling(np.random.default_rng([2, seed]), 24, 2.5, 2.5 / 0.45)
            found = occupancy(truth.frame(), truth.lattice, truth.ij, spread=airy_spread(2.5 / 0.45))
            assert found.method == "atoms"
            right.append(found.filled == truth.filled)
            claimed.append(1 - found.error)
        assert np.mean(right) >= 0.97
        assert np.mean(claimed) == pytest.approx(np.mean(right), abs=0.02)

    def test_the_draws_beat_the_linear_methods(self):
        truth = filling(np.random.default_rng(3), 20, 2.5, 2.5 / 0.6)
        shares = {}
        for method in METHODS[1:]:
            found = occupancy(truth.frame(), truth.lattice, truth.ij, spread=airy_spread(2.5 / 0.6), method=method)
            shares[method] = 1 - wrong(found, truth.filled) / len(found)
        assert shares["atoms"] > 0.99
        assert shares["atoms"] >= max(shares.values())

    def test_a_frame_of_few_atoms_tells_the_spread(self):
        rng = np.random.default_rng(4)
        sparse = filling(rng, 60, 2.5, 2.5 / 0.6, share=0.006, electrons=800, stretch=1.2)
        spread = spread_in(sparse.frame(), sparse.lattice)
        truth = filling(rng, 20, 2.5, 2.5 / 0.6, stretch=1.2)
        measured, round_one = (
            wrong(occupancy(truth.frame(), truth.lattice, truth.ij, spread=one), truth.filled) for one in (spread, gaussian_spread(1.2))
        )
        assert measured <= 0.03 * 400
        assert measured < round_one

    @pytest.mark.parametrize("spacing", [6.0, 4.5])
    def test_atoms_that_overlap_mildly_tell_the_spread_together(self, spacing):
        """Seventy per cent of the sites are filled, 5.5 and 4.1 widths apart, so that hardly an atom is alone."""
        truth = filling(np.random.default_rng(5), 10, spacing, 3.0, share=0.7, stretch=1.2, electrons=800)
        spread = spread_in(truth.frame(), truth.lattice, width_px=1.1)
        offsets = np.stack(np.meshgrid(np.arange(-3, 4), np.arange(-3, 4)), axis=-1).reshape(-1, 2)
        found = spread.at(offsets)
        true = airy_atoms(np.array([[10.0, 10.0]]), 1.0, (21, 21), 3.0, 1.2)[7:14, 7:14].ravel()
        assert found / found.sum() == pytest.approx(true / true.sum(), abs=0.08 * true.max() / true.sum())

    def test_a_crowd_does_not_tell_the_spread(self):
        truth = filling(np.random.default_rng(5), 20, 2.5, 2.5 / 0.45)
        with pytest.raises(CalibrationError, match="isolated atoms"):
            spread_in(truth.frame(), truth.lattice, width_px=1.9)

    def test_the_same_seed_gives_the_same_answer(self):
        truth = filling(np.random.default_rng(6), 10, 2.5, 2.5 / 0.45)
        one, two, other = (
            occupancy(
                truth.frame(), truth.lattice, truth.ij, spread=airy_spread(2.5 / 0.45), rng=np.random.default_rng(seed), rounds=2
            ).probability
            for seed in (1, 1, 2)
        )
        assert (one == two).all()
        assert (one != other).any()


class TestRefusals:
    def test_frames_without_atoms(self):
        lattice, ij = Affine(10 * np.eye(2), [20, 20]), np.stack(np.meshgrid(np.arange(10), np.arange(10)), -1).reshape(-1, 2)
        rng = np.random.default_rng(1)
        empty = frame_of(exposed_atoms(rng, np.zeros((0, 2)), 140, 1.2))
        with pytest.raises(CalibrationError, match="one peak"):
            occupancy(empty, lattice, ij, spread=gaussian_spread(1.2))
        with pytest.raises(CalibrationError, match="no light"):
            occupancy(empty, lattice, ij)
        for method in METHODS[1:]:
            with pytest.raises(CalibrationError, match=r"times its error|one peak"):
                occupancy(empty, Affine(2.5 * np.eye(2), [30, 30]), ij, spread=gaussian_spread(2.0), method=method)

    def test_a_full_block_is_told_by_the_empty_sites_around_it(self):
        lattice, ij = Affine(10 * np.eye(2), [25, 25]), np.stack(np.meshgrid(np.arange(10), np.arange(10)), -1).reshape(-1, 2)
        frame = frame_of(exposed_atoms(np.random.default_rng(1), lattice.apply(ij), 140, 1.2))
        assert occupancy(frame, lattice, ij).filled.all()
        with pytest.raises(CalibrationError, match="one peak"):
            occupancy(frame, Affine(10 * np.eye(2), [25, 25]), ij[[44, 45, 54, 55]], spread=gaussian_spread(1.2))

    def test_what_cannot_be_read(self):
        truth = filling(np.random.default_rng(1), 4, 12.0, 3.0)
        with pytest.raises(InputError, match=r"site \(40, 0\) at column .* allowed: sites in the frame"):
            occupancy(truth.frame(), truth.lattice, [[40, 0]], spread=airy_spread(3.0))
        with pytest.raises(InputError, match="allowed: sums, linear"):
            occupancy(truth.frame(), truth.lattice, truth.ij, spread=airy_spread(3.0), method="best")
        with pytest.raises(InputError, match=r"\(n, 2\)"):
            occupancy(truth.frame(), truth.lattice, np.zeros((0, 2)), spread=airy_spread(3.0))
        with pytest.raises(InputError, match="at most 60000"):
            occupancy(truth.frame(), Affine(0.1 * np.eye(2), [0, 0]), spread=airy_spread(3.0))


class TestManyFrames:
    def test_dim_sites_get_a_threshold_of_their_own(self):
        """Brightness from site to site from 50 to 150 %: with one threshold for all, bright empty ones and dim filled ones are confused."""
        rng = np.random.default_rng(1)
        lattice, ij = Affine(10 * np.eye(2), [12, 12]), np.stack(np.meshgrid(np.arange(12), np.arange(12)), -1).reshape(-1, 2)
        gain, found, truths = rng.uniform(0.5, 1.5, 144), [], []
        for _ in range(24):
            filled = rng.random(144) < 0.5
            mean = airy_atoms(lattice.apply(ij)[filled], 170 * gain[filled], (134, 134), 3.0)
            truths.append(filled)
            frame = frame_of(exposed(mean, rng, background=30, read_noise=4))
            found.append(occupancy(frame, lattice, ij, spread=airy_spread(3.0)))
        own = with_own_thresholds(found)
        before, after = (sum(wrong(one, truth) for one, truth in zip(told, truths, strict=True)) for told in (found, own))
        assert after < 0.7 * before
        assert own[0].error * 24 * 144 == pytest.approx(after, rel=0.5)
        assert np.corrcoef(own[0].threshold, gain)[0, 1] > 0.9

    def test_other_sites_are_refused(self):
        truth = filling(np.random.default_rng(1), 8, 12.0, 3.0)
        one, two = (occupancy(truth.frame(), truth.lattice, truth.ij[:end], spread=airy_spread(3.0)) for end in (60, 64))
        with pytest.raises(InputError, match="the same 60 sites"):
            with_own_thresholds([one, two])
        with pytest.raises(InputError, match="two frames of the same sites"):
            changes(one, two)


@pytest.fixture(scope="module")
def pair():
    """Two frames: three atoms lost, one gained far from them, two hopped to a neighbour."""
    rng = np.random.default_rng(8)
    truth = filling(rng, 14, 10.0, 3.0, electrons=500)
    grid = truth.filled.reshape(14, 14).copy()
    grid[:4, :8], grid[10:, :8] = False, False
    grid[1, 1:7:2], grid[11, 2] = True, True
    grid[2, 7], grid[11, 6] = False, True
    after = grid.copy()
    after[1, 1:7:2] = False
    after[11, 2], after[11, 3], after[11, 6], after[12, 6], after[3, 3] = False, True, False, True, False
    after[13, 0] = True
    frames = []
    for filled in (grid, after):
        mean = airy_atoms(truth.lattice.apply(truth.ij)[filled.ravel()], 500.0, truth.mean.shape, 3.0)
        frames.append(occupancy(frame_of(exposed(mean, rng)), truth.lattice, truth.ij, spread=airy_spread(3.0)))
    return frames, grid.ravel(), after.ravel()


class TestComparing:
    def test_loss_and_hopping(self, pair):
        (one, two), before, after = pair
        told = changes(one, two)
        assert sorted(told.lost) == [15, 17, 19]
        assert list(told.gained) == [13 * 14]
        assert told.hops.tolist() == [[11 * 14 + 2, 11 * 14 + 3], [11 * 14 + 6, 12 * 14 + 6]]
        assert len(told.stayed) == (before & after).sum()
        summary = told.summary()
        assert summary["survival"] == pytest.approx((before & after).sum() / before.sum())
        assert summary["misread_expected"] < 0.1
        assert 1 < HOP_SITES < 2

    def test_with_the_wanted_arrangement(self, pair):
        (one, _), before, _ = pair
        wanted = before.copy()
        wanted[[15, 40]] = [False, True]
        assert not before[40]
        told = match(one, wanted)
        assert (list(told.missing), list(told.extra)) == ([40], [15])
        assert told.summary()["defects"] == 2
        assert told.summary()["fidelity"] == pytest.approx(1 - 2 / 196)
        assert told.perfect < 1e-6
        assert match(one, before).perfect > 0.99
        lines = text_picture(one, wanted).split("\n")
        assert (lines[1][1], lines[2][12]) == ("+", "-")
        with pytest.raises(InputError, match="one value for each of 196 sites"):
            match(one, wanted[:5])

    def test_the_table(self, pair):
        (one, _), before, _ = pair
        rows = list(csv.DictReader(occupancy_csv(one).splitlines()))
        assert [*rows[0]] == ["i", "j", "x_px", "y_px", "light", "light_error", "probability", "filled"]
        assert [row["filled"] == "1" for row in rows] == before.tolist()
        assert [(int(row["i"]), int(row["j"])) for row in rows] == [tuple(site) for site in one.sites.tolist()]


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab")
    rng = np.random.default_rng(3)
    truth = filling(rng, 10, 12.0, 4.5, electrons=900, degrees=0.0)
    rows, columns = truth.mean.shape
    text = demo_bench_text().replace("columns = 1200\nrows = 900", f"columns = {columns}\nrows = {rows}")
    (folder / "bench.toml").write_text(text.replace("electrons_per_count = 2.5", "electrons_per_count = 1.0"))
    write_frame(folder / "atoms.tiff", truth.shots)
    write_frame(folder / "later.tiff", exposed(truth.mean, rng, background=1, read_noise=1))
    write_frame(folder / "empty.tiff", exposed(0 * truth.mean, rng))
    write_registration(folder / "today.toml", Registration(lattice_to_camera=truth.lattice, time=TIME))
    write_registration(folder / "plane.toml", Registration(plane_to_camera=truth.lattice, time=TIME))
    sites = ", ".join(str(site) for site in truth.ij[truth.filled].tolist())
    (folder / "wanted.toml").write_text(f'title = "w"\n[[add]]\nsites = [{sites}]\n[dark]\nmargin = 1\n')
    return folder, truth


class TestCommand:
    def run(self, *args, code=0):
        done = CliRunner().invoke(main, ["occupancy", *map(str, args)], catch_exceptions=False)
        assert done.exit_code == code, done.output
        return done

    def test_table_picture_json_and_report(self, lab, tmp_path):
        folder, truth = lab
        given = (folder / "atoms.tiff", "--registration", folder / "today.toml", "--bench", folder / "bench.toml")
        compared = ("--arrangement", folder / "wanted.toml", "--before", folder / "later.tiff")
        told = json.loads(self.run(*given, *compared, "-o", tmp_path / "o.csv", "--report", tmp_path / "r", "--json").stdout)
        assert told["filled"] == truth.filled.sum()
        assert (told["defects"], told["fidelity"], told["lost"], told["survival"]) == (0, 1.0, 0, 1.0)
        assert sum(line.count("x") for line in told["picture"]) == truth.filled.sum()
        rows = list(csv.DictReader((tmp_path / "o.csv").read_text().splitlines()))
        assert {(int(row["i"]), int(row["j"])) for row in rows if row["filled"] == "1"} == {
            tuple(site) for site in truth.ij[truth.filled].tolist()
        }
        for name in ("histogram.png", "frame.png", "map.png"):
            assert (tmp_path / "r" / name).read_bytes().startswith(b"\x89PNG")
        page = (tmp_path / "r" / "report.html").read_text()
        assert f"{truth.filled.sum()} of {len(rows)} sites hold an atom" in page
        assert json.loads((tmp_path / "r" / "summary.json").read_text())["arrangement"]["defects"] == 0
        assert (tmp_path / "r" / "occupancy.csv").read_bytes() == (tmp_path / "o.csv").read_bytes()
        text = self.run(*given, "--more", folder / "later.tiff").stdout
        assert text.count("x") > truth.filled.sum()
        assert "threshold" in text

    @pytest.mark.parametrize(
        ("arguments", "code", "message"),
        [
            (("empty.tiff", "--registration", "today.toml"), 1, "empty.tiff: frame: found no light"),
            (("none.tiff", "--registration", "today.toml"), 2, "none.tiff: no such file"),
            (("atoms.tiff", "--registration", "plane.toml"), 2, "plane.toml: found no lattice_to_camera"),
            (("atoms.tiff", "--registration", "today.toml", "--arrangement", "wanted.toml"), 2, "--bench: found none"),
            (
                ("atoms.tiff", "--registration", "today.toml", "--airy-px", "3", "--spread-frame", "later.tiff"),
                2,
                "--airy-px: found together with --spread-frame",
            ),
        ],
    )
    def test_what_it_refuses(self, lab, tmp_path, arguments, code, message):
        folder, _ = lab
        named = [folder / word if "." in word else word for word in arguments]
        done = self.run(*named, "-o", tmp_path / "o.csv", "--report", tmp_path / "r", code=code)
        assert message in done.stderr
        assert done.stdout == ""
        assert not list(tmp_path.iterdir())

    def test_outputs_are_kept(self, lab, tmp_path):
        folder, _ = lab
        (tmp_path / "o.csv").write_text("mine")
        given = (folder / "atoms.tiff", "--registration", folder / "today.toml", "-o", tmp_path / "o.csv")
        assert "--overwrite" in self.run(*given, code=2).stderr
        assert (tmp_path / "o.csv").read_text() == "mine"
        self.run(*given, "--overwrite")
        assert (tmp_path / "o.csv").read_text().startswith("i,j,x_px")


def test_the_twin_s_atoms_are_found(tmp_path):
    """All atoms of a frame of the simulated bench, and no others, by the registration of a survey that knows nothing of the truth."""
    from holo.bench import read_bench
    from holo.frames import read_frame
    from holo.survey import survey
    from holo.twin import read_twin

    CliRunner().invoke(main, ["new", str(tmp_path), "--twin", "--seed", "3"], catch_exceptions=False)
    twin, bench = read_twin(tmp_path / "twin.toml"), read_bench(tmp_path / "bench.toml")
    frame = frame_of(read_frame(tmp_path / "atoms-001.tiff"), bench.camera)
    lattice = survey([frame], twin.lattice_to_camera(1)).lattice_to_camera
    found = occupancy(frame, lattice)
    assert {tuple(site) for site in found.sites[found.filled].tolist()} == {tuple(site) for site in twin.occupied(1).astype(int).tolist()}
