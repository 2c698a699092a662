"""Everything that autoalign raises.

Each error says who, where, what was asked, what is allowed and what to do::

    AlignError
    ├── UsageError (ValueError)          a request that cannot be carried out as it stands
    │   ├── UnknownNameError (LookupError)   no such axis, strategy, driver, plane, term
    │   ├── TravelLimitError                 a leg of a move would leave the soft limits
    │   ├── TravelBudgetError                a move or a run would travel too far
    │   ├── FrameError                       pixels that cannot be a frame
    │   ├── BenchFileError                   a bench file with mistakes, all of them listed
    │   ├── MissingNeedError                 a strategy needs what this bench cannot give
    │   └── MissingExtraError                a package is missing that an extra would bring
    ├── HardwareError                    a device misbehaves
    │   ├── LinkError (ConnectionError)      the link to a controller is broken or unusable
    │   │   ├── PortMissingError                 no such port
    │   │   ├── PortBusyError                    the port is someone else's
    │   │   ├── LinkTimeoutError (TimeoutError)  no answer before the deadline
    │   │   ├── ReplyError                       an answer outside the grammar
    │   │   └── WrongDeviceError                 somebody answers, but not who was expected
    │   ├── MotionError                      an axis did not do as commanded
    │   │   ├── MotionTimeoutError (TimeoutError)  not there before the deadline
    │   │   ├── MotionFaultError                   alarm, limit switch, lost homing
    │   │   └── AmbiguousMoveError                 it is not known whether the move took place
    │   └── DetectorError                    no usable frame before the deadline
    ├── JournalError (OSError)           the record of the run cannot be written or read
    ├── HeldError                        the bench is paused or latched: no motion
    └── PluginError                      a plug-in cannot be loaded, or fails
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

__all__ = [
    "AlignError",
    "AmbiguousMoveError",
    "BenchFileError",
    "DetectorError",
    "FrameError",
    "HardwareError",
    "HeldError",
    "JournalError",
    "LinkError",
    "LinkTimeoutError",
    "MissingExtraError",
    "MissingNeedError",
    "MotionError",
    "MotionFaultError",
    "MotionTimeoutError",
    "PluginError",
    "PortBusyError",
    "PortMissingError",
    "ReplyError",
    "TravelBudgetError",
    "TravelLimitError",
    "UnknownNameError",
    "UsageError",
    "WrongDeviceError",
    "unknown_name",
]


class AlignError(Exception):
    """Root of everything that this library raises on purpose."""


class UsageError(AlignError, ValueError):
    """A request that cannot be carried out as it stands."""


class UnknownNameError(UsageError, LookupError):
    """No axis, strategy, driver, plane or term of that name."""


class TravelLimitError(UsageError):
    """A leg of a move would leave the soft limits; nothing was moved."""


class TravelBudgetError(UsageError):
    """A move, or the run, would travel further than it may; nothing was moved."""


class FrameError(UsageError):
    """Pixels that cannot be a frame, or that cannot be measured."""


class BenchFileError(UsageError):
    """A bench file with mistakes. ``problems`` lists all of them, one line of text each."""

    def __init__(self, source: str, problems: Sequence[str]) -> None:
        self.source = source
        self.problems = tuple(problems)
        count = len(self.problems)
        head = f"{source}: {count} mistake{'s' if count != 1 else ''}; nothing was moved."
        super().__init__("\n".join([head, *(f"  {p}" for p in self.problems)]))


class MissingNeedError(UsageError):
    """A strategy needs something that this bench cannot give."""


class MissingExtraError(UsageError):
    """A package is not installed that an extra of this one brings."""


class HardwareError(AlignError):
    """A device misbehaves."""


class LinkError(HardwareError, ConnectionError):
    """The link to a controller is broken or unusable."""


class PortMissingError(LinkError):
    """There is no such port."""


class PortBusyError(LinkError):
    """The port belongs to someone else at the moment."""


class LinkTimeoutError(LinkError, TimeoutError):
    """No answer came before the deadline."""


class ReplyError(LinkError):
    """An answer came that the reply grammar does not allow."""


class WrongDeviceError(LinkError):
    """Somebody answers on the port, but not the device that was expected."""


class MotionError(HardwareError):
    """An axis did not do as commanded."""


class MotionTimeoutError(MotionError, TimeoutError):
    """An axis was not at its target and idle before the deadline."""


class MotionFaultError(MotionError):
    """An axis reports an alarm, a limit switch or lost homing."""


class AmbiguousMoveError(MotionError):
    """It is not known whether a move took place; read the position before anything else."""


class DetectorError(HardwareError):
    """No usable frame came before the deadline."""


class JournalError(AlignError, OSError):
    """The record of the run cannot be written or read."""


class HeldError(AlignError):
    """The bench is paused or latched, or hands may be at it; no motion until that is resolved."""


class PluginError(AlignError):
    """A plug-in cannot be loaded, or fails in a way that is no error of a device."""


def unknown_name(
    kind: str, asked: str, allowed: Iterable[str], where: str = ""
) -> UnknownNameError:
    """Build the error for a name that does not exist, with the closest existing one as a hint."""
    names = sorted(allowed)
    close = difflib.get_close_matches(asked, names, n=1)
    hint = f" Did you mean {close[0]!r}?" if close else ""
    place = f"{where}: " if where else ""
    known = ", ".join(names) if names else "none"
    return UnknownNameError(f"{place}there is no {kind} named {asked!r}.{hint} Known: {known}.")
