"""Assignments against brute force, scipy, textbook cases and the random-cost limit."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from scipy.sparse import csr_array
from scipy.sparse.csgraph import min_weight_full_bipartite_matching

from holo.assignment import assign, assign_longest
from holo.errors import InputError

TEXTBOOK = [
    ([[4, 1, 3], [2, 0, 5], [3, 2, 2]], 5, [1, 0, 2]),  # scipy's documentation
    ([[82, 83, 69, 92], [77, 37, 49, 92], [11, 69, 5, 86], [8, 9, 98, 23]], 140, [2, 1, 0, 3]),  # common textbook case, no source
    ([[400, 150, 400, 1], [400, 450, 600, 2], [300, 225, 300, 3]], 452, None),
    ([[10, 19, 8, 15, 0], [10, 18, 7, 17, 0], [13, 16, 9, 14, 0]], 17, None),
]


@pytest.mark.parametrize(("cost", "optimum", "columns"), TEXTBOOK)
def test_textbook_cases(cost, optimum, columns):
    found = assign(np.array(cost, float))
    assert found.cost == optimum
    assert found.bound == pytest.approx(optimum, abs=1e-9)
    if columns is not None:
        assert found.columns.tolist() == columns


def test_products_are_matched_in_opposite_order():
    """C = (i + 1)(j + 1): the rearrangement inequality; n (n + 1)(n + 2) / 6."""
    number = np.arange(1, 7.0)
    found = assign(np.outer(number, number))
    assert found.cost == 56
    assert found.columns.tolist() == [5, 4, 3, 2, 1, 0]


def test_random_integers_against_brute_force():
    rng = np.random.default_rng(1)
    for _ in range(150):
        rows = int(rng.integers(1, 6))
        cost = rng.integers(-5, 15, (rows, int(rng.integers(rows, 7)))).astype(float)
        orders = np.array(list(permutations(range(cost.shape[1]), rows)))
        costs = cost[np.arange(rows), orders]
        found = assign(cost)
        assert found.cost == costs.sum(axis=1).min()
        assert found.bound == pytest.approx(found.cost, abs=1e-9)
        longest = assign_longest(cost + 5)
        chosen = (cost + 5)[np.arange(rows), longest.columns]
        assert chosen.max() == (costs + 5).max(axis=1).min()
        best = costs.max(axis=1) == costs.max(axis=1).min()
        assert longest.cost == pytest.approx((costs + 5).sum(axis=1)[best].min())


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 40), st.integers(0, 20), st.sampled_from([1e-6, 1.0, 1e8]))
def test_equal_to_scipy_and_proven(seed, rows, more, scale):
    cost = np.random.default_rng(seed).exponential(scale, (rows, rows + more))
    found = assign(cost)
    assert found.cost == pytest.approx(cost[linear_sum_assignment(cost)].sum(), rel=1e-12)
    assert found.bound == pytest.approx(found.cost, rel=1e-9)
    assert found.bound <= found.cost * (1 + 1e-12)
    assert len(set(found.columns.tolist())) == rows


def test_equal_to_a_sparse_matching():
    cost = np.random.default_rng(3).uniform(1, 2, (60, 60))
    assert assign(cost).cost == pytest.approx(cost[min_weight_full_bipartite_matching(csr_array(cost))].sum(), rel=1e-12)


def test_random_costs_reach_their_limit():
    """Exp(1) costs: on average sum of 1 / k^2, n terms (Linusson, Wastlund, Probab. Theory Relat. Fields 128, 419 (2004); from memory)."""
    rng = np.random.default_rng(4)
    for size, trials in ((2, 2000), (10, 600), (50, 100)):
        costs = np.array([assign(rng.exponential(size=(size, size))).cost for _ in range(trials)])
        expected = np.sum(1 / np.arange(1, size + 1) ** 2)
        assert abs(costs.mean() - expected) < 4 * costs.std() / np.sqrt(trials)


def test_points_on_a_line_keep_their_order():
    rng = np.random.default_rng(5)
    here, there = rng.uniform(size=(2, 50))
    found = assign((here[:, None] - there) ** 2)
    assert np.array_equal(np.argsort(here), np.argsort(there[found.columns]))


def test_shortest_lines_never_cross():
    """Two crossing segments could exchange their ends and be shorter (the triangle inequality)."""
    rng = np.random.default_rng(6)
    here, there = rng.uniform(size=(2, 60, 2))
    ends = there[assign(np.linalg.norm(here[:, None] - there, axis=2)).columns]

    def side(a, b, c):
        return np.sign((b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0]))

    a, b, c, d = here[:, None], ends[:, None], here[None], ends[None]
    crossing = (side(a, b, c) != side(a, b, d)) & (side(c, d, a) != side(c, d, b))
    assert not (crossing & ~np.eye(60, dtype=bool)).any()
    wrong = rng.permutation(ends)  # the test can fail
    b, d = wrong[:, None], wrong[None]
    assert ((side(a, b, c) != side(a, b, d)) & (side(c, d, a) != side(c, d, b)) & ~np.eye(60, dtype=bool)).any()


def test_sizes_of_nothing_and_one():
    assert assign(np.empty((0, 3))).cost == 0
    assert assign(np.array([[7.0]])).columns.tolist() == [0]
    assert assign(np.zeros((4, 4))).cost == 0


@pytest.mark.parametrize("solve", [assign, assign_longest])
@pytest.mark.parametrize(
    ("cost", "message"),
    [(np.ones((3, 2)), r"shape \(3, 2\)"), (np.array([[np.nan, 1.0]]), "found nan"), (np.array([[1.0, np.inf]]), "found inf")],
)
def test_bad_costs_are_refused(solve, cost, message):
    with pytest.raises(InputError, match=message):
        solve(cost)


def test_negative_lengths_are_refused():
    with pytest.raises(InputError, match="found -1; allowed: 0 or more"):
        assign_longest(np.array([[-1.0, 2.0]]))
