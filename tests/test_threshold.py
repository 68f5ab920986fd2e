"""Thresholds and their errors against worked examples, exact statistics and samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm, poisson

from holo.errors import CalibrationError, InputError
from holo.threshold import Peaks, counting_limit, fit_peaks, peaks_of_sites


@pytest.mark.parametrize(
    ("peaks", "threshold", "error"),
    [
        ((100, 15, 220, 20, 0.5), 152.14652, 3.0007e-4),
        ((100, 15, 220, 20, 0.6), 151.13390, 3.0283e-4),
        ((200, 25, 400, 35, 0.5), 284.80170, 4.2266e-4),
    ],
)
def test_two_gaussians(peaks, threshold, error):
    """The root of the quadratic between the means and its tail probabilities, computed by an independent script."""
    found = Peaks(*peaks)
    assert found.threshold == pytest.approx(threshold, rel=1e-7)
    assert found.error() == pytest.approx(error, rel=1e-4)


def test_the_threshold_of_equal_tails_errs_more():
    """151.42857, error 3.0338e-4: computed by an independent script."""
    assert Peaks(100, 15, 220, 20, 0.5).error(151.42857) == pytest.approx(3.0338e-4, rel=1e-4)


@pytest.mark.parametrize(
    ("apart", "error"), [(2, 0.158655), (3, 0.0668072), (4, 0.0227501), (5, 0.00620967), (6, 0.0013499), (8, 3.16712e-5)]
)
def test_peaks_of_equal_width(apart, error):
    """The error is Q(d' / 2), the tail of the unit normal distribution."""
    found = Peaks(0, 1, apart, 1, 0.5)
    assert found.threshold == pytest.approx(apart / 2)
    assert found.error() == pytest.approx(error, rel=1e-5)
    assert found.apart == pytest.approx(apart)


@pytest.mark.parametrize(("low", "high", "threshold", "error"), [(10, 60, 28, 1.8585e-6), (5, 40, 17, 1.7027e-5)])
def test_counted_events(low, high, threshold, error):
    """Poisson examples, computed by an independent script."""
    found = counting_limit(low, high)
    assert found[0] == threshold
    assert found[1] == pytest.approx(error, rel=1e-4)


@given(st.floats(0.5, 50), st.floats(1.1, 8), st.floats(0.05, 0.95))
def test_no_other_threshold_counts_better(low, ratio, share):
    high = low * ratio
    threshold, error = counting_limit(low, high, share)
    n = np.arange(1, 800)
    errors = (1 - share) * poisson.sf(n - 1, low) + share * poisson.cdf(n - 1, high)
    assert error == pytest.approx((1 - share) * poisson.sf(threshold - 1, low) + share * poisson.cdf(threshold - 1, high), abs=1e-12)
    assert error <= errors.min() + 1e-12


@given(st.floats(0.3, 3), st.floats(0.3, 3), st.floats(0.02, 0.98), st.floats(4, 30))
def test_no_other_threshold_errs_less_and_the_probability_never_falls(one, two, share, apart):
    peaks = Peaks(5, one, 5 + apart, two, share)
    x = np.linspace(5, 5 + apart, 301)
    assert peaks.error() <= min(peaks.error(value) for value in x) + 1e-12
    chance = peaks.probability(np.linspace(-20, 60, 500))
    assert (np.diff(chance) >= -1e-12).all()
    if 5 < peaks.threshold < 5 + apart:
        assert peaks.probability(peaks.threshold) == pytest.approx(0.5, abs=1e-6)


def test_the_odds_are_those_of_the_densities():
    peaks, x = Peaks(100, 15, 220, 20, 0.3), np.array([140.0, 160.0, 180.0])
    for variance in (1.0, 2.5):
        lit, dark = 0.3 * norm.pdf(x, 220, 20 * variance**0.5), 0.7 * norm.pdf(x, 100, 15 * variance**0.5)
        assert peaks.probability(x, variance) == pytest.approx(lit / (lit + dark), rel=1e-9)


@pytest.mark.parametrize("share", [0.02, 0.5, 0.97])
@pytest.mark.parametrize("apart", [80, 120])
def test_the_error_predicted_from_a_sample_is_the_one_made(share, apart):
    rng = np.random.default_rng(3)
    truth = rng.random(20000) < share
    light = np.where(truth, rng.normal(100 + apart, 20, 20000), rng.normal(100, 15, 20000))
    peaks = fit_peaks(light)
    exact = Peaks(100, 15, 100 + apart, 20, share)
    made = exact.error(peaks.threshold)  # of new sites told with the fitted threshold
    assert made < 1.2 * exact.error()
    assert peaks.error() == pytest.approx(made, rel=0.35)
    chance = peaks.probability(light)
    for low, high in ((0.02, 0.2), (0.2, 0.8), (0.8, 0.98)):
        near = (chance > low) & (chance < high)
        if near.sum() > 20:
            assert truth[near].mean() == pytest.approx(chance[near].mean(), abs=4 * 0.5 / np.sqrt(near.sum()) + 0.03)


def test_noisier_sites_do_not_widen_the_peaks():
    rng = np.random.default_rng(4)
    truth, variance = rng.random(4000) < 0.5, np.where(np.arange(4000) % 4, 1.0, 9.0)
    light = np.where(truth, 300.0, 0.0) + 20 * np.sqrt(variance) * rng.standard_normal(4000)
    peaks = fit_peaks(light, variance)
    assert peaks.empty_width == pytest.approx(20, rel=0.05)
    assert peaks.filled == pytest.approx(300, abs=3)


@pytest.mark.parametrize("light", [np.random.default_rng(1).normal(0, 10, 900), np.random.default_rng(2).exponential(1, 5), np.ones(50)])
def test_one_peak_is_refused(light):
    with pytest.raises(CalibrationError, match="needed"):
        fit_peaks(light)


def test_sites_of_their_own():
    """Sites that differ get their own means; sites that do not, the common one but for a fraction of the noise."""
    rng = np.random.default_rng(5)
    gain, filled = rng.uniform(0.6, 1.4, 300), rng.random((40, 300)) < 0.5
    for factor, error in ((gain, 3.5), (np.ones(300), 1.5)):
        light = 100 * factor * filled + rng.normal(0, 12, (40, 300))
        empty, lit = peaks_of_sites(light, filled, Peaks(0, 12, 100, 25, 0.5))
        assert np.sqrt(np.mean((lit - 100 * factor) ** 2)) < error  # a mean of 20 frames alone: 2.7
        assert np.sqrt(np.mean(empty**2)) < 1.5


def test_impossible_peaks_are_refused():
    with pytest.raises(InputError, match="filled above empty"):
        Peaks(10, 1, 5, 1, 0.5)
    with pytest.raises(InputError, match="filled above empty"):
        counting_limit(5, 5)
