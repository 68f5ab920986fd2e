"""The forward model of sensing against the plain sum over the panel, and its fit against known phases."""

from __future__ import annotations

import numpy as np
import pytest
import sensing
from simulated_wavefront import Simulator, noll_terms, polynomial

from holo.bench import parse_bench
from holo.field.path import light_path
from holo.sensed import variation_of
from holo.wavefront import images, view_of
from holo.wavefront_fit import Images, Terms, fit_images, fit_wavefront, noise, refit
from holo.wavefront_fit import _state as state_of
from holo.zernike import noll, zernike

POINTS = np.array([[14.0, 9.0], [-12.0, 16.0], [10.0, -21.0]])
HALF = 18


@pytest.fixture(scope="module")
def bench():
    return parse_bench(sensing.TEXT, "bench.toml")


def superposed(path, points=POINTS):
    """Phase of a mask of some spots: the sum of their waves."""
    waves = [path.scale * (path.x_um * x + path.y_um[:, None] * y) + turn**2 for turn, (x, y) in enumerate(points)]
    return np.angle(sum(np.exp(1j * wave) for wave in waves))


def view_and_simulator(bench, waves, beam=sensing.gaussian_beam):
    start = sensing.start_of()
    path, to_camera = light_path(bench), start.registration.plane_to_camera
    phase = superposed(path)
    return view_of(path, bench.pupil_radius_um, phase, POINTS, to_camera, HALF), phase, sensing.simulator_of(start, waves, beam)


def windows(view, picture):
    return np.stack([picture[row : row + view.side, column : column + view.side] for column, row in view.corner])


def test_the_simulator_has_nolls_polynomials():
    """Two programs, one after Noll's eq. 1 and 2 with factorials, one by recurrence, agree on the polynomials."""
    rng = np.random.default_rng(0)
    rho, theta = np.sqrt(rng.random(50)), rng.uniform(-np.pi, np.pi, 50)
    assert noll_terms(45) == [noll(j) for j in range(1, 46)]
    for j in range(1, 46):
        assert polynomial(j, rho, theta) == pytest.approx(zernike(j, rho, theta), abs=1e-11)


@pytest.mark.parametrize("waves", [{}, {4: 0.3, 7: -0.1}, {5: -0.2, 8: 0.15, 12: 0.1}])
def test_images_are_those_of_the_plain_sum(bench, waves):
    """Light on turned, mirrored, sheared camera pixels; the grid of the pupil has a twentieth of the panel's pixels."""
    view, phase, simulator = view_and_simulator(bench, waves)
    expected = windows(view, simulator.picture(phase * 212 / (2 * np.pi), POINTS, 9.0))
    found = images(view, view.phase({1: 0.0, **waves}))
    assert found.shape == expected.shape
    assert np.abs(found - expected).max() < 3e-3 * expected.max()
    assert np.abs(found.sum(axis=(1, 2)) / expected.sum(axis=(1, 2)) - 1).max() < 1e-3


def test_amplitude_of_the_pupil_counts(bench):
    """An amplitude that falls along x by a Zernike term of its logarithm gives the images of that beam."""
    view, phase, simulator = view_and_simulator(bench, {6: 0.2}, lambda x, y: sensing.gaussian_beam(x, y) * np.exp(0.3 * 2 * x))
    expected = windows(view, simulator.picture(phase * 212 / (2 * np.pi), POINTS, 9.0))
    found = images(view, view.phase({6: 0.2}), np.exp(0.3 * view.terms((2,))[0]))
    assert np.abs(found / found.sum() - expected / expected.sum()).max() < 3e-3 * (expected / expected.sum()).max()


def made(view, biases, waves, rng, electrons):
    """Images of the model itself with noise, and what is needed to fit them."""
    smooth = np.stack([view.phase({1: 0.0, **bias}) for bias in biases])
    counts = np.stack([images(view, phase + view.phase(waves)) for phase in smooth])
    counts *= electrons / counts.max(axis=(1, 2, 3), keepdims=True)
    counts = (rng.poisson(counts + 4.0) + rng.normal(0, 2.0, counts.shape)).astype(np.float32)
    return Images(counts, np.ones(counts.shape, bool), smooth, np.full(len(biases), np.nan))


BIASES = [{}, {4: 0.3}, {4: -0.3}, {5: 0.3}]


def test_derivatives_are_those_of_the_images(bench):
    """The slopes of the normal equations against differences of chi squared."""
    view, _, _ = view_and_simulator(bench, {})
    view = view.of_spots(slice(0, 1))
    data = made(view, BIASES[:2], {5: 0.1}, np.random.default_rng(0), 1e4)
    terms, weights = Terms((4, 5, 7), (2, 4)), np.ones(data.counts.shape, np.float32)
    from holo.wavefront_fit import _linearised

    def at(shared, tilt=0.0):
        return _linearised(view, data, weights, terms, view.terms(terms.all), state_of(data, shared, np.full((2, 1, 2), tilt)))

    here = np.array([0.02, 0.05, -0.03, 0.05, -0.04])
    slope = at(here).shared_slope.sum(axis=(0, 1))
    for n in range(5):
        step = np.where(np.arange(5) == n, 1e-3, 0)
        assert -2 * slope[n] == pytest.approx((at(here + step).chi2 - at(here - step).chi2) / 2e-3, rel=0.01, abs=1e-3 * abs(slope).max())
    tilts = at(here).own_slope[..., :2].sum()
    assert -2 * tilts == pytest.approx((at(here, 1e-3).chi2 - at(here, -1e-3).chi2) / 2e-3, rel=0.01)


