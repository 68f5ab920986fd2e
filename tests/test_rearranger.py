"""The whole way from an occupancy to masks: who may stand where, what is refused, and the light judged by the float64 sum."""

from __future__ import annotations

import numpy as np
import pytest
from simple_paths import level

from holo.arrangement import block
from holo.bench import parse_bench
from holo.errors import InputError
from holo.field.sites import direct_fields
from holo.lattice import Lattice
from holo.loss import Atoms, predict_rounds, survival
from holo.mask import phase_of_levels
from holo.moves import Limits, MoveOptions
from holo.rearranger import RearrangeOptions, Rearranger
from holo.registration import place

RATE = {"panel__frame_rate_hz": 50.0}


@pytest.fixture(scope="module")
def bench(small_bench_text):
    return parse_bench(small_bench_text(panel__columns=192, panel__rows=160, optics__relay_magnification=3.0, **RATE), "bench.toml")


@pytest.fixture(scope="module")
def ready(bench):
    reservoir = place(block(5, 5), bench.lattice).xyz_um
    return Rearranger(bench, reservoir, place(block(3, 3).shifted(1, 1).with_target(0.8), bench.lattice))


def half(seed, count=25):
    return np.random.default_rng(seed).permutation(count) < 13


def test_atoms_end_on_the_wanted_sites_in_level_light(ready, bench):
    filled = half(1)
    answer = ready.answer(filled)
    frames = list(ready.frames(answer))
    assert filled[answer.plan.atoms].all()
    assert np.array_equal(answer.course.places_um(0), ready.reservoir_um[answer.plan.atoms])
    assert np.array_equal(answer.course.places_um(answer.course.frames - 1), ready.wanted_um[answer.plan.goals])
    assert len(answer.plan.atoms) == 9
    assert len(answer.plan.dropped) == 4
    for frame in (frames[0], frames[-1]):
        phase, places = phase_of_levels(frame.levels, bench.panel), answer.course.places_um(frame.progress)
        light = np.abs(direct_fields(ready.mover.path, phase, places)) ** 2
        assert level(light) > 0.98
    assert min(frame.lowest.min() for frame in frames[1:]) >= 0.75
    assert ready.frame_ms == 20


def test_same_occupancy_same_masks(ready, bench):
    again = Rearranger(bench, ready.reservoir_um, place(block(3, 3).shifted(1, 1).with_target(0.8), bench.lattice))
    one, other = (list(each.frames(each.answer(half(2)))) for each in (ready, again))
    assert all(np.array_equal(a.levels, b.levels) for a, b in zip(one, other, strict=True))


def test_from_one_lattice_to_another_in_another_plane(bench):
    reservoir = place(block(4, 4), bench.lattice).xyz_um
    wanted = place(block(2, 2).at_depth(2.0), Lattice([[4.0, 1.0], [-1.0, 4.0]], [9.0, 6.0]))
    between = Rearranger(bench, reservoir, wanted)
    answer = between.answer(half(3, 16))
    *_, last = between.frames(answer)
    light = np.abs(direct_fields(between.mover.path, phase_of_levels(last.levels, bench.panel), wanted.xyz_um)) ** 2
    assert level(light) > 0.97
    assert answer.plan.approach.distance_um >= between.apart_um


def test_every_stage_is_timed(ready):
    found = ready.measure(half(4), frames=2)
    assert found.frame_ms.shape == (2,)
    assert set(found.summary()) == {"plan_ms", "start_ms", "median_frame_ms", "longest_frame_ms"}
    assert min(found.summary().values()) > 0


def test_rounds_of_this_very_rearrangement(ready):
    """With what the frames say about the light, a deep trap keeps all atoms and a shallow one loses what `survival` says."""
    answer = ready.answer(half(5))
    lowest = np.array([frame.lowest for frame in list(ready.frames(answer))[1:]])
    shares = {}
    for depth in (40.0, 5.0):
        chance = float(survival(lowest, ready.frame_ms, Atoms(depth))[-1].mean())
        found = predict_rounds(
            ready.replan,
            lambda rng: ready.reservoir_um[rng.uniform(size=25) < 0.7],
            ready.wanted_um,
            lambda _, chance=chance: chance,
            rounds=2,
            trials=40,
            rng=np.random.default_rng(6),
        )
        shares[depth] = chance, found.filled[1]
    assert shares[40.0][1] == pytest.approx(1, abs=1e-3)
    assert shares[5.0][0] < 0.95
    assert shares[5.0][1] == pytest.approx(shares[5.0][0], abs=0.06)


@pytest.mark.parametrize(
    ("filled", "message"),
    [(np.zeros(25, bool), "filled: found no atom"), (np.ones(24, bool), r"filled: found shape \(24,\); allowed: \(25,\)")],
)
def test_bad_occupancies_are_refused(ready, filled, message):
    with pytest.raises(InputError, match=message):
        ready.plan(filled)


def test_a_bench_without_a_frame_rate_is_refused(small_bench_text):
    bench = parse_bench(small_bench_text(), "bench.toml")
    with pytest.raises(InputError, match=r"panel\.frame_rate_hz: missing"):
        Rearranger(bench, place(block(2, 2), bench.lattice).xyz_um, place(block(1, 1), bench.lattice))


def test_nothing_wanted_is_refused(bench):
    sites = place(block(2, 2), bench.lattice)
    with pytest.raises(InputError, match=r"wanted: found 4 site\(s\), none of them bright"):
        Rearranger(bench, sites.xyz_um, place(block(2, 2).with_target(0.0), bench.lattice))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"apart_um": -1.0}, "apart_um: found -1"),
        ({"cost": "x"}, "cost: found 'x'"),
        ({"spare": "x"}, "spare: found 'x'"),
        ({"seed": -1}, "seed: found -1"),
    ],
)
def test_bad_options_are_refused(options, message):
    with pytest.raises(InputError, match=message):
        RearrangeOptions(**options)


def test_velocity_sets_the_number_of_frames(bench, ready):
    slow = Rearranger(
        bench,
        ready.reservoir_um,
        place(block(3, 3).shifted(1, 1), bench.lattice),
        RearrangeOptions(limits=Limits(1e3, velocity_um_per_ms=0.01), moves=MoveOptions(lowest=None)),
    )
    answer = slow.answer(half(1))
    assert answer.course.frames - 1 == int(np.ceil(15 / 8 * answer.plan.longest_um / 0.01 / 20))
