"""The objective of the dense engine: values by hand, gradients against finite differences and automatic differentiation."""

from __future__ import annotations

import autograd
import autograd.numpy as anp
import numpy as np
import pytest
from microscope import microscope, microscope_path
from scipy.optimize import approx_fprime

from holo.arrays import to_host
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.field.vector import focus_weights, vector_fields
from holo.retrieve import dense_gpu
from holo.retrieve.demands import Demand, LitPanel, PanelLight
from holo.retrieve.dense_gpu import GpuLight, LinearCost, PhaseCost
from holo.retrieve.descents import descend_all
from holo.retrieve.site_phases import begin, linear_cost

PLACES = np.array([[0.0, 0, 0], [0.5, 0.1, 0], [-0.4, 0.6, 0.7], [1.1, -0.9, 0], [0.2, -0.5, -0.4]])
TARGET = np.array([1.4, 0.0, 0.6, 0.0, 1.0])
DEMAND = Demand(TARGET, 0.2, 7.0)
SHIFTS = np.array([[0.0, 0, 0], [0.04, 0, 0], [0, -0.04, 0]])
POINTS = (PLACES + SHIFTS[:, None]).reshape(-1, 3)


def lit(polarisation, pixels=24):
    """The light of a small panel on the points, the matrix of the same field, and a phase."""
    bench = microscope(pixels)
    path = light_path(bench)
    weights = focus_weights(bench, polarisation)
    light = PanelLight(LitPanel.of(path, weights), POINTS, path.envelope(POINTS))
    each = path.amplitude[None] * (1 if weights is None else weights)
    x, y = np.meshgrid(path.x_um, path.y_um)
    turn = path.scale * (POINTS[:, :1, None] * x + POINTS[:, 1:2, None] * y) + path.defocus * POINTS[:, 2:, None]
    matrix = each[:, None] * np.exp(-1j * turn) * path.envelope(POINTS)[:, None, None]
    matrix = matrix / np.sqrt((abs(each.sum(axis=(1, 2))) ** 2).sum())
    phase = np.random.default_rng(3).uniform(0, 2 * np.pi, path.amplitude.shape).astype(np.float32)
    return light, matrix.reshape(*matrix.shape[:2], -1), phase


def plain_cost(matrix, real, imaginary):
    """The objective once more, in the words of its docstring, from real and imaginary parts of the pupil."""
    re = anp.dot(anp.real(matrix), real) - anp.dot(anp.imag(matrix), imaginary)
    im = anp.dot(anp.real(matrix), imaginary) + anp.dot(anp.imag(matrix), real)
    intensity = anp.reshape(anp.sum(re**2 + im**2, axis=0), (len(SHIFTS), -1)) / DEMAND.level
    bright = TARGET > 0
    level = anp.mean((intensity[:, bright] / TARGET[bright] - 1) ** 2)
    return level + DEMAND.darkness * anp.mean(intensity[:, ~bright] ** 2)


@pytest.mark.parametrize("polarisation", ["scalar", "x", "circular-xy"])
def test_gradient_by_the_phase_is_that_of_automatic_differentiation(polarisation):
    light, matrix, phase = lit(polarisation)
    value, slope, _ = light.phase_cost(DEMAND, phase)
    angle = phase.ravel().astype(float)

    def cost(angle):
        return plain_cost(matrix, anp.cos(angle), anp.sin(angle))

    assert value == pytest.approx(cost(angle), rel=1e-4)
    wanted = autograd.grad(cost)(angle).reshape(phase.shape)
    np.testing.assert_allclose(slope, wanted, atol=2e-4 * abs(wanted).max())


@pytest.mark.parametrize("polarisation", ["scalar", "y"])
def test_gradient_by_the_phase_is_that_of_finite_differences(polarisation):
    """Of the float64 sum over pixels that predictions are made with, which shares no code with the engine's transform."""
    bench = microscope(24)
    path = light_path(bench)
    light, _, phase = lit(polarisation)

    def cost(angle):
        fields = vector_fields(bench, path, angle.reshape(phase.shape), POINTS, polarisation)
        return DEMAND.cost(fields)[0]

    slope = light.phase_cost(DEMAND, phase)[1]
    wanted = approx_fprime(phase.ravel().astype(float), cost, 1e-6).reshape(phase.shape)
    np.testing.assert_allclose(slope, wanted, atol=1e-3 * abs(wanted).max())


