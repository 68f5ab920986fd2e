"""The pictures of calibrations: what they show is where it should be, the right way round, with the right figures."""

from __future__ import annotations

import io
from dataclasses import fields
from types import SimpleNamespace

import numpy as np
import pytest
import simulated_frames
from matplotlib.collections import EllipseCollection, LineCollection
from matplotlib.quiver import Quiver, QuiverKey
from PIL import Image

from holo.affine import Affine, fit_affine
from holo.bench import demo_bench_text, parse_bench
from holo.errors import InputError
from holo.frames import frame_of
from holo.register import Registered
from holo.report import calibration
from holo.report.calibration import comparison_picture, registration_picture, survey_picture
from holo.survey import Survey

BENCH = parse_bench(demo_bench_text(), "bench.toml")
SHAPE = (900, 1200)


def registered(count, rejected=0, missing=0, sigma=0.03, seed=0):
    """A registration of `count` spots whose errors are what they are said to be; those rejected lie about 3 px off."""
    rng = np.random.default_rng(seed)
    camera = Affine(*simulated_frames.affine(rng, mirror=True))
    places = rng.uniform([40, 40], [SHAPE[1] - 40, SHAPE[0] - 40], (count + rejected + missing, 2))
    plane = camera.inverse().apply(places)
    found = count + rejected
    error = np.repeat(sigma * rng.uniform(0.7, 1.5, (found, 1)), 2, axis=1)
    seen = places[:found] + error * rng.normal(size=(found, 2))
    seen[count:] += rng.normal(0, 3, (rejected, 2))
    fit = fit_affine(plane[:count], seen[:count], error[:count, 0])
    return SimpleNamespace(
        registration=SimpleNamespace(plane_to_camera=fit.affine),
        plane_um=plane[:found],
        camera_px=seen,
        error_px=error,
        rejected=np.arange(found) >= count,
        missing_um=plane[found:],
        frame=SimpleNamespace(signal=np.zeros(SHAPE, np.float32)),
        fit=fit,
    )


def surveyed(spacing, shape, filling, sigma=1.0, seed=0, middle=None):
    """A frame of atoms on a turned lattice with three spots between its sites, where the atoms and spots are, and a survey of it."""
    rng = np.random.default_rng(seed)
    turn = np.radians(12)
    camera = Affine(spacing * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]), [shape[1] / 2, shape[0] / 2])
    reach = int(max(shape) / spacing) + 2
    ij = np.stack(np.meshgrid(np.arange(-reach, reach), np.arange(-reach, reach)), axis=-1).reshape(-1, 2)
    middle = camera.offset if middle is None else np.array(middle)
    ij = ij[(np.hypot(*(camera.apply(ij) - middle).T) < 0.42 * min(shape)) & (rng.random(len(ij)) < filling)]
    spurious = camera.apply(np.round(camera.inverse().apply([middle]) + [[-7.0, 0.0], [8.0, 3.0], [0.0, -9.0]]) + 0.5)
    light = simulated_frames.gaussian_spots(np.concatenate([camera.apply(ij), spurious]), 600, shape, sigma)
    frame = frame_of(simulated_frames.exposed(light, rng))
    seen = camera.apply(ij) + rng.normal(0, 0.06, ij.shape)
    fit = fit_affine(ij, seen, 0.06)
    return frame, SimpleNamespace(
        lattice_to_camera=fit.affine,
        misfit=SimpleNamespace(points=len(ij), rms=fit.rms, largest=fit.largest),
        ij=ij,
        spots=SimpleNamespace(xy_px=seen, width_px=sigma),
        frame=np.zeros(len(ij), int),
        drift_px=np.zeros((1, 2)),
        rejected_px=spurious,
        residuals=fit.residuals,
        filling=filling,
    )


def compared(count, spread, noise, seed=0):
    """Counts on sites of equal targets that differ by a spread from the light predicted, with a noise; both over the mean."""
    rng = np.random.default_rng(seed)
    predicted = 0.01 * (1 + rng.normal(0, 0.001, count))
    error = np.full(count, noise * 2e3)
    return 2e5 * predicted * (1 + rng.normal(0, spread, count)) + rng.normal(0, error), error, predicted


@pytest.fixture
def as_figures(monkeypatch):
    """Let the pictures be figures, to see what is drawn."""
    monkeypatch.setattr(calibration, "png", lambda figure: figure)


def marks(axes, label):
    """Points of the marks whose legend begins with a number and a word."""
    (line,) = [line for line in axes.lines if str(line.get_label()).endswith(label)]
    return line.get_xydata()


def drawn(axes, kind):
    return [artist for artist in axes.get_children() if type(artist) is kind]


