"""Affine maps: round trips, fits against general libraries and worked examples, and the size of the error bars themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holo.affine import Affine, affine_of, fit_affine
from holo.errors import InputError
from holo.lattice import named_lattice

MAP = Affine([[24.0, 1.5], [-1.2, 25.0]], [600.0, 450.0])

angles = st.floats(-np.pi, np.pi)
sizes = st.floats(0.5, 20.0)
shifts = st.tuples(st.floats(-50, 50), st.floats(-50, 50))


@st.composite
def maps(draw):
    """Maps whose matrix is a rotation, two scales and another rotation, so that every one can be inverted."""
    turns = [np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) for a in (draw(angles), draw(angles))]
    matrix = turns[0] @ np.diag([draw(sizes), draw(sizes)]) @ turns[1]
    parts = np.random.default_rng(draw(st.integers(0, 1000))).normal(size=(6, 6)) * 1e-3
    return Affine(matrix, draw(shifts), parts @ parts.T)


points = st.lists(shifts, min_size=1, max_size=6).map(np.array)


@given(maps(), points)
def test_inverse_undoes(affine, some):
    np.testing.assert_allclose(affine.inverse().apply(affine.apply(some)), some, atol=1e-8)
    np.testing.assert_allclose(affine.inverse().inverse().matrix, affine.matrix, rtol=1e-9, atol=1e-9)


@given(maps(), maps(), maps(), points)
def test_composing_is_applying_in_turn_and_associative(a, b, c, some):
    np.testing.assert_allclose(a.after(b).apply(some), a.apply(b.apply(some)), rtol=1e-9, atol=1e-6)
    left, right = a.after(b).after(c), a.after(b.after(c))
    np.testing.assert_allclose(left.matrix, right.matrix, rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(left.covariance, right.covariance, rtol=1e-6, atol=1e-6 * np.abs(left.covariance).max())


@given(maps())
def test_the_covariance_survives_a_double_inversion(affine):
    twice = affine.inverse().inverse().covariance
    np.testing.assert_allclose(twice, affine.covariance, rtol=1e-5, atol=1e-5 * np.abs(affine.covariance).max())


def test_apply_takes_x_first_and_rows_of_the_matrix():
    np.testing.assert_allclose(MAP.apply([[2.0, 10.0]]), [[600 + 48 + 15, 450 - 2.4 + 250]])


def test_a_lattice_as_a_map():
    lattice = named_lattice("triangular", 5.0, 11.0, (60.0, 40.0))
    ij = np.array([[0, 0], [3, 1], [-2, 0.5]])
    np.testing.assert_allclose(affine_of(lattice).apply(ij), lattice.positions_um(ij), atol=1e-12)


def cloud(count, seed=1):
    return np.random.default_rng(seed).uniform(-50, 50, (count, 2))


def test_an_exact_map_comes_back():
    # Tolerance: 1e-10, general oracle (no source)
    source = cloud(30)
    fit = fit_affine(source, MAP.apply(source))
    np.testing.assert_allclose(fit.affine.matrix, MAP.matrix, atol=1e-10)
    np.testing.assert_allclose(fit.affine.offset, MAP.offset, atol=1e-10)
    assert fit.rms < 1e-10


def noisy_pair(count=30, noise=0.3):
    source = cloud(count)
    return source, MAP.apply(source) + np.random.default_rng(2).normal(0, noise, (count, 2))


def test_against_numpy_least_squares():
    source, target = noisy_pair()
    design = np.column_stack([source, np.ones(len(source))])
    solution, squares, _, _ = np.linalg.lstsq(design, target)
    fit = fit_affine(source, target)
    np.testing.assert_allclose(np.column_stack([fit.affine.matrix, fit.affine.offset]), solution.T, rtol=1e-10)
    np.testing.assert_allclose((fit.residuals**2).sum(axis=0), squares, rtol=1e-9)
    # Both coordinates share one error: their textbook covariances, with the variance pooled over both
    variance = squares.sum() / (2 * len(source) - 6)
    per_axis = np.linalg.inv(design.T @ design) * variance
    np.testing.assert_allclose(fit.affine.covariance[np.ix_([0, 1, 4], [0, 1, 4])], per_axis, rtol=1e-8, atol=1e-14)
    np.testing.assert_allclose(fit.affine.covariance[np.ix_([2, 3, 5], [2, 3, 5])], per_axis, rtol=1e-8, atol=1e-14)
    np.testing.assert_allclose(fit.affine.covariance[np.ix_([0, 1, 4], [2, 3, 5])], 0, atol=1e-14)


def test_against_scikit_image():
    transform = pytest.importorskip("skimage.transform", reason="scikit-image is the oracle here and is not installed")
    source, target = noisy_pair()
    affine = transform.AffineTransform.from_estimate(source, target).params
    # That routine minimises an algebraic distance: without noise the two must agree closely, with noise within the errors
    exact = transform.AffineTransform.from_estimate(source, MAP.apply(source)).params
    np.testing.assert_allclose(exact[:2], np.column_stack([MAP.matrix, MAP.offset]), rtol=1e-9, atol=1e-9)
    fit = fit_affine(source, target).affine
    offsets = np.abs(affine[:2] - np.column_stack([fit.matrix, fit.offset]))
    assert (offsets < 0.3 * np.column_stack([fit.errors()[:4].reshape(2, 2), fit.errors()[4:]])).all()


def test_weights_follow_the_errors():
    source, target = noisy_pair()
    sigma = np.random.default_rng(3).uniform(0.1, 2.0, len(source))
    design = np.column_stack([source, np.ones(len(source))]) / sigma[:, None]
    solution = np.linalg.lstsq(design, target / sigma[:, None])[0]
    fit = fit_affine(source, target, sigma)
    np.testing.assert_allclose(np.column_stack([fit.affine.matrix, fit.affine.offset]), solution.T, rtol=1e-9)
    np.testing.assert_allclose(fit.affine.covariance[np.ix_([0, 1, 4], [0, 1, 4])], np.linalg.inv(design.T @ design), rtol=1e-8, atol=1e-15)


def test_error_of_prediction_and_residuals_of_noisy_fits():
    # Least squares with 3 parameters per coordinate: the mean square prediction error at the points of the fit is 3 s^2 / N, the rms
    # residual s sqrt(1 - 3 / N) (any text on linear regression; N. R. Draper and H. Smith, Applied Regression Analysis, 1998; from memory)
    count, noise, rng = 30, 0.1, np.random.default_rng(4)
    source = cloud(count)
    truth = MAP.apply(source)
    predicted, squares = [], []
    for _ in range(1000):
        fit = fit_affine(source, truth + rng.normal(0, noise, truth.shape))
        predicted.append(((fit.affine.apply(source) - truth) ** 2).mean())
        squares.append(fit.rms**2)
    assert np.mean(predicted) == pytest.approx(3 * noise**2 / count, rel=0.05)
    assert np.sqrt(np.mean(squares)) == pytest.approx(noise * np.sqrt(1 - 3 / count), rel=0.01)
    errors = fit_affine(source, truth, noise).affine.prediction_error(source)
    assert (errors**2).mean() == pytest.approx(3 * noise**2 / count, rel=1e-9)


def test_error_bars_of_the_parameters_match_their_scatter():
    rng, source = np.random.default_rng(5), cloud(12) + 200.0
    truth = Affine([[2.0, -1.0], [1.0, 2.0]], [3.0, 4.0])
    fits = [fit_affine(source, truth.apply(source) + rng.normal(0, 0.2, source.shape)) for _ in range(1500)]
    found = np.array([[*fit.affine.matrix.ravel(), *fit.affine.offset] for fit in fits])
    stated = np.mean([fit.affine.covariance for fit in fits], axis=0)
    np.testing.assert_allclose(found.std(axis=0), np.sqrt(np.diag(stated)), rtol=0.08)
    np.testing.assert_allclose(np.cov(found.T), stated, atol=0.1 * np.sqrt(np.outer(np.diag(stated), np.diag(stated))).max())


def test_error_bars_of_an_inverse_and_a_composition_match_their_scatter():
    rng, covariances = np.random.default_rng(6), []
    for scale in (1e-3, 2e-3):
        parts = rng.normal(size=(6, 6)) * scale
        covariances.append(parts @ parts.T)
    one = Affine([[2.0, 0.3], [-0.1, 1.5]], [3.0, 4.0], covariances[0])
    other = Affine([[0.5, 0.2], [0.1, 0.8]], [1.0, -2.0], covariances[1])
    outcomes = []
    for _ in range(4000):
        drawn = [rng.multivariate_normal([*a.matrix.ravel(), *a.offset], a.covariance) for a in (one, other)]
        first, second = (Affine(p[:4].reshape(2, 2), p[4:]) for p in drawn)
        made = first.inverse().after(second)
        outcomes.append([*made.matrix.ravel(), *made.offset])
    stated = one.inverse().after(other)
    np.testing.assert_allclose(np.std(outcomes, axis=0), stated.errors(), rtol=0.05)


def test_a_fit_far_from_the_origin_keeps_its_figures():
    source, target = noisy_pair()
    near, far = fit_affine(source, target), fit_affine(source + 1e6, target)
    np.testing.assert_allclose(far.affine.matrix, near.affine.matrix, rtol=1e-6)
    np.testing.assert_allclose(far.affine.prediction_error(source + 1e6), near.affine.prediction_error(source), rtol=1e-3)


def test_three_points_fit_exactly_and_without_errors():
    source = np.array([[0.0, 0], [1, 0], [0, 1]])
    fit = fit_affine(source, MAP.apply(source))
    assert fit.affine.covariance is None
    assert fit.rms < 1e-12
    with pytest.raises(InputError, match="covariance: found none; allowed: a map with known errors"):
        fit.affine.errors()
    known = fit_affine(source, MAP.apply(source), 0.1).affine
    np.testing.assert_allclose(known.prediction_error(source), 0.1, rtol=1e-9)


def test_unknown_errors_stay_unknown():
    known = Affine(MAP.matrix, MAP.offset, np.eye(6))
    assert MAP.after(known).covariance is None
    assert known.after(MAP).covariance is None
    assert MAP.inverse().covariance is None


def test_residuals_are_target_minus_prediction():
    source, target = noisy_pair()
    fit = fit_affine(source, target)
    np.testing.assert_allclose(fit.residuals, target - fit.affine.apply(source), atol=1e-9)
    assert fit.rms == pytest.approx(np.sqrt((fit.residuals**2).mean()))
    assert fit.largest == pytest.approx(np.hypot(*fit.residuals.T).max())


SQUARE = [[0.0, 0], [1, 0], [0, 1], [1, 1]]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fit_affine(SQUARE[:2], SQUARE[:2]), "points: found 2 source and 2 target points; allowed: 3 pairs or more"),
        (lambda: fit_affine(SQUARE, SQUARE[:3]), "points: found 4 source and 3 target points"),
        (lambda: fit_affine([[0, 0], [1, 1], [2, 2], [7, 7]], SQUARE), "source points: found 4 on one line; allowed: points apart"),
        (lambda: fit_affine([[5, 5]] * 4, SQUARE), "source points: found 4 on one line"),
        (lambda: fit_affine([[np.nan, 0], *SQUARE[1:]], SQUARE), "source points: found nan; allowed: finite numbers"),
        (lambda: fit_affine([[1, 2, 3]] * 4, SQUARE), r"source points: found an array of shape \(4, 3\); allowed: any x 2 numbers"),
        (lambda: fit_affine(SQUARE, SQUARE, 0.0), "sigma: found 0; allowed: above 0"),
        (lambda: fit_affine(SQUARE, SQUARE, [1.0, 1.0]), r"sigma: found an array of shape \(2,\); allowed: 4 numbers"),
        (lambda: Affine([[1, 2], [2, 4]], [0, 0]).inverse(), "allowed: a matrix that can be inverted"),
        (lambda: Affine([[1, 2]], [0, 0]), "matrix: found an array of shape"),
        (lambda: Affine(np.eye(2), [0, np.inf]), "offset: found inf"),
        (lambda: Affine(np.eye(2), [0, 0], -np.eye(6)), "covariance: found a matrix that is none"),
        (lambda: Affine(np.eye(2), [0, 0], np.triu(np.ones((6, 6)))), "covariance: found a matrix that is none; allowed: symmetric"),
    ],
)
def test_bad_input_is_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()
