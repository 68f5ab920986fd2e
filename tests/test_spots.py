"""Retrieval of separated sites: published comparisons, bounds that no mask can beat, and what the options promise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simple_paths import FOCAL, PITCH, WAVELENGTH, lattice, level, panel, retrieve

from holo.errors import InputError, RetrievalError
from holo.field.sites import SiteTransform, direct_fields
from holo.retrieve.spots import EFFORTS, retrieve_spots


@pytest.mark.parametrize(
    ("effort", "uniformity", "efficiency"), [("quick", 0.995, 0.915), ("normal", 0.9999, 0.925), ("high", 0.99998, 0.935)]
)
def test_turned_lattice_reaches_the_promise_of_each_effort(effort, uniformity, efficiency):
    path, xyz = panel(512), lattice(20, 20, 3.5, centre=(5.0, 4.0))
    found = retrieve(path, xyz, effort=effort)
    assert found.converged
    light = abs(direct_fields(path, found.phase, xyz)) ** 2
    assert level(light) >= uniformity - 2e-5
    assert light.sum() >= efficiency
    assert found.efficiency == pytest.approx(light.sum(), rel=1e-4)
    assert found.uniformity == pytest.approx(level(light), abs=2e-5)


def test_phase_is_a_mask_phase():
    found = retrieve(panel(128), lattice(3, 3, 20.0))
    assert found.phase.dtype == np.float32
    assert found.phase.shape == (128, 128)
    assert found.phase.min() >= 0
    assert found.phase.max() < 2 * np.pi


SPLITTERS = {2: 0.810569, 3: 0.925563, 4: 0.919025, 5: 0.921244, 6: 0.890577, 7: 0.968424}


@pytest.mark.parametrize("count", SPLITTERS)
def test_splitters_reach_the_optimum_and_do_not_pass_it(count):
    """Optimal continuous-phase splitters on a uniform beam.

    N = 2 is 8/pi^2; N = 3: Gori et al., Opt. Commun. 157, 13 (1998); the others computed by an independent search over the
    generating functions. 16 periods of 32 pixels, point pixels, so that the panel stands for the infinite grating.
    """
    period = WAVELENGTH * FOCAL / (32 * PITCH)
    found = retrieve(panel(512, uniform=True, envelope=False), lattice(count, 1, period, 0))
    assert found.uniformity > 0.999
    assert SPLITTERS[count] - 0.005 <= found.efficiency <= SPLITTERS[count] + 0.003


def paper_case():
    """10 x 10 traps on a uniform beam, 768 x 768 panel, spacing 16 bins of the panel's own FFT, point pixels."""
    return panel(768, uniform=True, envelope=False), lattice(10, 10, 16 * WAVELENGTH * FOCAL / (768 * PITCH), 0)


def plain_iterations(count, gain, seed=0):
    """The plain iteration on the case of the paper: all weights of `gain` 0 or 1, phases free; e, u and sigma in the end."""
    path, xyz = paper_case()
    transform, rng = SiteTransform(path, xyz), np.random.default_rng(seed)
    weights, phases = np.ones(100), rng.uniform(0, 2 * np.pi, 100)
    for _ in range(count):
        fields = transform.project(weights * np.exp(1j * phases))
        phases = np.angle(fields)
        weights = weights * (abs(fields).mean() / abs(fields)) ** gain
    light = (abs(fields).astype(float) / path.amplitude_sum) ** 2
    return light.sum(), level(light), light.std() / light.mean()


def test_plain_iterations_agree_with_the_published_comparison():
    """Di Leonardo, Ianni and Ruocco, Opt. Express 15, 1913 (2007), Table 1 (from memory), with tolerances from a simulation."""
    superposition = plain_iterations(1, 0.0)
    assert 0.82 <= superposition[0] <= 0.88
    unweighted = plain_iterations(30, 0.0)
    assert 0.93 <= unweighted[0] <= 0.95
    assert 0.50 <= unweighted[1] <= 0.75  # one seed of a figure quoted as 0.60, simulated 0.58 +- 0.02 at best
    assert 0.11 <= unweighted[2] <= 0.21
    weighted = plain_iterations(30, 1.0)
    assert 0.91 <= weighted[0] <= 0.94
    assert weighted[1] > 0.93
    assert weighted[2] < 0.03


def test_high_effort_beats_the_published_comparison():
    """The same case: the paper's weighted iteration gives e = 0.93 at u = 0.99 (from memory; simulated 0.926 and 0.967)."""
    path, xyz = paper_case()
    found = retrieve(path, xyz, effort="high")
    light = abs(direct_fields(path, found.phase, xyz)) ** 2
    assert level(light) >= 0.999
    assert light.sum() >= 0.935