def test_gradient_of_the_small_model_is_that_of_automatic_differentiation():
    light, matrix, _ = lit("x")
    inside = light.panel.path.pupil.ravel()
    pupil = (1.2 * np.random.default_rng(5).standard_normal((2, *light.panel.path.pupil.shape))).astype(np.float32)

    def cost(parts):
        parts = anp.reshape(parts, (2, -1))
        over = anp.maximum(anp.sum(parts**2, axis=0) - 1, 0)[inside]
        return plain_cost(matrix, parts[0], parts[1]) + anp.mean(over**2)

    value, slope = linear_cost(light, DEMAND, pupil)
    assert value == pytest.approx(cost(pupil.astype(float)), rel=1e-4)
    wanted = autograd.grad(cost)(pupil.astype(float).ravel()).reshape(pupil.shape)
    np.testing.assert_allclose(slope, wanted, atol=2e-4 * abs(wanted).max())


@pytest.mark.parametrize("polarisation", ["scalar", "circular-yx"])
def test_back_is_the_adjoint_of_fields(polarisation):
    """Re <fields(p), s> = Re <p, back(s)> for any p and s."""
    light, _, phase = lit(polarisation)
    rng = np.random.default_rng(1)
    pupil = (rng.standard_normal(phase.shape) + 1j * rng.standard_normal(phase.shape)).astype(np.complex64)
    fields = light.fields(pupil)
    slope = (rng.standard_normal(fields.shape) + 1j * rng.standard_normal(fields.shape)).astype(np.complex64)
    size = np.linalg.norm(fields) * np.linalg.norm(slope)
    assert abs(np.vdot(slope, fields) - np.vdot(light.back(slope), pupil)) < 2e-4 * size


def test_fields_are_those_of_the_direct_sum():
    path = microscope_path(96)
    light = PanelLight(LitPanel.of(path), POINTS, path.envelope(POINTS))
    phase = np.random.default_rng(2).uniform(0, 2, path.amplitude.shape).astype(np.float32)
    np.testing.assert_allclose(light.fields(np.exp(1j * phase))[0], direct_fields(path, phase, POINTS), atol=2e-5)


def test_blocks_of_pixels_make_the_light_of_one_phase_each():
    """A panel of blocks has the fields of the whole one that shows the same, up to what varies inside a block."""
    path = microscope_path(96)
    places = PLACES / 2
    whole = PanelLight(LitPanel.of(path), places, np.ones(len(places)))
    coarse = PanelLight(LitPanel.of(path).binned(4), places, np.ones(len(places)))
    phase = np.random.default_rng(2).uniform(0, 2, (24, 24)).astype(np.float32)
    shown = coarse.panel.spread(phase, whole.panel)
    assert shown.shape == (96, 96)
    assert (shown[:4, :4] == phase[0, 0]).all()
    one, other = whole.fields(np.exp(1j * shown))[0], coarse.fields(np.exp(1j * phase))[0]
    np.testing.assert_allclose(one, other, atol=2e-3)
    assert coarse.panel.full == pytest.approx(whole.panel.full / 16)


def test_blocks_reach_over_the_edge_of_a_panel_that_they_do_not_divide():
    path = microscope_path(50)
    panel = LitPanel.of(path)
    coarse = panel.binned(4)
    assert coarse.light.shape == (1, 13, 13)
    assert coarse.light.sum() * 16 == pytest.approx(panel.light.sum(), rel=1e-5)
    assert coarse.spread(np.zeros((13, 13), np.float32), panel).shape == (50, 50)
    np.testing.assert_allclose(np.diff(coarse.path.x_um), 50.0)
    assert coarse.path.x_um[0] == pytest.approx(path.x_um[:4].mean())


def test_ratios_are_those_of_the_undisplaced_sites():
    fields = np.sqrt(np.array([[0.28, 0.02, 0.12, 0.0, 0.2, *range(10)]])).astype(complex)
    ratio, stray = DEMAND.ratios(fields)
    np.testing.assert_allclose(ratio, 0.2)
    np.testing.assert_allclose(stray, [0.1, 0])


def test_a_start_has_the_level_that_is_wanted():
    light, _, _ = lit("scalar")
    fields = np.tile(np.sqrt(TARGET), len(SHIFTS))[None] * (1 + 0j)
    pupil = begin(light, DEMAND, fields)
    ratio, _ = DEMAND.ratios(light.fields((pupil[0] + 1j * pupil[1]).astype(np.complex64)))
    assert ratio.mean() == pytest.approx(DEMAND.level, rel=1e-4)


