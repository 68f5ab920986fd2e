from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import KDTree
from simulated_frames import affine
from skimage.measure import ransac
from skimage.transform import AffineTransform

from holo.affine import fit_affine
from holo.errors import CalibrationError
from holo.matching import _pairs_within, match_points, robust_affine


def seen(rng, known, *, missing=0.12, false=0.10, noise=0.05):
    """Known points on a camera: some missing, some false, in random order."""
    matrix, offset = affine(rng)
    found = known @ matrix.T + offset
    found = (found + rng.normal(0, noise, found.shape))[rng.random(len(known)) >= missing]
    false_ones = rng.uniform(found.min(axis=0), found.max(axis=0), (round(false * len(known)), 2))
    return rng.permutation(np.vstack([found, false_ones])), matrix, offset


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.85, 1.15))
def test_any_turn_mirror_and_shear_is_recognised(seed, guess):
    rng = np.random.default_rng(seed)
    known = rng.uniform(-70, 70, (20, 2))
    found, matrix, offset = seen(rng, known)
    match = match_points(known, found, 5 * guess)
    assert np.abs(match.affine.apply(known) - (known @ matrix.T + offset)).max() < 0.5
    assert np.hypot(*(match.affine.apply(known[match.known]) - found[match.found]).T).max() < 0.5
    assert match.chance < 1e-6


def test_random_points_are_never_taken_for_a_match():
    for seed in range(10):
        rng = np.random.default_rng(seed)
        with pytest.raises(CalibrationError, match=r"no map brings more than|chance"):
            match_points(rng.uniform(-70, 70, (20, 2)), rng.uniform(0, 800, (40, 2)), 5.0)


def test_a_symmetric_pattern_is_ambiguous():
    square = np.stack(np.meshgrid(np.arange(4.0), np.arange(4.0)), axis=-1).reshape(-1, 2)
    with pytest.raises(CalibrationError, match="ambiguous, one map brings 16 of 16 together and another one 16"):
        match_points(square, 20 * square + 3, 20.0)


def test_too_few_points():
    known = np.random.default_rng(0).uniform(-70, 70, (20, 2))
    with pytest.raises(CalibrationError, match="found 6 of 20; needed: 10 or more"):
        match_points(known, 5 * known[:6], 5.0)
    with pytest.raises(CalibrationError, match="found 0 of 20"):
        match_points(known, np.zeros((0, 2)), 5.0)


def test_a_scale_that_is_far_off_is_not_accepted():
    known = np.random.default_rng(0).uniform(-70, 70, (20, 2))
    with pytest.raises(CalibrationError):
        match_points(known, 5 * known, 7.5)


def test_each_point_makes_one_pair_at_most():
    one, two = _pairs_within(np.array([[0.0, 0.0], [1.0, 0.0], [9.0, 9.0]]), KDTree([[0.9, 0.0], [9.0, 9.5]]), 2.0)
    assert one.tolist() == [1, 2]
    assert two.tolist() == [0, 1]


def test_robust_fit_finds_the_pairs_that_a_general_image_library_finds():
    """Oracle: the random-sample consensus of scikit-image (Fischler and Bolles, Commun. ACM 24, 381 (1981))."""
    rng = np.random.default_rng(3)
    source = rng.uniform(-70, 70, (60, 2))
    matrix, offset = affine(rng)
    target = source @ matrix.T + offset + rng.normal(0, 0.05, (60, 2))
    target[::7] += rng.uniform(3, 30, (9, 2))
    fit, kept = robust_affine(source, target, np.full(60, 0.05))
    model, inliers = ransac((source, target), AffineTransform, min_samples=3, residual_threshold=0.4, max_trials=500, rng=1)
    assert (kept == inliers).all()
    # that library minimises a total, not an ordinary, sum of squares: the two agree to the square of the noise over the extent
    assert np.abs(fit.affine.matrix - model.params[:2, :2]).max() < 1e-6
    assert np.abs(fit.affine.offset - model.params[:2, 2]).max() < 1e-4


def test_robust_fit_without_wrong_pairs_is_least_squares():
    rng = np.random.default_rng(3)
    source = rng.uniform(-70, 70, (60, 2))
    target = 5 * source + rng.uniform(-0.03, 0.03, (60, 2))
    fit, kept = robust_affine(source, target, np.full(60, 0.03))
    assert kept.all()
    plain = np.linalg.lstsq(np.column_stack([source, np.ones(60)]), target)[0]
    assert np.abs(fit.affine.matrix - plain[:2].T).max() < 1e-12
    assert np.abs(fit.affine.covariance / fit_affine(source, target, 0.03).affine.covariance - 1)[0, 0] < 1e-9


@pytest.mark.parametrize(("true", "told"), [(0.05, 0.05), (0.2, 0.05), (0.05, 0.2)])
def test_errors_of_the_robust_fit_are_those_of_its_scatter(true, told):
    """Points that scatter more than their errors say widen the errors of the map; points that scatter less do not narrow them."""
    source = np.random.default_rng(0).uniform(-70, 70, (100, 2))
    fits = []
    for seed in range(100):
        target = 5 * source + np.random.default_rng(seed).normal(0, true, source.shape)
        fits.append(robust_affine(source, target, np.full(100, told))[0].affine)
    realised = np.std([np.append(fit.matrix.ravel(), fit.offset) for fit in fits], axis=0)
    predicted = np.median([fit.errors() for fit in fits], axis=0)
    assert realised == pytest.approx(predicted * true / max(true, told), rel=0.2)