@settings(max_examples=15, deadline=None)
@given(st.integers(2, 12), st.integers(0, 2**32 - 1))
def test_no_mask_beats_the_certificate(count, seed):
    """For weights w and site phases theta every mask obeys min Re(exp(-i theta) V) <= <|sum w exp(i (theta + Delta))|> / sum w.

    Derived from the triangle inequality (no source). Tried with the weights and phases that the engine ends with and with a
    mask that it did not make.
    """
    rng = np.random.default_rng(seed)
    path = panel(48, uniform=seed % 2 == 0, envelope=False)
    xyz = np.column_stack([rng.uniform(-120, 120, (count, 2)), np.zeros(count)])
    found = retrieve(path, xyz, seed=seed, effort="quick")
    other = rng.uniform(0, 2 * np.pi, (48, 48))
    weights, phases = rng.uniform(0, 1, count) + 1e-3, rng.uniform(0, 2 * np.pi, count)
    for w, theta in ((found.weights, found.site_phases), (weights, phases)):
        waves = np.exp(
            1j * path.scale * (np.multiply.outer(xyz[:, 0], path.x_um)[:, None] + np.multiply.outer(xyz[:, 1], path.x_um)[..., None])
        )
        bound = np.sum(path.amplitude * abs(np.tensordot(w * np.exp(1j * theta), waves, 1))) / w.sum() / path.amplitude_sum
        for mask in (found.phase, other):
            light = np.real(np.exp(-1j * theta) * direct_fields(path, mask, xyz))
            assert light.min() <= bound * (1 + 1e-9)


def test_unweighted_step_never_lowers_the_summed_amplitude():
    """Convergence of the projections: Gerchberg and Saxton, Optik 35, 237 (1972)."""
    path, xyz = panel(96), lattice(5, 5, 25.0)
    transform = SiteTransform(path, xyz)
    phases, last = np.random.default_rng(4).uniform(0, 2 * np.pi, 25), 0.0
    for _ in range(30):
        fields = transform.project(np.exp(1j * phases))
        assert abs(fields).sum() >= last * (1 - 1e-5)
        phases, last = np.angle(fields), abs(fields).sum()


def test_targets_over_two_decades():
    path, xyz = panel(256), lattice(6, 6, 12.0, centre=(20.0, 10.0))
    target = np.geomspace(1, 100, 36)
    found = retrieve(path, xyz, target)
    ratio = abs(direct_fields(path, found.phase, xyz)) ** 2 / target
    assert level(ratio) > 0.9998


@pytest.mark.parametrize("dim", [1e-3, 1e-6])
def test_one_site_far_dimmer_than_all_others(dim):
    """What is left of the others' light is far more than its share, and must be turned away."""
    path, xyz, target = panel(64), lattice(4, 4, 40.0), np.where(np.arange(16) == 5, dim, 1.0)
    found = retrieve(path, xyz, target)
    assert found.converged
    moduli = abs(direct_fields(path, found.phase, xyz))
    unsure = 5e-5 * np.linalg.norm(path.amplitude) / path.amplitude_sum  # of the search's own fields, by the bound of `SiteTransform`
    assert level(moduli**2 / target) > 0.9999 - unsure / moduli[5]


@pytest.mark.parametrize("planes", [1, 2])
def test_dark_sites_get_no_light(planes):
    """A checkerboard with all other sites of its lattice dark: without asking, the array's own orders leave light on them."""
    path, xyz = panel(384), lattice(12, 12, 8.0, centre=(10.0, 10.0))
    xyz[:, 2] = np.arange(144) // 72 % planes * 6.0
    target = (np.indices((12, 12)).sum(axis=0).ravel() % 2 == 0).astype(float)
    bright = target > 0
    asked, unasked = retrieve(path, xyz, target), retrieve(path, xyz[bright])
    light, stray = (abs(direct_fields(path, found.phase, xyz)) ** 2 for found in (asked, unasked))
    assert asked.converged
    assert level(light[bright]) > 0.9998
    assert light[~bright].max() <= 1.1e-4 * light[bright].mean()
    assert stray[~bright].max() > 1e-3 * stray[bright].mean()
    assert light[bright].sum() > 0.97 * stray[bright].sum()
    assert asked.crosstalk == pytest.approx(light[~bright].max() / light[bright].mean(), rel=0.05, abs=2e-6)


