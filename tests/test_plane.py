"""The plane transforms against the float64 sum written out here, adjointness, Parseval's theorem and closed forms of diffraction.

Sizes are awkward on purpose: odd, rectangular, prime. Sections of books are cited from memory.
"""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import j1

from holo.errors import InputError
from holo.field.path import LightPath, light_path
from holo.field.plane import FieldTransform, PlaneTransform, full_field, grid_envelope, plane_field
from holo.field.sites import direct_fields, panel_light

PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31)
FIELD_UM = 50.0


def random_path(rows, columns, seed, dark_border=0):
    """A light path of random amplitude, aberration and defocus; nothing about it is even or smooth."""
    rng = np.random.default_rng(seed)
    amplitude = rng.uniform(0.1, 1, (rows, columns))
    amplitude[:, :dark_border] = 0
    amplitude[: dark_border // 2] = 0
    pitch = 8.0
    return LightPath(
        x_um=(np.arange(columns) - (columns - 1) / 2) * pitch,
        y_um=(np.arange(rows) - (rows - 1) / 2) * pitch,
        amplitude=amplitude,
        aberration=rng.normal(size=(rows, columns)),
        defocus=rng.normal(size=(rows, columns)),
        scale=2 * np.pi / (FIELD_UM * pitch),
        side_um=0.95 * pitch,
        amplitude_sum=float(amplitude.sum()),
        pupil=amplitude > 0,
        pupil_share=1.0,
    )


def complex_field(shape, seed):
    rng = np.random.default_rng(seed)
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def sum_at(path, field, x, y, z):
    """V at one point, the conventions' sum over all pixels as it stands."""
    turn = path.scale * (path.x_um[None, :] * x + path.y_um[:, None] * y) + path.defocus * z
    return (field * np.exp(-1j * turn)).sum()


panels = st.tuples(st.sampled_from(PRIMES), st.sampled_from(PRIMES), st.integers(0, 10**6))
places = st.lists(st.floats(-60, 60), min_size=1, max_size=5)
depths = st.floats(-3, 3)


@settings(deadline=None)
@given(panels, places, places, depths)
def test_plane_field_is_the_direct_sum(panel, x, y, z):
    rows, columns, seed = panel
    path = random_path(rows, columns, seed, dark_border=min(rows, columns) // 3)
    phase = np.random.default_rng(seed).uniform(0, 2 * np.pi, (rows, columns))
    found = plane_field(path, phase, x, y, z)
    assert found.shape == (len(y), len(x))
    light = path.amplitude * np.exp(1j * (phase + path.aberration))
    across, down = (np.sinc(np.array(v) * 0.95 / FIELD_UM) for v in (x, y))
    wanted = np.array([[sum_at(path, light, a, b, z) for a in x] for b in y]) * np.outer(down, across) / path.amplitude.sum()
    assert abs(found - wanted).max() < 1e-12
    points = np.array([[a, b, z] for b in y for a in x])
    assert abs(found.ravel() - direct_fields(path, phase, points)).max() < 1e-12


@settings(deadline=None)
@given(panels, st.floats(1, 4), depths)
def test_full_field_is_the_direct_sum(panel, oversampling, z):
    rows, columns, seed = panel
    path = random_path(rows, columns, seed, dark_border=min(rows, columns) // 3)
    phase = np.random.default_rng(seed).uniform(0, 2 * np.pi, (rows, columns))
    x, y, intensity = full_field(path, phase, oversampling, z)
    assert intensity.dtype == np.float32
    assert intensity.shape == (len(y), len(x))
    wanted = abs(plane_field(path, phase, x, y, z)) ** 2
    assert abs(intensity - wanted).max() < 2e-6  # single precision


@settings(deadline=None)
@given(panels, st.floats(1, 4), depths)
def test_field_transform_is_the_matrix_product_phases_included(panel, oversampling, z):
    rows, columns, seed = panel
    path = random_path(rows, columns, seed)
    whole = FieldTransform(path, oversampling, z)
    field = complex_field((rows, columns), seed)
    wanted = PlaneTransform(path, whole.x_um, whole.y_um, z).forward(field)
    assert abs(whole.forward(field) - wanted).max() < 1e-10 * np.sqrt(rows * columns)
    single = whole.forward(field.astype(np.complex64))
    assert single.dtype == np.complex64
    assert abs(single - wanted).max() < 1e-5 * np.sqrt(rows * columns)


@pytest.mark.parametrize(
    "make", [lambda path, z: PlaneTransform(path, [1.0, -7.3, 22.0], [0.4, 3.0], z), lambda path, z: FieldTransform(path, 1.7, z)]
)
@settings(deadline=None)
@given(panel=panels, z=depths)
def test_adjoint(make, panel, z):
    """<T f, v> = <f, T+ v> for fields inside the pupil's bounding box; nothing lies outside it."""
    rows, columns, seed = panel
    path = random_path(rows, columns, seed, dark_border=min(rows, columns) // 3)
    transform = make(path, z)
    field, values = complex_field((rows, columns), seed) * path.pupil, complex_field((len(transform.y_um), len(transform.x_um)), seed + 1)
    there = np.vdot(values, transform.forward(field))
    back = transform.adjoint(values)
    assert there == pytest.approx(np.vdot(back, field), rel=1e-10, abs=1e-9)
    outside = np.ones((rows, columns), bool)
    outside[transform.box] = False
    assert not back[outside].any()


@settings(deadline=None)
@given(panels, st.floats(1, 4), depths)
def test_parseval(panel, oversampling, z):
    """The power on the grid is the power on the panel; that of the inverse too, so that the adjoint undoes the transform."""
    rows, columns, seed = panel
    transform = FieldTransform(random_path(rows, columns, seed), oversampling, z)
    field = complex_field((rows, columns), seed)
    grid = transform.forward(field)
    assert (abs(grid) ** 2).sum() == pytest.approx(grid.size * (abs(field) ** 2).sum(), rel=1e-12)
    assert abs(transform.adjoint(grid) / grid.size - field).max() < 1e-12


def test_grid_of_the_field(demo_bench):
    """lambda f / pitch wide, half open, with the axis on it; on the demo bench 938 nm x 4 mm / 0.48 / 10 um."""
    transform = FieldTransform(light_path(demo_bench))
    field = 0.938 * 4000 / 0.48 / 10
    for axis in (transform.x_um, transform.y_um):
        assert len(axis) == 2000  # twice the pupil's 10 mm in pixels
        assert axis[0] == pytest.approx(-field / 2, rel=1e-12)
        assert axis[-1] == pytest.approx(field / 2 - field / 2000, rel=1e-12)
        assert np.ptp(np.diff(axis)) < 1e-9
        assert 0.0 in axis


def test_mask_moves_light_right_and_down(small_bench):
    """The orientation of the conventions: +2 pi x X / (lambda f) goes to column +X, +2 pi y Y / (lambda f) to a row further down."""
    path = light_path(small_bench())
    field_um = 0.7 * 4000 / 6 / 10
    phase = 2 * np.pi * (path.x_um[None, :] * 6.0 + path.y_um[:, None] * -9.0) / (field_um * 10)
    x, y = np.linspace(-20, 20, 81), np.linspace(-20, 20, 41)
    intensity = abs(plane_field(path, phase, x, y)) ** 2
    row, column = np.unravel_index(intensity.argmax(), intensity.shape)
    assert (x[column], y[row]) == (6.0, -9.0)
    assert row < len(y) // 2 < column / 2
    xs, ys, whole = full_field(path, phase, oversampling=4)
    row, column = np.unravel_index(whole.argmax(), whole.shape)
    assert xs[column] == pytest.approx(6.0, abs=np.diff(xs)[0])
    assert ys[row] == pytest.approx(-9.0, abs=np.diff(ys)[0])


def test_depth_has_the_sign_of_the_conventions(small_bench):
    path = light_path(small_bench())
    phase = 2.5 * path.defocus
    assert abs(plane_field(path, phase, [0.0], [0.0], 2.5)[0, 0]) == pytest.approx(1, abs=1e-12)
    assert abs(plane_field(path, phase, [0.0], [0.0], -2.5)[0, 0]) < 0.3
    x, y, there = full_field(path, phase, z_um=2.5)
    assert there[len(y) // 2, len(x) // 2] == pytest.approx(1, abs=1e-6)


def test_airy_pattern(small_bench):
    """[2 J1(v) / v]^2, v = 2 pi NA r / lambda, of a uniformly lit pupil (Born & Wolf, 7th ed., sec. 8.5.2)."""
    path = light_path(small_bench(light__beam_diameter_mm=1000.0, panel__columns=520, panel__rows=510, optics__relay_magnification=0.96))
    x = np.linspace(0.05, 2.5, 50)
    v = 2 * np.pi * 0.6 / 0.7 * x
    airy = (2 * j1(v) / v) ** 2
    flat = np.zeros(path.amplitude.shape)
    assert abs(plane_field(path, flat, x, [0.0])[0]) ** 2 == pytest.approx(airy, abs=3e-4)
    assert abs(plane_field(path, flat, [0.0], -x)[:, 0]) ** 2 == pytest.approx(airy, abs=3e-4)


def test_power_of_the_field_is_parsevals(demo_bench):
    """Mean of |V|^2 over the field, envelope taken off, is sum A^2 / (sum A)^2 whatever the phase."""
    path = light_path(demo_bench)
    phase = np.random.default_rng(3).uniform(0, 2 * np.pi, path.amplitude.shape)
    x, y, intensity = full_field(path, phase)
    mean = (intensity / grid_envelope(path, x, y) ** 2).mean()
    assert mean == pytest.approx((path.amplitude**2).sum() / path.amplitude_sum**2, rel=1e-5)


def test_panel_of_one_row():
    path = random_path(1, 23, 5)
    x, y, intensity = full_field(path, np.zeros((1, 23)))
    assert intensity == pytest.approx(abs(plane_field(path, np.zeros((1, 23)), x, y)) ** 2, abs=2e-6)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda p: plane_field(p.path, p.flat, [], [0.0]), "x_um: found shape (0,); allowed: a list of one or more finite numbers"),
        (lambda p: plane_field(p.path, p.flat, [0.0], [np.nan]), "y_um: found nan; allowed: a list of one or more finite numbers"),
        (lambda p: plane_field(p.path, p.flat, [[0.0]], [0.0]), "x_um: found shape (1, 1); allowed: a list"),
        (lambda p: plane_field(p.path, p.flat, [0.0], [0.0], np.inf), "z_um: found inf; allowed: a finite number"),
        (lambda p: plane_field(p.path, p.flat.T, [0.0], [0.0]), "phase: found shape (5, 7); allowed: (7, 5), the panel's"),
        (lambda p: full_field(p.path, p.flat, 0.5), "oversampling: found 0.5; allowed: from 1 to 64"),
        (lambda p: full_field(p.path, p.flat, np.nan), "oversampling: found nan; allowed: from 1 to 64"),
    ],
)
def test_wrong_arguments(call, message):
    with pytest.raises(InputError, match="^" + re.escape(message)):
        call(SimpleNamespace(path=random_path(7, 5, 0), flat=np.zeros((7, 5))))


def test_light_of_a_mask_has_the_aberration():
    path = random_path(5, 3, 1)
    assert panel_light(path, -path.aberration) == pytest.approx(path.amplitude)
