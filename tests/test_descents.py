"""Descents of many starts at once, on a GPU: against the descent of one start on the CPU and functions of known least value."""

from __future__ import annotations

import numpy as np
import pytest

from holo.arrays import to_device, to_host
from holo.retrieve.descent import descend
from holo.retrieve.descents import descend_all


@pytest.fixture
def gpu(gpu_or_double):
    return gpu_or_double


def many(objective, module):
    """An objective of numpy arrays, start by start, as one of all starts on the device; the first figure is the value once more."""

    def values(points):
        found = [objective(point) for point in to_host(points)]
        value = module.asarray(np.array([value for value, _ in found]))
        return value, module.asarray(np.stack([slope for _, slope in found]).astype(np.float32)), value[:, None] * 1.0

    return values


def valley(x):
    """The chained valley of Rosenbrock, Comput. J. 3, 175 (1960); least value 0 where all numbers are 1."""
    x = x.astype(np.float64)
    left, right = x[:-1], x[1:]
    gradient = np.zeros_like(x)
    gradient[1:] += 200 * (right - left**2)
    gradient[:-1] -= 400 * left * (right - left**2) + 2 * (1 - left)
    return float(np.sum(100 * (right - left**2) ** 2 + (1 - left) ** 2)), gradient


STARTS = np.stack([np.tile([-1.2, 1.0], 10), np.zeros(20), np.linspace(0, 1, 20)]).astype(np.float32)


def test_each_start_goes_the_way_it_would_go_alone(gpu):
    """Up to the rounding of the directions, which after some tens of steps leads elsewhere, as far down."""
    module, device = gpu
    found = descend_all(many(valley, module), to_device(STARTS, device), steps=400, settled=1e-9)
    for start, row, point in zip(STARTS, found.history, to_host(found.points), strict=True):
        alone = descend(lambda x: (valley(x)[0], valley(x)[1].astype(np.float32)), start, steps=400, settled=1e-9)
        np.testing.assert_allclose(row[:15, 0], alone.history[:15], rtol=1e-3)
        assert row[-1, 0] < 1e-6
        np.testing.assert_allclose(point, 1, atol=1e-3)
        assert 0.5 < len(row) / len(alone.history) < 2
        assert (np.diff(row[:, 0]) <= 0).all()
        np.testing.assert_array_equal(row[:, 0], row[:, 1])
    assert found.converged.all()


def test_many_blocks_add_up(gpu):
    """A bowl of more numbers than one block of threads takes."""
    module, device = gpu
    goal, bend = np.random.default_rng(0).uniform(1, 3, (2, 3000)).astype(np.float32)

    def bowl(x):
        off = x - goal
        return float((bend**2 * off.astype(float) ** 2).sum() / 2), bend**2 * off

    found = descend_all(many(bowl, module), to_device(np.zeros((1, 3000), np.float32), device), steps=200, settled=1e-10)
    assert found.values[0] < 1e-6 * bowl(np.zeros(3000, np.float32))[0]


def test_the_limit_of_steps_is_not_called_converged(gpu):
    module, device = gpu
    found = descend_all(many(valley, module), to_device(STARTS, device), steps=3, settled=0)
    assert [len(row) for row in found.history] == [4, 4, 4]
    assert not found.converged.any()
    nothing = descend_all(many(valley, module), to_device(STARTS, device), steps=0, settled=0)
    assert [len(row) for row in nothing.history] == [1, 1, 1]
    np.testing.assert_array_equal(to_host(nothing.points), STARTS)


def test_a_figure_that_is_low_enough_ends_a_descent(gpu):
    module, device = gpu
    found = descend_all(many(valley, module), to_device(STARTS, device), steps=400, settled=0, enough=0.1)
    assert found.converged.all()
    for row in found.history:
        assert row[-1, 1] <= 0.1 < row[-2, 1]


def test_a_start_at_the_bottom_stays_there_while_the_others_go_on(gpu):
    module, device = gpu
    starts = np.stack([np.ones(5), np.zeros(5)]).astype(np.float32)
    found = descend_all(many(valley, module), to_device(starts, device), steps=100, settled=1e-8)
    assert len(found.history[0]) == 1
    assert len(found.history[1]) > 10
    assert found.converged.all()
    np.testing.assert_array_equal(to_host(found.points)[0], 1)


def test_a_point_without_a_value_is_stepped_back_from(gpu):
    """The logarithm has no value below zero; the first steps along the gradient would lead there."""
    module, device = gpu

    def objective(x):
        with np.errstate(invalid="ignore", divide="ignore"):
            return float(np.sum(x - np.log(x))), 1 - 1 / x

    found = descend_all(many(objective, module), to_device(np.full((1, 4), 1e-3, np.float32), device), steps=200, settled=1e-9)
    np.testing.assert_allclose(to_host(found.points), 1, atol=1e-2)


def test_where_no_lower_point_is_found_the_descent_has_converged(gpu):
    module, device = gpu
    found = descend_all(many(lambda x: (0.0, np.ones_like(x)), module), to_device(np.zeros((1, 3), np.float32), device), steps=9, settled=0)
    assert len(found.history[0]) == 1
    assert found.converged.all()


def test_each_step_is_reported_and_an_interruption_keeps_the_best_so_far(gpu):
    module, device = gpu
    heard = []

    def report(start, step, row):
        heard.append((start, step, row[0]))
        if len(heard) == 14:
            raise KeyboardInterrupt

    found = descend_all(many(valley, module), to_device(STARTS[:1], device), steps=100, settled=0, report=report)
    assert found.interrupted
    assert not found.converged.any()
    assert heard == [(0, step, found.history[0][step, 0]) for step in range(1, 15)]
    assert valley(to_host(found.points)[0])[0] == found.values[0] == heard[-1][2]


def test_an_interruption_before_anything_is_known_gives_the_start(gpu):
    _, device = gpu

    def objective(points):
        raise KeyboardInterrupt

    found = descend_all(objective, to_device(STARTS, device), steps=10, settled=0)
    assert found.interrupted
    assert np.isinf(found.values).all()
    np.testing.assert_array_equal(to_host(found.points), STARTS)


def test_the_same_call_gives_the_same_bits(gpu):
    module, device = gpu
    one, other = (descend_all(many(valley, module), to_device(STARTS, device), steps=60, settled=0) for _ in range(2))
    assert to_host(one.points).tobytes() == to_host(other.points).tobytes()
