"""Shapes: areas, edges, orientation; and speckle against its published statistics."""

from __future__ import annotations

import numpy as np
import pytest

from holo import shapes
from holo.errors import InputError

X = (np.arange(400) - 199.5) / 20  # -10 to 10 in steps of 0.05
Y = X[:, None]
CELL = 0.05**2


@pytest.mark.parametrize(
    ("values", "area"),
    [
        (shapes.box(X, Y, 6.0, 3.0), 18.0),
        (shapes.disc(X, Y, 4.0), 16 * np.pi),
        (shapes.ring(X, Y, 2.0, 4.0), 12 * np.pi),
        (shapes.wall(X, Y, 10.0, 2.0, 0.0), 20.0),
        (shapes.wall(X, Y, 10.0, 2.0, 3.0), 14.0),
        (shapes.box(X, Y, 6.0, 3.0, 1.0), 18.0),  # soft edges leave the area of a straight one as it is
        (shapes.wall(X, Y, 10.0, 2.0, 3.0, 0.5), 14.0),
        (shapes.sampled(X, Y, np.ones((3, 5)), 6.0, 3.0), 18.0),
    ],
)
def test_areas(values, area):
    assert values.sum() * CELL == pytest.approx(area, rel=5e-3)
    assert values.min() >= 0
    assert values.max() <= 1 + 1e-12


def test_edges_rise_from_8_to_92_per_cent_over_their_width():
    """(1 + erf(+-1)) / 2 = 0.07865, 0.92135 (tables of the error function)."""
    places = np.array([1.5, 2.0, 2.5])
    for values in (shapes.disc(places, 0 * places, 2.0, 1.0), shapes.box(places, 0 * places, 4.0, 50.0, 1.0)):
        assert values == pytest.approx([0.92135, 0.5, 0.07865], abs=1e-5)


def test_ramp_and_bowl():
    assert shapes.ramp(np.array([-3.0, 0.0, 1.5, 9.0]), np.zeros(4), 0.2, 1.0, 6.0) == pytest.approx([0.2, 0.6, 0.8, 1.0])
    assert shapes.bowl(np.array([0.0, 3.0]), np.array([0.0, 4.0]), 5.0, 0.5, -0.25) == pytest.approx([1.0, 1.25])
    assert shapes.bowl(np.array([50.0]), np.zeros(1), 5.0, -0.5, 0.0) == pytest.approx([0.0])


def test_images_are_upright_and_their_right_is_right():
    corner = np.zeros((8, 8))
    corner[0, -1] = 1  # top right
    values = shapes.sampled(X, Y, corner, 16.0, 16.0)
    row, column = np.unravel_index(values.argmax(), values.shape)
    assert X[column] > 6
    assert X[row] < -6


def test_blur_is_that_of_the_edges():
    """A sharp image seen through the Gaussian of `soft_step` has the same edge as a soft box."""
    fine = np.zeros((40, 400))
    fine[:, 100:300] = 1
    wide = shapes.blurred(fine, 2.0 / np.sqrt(8) / 0.05, 0.0)[20]
    assert wide == pytest.approx(shapes.box(X, np.zeros(400), 10.0, 90.0, 2.0), abs=2e-3)


def test_speckle_statistics():
    """Exponential intensities: mean 1, contrast 1, <I^2> = 2, and P(I > t) = exp(-t) (Goodman, Speckle Phenomena in Optics, ch. 3).

    About 128^2 / pi grains: the contrast scatters by some 2 %.
    """
    pattern = shapes.speckle(1024, 1024, 8.0, np.random.default_rng(11))
    assert pattern.mean() == pytest.approx(1, rel=1e-12)
    assert pattern.std() == pytest.approx(1, abs=0.04)
    for threshold in (0.5, 1.0, 2.0, 3.0):
        assert (pattern > threshold).mean() == pytest.approx(np.exp(-threshold), abs=0.02)


@pytest.mark.parametrize("correlation", [4.0, 9.0])
def test_speckle_correlation(correlation):
    """The autocovariance of the intensity is exp(-(d / l)^2), the square of the field's (Siegert's relation; Goodman, ch. 4)."""
    pattern = shapes.speckle(768, 768, correlation, np.random.default_rng(5)) - 1
    covariance = np.fft.ifft2(abs(np.fft.fft2(pattern)) ** 2).real
    for axis in (0, 1):
        line = np.take(covariance, 0, axis=axis) / covariance[0, 0]
        distance = np.arange(int(2 * correlation))
        assert line[: len(distance)] == pytest.approx(np.exp(-((distance / correlation) ** 2)), abs=0.05)


def test_speckle_is_that_of_its_generator():
    one, same, other = (shapes.speckle(16, 16, 3.0, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    assert not np.allclose(one, other)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: shapes.speckle(0, 4, 1.0, np.random.default_rng(0)),
            "speckle: found 0 x 4 cells, correlation 1; allowed: positive numbers",
        ),
        (lambda: shapes.speckle(4, 4, 0.0, np.random.default_rng(0)), "speckle: found 4 x 4 cells, correlation 0; allowed"),
        (lambda: shapes.sampled(X, Y, np.array([[-1.0]]), 1.0, 1.0), r"values: found shape \(1, 1\); allowed: rows and columns of finite"),
    ],
)
def test_wrong_numbers(call, message):
    with pytest.raises(InputError, match="^" + message):
        call()
