from __future__ import annotations

import numpy as np
import pytest
from simulated_frames import affine, exposed, gaussian_spots

from holo.affine import Affine
from holo.arrangement import block
from holo.compare import compare
from holo.design import DesignOptions, design
from holo.errors import CalibrationError
from holo.frames import frame_of

WIDTH_UM = 0.328  # 0.21 wavelength / numerical aperture


@pytest.fixture(scope="module")
def made(demo_bench):
    return design(demo_bench, block(6, 5), options=DesignOptions(effort="quick")).prediction


@pytest.fixture
def view():
    matrix, _ = affine(np.random.default_rng(0), degrees=37, mirror=True)
    return Affine(matrix, np.array([300.0, 250.0]) - matrix @ [72.5, 50.0])


def frame(made, view, factors, *, shift=(0.0, 0.0), electrons=20_000.0, **camera):
    seen = view.apply(made.sites.xyz_um[:, :2]) + shift
    return frame_of(exposed(gaussian_spots(seen, electrons * factors, (500, 600), 1.7), np.random.default_rng(3), **camera))


@pytest.mark.parametrize("spread", [0.0, 0.05, 0.2])
def test_spread_and_errors_are_those_of_the_light(made, view, spread):
    factors = 1 + spread * np.random.default_rng(1).standard_normal(30)
    found = compare(frame(made, view, factors), made, view, WIDTH_UM)
    assert len(found.measured) == 30
    assert found.spread == pytest.approx((factors / factors.mean()).std(), abs=0.006)
    pulls = (found.measured - factors / factors.mean()) / found.error
    assert 0.6 < pulls.std() < 1.4
    assert found.noise == pytest.approx(0.0075, rel=0.25)  # 1 / sqrt(20,000) and the background under the spot
    assert found.predicted == pytest.approx(1, abs=0.05)


def test_a_shift_of_the_light_is_told_with_its_sign(made, view):
    found = compare(frame(made, view, np.ones(30), shift=(0.6, -0.4)), made, view, WIDTH_UM)
    assert found.summary()["measured_shift_px"] == pytest.approx([0.6, -0.4], abs=0.01)


def test_sites_out_of_view_and_saturated_ones_are_left_out_and_counted(made, view):
    factors = np.ones(30)
    factors[[3, 7]] = 60
    found = compare(frame(made, view, factors), made, view, WIDTH_UM)
    assert found.saturated == 2
    assert len(found.measured) == 28
    aside = Affine(view.matrix, view.offset - [250, 0])
    found = compare(frame(made, aside, np.ones(30)), made, aside, WIDTH_UM)
    assert found.outside > 0
    assert found.outside + len(found.measured) == 30


def test_frames_that_show_nothing(made, view):
    with pytest.raises(CalibrationError, match="found light on none of 30 bright sites"):
        compare(frame(made, view, np.zeros(30)), made, view, WIDTH_UM)
    with pytest.raises(CalibrationError, match="found light on none of 30 bright sites"):
        compare(frame(made, view, np.ones(30)), made, Affine(view.matrix, view.offset - 10_000), WIDTH_UM)