def test_the_stand_ins_are_like_the_records():
    _, survey = surveyed(5.0, (100, 100), 0.5)
    assert set(vars(survey)) < {field.name for field in fields(Survey)}
    assert set(vars(registered(3))) - {"fit"} < {field.name for field in fields(Registered)}


@pytest.mark.parametrize(("used", "rejected", "missing"), [(3, 0, 0), (4, 1, 0), (225, 6, 9), (2000, 40, 25)])
def test_a_registration_becomes_a_picture(used, rejected, missing):
    check_png(registration_picture(registered(used, rejected, missing), BENCH))


@pytest.mark.parametrize(("spacing", "shape", "filling"), [(2.0, (128, 128), 0.5), (4.2, (300, 400), 0.55), (40.0, (150, 150), 1.0)])
def test_a_survey_becomes_a_picture(spacing, shape, filling):
    check_png(survey_picture(*surveyed(spacing, shape, filling)))


@pytest.mark.parametrize("count", [1, 3, 225, 2000])
def test_a_comparison_becomes_a_picture(count):
    check_png(comparison_picture(*compared(count, 0.05, 0.02)))


def check_png(content):
    picture = Image.open(io.BytesIO(content))
    assert picture.format == "PNG"
    assert 1200 < picture.width < 1700
    assert 600 < picture.height < 1100
    assert len(content) < 500_000
    assert picture.convert("L").getextrema() == (0, 255)


# ---------------------------------------------------------------------------------------------------------------------
# registering


def test_arrows_go_from_where_the_map_puts_a_spot_to_where_it_was_found(as_figures):
    """The map is exact; one spot lies 0.3 px to the right, one 0.1 px further down, one is left out 40 px up, one not found."""
    plane = np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 80.0], [60.0, 60.0], [50.0, 20.0]])
    camera = Affine([[5, 0], [0, 5]], [300, 200])
    found = camera.apply(plane[:4]) + [[0.3, 0], [0, 0.1], [0, 0], [0, -40]]
    given = SimpleNamespace(
        registration=SimpleNamespace(plane_to_camera=camera),
        plane_um=plane[:4],
        camera_px=found,
        error_px=np.full((4, 2), 0.1),
        rejected=np.array([False, False, False, True]),
        missing_um=plane[4:],
        frame=SimpleNamespace(signal=np.zeros(SHAPE)),
    )
    axes = registration_picture(given, BENCH).axes[0]
    assert axes.get_xlim() == (-0.5, 1199.5)
    assert axes.get_ylim() == (899.5, -0.5)
    off, used = drawn(axes, Quiver)
    times = used.U[0] / 0.3
    np.testing.assert_allclose(used.XY, camera.apply(plane[:3]))
    np.testing.assert_allclose([used.U, used.V], np.array([[0.3, 0, 0], [0, 0.1, 0]]) * times, atol=1e-9 * times)
    assert (off.U[0], off.V[0] < 0) == (0, True)
    assert -off.V[0] < 0.15 * 1200 < 40 * times  # cut, or it would leave the picture
    np.testing.assert_allclose(marks(axes, "used"), camera.apply(plane[:3]))
    np.testing.assert_allclose(marks(axes, "rejected (arrow cut)"), [[600, 500]])
    np.testing.assert_allclose(marks(axes, "missing"), [[550, 300]])
    (key,) = drawn(axes, QuiverKey)
    length, _, rest = key.text.get_text().partition(" px (arrows are magnified ")
    assert float(length) * times == pytest.approx(key.U)
    assert float(rest.removesuffix(" times)")) == pytest.approx(times, rel=0.05)


@pytest.mark.parametrize("count", [4, 225, 2000])
def test_the_figures_of_a_registration(as_figures, count):
    """The rms in the title is that of the fit, and errors that are right show as such: pulls of sqrt(1 - 3 / n) to 4 / sqrt(4 n)."""
    given = registered(count, rejected=5)
    figure = registration_picture(given, BENCH)
    assert f"{count} spots on one map, rms residual {given.fit.rms:.2g} px" in figure.get_suptitle()
    pulls = figure.axes[1]
    assert sum(bar.get_height() for bar in pulls.patches) == 2 * count
    words = pulls.get_xlabel().split()
    assert float(words[words.index("deviation") + 1]) == pytest.approx(np.sqrt(1 - 3 / count), abs=max(2 / np.sqrt(count), 0.01))
    assert f"({np.sqrt(1 - 3 / count):.2f} if the errors are right)" in pulls.get_xlabel()
    x, expected = pulls.lines[0].get_data()
    width = pulls.patches[0].get_width()
    assert np.trapezoid(expected, x) / width == pytest.approx(2 * count, rel=1e-3)