# ---------------------------------------------------------------------------------------------------------------------
# on a GPU, or on the tests' double of one


@pytest.fixture(params=["matrix", "bands"])
def way(request, monkeypatch):
    """Either way between pixels and points."""
    if request.param == "bands":
        monkeypatch.setattr(dense_gpu, "MATRIX", 0)


def drawn(rng, shape):
    return (rng.normal(size=shape) + 1j * rng.normal(size=shape)).astype(np.complex64)


@pytest.mark.parametrize("polarisation", ["scalar", "circular-yx"])
@pytest.mark.parametrize("depths", [0.0, 1.0])
def test_light_on_a_gpu_is_that_of_the_cpu(polarisation, depths, gpu_or_double, way):
    module, device = gpu_or_double
    path, points = microscope_path(32), POINTS * [1, 1, depths]
    panel = LitPanel.of(path, focus_weights(microscope(32), polarisation))
    light, other = PanelLight(panel, points, path.envelope(points)), GpuLight(panel, points, path.envelope(points), device)
    pupils = drawn(np.random.default_rng(0), (2, *path.amplitude.shape))
    wanted = np.stack([light.fields(pupil) for pupil in pupils])
    np.testing.assert_allclose(to_host(other.fields(module.asarray(pupils))), wanted, atol=3e-5 * abs(wanted).max())
    slopes = drawn(np.random.default_rng(1), wanted.shape)
    back = np.stack([light.back(slope) for slope in slopes])
    np.testing.assert_allclose(to_host(other.back(module.asarray(slopes))), back, atol=3e-5 * abs(back).max())


@pytest.mark.parametrize("kind", [PhaseCost, LinearCost])
def test_descents_launched_as_one_go_the_same_way(kind, gpu_or_double, way):
    """To the last bit, for points in several planes too."""
    module, device = gpu_or_double
    path = microscope_path(24)
    cost = kind(GpuLight(LitPanel.of(path), POINTS, path.envelope(POINTS), device), DEMAND, device)
    shape = (2, *path.amplitude.shape) if kind is PhaseCost else (2, 2, *path.amplitude.shape)
    starts = module.asarray(np.random.default_rng(4).uniform(-1, 1, shape).astype(np.float32))
    one, other = (descend_all(cost, starts, steps=20, settled=0, repeated=repeated) for repeated in (True, False))
    assert to_host(one.points).tobytes() == to_host(other.points).tobytes()
    assert (one.values < 0.3 * np.array([row[0, 0] for row in one.history])).all()


def test_costs_on_a_gpu_are_those_of_the_cpu(gpu_or_double):
    """Three starts at once, each as alone; float32 light leaves some 1e-5."""
    module, device = gpu_or_double
    light, _, phase = lit("x")
    path = microscope_path(24)
    other = GpuLight(light.panel, POINTS, path.envelope(POINTS), device)
    phases = phase + np.arange(3, dtype=np.float32)[:, None, None] * phase[::-1]
    values, gradients, figures = map(to_host, PhaseCost(other, DEMAND, device)(module.asarray(phases)))
    for number, start in enumerate(phases):
        value, slope, fields = light.phase_cost(DEMAND, start)
        ratio = DEMAND.ratios(fields)[0]
        assert values[number] == pytest.approx(value, rel=1e-4)
        np.testing.assert_allclose(gradients[number], slope, atol=2e-4 * abs(slope).max())
        found = (float((ratio * TARGET[TARGET > 0]).sum()), 1 - (ratio.max() - ratio.min()) / (ratio.max() + ratio.min()))
        np.testing.assert_allclose(figures[number], found, rtol=1e-4)
    pupils = (1.2 * np.random.default_rng(5).standard_normal((3, 2, *phase.shape))).astype(np.float32)
    values, gradients, _ = map(to_host, LinearCost(other, DEMAND, device)(module.asarray(pupils)))
    for number, pupil in enumerate(pupils):
        value, slope = linear_cost(light, DEMAND, pupil)
        assert values[number] == pytest.approx(value, rel=1e-4)
        np.testing.assert_allclose(gradients[number], slope, atol=2e-4 * abs(slope).max())
