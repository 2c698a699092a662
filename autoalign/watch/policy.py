"""How a watch behaves, what it is given, and what it decides: plain frozen data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from autoalign.beam.profile import Use
from autoalign.core.errors import UsageError
from autoalign.strategies.base import Measurement

__all__ = ["Decision", "Policy", "Step", "WatchMeasurement"]


class Step(StrEnum):
    """What to do next."""

    STAND = "wait"
    CONFIRM = "recheck"
    REALIGN = "realign"
    HOLD = "pause"


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do next, and why in words."""

    step: Step
    reason: str


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
class Policy:
    """How the watch behaves.

    Parameters
    ----------
    interval
        Seconds between measurements.
    recheck
        Seconds before a measurement that confirms, and between measurements while paused.
    ahead
        Realign where the trend leaves the spec within this many intervals.
    history
        Measurements since the last move that a trend is fitted to; at least 4.
    jump
        A residual that changes by more tolerances than this between two measurements is a knock,
        not a drift: pause until it is steady.
    power_step
        Light at a plane that changes by more than this factor without a move is a source fault.
    steady
        Measurements in a row that must agree before a pause ends.
    realignments
        At most this many within ``per`` seconds; one more is a pause, because realigning does not
        help.
    """

    interval: float = 600.0
    recheck: float = 5.0
    ahead: float = 1.0
    history: int = 12
    jump: float = 5.0
    power_step: float = 2.0
    steady: int = 3
    realignments: int = 6
    per: float = 86400.0

    def __post_init__(self) -> None:
        for what in ("interval", "recheck", "per"):
            if not getattr(self, what) > 0:
                raise UsageError(f"watch: {what} must be larger than 0 s.")
        if self.history < 4 or self.steady < 1 or self.realignments < 1:
            raise UsageError("watch: history at least 4, steady and realignments at least 1.")
        if not (self.jump > 0 and self.power_step > 1 and self.ahead >= 0):
            raise UsageError("watch: jump above 0, power_step above 1, ahead 0 or more.")
