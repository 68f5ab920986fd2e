"""The vector focus against the integrals of Richards and Wolf, worked out here by quadrature over Bessel functions."""

from __future__ import annotations

import numpy as np
import pytest
from microscope import APERTURE, SPACING_UM, WAVELENGTH_UM, microscope, microscope_text
from scipy.integrate import quad
from scipy.special import jv

from holo.bench import parse_bench
from holo.errors import InputError
from holo.field.path import light_path
from holo.field.sites import direct_fields
from holo.field.vector import focus_weights, transverse, vector_fields
from holo.mask import levels_of_phase
from holo.predict import displaced, predict, vectors
from holo.registration import Sites

A = SPACING_UM


@pytest.fixture(scope="module")
def bench():
    """With a beam so wide that it fills the pupil evenly."""
    return microscope(512, beam=60.0)


@pytest.fixture(scope="module")
def path(bench):
    return light_path(bench)


def seen(bench, path, places, polarisation, phase=None):
    phase = np.zeros(path.amplitude.shape) if phase is None else phase
    return (abs(vector_fields(bench, path, phase, np.array(places, float), polarisation)) ** 2).sum(axis=0)


def integrals(radius_um):
    """I_0, I_1 and I_2 of Richards and Wolf, Proc. R. Soc. A 253, 358 (1959), eq. 2.31 (number from memory), for uniform light."""
    k, rim = 2 * np.pi / WAVELENGTH_UM, np.arcsin(APERTURE)

    def one(order, factor):
        return quad(lambda t: np.sqrt(np.cos(t)) * np.sin(t) * factor(t) * jv(order, k * radius_um * np.sin(t)), 0, rim)[0]

    return one(0, lambda t: 1 + np.cos(t)), one(1, np.sin), one(2, lambda t: 1 - np.cos(t))


def richards_wolf(x, y):
    """Intensity of the focus of light polarised along x, over that in the middle."""
    azimuth = np.arctan2(y, x)
    (i0, i1, i2), (full, _, _) = integrals(np.hypot(x, y)), integrals(0)
    return (i0**2 + 4 * i1**2 * np.cos(azimuth) ** 2 + i2**2 + 2 * i0 * i2 * np.cos(2 * azimuth)) / full**2


@pytest.mark.parametrize("place", [(0, 0), (A, 0), (0, A), (A, A), (2 * A, 0), (0.3, -0.8), (-1.1, 0.4)])
def test_the_spot_is_that_of_richards_and_wolf(bench, path, place):
    assert seen(bench, path, [[*place, 0]], "x")[0] == pytest.approx(richards_wolf(*place), abs=1e-4)


@pytest.mark.parametrize(
    ("polarisation", "place", "light"),
    [
        ("x", (A, 0), 0.14468),
        ("x", (0, A), 0.05456),
        ("circular-xy", (A, 0), 0.09962),
        ("circular-yx", (0, A), 0.09962),
        ("45", (A, A), 0.01464),
        ("-45", (A, A), 0.00612),
        ("x", (A, A), 0.01038),
        ("scalar", (A, 0), 0.069094),
        ("scalar", (A, A), 0.002285),
        ("scalar", (2 * A, 0), 0.011849),
        ("scalar", (2 * A, A), 0.002630),
        ("scalar", (2 * A, 2 * A), 0.003899),
        ("scalar", (3 * A, 0), 0.003916),
    ],
)
def test_stray_light_of_a_single_spot(bench, path, polarisation, place, light):
    """Aplanatic lens, uniform light (Richards and Wolf 1959); Airy pattern (Born & Wolf, 7th ed., sec. 8.5.2); computed elsewhere."""
    assert seen(bench, path, [[*place, 0]], polarisation)[0] == pytest.approx(light, abs=1e-4)


def test_neighbours_interfere(bench, path):
    """Two scalar spots at the spacing of the lattice: intensity in the middle of one, in phase, opposed and in quadrature."""
    field = direct_fields(path, np.zeros(path.amplitude.shape), np.array([[0.0, 0, 0], [A, 0, 0]]))
    for turn, light in ((1, 1.59481), (-1, 0.54338), (1j, 1.06909)):
        assert abs(field[0] + turn * field[1]) ** 2 == pytest.approx(light, abs=2e-4)


