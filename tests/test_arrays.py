"""The door to the array machinery."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holo.arrays import Workers, core_count, empty_complex, fast_length, fourier_pair


@given(st.integers(1, 20000))
def test_fast_length_is_enough_and_not_much_more(least):
    length = fast_length(least)
    odd = length
    while odd % 2 == 0:
        odd //= 2
    assert least <= length <= max(1.25 * least, least + 1)
    assert length % 2 == 0
    assert odd in (1, 3, 5, 9, 15)


@pytest.mark.parametrize("axis", [0, 1])
def test_fourier_pair_has_the_signs_it_names(axis):
    buffer = empty_complex((12, 18))
    minus, plus = fourier_pair(buffer, axis)
    values = np.random.default_rng(0).normal(size=(12, 18)).astype(np.complex64)
    buffer[:] = values
    minus()
    np.testing.assert_allclose(buffer, np.fft.fft(values, axis=axis), atol=1e-4)
    buffer[:] = values
    plus()
    np.testing.assert_allclose(buffer, np.fft.ifft(values, axis=axis) * values.shape[axis], atol=1e-4)


@pytest.mark.parametrize("count", [1, 3])
def test_workers_do_every_task_once(count):
    done, lock = [], threading.Lock()

    def work(worker, task):
        assert 0 <= worker < count
        with lock:
            done.append(task)

    Workers(count).share(work, range(50))
    assert sorted(done) == list(range(50))


@pytest.mark.parametrize("count", [1, 3])
def test_workers_pass_errors_on(count):
    def work(_, task):
        raise ValueError(f"task {task}")

    with pytest.raises(ValueError, match="task"):
        Workers(count).share(work, range(5))


def test_there_is_a_core():
    assert core_count() >= 1


def test_nobody_works_on_after_an_exception():
    """The caller may then use its arrays again."""
    done = []

    def work(worker, task):
        if task == 0:
            raise KeyboardInterrupt
        time.sleep(0.1)
        done.append(task)

    with pytest.raises(KeyboardInterrupt):
        Workers(2).share(work, [0, 1])
    assert done == [1]
