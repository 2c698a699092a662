"""A clock with an agenda: things that happen in the simulated world at their time."""

from __future__ import annotations

import heapq
import itertools
import threading
from collections.abc import Callable
from datetime import datetime

from autoalign.core.clock import Clock
from autoalign.core.errors import UsageError

__all__ = ["AgendaClock"]


class AgendaClock:
    """Passes another clock's time on, and lets things happen when their time has come.

    Whoever asks for the time, or sleeps past an entry, makes it happen first; a sleep is broken at
    every entry, so that in virtual time each happens exactly when it should.

    Parameters
    ----------
    clock
        The clock whose time it is.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._entries: list[tuple[float, int, Callable[[], None]]] = []
        self._numbers = itertools.count()
        self._lock = threading.RLock()
        self._busy = False

    def __repr__(self) -> str:
        return f"AgendaClock({self._clock!r}, {len(self._entries)} entries)"

    def at(self, time: float, action: Callable[[], None]) -> None:
        """Let ``action`` happen at ``time``, s; one that is past happens at once.

        Raises
        ------
        UsageError
            For a time that is not a number.
        """
        if time != time:  # noqa: PLR0124  (not a number)
            raise UsageError(f"agenda: time {time!r} is not a number of seconds.")
        with self._lock:
            heapq.heappush(self._entries, (time, next(self._numbers), action))
        self.now()

    def now(self) -> float:
        """Return monotonic seconds."""
        now = self._clock.now()
        if self._entries and self._entries[0][0] <= now:
            self._happen(now)
        return now

    def wall(self) -> datetime:
        """Return the time of day, UTC."""
        return self._clock.wall()

    def sleep(self, seconds: float) -> None:
        """Let ``seconds`` pass, entry by entry."""
        end = self._clock.now() + seconds
        while self._entries and self._entries[0][0] < end and not self._busy:
            self._clock.sleep(max(self._entries[0][0] - self._clock.now(), 0.0))
            self.now()
        self._clock.sleep(max(end - self._clock.now(), 0.0) if seconds >= 0 else seconds)
        self.now()

    def _happen(self, now: float) -> None:
        with self._lock:
            if self._busy:
                return
            self._busy = True
            try:
                while self._entries and self._entries[0][0] <= now:
                    heapq.heappop(self._entries)[2]()
            finally:
                self._busy = False
