"""What troubleshooting.md calls computed, computed; its commands, options and messages exist."""

from __future__ import annotations

import re
from pathlib import Path

import click
import numpy as np
import pytest

import holo
from holo.affine import Affine
from holo.arrangement import block
from holo.bench import parse_bench
from holo.cli import main
from holo.compare import compare
from holo.design import DesignOptions, design
from holo.errors import CalibrationError
from holo.frames import frame_of
from holo.matching import match_points
from holo.predict import predict
from holo.registration import Sites
from holo.starters import guides

PAGE = guides()[1].read_text()
SOURCES = "".join(path.read_text() for path in Path(holo.__file__).parent.rglob("*.py"))


def sinc_squared(x):
    return np.sinc(x) ** 2


@pytest.fixture(scope="module")
def bench(small_bench_text):
    return lambda **changes: parse_bench(small_bench_text(**changes), "bench.toml")


@pytest.fixture(scope="module")
def made(bench):
    """Nine sites on one side of the axis."""
    return design(bench(), block(3, 3).shifted(1, 1), options=DesignOptions(effort="quick"))


@pytest.fixture(scope="module")
def light(bench, made):
    """Function that gives the light of the mask on a bench with some changes, over that on the bench that it was made for."""

    def share(xy_um, levels=made.mask.levels, **changes):
        xy = np.asarray(xy_um, float)
        sites = Sites(np.zeros_like(xy), np.column_stack([xy, np.zeros(len(xy))]), np.ones(len(xy)))
        return predict(bench(**changes), levels, sites).intensity / made.prediction.intensity.mean()

    return share


@pytest.fixture(scope="module")
def xy(made):
    return made.prediction.sites.xyz_um[:, :2]


@pytest.mark.parametrize("true_level", [191, 233])  # of 2 pi, in place of 212
def test_a_wrong_response_lights_the_axis_and_a_turned_ghost(light, xy, bench, made, true_level):
    """Orders m of a phase that is g times the wanted one carry sinc(m - g)^2 (Fourier series of exp(i g phi) on one turn)."""
    gain = 212 / true_level
    assert light(xy, panel__level_for_2pi=true_level).mean() == pytest.approx(sinc_squared(1 - gain), abs=0.01)
    found = predict(bench(panel__level_for_2pi=true_level), made.mask.levels, made.prediction.sites).undiffracted
    assert found == pytest.approx(sinc_squared(gain), rel=0.25)
    assert 0.007 < found < 0.013  # "1 % of the light"
    assert made.prediction.undiffracted < 1e-4
    ghost = light(-xy, panel__level_for_2pi=true_level).mean()
    assert 0.0015 < ghost < 0.0035  # "0.2 to 0.3 %"
    assert ghost == pytest.approx(sinc_squared(1 + gain) / sinc_squared(1 - gain), rel=0.4)
    assert light(-xy).mean() < 1e-4


def test_a_depth_that_swings_by_5_percent(light, xy):
    assert 0.985 < light(xy, panel__level_for_2pi=212 / 0.95).mean() < 1.0
    assert sinc_squared(0.05) == pytest.approx(1 - 0.008, abs=5e-4)


def test_a_blank_panel_sends_all_light_to_the_axis(light, made):
    on_axis = light([[0.0, 0.0]], np.zeros_like(made.mask.levels)) * made.prediction.intensity.mean()
    assert on_axis == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("noll", ["4", "6", "8"])
@pytest.mark.parametrize(("waves", "least", "most"), [(0.05, 0.90, 0.94), (0.1, 0.66, 0.76)])
def test_aberration_dims(light, xy, noll, waves, least, most):
    """Marechal: exp(-(2 pi rms)^2) for an evenly lit pupil, 0.906 and 0.674; a Gaussian beam weighs the rim less."""
    assert least < light(xy, optics__aberration={noll: waves}).mean() < most


def test_aberration_makes_level_sites_uneven(light, xy):
    spread = [np.std(share) / np.mean(share) for share in (light(xy, optics__aberration={noll: 0.1}) for noll in ("4", "6", "8"))]
    assert 0.01 < min(spread) <= max(spread) < 0.03


def test_coma_moves_all_spots_alike(light, xy):
    steps = np.linspace(-0.3, 0.3, 25)
    along = np.array([[light([c + [step, 0.0] for step in steps], optics__aberration={"8": 0.1})] for c in xy])[:, 0]
    moved = steps[along.argmax(axis=1)]
    assert abs(moved.mean()) == pytest.approx(0.1, abs=0.03)
    assert moved.std() < 0.03


