"""When a move is done: the readback within tolerance, and idle, for a while, before a deadline.

An acknowledgement is not an arrival; "at rest" just after an order may only mean that the motion
has not begun; a readback near the target may only mean passing by.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Arrival", "Verdict"]

Verdict = Literal["under way", "arrived", "short", "late"]


@dataclass(slots=True)
class Arrival:
    """Judges one move from what is read of it.

    Parameters
    ----------
    target, tolerance
        Unit of the axis.
    ordered, deadline
        When the move was accepted, and when it must have ended, s.
    settle
        Rest at the target that counts as arrived, s.
    grace
        How long an axis may say that it rests before the move begins to show, s.
    """

    target: float
    tolerance: float
    ordered: float
    deadline: float
    settle: float
    grace: float
    seen_moving: bool = False
    resting_since: float | None = None

    def judge(self, now: float, position: float, idle: bool) -> Verdict:
        """Take in a reading at ``now`` and say how the move stands.

        ``short``: at rest and not at the target. ``late``: still not at rest at the deadline.
        """
        if not idle:
            self.seen_moving, self.resting_since = True, None
            return "late" if now > self.deadline else "under way"
        if abs(position - self.target) <= self.tolerance:
            if self.resting_since is None:
                self.resting_since = now
            return "arrived" if now - self.resting_since >= self.settle else "under way"
        self.resting_since = None
        begun = self.seen_moving or now - self.ordered >= self.grace
        return "short" if begun else "under way"
