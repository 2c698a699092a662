"""The suite of stages passes a right stage and fails every planted wrong one."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from typing import Any, ClassVar

import pytest

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import HardwareError, unknown_name
from autoalign.core.interfaces import AxisStatus, Stage
from autoalign.testing import StageConformance

AXES = (
    Axis("source.x", "mm", -5.0, 5.0, resolution=1e-3, speed=2.0),
    Axis("mirror.tip", "rad", -0.02, 0.02, resolution=1e-5, speed=0.01),
)


class Right:
    """Axes that go straight to their targets at their speeds."""

    name = "planted"

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.axes = {a.name: a for a in AXES}
        self.closed = False
        self.ways = dict.fromkeys(self.axes, (0.0, 0.0, 0.0))

    def identity(self) -> str:
        """Return what it is."""
        return "right stage"

    def start_move(self, axis: str, target: float) -> None:
        """Set off."""
        self.known(axis).check(target)
        if self.closed:
            raise HardwareError("closed")
        self.go(axis, target)

    def status(self, axis: str) -> AxisStatus:
        """Return where it is and whether it moves."""
        self.known(axis)
        return AxisStatus(self.at(axis), self.at(axis) != self.ways[axis][1])

    def stop(self) -> None:
        """Stay where it is."""
        for axis in self.axes:
            self.halt(axis)

    def close(self) -> None:
        """Stop, and take no more orders."""
        if not self.closed:
            self.stop()
        self.closed = True

    def known(self, axis: str) -> Axis:
        """Return the axis."""
        if axis not in self.axes:
            raise unknown_name("axis", axis, self.axes, self.name)
        return self.axes[axis]

    def go(self, axis: str, target: float) -> None:
        """Set off, unasked for reasons."""
        self.ways[axis] = (self.at(axis), target, self.clock.now())

    def halt(self, axis: str) -> None:
        """Stay."""
        self.ways[axis] = (self.at(axis), self.at(axis), self.clock.now())

    def at(self, axis: str) -> float:
        """Return the true position."""
        start, target, began = self.ways[axis]
        way = (self.clock.now() - began) * (self.axes[axis].speed or 1.0)
        return target if way >= abs(target - start) else start + math.copysign(way, target - start)

    def moves(self, axis: str) -> bool:
        """Return whether it truly moves."""
        return self.at(axis) != self.ways[axis][1]


class IdleWhileMoving(Right):
    """Says from the start that it rests."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        return AxisStatus(super().status(axis).position, moving=False)


class IdleBeforeTheEnd(Right):
    """Says for the last tenth of a way that it rests."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        start, target, _ = self.ways[axis]
        near = abs(self.at(axis) - target) < 0.1 * abs(target - start)
        return AxisStatus(super().status(axis).position, self.moves(axis) and not near)


class TargetAsReadback(Right):
    """Reads the target from the start."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        return AxisStatus(self.ways[self.known(axis).name][1], self.moves(axis))


