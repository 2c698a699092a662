"""Time is injected: a real clock for hardware, one that jumps for simulated time."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol, runtime_checkable

from autoalign.core.errors import UsageError

__all__ = ["Clock", "RealClock", "ScaledClock", "VirtualClock"]


@runtime_checkable
class Clock(Protocol):
    """Seconds that never run backwards, a wall time for records, and a way to let time pass."""

    def now(self) -> float:
        """Return monotonic seconds."""
        ...

    def wall(self) -> datetime:
        """Return the time of day, UTC; for records only, never for deadlines."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let ``seconds`` pass."""
        ...


class RealClock:
    """The computer's own clock."""

    def now(self) -> float:
        """Return monotonic seconds."""
        return time.monotonic()

    def wall(self) -> datetime:
        """Return the time of day, UTC."""
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        """Block for ``seconds``."""
        if seconds > 0:
            time.sleep(seconds)


class VirtualClock:
    """Time that passes only when somebody sleeps; a simulated hour takes no time at all."""

    def __init__(self, epoch: datetime | None = None) -> None:
        self._now = 0.0
        self._epoch = epoch or datetime(2026, 1, 1, tzinfo=UTC)

    def now(self) -> float:
        """Return virtual seconds since the clock was made."""
        return self._now

    def wall(self) -> datetime:
        """Return the virtual time of day, UTC."""
        return self._epoch + timedelta(seconds=self._now)

    def sleep(self, seconds: float) -> None:
        """Jump ahead by ``seconds``."""
        if not seconds >= 0:
            raise UsageError(f"cannot sleep for {seconds!r} s; give 0 or more.")
        self._now += seconds


class ScaledClock:
    """A real clock that runs ``factor`` times faster, for simulated hardware on real links."""

    def __init__(self, factor: float) -> None:
        if not factor > 0:
            raise UsageError(f"clock factor {factor!r} must be larger than 0.")
        self.factor = factor
        self._start = time.monotonic()
        self._epoch = datetime.now(UTC)

    def now(self) -> float:
        """Return scaled monotonic seconds since the clock was made."""
        return (time.monotonic() - self._start) * self.factor

    def wall(self) -> datetime:
        """Return the scaled time of day, UTC."""
        return self._epoch + timedelta(seconds=self.now())

    def sleep(self, seconds: float) -> None:
        """Block until ``seconds`` of scaled time have passed."""
        if seconds > 0:
            time.sleep(seconds / self.factor)