def test_errors_that_are_too_small_are_seen(as_figures):
    given = registered(225)
    given.error_px = given.error_px / 3
    axes = registration_picture(given, BENCH).axes[1]
    assert float(axes.get_xlabel().split()[6]) == pytest.approx(3, abs=0.4)
    assert sum(bar.get_height() for bar in axes.patches) == 450
    assert axes.get_xlim()[1] > 6


def test_three_spots_tell_nothing_of_the_errors(as_figures):
    assert registration_picture(registered(3), BENCH).get_suptitle() == "3 spots on one map, as any 3 are"


@pytest.mark.parametrize(("value", "known"), [(0.0377, 0.02), (0.05, 0.05), (1.0, 1.0), (9.99, 5.0), (123.0, 100.0)])
def test_the_known_arrow_has_a_round_length(value, known):
    assert calibration._round(value) == pytest.approx(known)


# ---------------------------------------------------------------------------------------------------------------------
# surveying


def test_a_survey_shows_the_frame_its_atoms_and_the_lattice(as_figures):
    """The cloud lies off the middle; the pixels, circles and cells shown are those of the camera's coordinates."""
    frame, survey = surveyed(5.0, (300, 400), 0.5, middle=(260, 130))
    figure = survey_picture(frame, survey)
    axes = figure.axes[0]
    (image,) = axes.images
    left, right, bottom, top = image.get_extent()
    assert (right - left, bottom - top) == (150, 150)  # 30 sites of 5 px
    assert (left + right) / 2 == pytest.approx(260, abs=8)
    assert (top + bottom) / 2 == pytest.approx(130, abs=8)
    assert np.array_equal(image.get_array(), frame.signal[round(top + 0.5) : round(bottom + 0.5), round(left + 0.5) : round(right + 0.5)])
    assert axes.get_xlim() == (left, right)
    assert axes.get_ylim() == (bottom, top)
    (circles,) = drawn(axes, EllipseCollection)
    np.testing.assert_allclose(circles.get_offsets(), survey.spots.xy_px)
    np.testing.assert_allclose(marks(axes, "3 rejected"), survey.rejected_px)
    (cells,) = drawn(axes, LineCollection)
    ends = survey.lattice_to_camera.inverse().apply(np.concatenate(cells.get_segments())).reshape(-1, 2, 2)
    along = np.ptp(ends, axis=1).argmax(axis=1)
    across = ends[np.arange(len(ends)), :, 1 - along]
    np.testing.assert_allclose(across - np.floor(across), 0.5, atol=1e-6)  # midway between sites
    assert len(ends) > 60


def test_only_the_atoms_of_the_last_frame_are_drawn_on_it(as_figures):
    """The lattice told is that of the last frame; the atoms of an earlier one lay elsewhere, but count and are folded with the others."""
    frame, survey = surveyed(5.0, (200, 200), 0.5)
    half = len(survey.ij) // 2
    survey.frame = np.repeat([0, 1], [half, len(survey.ij) - half])
    survey.drift_px = np.array([[1.5, 0.0], [0.0, 0.0]])
    figure = survey_picture(frame, survey)
    (circles,) = drawn(figure.axes[0], EllipseCollection)
    np.testing.assert_allclose(circles.get_offsets(), survey.spots.xy_px[half:])
    assert len(figure.axes[1].lines[0].get_xydata()) == len(survey.ij)
    assert figure.get_suptitle().startswith(f"{len(survey.ij)} atoms in 2 frames, ")
    assert len(marks(figure.axes[0], "3 rejected in all frames")) == 3


@pytest.mark.parametrize(
    ("middle", "side", "box"),
    [
        ((50.0, 40.0), 20.0, (39.5, 59.5, 29.5, 49.5)),
        ((2.0, 78.0), 20.0, (-0.5, 19.5, 59.5, 79.5)),
        ((50.0, 40.0), 90.0, (4.5, 94.5, -0.5, 79.5)),
        ((50.0, 40.0), 1000.0, (-0.5, 99.5, -0.5, 79.5)),
    ],
)
def test_the_part_of_the_frame_stays_inside_it(middle, side, box):
    assert calibration._zoomed((80, 100), np.array(middle), side) == box


def test_folded_atoms_lie_in_the_cell_about_their_site(as_figures):
    frame, survey = surveyed(5.0, (200, 200), 0.5)
    axes = survey_picture(frame, survey).axes[1]
    atoms, border, _ = (line.get_xydata() for line in axes.lines)
    np.testing.assert_allclose(atoms, survey.residuals)
    matrix = survey.lattice_to_camera.matrix
    np.testing.assert_allclose(border[1] - border[0], matrix[:, 0])
    np.testing.assert_allclose(border[2] - border[1], matrix[:, 1])
    np.testing.assert_allclose(border[:4].mean(axis=0), 0, atol=1e-12)
    low, high = axes.get_ylim()
    assert low > high  # rows point down


