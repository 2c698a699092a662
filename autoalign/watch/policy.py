"""How a watch behaves, and what one measurement of it is: plain frozen data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from autoalign.beam.profile import Use
from autoalign.core.errors import UsageError
from autoalign.strategies.base import Measurement

__all__ = ["Policy", "Quiet", "WatchMeasurement"]


@dataclass(frozen=True, slots=True, eq=False)
class WatchMeasurement:
    """One scheduled measurement.

    ``time`` on the bench's clock, s; ``positions`` of all axes, mm or rad.
    """

    time: float
    measurement: Measurement
    positions: Mapping[str, float]

    @property
    def powers(self) -> dict[str, float]:
        """Light at every plane whose whole beam was seen."""
        whole = (Use.ALL, Use.POSITION)
        return {p: v.power for p, v in self.measurement.profiles.items() if v.use in whole}


@dataclass(frozen=True, slots=True)
class Quiet:
    """A time of every day, in local time, in which nothing is realigned; it may pass midnight."""

    begin: time
    end: time

    @classmethod
    def read(cls, text: str) -> Quiet:
        """Return the window that ``text`` means, for instance ``08:00-18:30``."""
        try:
            begin, end = (time.fromisoformat(part.strip()) for part in text.split("-"))
        except ValueError:
            raise UsageError(
                f'quiet window {text!r}: give two times of day, for instance "08:00-18:30".'
            ) from None
        if begin == end or begin.tzinfo or end.tzinfo:
            raise UsageError(f"quiet window {text!r}: give two different local times of day.")
        return cls(begin, end)

    def until(self, now: datetime) -> datetime | None:
        """Return when the window that ``now`` is in ends; None outside of it."""
        for day in (-1, 0):
            begin = datetime.combine(now.date() + timedelta(day), self.begin, now.tzinfo)
            end = datetime.combine(begin.date(), self.end, now.tzinfo)
            end += timedelta(1 if self.end < self.begin else 0)
            if begin <= now < end:
                return end
        return None


@dataclass(frozen=True, slots=True)
class Policy:
    """How the watch behaves.

    Parameters
    ----------
    interval
        Seconds between measurements.
    recheck
        Seconds before a measurement that confirms, and the first ones while paused; a long pause
        is measured less and less often, down to ``interval``.
    ahead
        Realign where the spec is expected to be left within this many intervals.
    sure
        Realign once the beam is out of spec, or will be, with this probability.
    doubt
        Measure again, with more exposures, from this probability on.
    rechecks
        Such measurements in a row at most; after them the next one comes on schedule.
    most_frames
        Exposures averaged for one measurement at most.
    jump
        A residual that changes by more tolerances than this between two measurements, and by more
        than noise can, is a knock, not a drift: pause until it is steady.
    power_step
        Light at a plane that changes by more than this factor without a move is a source fault.
    steady
        Measurements in a row that must agree before a pause ends.
    hourly, daily
        Realignments that moved something: at most ``hourly`` within an hour, the next one waits;
        one more than ``daily`` within 24 hours is a pause, because realigning does not help.
    broken
        Realignments in a row that may break off before the bench is latched.
    outage
        Seconds that a device may fail for before the bench is latched.
    quiet
        Times of day in which nothing is realigned.
    """

    interval: float = 600.0
    recheck: float = 5.0
    ahead: float = 1.0
    sure: float = 0.975
    doubt: float = 0.1
    rechecks: int = 12
    most_frames: int = 64
    jump: float = 5.0
    power_step: float = 2.0
    steady: int = 3
    hourly: int = 3
    daily: int = 12
    broken: int = 3
    outage: float = 86400.0
    quiet: tuple[Quiet, ...] = ()

    def __post_init__(self) -> None:
        for what in ("interval", "recheck", "outage"):
            if not getattr(self, what) > 0:
                raise UsageError(f"watch: {what} must be larger than 0 s.")
        for what in ("steady", "hourly", "daily", "broken", "most_frames"):
            if getattr(self, what) < 1:
                raise UsageError(f"watch: {what} must be 1 or more.")
        if self.rechecks < 0:
            raise UsageError("watch: rechecks must be 0 or more.")
        if not 0 < self.doubt <= self.sure < 1:
            raise UsageError("watch: doubt above 0 and at most sure, and sure below 1.")
        if not (self.jump > 0 and self.power_step > 1 and self.ahead >= 0):
            raise UsageError("watch: jump above 0, power_step above 1, ahead 0 or more.")

    def frames_for(self, noise: float, guard: float) -> int:
        """Return how many exposures keep the guard band within half the tolerance.

        ``noise`` of one exposure in tolerances, ``guard`` in standard uncertainties. Half is common
        practice: it leaves the other half for the beam. It may be more than ``most_frames``.
        """
        return max(math.ceil((guard * noise / _GUARD_SHARE) ** 2 - 1e-9), 1)


_GUARD_SHARE = 0.5
