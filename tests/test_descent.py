"""Descent with a limited memory: against functions of known least value and against scipy's own descent."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from holo.retrieve import descent
from holo.retrieve.descent import descend, inner


def valley(x):
    """The chained valley of Rosenbrock, Comput. J. 3, 175 (1960); least value 0 where all numbers are 1."""
    left, right = x[:-1], x[1:]
    gradient = np.zeros_like(x)
    gradient[1:] += 200 * (right - left**2)
    gradient[:-1] -= 400 * left * (right - left**2) + 2 * (1 - left)
    return float(np.sum(100 * (right - left**2) ** 2 + (1 - left) ** 2, dtype=np.float64)), gradient


def counted(objective):
    calls = []

    def count(x):
        calls.append(x)
        return objective(x)

    return count, calls


START = np.tile([-1.2, 1.0], 50)


def test_it_finds_the_end_of_the_valley_as_quickly_as_scipy():
    objective, calls = counted(valley)
    found = descend(objective, START, steps=2000, settled=1e-12)
    other = minimize(valley, START, jac=True, method="L-BFGS-B", options={"maxiter": 5000, "maxfun": 50_000, "ftol": 1e-14, "gtol": 1e-10})
    assert found.converged
    assert found.value < 1e-20
    np.testing.assert_allclose(found.point, other.x, atol=1e-6)
    assert len(calls) < 1.5 * other.nfev


def test_float32_stays_float32_and_comes_as_far_as_rounding_lets_it():
    found = descend(valley, START.astype(np.float32), steps=2000, settled=1e-9)
    assert found.point.dtype == np.float32
    assert found.value < 1e-6


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 30))
def test_quadratic_bowls_of_any_shape_are_solved(seed, size):
    rng = np.random.default_rng(seed)
    factor = rng.standard_normal((size, size)) + 2 * np.sqrt(size) * np.eye(size)
    bowl, goal = factor @ factor.T, rng.standard_normal((size, 1))

    def objective(x):
        off = x - goal
        return float((off * (bowl @ off)).sum() / 2), bowl @ off

    found = descend(objective, np.zeros((size, 1)), steps=500, settled=0)
    assert found.point.shape == (size, 1)
    np.testing.assert_allclose(found.point, goal, atol=1e-5)
    assert all(later <= earlier for earlier, later in zip(found.history, found.history[1:], strict=False))
    assert found.history[-1] == found.value
    assert found.steps == len(found.history) - 1


def test_the_memory_shortens_the_way():
    one, other = (descend(valley, START, steps=5000, settled=1e-10, memory=memory) for memory in (1, 10))
    assert other.steps < one.steps


def test_the_same_call_gives_the_same_bits():
    one, other = (descend(valley, START.astype(np.float32), steps=50) for _ in range(2))
    assert one.point.tobytes() == other.point.tobytes()
    assert one.history == other.history


def test_each_step_obeys_the_conditions_of_wolfe():
    before = descend(valley, START, steps=30, settled=0)
    after = descend(valley, START, steps=31, settled=0)
    way = after.point - before.point
    (low, slope), (high, rise) = valley(before.point), valley(after.point)
    assert high <= low + descent.DECREASE * float(slope @ way)
    assert abs(float(rise @ way)) <= descent.CURVATURE * abs(float(slope @ way)) * (1 + 1e-12)


def test_the_limit_of_steps_holds_and_is_not_called_converged():
    found = descend(valley, START, steps=3)
    assert (found.steps, found.converged, found.interrupted) == (3, False, False)


def test_a_start_at_the_bottom_stays_there():
    start = np.ones(5)
    found = descend(valley, start, steps=10)
    assert (found.steps, found.converged, found.value) == (0, True, 0.0)
    assert found.point is not start


def test_a_point_without_a_value_is_stepped_back_from():
    """The logarithm has no value below zero; the first steps along the gradient would lead there."""

    def objective(x):
        with np.errstate(invalid="ignore", divide="ignore"):
            return float(np.sum(x - np.log(x))), 1 - 1 / x

    found = descend(objective, np.full(4, 1e-3), steps=200, settled=1e-12)
    np.testing.assert_allclose(found.point, 1, atol=1e-4)


def test_where_no_lower_point_is_found_the_descent_has_converged():
    found = descend(lambda x: (0.0, np.ones_like(x)), np.zeros(3), steps=10)
    assert (found.steps, found.converged) == (0, True)


def interrupt_at(call):
    calls = []

    def objective(x):
        calls.append(x)
        if len(calls) == call:
            raise KeyboardInterrupt
        return valley(x)

    return objective


def test_an_interruption_gives_the_best_point_so_far():
    found = descend(interrupt_at(40), START, steps=2000)
    assert found.interrupted
    assert not found.converged
    assert 0 < found.steps < 40
    assert valley(found.point)[0] == found.value < valley(START)[0]


def test_an_interruption_before_anything_is_known_gives_the_start():
    found = descend(interrupt_at(1), START, steps=2000)
    assert (found.value, found.steps, found.history) == (math.inf, 0, ())
    np.testing.assert_array_equal(found.point, START)


def test_the_report_hears_of_each_step_and_may_interrupt():
    heard = []

    def report(step, value):
        heard.append((step, value))
        if step == 7:
            raise KeyboardInterrupt

    found = descend(valley, START, steps=2000, report=report)
    assert (found.steps, found.interrupted) == (7, True)
    assert heard == list(zip(range(1, 8), found.history[1:], strict=True))


@pytest.mark.parametrize("size", [0, 1, 7, 8, 1001])
def test_inner_products_are_those_of_float64(size):
    one, other = np.random.default_rng(size).standard_normal((2, size)).astype(np.float32)
    assert inner(one, other) == pytest.approx(float(one.astype(float) @ other.astype(float)), abs=1e-12 * max(size, 1))
