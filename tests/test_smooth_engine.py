"""The smooth engine: its gradient, its vortices, its start, and the light it makes on a small panel."""

from __future__ import annotations

import numpy as np
import pytest

from holo.arrays import CPU, to_host
from holo.bench import parse_bench
from holo.errors import InputError
from holo.field import window_gpu
from holo.field.path import light_path
from holo.field.window import WindowTransform
from holo.field.window_gpu import GpuWindow
from holo.mask import levels_of_phase, phase_of_levels
from holo.predict_smooth import signal_region
from holo.retrieve.smooth import (
    IntensityError,
    plaquettes,
    retrieve_smooth,
    scaled_goal,
    spread_of,
    start_phase,
    total_power,
    vortices,
)
from holo.retrieve.smooth_gpu import GpuIntensityError
from holo.retrieve.trim import trim_window
from holo.shapes import box, ring

MIDDLE = (11.0, 9.0)


@pytest.fixture(scope="module")
def window(small_bench_text):
    """A window of 17 um on the small bench: 29 of its focal cells of 0.58 um."""
    return WindowTransform(light_path(parse_bench(small_bench_text(), "bench.toml")), MIDDLE, (17.0, 17.0))


@pytest.fixture(scope="module")
def flat(window):
    """A soft box of 10 focal cells, and its signal region."""
    target = box(window.x_um[None, :] - MIDDLE[0], window.y_um[:, None] - MIDDLE[1], 6.0, 6.0, 2.3)
    return target, signal_region(target, window.x_um, window.y_um, 3.0)


@pytest.fixture(scope="module")
def found(window, flat):
    return retrieve_smooth(window, *flat, power=0.4, rms=1e-3, iterations=300)


def test_gradient_is_that_of_finite_differences(window, flat):
    """Along random directions, by central differences (standard); float32 fields leave some 1e-3."""
    rng = np.random.default_rng(3)
    goal = scaled_goal(window, *flat, 0.5)
    weights = rng.uniform(0.5, 1.5, goal.shape) / goal.max() ** 2
    error = IntensityError(window, goal, weights, flat[0] > 0.5)
    theta = start_phase(window, *flat, 0.5) + rng.normal(0, 0.3, window.amplitude.shape).astype(np.float32)
    gradient = error(theta)[1].astype(np.float64)
    for _ in range(4):
        way = rng.normal(size=theta.shape).astype(np.float32)
        step = np.float32(0.01)
        difference = (error(theta + step * way)[0] - error(theta - step * way)[0]) / (2 * float(step))
        assert float((gradient * way).sum()) == pytest.approx(difference, rel=5e-3, abs=1e-3 * np.linalg.norm(gradient))


def test_gradient_of_single_pixels_in_float64(window, flat):
    """The formula itself, written out once more with a plain sum in float64."""
    goal = scaled_goal(window, *flat, 0.5)
    weights = np.where(flat[1], 1.0, 0.0) / goal.max() ** 2
    theta = start_phase(window, *flat, 0.5)
    gradient = IntensityError(window, goal, weights, flat[0] > 0.5)(theta)[1]
    path = window.path
    y, x = path.y_um[window.box[0]], path.x_um[window.box[1]]
    down, across = (np.exp(-1j * path.scale * np.outer(a - a[0], b)) for a, b in ((window.y_um, y), (window.x_um, x)))
    amplitude = path.amplitude[window.box]

    def value(theta):
        return (weights * (abs(down @ (amplitude * np.exp(1j * theta)) @ across.T) ** 2 - goal) ** 2).sum()

    for row, column in ((40, 40), (20, 33), (51, 60)):
        shift = np.zeros(theta.shape)
        shift[row, column] = 1e-4
        wide = theta.astype(np.float64)
        difference = (value(wide + shift) - value(wide - shift)) / 2e-4
        assert gradient[row, column] == pytest.approx(difference, rel=2e-3, abs=1e-4 * float(abs(gradient).max()))


def test_the_start_has_no_vortices_and_the_share_it_should_have(window, flat):
    for target in (flat[0], ring(window.x_um[None, :] - MIDDLE[0], window.y_um[:, None] - MIDDLE[1], 2.0, 4.5, 2.0)):
        region = signal_region(target, window.x_um, window.y_um, 3.0)
        for power in (0.3, 0.6):
            fields = window.forward(window.light(start_phase(window, target, region, power)))
            bright = region & (target > 0.5)
            assert not (vortices(fields) * plaquettes(bright)).any()
            share = (abs(fields[region]) ** 2).sum() / total_power(window)
            assert power - 0.05 < share < power + 0.35  # a quadratic phase alone puts more light into the middle


def test_the_accurate_way(window, flat, found):
    assert found.converged
    assert found.rms <= 1e-3
    assert found.power == pytest.approx(0.4, abs=0.01)
    assert found.vortices == 0
    assert len(found.history) == found.iterations
    errors = [error for _, error in found.history]
    assert errors[-1] == pytest.approx(found.rms, rel=1e-3)
    assert errors[0] > 20 * errors[-1]


