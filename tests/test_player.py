"""When masks are shown: on a stage that plays a screen, with a clock of its own."""

from __future__ import annotations

import os
import signal
import threading

import numpy as np
import pytest

from holo.errors import InputError
from holo.player import Ending, Player, ending_by_signal


class Stage:
    """A screen with a clock that only goes when somebody waits; `costs` are seconds that showing some masks takes more."""

    def __init__(self, refresh_s=None, costs=(), wishes=()):
        self.refresh_s = refresh_s
        self.now = 100.0
        self.costs = dict(costs)
        self.asked = list(wishes)
        self.prepared = None
        self.seen = []

    def clock(self):
        return self.now

    def sleep(self, seconds):
        self.now += seconds + 1e-6

    def prepare(self, levels):
        self.prepared = int(levels[0, 0])
        self.now += self.costs.get(self.prepared, 0.0005)

    def show(self):
        if self.refresh_s:  # waits for the next picture
            self.now = (np.floor(self.now / self.refresh_s) + 1) * self.refresh_s
        self.seen.append(self.prepared)

    def wishes(self):
        return [wish for due, wish in self.asked if due <= self.now and not self.asked.remove((due, wish))]


def load(number):
    return np.full((2, 3), number, np.uint16)


def player(stage, count=10, ending=None):
    return Player(stage, load, count, ending or Ending(), stage.clock, stage.sleep)


@pytest.mark.parametrize("refresh_s", [None, 1 / 60])
def test_masks_come_at_their_rate_and_in_order(refresh_s):
    stage = Stage(refresh_s)
    played = player(stage, 30).by_clock(1 / 60, 0.0)
    assert stage.seen == [*range(30)]
    assert played.frames == (*range(30),)
    assert (played.dropped, played.ended_by) == ((), "time")
    np.testing.assert_allclose(np.diff(played.times_s), 1 / 60, atol=1e-4)
    assert played.summary()["median_ms"] == pytest.approx(1e3 / 60, abs=0.1)


def test_a_screen_slower_or_faster_by_a_little_sets_the_pace():
    """Masks at 60 a second on a screen of 59.94: one a picture, none dropped."""
    played = player(Stage(1 / 59.94), 1000).by_clock(1 / 60, 0.0)
    assert not played.dropped
    np.testing.assert_allclose(np.diff(played.times_s), 1 / 59.94, rtol=1e-6)


def test_masks_that_do_not_go_with_the_screen_come_with_the_nearest_picture():
    """40 a second on a screen of 60 pictures: every mask for one picture or two, the pace in the mean kept."""
    played = player(Stage(1 / 60), 101).by_clock(1 / 40, 0.0)
    pictures = np.diff(played.times_s) * 60
    np.testing.assert_allclose(pictures, np.rint(pictures), atol=1e-6)
    assert {*np.rint(pictures)} == {1, 2}
    assert played.times_s[-1] == pytest.approx(100 / 40, abs=1 / 60)
    assert not played.dropped


@pytest.mark.parametrize("refresh_s", [None, 1 / 60])
def test_late_masks_are_told_and_none_is_left_out(refresh_s):
    stage = Stage(refresh_s, costs={4: 2.9 / 60, 7: 1.4 / 60})
    played = player(stage).by_clock(1 / 60, 0.0)
    assert stage.seen == [*range(10)]
    assert [number for number, _ in played.dropped] == [4] if refresh_s is None else [4, 7]
    assert dict(played.dropped)[4] == 2
    assert played.summary()["dropped"] == sum(periods for _, periods in played.dropped)
    assert np.diff(played.times_s).min() > 0.5 / 60


def test_the_last_mask_stays():
    stage = Stage()
    player(stage, 2).by_clock(0.1, 5.0)
    assert stage.now - 100 == pytest.approx(5.1, abs=0.01)


def test_a_key_or_a_signal_ends_it():
    stage = Stage(wishes=[(100.25, "end")])
    played = player(stage).by_clock(0.1)
    assert (played.ended_by, played.frames) == ("key", (0, 1, 2))
    ending = Ending()
    ending(signal.SIGTERM, None)
    played = player(Stage(), ending=ending).by_clock(0.1)
    assert (played.ended_by, played.frames) == ("SIGTERM", (0,))


def test_signals_become_a_flag_and_get_their_handlers_back():
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    with ending_by_signal() as ending:
        assert ending.reason is None
        os.kill(os.getpid(), signal.SIGINT)
        assert ending.reason == "SIGINT"
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


def test_keys_go_forth_and_back_and_stop_at_the_ends():
    wishes = ["back", "next", "next", "back", "next", "next", "next", "end"]
    stage = Stage(wishes=[(100 + 0.1 * number, wish) for number, wish in enumerate(wishes)])
    played = player(stage, 4).by_wish()
    assert stage.seen == [0, 1, 2, 1, 2, 3]
    assert played.ended_by == "key"


def test_a_trigger_file_names_the_mask(tmp_path):
    """Written again and again by somebody else; what is no number of a mask changes nothing, and is told once."""
    told, warned = ["", "3", "3\n", "1", "x", "x", "7", "2"], []

    class Written(Stage):
        def sleep(self, seconds):
            super().sleep(seconds)
            if told:
                (tmp_path / "trigger").write_text(told.pop(0))

    stage = Written()
    played = player(stage, 5).by_wish(tmp_path / "trigger", warned.append, 0.5)
    assert stage.seen == [0, 3, 1, 2]
    assert played.ended_by == "time"
    assert [text.split(": ")[1][:9] for text in warned] == ["found 'x'", "found '7'"]  # each once
    assert "allowed: a whole number from 0 to 4; the mask shown stays" in warned[0]


def test_a_mask_that_cannot_be_read_ends_it_with_its_own_message():
    def broken(number):
        if number == 3:
            raise InputError("frame-00003.tiff: no such file")
        return load(number)

    stage, threads = Stage(), threading.active_count()
    with pytest.raises(InputError, match=r"frame-00003\.tiff: no such file"):
        Player(stage, broken, 9, Ending(), stage.clock, stage.sleep).by_clock(0.1)
    assert stage.seen == [0, 1, 2]
    assert threading.active_count() == threads


@pytest.mark.parametrize("period", [0.0, -1.0, np.nan, 4e3])
def test_periods_out_of_range_are_refused(period):
    with pytest.raises(InputError, match="period_s: found"):
        player(Stage()).by_clock(period)
    with pytest.raises(InputError, match="seconds: found -1; allowed: from 0"):
        player(Stage()).by_clock(0.1, -1.0)
