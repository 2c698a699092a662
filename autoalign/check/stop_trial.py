"""STOP, tried in mid-move as the first act on each controller, before any axis is relied on to end.

One axis of each controller is sent a fiftieth of its travel inwards, stopped once a fifth of that
is behind it, and taken back. It is the longest move of a check.
"""

from __future__ import annotations

from collections.abc import Generator

from autoalign.check.expectation import LARGEST
from autoalign.core.axes import Axis
from autoalign.core.findings import Amount, Finding, Severity
from autoalign.session import ScanMeasurement, Waypoint

__all__ = ["try_stop"]

LONG_ENOUGH = 0.5
"""Time that the rest of the move would have taken, s, from which an axis that went on to its target
was not stopped; below it the stop may have come too late."""


def try_stop(axis: Axis, start: float) -> Generator[Waypoint, ScanMeasurement, Finding]:
    """Yield the waypoints of a trial of ``axis`` at ``start``, mm or rad; return what it showed.

    Where an axis moves on, whoever carries the move out raises an error that names it.
    """
    size = min(LARGEST * axis.travel, axis.max_step or axis.travel)
    inwards = 1.0 if start < (axis.lower + axis.upper) / 2 else -1.0
    target = start + inwards * size
    why = f"{axis.name}: STOP in mid-move"
    seen = yield Waypoint({axis.name: target}, why, frames=0, cut_short=True)
    short = abs(target - seen.positions[axis.name])
    yield Waypoint({axis.name: start}, f"{axis.name}: back after STOP", frames=0, returning=True)
    numbers = {"short": Amount(short, axis.unit), "move": Amount(size, axis.unit)}
    if short > 2 * axis.arrival_tolerance + axis.resolution:
        return Finding("stop-obeyed", axis.name, numbers, Severity.NOTE)
    if axis.speed is not None and 0.8 * size / axis.speed >= LONG_ENOUGH:
        return Finding("stop-not-obeyed", axis.name, numbers, Severity.FAULT)
    return Finding("stop-untried", axis.name, numbers, Severity.NOTE)
