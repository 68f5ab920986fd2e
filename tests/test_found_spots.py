"""Spots in frames: places, error bars and flags, against truth by construction and published formulas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import KDTree
from simulated_frames import airy_spots, exposed, gaussian_spots

from holo.errors import InputError
from holo.frames import Frame, frame_of
from holo.spots import CROWDED, EDGE, SATURATED, find_spots, measure_spots


def grid(count, spacing, rng):
    """Places on a square grid, each at a sub-pixel place of its own."""
    i, j = np.meshgrid(np.arange(count), np.arange(count))
    return np.column_stack([i.ravel(), j.ravel()]) * spacing + spacing + rng.uniform(-0.5, 0.5, (count**2, 2))


def framed(mean, rng, electrons_per_count=None, **camera):
    frame = frame_of(exposed(mean, rng, **camera))
    return Frame(frame.signal, frame.usable, frame.saturated, frame.shots, electrons_per_count or frame.electrons_per_count, frame.rounding)


def pulls_of(spots, places):
    distance, which = KDTree(places).query(spots.xy_px)
    near = distance < 1
    return (spots.xy_px[near] - places[which[near]]) / spots.error_px[near], which[near]


@pytest.mark.parametrize("known", [1.0, None])
@pytest.mark.parametrize("width", [0.8, 1.5, 3.0])
def test_error_bars_are_those_of_the_scatter(width, known):
    """300 electrons at the peak; each of 100 spots in each of 3 frames found once, and nothing else."""
    rng = np.random.default_rng(7)
    pulls = []
    for _ in range(3):
        places = grid(10, 14 * width, rng)
        side = int(11 * 14 * width)
        mean = gaussian_spots(places, 300 * 2 * np.pi * width**2, (side, side), width)
        spots = find_spots(framed(mean, rng, known))
        assert len(spots) == 100
        assert spots.width_px == pytest.approx(width, rel=0.05)
        found, which = pulls_of(spots, places)
        assert len(set(which)) == 100
        pulls.append(found)
    assert np.std(pulls) == pytest.approx(1, abs=0.12)  # of 600 numbers: 4 standard errors
    assert abs(np.mean(pulls)) < 0.17


@pytest.mark.parametrize(("width", "photons", "background", "wanted_nm"), [(100, 1000, 2, 3.7288), (140, 300, 5, 18.878)])
def test_error_bars_of_maximum_likelihood(width, photons, background, wanted_nm):
    """Against K. I. Mortensen et al., Nat. Methods 7, 377 (2010), eq. 5 and 6, maximum likelihood, from memory: computed figures.

    `background` is the standard deviation of the background, nm a pixel 100 and 110 wide; it is Poisson noise of its square.
    """
    pixel = 100 if width == 100 else 110
    rng = np.random.default_rng(3)
    places = grid(8, 22, rng)
    mean = gaussian_spots(places, photons, (198, 198), width / pixel)
    frame = framed(mean, rng, 1.0, background=background**2, read_noise=0.0)
    error = measure_spots(frame, places, width / pixel).error_px
    # that formula knows the background and the brightness beforehand; the fit does not
    assert np.median(error) * pixel == pytest.approx(wanted_nm, rel=0.06)


def test_a_bright_spot_on_nothing_is_as_sure_as_its_centroid():
    """R. E. Thompson, D. R. Larson and W. W. Webb, Biophys. J. 82, 2775 (2002), eq. 17 without background: 3.2914 nm."""
    rng = np.random.default_rng(3)
    places = grid(8, 22, rng)
    frame = framed(gaussian_spots(places, 1000.0, (198, 198), 1.0), rng, 1.0, background=0.01, read_noise=0.05)
    spots = measure_spots(frame, places, 1.0)
    assert np.median(spots.error_px) * 100 == pytest.approx(3.2914, rel=0.05)
    assert np.std((spots.xy_px - places) * 100) == pytest.approx(3.2914, rel=0.25)  # 128 numbers: 4 standard errors


@pytest.mark.parametrize("fraction", [0.0, 0.1, 0.25, 0.4, 0.5])
def test_no_bias_at_any_place_within_a_pixel(fraction):
    places = np.array([[20 + fraction, 21 - fraction], [60 - fraction, 22 + fraction], [40.3, 60 + fraction]])
    mean = gaussian_spots(places, 1e6, (80, 80), 1.3)
    frame = Frame(np.asarray(mean, np.float32) + 10, np.ones(mean.shape, bool), np.zeros(mean.shape, bool), 1, 1.0)
    spots = find_spots(frame)
    assert KDTree(places).query(spots.xy_px)[0].max() < 2e-3


def test_airy_spots_have_honest_errors_too():
    rng = np.random.default_rng(5)
    places = grid(8, 60, rng)
    spots = find_spots(framed(airy_spots(places, 300.0, (540, 540), 4.77), rng))
    pulls, which = pulls_of(spots, places)
    assert len(set(which)) == 64
    assert np.std(pulls) == pytest.approx(1, abs=0.25)


@pytest.mark.parametrize("shape", [(16, 16), (300, 200)])
def test_noise_and_gradients_show_no_spots(shape):
    for seed in range(10):
        rng = np.random.default_rng(seed)
        assert len(find_spots(frame_of(exposed(np.zeros(shape), rng, background=20.0)))) == 0
    slope = np.add.outer(np.linspace(0, 300, shape[0]), np.linspace(100, 500, shape[1]))
    assert len(find_spots(frame_of(exposed(slope, np.random.default_rng(1))))) == 0


@pytest.mark.parametrize("level", [0.0, 100.0])
def test_constant_frames_have_no_spots(level):
    spots = find_spots(frame_of(np.full((40, 50), level)))
    assert len(spots) == 0
    assert np.isnan(spots.width_px)


def test_flags():
    rng = np.random.default_rng(2)
    places = np.array([[60.2, 60.7], [1.0, 100.0], [150.0, 60.0], [100.0, 140.0], [103.6, 140.0]])
    brightness = np.array([5000.0, 5000.0, 120_000.0, 5000.0, 5000.0])
    spots = find_spots(frame_of(exposed(gaussian_spots(places, brightness, (200, 200), 1.5), rng)), 1.5)
    distance, which = KDTree(spots.xy_px).query(places)
    assert distance.max() < 0.7
    flags = spots.flags[which]
    assert flags[0] == 0
    assert flags[1] & EDGE
    assert flags[2] & SATURATED
    assert flags[3] & CROWDED
    assert flags[4] & CROWDED
    assert not spots.good[which][1:].any()


def test_rings_of_a_saturated_spot_are_no_good_spots():
    rng = np.random.default_rng(2)
    places = np.array([[150.0, 150.0], [60.0, 60.0], [240.0, 70.0], [70.0, 240.0], [230.0, 235.0]])
    image = airy_spots(places, np.array([20_000.0, 300, 300, 300, 300]), (300, 300), 4.77)
    spots = find_spots(frame_of(exposed(image, rng)), 1.65)
    near = np.hypot(*(spots.xy_px - places[0]).T) < 45
    assert not spots.good[near].any()
    assert spots.good[~near].sum() == 4


def test_totals_of_given_places_are_those_of_the_light_even_where_there_is_none():
    rng = np.random.default_rng(4)
    places = grid(8, 22, rng)
    totals = np.linspace(0, 40_000, 64)
    frame = framed(gaussian_spots(places, totals, (198, 198), 1.6), rng, 1.0, bits=16)
    spots = measure_spots(frame, places, 1.6)
    pulls = (spots.total - totals) / spots.total_error
    assert abs(pulls[0]) < 4
    assert np.std(pulls) == pytest.approx(1, abs=0.35)
    # photon statistics: the error is at least the root of the electrons, the error of the background under the spot adds to it
    assert (spots.total_error > 0.98 * np.sqrt(totals)).all()
    assert spots.total_error[-1] < 1.3 * np.sqrt(totals[-1])


@pytest.mark.parametrize(("places", "message"), [([[500.0, 5.0]], r"found \(500, 5\)"), ([[np.nan, 5.0]], "found"), ([1.0, 2.0], "shape")])
def test_places_outside_the_frame(places, message):
    frame = frame_of(np.random.default_rng(0).poisson(5.0, (40, 50)))
    with pytest.raises(InputError, match=message):
        measure_spots(frame, np.array(places), 1.5)


@pytest.mark.parametrize("width", [0.1, 100.0, np.nan])
def test_widths_out_of_range(width):
    frame = frame_of(np.random.default_rng(0).poisson(5.0, (40, 50)))
    with pytest.raises(InputError, match="width_px"):
        find_spots(frame, width)