class TargetAsReadbackAndIdle(Right):
    """Does both."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        return AxisStatus(self.ways[self.known(axis).name][1], moving=False)


class BlockingStart(Right):
    """Returns from an order at its end."""

    def start_move(self, axis: str, target: float) -> None:
        """Wait."""
        super().start_move(axis, target)
        while self.moves(axis):
            self.clock.sleep(0.01)


class BlocksMostOfTheWay(Right):
    """Returns from an order after three quarters of the way."""

    def start_move(self, axis: str, target: float) -> None:
        """Wait."""
        way = abs(target - self.at(axis)) if math.isfinite(target) else 0.0
        super().start_move(axis, target)
        self.clock.sleep(0.75 * way / (self.axes[axis].speed or 1.0))


class CloseLeavesAnAxisRunning(Right):
    """Stops its last axis alone when it is closed."""

    def close(self) -> None:
        """Forget the others."""
        self.halt(AXES[-1].name)
        self.closed = True


class CloseWaits(Right):
    """Lets moves end before it closes."""

    def close(self) -> None:
        """Wait."""
        while any(self.moves(axis) for axis in self.axes):
            self.clock.sleep(0.01)
        self.closed = True


class CloseOnce(Right):
    """Fails when it is closed again."""

    def close(self) -> None:
        """Fail."""
        if self.closed:
            raise HardwareError("closed already")
        super().close()


class SecondMoveIgnored(Right):
    """Takes an order during a move and forgets it."""

    def go(self, axis: str, target: float) -> None:
        """Forget it."""
        if not self.moves(axis):
            super().go(axis, target)


class OneMoveStopsTheOther(Right):
    """Has one motor amplifier for all axes."""

    def go(self, axis: str, target: float) -> None:
        """Leave the others where they are."""
        self.stop()
        super().go(axis, target)


class OneMoveAtATime(Right):
    """Forgets an order while another axis moves."""

    def go(self, axis: str, target: float) -> None:
        """Forget it."""
        if not any(self.moves(other) for other in self.axes if other != axis):
            super().go(axis, target)


class Coupled(Right):
    """Takes the other axis along."""

    def go(self, axis: str, target: float) -> None:
        """Move both."""
        super().go(axis, target)
        for other, known in self.axes.items():
            if other != axis:
                super().go(other, known.upper / 2)


class NanWhileMoving(Right):
    """Has no position under way."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        status = super().status(axis)
        return AxisStatus(math.nan if status.moving else status.position, status.moving)


class FrozenWhileMoving(Right):
    """Reads where it started until it is there."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        status = super().status(axis)
        return AxisStatus(self.ways[axis][0] if status.moving else status.position, status.moving)


class SmallMovesSwallowed(Right):
    """Does not move for less than four steps."""

    steps: ClassVar[float] = 4.0

    def go(self, axis: str, target: float) -> None:
        """Move, or not."""
        if abs(target - self.at(axis)) > self.steps * self.axes[axis].resolution:
            super().go(axis, target)


class SingleStepsSwallowed(SmallMovesSwallowed):
    """Does not move within its tolerance."""

    steps = 2.001


class OwnLimitRefused(Right):
    """Refuses its own limits."""

    def start_move(self, axis: str, target: float) -> None:
        """Refuse."""
        if target in (self.known(axis).lower, self.known(axis).upper):
            raise HardwareError("limit")
        super().start_move(axis, target)


class FallsShort(Right):
    """Ends three tolerances before its target."""

    def go(self, axis: str, target: float) -> None:
        """Fall short."""
        off = 3 * self.axes[axis].arrival_tolerance
        super().go(axis, target - math.copysign(off, target - self.at(axis)))


class TooFar(Right):
    """Goes three tolerances too far."""

    def go(self, axis: str, target: float) -> None:
        """Go too far."""
        super().go(axis, target + 3 * self.axes[axis].arrival_tolerance)


class Backward(Right):
    """Counts the other way."""

    def go(self, axis: str, target: float) -> None:
        """Go the wrong way."""
        super().go(axis, -target)


class Relative(Right):
    """Takes a target for a distance."""

    def go(self, axis: str, target: float) -> None:
        """Go on from here."""
        super().go(axis, self.at(axis) + target)


class Creeps(Right):
    """Goes on after it has said that it rests."""

    def at(self, axis: str) -> float:
        """Drift."""
        start, target, began = self.ways[axis]
        end = began + abs(target - start) / (self.axes[axis].speed or 1.0)
        late = max(0.0, self.clock.now() - end - 0.1) if target != start else 0.0
        return super().at(axis) + 5 * late * self.axes[axis].resolution

    def moves(self, axis: str) -> bool:
        """Say that it rests."""
        return abs(super().at(axis) - self.ways[axis][1]) > 0

    def status(self, axis: str) -> AxisStatus:
        """Say that it rests."""
        return AxisStatus(
            self.at(self.known(axis).name), Right.at(self, axis) != self.ways[axis][1]
        )


class Restless(Right):
    """Says that it moves for ever."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        return AxisStatus(super().status(axis).position, moving=True)


