"""When an axis has arrived, by when it must have, and what a status says is wrong.

An acknowledgement is not an arrival: arrived means read back within tolerance and idle, twice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from autoalign.core.axes import Axis
from autoalign.core.errors import MotionFaultError, MotionTimeoutError
from autoalign.core.interfaces import AxisStatus

__all__ = ["MoveTracker", "allowed_time", "check_fit"]

_UNKNOWN_SPEED_TIME = 120.0
_GRACE = 5.0
_REST_TIME = 2.0


def allowed_time(axis: Axis, distance: float) -> float:
    """Return the seconds that a leg of ``distance`` (mm or rad) may take.

    Three times the expected time and five seconds; two minutes where the speed is not known. A
    person who turns an axis takes as long as it takes.
    """
    if axis.by_hand:
        return math.inf
    if axis.speed is None:
        return _UNKNOWN_SPEED_TIME
    return 3 * abs(distance) / axis.speed + _GRACE


def check_fit(axis: Axis, status: AxisStatus, doing: str = "") -> None:
    """Raise :class:`MotionFaultError` on a fault, or where ``axis`` is not homed.

    ``doing`` is what it was about, for the message.
    """
    if status.fault or not status.homed:
        what = status.fault or "the axis is not homed (any more)"
        raise MotionFaultError(
            f"axis {axis.name}: {what}, at {axis.said(status.position)}{doing}. Check the axis, "
            "with the beam blocked or at alignment power, and clear the fault at the controller, "
            "or home it."
        )


@dataclass(slots=True)
class MoveTracker:
    """One axis on its way over ``legs``: what to start next, and whether it is there.

    The caller starts ``target``, then shows every fresh status to :meth:`look` until it says that
    the leg is done, and calls :meth:`advance`.
    """

    axis: Axis
    position: float
    legs: list[float]
    now: float
    deadline: float = field(init=False)
    _agreeing: int = 0
    _resting_since: float | None = None

    def __post_init__(self) -> None:
        self.deadline = self.now + allowed_time(self.axis, self.legs[0] - self.position)

    @property
    def target(self) -> float:
        """The end of the present leg, mm or rad."""
        return self.legs[0]

    @property
    def pause(self) -> float:
        """Seconds until the next status is worth asking for."""
        if self.axis.speed is None:
            return 0.05
        return min(max(0.5 * abs(self.target - self.position) / self.axis.speed, 0.01), 0.25)

    def look(self, status: AxisStatus, now: float) -> bool:
        """Return whether the present leg is done; raise where it never will be.

        Raises
        ------
        MotionFaultError
            On a fault, or where homing was lost.
        MotionTimeoutError
            Past the deadline, or at rest away from the target.
        """
        name, said = self.axis.name, self.axis.said
        check_fit(self.axis, status, f" on the way to {said(self.target)}")
        self.position = status.position
        there = abs(status.position - self.target) <= self.axis.arrival_tolerance
        if there and not status.moving:
            self._agreeing += 1
            return self._agreeing >= 2
        self._agreeing = 0
        self._check_rest(status, now)
        if now > self.deadline:
            raise MotionTimeoutError(
                f"axis {name}: not at rest at {said(self.target)} in time; it is at "
                f"{said(status.position)} and says it is "
                f"{'moving' if status.moving else 'idle'}. It is being stopped. Check for an "
                "obstruction, with the beam blocked or at alignment power, or correct speed and "
                "tolerance in the bench file."
            )
        return False

    def advance(self, now: float) -> bool:
        """Go on to the next leg; return whether there is one."""
        self.legs.pop(0)
        self._agreeing, self._resting_since = 0, None
        if not self.legs:
            return False
        self.deadline = now + allowed_time(self.axis, self.legs[0] - self.position)
        return True

    def _check_rest(self, status: AxisStatus, now: float) -> None:
        if status.moving:
            self._resting_since = None
        elif self._resting_since is None:
            self._resting_since = now
        elif now - self._resting_since > _REST_TIME:
            said = self.axis.said
            raise MotionTimeoutError(
                f"axis {self.axis.name}: came to rest at {said(status.position)}, asked for "
                f"{said(self.target)}. Somebody else stopped it, it is blocked, or the "
                "tolerance in the bench file is too tight."
            )
