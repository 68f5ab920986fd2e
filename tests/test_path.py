"""The light path against closed forms of diffraction theory, and its orientation and signs.

The sums over pixels are written out here, so that nothing of the project's own transforms is used.
"""

from __future__ import annotations

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st

from holo.bench import parse_bench
from holo.field.path import light_path


def field(path, x_um=0.0, y_um=0.0, z_um=0.0, phase=0.0):
    """V at one point over the field of an unsplit perfect focus: the sum of the conventions, as it stands."""
    tilt = path.scale * (path.x_um[None, :] * x_um + path.y_um[:, None] * y_um)
    return (path.amplitude * np.exp(1j * (phase + path.aberration - tilt - path.defocus * z_um))).sum() / path.amplitude_sum


@pytest.fixture(scope="module")
def wide_path(small_bench_text):
    """Function that makes the light path of a uniformly lit pupil of 250 pixels radius at NA 0.6."""

    def make(**changes):
        bright = {"light__beam_diameter_mm": 1000.0, "panel__columns": 520, "panel__rows": 510, "optics__relay_magnification": 0.96}
        return light_path(parse_bench(small_bench_text(**bright | changes), "bench.toml"))

    return make


def test_pixels_amplitude_and_pupil(small_bench):
    path = light_path(small_bench())
    assert path.amplitude.shape == path.aberration.shape == path.defocus.shape == path.pupil.shape == (80, 96)
    assert path.x_um == pytest.approx((np.arange(96) - 47.5) * 10)
    assert path.y_um == pytest.approx((np.arange(80) - 39.5) * 10)
    radius = np.hypot(path.x_um[None], path.y_um[:, None])
    assert (path.pupil == (radius <= 400)).all()
    assert path.amplitude == pytest.approx(np.where(radius <= 400, np.exp(-((radius / 360) ** 2)), 0), abs=1e-15)
    assert path.amplitude_sum == pytest.approx(path.amplitude.sum(), rel=1e-15)
    assert path.scale == pytest.approx(2 * np.pi / (0.7 * 4000 / 6), rel=1e-14)
    assert path.side_um == pytest.approx(10 * np.sqrt(0.93), rel=1e-14)
    assert not path.aberration.any()
    assert abs(path.defocus[path.pupil].mean()) < 1e-14
    assert not path.defocus[~path.pupil].any()


def test_beam_centre_is_x_right_y_down(small_bench):
    path = light_path(small_bench(light__beam_centre_mm=[0.205, -0.105]))
    assert np.unravel_index(path.amplitude.argmax(), path.amplitude.shape) == (29, 68)


def test_measured_beam(small_bench, tmp_path):
    beam = np.random.default_rng(0).integers(0, 4096, (80, 96)).astype(np.uint16)
    tifffile.imwrite(tmp_path / "beam.tiff", beam)
    path = light_path(small_bench(light__beam_diameter_mm=None, light__beam_tiff="beam.tiff"))
    assert path.amplitude[path.pupil] ** 2 == pytest.approx(beam[path.pupil])
    assert not path.amplitude[~path.pupil].any()
    assert path.pupil_share == pytest.approx(beam[path.pupil].sum() / beam.sum())


# Strehl ratio of one aberration on the axis: closed forms for defocus, sinc^2(sqrt3 s), and tilt, [2 J1(2 s)/(2 s)]^2, s in rad rms;
# the others by independent integration over a continuous pupil. rms in waves: defocus, tilt, astigmatism, coma, spherical, trefoil.
STREHL = {
    0.05: (0.90512, 0.90527, 0.90580, 0.90566, 0.90539, 0.90635),
    1 / 14: (0.81413, 0.81471, 0.81676, 0.81620, 0.81520, 0.81886),
    0.10: (0.66255, 0.66451, 0.67132, 0.66942, 0.66639, 0.67824),
    0.15: (0.37384, 0.38064, 0.40428, 0.39721, 0.38996, 0.42806),
}