def test_the_quick_way(window, flat, device):
    quick = retrieve_smooth(window, *flat, power=0.4, effort="quick", rms=0.02, device=device)
    assert quick.rms <= 0.02
    assert quick.power == pytest.approx(0.4, abs=0.03)
    assert {stage for stage, _ in quick.history} == {"mix"}


def test_bit_for_bit(window, flat, device):
    one, other = (retrieve_smooth(window, *flat, power=0.4, iterations=12, device=device).phase for _ in range(2))
    assert np.array_equal(one, other)


@pytest.mark.parametrize("effort", ["quick", "normal"])
def test_an_interruption_keeps_the_best_so_far(window, flat, effort):
    seen = []

    def interrupt(stage, iteration, error):
        seen.append(error)
        if iteration == 9:
            raise KeyboardInterrupt

    stopped = retrieve_smooth(window, *flat, power=0.4, effort=effort, progress=interrupt)
    assert stopped.interrupted
    assert stopped.iterations == 9
    assert stopped.rms == pytest.approx(min(seen) if effort == "quick" else seen[-1], rel=1e-3)
    whole = retrieve_smooth(window, *flat, power=0.4, effort=effort, iterations=9)
    assert np.array_equal(stopped.phase, whole.phase)


def test_a_random_start_has_vortices_that_stay(window, flat):
    """Why the start matters: holes in the light that the descent cannot mend (counted, not only seen in the error)."""
    start = np.random.default_rng(1).uniform(0, 2 * np.pi, window.amplitude.shape).astype(np.float32)
    lost = retrieve_smooth(window, *flat, power=0.4, start=start, iterations=100)
    assert lost.vortices > 0
    assert lost.rms > 0.02


def test_vortices_are_counted_with_their_sign():
    """A product of two factors, one of them conjugate: a vortex and its opposite, at known cells."""
    x, y = np.arange(20.0)[None, :], np.arange(16.0)[:, None]
    field = ((x - 4.5) + 1j * (y - 3.5)) * ((x - 12.5) - 1j * (y - 10.5))
    turns = vortices(field)
    assert turns.shape == (15, 19)
    assert turns[3, 4] == 1
    assert turns[10, 12] == -1
    assert abs(turns).sum() == 2
    assert not vortices(np.exp(1j * (0.7 * x + 0.05 * y**2))).any()


def test_trimming_takes_back_what_the_levels_cost(window, flat, found, small_bench_text):
    panel = parse_bench(small_bench_text(panel__level_for_2pi=64), "bench.toml").panel
    goal = scaled_goal(window, *flat, 0.4)
    bright = flat[0] > 0.5

    def shown(phase):
        return phase_of_levels(levels_of_phase(phase, panel), panel)

    def error(phase):
        fields = window.forward(window.light((shown(phase)[window.box] + window.carrier).astype(np.float32)))
        return spread_of(abs(fields[bright]).astype(float) ** 2, goal[bright])

    trimmed = trim_window(window, found.phase, flat[1], bright, shown, steps=12)
    assert error(found.phase) > 1.25 * error(trimmed.phase)
    assert trimmed.history[0] < trimmed.uniformity


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"power": 1.0}, "power: found 1; allowed: above 0, below 1"),
        ({"effort": "slow"}, "effort: found 'slow'; allowed: quick, normal, high"),
        ({"target": np.ones((3, 3))}, "target: found shapes .3, 3. and"),
        ({"target": None}, "target: found 0 to 0; allowed: finite values, none below 0, not all 0"),
    ],
)
def test_wrong_arguments(window, flat, change, message):
    given = {"target": flat[0], "region": flat[1], "power": 0.4} | change
    if given["target"] is None:
        given["target"] = np.zeros(flat[0].shape)
    with pytest.raises(InputError, match="^" + message):
        retrieve_smooth(window, given.pop("target"), given.pop("region"), **given)


# ---------------------------------------------------------------------------------------------------------------------
# on a GPU, or on the tests' double of one


@pytest.fixture(params=[True, False], ids=["products", "Fourier transforms"])
def way(request, monkeypatch):
    """Either way of a window on a GPU."""
    monkeypatch.setattr(window_gpu, "by_products", lambda *_: request.param)
    return request.param


def test_a_window_on_a_gpu_is_that_of_the_cpu(window, gpu_or_double, way):
    module, device = gpu_or_double
    plan, rng = GpuWindow(window, device), np.random.default_rng(0)
    theta = rng.uniform(-300, 300, window.amplitude.shape).astype(np.float32)
    light, back = window.light(theta), plan.light(module.asarray(theta))
    np.testing.assert_allclose(to_host(back), light, atol=1e-5)
    fields = window.forward(light)
    np.testing.assert_allclose(to_host(plan.forward(back)), fields, atol=3e-6 * abs(fields).max())
    values = (rng.normal(size=fields.shape) + 1j * rng.normal(size=fields.shape)).astype(np.complex64)
    panel = window.adjoint(values)
    np.testing.assert_allclose(to_host(plan.adjoint(module.asarray(values))), panel, atol=3e-6 * abs(panel).max())
    pulled = window.pull(light, values)
    np.testing.assert_allclose(to_host(plan.pull(back, module.asarray(values), 2.0)), 2 * pulled, atol=1e-5 * abs(pulled).max())