def test_errors_are_those_seen(bench):
    """Scatter of 24 fits of 8 terms against their errors, which are a little wide: the larger of two estimates."""
    view, _, _ = view_and_simulator(bench, {})
    view = view.of_spots(slice(0, 1))
    waves, terms = {4: 0.05, 5: -0.04, 7: 0.06, 11: 0.03}, Terms(tuple(range(4, 12)))
    truth = np.array([waves.get(j, 0.0) for j in terms.phase])
    pulls, chi2 = [], []
    data = made(view, BIASES, waves, np.random.default_rng(1), 3000)
    fit = fit_wavefront(view, data, terms, np.random.default_rng(0))
    for seed in range(24):
        fit = refit(view, made(view, BIASES, waves, np.random.default_rng(100 + seed), 3000), fit)
        pulls.append((fit.state.shared - truth) / fit.errors)
        chi2.append(fit.chi2)
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(0.95, abs=0.2)
    assert np.mean(chi2) == pytest.approx(1, abs=0.05)  # the noise itself is estimated from what the fits leave


def test_the_sign_is_told_by_biases_and_not_without(bench):
    """An image in focus of an even aberration is that of its negative too (J. R. Fienup, Appl. Opt. 21, 2758 (1982), from memory)."""
    view, _, _ = view_and_simulator(bench, {})
    view = view.of_spots(slice(0, 1))
    for sign in (1, -1):
        data = made(view, BIASES, {5: sign * 0.15}, np.random.default_rng(3), 1e4)
        fit = fit_wavefront(view, data, Terms((4, 5, 6)), np.random.default_rng(0))
        assert fit.state.shared == pytest.approx([0, sign * 0.15, 0], abs=0.003)
    images_of = [images(view, view.phase({5: sign * 0.15})) for sign in (1, -1)]
    assert np.abs(images_of[0] - images_of[1]).max() < 0.03 * images_of[0].max()


def test_noise_of_what_a_fit_leaves():
    rng = np.random.default_rng(0)
    y, x = np.indices((41, 41)) - 20
    light = np.broadcast_to(3000 * np.exp(-(x**2 + y**2) / 40), (4, 3, 41, 41))
    left = rng.normal(size=light.shape) * np.sqrt(9 + light / 2.5) + 0.02 * light
    usable = rng.random(light.shape) > 0.01
    left[~usable] = 1e5
    floor, slope = noise(usable, left.astype(np.float32), light.astype(np.float32))
    assert floor == pytest.approx(9, rel=0.1)
    assert 1 / slope == pytest.approx(2.5, rel=0.1)


def test_unusable_pixels_do_not_matter(bench):
    view, _, _ = view_and_simulator(bench, {})
    view = view.of_spots(slice(0, 1))
    data = made(view, BIASES, {5: 0.1}, np.random.default_rng(3), 1e4)
    bad = np.random.default_rng(1).random(data.counts.shape) < 0.02
    spoilt = Images(np.where(bad, 60000, data.counts).astype(np.float32), ~bad, data.smooth, data.gain)
    weights = np.ones(data.counts.shape, np.float32) * ~bad
    start = state_of(data, np.zeros(2), np.zeros((4, 1, 2)))
    clean, other = (fit_images(view, some, Terms((4, 5)), start, weights) for some in (data, spoilt))
    assert (clean.state.shared == other.state.shared).all()


def test_variation_over_the_field():
    rng = np.random.default_rng(0)
    points = rng.uniform(-50, 50, (12, 2))
    sigma = np.full((12, 2), 0.002)
    waves = np.column_stack([0.05 + points @ [1e-3, -2e-3], np.full(12, 0.1)]) + rng.normal(0, sigma)
    found = variation_of(points, waves, sigma)
    assert np.abs((found.slope - [[1e-3, -2e-3], [0, 0]]) / found.error).max() < 3.5
    assert found.error.max() < 5e-5
    assert variation_of(points[:3], waves[:3], sigma[:3]) is None
    assert variation_of(np.column_stack([points[:, 0], points[:, 0]]), waves, sigma) is None


def test_an_even_term_is_hardly_told_by_images_in_focus(bench):
    """One image in focus does not tell an even term from its negative: at zero nothing is known of it to first order."""
    view, _, _ = view_and_simulator(bench, {})
    view = view.of_spots(slice(0, 1))
    data = made(view, [{}, {}], {5: 0.0}, np.random.default_rng(3), 1e4)
    weights = np.ones(data.counts.shape, np.float32) / 100
    one = fit_images(view, data, Terms((5,)), state_of(data, np.array([1e-3]), np.zeros((2, 1, 2))), weights)
    data = made(view, [{5: 0.3}, {5: -0.3}], {5: 0.0}, np.random.default_rng(3), 1e4)
    two = fit_images(view, data, Terms((5,)), state_of(data, np.array([1e-3]), np.zeros((2, 1, 2))), weights)
    assert one.errors[0] > 3 * two.errors[0]


def test_the_simulator_is_not_the_model():
    """The simulator of the tests is its own: it imports nothing of holo."""
    import simulated_wavefront

    assert not any("holo" in str(getattr(value, "__module__", "")) for value in vars(simulated_wavefront).values())
    assert Simulator.__module__ == "simulated_wavefront"
