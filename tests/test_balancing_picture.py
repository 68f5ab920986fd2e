"""The picture of a balance: what it shows is what was found."""

from __future__ import annotations

import io
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from holo.balance import Round
from holo.report import balancing
from holo.report.balancing import balance_picture


def balanced(side=10, frames=8, out=(), seed=0, **changed):
    """What a balance of side x side sites might have found: 15 % before, then the noise of 0.5 %."""
    rng = np.random.default_rng(seed)
    ij = np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=-1).reshape(-1, 2)
    levelled = np.ones(len(ij), bool)
    levelled[list(out)] = False
    measured = [np.array([1 + rng.normal(0, spread, len(ij)), np.full(len(ij), 0.005)]) for spread in (0.15, *[0.0055] * (frames - 1))]
    for values in measured:
        values[:, list(out)] = np.nan
    rounds = [
        Round(float(np.nanstd(values[0])), 0.005, 0.15 if number == 0 else 0.002, 0.001, None if number < 2 else 0.002, (0.0, 0.0))
        for number, values in enumerate(measured)
    ]
    found = {"expected_spread": 0.0018, "floor": 0.0004, "rounds": tuple(rounds), "measured": tuple(measured), "levelled": levelled}
    sites = SimpleNamespace(xyz_um=np.pad(5.0 * ij + 20, ((0, 0), (0, 1))))
    return SimpleNamespace(sites=sites, **(found | changed))


@pytest.fixture
def drawn(monkeypatch):
    """Let the picture be a figure, to see what is drawn."""
    monkeypatch.setattr(balancing, "png", lambda figure, colours: figure)
    return lambda found: balance_picture(found)


def test_it_is_a_picture():
    picture = Image.open(io.BytesIO(balance_picture(balanced())))
    assert picture.format == "PNG"
    assert len(np.unique(np.asarray(picture))) > 30


def test_the_figures_are_in_its_title(drawn):
    assert drawn(balanced()).get_suptitle() == "100 sites, 8 frames: spread 15 % before, 0.18 % after, floor 0.04 %"
    assert drawn(balanced(frames=1)).get_suptitle().startswith("100 sites, 1 frame:")


def test_the_histograms_hold_every_site_once(drawn):
    found = balanced(out=(3, 7))
    both, last = drawn(found).axes[:2]
    assert sum(bar.get_height() for bar in both.patches) == 2 * 98
    assert sum(bar.get_height() for bar in last.patches) == 98
    alone, wider = (line.get_ydata() for line in last.lines)
    x = last.lines[0].get_xdata()
    width = last.patches[0].get_width()
    assert np.trapezoid(alone, x) / width == pytest.approx(98, rel=0.01)  # as many sites as there are
    assert alone.max() / wider.max() == pytest.approx(np.hypot(0.5, 0.2) / 0.5, rel=0.01)


def test_the_spread_is_drawn_frame_by_frame(drawn):
    found = balanced()
    axes = drawn(found).axes[2]
    lines = {line.get_label(): line for line in axes.lines}
    assert lines["without the errors"].get_ydata() == pytest.approx([15.0, *[0.2] * 7])
    assert lines["expected; last: the result"].get_xdata() == pytest.approx([*range(3, 10)])
    assert lines["expected; last: the result"].get_ydata()[-1] == pytest.approx(0.18)
    assert lines["floor (0.04 %)"].get_ydata() == pytest.approx([0.04, 0.04])
    low, high = axes.get_ylim()
    assert low < 0.04
    assert high > 15


def test_a_spread_that_noise_hides_is_drawn_by_its_error(drawn):
    found = balanced()
    hidden = Round(0.005, 0.005, 0.0, 0.002, 0.002, (0.0, 0.0))
    found.rounds = (*found.rounds[:-1], hidden)
    axes = drawn(found).axes[2]
    lines = {line.get_label(): line for line in axes.lines}
    assert len(lines["without the errors"].get_xdata()) == 7
    (bottom, top) = axes.collections[0].get_segments()[-1][:, 1]
    assert top == pytest.approx(0.2)
    assert bottom <= axes.get_ylim()[0] * (1 + 1e-9)


def test_the_map_has_down_below_and_marks_what_is_left_out(drawn):
    found = balanced(out=(3,))
    axes = drawn(found).axes[3]
    bottom, top = axes.get_ylim()
    assert bottom > top
    (sites,) = axes.collections
    assert len(sites.get_offsets()) == 99
    assert np.asarray(sites.get_array()) == pytest.approx(100 * (np.delete(found.measured[0][0], 3) - 1))
    (mark,) = axes.lines
    assert mark.get_xydata() == pytest.approx(np.array([[35.0, 20.0]]))
    assert mark.get_label() == "1 site left out"
