"""Who goes where and how: distances kept at all times, checked on a fine grid of times that the planner does not know."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from scipy.spatial import KDTree
from scipy.spatial.distance import cdist

from holo.errors import InputError, RearrangementError
from holo.paths import closest_approach, journey
from holo.rearrange import read_occupancy, rearrange

SPACING = 5.0


def square(columns, rows, spacing=SPACING, z=0.0):
    i, j = np.meshgrid(np.arange(columns), np.arange(rows))
    return np.column_stack([i.ravel() * spacing, j.ravel() * spacing, np.full(i.size, z)])


def loaded(sites, seed, share=0.5):
    return sites[np.random.default_rng(seed).random(len(sites)) < share]


def inner(sites, count):
    return sites[np.argsort(np.hypot(*(sites - sites.mean(axis=0))[:, :2].T), kind="stable")[:count]]


def sampled(stations, times=101, still=None):
    """Least distance of any two atoms on a grid of times, by brute force."""
    least = np.inf
    for here, there in pairwise(stations):
        for share in np.linspace(0, 1, times):
            places = here + share * (there - here)
            places = places if still is None else np.concatenate([places, still])
            least = min(least, KDTree(places).query(places, k=2)[0][:, 1].min())
    return least


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 12), st.integers(4, 12))
def test_all_go_at_once_at_the_root_of_a_half(seed, columns, rows):
    """Cyclic monotonicity of the least sum of squares (R. T. Rockafellar, Pacific J. Math. 17, 497 (1966); from memory)."""
    sites = square(columns, rows)
    atoms = loaded(sites, seed)
    if len(atoms) < 2:
        return
    wanted = inner(sites, max(1, len(atoms) * 4 // 5))
    plan = rearrange(atoms, wanted, apart_um=SPACING / np.sqrt(2))
    assert len(plan.stations_um) == 2
    assert sampled(plan.stations_um) >= SPACING / np.sqrt(2) * (1 - 1e-9)
    cost = cdist(wanted, atoms, "sqeuclidean")
    assert plan.cost == pytest.approx(cost[linear_sum_assignment(cost)].sum())
    assert plan.bound == pytest.approx(plan.cost)
    assert len(plan.unfilled) == 0
    assert np.array_equal(plan.stations_um[-1], wanted[plan.goals])
    assert np.array_equal(plan.stations_um[0], atoms[plan.atoms])
    assert plan.approach.distance_um <= sampled(plan.stations_um) + 1e-9


def test_closed_form_of_the_approach_agrees_with_fine_sampling():
    rng = np.random.default_rng(2)
    for _ in range(6):
        stations = rng.uniform(0, 20, (3, 12, 3))
        found = closest_approach(stations)
        assert found.distance_um == pytest.approx(sampled(stations, 801), abs=5e-2)
        assert found.distance_um <= sampled(stations, 101) + 1e-12


def test_fewer_atoms_than_sites_fill_the_cheapest():
    atoms = np.array([[0.0, 0, 0], [30.0, 0, 0]])
    wanted = np.array([[5.0, 0, 0], [15.0, 0, 0], [30.0, 5, 0]])
    plan = rearrange(atoms, wanted, apart_um=3)
    assert plan.goals.tolist() == [0, 2]
    assert plan.unfilled.tolist() == [1]
    assert plan.summary()["carried"] == 2


def test_spare_atoms_are_parked_apart_from_all_others():
    sites = square(12, 12)
    atoms, wanted = loaded(sites, 5), inner(sites, 50)
    plan = rearrange(atoms, wanted, apart_um=3.5, spare="park")
    assert len(plan.atoms) == len(atoms)
    assert len(plan.dropped) == 0
    assert sorted(plan.goals[plan.goals >= 0].tolist()) == list(range(50))
    assert sampled(plan.stations_um) >= 3.5
    parked = plan.stations_um[-1][plan.goals < 0]
    assert KDTree(wanted).query(parked)[0].min() >= SPACING - 1e-9


def test_parking_places_may_be_too_few():
    atoms = square(3, 1)
    with pytest.raises(InputError, match=r"parking_um: found 0 place\(s\).*each of the 2 spare atoms"):
        rearrange(atoms, atoms[:1], apart_um=3, spare="park", parking_um=atoms[:1])


@pytest.mark.parametrize("apart", [1.5, 2.4])
def test_obstacles_are_passed_by(apart):
    sites = square(9, 9)
    wanted = inner(sites, 30)
    still = wanted[::6]
    free = sites[KDTree(still).query(sites)[0] > 1]
    atoms, goals = loaded(free, 3, 0.6), wanted[KDTree(still).query(wanted)[0] > 1]
    plan = rearrange(atoms, goals, apart_um=apart, obstacles_um=still)
    assert len(plan.unfilled) == 0
    assert sampled(plan.stations_um, 41, still) >= apart * (1 - 1e-6)
    assert sampled(rearrange(atoms, goals, apart_um=apart).stations_um, 41, still) < apart  # they do stand in the way


def test_a_wall_without_a_gap_cannot_be_passed():
    wall = np.column_stack(
        [
            12 * np.cos(np.linspace(0, 2 * np.pi, 40, endpoint=False)),
            12 * np.sin(np.linspace(0, 2 * np.pi, 40, endpoint=False)),
            np.zeros(40),
        ]
    )
    with pytest.raises(RearrangementError, match="found no way for 1 of 41 atoms"):
        rearrange([[0, 0, 0]], [[30, 0, 0]], apart_um=1.5, obstacles_um=wall)
    plan = rearrange([[0, 0, 0]], [[30, 0, 0]], apart_um=1.5, obstacles_um=wall[1:])  # through the gap
    assert sampled(plan.stations_um, 201, wall[1:]) >= 1.5 * (1 - 1e-6)


def test_crossing_ways_are_staggered():
    start = np.array([[0.0, 0, 0], [0, 4, 0], [20, 0, 0]])
    end = np.array([[4.0, 4, 0], [4, 0, 0], [26, 0, 0]])
    stations = journey(start, end, 1.5)
    assert len(stations) == 3
    assert sampled(stations) >= 1.5
    assert np.array_equal(stations[-1], end)


@pytest.mark.parametrize("cost", ["distance", "longest"])
def test_other_costs_are_the_least(cost):
    sites = square(8, 8)
    atoms, wanted = loaded(sites, 8), inner(sites, 20)
    plan = rearrange(atoms, wanted, apart_um=1.5, cost=cost)
    lengths = np.linalg.norm(wanted[plan.goals] - atoms[plan.atoms], axis=1)
    table = cdist(wanted, atoms)
    if cost == "distance":
        assert lengths.sum() == pytest.approx(table[linear_sum_assignment(table)].sum(), rel=1e-6)
        assert plan.cost == pytest.approx(lengths.sum(), rel=2e-6)
    else:
        shorter = np.where(table < lengths.max() - 1e-9, 0.0, 1.0)
        assert shorter[linear_sum_assignment(shorter)].sum() > 0  # with shorter ways only, somebody is left over
    assert sampled(plan.stations_um, 41) >= 1.5 * (1 - 1e-6)


def test_from_one_lattice_to_another_and_between_planes():
    reservoir, target = loaded(square(10, 10, 6.0), 9), square(5, 5, 4.0, z=8.0) + [20.0, 20.0, 0.0]
    plan = rearrange(reservoir, target, apart_um=4.0 / np.sqrt(2))
    assert len(plan.unfilled) == 0
    assert len(plan.stations_um) == 2
    assert sampled(plan.stations_um) >= 4.0 / np.sqrt(2) * (1 - 1e-9)
    assert set(plan.stations_um[-1][:, 2]) == {8.0}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"apart_um": 0.0}, "apart_um: found 0; allowed: a number above 0"),
        ({"cost": "shortest"}, "cost: found 'shortest'; allowed: squared, distance, longest"),
        ({"spare": "eat"}, "spare: found 'eat'; allowed: drop, park"),
        ({"atoms_um": [[0, 0]]}, r"atoms_um: found shape \(1, 2\)"),
        ({"wanted_um": [[0, 0, np.nan]]}, "wanted_um: found shape"),
        (
            {"atoms_um": [[0, 0, 0], [1, 0, 0]], "wanted_um": [[0, 0, 0], [9, 0, 0]]},
            "start_um: found atoms 0 and 1 1 um apart; allowed: 2 um",
        ),
    ],
)
def test_bad_arguments_are_refused(changes, message):
    given = {"atoms_um": [[0, 0, 0]], "wanted_um": [[5, 0, 0]], "apart_um": 2.0, **changes}
    with pytest.raises(InputError, match=message):
        rearrange(given.pop("atoms_um"), given.pop("wanted_um"), **given)


def test_occupancy_is_read_whatever_else_it_tells(tmp_path):
    path = tmp_path / "occupancy.csv"
    path.write_text("i,j,x_px,light,filled,word\n0,0,1.5,300,1,a\n1,0,9.5,20,0,b\n")
    sites, filled = read_occupancy(path)
    assert sites.tolist() == [[0, 0], [1, 0]]
    assert filled.tolist() == [True, False]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("i,j\n0,0\n", "column 'filled' is missing"),
        ("i,j,filled\n0,0,2\n", "filled: found 2; allowed: 0 or 1"),
        ("i,j,filled\n0,0,1\n0,0,0\n", r"found the site \(0, 0\) twice"),
        ("i,j,filled\n", "found no sites"),
        ("i,j,filled\n0,x,1\n", "line 2: j: found 'x'; allowed: a finite number"),
    ],
)
def test_bad_occupancies_are_refused(tmp_path, text, message):
    path = tmp_path / "occupancy.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=message) as caught:
        read_occupancy(path)
    assert str(path) in str(caught.value)
