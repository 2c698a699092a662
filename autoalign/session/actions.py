"""What a session asks for, and what it is answered: plain frozen data, no I/O.

A session yields :class:`Measure`, :class:`Move` and at last :class:`Finish`; whoever drives it
answers a measurement with :class:`Exposed` and a move with :class:`Moved` or :class:`Refused`. All
times are on the bench's clock, s.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from numbers import Integral, Real

from autoalign.core.errors import UsageError
from autoalign.core.interfaces import Exposure

__all__ = [
    "Action",
    "Budget",
    "Exposed",
    "Finish",
    "Measure",
    "Move",
    "Moved",
    "Outcome",
    "Purpose",
    "Refused",
    "Status",
]


class Status(StrEnum):
    """How a session ended."""

    IN_SPEC = "in spec"
    BUDGET = "budget spent"
    UNPROVABLE = "cannot be shown"
    BEST_EFFORT = "best effort"
    GIVEN_UP = "strategy gave up"
    FAILED = "strategy failed"
    REFUSED = "a move was refused"
    HELD = "paused or latched"
    DARK = "the light went out"
    STOPPED = "stopped"
    BACK = "back at the start"
    MOVED = "moved as asked"


class Purpose(StrEnum):
    """What an action is for; programs decide by it, sentences are for people."""

    FIRST = "first"
    PROBE = "measurement"
    """A place that the strategy asked for."""
    CLOSER = "closer"
    """The same place once more, with more frames."""
    STILL_LIT = "still-lit"
    """Where there was light at last, after several dark measurements."""
    VERIFY = "verify"
    RETURN = "return"
    TOUR = "tour"
    WATCH = "watch"
    ASKED = "asked for by hand"

    @property
    def words(self) -> str:
        """What it is for, for people."""
        return _PURPOSES.get(self, self.value)


_PURPOSES = {
    Purpose.CLOSER: "the same place again, with more frames",
    Purpose.STILL_LIT: "check for light where it was last measured",
    Purpose.VERIFY: "final check",
}


@dataclass(frozen=True, slots=True)
class Budget:
    """The largest number of measurements and the longest time of a session.

    Parameters
    ----------
    measurements
        Maximum number of measurements, including the first and the final check; at least 2.
    seconds
        Time on the bench's clock; infinite for no limit. Nothing new is begun after it, except the
        way back to the best verified position.
    """

    measurements: int = 60
    seconds: float = math.inf

    def __post_init__(self) -> None:
        if not isinstance(self.measurements, Integral) or isinstance(self.measurements, bool):
            raise UsageError(
                f"budget of {self.measurements!r} measurements; give a whole number of them."
            )
        if not isinstance(self.seconds, Real):
            raise UsageError(f"budget of {self.seconds!r} s; give a number of seconds.")
        if self.measurements < 2:
            raise UsageError(
                f"budget of {self.measurements} measurements; the first and the final check need 2."
            )
        if not self.seconds > 0:
            raise UsageError(f"budget of {self.seconds!r} s; it must be larger than 0.")


@dataclass(frozen=True, slots=True)
class Measure:
    """Read every detector, ``frames`` exposures each, none begun before ``not_before`` (s).

    ``reason`` says for people what it is for, ``purpose`` for programs.
    """

    number: int
    not_before: float
    frames: int
    reason: str
    purpose: Purpose = Purpose.PROBE


@dataclass(frozen=True, slots=True)
class Move:
    """Take axes to ``targets`` (mm or rad), each over its own ``legs``, all at once.

    ``returning`` marks the way back to a place that was verified; travel is kept in reserve for it.
    One that is ``cut_short`` is stopped on the way, to see that STOP works: it is made where the
    axes came to rest.
    """

    number: int
    targets: Mapping[str, float]
    legs: Mapping[str, tuple[float, ...]]
    reason: str
    returning: bool = False
    purpose: Purpose = Purpose.PROBE
    cut_short: bool = False


@dataclass(frozen=True, slots=True)
class Finish:
    """The session is over: ``in_spec`` as verified after the last move, and why it ended."""

    status: Status
    in_spec: bool
    reason: str


Action = Measure | Move | Finish


@dataclass(frozen=True, slots=True)
class Exposed:
    """What a measurement gave.

    ``positions`` of all axes as read back; ``exposures`` by detector; ``failures`` in words for the
    detectors that gave none.
    """

    positions: Mapping[str, float]
    exposures: Mapping[str, Sequence[Exposure]]
    began: float
    ended: float
    failures: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Moved:
    """A move was carried out: every axis arrived and was idle at ``ended``."""

    positions: Mapping[str, float]
    began: float
    ended: float


@dataclass(frozen=True, slots=True)
class Refused:
    """A move was not begun, ``reason`` says why; ``held``: the bench is paused or latched."""

    reason: str
    at: float
    held: bool = False


Outcome = Exposed | Moved | Refused