class HangsWhereItIs(Right):
    """Says that it moves, for ever, after an order to go where it is."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        status = super().status(axis)
        start, target, began = self.ways[axis]
        return AxisStatus(status.position, status.moving or (start == target and began > 0))

    def halt(self, axis: str) -> None:
        """Stay, really."""
        self.ways[axis] = (self.at(axis), self.at(axis), 0.0)


class Deaf(Right):
    """Does not stop."""

    def stop(self) -> None:
        """Go on."""


class StopsOneAxis(Right):
    """Stops its first axis alone."""

    def stop(self) -> None:
        """Forget the others."""
        self.halt(AXES[0].name)


class StopIsAPause(Right):
    """Goes on with a stopped move once another one has ended."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock)
        self.left: dict[str, float] = {}

    def stop(self) -> None:
        """Remember what is left."""
        self.left = {axis: self.ways[axis][1] for axis in self.axes if self.moves(axis)}
        super().stop()

    def status(self, axis: str) -> AxisStatus:
        """Go on, half a second after the end of the move that came between."""
        start, target, began = self.ways[self.known(axis).name]
        end = began + abs(target - start) / (self.axes[axis].speed or 1.0)
        if axis in self.left and start != target and self.clock.now() > end + 0.5:
            self.go(axis, self.left.pop(axis))
        return super().status(axis)


class DeadAfterAStop(Right):
    """Takes no order after a stop."""

    stopped = False

    def stop(self) -> None:
        """Stop for good."""
        super().stop()
        self.stopped = True

    def go(self, axis: str, target: float) -> None:
        """Stay."""
        if not self.stopped:
            super().go(axis, target)


class StopBreaksElsewhere(Right):
    """Has a stop for its own thread alone."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock)
        self.thread = threading.get_ident()

    def stop(self) -> None:
        """Fail from another thread."""
        if threading.get_ident() != self.thread:
            raise HardwareError("another thread")
        super().stop()


class NoLimits(Right):
    """Goes wherever it is told."""

    def start_move(self, axis: str, target: float) -> None:
        """Go."""
        self.go(self.known(axis).name, target if math.isfinite(target) else 0.0)


class TakesNan(Right):
    """Refuses what is outside, and takes what is no number."""

    def start_move(self, axis: str, target: float) -> None:
        """Go."""
        if not math.isnan(target):
            super().start_move(axis, target)


class RefusesAndMoves(Right):
    """Says that nothing was moved, and moves to the limit."""

    def start_move(self, axis: str, target: float) -> None:
        """Go, then refuse."""
        known = self.known(axis)
        if math.isfinite(target):
            self.go(axis, min(max(target, known.lower), known.upper))
        super().start_move(axis, target)


class ChangingIdentity(Right):
    """Counts how often it was asked."""

    asked = 0

    def identity(self) -> str:
        """Count."""
        self.asked += 1
        return f"stage {self.asked}"


class NoIdentity(Right):
    """Does not say what it is."""

    def identity(self) -> str:
        """Say nothing."""
        return ""


class BareKeyError(Right):
    """Has no words for an axis that it does not have."""

    def known(self, axis: str) -> Axis:
        """Fail."""
        return self.axes[axis]


class OtherNames(Right):
    """Calls its axes by other names than they have."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock)
        self.axes = {f"axis {i}": a for i, a in enumerate(AXES)}
        self.ways = dict.fromkeys(self.axes, (0.0, 0.0, 0.0))