@pytest.mark.parametrize("rms", STREHL)
@pytest.mark.parametrize(("place", "terms"), list(enumerate([(4,), (2, 3), (5, 6), (7, 8), (11,), (9, 10)])))
def test_strehl_ratio_of_one_aberration(wide_path, rms, place, terms):
    """Edge pixels leave 1e-4; the sine and the cosine term of an aberration have the same ratio. (Spherical aberration is Noll 11.)"""
    for j in terms:
        path = wide_path(optics__aberration={str(j): rms})
        assert abs(field(path)) ** 2 == pytest.approx(STREHL[rms][place], abs=3e-4)
        rms_rad = np.sqrt((path.aberration[path.pupil] ** 2).mean())
        assert rms_rad == pytest.approx(2 * np.pi * rms, rel=2e-3)


@pytest.mark.parametrize("terms", [{"4": 0.07, "5": -0.03, "11": 0.05}])
def test_aberrations_add(wide_path, terms):
    together = wide_path(optics__aberration=terms).aberration
    alone = [wide_path(optics__aberration={j: waves}).aberration for j, waves in terms.items()]
    assert together == pytest.approx(sum(alone), abs=1e-12)


def test_tilt_terms_move_the_focus_by_the_book(wide_path):
    """Noll 2 and 3 at a waves rms are a tilt of 4 a waves over the pupil: a shift by +2 a lambda / NA along x, y."""
    path = wide_path(optics__aberration={"2": 0.75, "3": -0.5})
    shift = 2 * 0.7 / 0.6
    assert abs(field(path, 0.75 * shift, -0.5 * shift)) == pytest.approx(1, abs=1e-3)
    assert abs(field(path, -0.75 * shift, -0.5 * shift)) < 0.1
    assert abs(field(path, 0.75 * shift, 0.5 * shift)) < 0.1


@given(st.floats(-20, 20), st.floats(-20, 20))
def test_tilted_mask_sends_all_light_to_plus_x(x_um, y_um):
    path = _small_path()
    ramp = 2 * np.pi * (path.x_um[None] * x_um + path.y_um[:, None] * y_um) / (0.7 * 4000 / 6)
    assert abs(field(path, x_um, y_um, phase=ramp) - 1) < 1e-9


def _small_path():
    text = """
    name = "small"
    light = {wavelength_nm = 700, power_mw = 1, beam_diameter_mm = 0.7}
    panel = {columns = 96, rows = 80, pitch_um = 10, levels = 256, level_for_2pi = 256}
    optics = {focal_length_mm = 4, numerical_aperture = 0.6, relay_magnification = 6}
    lattice = {vectors_um = [[3, 0], [0, 3]]}
    """
    return light_path(parse_bench(text, "bench.toml"))


def test_airy_pattern_of_a_uniform_pupil(wide_path):
    """Born & Wolf, Principles of Optics, 7th ed., sec. 8.5.2 and Table 8.2: dark rings and secondary maxima, in lambda/NA."""
    path = wide_path()
    unit = 0.7 / 0.6
    for ring in (1.219670, 2.233131, 3.238315, 4.241063):
        assert abs(field(path, x_um=ring * unit / 2)) ** 2 < 2e-6
        assert abs(field(path, y_um=-ring * unit / 2)) ** 2 < 2e-6
    for place, height in ((1.634719, 0.0174979), (2.679292, 0.0041580), (3.698710, 0.0016006)):
        angle = 0.7
        x, y = place * unit / 2 * np.cos(angle), place * unit / 2 * np.sin(angle)
        assert abs(field(path, x, y)) ** 2 == pytest.approx(height, rel=0.01)


