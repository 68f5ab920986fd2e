"""Work that takes longer than an answer may: one piece at a time in a thread, a few waiting for their turn, each with an end."""

from __future__ import annotations

import asyncio
import math
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from holo.serve import Refusal

Result = TypeVar("Result")


class Ended(Exception):
    """A piece of work was told to give up; the message says why."""


class Watch:
    """Tells a piece of work when to give up.

    Parameters
    ----------
    most_s : float
        Longest time that it may take.
    """

    def __init__(self, most_s: float) -> None:
        self._most_s, self._end = most_s, time.monotonic() + most_s
        self._aborted = threading.Event()

    def abort(self) -> None:
        """Have it give up at the next look."""
        self._aborted.set()

    def look(self, *_: Any) -> None:
        """Raise `Ended` if it is time to; takes the arguments of any progress callback.

        Parameters
        ----------
        *_ : object

        Raises
        ------
        Ended
            If its time is over, or the service is stopping.
        """
        if self._aborted.is_set():
            raise Ended("the service is stopping; nothing was written")
        if time.monotonic() > self._end:
            raise Ended(f"not done within {self._most_s:g} s, the longest that this service works on one thing; nothing was written")


class Lane:
    """Where one piece of work runs at a time and others wait for their turn.

    Parameters
    ----------
    name : str
        What is done here, for messages.
    waiting : int
        Most requests that wait.
    most_s : float
        Longest time that a piece may run, and that a request waits.

    Notes
    -----
    A request that finds `waiting` others is refused with 503 and told when to come again: after as long as the last piece took, for
    each that is before it.
    """

    def __init__(self, name: str, waiting: int, most_s: float) -> None:
        self.name, self._most, self._most_s = name, waiting, most_s
        self._queue: deque[asyncio.Future[None]] = deque()
        self._watch: Watch | None = None
        self._began, self._last_s = 0.0, 1.0
        self._closed = False
        self._pool = ThreadPoolExecutor(1, thread_name_prefix=name)

    def told(self) -> dict[str, Any]:
        """How busy it is, as a JSON-compatible dict.

        Returns
        -------
        dict
            Keys ``running`` (0 or 1), ``waiting`` and ``most_waiting``.
        """
        return {"running": int(self._watch is not None), "waiting": len(self._queue), "most_waiting": self._most}

    async def turn(self) -> Watch:
        """Wait until nothing else runs; who gets the turn must `leave`.

        Raises
        ------
        Refusal
            503, if too many wait, the turn does not come in time, or the service stops.
        """
        if self._closed:
            raise self._refused("the service is stopping")
        if self._watch is not None:
            if len(self._queue) >= self._most:
                raise self._refused(f"{len(self._queue)} requests wait already, the most allowed")
            await self._waited()
        self._watch, self._began = Watch(self._most_s), time.monotonic()
        return self._watch

    async def _waited(self) -> None:
        coming: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._queue.append(coming)
        try:
            async with asyncio.timeout(self._most_s):
                await coming
        except TimeoutError as error:
            self._given_up(coming)
            raise self._refused(f"its turn did not come within {self._most_s:g} s") from error
        except BaseException:
            self._given_up(coming)
            raise

    def _given_up(self, coming: asyncio.Future[None]) -> None:
        """Nobody waits for this turn any more; if it has come meanwhile, it is the next one's."""
        if coming in self._queue:
            self._queue.remove(coming)
        elif coming.done() and not coming.cancelled() and coming.exception() is None:
            self._next()

    def leave(self) -> None:
        """Give the turn to the next."""
        self._last_s = time.monotonic() - self._began
        self._next()

    def _next(self) -> None:
        while self._queue:
            coming = self._queue.popleft()
            if not coming.done():
                coming.set_result(None)
                return  # the watch stays in place, so that nobody slips in between
        self._watch = None

    def _refused(self, why: str) -> Refusal:
        seconds = math.ceil(max(1.0, self._last_s * (1 + len(self._queue))))
        return Refusal(503, f"{self.name}: {why}; try again in {seconds} s", Retry_After=str(seconds))

    async def run(self, work: Callable[[Watch], Result], *, keep: bool = False) -> Result:
        """Do a piece of work in the thread of this lane.

        Parameters
        ----------
        work : callable
            Given what it has to look at.
        keep : bool
            Whether the turn is kept if the work ends well; the caller must `leave` later.

        Raises
        ------
        Refusal
            503, as `turn`, or if the work was told to give up.
        """
        watch = await self.turn()
        future = asyncio.get_running_loop().run_in_executor(self._pool, work, watch)
        try:
            result = await asyncio.shield(future)
        except Ended as error:
            self.leave()
            raise self._refused(str(error)) from error
        except asyncio.CancelledError:
            watch.abort()  # the client is cut off, but the thread still works
            future.add_done_callback(self._left)
            raise
        except BaseException:
            self.leave()
            raise
        if not keep:
            self.leave()
        return result

    def _left(self, future: asyncio.Future[Any]) -> None:
        """Leave after work whose result nobody wants."""
        if not future.cancelled():
            future.exception()
        self.leave()

    async def more(self, work: Callable[[], Result]) -> Result:
        """Go on in the same thread, for a turn that was kept; raises what the work does."""
        return await asyncio.get_running_loop().run_in_executor(self._pool, work)

    def close(self) -> None:
        """Answer all that wait with 503, and take no more."""
        self._closed = True
        while self._queue:
            coming = self._queue.popleft()
            if not coming.done():
                coming.set_exception(self._refused("the service is stopping"))

    def abort(self) -> None:
        """Have what runs give up."""
        if self._watch is not None:
            self._watch.abort()

    def end(self) -> None:
        """Wait for the thread."""
        self._pool.shutdown(wait=True, cancel_futures=True)
