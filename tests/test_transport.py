"""The transport against closed forms: Gaussian to flat top, Gaussian to Gaussian, and products of one-dimensional maps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import erf

from holo.retrieve import transport
from holo.retrieve.transport import blurred_transport, rising_map, transport_phase

X = np.linspace(-5000.0, 5000.0, 401)
BEAM = np.exp(-2 * (X / 2000.0) ** 2)


def slopes(phase, axis):
    """Slope of a phase in the middle of the panel's other axis, over the scale of these tests."""
    line = phase[phase.shape[0] // 2] if axis == 1 else phase[:, phase.shape[1] // 2]
    return np.gradient(line, X) / 1e-3


def test_a_gaussian_beam_onto_a_flat_line():
    """X = L/2 erf(sqrt(2) x / w), w the 1/e^2 radius (Romero and Dickey, J. Opt. Soc. Am. A 13, 751 (1996); from memory)."""
    to = (np.arange(1000) + 0.5) / 1000 * 60 - 30
    found = rising_map(BEAM, to, np.ones(1000))
    assert found == pytest.approx(30 * erf(np.sqrt(2) * X / 2000), abs=2e-2)


def test_a_gaussian_beam_onto_a_box_in_the_plane():
    """The same along both axes, from the phase itself: its slope over the scale is where the light goes."""
    to = (np.arange(200) + 0.5) / 200
    phase = transport_phase(X, X, np.outer(BEAM, BEAM), to * 60 + 10, to * 20 - 40, np.ones((200, 200)), 1e-3)
    lit = abs(X) < 3500
    assert slopes(phase, 1)[lit] == pytest.approx(40 + 30 * erf(np.sqrt(2) * X[lit] / 2000), abs=0.15)
    assert slopes(phase, 0)[lit] == pytest.approx(-30 + 10 * erf(np.sqrt(2) * X[lit] / 2000), abs=0.05)


def test_the_blurred_transport_finds_the_same_map(monkeypatch):
    """Without the way for products; the blur rounds off the ends of the box by less than a tenth of its width."""
    monkeypatch.setattr(transport, "PRODUCT", -1.0)
    to = (np.arange(128) + 0.5) / 128 * 60 - 30
    phase = transport_phase(X, X, np.outer(BEAM, BEAM), to, to, np.ones((128, 128)), 1e-3)
    lit = abs(X) < 2000
    assert slopes(phase, 1)[lit] == pytest.approx(30 * erf(np.sqrt(2) * X[lit] / 2000), abs=2.0)
    inner = abs(X) < 800
    assert slopes(phase, 1)[inner] == pytest.approx(30 * erf(np.sqrt(2) * X[inner] / 2000), abs=0.6)


@pytest.mark.parametrize("product", [0.1, -1.0])
def test_a_gaussian_onto_a_wider_gaussian_is_a_quadratic_phase(monkeypatch, product):
    monkeypatch.setattr(transport, "PRODUCT", product)
    to = np.linspace(-60, 60, 161)
    target = np.exp(-2 * (to / 24) ** 2)
    phase = transport_phase(X, X, np.outer(BEAM, BEAM), to, to, np.outer(target, target), 1e-3)
    lit = abs(X) < 2500
    assert slopes(phase, 1)[lit] == pytest.approx(24 / 2000 * X[lit], abs=0.4)


def test_light_arrives_with_the_wanted_density():
    """A ring, which no product makes: light counted where the slopes send it."""
    to = np.linspace(-40, 40, 121)
    radius = np.hypot(to[None, :], to[:, None])
    ring = ((radius > 15) & (radius < 30)).astype(float)
    phase = transport_phase(X, X, np.outer(BEAM, BEAM), to, to, ring, 1e-3)
    down, across = np.gradient(phase, X, X)
    arrived = np.hypot(down, across) / 1e-3
    power = np.outer(BEAM, BEAM)
    share = power / power.sum()
    assert share[(arrived > 13) & (arrived < 32)].sum() > 0.93
    for edge in (18, 22, 26):  # power within a radius: that of the ring's area
        assert share[arrived < edge].sum() == pytest.approx((edge**2 - 15**2) / (30**2 - 15**2), abs=0.05)


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 10**6))
def test_the_potential_is_convex(seed):
    """Whatever the target: sums of exponentials of linear functions have convex logarithms."""
    rng = np.random.default_rng(seed)
    x = np.linspace(-2, 2, 16)
    beam = np.exp(-(x[None, :] ** 2) - x[:, None] ** 2)
    found = blurred_transport(x, x, beam, x, x, (rng.random((16, 16)) > 0.7) + 1e-12)
    assert np.diff(found, 2, axis=0).min() > -1e-9
    assert np.diff(found, 2, axis=1).min() > -1e-9


def test_places_that_get_no_light_are_skipped():
    found = rising_map(np.ones(10), np.arange(10.0), np.array([1, 1, 0, 0, 0, 0, 0, 0, 1, 1.0]))
    assert found[4] < 1.6
    assert found[5] > 7.4
