"""Spreads, normal equations and their solutions against dense linear algebra, general optimisers and full enumeration."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from fluorescence import airy_atoms
from scipy.optimize import lsq_linear, minimize
from simulated_frames import gaussian_spots

from holo.atom_light import Atoms, Field, bounded_twice, coupled
from holo.chances import draw_chances
from holo.deconvolution import bounded_light, linear_light, normal_equations, times
from holo.errors import InputError
from holo.spread import Spread, airy_spread, gaussian_spread, image_of, measure_spread, stamps_of


class TestSpread:
    @pytest.mark.parametrize("place", [(20.0, 20.0), (20.5, 19.7), (19.75, 20.4)])
    def test_a_gaussian_is_that_of_the_error_functions(self, place):
        drawn = image_of(stamps_of(gaussian_spread(1.3), np.array([place])), np.ones(1), (41, 41))
        truth = gaussian_spots(np.array([place]), 1.0, (41, 41), 1.3)
        assert np.abs(drawn - truth).max() < 2e-3 * truth.max()

    @pytest.mark.parametrize("place", [(30.0, 30.0), (30.3, 29.6)])
    def test_a_perfect_aperture_gives_airys_pattern(self, place):
        """Born and Wolf 8.5.2; within 2.2 dark rings there are 91 % of the light, which a spread calls all."""
        drawn = image_of(stamps_of(airy_spread(5.0, 8.0), np.array([place])), np.ones(1), (61, 61))
        truth = airy_atoms(np.array([place]), 1.0, (61, 61), 5.0, fine=5)
        scale = truth.max() / drawn.max()
        assert 0.9 < scale < 1
        assert np.abs(drawn * scale - truth).max() < 4e-3 * truth.max()

    @pytest.mark.parametrize("apart", [True, False])
    def test_a_spread_is_measured_between_the_pixels(self, apart):
        """Of a pattern wider one way than the other, from 60 atoms; also where these overlap."""
        rng = np.random.default_rng(1)
        if apart:
            xy = 25.0 * np.stack(np.meshgrid(np.arange(8), np.arange(8)), -1).reshape(-1, 2)[:60] + rng.uniform(10, 20, (60, 2))
        else:
            xy = rng.uniform(15, 85, (60, 2))
        side = int(xy.max()) + 20
        mean = airy_atoms(xy, 2000.0, (side, side), 3.0, 1.25)
        seen = (rng.poisson(mean + 2.0) - 2.0).astype(np.float32)
        found = measure_spread(seen, (1 / (mean + 2)).astype(np.float32), xy, np.full(60, 2000.0), gaussian_spread(1.1, 6.5))
        place = np.array([[20.3, 20.6]])
        truth = airy_atoms(place, 1.0, (41, 41), 3.0, 1.25)
        drawn = image_of(stamps_of(found, place), np.ones(1), (41, 41))
        scale = float((truth * drawn).sum() / (drawn**2).sum())
        assert np.abs(scale * drawn - truth).max() < (0.03 if apart else 0.05) * truth.max()
        plain = image_of(stamps_of(gaussian_spread(found.width_px), place), np.ones(1), (41, 41))
        assert np.abs(scale * drawn - truth).sum() < 0.5 * np.abs(plain - truth).sum()

    def test_what_is_no_spread_is_refused(self):
        with pytest.raises(InputError, match="odd side"):
            Spread(np.ones((4, 4)), 1.0, 1.0)
        with pytest.raises(InputError, match="step_px: found 0"):
            Spread(np.ones((5, 5)), 0.0, 1.0)


@pytest.fixture(scope="module")
def small():
    """A frame of 6 x 6 sites 2.6 px apart, spots of 1.6 px, with everything as dense matrices."""
    rng = np.random.default_rng(7)
    xy = 2.6 * np.stack(np.meshgrid(np.arange(6), np.arange(6)), -1).reshape(-1, 2) + [9.3, 9.6]
    spread = gaussian_spread(1.6)
    stamps = stamps_of(spread, xy)
    shape = (33, 32)
    design = np.stack([image_of(stamps, unit, shape).ravel() for unit in np.eye(36)], axis=1).astype(float)
    filled = rng.random(36) < 0.5
    mean = (design @ (300.0 * filled)).reshape(shape)
    signal = (rng.poisson(mean + 3.0) - 3.0).astype(np.float32)
    usable = rng.random(shape) > 0.03
    weights = np.where(usable, 1 / (mean + 3), 0).astype(np.float32)
    normal = normal_equations(np.where(usable, signal, 0).astype(np.float32), weights, stamps, xy, 30.0, np.ones((1, *shape), np.float32))
    return xy, spread, stamps, design, filled, signal, usable, weights, normal


def test_normal_equations_are_those_of_the_design_matrix(small):
    _, _, _, design, _, signal, _, weights, normal = small
    w = weights.ravel().astype(float)
    matrix = design.T @ (design * w[:, None])
    assert np.array([times(normal, unit) for unit in np.eye(36)]) == pytest.approx(matrix, rel=1e-4, abs=1e-6 * matrix.max())
    assert normal.pull == pytest.approx(design.T @ (w * signal.ravel()), rel=1e-4, abs=1e-3)
    assert normal.shapes[:, 0] == pytest.approx(design.T @ w, rel=1e-4)
    assert normal.own[0, 0] == pytest.approx(w.sum(), rel=1e-5)


def test_linear_light_is_the_best_linear_estimate(small):
    """Against the normal equations of light and background together, with the prior, solved densely."""
    *_, design, _, signal, _, weights, normal = small
    w, full = weights.ravel().astype(float), np.column_stack([design, np.ones(len(design))])
    prior = np.diag([1 / 120.0**2] * 36 + [0.0])
    right = full.T @ (w * signal.ravel()) + np.array([150 / 120.0**2] * 36 + [0.0])
    expected = np.linalg.solve(full.T @ (full * w[:, None]) + prior, right)[:36]
    found = linear_light(normal, np.full(36, 150.0), np.full(36, 120.0**2))
    assert found == pytest.approx(expected, abs=0.01 * 300)


def test_bounded_light_is_that_of_a_general_solver(small):
    *_, design, _, signal, _, weights, normal = small
    root = np.sqrt(weights.ravel().astype(float))
    full = np.column_stack([design, np.ones(len(design))]) * root[:, None]
    bounds = [0.0] * 36 + [-np.inf], [350.0] * 36 + [np.inf]
    expected = lsq_linear(full, root * signal.ravel(), bounds, tol=1e-12).x[:36]
    found = bounded_light(normal, np.full(36, 150.0), 350.0, sweeps=3000)
    assert found == pytest.approx(expected, abs=3.0)
    assert found.min() >= 0
    assert found.max() <= 350


def test_bounded_light_is_that_of_the_poisson_likelihood(small):
    """Against a general optimiser of the likelihood itself, with the same background."""
    xy, spread, stamps, design, filled, signal, usable, _, _ = small
    field = Field(np.where(usable, signal, 0).astype(np.float32), usable, np.full(signal.shape, 3.0, np.float32), 1.0, xy, (0, 0))
    found, normal = bounded_twice(field, spread, stamps, coupled(field, spread, stamps), np.full(36, 150.0), Atoms(300.0, 30.0, 0.5))
    keep = usable.ravel()
    full, counts = np.column_stack([design, np.ones(len(design))])[keep], signal.ravel()[keep] + 3.0

    def badness(light):
        model = np.maximum(full @ light + 3.0, 1e-6)
        return (model - counts * np.log(model)).sum(), full.T @ (1 - counts / model)

    best = minimize(badness, np.r_[found, 0.0], jac=True, bounds=[(0, 390)] * 36 + [(-2, 5)], method="L-BFGS-B", options={"maxiter": 3000})
    background = float((normal.flat - normal.shapes.T @ found)[0] / normal.own[0, 0])
    assert badness(np.r_[found, background])[0] < best.fun + 1.0
    assert np.corrcoef(found, best.x[:36])[0, 1] > 0.98
    assert ((found > 150) == filled).mean() > 0.9


def test_chances_are_those_of_all_fillings():
    """Nine overlapping sites: the share of draws against the sum over all 512 fillings, the light of the atoms integrated over."""
    rng = np.random.default_rng(3)
    xy = 2.0 * np.stack(np.meshgrid(np.arange(3), np.arange(3)), -1).reshape(-1, 2) + 8.0
    stamps, shape = stamps_of(gaussian_spread(1.6), xy), (21, 21)
    design = np.stack([image_of(stamps, unit, shape).ravel() for unit in np.eye(9)], axis=1).astype(float)
    truth = np.array([1, 0, 0, 1, 1, 0, 0, 1, 0])
    noise = 3.0
    signal = design @ (100.0 * truth) + rng.normal(0, noise, len(design))
    weights = np.full(shape, 1 / noise**2, np.float32)
    none = np.zeros((0, *shape), np.float32)
    normal = normal_equations(signal.reshape(shape).astype(np.float32), weights, stamps, xy, 30.0, none)
    mean, spread, share = 100.0, 15.0, 0.5
    odds = []
    for on in product([0, 1], repeat=9):
        part = design[:, np.array(on, bool)]
        matrix = part.T @ part / noise**2 + np.eye(part.shape[1]) / spread**2
        right = part.T @ signal / noise**2 + mean / spread**2
        value = 0.5 * right @ np.linalg.solve(matrix, right) - 0.5 * np.linalg.slogdet(matrix)[1]
        odds.append(value - sum(on) * (0.5 * mean**2 / spread**2 + np.log(spread)))
    chance = np.exp(np.array(odds) - max(odds))
    expected = (chance[:, None] * list(product([0, 1], repeat=9))).sum(axis=0) / chance.sum()
    assert ((expected > 0.03) & (expected < 0.97)).sum() >= 4  # else there would be nothing to be seen
    found = draw_chances(normal, xy, np.zeros(9), np.full(9, 0.5), (mean, spread, share), np.random.default_rng(1), rounds=60, learn=False)
    assert found.probability == pytest.approx(expected, abs=0.03)
    again = draw_chances(normal, xy, np.zeros(9), np.full(9, 0.5), (mean, spread, share), np.random.default_rng(1), rounds=60, learn=False)
    assert (again.probability == found.probability).all()
