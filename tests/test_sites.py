"""Panel to arbitrary points: the direct sum against a plain loop, the fast transform against the direct sum."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holo.field.path import LightPath
from holo.field.sites import SiteTransform, direct_fields, pupil_box

WAVELENGTH, FOCAL, PITCH = 0.938, 8333.3, 10.0


def panel(rows, columns, *, round_pupil=True, seed=None):
    """A light path without a bench: Gaussian or, with a seed, random amplitudes and aberration."""
    x = (np.arange(columns) - (columns - 1) / 2) * PITCH
    y = (np.arange(rows) - (rows - 1) / 2) * PITCH
    radius = max(min(rows, columns) / 2, 1.0) * PITCH
    rho = np.hypot(x, y[:, None]) / radius
    pupil = (rho <= 1) if round_pupil else np.ones((rows, columns), bool)
    amplitude, aberration = np.exp(-(rho**2)) * pupil, np.zeros((rows, columns))
    if seed is not None:
        rng = np.random.default_rng(seed)
        amplitude, aberration = rng.uniform(0.1, 1, pupil.shape) * pupil, rng.normal(size=pupil.shape) * pupil
    defocus = np.where(pupil, -0.8 * (rho**2 - 0.5), 0)
    scale = 2 * np.pi / (WAVELENGTH * FOCAL)
    return LightPath(x, y, amplitude, aberration, defocus, scale, 0.96 * PITCH, float(amplitude.sum()), pupil, 1.0)


def points(rng, count, planes=1):
    """Points over the whole field of the panel, a few of them on one another's doorstep."""
    half = WAVELENGTH * FOCAL / PITCH / 2
    return np.column_stack([rng.uniform(-half, half, (count, 2)), rng.integers(0, planes, count) * 3.0])


def plain_sum(path, field, xyz):
    """One exponential per pixel and point."""
    out = []
    for x, y, z in xyz:
        turn = path.scale * (path.x_um * x + path.y_um[:, None] * y) + path.defocus * z
        out.append(np.sum(field * np.exp(-1j * turn)))
    return np.array(out)


sizes = st.tuples(st.sampled_from([1, 7, 17, 31, 32, 45, 61, 97]), st.sampled_from([1, 2, 13, 37, 48, 53, 101]))


