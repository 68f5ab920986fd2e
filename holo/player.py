"""When the masks of a sequence are shown: by the clock, by key or by a trigger file; and which ones came late.

Nothing here knows a screen: it is handed what shows a mask and what the user wants.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import Full, Queue
from types import FrameType
from typing import Any, Protocol

import numpy as np

from holo.errors import InputError
from holo.mask import Levels

AHEAD = 8
"""Masks that are read before they are due."""

POLL_S = 0.002
"""Longest time between two looks at keys, signals and the trigger file."""

FASTEST_HZ = 1e4
"""Highest rate."""


class Stage(Protocol):
    """What shows masks."""

    refresh_s: float | None
    """Time from one picture of the screen to the next, if `show` waits for the screen; None if it does not."""

    def prepare(self, levels: Levels) -> None:
        """Draw a mask where nobody sees it yet.

        Parameters
        ----------
        levels : ndarray of int, shape (rows, columns)
        """

    def show(self) -> None:
        """Put on the screen what was prepared."""

    def wishes(self) -> Sequence[str]:
        """What the user pressed since the last call: "next", "back", "end"; raises `ScreenError` if the screen is gone.

        Returns
        -------
        sequence of str

        Raises
        ------
        ScreenError
            If the screen is gone.
        """


class Ending:
    """Whether a signal has asked for the end; kept as a flag, so that nothing breaks off in the middle of a picture."""

    def __init__(self) -> None:
        self.reason: str | None = None

    def __call__(self, number: int, frame: FrameType | None) -> None:
        """Handle a signal."""
        self.reason = signal.Signals(number).name


@contextmanager
def ending_by_signal() -> Iterator[Ending]:
    """Let Ctrl-C, termination and a closed terminal end a block by a flag; the main thread's handlers come back afterwards.

    Yields
    ------
    Ending
        Its flag says whether the end was asked for.
    """
    ending = Ending()
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        yield ending  # signals go to the main thread, which has its own way
        return
    old = {name: signal.signal(getattr(signal, name), ending) for name in names}
    try:
        yield ending
    finally:
        for name, handler in old.items():
            signal.signal(getattr(signal, name), handler)


@dataclass(frozen=True)
class Played:
    """What was shown, and when.

    Attributes
    ----------
    frames : tuple of int
        Numbers of the masks, in the order in which they were shown.
    times_s : tuple of float
        When each came onto the screen, from the first one.
    dropped : tuple of (int, int)
        Number of a mask that came late, and for how many periods the one before it stayed instead.
    ended_by : str
        "time", "key", or the name of a signal.
    """

    frames: tuple[int, ...]
    times_s: tuple[float, ...]
    dropped: tuple[tuple[int, int], ...]
    ended_by: str

    def summary(self) -> dict[str, Any]:
        """Tell the figures: numbers of masks and of dropped periods, and times from one mask to the next.

        Returns
        -------
        dict
            Times in ms, None where fewer than two masks were shown.
        """
        between = 1e3 * np.diff(self.times_s)
        times = {name: float(value(between)) if len(between) else None for name, value in _STATISTICS.items()}
        dropped = sum(periods for _, periods in self.dropped)
        return {"shown": len(self.frames), "dropped": dropped, **times, "ended_by": self.ended_by}


_STATISTICS: dict[str, Callable[[Any], Any]] = {"median_ms": np.median, "shortest_ms": np.min, "longest_ms": np.max}


class Player:
    """Shows masks on a stage.

    Parameters
    ----------
    stage : Stage
    load : callable
        Of the number of a mask: its levels.
    count : int
        How many there are.
    ending : Ending
    clock, sleep : callable
        Seconds that only grow; and waiting for some of them.
    """

    def __init__(
        self,
        stage: Stage,
        load: Callable[[int], Levels],
        count: int,
        ending: Ending,
        clock: Callable[[], float] = time.perf_counter,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._stage, self._load, self._count, self._ending, self._clock, self._sleep = stage, load, count, ending, clock, sleep
        self._wishes: list[str] = []
        self._frames: list[int] = []
        self._times: list[float] = []
        self._dropped: list[tuple[int, int]] = []

    def by_clock(self, period_s: float, hold_s: float | None = None) -> Played:
        """Show all masks, one a period; the last one stays.

        Parameters
        ----------
        period_s : float
            Time from one mask to the next.
        hold_s : float, optional
            How long the last one stays; by default until a key or a signal.

        Returns
        -------
        Played

        Raises
        ------
        InputError
            If a time is out of range.

        Notes
        -----
        No mask is left out, since two steps of a move at once would lose atoms: one that comes late by more than half a period
        is told as dropped periods, and those after it come as much later. Where the screen makes pictures at a rate of which the
        period is a multiple (to 2 %), masks go by its pictures; elsewhere by the clock, each with the picture nearest to its time.
        """
        if not 1 / FASTEST_HZ <= period_s <= 3600:
            raise InputError(f"period_s: found {period_s:g}; allowed: from {1 / FASTEST_HZ:g} to 3600")
        check_hold(hold_s)
        refresh = self._stage.refresh_s
        locked = refresh is not None and abs(period_s / refresh - max(1, round(period_s / refresh))) < 0.02
        due = self._clock()
        with _read_ahead(self._load, self._count) as masks:
            for number, levels in enumerate(masks):
                self._stage.prepare(levels)
                if number and not self._wait(due - (refresh or 0) / 2):
                    break
                shown = self._show(number)
                missed = max(0, round((shown - due) / period_s)) if number else 0
                if missed:
                    self._dropped.append((number, missed))
                due = (shown if locked or not number else due + missed * period_s) + period_s
            else:
                self._wait(None if hold_s is None else self._clock() + hold_s)
        return self._played()

    def by_wish(self, trigger: Path | None = None, warn: Callable[[str], None] | None = None, hold_s: float | None = None) -> Played:
        """Show masks as the user asks for them: by key, or by the number in a file.

        Parameters
        ----------
        trigger : Path, optional
            A file with the number of the mask to show, from 0; written anew for each mask. Without it, keys tell.
        warn : callable, optional
            Called with a text if the number is none of a mask; what is shown stays.
        hold_s : float, optional
            How long all that goes on; by default until a key or a signal ends it.

        Returns
        -------
        Played
        """
        check_hold(hold_s)
        end = None if hold_s is None else self._clock() + hold_s
        wanted, told = 0, ""
        while True:
            if trigger is None:
                wanted = self._by_key(wanted)
            elif (found := _told(trigger)) != told:
                told, number = found, _number(found, self._count)
                if number is None and warn is not None:
                    warn(f"{trigger}: found {found[:40]!r}; allowed: a whole number from 0 to {self._count - 1}; the mask shown stays")
                wanted = wanted if number is None else number
            if not self._frames or wanted != self._frames[-1]:
                self._stage.prepare(self._load(wanted))
                self._show(wanted)
            if not self._look() or (end is not None and self._clock() >= end):
                return self._played()
            self._sleep(POLL_S)

    def _by_key(self, wanted: int) -> int:
        """Number of the mask that the keys ask for since the last look."""
        for wish in self._wishes:
            wanted = min(max(wanted + (1 if wish == "next" else -1), 0), self._count - 1)
        self._wishes.clear()
        return wanted

    def _show(self, number: int) -> float:
        """Put what was prepared on the screen, and tell when that was."""
        self._stage.show()
        now = self._clock()
        self._frames.append(number)
        self._times.append(now)
        return now

    def _look(self) -> bool:
        """Look at keys and signals; whether to go on."""
        for wish in self._stage.wishes():
            if wish == "end":
                self._ending.reason = self._ending.reason or "key"
            else:
                self._wishes.append(wish)
        return self._ending.reason is None

    def _wait(self, until: float | None) -> bool:
        """Wait; whether nobody has ended it meanwhile."""
        while self._look():
            left = POLL_S if until is None else until - self._clock()
            if left <= 0:
                return True
            self._sleep(min(left, POLL_S))
        return False

    def _played(self) -> Played:
        times = tuple(shown - self._times[0] for shown in self._times)
        return Played(tuple(self._frames), times, tuple(self._dropped), self._ending.reason or "time")


def check_hold(hold_s: float | None) -> None:
    """Raise `InputError` unless this is a time to wait.

    Parameters
    ----------
    hold_s : float or None
        s; None for no end.

    Raises
    ------
    InputError
        Unless it lies from 0 to 1e6 s.
    """
    if hold_s is not None and not 0 <= hold_s <= 1e6:
        raise InputError(f"seconds: found {hold_s:g}; allowed: from 0 to 1e6")


def _told(trigger: Path) -> str:
    """What a trigger file says; nothing if it is not there, or is being exchanged."""
    try:
        with trigger.open("rb") as file:
            return file.read(64).decode(errors="replace").strip()
    except OSError:
        return ""


def _number(text: str, count: int) -> int | None:
    """The number of a mask that a text is, if it is one."""
    number = int(text) if text.isdecimal() and len(text) < 10 else count
    return number if number < count else None


@contextmanager
def _read_ahead(load: Callable[[int], Levels], count: int) -> Iterator[Iterator[Levels]]:
    """Read masks on a thread of its own, up to `AHEAD` before they are due."""
    ready: Queue[Levels | BaseException] = Queue(AHEAD)
    stop = threading.Event()

    def put(item: Levels | BaseException) -> None:
        while not stop.is_set():
            try:
                ready.put(item, timeout=0.05)
            except Full:
                continue
            return

    def work() -> None:
        try:
            for number in range(count):
                if stop.is_set():
                    return
                put(load(number))
        except BaseException as error:  # goes on where the mask is wanted
            put(error)

    def masks() -> Iterator[Levels]:
        for _ in range(count):
            item = ready.get()
            if isinstance(item, BaseException):
                raise item
            yield item

    worker = threading.Thread(target=work, daemon=True)
    worker.start()
    try:
        yield masks()
    finally:
        stop.set()
        worker.join()