def test_the_error_of_the_intensity_on_a_gpu_is_that_of_the_cpu(window, flat, gpu_or_double, way):
    module, device = gpu_or_double
    goal, bright = scaled_goal(window, *flat, 0.5), flat[0] > 0.5
    weights = np.where(flat[1], 1.0, 0.0) / goal.max() ** 2
    theta = start_phase(window, *flat, 0.5)
    error = IntensityError(window, goal, weights, bright)
    value, slope = error(theta)
    found = GpuIntensityError(GpuWindow(window, device), goal, weights, bright, device)(module.asarray(theta[None]))
    told, gradient, rms = map(to_host, found)
    assert told[0] == pytest.approx(value, rel=1e-5)
    assert rms[0, 0] == pytest.approx(error.rms, rel=1e-5)
    np.testing.assert_allclose(gradient[0], slope, atol=1e-4 * abs(slope).max())


@pytest.fixture(scope="module")
def begun(window, flat):
    return start_phase(window, *flat, 0.4)


def test_a_gpu_finds_light_as_good(window, flat, found, begun, gpu_or_double):
    """Rounding takes the descent another way, as long and as far."""
    asked = {"power": 0.4, "rms": 1e-3, "iterations": 300, "start": begun, "device": gpu_or_double[1]}
    one, other = (retrieve_smooth(window, *flat, **asked) for _ in range(2))
    assert np.array_equal(one.phase, other.phase)
    assert one.converged
    assert one.rms <= 1e-3
    assert one.power == pytest.approx(found.power, abs=2e-3)
    assert one.vortices == 0
    assert one.iterations == len(one.history) == pytest.approx(found.iterations, rel=0.3)
    assert one.history[0][1] == pytest.approx(found.history[0][1], rel=1e-3)


def test_the_quick_way_on_a_gpu(window, flat, begun, gpu_or_double):
    asked = {"power": 0.4, "rms": 0.02, "effort": "quick", "start": begun}
    quick, other = (retrieve_smooth(window, *flat, **asked, device=device) for device in (gpu_or_double[1], CPU))
    assert quick.rms <= 0.02
    assert quick.iterations == pytest.approx(other.iterations, abs=1)
    assert abs(wrapped(quick.phase - other.phase)).mean() < 1e-2


def wrapped(phase):
    return np.angle(np.exp(1j * phase))


@pytest.mark.parametrize("effort", ["quick", "normal"])
def test_an_interruption_on_a_gpu_keeps_the_best_so_far(window, flat, effort, begun, gpu_or_double):
    def interrupt(stage, iteration, error):
        if iteration == 9:
            raise KeyboardInterrupt

    asked = {"power": 0.4, "effort": effort, "start": begun, "device": gpu_or_double[1]}
    stopped = retrieve_smooth(window, *flat, **asked, progress=interrupt)
    assert stopped.interrupted
    assert stopped.iterations == 9
    whole = retrieve_smooth(window, *flat, **asked, iterations=9)
    assert np.array_equal(stopped.phase, whole.phase)


@pytest.mark.parametrize("changes", [{"panel__level_for_2pi": 64}, {"panel__level_for_2pi": 64.5}])
def test_trimming_on_a_gpu_takes_back_as_much(window, flat, found, changes, small_bench_text, gpu_or_double):
    """With a whole number of levels to a turn, and with a fractional one, which asks for a search among the levels."""
    panel = parse_bench(small_bench_text(**changes), "bench.toml").panel

    def shown(phase):
        return phase_of_levels(levels_of_phase(phase, panel), panel)

    given = (window, found.phase, flat[1], flat[0] > 0.5, shown)
    one, other = (trim_window(*given, steps=6, device=device) for device in (gpu_or_double[1], CPU))
    assert type(one.phase) is np.ndarray
    np.testing.assert_allclose(one.history[:2], other.history[:2], rtol=1e-4)
    assert 1 - one.uniformity < 1.1 * (1 - other.uniformity)


def test_the_start_is_the_same_on_a_gpu(window, gpu_or_double):
    target = ring(window.x_um[None, :] - MIDDLE[0], window.y_um[:, None] - MIDDLE[1], 2.0, 4.5, 2.0)  # no product: a transport is solved
    region = signal_region(target, window.x_um, window.y_um, 3.0)
    one, other = (start_phase(window, target, region, 0.6, device) for device in (gpu_or_double[1], CPU))
    np.testing.assert_allclose(one, other, atol=1e-4)