@settings(max_examples=40, deadline=None)
@given(sizes, st.integers(1, 40), st.integers(1, 3), st.integers(0, 2**32 - 1))
def test_direct_fields_are_the_sum_over_pixels(size, count, planes, seed):
    rng = np.random.default_rng(seed)
    path = panel(*size, round_pupil=min(size) > 4, seed=seed)
    xyz, phase = points(rng, count, planes), rng.uniform(-9, 9, size)
    expected = plain_sum(path, path.amplitude * np.exp(1j * (phase + path.aberration)), xyz)
    expected *= path.envelope(xyz) / path.amplitude_sum
    np.testing.assert_allclose(direct_fields(path, phase, xyz), expected, atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(sizes, st.integers(1, 40), st.integers(1, 3), st.booleans(), st.integers(0, 2**32 - 1))
def test_forward_agrees_with_the_sum_and_has_its_adjoint(size, count, planes, whole, seed):
    rng = np.random.default_rng(seed)
    path = panel(*size, round_pupil=min(size) > 4, seed=seed)
    xyz = points(rng, count, planes)
    transform = SiteTransform(path, xyz, whole_panel=whole)
    field = rng.normal(size=size) + 1j * rng.normal(size=size)
    inside = np.zeros(size)
    inside[(slice(None), slice(None)) if whole else pupil_box(path)] = 1
    fields = transform.forward(field)
    norm = np.linalg.norm(field * inside)
    np.testing.assert_allclose(fields, plain_sum(path, field * inside, xyz), atol=5e-5 * norm)
    values = rng.normal(size=count) + 1j * rng.normal(size=count)
    panel_field = transform.adjoint(values)
    assert abs(np.vdot(values, fields) - np.vdot(panel_field, field)) <= 5e-5 * norm * np.linalg.norm(values)


def test_the_usual_error_of_a_field_is_small_where_rounding_hurts_most():
    """At 32 x 48 pixels the grid is just `OVERSAMPLING` times as fine as the panel, which is lit evenly up to its corners."""
    rng = np.random.default_rng(1)
    path, xyz = panel(32, 48, round_pupil=False, seed=1), points(rng, 300)
    field = rng.normal(size=(32, 48)) + 1j * rng.normal(size=(32, 48))
    error = SiteTransform(path, xyz).forward(field) - plain_sum(path, field, xyz)
    assert np.sqrt(np.mean(np.abs(error) ** 2)) < 1.5e-5 * np.linalg.norm(field)


@settings(max_examples=25, deadline=None)
@given(sizes, st.integers(2, 40), st.integers(1, 3), st.integers(0, 2**32 - 1))
def test_project_is_the_light_of_the_mask_phase(size, count, planes, seed):
    rng = np.random.default_rng(seed)
    path = panel(*size, round_pupil=min(size) > 4, seed=seed)
    xyz = points(rng, count, planes)
    values = rng.normal(size=count) + 1j * rng.normal(size=count)
    transform = SiteTransform(path, xyz, whole_panel=True)
    expected = direct_fields(path, transform.mask_phase(values), xyz) * path.amplitude_sum / path.envelope(xyz)
    np.testing.assert_allclose(transform.project(values), expected, atol=5e-5 * np.linalg.norm(path.amplitude))


def test_moved_mask_phase_moves_the_light():
    path = panel(61, 80, seed=3)
    xyz = points(np.random.default_rng(3), 9)
    phase = SiteTransform(path, xyz, whole_panel=True).mask_phase(np.ones(9), (12.0, -7.0))
    still = SiteTransform(path, xyz, whole_panel=True).mask_phase(np.ones(9))
    before, after = direct_fields(path, still, xyz), direct_fields(path, phase, xyz + [12.0, -7.0, 0.0])
    envelope = path.envelope(xyz + [12.0, -7.0, 0.0]) / path.envelope(xyz)
    np.testing.assert_allclose(after, before * envelope, atol=1e-6)


def test_light_goes_where_its_sign_says():
    path = panel(64, 64)
    tilt = path.scale * (path.x_um * 30.0 + path.y_um[:, None] * 20.0)
    xyz = np.array([[30.0, 20.0, 0.0], [-30.0, 20.0, 0.0], [30.0, -20.0, 0.0], [-30.0, -20.0, 0.0]])
    assert np.argmax(abs(direct_fields(path, tilt, xyz))) == 0
    focus = np.array([[0.0, 0.0, 2.5], [0.0, 0.0, -2.5]])
    strong = abs(direct_fields(path, path.defocus * 2.5, focus))
    assert strong[0] == pytest.approx(1, abs=1e-12)
    assert strong[1] < 0.9


def test_same_result_however_often_and_on_however_many_threads():
    path = panel(400, 420)
    xyz = points(np.random.default_rng(1), 300)
    values = np.exp(1j * np.arange(300.0) ** 2)
    one, other = SiteTransform(path, xyz), SiteTransform(path, xyz)
    first = one.project(values)
    np.testing.assert_array_equal(first, one.project(values))
    np.testing.assert_array_equal(first, other.project(values))


def test_parseval_between_the_panel_and_a_full_grid_of_points():
    """The sites of a whole period of the grid catch all the power: Parseval's theorem (Goodman, section 2.1.3)."""
    rows, columns = 20, 24
    path = panel(rows, columns, round_pupil=False, seed=5)
    field = path.amplitude * np.exp(1j * path.aberration)
    step = 2 * np.pi / (path.scale * PITCH)
    x, y = np.meshgrid((np.arange(columns) - columns // 2) * step / columns, (np.arange(rows) - rows // 2) * step / rows)
    xyz = np.column_stack([x.ravel(), y.ravel(), np.zeros(rows * columns)])
    power = np.sum(abs(SiteTransform(path, xyz).forward(field)) ** 2) / (rows * columns)
    assert power == pytest.approx(np.sum(abs(field) ** 2), rel=1e-5)


def test_pupil_box_is_tight():
    path = panel(50, 70)
    rows, columns = pupil_box(path)
    assert (rows.start, rows.stop) == (0, 50)
    assert (columns.start, columns.stop) == (10, 60)