class NeverHomed(Right):
    """Says at rest that its zero is not known."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        status = super().status(axis)
        return AxisStatus(status.position, status.moving, homed=False)


class LastingFault(Right):
    """Has a fault once it has moved."""

    def status(self, axis: str) -> AxisStatus:
        """Say so."""
        status = super().status(axis)
        return AxisStatus(status.position, status.moving, fault="hot" if self.clock.now() else "")


class StatusOfTheFirst(Right):
    """Answers for its first axis whichever it is asked for."""

    def status(self, axis: str) -> AxisStatus:
        """Answer for another."""
        self.known(axis)
        return super().status(AXES[0].name)


PLANTED: list[tuple[type[Right], str]] = [
    (IdleWhileMoving, "test_a_move_is_seen_under_way"),
    (IdleBeforeTheEnd, "test_arrives_from_both_sides"),
    (TargetAsReadback, "test_a_move_is_seen_under_way"),
    (TargetAsReadbackAndIdle, "test_a_move_is_seen_under_way"),
    (BlockingStart, "test_a_move_is_seen_under_way"),
    (BlocksMostOfTheWay, "test_a_move_is_seen_under_way"),
    (CloseLeavesAnAxisRunning, "test_closing_stops_everything"),
    (CloseWaits, "test_closing_stops_everything"),
    (CloseOnce, "test_closing_twice"),
    (SecondMoveIgnored, "test_the_last_order_counts"),
    (OneMoveStopsTheOther, "test_axes_move_at_the_same_time"),
    (OneMoveAtATime, "test_axes_move_at_the_same_time"),
    (Coupled, "test_other_axes_stay"),
    (NanWhileMoving, "test_arrives_from_both_sides"),
    (FrozenWhileMoving, "test_a_move_is_seen_under_way"),
    (SmallMovesSwallowed, "test_small_moves_are_made"),
    (SingleStepsSwallowed, "test_small_moves_are_made"),
    (OwnLimitRefused, "test_goes_to_its_limits"),
    (FallsShort, "test_arrives_from_both_sides"),
    (TooFar, "test_arrives_from_both_sides"),
    (Backward, "test_arrives_from_both_sides"),
    (Relative, "test_arrives_from_both_sides"),
    (Creeps, "test_arrives_from_both_sides"),
    (Restless, "test_status_is_sound"),
    (HangsWhereItIs, "test_arrives_where_it_is"),
    (Deaf, "test_stop_brings_everything_to_rest"),
    (StopsOneAxis, "test_stop_brings_everything_to_rest"),
    (StopIsAPause, "test_moves_again_after_a_stop"),
    (DeadAfterAStop, "test_moves_again_after_a_stop"),
    (StopBreaksElsewhere, "test_stop_from_another_thread"),
    (NoLimits, "test_targets_outside_are_refused"),
    (TakesNan, "test_targets_outside_are_refused"),
    (RefusesAndMoves, "test_targets_outside_are_refused"),
    (ChangingIdentity, "test_identity_is_always_the_same"),
    (NoIdentity, "test_identity_is_always_the_same"),
    (BareKeyError, "test_unknown_axes_are_named"),
    (OtherNames, "test_is_a_stage"),
    (NeverHomed, "test_status_is_sound"),
    (LastingFault, "test_arrives_from_both_sides"),
    (StatusOfTheFirst, "test_other_axes_stay"),
]

Failing = Callable[[Callable[[], Any], str], set[str]]


def suite_of(kind: type[Right]) -> Callable[[], StageConformance]:
    """Return a maker of the suite for one kind of stage."""

    class Suite(StageConformance):
        patience = 8.0

        def make_stage(self) -> tuple[Stage, Clock]:
            clock = VirtualClock()
            return kind(clock), clock

    return Suite


class TestRight(StageConformance):
    """The stage that the mistakes are planted in is right."""

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return it."""
        clock = VirtualClock()
        return Right(clock), clock


def test_a_right_stage_passes_as_the_planted_ones_are_run(failing: Failing) -> None:
    """What runs the suite on planted stages finds nothing wrong with a right one."""
    assert failing(suite_of(Right), "stage") == set()


@pytest.mark.parametrize(("kind", "test"), PLANTED, ids=lambda v: getattr(v, "__name__", v))
def test_each_planted_stage_fails_the_test_that_is_there_for_it(
    failing: Failing, kind: type[Right], test: str
) -> None:
    """Whatever else it fails as well."""
    assert test in failing(suite_of(kind), "stage")


def test_no_test_of_the_suite_is_idle() -> None:
    """Each test of the suite is the one that a planted stage is there for."""
    assert {n for n in dir(StageConformance) if n.startswith("test_")} == {t for _, t in PLANTED}
    assert len(PLANTED) >= 22
