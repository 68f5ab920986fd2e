"""Positions in time, masks that follow, and the light in between: profiles, the sinc crossings, figures from the float64 sum."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simple_paths import lattice, level, panel

from holo.bench import parse_bench
from holo.errors import InputError, RearrangementError
from holo.field.sites import SiteTransform, direct_fields
from holo.loss import Atoms, held, played, predict_rounds, survival
from holo.mask import level_choices, levels_of_phase, phase_of_levels
from holo.moves import PEAK_ACCELERATION, PEAK_VELOCITY, Course, Limits, MoveOptions, Mover, course, minimum_jerk, step_um
from holo.rearrange import rearrange
from holo.retrieve.follow import Pace, beam_middle, carried
from holo.transition import share_after, transition


def test_minimum_jerk_starts_and_ends_at_rest():
    time = np.linspace(0, 1, 200_001)
    place = minimum_jerk(time)
    velocity, jerk = np.gradient(place, time), np.diff(place[::100], 3) / (time[100] ** 3)
    acceleration = np.gradient(velocity, time)
    assert place[[0, -1]].tolist() == [0, 1]
    assert np.abs([velocity[0], velocity[-1], acceleration[2], acceleration[-3]]).max() < 1e-3
    assert velocity.max() == pytest.approx(PEAK_VELOCITY, rel=1e-6)
    assert np.abs(acceleration[2:-2]).max() == pytest.approx(PEAK_ACCELERATION, rel=1e-4)
    assert np.mean(jerk**2) == pytest.approx(720, rel=0.02)  # the minimum, 720 L^2 / T^5 (Flash and Hogan 1985; from memory)


@settings(max_examples=30, deadline=None)
@given(st.floats(0.01, 20), st.floats(0.1, 2), st.floats(0.01, 1), st.floats(1e-3, 1), st.floats(5, 50))
def test_limits_hold_at_all_times(length, step, velocity, acceleration, frame_ms):
    found = course(np.array([[[0.0, 0, 0]], [[length, 0, 0]]]), Limits(step, velocity, acceleration), frame_ms)
    frames = np.linspace(0, found.frames - 1, 2000)
    x = length * minimum_jerk(frames / (found.frames - 1))
    places = np.array([found.places_um(frame)[0, 0] for frame in range(found.frames)])
    assert np.diff(places).max() <= step * (1 + 1e-9)
    dt = (frames[1] - frames[0]) * frame_ms
    assert np.diff(x).max() / dt <= velocity * (1 + 1e-6)
    assert np.abs(np.diff(x, 2)).max() / dt**2 <= acceleration * (1 + 1e-6)
    assert places[-1] == length


def test_a_track_stops_at_every_station():
    stations = np.array([[[0.0, 0, 0], [9, 0, 0]], [[4.0, 0, 0], [9, 0, 0]], [[4.0, 0, 0], [9, 3, 0]], [[4.0, 0, 0], [9, 3, 0]]])
    found = course(stations, Limits(0.5), 10.0)
    ends = np.cumsum((0, *found.counts))
    assert found.counts == (15, 12, 0)
    for station, frame in zip(stations, ends, strict=True):
        assert np.array_equal(found.places_um(frame), station)


@pytest.mark.parametrize(("name", "value"), [("step_um", 0.0), ("velocity_um_per_ms", -1.0), ("acceleration_um_per_ms2", np.nan)])
def test_bad_limits_are_refused(name, value):
    with pytest.raises(InputError, match=f"{name}: found"):
        Limits(**{"step_um": 1.0, name: value})


@pytest.mark.parametrize(("response", "power"), [("shortest", 2), ("raw", 4)])
def test_unrelated_masks_cross_at_powers_of_the_sinc(response, power):
    """Efficiencies sinc^2 (shorter way) and sinc^4 (way by all levels); crossings 0.40528 and 0.16426 at half the change."""
    path = panel(128, uniform=True, envelope=False)
    sites = np.array([[[31.7, 12.9, 0.0]], [[-27.1, 41.3, 0.0]]])
    masks = [np.mod(path.scale * (path.x_um * x + path.y_um[:, None] * y), 2 * np.pi) for ((x, y, _),) in sites]
    shares = (0.1, 0.3, 0.5, 0.7, 0.9)
    old, new = (transition(path, *masks, (site, site), shares=shares, response=response)[:, 0] for site in sites)
    assert old == pytest.approx(np.sinc(shares) ** power, abs=0.012)
    assert new == pytest.approx(np.sinc(1 - np.array(shares)) ** power, abs=0.012)
    assert old[2] == pytest.approx({2: 0.40528, 4: 0.16426}[power], abs=0.012)


def test_share_of_a_change_follows_the_exponential():
    """Times to 90, 95 and 99 %: 2.30259, 2.99573 and 4.60517 time constants."""
    assert [share_after(time, 1.0) for time in (2.30259, 2.99573, 4.60517)] == pytest.approx([0.9, 0.95, 0.99], abs=1e-6)


def test_a_common_shift_keeps_all_the_light():
    """The mask then changes by a ramp, whose shares are ramps."""
    path = panel(128)
    sites = lattice(3, 3, 20.0)
    phase = np.angle(SiteTransform(path, sites).adjoint(np.exp(1j * np.arange(9.0) ** 2))).astype(float)
    moved = phase + path.scale * 1.0 * path.x_um
    light = transition(path, phase, moved, (sites, sites + [1.0, 0, 0]), shares=(0, 0.5, 1), response="shortest")
    assert light[1] / light[0] == pytest.approx(1, abs=2e-3)  # up to the pixel envelope


def test_carried_phases_change_the_mask_least():
    """Against a search over the phase of one site, on a beam off the centre."""
    path = panel(96)
    x, y = path.x_um, path.y_um[:, None]
    beam = path.amplitude * np.exp(-(((x - 150) / 250) ** 2) - ((y + 100) / 250) ** 2)
    path = replace(path, amplitude=beam, amplitude_sum=float(beam.sum()))
    step = np.array([[1.1, -0.7, 2.0]])
    wave = path.scale * (x * step[0, 0] + y * step[0, 1]) + path.defocus * step[0, 2]
    turns = np.linspace(-np.pi, np.pi, 20001)
    best = turns[np.argmax(np.real(np.exp(1j * turns) * np.sum(beam * np.exp(1j * wave))))]  # least sum A |1 - exp(i (wave + turn))|^2
    assert np.angle(carried(beam_middle(path), np.ones(1, complex), step)[0]) == pytest.approx(best, abs=0.03)


def test_a_moved_plan_is_a_new_one():
    path = panel(256)
    first, then = lattice(5, 5, 9.0), np.concatenate([lattice(6, 7, 11.0), lattice(3, 3, 9.0) + [0, 0, 4.0]])
    values = np.exp(1j * np.arange(len(then)) ** 1.5)
    plan = SiteTransform(path, first)
    assert np.array_equal(plan.moved(then).project(values), SiteTransform(path, then).project(values))
    assert np.array_equal(plan.moved(first).project(values[:25]), SiteTransform(path, first).project(values[:25]))


@pytest.mark.parametrize("response", [None, [(0, 0.0), (100, 2.0), (200, 5.5), (255, 8.0)]])
def test_levels_in_one_pass_are_the_nearest(small_bench, response):
    bench = small_bench()
    where = replace(
        bench.panel, response=None if response is None else np.array(response, float), level_for_2pi=212 if response is None else None
    )
    path = panel(96)
    plan = SiteTransform(path, lattice(4, 4, 9.0))
    values = np.exp(1j * np.arange(16.0) ** 2)
    shown = replace(where, rows=96, columns=96)
    offset = np.random.default_rng(1).uniform(-2, 2, (96, 96)).astype(np.float32)
    wanted = plan.mask_phase(values) + 2 * np.pi * offset
    nearest = levels_of_phase(wanted, shown)
    for last in (0, 255):
        levels = plan.mask_levels(values, offset, level_choices(shown), np.full((96, 96), last, np.uint16))
        error = np.angle(np.exp(1j * (phase_of_levels(levels, shown) - wanted)))[2:-2, 2:-2]
        least = np.angle(np.exp(1j * (phase_of_levels(nearest, shown) - wanted)))[2:-2, 2:-2]
        assert (np.abs(error) <= np.abs(least) + 0.15 * 2 * np.pi / 212).all()
        if last == 255:
            assert (levels > 212).any()  # of two levels that make the phase, the one nearer to the last


@pytest.fixture(scope="module")
def wide_bench(small_bench_text):
    text = small_bench_text(panel__columns=256, panel__rows=256, light__beam_diameter_mm=2.4, optics__relay_magnification=1.875)
    return parse_bench(text, "wide.toml")


def crowd(bench, side=10):
    places = lattice(side, side, 4 * bench.airy_radius_um, centre=(3 * side * bench.airy_radius_um,) * 2)
    angle = np.random.default_rng(2).uniform(0, 2 * np.pi, len(places))
    return places, np.column_stack([np.cos(angle), np.sin(angle), np.zeros(len(places))])


def start_waves(count, seed=0):
    return np.exp(1j * np.random.default_rng(seed).uniform(0, 2 * np.pi, count))


@pytest.mark.parametrize(("response", "bound"), [("shortest", 0.9), ("raw", 0.75)])
def test_light_stays_on_traps_that_move_a_quarter_of_a_cell(wide_bench, response, bound):
    places, ways = crowd(wide_bench)
    moved = Course(np.stack([places, places + 3.77 * step_um(wide_bench) * ways]), (7,), 16.7)
    mover = Mover(wide_bench, MoveOptions(Pace(limit=8), lowest=0.3, response=response))
    frames = list(mover.frames(moved, np.ones(100), mover.start(places, np.ones(100), start_waves(100))))
    steps = [np.linalg.norm(moved.places_um(a) - moved.places_um(a - 1), axis=1).max() for a in range(1, 8)]
    assert max(steps) == pytest.approx(step_um(wide_bench), rel=0.01)
    assert min(frame.lowest.min() for frame in frames[1:]) >= bound
    for frame in frames:
        light = np.abs(direct_fields(mover.path, phase_of_levels(frame.levels, wide_bench.panel), moved.places_um(frame.progress))) ** 2
        assert level(light) >= 0.97  # 256 x 256 pixels: rounding to levels costs four times what it does on 1024 x 1024
        assert frame.uniformity >= 0.995
        assert light.sum() >= 0.7
    before, after = (phase_of_levels(frame.levels, wide_bench.panel) for frame in frames[2:4])
    exact = transition(
        mover.path, before, after, (moved.places_um(2), moved.places_um(3)), shares=(0, 0.25, 0.5, 0.75, 1), response=response
    )
    assert frames[3].lowest == pytest.approx(exact[1:].min(axis=0) / exact[0].mean(), abs=2e-4)


def test_frames_are_inserted_where_the_light_falls_too_low(wide_bench):
    places, ways = crowd(wide_bench)
    moved = Course(np.stack([places, places + 8 * step_um(wide_bench) * ways]), (2,), 16.7)
    free = Mover(wide_bench, MoveOptions(lowest=0.0))
    begun = free.start(places, np.ones(100), start_waves(100))
    plain = list(free.frames(moved, np.ones(100), begun))
    assert len(plain) == 3
    assert min(frame.lowest.min() for frame in plain[1:]) < 0.6
    finer = list(Mover(wide_bench, MoveOptions(lowest=0.6)).frames(moved, np.ones(100), begun))
    assert len(finer) > 3
    assert min(frame.lowest.min() for frame in finer[1:]) >= 0.6
    assert finer[-1].progress == 2.0
    assert (np.diff([frame.progress for frame in finer]) > 0).all()
    with pytest.raises(RearrangementError, match=r"frame 1: the light of a site falls to .* allowed: 0.999"):
        list(Mover(wide_bench, MoveOptions(lowest=0.999)).frames(moved, np.ones(100), begun))


def test_targets_and_depths_are_kept(wide_bench):
    places, ways = crowd(wide_bench, 5)
    ahead = places + 2 * step_um(wide_bench) * ways + [0, 0, 1.5]
    target = np.linspace(0.5, 1.5, 25)
    moved = course(np.stack([places, ahead]), Limits(step_um(wide_bench)), 16.7)
    mover = Mover(wide_bench, MoveOptions(Pace(limit=8)))
    frames = list(mover.frames(moved, target, mover.start(places, target, start_waves(25))))
    light = np.abs(direct_fields(mover.path, phase_of_levels(frames[-1].levels, wide_bench.panel), ahead)) ** 2
    assert level(light / target) >= 0.98


def test_going_on_from_a_frame_gives_the_same_masks(wide_bench):
    places, ways = crowd(wide_bench, 6)
    moved = Course(np.stack([places, places + step_um(wide_bench) * ways]), (4,), 16.7)
    mover = Mover(wide_bench, MoveOptions(lowest=None))
    whole = list(mover.frames(moved, np.ones(36), mover.start(places, np.ones(36), start_waves(36))))
    rest = list(Mover(wide_bench, MoveOptions(lowest=None)).frames(moved, np.ones(36), whole[2]))
    assert [frame.number for frame in rest] == [3, 4]
    assert all(np.array_equal(one.levels, other.levels) for one, other in zip(rest, whole[3:], strict=True))


@pytest.mark.parametrize(("options", "message"), [({"lowest": 1.0}, "lowest: found 1"), ({"response": "slow"}, "response: found 'slow'")])
def test_bad_options_are_refused(options, message):
    with pytest.raises(InputError, match=message):
        MoveOptions(**options)


# ---------------------------------------------------------------------------------------------------------------------
# losses


def test_atoms_held_against_energies_drawn_at_random():
    """Thermal energies in three dimensions are gamma distributed; lowered to a share u, atoms with E sqrt(u) < u U stay."""
    energy = np.random.default_rng(3).gamma(3.0, size=200_000)
    for lowest in (0.1, 0.4, 0.9):
        stay = np.mean(energy * np.sqrt(lowest) < lowest * 8.0)
        assert float(held(lowest, 8.0)) == pytest.approx(stay, abs=4 * np.sqrt(0.25 / 200_000))


def test_survival_and_what_is_played_agree():
    rng = np.random.default_rng(4)
    lowest = rng.uniform(0.3, 1, (5, 3))
    atoms = Atoms(depth=6, heating=0.02, lifetime_ms=500)
    chance = survival(lowest, 16.7, atoms)
    assert (np.diff(chance, axis=0) <= 0).all()
    runs = np.array([played(lowest, 16.7, atoms, rng) for _ in range(4000)])
    assert runs.mean(axis=0) == pytest.approx(chance, abs=4 * np.sqrt(0.25 / 4000))
    assert (np.diff(runs.astype(int), axis=1) <= 0).all()  # nobody comes back
    assert survival(np.ones((3, 1)), 10.0, Atoms(1e3, lifetime_ms=30.0))[:, 0] == pytest.approx(np.exp([-1 / 3, -2 / 3, -1]))


def test_rounds_fill_what_earlier_ones_have_lost():
    sites = lattice(8, 8, 5.0)
    wanted = sites[np.argsort(np.hypot(*sites[:, :2].T), kind="stable")[:16]]
    kept = []

    def plan(places):
        return rearrange(places, wanted, apart_um=3.5, spare="park", parking_um=sites)

    def run(survives, loss=0.0):
        rng = np.random.default_rng(5)
        return predict_rounds(
            plan, lambda rng: sites[rng.uniform(size=64) < 0.6], wanted, lambda _: survives, rounds=3, trials=30, rng=rng, imaging_loss=loss
        )

    sure = run(1.0)
    assert sure.filled[1:] == pytest.approx(1)
    assert sure.filled[0] == pytest.approx(0.6, abs=4 * sure.error[0])
    lossy = run(0.9)
    assert lossy.filled[1] == pytest.approx(0.9, abs=4 * lossy.error[1])
    assert lossy.complete[1] < sure.complete[1] == 1
    assert len(lossy.summary()) == 4
    assert kept == []
    with pytest.raises(InputError, match="rounds and trials: found 0 and 1"):
        predict_rounds(plan, lambda rng: sites, wanted, lambda _: 1.0, rounds=0, trials=1, rng=np.random.default_rng(0))


@pytest.mark.parametrize(("name", "value"), [("depth", 0.0), ("heating", -0.1), ("lifetime_ms", 0.0), ("imaging_loss", 1.0)])
def test_bad_atoms_are_refused(name, value):
    with pytest.raises(InputError, match=f"{name}: found"):
        Atoms(**{name: value})