def test_a_weak_lens_is_scalar():
    text = (
        microscope_text(64, beam=60.0)
        .replace("aperture = 0.68", "aperture = 0.0068")
        .replace("magnification = 6.8", "magnification = 0.068")
    )
    weak = parse_bench(text, "weak.toml")
    weak_path = light_path(weak)
    places = 100 * np.array([[A, 0, 0], [0, A, 0], [A, A, 0]])
    np.testing.assert_allclose(seen(weak, weak_path, places, "x"), seen(weak, weak_path, places, "scalar"), atol=1e-5)


def test_the_field_turns_with_the_polarisation(bench, path):
    """A quarter turn of the polarisation and of the place changes nothing, and y is x turned by 90 degrees."""
    places = np.array([[0.4, 0.1, 0.3], [-0.2, 0.7, -0.5]])
    turned = places[:, [1, 0, 2]] * [-1, 1, 1]
    np.testing.assert_allclose(seen(bench, path, places, "20"), seen(bench, path, turned, "110"), rtol=1e-9)
    np.testing.assert_allclose(seen(bench, path, places, "y"), seen(bench, path, places, "90"), rtol=1e-9)


def test_the_hand_of_circular_light_matters_where_the_mask_has_one(bench, path):
    """The component along the axis goes as exp(+-i phi) for circular light: a vortex exp(i phi) cancels one of them, and light is left."""
    azimuth = np.arctan2(path.y_um[:, None], path.x_um[None, :])
    middle = [[0.0, 0.0, 0.0]]
    one, other = (seen(bench, path, middle, hand, azimuth)[0] for hand in ("circular-xy", "circular-yx"))
    assert one < 1e-6 < 1e-2 < other


def test_weights_are_of_length_one_over_the_root_of_the_cosine(bench):
    weights = focus_weights(bench, "circular-xy")
    sine2 = (bench.panel.x_um[None, :] ** 2 + bench.panel.y_um[:, None] ** 2) / bench.pupil_radius_um**2 * APERTURE**2
    inside = sine2 <= APERTURE**2
    np.testing.assert_allclose((abs(weights) ** 2).sum(axis=0)[inside], 1 / np.sqrt(1 - sine2[inside]), rtol=1e-9)
    assert not weights[:, ~inside].any()


@pytest.mark.parametrize("wrong", ["z", "", "nan", "inf", "circular"])
def test_other_polarisations_are_refused(wrong):
    with pytest.raises(InputError, match=f"polarisation: found '{wrong}'; allowed: scalar, x, y, circular-xy"):
        transverse(wrong)


def test_a_prediction_has_the_vector_model_besides_the_scalar_one(bench, path):
    sites = Sites(np.zeros((3, 2)), np.array([[0.0, 0, 0], [A, 0, 0], [0, A, 0]]), np.array([1.0, 0, 0]))
    levels = levels_of_phase(np.zeros(path.amplitude.shape), bench.panel)
    plain, told = predict(bench, levels, sites), predict(bench, levels, sites, polarisation="x")
    assert plain.vector is None
    assert not any(name.startswith("vector") for name in plain.summary())
    assert told.summary() == {**plain.summary(), **{key: value for key, value in told.summary().items() if key.startswith("vector_")}}
    assert told.summary()["vector_crosstalk_max"] == pytest.approx(0.14468, abs=1e-4)
    assert told.summary()["crosstalk_max"] == pytest.approx(0.0691, abs=1e-4)
    assert [one.figures.crosstalk_max for one in vectors(bench, levels, sites)] == pytest.approx([0.14468, 0.14468, 0.09962], abs=1e-4)


def test_drift_is_the_worst_of_four_sides(bench, path):
    """Dark sites that lie on the slope of a single spot: the light there is that of a place nearer to it."""
    sites = Sites(np.zeros((2, 2)), np.array([[0.0, 0, 0], [A, 0, 0]]), np.array([1.0, 0]))
    levels = levels_of_phase(np.zeros(path.amplitude.shape), bench.panel)
    none, some = displaced(bench, levels, sites, (50.0,))
    nearer = direct_fields(path, np.zeros(path.amplitude.shape), np.array([[A - 0.05, 0, 0], [-0.05, 0, 0]]))
    assert (none.by_nm, some.by_nm, some.sites) == (0.0, 50.0, 2)
    assert none.crosstalk_max == pytest.approx(0.0691, abs=1e-4)
    assert some.crosstalk_max == pytest.approx(abs(nearer[0] / nearer[1]) ** 2, rel=1e-6)
