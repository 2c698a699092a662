"""One motorised (or hand-turned) degree of freedom, and how to approach a target on it."""

from __future__ import annotations

import math
import numbers
from dataclasses import dataclass
from typing import Any, Literal

from autoalign.core.errors import TravelLimitError, UsageError
from autoalign.core.units import EDGE_UNIT, to_edge

__all__ = ["FINEST_TURN", "Axis", "AxisUnit", "approach_legs"]

AxisUnit = Literal["mm", "rad"]

FINEST_TURN = 5
"""Degrees by which a hand can turn a screw on purpose. Common practice, from memory."""


@dataclass(frozen=True, slots=True)
class Axis:
    """A degree of freedom.

    Positions and limits are in ``unit``: mm for a shift, rad for a turn.

    Parameters
    ----------
    name
        ``part.motion``, for instance ``source.x`` or ``mirror.tip``; unique on the bench.
    unit
        "mm" or "rad".
    lower, upper
        Soft travel limits. They protect equipment and are not a safety function.
    resolution
        Smallest step; 0 where it is not known or not limited.
    backlash
        Lost motion on reversal (backlash). The last leg of every move comes from the side that
        ``approach`` names, past the target by more than the backlash.
    approach
        +1: the last leg moves towards larger values; −1: towards smaller ones.
    speed
        Expected speed, unit/s; sets deadlines. None where not known.
    tolerance
        A readback this close to the target counts as arrived. Defaults to two resolutions, or
        1e-6 of the travel where no resolution is given.
    max_step
        The furthest that one move may go; None for the whole travel.
    per_turn
        Where a person turns a screw: what one clockwise turn does to the position, negative where
        it makes it smaller; 0 where there is no screw or its pitch is not known.
    by_hand
        Whether a person turns it. Its stage asks for a turn in ``start_move``, and for the reading
        of the scale at most in the first ``status``; it may take as long as it takes. While a
        person is asked no motor of the bench moves, and none starts before hands are clear.
    """

    name: str
    unit: AxisUnit
    lower: float
    upper: float
    resolution: float = 0.0
    backlash: float = 0.0
    approach: Literal[1, -1] = 1
    speed: float | None = None
    tolerance: float | None = None
    max_step: float | None = None
    per_turn: float = 0.0
    by_hand: bool = False

    def __post_init__(self) -> None:
        if not self.name or self.name.strip() != self.name:
            raise UsageError(f"axis name {self.name!r} is empty or has blanks around it.")
        if self.unit not in ("mm", "rad"):
            raise UsageError(f"axis {self.name}: unit {self.unit!r}; allowed are 'mm' and 'rad'.")
        if not (_finite(self.lower) and _finite(self.upper)):
            raise UsageError(f"axis {self.name}: travel limits must be finite numbers.")
        if self.lower >= self.upper:
            raise UsageError(
                f"axis {self.name}: lower limit {self.said(self.lower)} is not below the upper "
                f"limit {self.said(self.upper)}; exchange them."
            )
        for what in ("resolution", "backlash"):
            value = getattr(self, what)
            if not (_finite(value) and value >= 0):
                raise UsageError(f"axis {self.name}: {what} {value!r} must be 0 or larger.")
        for what in ("speed", "tolerance", "max_step"):
            value = getattr(self, what)
            if value is not None and not (_finite(value) and value > 0):
                raise UsageError(f"axis {self.name}: {what} {value!r} must be larger than 0.")
        if not _finite(self.per_turn):
            raise UsageError(
                f"axis {self.name}: per_turn {self.per_turn!r} must be a finite number, in "
                f"{self.unit} for one clockwise turn; 0 where there is no screw."
            )
        if self.approach not in (1, -1):
            raise UsageError(f"axis {self.name}: approach {self.approach!r}; allowed are 1 and -1.")
        if self.overshoot >= self.travel:
            raise UsageError(
                f"axis {self.name}: the overshoot that takes up the backlash, "
                f"{self.said(self.overshoot)}, is not less than the travel of "
                f"{self.said(self.travel)}; correct backlash, resolution or limits."
            )

    @property
    def part(self) -> str:
        """What the axis moves: the name up to the first dot."""
        return self.name.partition(".")[0]

    @property
    def travel(self) -> float:
        """Upper minus lower limit, in ``unit``."""
        return self.upper - self.lower

    @property
    def arrival_tolerance(self) -> float:
        """How close a readback must be to count as arrived, in ``unit``."""
        if self.tolerance is not None:
            return self.tolerance
        return 2 * self.resolution if self.resolution > 0 else 1e-6 * self.travel

    @property
    def overshoot(self) -> float:
        """How far a move from the wrong side passes its target, in ``unit``; 0 without backlash."""
        return 1.5 * self.backlash + 2 * self.resolution if self.backlash > 0 else 0.0

    @property
    def reachable(self) -> tuple[float, float]:
        """Targets that every approach can reach inside the limits, overshoot included."""
        if self.approach > 0:
            return self.lower + self.overshoot, self.upper
        return self.lower, self.upper - self.overshoot

    def said(self, value: float) -> str:
        """Return a position or a distance as a person reads it: in mm or mrad, with the unit."""
        unit = EDGE_UNIT[self.unit]
        return f"{to_edge(value, unit):.6g} {unit}"

    def clip(self, target: float) -> float:
        """Return the reachable position closest to ``target``."""
        low, high = self.reachable
        return min(max(target, low), high)

    def turning(self, change: float) -> str:
        """Return how to turn the screw for ``change`` of the position, as far as a hand can.

        For instance "1 turn and 90° clockwise", from ten turns on whole turns only; empty where the
        screw's pitch is not known.
        """
        if not self.per_turn:
            return ""
        turns = change / self.per_turn
        steps = round(abs(turns) * 360 / FINEST_TURN)
        whole, degrees = divmod(max(steps, 1) * FINEST_TURN, 360)
        if whole >= 10:
            whole, degrees = round(abs(turns)), 0
        parts = [f"{whole} turn{'s' if whole > 1 else ''}"] if whole else []
        if degrees:
            parts.append(f"{degrees}°")
        return f"{' and '.join(parts)} {'clockwise' if turns > 0 else 'anticlockwise'}"

    def check(self, target: float) -> None:
        """Raise :class:`TravelLimitError` where ``target`` is not a number inside the limits."""
        if not (math.isfinite(target) and self.lower <= target <= self.upper):
            raise TravelLimitError(
                f"axis {self.name}: asked for {self.said(target)}, allowed is "
                f"{self.said(self.lower)} to {self.said(self.upper)}; nothing was moved. Choose a "
                "target inside, or widen the limits in the bench file if the hardware allows it."
            )


def _finite(value: Any) -> bool:
    """Whether ``value`` is a number, and a finite one; a text or a truth is none."""
    real = isinstance(value, numbers.Real) and not isinstance(value, bool)
    return real and math.isfinite(value)


def approach_legs(axis: Axis, start: float, target: float) -> tuple[float, ...]:
    """Return the positions to measure at so that ``target`` is reached with the backlash taken up.

    A move in the approach direction that is longer than the backlash goes straight there; every
    other move first goes past the target by :attr:`Axis.overshoot`. Both legs must be checked
    against the limits.
    """
    if axis.backlash <= 0:
        return (target,)
    forward = (target - start) * axis.approach
    if forward >= axis.overshoot:
        return (target,)
    return (target - axis.approach * axis.overshoot, target)