def test_planes_are_level_together():
    path, xyz = panel(256), lattice(6, 6, 12.0, centre=(20.0, 10.0))
    xyz[:, 2] = np.arange(36) % 3 * 5.0 - 5.0
    found = retrieve(path, xyz)
    assert level(abs(direct_fields(path, found.phase, xyz)) ** 2) > 0.9998


def test_aberration_is_compensated():
    path, xyz = panel(128), lattice(4, 4, 25.0)
    bent = replace(path, aberration=np.where(path.amplitude > 0, 1e-7 * np.add.outer(path.x_um**2, -2 * path.x_um**2), 0))
    straight, corrected = retrieve(path, xyz), retrieve(bent, xyz)
    np.testing.assert_allclose(direct_fields(bent, corrected.phase, xyz), direct_fields(path, straight.phase, xyz), atol=1e-6)


def test_pixel_envelope_is_compensated():
    path = panel(256)
    half = WAVELENGTH * FOCAL / PITCH / 2
    xyz = np.array([[0.9 * half, 0.1, 0.0], [0.3 * half, -0.2 * half, 0.0], [10.0, 15.0, 0.0]])
    assert path.envelope(xyz)[0] ** 2 < 0.55
    found = retrieve(path, xyz)
    assert level(abs(direct_fields(path, found.phase, xyz)) ** 2) > 0.9999 - 2e-5


@pytest.mark.parametrize("xyz", [[[60.0, 40.0, 0.0]], [[60.0, 40.0, 0.0], [60.0, 44.0, 0.0]], [[0.0, 0.0, 3.0]]])
def test_few_sites(xyz):
    path = panel(128)
    found = retrieve(path, np.array(xyz))
    light = abs(direct_fields(path, found.phase, np.array(xyz))) ** 2
    assert level(light) > 0.9998
    bound = path.envelope(np.array(xyz)).min() ** 2
    assert light.sum() > (0.999 if len(xyz) == 1 else 0.8) * bound


def test_more_sites_than_a_superposition_can_level():
    """Jumps of the phase limit the weights; the corrections on the panel itself go on."""
    path, xyz = panel(192), lattice(50, 50, 4.5)
    found = retrieve(path, xyz, uniformity=0.99995)
    assert found.history[-1][0] == "turn"
    assert level(abs(direct_fields(path, found.phase, xyz)) ** 2) > max(step[2] for step in found.history if step[0] == "hold")


def test_same_seed_same_mask_other_seed_other_mask():
    path, xyz = panel(256), lattice(8, 8, 9.0)
    one, again, other = retrieve(path, xyz, seed=1), retrieve(path, xyz, seed=1), retrieve(path, xyz, seed=2)
    np.testing.assert_array_equal(one.phase, again.phase)
    assert np.any(one.phase != other.phase)