@pytest.mark.parametrize(
    ("ratio", "transmission", "gain"),
    [(0.5, 0.99966, 0.48185), (0.8921, 0.91896, 0.81453), (1.0, 0.86466, 0.79915), (1.5, 0.58889, 0.57938), (2.0, 0.39347, 0.39143)],
)
def test_truncated_gaussian(wide_path, ratio, transmission, gain):
    """Beam radius over pupil radius ``T``: transmission 1 - exp(-2/T^2), on-axis gain over a uniform fill 2 T^2 (1 - exp(-1/T^2))^2."""
    path = wide_path(light__beam_diameter_mm=5.0 * ratio)
    beam_pixels = np.pi * (250 * ratio) ** 2 / 2  # sum of exp(-2 r^2/w^2) over an endless panel
    assert (path.amplitude**2).sum() / beam_pixels == pytest.approx(transmission, abs=1e-3)
    assert path.amplitude_sum**2 / (beam_pixels * np.pi * 250**2) == pytest.approx(gain, abs=1e-3)
    if ratio < 0.6:
        assert path.pupil_share == pytest.approx(transmission, abs=1e-4)


@pytest.mark.parametrize("index", [1.0, 1.33])
def test_defocus_obeys_the_sine_condition(wide_path, index):
    """On the axis of a uniformly lit pupil the field is the integral of c exp(-i k n Z c) over c = cos(angle), which has a closed form."""
    path = wide_path(optics__medium_index=index)
    wave = 2 * np.pi * index / 0.7
    low = np.sqrt(1 - (0.6 / index) ** 2)
    for z in (-3.0, 0.4, 1.0, 2.0, 5.0):
        a = -1j * wave * z
        integral = (np.exp(a) * (a - 1) - np.exp(a * low) * (a * low - 1)) / a**2
        assert abs(field(path, z_um=z)) == pytest.approx(abs(integral) / ((1 - low**2) / 2), abs=2e-3)


def test_low_aperture_depth_of_focus(wide_path):
    """Paraxial axis intensity sinc^2(NA^2 Z / (2 n lambda)) (Born & Wolf, sec. 8.8.2): 0.8106 at half the depth of focus, 0 at 2."""
    path = wide_path(optics__numerical_aperture=0.05, optics__relay_magnification=0.08)
    depth = 0.7 / 0.05**2
    assert abs(field(path, z_um=depth / 2)) ** 2 == pytest.approx(0.8106, abs=1e-3)
    assert abs(field(path, z_um=2 * depth)) ** 2 < 1e-5


def test_defocus_mask_refocuses_to_plus_z(wide_path):
    """The defocus phase is higher at the centre (k n cos of the ray's angle), and as a mask it brings the focus to +Z."""
    path = wide_path()
    assert path.defocus[255, 260] > path.defocus[255, 20]
    assert abs(field(path, z_um=3.0, phase=3.0 * path.defocus) - 1) < 1e-9
    assert abs(field(path, z_um=-3.0, phase=3.0 * path.defocus)) < 0.2


@pytest.mark.parametrize(
    ("cycles", "intensity"), [(0.05, 0.991802), (0.1, 0.967531), (0.125, 0.949641), (0.25, 0.810569), (1 / 3, 0.683918), (0.5, 0.405285)]
)
def test_envelope_of_full_pixels(wide_path, cycles, intensity):
    """sinc^2(u) per axis at u cycles per pixel, for a fill factor of 1 (transform of a square pixel; Goodman, Fourier Optics)."""
    path = wide_path(panel__fill_factor=1.0)
    edge = cycles * 0.7 * 4000 / 0.96 / 10
    points = np.array([[edge, 0, 0], [0, -edge, 4.0], [edge, edge, 0]])
    assert path.envelope(points) ** 2 == pytest.approx([intensity, intensity, intensity**2], abs=2e-6)


def test_envelope_of_smaller_active_area(wide_path):
    """The active side is the pitch times the root of the fill factor, so the envelope widens by that much."""
    points = np.array([[60.0, -35.0, 0.0]])
    full = wide_path(panel__fill_factor=1.0).envelope(points * 0.9)
    assert wide_path(panel__fill_factor=0.81).envelope(points) == pytest.approx(full, rel=1e-12)
