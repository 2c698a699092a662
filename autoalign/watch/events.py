"""What happens to a watch, and what it is told to do about it: plain frozen data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from autoalign.watch.policy import WatchMeasurement

__all__ = [
    "Began",
    "Broke",
    "Cleared",
    "Command",
    "Decision",
    "Defect",
    "End",
    "Ending",
    "Event",
    "Failed",
    "Held",
    "Hold",
    "Latch",
    "Measured",
    "Realign",
    "Realigned",
    "Release",
    "Reopen",
    "Reopened",
    "Say",
    "Step",
    "Take",
    "Tell",
    "Trouble",
]


class Step(StrEnum):
    """What is done next."""

    STAND = "wait"
    CONFIRM = "recheck"
    REALIGN = "realign"
    HOLD = "pause"
    REOPEN = "reconnect"
    LATCH = "latch"
    END = "end"


class Trouble(StrEnum):
    """What kind of device failure it is."""

    LINE = "line"
    """A line that is broken or silent: it is closed and opened again."""
    DEVICE = "device"
    """Anything else that a device does wrong: it is asked again."""
    STRANGER = "stranger"
    """Somebody answers who is not the device that was there before."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do next, and why in words."""

    step: Step
    reason: str


# Events ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Began:
    """A watch begins. ``left`` is where an earlier one left the axes (mm or rad), ``doubts`` why
    the bench must be seen steady first, by the records that say so."""  # fmt: skip

    time: float
    left: WatchMeasurement | None = None
    doubts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A measurement was made of ``frames`` exposures.

    ``local`` says who has the bench, ``quiet`` until when nothing is realigned; "" otherwise.
    """

    seen: WatchMeasurement
    frames: int = 1
    local: str = ""
    quiet: str = ""


@dataclass(frozen=True, slots=True)
class Failed:
    """A measurement, or opening a line again, failed."""

    time: float
    why: str
    kind: Trouble = Trouble.DEVICE


@dataclass(frozen=True, slots=True)
class Reopened:
    """What failed is there again, and every device is the one that was there before."""

    time: float
    why: str = "every device answers again and is the one it was"


@dataclass(frozen=True, slots=True, eq=False)
class Realigned:
    """A realignment ended by itself after so many ``moves``; ``left`` is how it left the bench."""

    time: float
    in_spec: bool
    moves: int
    why: str
    left: WatchMeasurement | None = None


@dataclass(frozen=True, slots=True)
class Broke:
    """A realignment broke off."""

    time: float
    why: str
    kind: Trouble = Trouble.DEVICE


@dataclass(frozen=True, slots=True)
class Held:
    """The process, or the whole computer, stood still: nothing is known of that time."""

    time: float
    why: str


@dataclass(frozen=True, slots=True)
class Ending:
    """The watch is asked to end, or has made the measurements asked for."""

    time: float
    why: str


@dataclass(frozen=True, slots=True)
class Defect:
    """Something happened that nothing here knows; nobody watches any more."""

    time: float
    why: str


@dataclass(frozen=True, slots=True)
class Cleared:
    """A person has checked the bench and cleared the incident of this number."""

    time: float
    number: str


Event = Began | Measured | Failed | Reopened | Realigned | Broke | Held | Ending | Defect | Cleared


# Commands --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Say:
    """Record the decision with its evidence, and tell whoever follows."""

    decision: Decision
    evidence: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Tell:
    """Tell a person, and record it; nothing depends on it."""

    words: str


@dataclass(frozen=True, slots=True)
class Take:
    """Take a measurement of ``frames`` exposures ``after`` seconds."""

    after: float
    frames: int = 1


@dataclass(frozen=True, slots=True)
class Realign:
    """Realign now, with ``frames`` exposures for each measurement."""

    reason: str
    frames: int = 1


@dataclass(frozen=True, slots=True)
class Reopen:
    """Close every line and open it again ``after`` seconds."""

    after: float


@dataclass(frozen=True, slots=True)
class Hold:
    """Allow no motion until it is released."""

    why: str


@dataclass(frozen=True, slots=True)
class Release:
    """Allow motion again."""


@dataclass(frozen=True, slots=True)
class Latch:
    """Bring everything to rest and allow no motion until a person clears the incident."""

    why: str


@dataclass(frozen=True, slots=True)
class End:
    """End the watch."""

    why: str


Command = Say | Tell | Take | Realign | Reopen | Hold | Release | Latch | End
