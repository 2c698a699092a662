"""The last check before motion: interlock, limits with overshoot, travel budgets, and the latch.

It protects equipment from the software's own mistakes. It is not a safety function, and no
interlock that a program reads protects a person: what does has to be hardware.
"""

from __future__ import annotations

import itertools
import math
import subprocess
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.errors import HeldError, TravelBudgetError, UsageError, unknown_name
from autoalign.core.interfaces import Detector, Reading
from autoalign.session.actions import Move

__all__ = ["Interlock", "Latch", "MoveGuard", "command_interlock", "reading_interlock"]

Interlock = Callable[[], bool]
"""Something that has to be true before every move and as long as it lasts: a callable that reads an
input, or what a controller says. It is asked about twenty times a second during a move, and should
answer in a few milliseconds. What it raises counts as open."""


class Latch(StrEnum):
    """Whether motion is allowed."""

    RUN = "watching"
    HOLD = "paused"
    SAFE = "latched"


class MoveGuard:
    """Every move passes here before its intent is written.

    Parameters
    ----------
    axes
        Every axis by name.
    run_travel
        How far an axis may travel in one run, mm or rad by name; where not given, ``travels``
        times its travel. A quarter of it, at most one travel, is kept for the way back.
    travels
        See ``run_travel``.
    interlock
        Has to be true before and during every move; see :data:`Interlock`.
    """

    def __init__(
        self,
        axes: Mapping[str, Axis],
        run_travel: Mapping[str, float] | None = None,
        travels: float = 100.0,
        interlock: Interlock | None = None,
    ) -> None:
        self.axes = dict(axes)
        given = run_travel or {}
        for name in given:
            if name not in self.axes:
                raise unknown_name("axis", name, self.axes, "travel budget")
            if not given[name] > 0:
                raise UsageError(f"travel budget of {name}: {given[name]!r} must be above 0.")
        self.run_travel = {n: given.get(n, travels * a.travel) for n, a in self.axes.items()}
        self.travelled = dict.fromkeys(self.axes, 0.0)
        self.latch = Latch.RUN
        self.why = ""
        self.interlock = interlock

    def check(self, move: Move, positions: Mapping[str, float]) -> dict[str, float]:
        """Return the travel of every axis of ``move`` from ``positions``; raise if not allowed.

        Raises
        ------
        HeldError
            While paused or latched, while the interlock is open, or if it is not known where an
            axis is.
        TravelLimitError
            Where a target or the overshoot before it is outside the limits.
        TravelBudgetError
            Where the move, or the run with it, would be too long.
        """
        self.check_latch()
        self.check_interlock()
        travel = {}
        for name, legs in move.legs.items():
            if name not in self.axes:
                raise unknown_name("axis", name, self.axes, "move")
            axis = self.axes[name]
            if not math.isfinite(positions[name]):
                raise HeldError(
                    f"axis {name}: it is not known where it is ({positions[name]!r}); nothing "
                    "was moved."
                )
            path = (positions[name], *legs)
            for leg in (*legs, move.targets[name]):
                axis.check(leg)
            travel[name] = sum(abs(b - a) for a, b in itertools.pairwise(path))
            self._check_travel(axis, travel[name], move.returning)
        return travel

    def check_latch(self) -> None:
        """Raise :class:`HeldError` while no motion is allowed."""
        if self.latch is not Latch.RUN:
            raise HeldError(f"the bench is {self.latch}: {self.why}. No motion until that is over.")

    def interlock_open(self) -> str:
        """Return in words why the interlock is open; "" where it is closed, or there is none."""
        if self.interlock is None:
            return ""
        try:
            closed = self.interlock()
        except Exception as error:  # noqa: BLE001 - whatever it is, there is no consent
            return f"the interlock cannot be read ({type(error).__name__}: {error})"
        return "" if closed is True else "the interlock is open"

    def check_interlock(self) -> None:
        """Raise :class:`HeldError` while the interlock is open, or cannot be read."""
        if words := self.interlock_open():
            raise HeldError(f"{words}. No motion until it is closed.")

    def spend(self, travel: Mapping[str, float]) -> None:
        """Book ``travel`` (mm or rad by axis) of a move that is about to begin."""
        for name, distance in travel.items():
            self.travelled[name] += distance

    def hold(self, why: str) -> None:
        """Pause: allow no motion until :meth:`release`; a bench that is latched stays latched."""
        if self.latch is Latch.RUN:
            self.latch, self.why = Latch.HOLD, why

    def release(self) -> None:
        """End a pause. A latched bench is not released this way."""
        if self.latch is Latch.SAFE:
            raise HeldError(f"the bench is latched: {self.why}. A person must clear it by name.")
        self.latch, self.why = Latch.RUN, ""

    def make_safe(self, why: str) -> None:
        """Latch: no motion until a person clears it. The light is not switched."""
        self.latch, self.why = Latch.SAFE, why

    def clear_safe(self, person: str) -> None:
        """Clear the latch in the name of ``person``, who has checked the bench."""
        if not person.strip():
            raise HeldError("clearing a latch needs the name of the person who checked the bench.")
        self.latch, self.why = Latch.RUN, ""

    def _check_travel(self, axis: Axis, distance: float, returning: bool) -> None:
        step = axis.max_step if axis.max_step is not None else axis.travel
        allowed = step + 2 * axis.overshoot + axis.arrival_tolerance
        if distance > allowed:
            raise TravelBudgetError(
                f"axis {axis.name}: one move would travel {axis.said(distance)}, allowed is "
                f"{axis.said(allowed)} (overshoot included); nothing was moved. Go in steps."
            )
        spent, total = self.travelled[axis.name], self.run_travel[axis.name]
        if not returning:
            total -= min(total / 4, axis.travel)
        if spent + distance > total:
            raise TravelBudgetError(
                f"axis {axis.name}: {axis.said(spent)} travelled in this run and "
                f"{axis.said(distance)} asked for, allowed is {axis.said(total)} (the way back "
                "kept in reserve); nothing was moved. Raise the travel budget if the wear is "
                "acceptable."
            )


def command_interlock(
    command: Sequence[str], clock: Clock, fresh: float = 0.5, deadline: float = 2.0
) -> Interlock:
    """Return an interlock that is closed while ``command`` ends with exit code 0.

    An answer counts for ``fresh`` s of ``clock``; one that takes longer than ``deadline`` s is an
    error, and so counts as open.
    """
    known: list[tuple[float, bool]] = []

    def ask() -> bool:
        if not known or clock.now() - known[0][0] > fresh:
            ended = subprocess.run(command, timeout=deadline, check=False, capture_output=True)
            known[:] = [(clock.now(), ended.returncode == 0)]
        return known[0][1]

    return ask


def reading_interlock(
    detector: Detector, name: str, clock: Clock, at_least: float, at_most: float = math.inf
) -> Interlock:
    """Return an interlock that is closed while an input is within two bounds, in its own unit.

    ``name`` is what ``detector`` calls the input in its readings.
    """

    def ask() -> bool:
        now = clock.now()
        for reading in detector.acquire(1, now, now + 1.0):
            if isinstance(reading, Reading) and name in reading.values:
                return at_least <= reading.values[name] <= at_most
        raise HeldError(f"detector {detector.name} gives no reading called {name!r}.")

    return ask