def test_the_lattice_is_told_with_its_errors(as_figures):
    frame, survey = surveyed(5.0, (200, 200), 0.5)
    survey.lattice_to_camera = Affine([[4.9, -1.04], [1.03, 4.91]], [100.25, 99.75], np.diag([0.01, 0.02, 0.03, 0.04, 0.5, 0.25]) ** 2)
    figure = survey_picture(frame, survey)
    (told,) = [text.get_text() for text in figure.texts if "lattice vectors" in text.get_text()]
    assert told == (
        "lattice vectors (4.900 ± 0.010, 1.030 ± 0.030) and (-1.040 ± 0.020, 4.910 ± 0.040) px,\n"
        "site (0, 0) at column 100.25 ± 0.50, row 99.75 ± 0.25 px, with standard errors"
    )
    assert figure.get_suptitle() == (
        f"{len(survey.ij)} atoms in 1 frame, rms residual {survey.misfit.rms:.2g} px, 50 % of the sites filled"
    )


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        (4.108163, 0.0000571, "4.108163 ± 0.000057"),
        (256.3, 12.4, "256 ± 12"),
        (1.5, 0.0, "1.500 ± 0.000"),
        (2.0, 0.0995, "2.000 ± 0.100"),
    ],
)
def test_errors_have_two_digits(value, error, text):
    assert calibration._with_error(value, error) == text


# ---------------------------------------------------------------------------------------------------------------------
# light


def test_the_figures_of_a_comparison(as_figures):
    """5 % of spread and 2 % of noise add in quadrature; taking the noise off again gives the 5 %, to 3 / sqrt(2 n)."""
    figure = comparison_picture(*compared(2000, 0.05, 0.02))
    left, right = figure.axes
    words = figure.get_suptitle().split()
    percents = [float(words[place - 1]) for place, word in enumerate(words) if word == "%"]
    assert percents == pytest.approx([100 * np.hypot(0.05, 0.02), 5.0], rel=3 / np.sqrt(4000) + 0.01)
    assert "that of the errors alone 2.0 %" in right.get_xlabel()
    assert sum(bar.get_height() for bar in right.patches) == 2000
    x, expected = right.lines[0].get_data()
    assert np.trapezoid(expected, x) / right.patches[0].get_width() == pytest.approx(2000, rel=1e-3)
    assert left.get_xlabel().startswith("predicted")


def test_points_lie_at_predicted_and_measured_over_their_means(as_figures):
    figure = comparison_picture([100.0, 300.0, 260.0], [10.0, 20.0, 30.0], [0.1, 0.3, 0.2])
    axes = figure.axes[0]
    points = axes.lines[0].get_xydata()
    np.testing.assert_allclose(points[:, 0], [0.5, 1.5, 1.0])
    np.testing.assert_allclose(points[:, 1], np.array([100, 300, 260]) / 220)
    (bars,) = drawn(axes, LineCollection)
    np.testing.assert_allclose([np.ptp(bar[:, 1]) / 2 for bar in bars.get_segments()], np.array([10, 20, 30]) / 220)
    diagonal = next(line for line in axes.lines if line.get_label() == "as predicted")
    assert (diagonal.get_xy1(), diagonal.get_slope()) == ((1, 1), 1)


def test_units_do_not_matter():
    measured, error, predicted = compared(30, 0.05, 0.02)
    assert comparison_picture(measured, error, predicted) == comparison_picture(4 * measured, 4 * error, 8 * predicted)


def test_noise_alone_is_called_that(as_figures):
    figure = comparison_picture([1.0, 1.01, 0.99], [0.05, 0.05, 0.05], [1.0, 1.0, 1.0])
    assert figure.get_suptitle() == "3 sites: the measured light spreads by 1.0 % about the predicted, as the errors do"


@pytest.mark.parametrize(
    ("measured", "error", "predicted", "message"),
    [
        ([1, 2], [1, 1], [1, 2, 3], r"found shapes \(2,\), \(2,\), \(3,\); allowed: \(n,\), not empty"),
        ([], [], [], "not empty"),
        ([[1, 2]], [[1, 1]], [[1, 2]], r"found shapes \(1, 2\)"),
        ([1, np.nan], [1, 1], [1, 2], "allowed: finite, errors and means above 0"),
        ([1, 2], [1, 0], [1, 2], "errors and means above 0"),
        ([1, -2], [1, 1], [1, 2], "errors and means above 0"),
        ([1, 2], [1, 1], [0, 0], "errors and means above 0"),
    ],
)
def test_what_is_no_light_is_refused(measured, error, predicted, message):
    with pytest.raises(InputError, match=message):
        comparison_picture(measured, error, predicted)