class TestStart:
    """A retrieval that starts from an earlier one of the same sites."""

    path, xyz = panel(256), lattice(8, 8, 9.0)

    def test_the_same_targets_give_the_same_mask(self):
        one = retrieve(self.path, self.xyz)
        again = retrieve(self.path, self.xyz, start=one.waves, seed=5)
        turned = np.angle(np.exp(1j * (again.phase - one.phase.astype(float))))
        assert abs(turned).max() < 1e-4
        assert again.iterations == 1

    def test_other_targets_are_reached_with_a_mask_that_resembles_the_old_one(self):
        target = np.exp(np.random.default_rng(1).normal(0, 0.15, 64))
        one = retrieve(self.path, self.xyz)
        new, other = retrieve(self.path, self.xyz, target, start=one.waves), retrieve(self.path, self.xyz, target, seed=3)
        ratio = abs(direct_fields(self.path, new.phase, self.xyz)) ** 2 / target
        assert level(ratio) > 0.9998
        assert new.efficiency > one.efficiency - 0.01
        turned, unlike = (np.angle(np.exp(1j * (found.phase.astype(float) - one.phase)))[self.path.pupil] for found in (new, other))
        assert np.sqrt((turned**2).mean()) < 0.15  # rad; two masks that have nothing to do with each other differ by pi / sqrt(3)
        assert np.sqrt((unlike**2).mean()) > 1.5

    def test_little_other_targets_turn_the_mask_little(self):
        rng = np.random.default_rng(1)
        one, change, turns = retrieve(self.path, self.xyz), rng.normal(0, 1, 64), []
        for size in (0.02, 0.2):
            new = retrieve(self.path, self.xyz, np.exp(size * change), start=one.waves)
            turns.append(np.angle(np.exp(1j * (new.phase.astype(float) - one.phase)))[self.path.pupil].std())
        assert turns[0] < 0.2 * turns[1]

    def test_the_waves_stay_so_that_masks_may_follow_each_other(self):
        one = retrieve(self.path, self.xyz)
        new = retrieve(self.path, self.xyz, np.linspace(1, 2, 64), start=one.waves)
        np.testing.assert_allclose(new.waves, one.waves, rtol=1e-12)

    def test_no_random_number_is_drawn_and_the_mask_is_the_same_each_time(self):
        one, rng = retrieve(self.path, self.xyz), np.random.default_rng(0)
        target = np.linspace(1, 2, 64)
        found = [retrieve_spots(self.path, self.xyz, target, rng=rng, start=one.waves).phase for _ in range(2)]
        np.testing.assert_array_equal(*found)
        assert rng.random() == np.random.default_rng(0).random()

    def test_dark_sites_are_kept_dark(self):
        path, xyz = panel(384), lattice(12, 12, 8.0, centre=(10.0, 10.0))
        target = (np.indices((12, 12)).sum(axis=0).ravel() % 2 == 0).astype(float)
        bright = target > 0
        one = retrieve(path, xyz, target)
        target[bright] *= np.exp(np.random.default_rng(1).normal(0, 0.15, 72))
        new = retrieve(path, xyz, target, start=one.waves)
        light = abs(direct_fields(path, new.phase, xyz)) ** 2
        assert new.converged
        assert level(light[bright] / target[bright]) > 0.9998
        assert light[~bright].max() <= 1.1e-3 * light[bright].mean()

    @pytest.mark.parametrize(
        ("start", "message"),
        [
            (np.ones(63), r"start: found shape \(63,\); allowed: \(64,\)"),
            (np.zeros(64), r"start: found 0\.0; allowed: finite numbers other than 0"),
            (np.full(64, np.nan), "start: found nan"),
        ],
    )
    def test_what_is_no_start(self, start, message):
        with pytest.raises(InputError, match=message):
            retrieve(self.path, self.xyz, start=start)


def test_stops_where_told():
    path, xyz = panel(256), lattice(8, 8, 9.0)
    loose, strict = retrieve(path, xyz, uniformity=0.97), retrieve(path, xyz, uniformity=0.99999)
    assert loose.uniformity >= 0.97
    assert loose.iterations < strict.iterations
    short = retrieve(path, xyz, uniformity=0.99999, iterations=2)
    stages = [step[0] for step in short.history]
    assert len(stages) - stages.index("settle") == EFFORTS["normal"].settle + 2 + 3


def test_progress_counts_up_and_may_stop_the_search():
    seen = []
    path, xyz = panel(256), lattice(8, 8, 9.0)
    found = retrieve(path, xyz, progress=lambda stage, number, level: seen.append((stage, number, level)))
    assert {"spread", "weigh", "settle", "hold"} == {stage for stage, _, _ in seen}
    assert all(0 <= step[2] <= 1 for step in found.history)

    def stop(*_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        retrieve(path, xyz, progress=stop)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"effort": "hard"}, r"effort: found 'hard'; allowed: quick, normal, high"),
        ({"uniformity": 1.0}, r"uniformity: found 1; allowed: a number between 0 and 1"),
        ({"uniformity": float("nan")}, r"uniformity: found nan"),
        ({"iterations": 0}, r"iterations: found 0; allowed: 1 to 100000"),
    ],
)
def test_bad_options(options, message):
    with pytest.raises(InputError, match=message):
        retrieve(panel(32), lattice(2, 2, 40.0), **options)


@pytest.mark.parametrize(
    ("target", "words"),
    [([0.0, 0.0], "0 on each of 2 site"), ([1.0, -1.0], "-1; allowed: 0, for a dark"), ([1.0, np.nan], "nan; allowed"), ([], "no sites")],
)
def test_bad_targets(target, words):
    with pytest.raises(InputError, match=f"target: found {words}"):
        retrieve(panel(32), lattice(len(target), 1, 40.0), np.array(target))


def test_no_light_at_all_is_an_error():
    dark = replace(panel(32), amplitude=np.pad(np.full((2, 2), 1e-45), 15), amplitude_sum=4e-45)
    with pytest.raises(RetrievalError, match=r"site 1 of 4 gets no light"):
        retrieve(dark, lattice(2, 2, 40.0))


def test_efforts_grow():
    quick, normal, high = (EFFORTS[name] for name in ("quick", "normal", "high"))
    assert quick.uniformity < normal.uniformity < high.uniformity
    assert quick.trim < normal.trim < high.trim