def test_a_shift_by_half_an_airy_radius(light, xy, bench):
    """Airy's pattern at half its first dark ring, (2 J1(1.916) / 1.916)^2; a Gaussian beam's spot is a little wider."""
    from scipy.special import j1

    beside = xy + [0.5 * bench().airy_radius_um, 0.0]
    even = {"light__beam_diameter_mm": 1000.0}
    assert light(beside, **even).mean() / light(xy, **even).mean() == pytest.approx((2 * j1(1.916) / 1.916) ** 2, abs=0.02)
    assert 0.37 < light(beside).mean() < 0.5


def test_a_wrong_scale_weakens_the_far_corner(light, xy):
    share = light(xy * 1.02)
    order = np.argsort(np.hypot(*xy.T))
    assert share[order[0]] > share[order[-1]] + 0.1
    assert np.corrcoef(np.hypot(*xy.T), share)[0, 1] < -0.9


@pytest.mark.parametrize("centre", [[0.07, 0.0], [0.0, 0.07]])
def test_a_beam_off_centre_weakens_no_corner(light, xy, centre):
    """Every site gets light from the whole pupil."""
    share = light(xy, light__beam_centre_mm=centre)
    assert 0.005 < share.std() / share.mean() < 0.02
    slope = np.linalg.lstsq(np.column_stack([xy - xy.mean(axis=0), np.ones(len(xy))]), share, rcond=None)[0][:2]
    assert np.abs(slope * np.ptp(xy, axis=0)).max() < 0.025  # from edge to edge


def test_a_mirrored_panel(light, xy, made):
    flipped = made.mask.levels[:, ::-1]
    assert light(xy, flipped).mean() < 1e-3
    assert light(xy * [-1, 1], flipped).mean() == pytest.approx(1.0, abs=1e-6)


def test_a_camera_behind_a_mirror_is_registered():
    rng = np.random.default_rng(5)
    known = rng.uniform(-40, 40, (20, 2))
    truth = Affine(np.array([[-5.0, 0.1], [0.1, 5.0]]), np.array([300.0, 200.0]))
    found = match_points(known, truth.apply(known), 5.0).affine
    assert np.linalg.det(found.matrix) < 0
    assert found.matrix == pytest.approx(truth.matrix)


def test_a_flipped_frame_is_refused(bench, made, xy):
    to_camera = Affine(np.array([[5.0, 0.0], [0.0, 5.0]]), np.array([100.0, 50.0]))
    rows, columns = np.mgrid[:200, :200]
    spots = sum(np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / 4) for x, y in to_camera.apply(xy))
    counts = np.random.default_rng(1).normal(100 + 500 * spots, 3.0)

    def compared(counts):
        return compare(frame_of(counts.astype(np.uint16)), made.prediction, to_camera, bench().spot_width_um)

    assert len(compared(counts).measured) == 9
    with pytest.raises(CalibrationError, match="found light on none of 9 bright sites"):
        compared(counts[:, ::-1])


# ---------------------------------------------------------------------------------------------------------------------
# commands and messages


@pytest.mark.parametrize("text", sorted(set(re.findall(r"`(holo [^`]+)`", "".join(page.read_text() for page in guides())))))
def test_commands_and_options_exist(text):
    command, words = main, text.split()[1:]
    while isinstance(command, click.Group) and words and not words[0].startswith("-"):
        name, *words = words
        command = command.get_command(click.Context(command), name)
        assert command is not None, text
    known = {option for parameter in command.params for option in parameter.opts}
    if not isinstance(command, click.Group):
        assert {word for word in words if word.startswith("--")} <= known


@pytest.mark.parametrize("message", re.findall(r"^\| `([^`]+)` \|", PAGE.split("## What the messages mean")[1], flags=re.MULTILINE))
def test_messages_exist(message):
    assert message in SOURCES


@pytest.mark.parametrize(
    "symptom",
    ["dim", "streaks", "ghost array", "mirrored", "one corner weak", "flicker", "drifting", "bright undiffracted", "doubled", "shifted"],
)
def test_symptoms_are_there(symptom):
    assert re.search(rf"^\| .*\*\*[^*]*{symptom}", PAGE, flags=re.MULTILINE)
