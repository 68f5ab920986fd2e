"""The window transform against the float64 matrix products, adjointness, Parseval's theorem."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_plane import random_path

from holo.errors import InputError
from holo.field.plane import PlaneTransform
from holo.field.window import WindowTransform, sine_and_cosine

FIELD_UM = 50.0
sizes = st.tuples(st.sampled_from((3, 7, 13, 31, 40)), st.sampled_from((2, 5, 23, 37)), st.integers(0, 10**6))


def window_of(size, centre=(4.0, -9.0), extent=(11.0, 17.0), z_um=0.4):
    rows, columns, seed = size
    path = random_path(rows, columns, seed, dark_border=min(rows, columns) // 3)
    return path, WindowTransform(path, centre, extent, z_um), np.random.default_rng(seed)


@settings(deadline=None, max_examples=40)
@given(sizes, st.floats(-20, 20), st.floats(-20, 20), st.floats(0.1, 50), st.floats(0.1, 50), st.floats(-1, 1))
def test_forward_is_the_sum_of_the_conventions(size, x, y, width, height, z):
    path, window, rng = window_of(size, (x, y), (width, height), z)
    theta = rng.uniform(-30, 30, window.amplitude.shape).astype(np.float32)
    panel = path.amplitude * np.exp(1j * (window.mask_phase(theta) + path.aberration))
    wanted = PlaneTransform(path, window.x_um, window.y_um, z).forward(panel)
    found = window.forward(window.light(theta))
    assert abs(found - wanted).max() < 2e-5 * np.sqrt(panel.size) + 1e-6 * path.amplitude_sum
    assert window.x_um.mean() == pytest.approx(x, abs=1e-9)
    assert np.ptp(window.x_um) >= min(width, FIELD_UM * (1 - 1 / window.grid[1])) - 1e-9


@settings(deadline=None, max_examples=30)
@given(sizes)
def test_adjoint_and_pull(size):
    """<forward(f), v> = <f, adjoint(v)>."""
    _, window, rng = window_of(size)
    light = (rng.normal(size=window.amplitude.shape) + 1j * rng.normal(size=window.amplitude.shape)).astype(np.complex64)
    fields = window.forward(light)
    values = (rng.normal(size=fields.shape) + 1j * rng.normal(size=fields.shape)).astype(np.complex64)
    scale = np.linalg.norm(fields) * np.linalg.norm(values)
    assert abs(np.vdot(values, fields) - np.vdot(window.adjoint(values), light)) < 1e-5 * scale
    assert window.pull(light, values) == pytest.approx((light.conj() * window.adjoint(values)).imag, abs=1e-4)


def test_parseval_on_the_whole_field():
    """The sum of |V|^2 over the grid is its number of points times that of |f|^2 (Goodman, section 2.1.3; from memory)."""
    path = random_path(31, 37, 5)
    window = WindowTransform(path, (3.0, 2.0), (FIELD_UM, FIELD_UM))
    fields = window.forward(window.light(np.random.default_rng(1).uniform(0, 6, window.amplitude.shape).astype(np.float32)))
    assert fields.shape == window.grid
    assert (abs(fields) ** 2).sum() == pytest.approx(fields.size * (path.amplitude**2).sum(), rel=1e-5)


def test_threads_and_one_thread_agree(demo_bench):
    """A window large enough for several threads: the same bits whoever takes which lines."""
    from holo.arrays import Workers
    from holo.field.path import light_path

    window = WindowTransform(light_path(demo_bench), (60.0, 40.0), (20.0, 30.0))
    theta = np.random.default_rng(2).uniform(0, 6, window.amplitude.shape).astype(np.float32)
    several = window.forward(window.light(theta))
    window._workers = Workers(1)
    assert np.array_equal(several, window.forward(window.light(theta)))


@given(st.floats(-1000, 1000, width=32))
def test_sine_and_cosine(angle):
    """Within two roundings of float32, and what rounding leaves of the angle itself."""
    found = sine_and_cosine.py_func(np.float32(angle))
    allowed = 3e-7 + 1.2e-7 * abs(angle)
    assert found == (pytest.approx(np.sin(np.float64(angle)), abs=allowed), pytest.approx(np.cos(np.float64(angle)), abs=allowed))


@pytest.mark.parametrize(
    ("centre", "size", "message"),
    [
        ((0.0, 0.0), (0.0, 1.0), "window: found centre (0.0, 0.0), size (0.0, 1.0), z_um 0.0; allowed: finite numbers"),
        ((np.nan, 0.0), (1.0, 1.0), "window: found centre (nan, 0.0)"),
        ((0.0, 0.0), (51.0, 1.0), "window: found 51 um wide or high; allowed: at most 50 um, the field"),
    ],
)
def test_wrong_windows(centre, size, message):
    with pytest.raises(InputError, match="^" + re.escape(message)):
        WindowTransform(random_path(7, 5, 0), centre, size)
