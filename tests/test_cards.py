"""What a notebook shows of benches, arrangements, masks and predictions."""

from __future__ import annotations

import base64
import io
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from holo.arrangement import Arrangement, block, from_sites
from holo.cards import LARGEST_PX, card, levels_png, sites_png
from holo.design import DesignOptions, design
from holo.predict import predict

EVIL = "<script>alert('x')</script> & \"quoted\""


class Checker(HTMLParser):
    """Refuses what a card must not have, and tags that do not close."""

    def __init__(self):
        super().__init__()
        self.open, self.text, self.pictures = [], [], []

    def handle_starttag(self, tag, attrs):
        assert tag in {"div", "p", "b", "table", "tbody", "tr", "th", "td", "figure", "figcaption", "img"}
        for name, value in attrs:
            assert name in {"style", "class", "src", "alt"}
            assert name != "src" or value.startswith("data:image/png;base64,")
            assert "url(" not in value
        if tag == "img":
            self.pictures.append(dict(attrs)["src"].split(",")[1])
        else:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def looked_at(page):
    """Text of a card, and its picture as an array or None."""
    checker = Checker()
    checker.feed(page)
    assert not checker.open
    pictures = [np.asarray(Image.open(io.BytesIO(base64.b64decode(picture)))) for picture in checker.pictures]
    return " ".join(checker.text), pictures[0] if pictures else None


@pytest.fixture(scope="module")
def made(small_bench_text):
    from holo.bench import parse_bench

    bench = parse_bench(small_bench_text(), "bench.toml")
    sites = block(3, 3) | from_sites([[4, 0]], target=0.0)
    return bench, design(bench, sites, options=DesignOptions(effort="quick"))


def test_bench(small_bench):
    text, picture = looked_at(replace(small_bench(), name=EVIL)._repr_html_())
    assert picture is None
    assert EVIL in text
    for word in ("700 nm", "96 x 80 pixels", "NA 0.6", "(3, 0) um"):
        assert word in text


def test_a_bench_tells_its_warnings(small_bench):
    text, _ = looked_at(small_bench(light__wavelength_nm=1064.0)._repr_html_())
    assert "cannot be seen" in text
    assert "laser safety officer" in text
    assert "safe " not in text


def test_arrangement_and_its_orientation():
    """i goes to the right and j down: the site far along j is at the bottom left."""
    sites = from_sites([[0, 0], [0, 4], [2, 0]], target=[1.0, 1.0, 0.5], title=EVIL)
    text, picture = looked_at(sites._repr_html_())
    assert EVIL in text
    assert "0.5 to 1" in text
    rows, columns = picture.shape[:2]
    assert rows > 1.5 * columns
    ink = (picture < 250).any(axis=2)
    assert ink[-30:, :30].any()
    assert not ink[-30:, -30:].any()


def test_dark_sites_are_circles_and_brighter_sites_darker():
    picture = np.asarray(
        Image.open(io.BytesIO(base64.b64decode(sites_png([[0, 0], [1, 0], [2, 0]], [1.0, 0.2, 0.0], [False, False, True]))))
    )
    middle = picture[picture.shape[0] // 2]
    first, second, third = (middle[round(x)] for x in np.linspace(20, len(middle) - 21, 3))
    assert first.sum() < second.sum() < third.sum() == 3 * 255


@pytest.mark.parametrize("sites", [from_sites(np.empty((0, 2))), from_sites([[3, 3]]), from_sites([[0, 0], [1, 1]], target=0.0)])
def test_arrangements_of_next_to_nothing(sites):
    text, picture = looked_at(sites._repr_html_())
    assert "bright sites" in text
    assert (picture is None) == (len(sites) == 0)


def test_many_sites_stay_a_small_picture():
    page = Arrangement("many", np.argwhere(np.ones((200, 200))).astype(float), np.ones(40_000), np.zeros(40_000))._repr_html_()
    assert len(page) < 60_000


def test_mask(made):
    _, result = made
    record = {**result.mask.record, "bench": {**result.mask.record["bench"], "path": EVIL}}
    text, picture = looked_at(replace(result.mask, record=record)._repr_html_())
    assert "96 x 80 pixels, uint8" in text
    assert EVIL in text
    assert f"{result.prediction.figures.uniformity:.5g}" in text
    assert picture.shape == (80, 96)
    levels = result.mask.levels.astype(float)
    assert np.corrcoef(picture.ravel(), levels.ravel())[0, 1] > 0.9999
    np.testing.assert_allclose(picture, (levels - levels.min()) * 255 / np.ptp(levels), atol=0.5)


def test_a_large_panel_is_shown_in_part():
    levels = np.arange(1000 * 1200).reshape(1000, 1200) % 1024
    picture, caption = levels_png(levels)
    shown = np.asarray(Image.open(io.BytesIO(base64.b64decode(picture))))
    assert shown.shape == (200, 240)
    assert max(shown.shape) <= LARGEST_PX
    assert caption == "the levels, 0 black to 1023 white; one pixel of 5 by 5"
    assert levels_png(np.full((4, 4), 7))[1] == "the levels, 7 black to 7 white"


def test_prediction(made):
    bench, result = made
    found = predict(bench, result.mask.levels, result.prediction.sites)
    text, picture = looked_at(found._repr_html_())
    assert f"{found.figures.uniformity:.5g}" in text
    assert f"{found.power_fraction:.5g}" in text
    assert picture is not None


def test_every_text_of_a_card_is_escaped():
    text, picture = looked_at(card(EVIL, [(EVIL, EVIL)], sites_png([[0, 0]], [1.0], [False]), EVIL, [EVIL]))
    assert text.count(EVIL) == 5
    assert picture is not None
    assert "<script" not in card(EVIL, [(EVIL, EVIL)], "aaaa", EVIL, [EVIL])


def test_cards_need_no_plotting_library():
    code = (
        "import sys; from holo.arrangement import block; from holo.bench import demo_bench_text, parse_bench;"
        "block(2, 2)._repr_html_(); parse_bench(demo_bench_text(), 'bench.toml')._repr_html_();"
        "assert not {'matplotlib', 'IPython', 'scipy', 'numba'} & {name.split('.')[0] for name in sys.modules}"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, capture_output=True, text=True).stderr == ""


def test_no_word_of_a_card_is_fetched(made):
    bench, result = made
    for shown in (bench, result.mask, result.prediction):
        assert not re.search(r"https?:|@import|<link|<iframe", shown._repr_html_())
