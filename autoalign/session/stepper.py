"""What every steppable run has in common: it asks for measurements and moves one by one.

A :class:`Stepper` is a script that yields measurements and moves and is sent how they went; it does
no I/O, never sleeps and knows no clock. :class:`.core.Session` searches for the spec,
:class:`.scan.Scan` measures at positions and goes home.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Generator, Mapping

from autoalign.core.axes import Axis, approach_legs
from autoalign.core.errors import UsageError
from autoalign.session.actions import (
    Action,
    Exposed,
    Finish,
    Measure,
    Move,
    Moved,
    Outcome,
    Purpose,
    Refused,
    Status,
)
from autoalign.session.rules import strides
from autoalign.strategies.base import Measurement

__all__ = ["Part", "Script", "Stepper"]

Script = Generator[Action, Outcome, Finish]
Part = Generator[Action, Outcome, bool]


class Stepper(ABC):
    """A script of measurements and moves.

    Parameters
    ----------
    axes
        Every axis of the bench by name, in order.
    settle
        Seconds to wait after the last axis has come to rest.
    frames
        Exposures per measurement.
    """

    def __init__(self, axes: Mapping[str, Axis], settle: float, frames: int) -> None:
        self.axes = dict(axes)
        self.settle, self.frames = settle, frames
        self.measurements = self.moves = 0
        self.last: Measurement | None = None
        self.positions: dict[str, float] = {}
        self.finish: Finish | None = None
        self._arrived = -math.inf
        self._began: float | None = None
        self._now = -math.inf
        self._refused: Refused | None = None
        self._script = self._run()
        self._action: Action | None = None

    @abstractmethod
    def _run(self) -> Script:
        """Yield what to do, and be sent how it went."""

    def stand_at(self, positions: Mapping[str, float]) -> None:
        """Set the position of every axis (mm or rad by name), before the first action."""
        self.positions = dict(positions)

    def next_action(self) -> Action:
        """Return what to do now; the same until :meth:`observe` is given how it went."""
        if self.finish is not None:
            return self.finish
        if self._action is None:
            try:
                self._action = next(self._script)
            except StopIteration as stop:  # there was nothing to do
                self.finish = stop.value
                return self.finish
        return self._action

    def observe(self, outcome: Outcome) -> None:
        """Take how the last action went."""
        if self.finish is not None:
            raise UsageError("session: it has ended; there is nothing left to observe.")
        action = self.next_action()
        if not isinstance(outcome, Exposed if isinstance(action, Measure) else (Moved, Refused)):
            raise UsageError(
                f"session: given {type(outcome).__name__} after a {type(action).__name__}."
            )
        if isinstance(action, Move) and isinstance(outcome, Moved) and not action.cut_short:
            self._check_arrived(action, outcome)
        try:
            self._action = self._script.send(outcome)
        except StopIteration as stop:
            self.finish = stop.value

    def _check_arrived(self, move: Move, outcome: Moved) -> None:
        """Raise where an axis that is said to have moved is not at its target."""
        for name, target in move.targets.items():
            axis = self.axes[name]
            position = outcome.positions.get(name, math.nan)
            allowed = 5 * axis.arrival_tolerance + axis.resolution
            if not abs(position - target) <= allowed:
                raise UsageError(
                    f"session: the move is reported as made, but axis {name} is at "
                    f"{axis.said(position)}, and {axis.said(target)} was asked for. Give Moved "
                    "only once every axis is there; else Refused, or end the session."
                )

    def stop(self, reason: str) -> Finish:
        """End now, where the axes are; success is not claimed."""
        if self.finish is None:
            self._script.close()
            self.finish = Finish(Status.STOPPED, False, reason)
        return self.finish

    @property
    def elapsed(self) -> float:
        """Seconds on the bench's clock since the first measurement began."""
        return 0.0 if self._began is None else self._now - self._began

    @property
    def _settled(self) -> float:
        """From when on an exposure may begin, s."""
        return self._arrived + self.settle

    def _go(
        self,
        targets: Mapping[str, float],
        reason: str,
        returning: bool = False,
        direct: bool = False,
        purpose: Purpose = Purpose.PROBE,
    ) -> Part:
        """Move axes to ``targets`` in steps that each axis allows; False if refused.

        ``direct`` goes straight there, and does not take up the backlash. On the way
        back a limit is no obstacle: a place that reads beyond one by no more than the tolerance
        counts as the limit, and the backlash is taken up as far as the limits allow.
        """
        wanted = {
            n: _inside(self.axes[n], t) if returning else t
            for n, t in targets.items()
            if abs(t - self.positions.get(n, math.inf)) > max(self.axes[n].resolution / 2, 1e-12)
        }
        start = {n: self.positions.get(n, t) for n, t in wanted.items()}
        parts = max((strides(self.axes[n], start[n], t) for n, t in wanted.items()), default=1)
        for k in range(1, parts + 1):
            step = {n: t - (t - start[n]) * (parts - k) / parts for n, t in wanted.items()}
            if step and not (yield from self._step(step, reason, returning, direct, purpose)):
                return False
        return True

    def _step(
        self,
        targets: dict[str, float],
        reason: str,
        returning: bool,
        direct: bool,
        purpose: Purpose,
        cut_short: bool = False,
    ) -> Part:
        legs = {n: self._legs(n, t, returning, direct) for n, t in targets.items()}
        outcome = yield Move(
            self.moves + 1, targets, legs, reason or purpose.words, returning, purpose, cut_short
        )
        if isinstance(outcome, Refused):
            self._refused = outcome
            self._now = outcome.at
            return False
        assert isinstance(outcome, Moved)
        self.moves += 1
        self.positions = dict(outcome.positions)
        self._now = self._arrived = outcome.ended
        return True

    def _legs(self, name: str, target: float, returning: bool, direct: bool) -> tuple[float, ...]:
        if direct:
            return (target,)
        axis = self.axes[name]
        legs = approach_legs(axis, self.positions.get(name, target), target)
        if returning and len(legs) > 1:
            over = min(max(legs[0], axis.lower), axis.upper)
            return (target,) if over == target else (over, target)
        return legs

    def _refusal(self) -> tuple[Status, str]:
        assert self._refused is not None
        return Status.HELD if self._refused.held else Status.REFUSED, self._refused.reason


def _inside(axis: Axis, target: float) -> float:
    """Return the limit for a reading that is beyond it by no more than the tolerance."""
    limit = min(max(target, axis.lower), axis.upper)
    return limit if abs(target - limit) <= axis.arrival_tolerance else target
