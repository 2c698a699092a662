"""What every stage must do. Authors of stage drivers subclass :class:`StageConformance`."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator, Mapping
from typing import ClassVar

import pytest

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.errors import AlignError, HardwareError, TravelLimitError, UnknownNameError
from autoalign.core.interfaces import AxisStatus, Stage

__all__ = ["StageConformance"]

_POLL = 0.02
"""Pause between two readings of the status, s."""


class StageConformance:
    """Tests that every :class:`~autoalign.core.interfaces.Stage` passes; run by pytest.

    Subclass it under a name that begins with ``Test`` and say how to make a stage::

        class TestMyStage(StageConformance):
            def make_stage(self):
                clock = VirtualClock()
                return MyStage(..., clock), clock

    ======================  ================================================================
    member                  override to…
    ======================  ================================================================
    :meth:`make_stage`      make a fresh stage at rest, and the clock that it lives by
    :meth:`clean_up`        let go of what ``make_stage`` has set up besides
    :meth:`reopen`          open the same hardware again, if a closed stage tells no status
    :attr:`share`           move less of the travel; moves that are watched or stopped go four
                            times as far, and each limit is gone to once
    :attr:`patience`        wait longer for a move to end, s
    :attr:`coasting`        allow more time between a stop and rest, s
    :attr:`immediate`       say that an axis is there when ``start_move`` returns, for instance
                            because a person turns it; no motion is then asked to be seen
    ======================  ================================================================
    """

    share: ClassVar[float] = 0.2
    patience: ClassVar[float] = 60.0
    coasting: ClassVar[float] = 1.0
    immediate: ClassVar[bool] = False

    clock: Clock

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return a fresh stage at rest, homed, and its clock."""
        raise NotImplementedError(f"{type(self).__name__}: say in make_stage how to make a stage.")

    def clean_up(self) -> None:
        """Let go of what :meth:`make_stage` has set up besides the stage."""

    def reopen(self, stage: Stage) -> Stage:
        """Return a stage on the hardware of ``stage``, which was closed."""
        return stage

    @pytest.fixture
    def stage(self) -> Iterator[Stage]:
        """Return the stage of this test; it is closed at the end."""
        stage, self.clock = self.make_stage()
        try:
            yield stage
        finally:
            stage.close()
            self.clean_up()

    def test_is_a_stage(self, stage: Stage) -> None:
        """It has every member of the protocol, and its axes go by their own names."""
        assert isinstance(stage, Stage)
        assert stage.name
        assert stage.axes
        assert all(axis.name == name for name, axis in stage.axes.items())

    def test_identity_is_always_the_same(self, stage: Stage) -> None:
        """The same hardware says the same, before and after a move."""
        before = stage.identity()
        assert before.strip()
        name = next(iter(stage.axes))
        self.arrive(stage, name, self.places(stage, name)[0])
        assert stage.identity() == before

    def test_status_is_sound(self, stage: Stage) -> None:
        """Fresh: a finite position, at rest, homed, no fault."""
        for name in stage.axes:
            status = stage.status(name)
            assert math.isfinite(status.position)
            assert status == AxisStatus(status.position, moving=False, homed=True, fault="")

    def test_arrives_from_both_sides(self, stage: Stage) -> None:
        """Each axis comes to each place within its tolerance, and rests there."""
        for name in stage.axes:
            low, high = self.places(stage, name)
            for target in (low, high, low):
                self.arrive(stage, name, target)
            self.stays(stage, {name: low})

    def test_arrives_where_it_is(self, stage: Stage) -> None:
        """An order to go where the axis is already ends like any other."""
        for name in stage.axes:
            place = self.places(stage, name)[1]
            self.arrive(stage, name, place)
            self.arrive(stage, name, place)

    def test_goes_to_its_limits(self, stage: Stage) -> None:
        """The limits themselves are inside."""
        for name, axis in stage.axes.items():
            for limit in (axis.upper, axis.lower):
                self.arrive(stage, name, limit)

    def test_small_moves_are_made(self, stage: Stage) -> None:
        """Two steps of the resolution, or more than the tolerance, are not swallowed."""
        for name, axis in stage.axes.items():
            sizes = [1.5 * axis.arrival_tolerance]
            if axis.resolution > 0 and not self.immediate:
                sizes.append(2 * axis.resolution)
            middle = sum(self.places(stage, name)) / 2
            for size in sizes:
                before = self.arrive(stage, name, middle).position
                after = self.arrive(stage, name, middle + size).position
                assert after - before >= size / 2, f"{name}: a move by {size:g} was not made"

    def test_a_move_is_seen_under_way(self, stage: Stage) -> None:
        """``start_move`` does not wait; until the end the axis moves, and its readback with it."""
        for name, axis in stage.axes.items():
            low, high = self.places(stage, name, self._far)
            self.arrive(stage, name, low)
            began = self.clock.now()
            stage.start_move(name, high)
            accepted = self.clock.now()
            if self.immediate:
                self.settle(stage, {name: high})
                continue
            seen = self.settle(stage, {name: high})[name]
            assert seen[0].moving, f"{name}: at rest as soon as the move was accepted"
            assert abs(seen[0].position - high) > axis.arrival_tolerance, (
                f"{name}: reads its target as soon as the move was accepted"
            )
            slack = axis.arrival_tolerance
            assert any(low + slack < s.position < high - slack for s in seen), (
                f"{name}: no position between start and target was ever read"
            )
            assert accepted - began < (self.clock.now() - began) / 2, (
                f"{name}: start_move waited for the move"
            )

    def test_axes_move_at_the_same_time(self, stage: Stage) -> None:
        """An order to one axis neither ends nor changes the move of another."""
        targets = {name: self.places(stage, name, self._far)[1] for name in stage.axes}
        for name, target in targets.items():
            stage.start_move(name, target)
        self.settle(stage, targets)

    def test_the_last_order_counts(self, stage: Stage) -> None:
        """An order during a move takes its place, or is refused with an error of ours."""
        for name in stage.axes:
            low, high = self.places(stage, name, self._far)
            stage.start_move(name, high)
            self.clock.sleep(_POLL)
            goal = low
            try:
                stage.start_move(name, low)
            except AlignError:
                goal = high
            self.settle(stage, {name: goal})

    def test_other_axes_stay(self, stage: Stage) -> None:
        """A move of one axis leaves the others where they were."""
        for name in stage.axes:
            others = {n: stage.status(n).position for n in stage.axes if n != name}
            self.arrive(stage, name, self.places(stage, name)[1])
            self.stays(stage, others)

    @pytest.mark.parametrize("beyond", [1.0, -1.0, math.nan, math.inf])
    def test_targets_outside_are_refused(self, stage: Stage, beyond: float) -> None:
        """Nothing moves for a target outside the limits or one that is no number."""
        for name, axis in stage.axes.items():
            before = stage.status(name).position
            edge = axis.upper if beyond > 0 else axis.lower
            with pytest.raises(TravelLimitError, match="nothing was moved"):
                stage.start_move(name, edge + beyond * axis.travel)
            self.clock.sleep(_POLL)
            self.stays(stage, {name: before})

    def test_unknown_axes_are_named(self, stage: Stage) -> None:
        """The error names what was asked for and what there is."""
        for call in (lambda: stage.status("no.such"), lambda: stage.start_move("no.such", 0.0)):
            with pytest.raises(UnknownNameError, match=r"no\.such") as caught:
                call()
            assert all(name in str(caught.value) for name in stage.axes)

    def test_stop_brings_everything_to_rest(self, stage: Stage) -> None:
        """After a stop every axis rests within :attr:`coasting`, and stays; again is harmless."""
        targets = self._all_under_way(stage)
        stage.stop()
        self.at_rest(stage, targets)
        stage.stop()

    def test_moves_again_after_a_stop(self, stage: Stage) -> None:
        """A stop is neither the end nor a pause: the next move arrives, and nothing goes on."""
        for name in stage.axes:
            low, high = self.places(stage, name, self._far)
            stage.start_move(name, high)
            self.clock.sleep(_POLL)
            stage.stop()
            self.clock.sleep(self.coasting)
            self.arrive(stage, name, low)
            self.stays(stage, {name: low})

    def test_stop_from_another_thread(self, stage: Stage) -> None:
        """A stop may come from any thread, also while this one asks; errors are ours."""
        name = next(iter(stage.axes))
        stage.start_move(name, self.places(stage, name)[1])
        failures: list[BaseException] = []

        def stop() -> None:
            try:
                stage.stop()
            except BaseException as error:  # noqa: BLE001 - shown by the assertion below
                failures.append(error)

        other = threading.Thread(target=stop)
        other.start()
        while other.is_alive():
            try:
                stage.status(name)
            except AlignError:
                continue
        other.join()
        assert failures == []
        self.clock.sleep(self.coasting)
        assert not stage.status(name).moving

    def test_closing_twice(self, stage: Stage) -> None:
        """Closing may be repeated."""
        stage.close()
        stage.close()

    def test_closing_stops_everything(self, stage: Stage) -> None:
        """No axis goes on after the stage was closed."""
        targets = self._all_under_way(stage)
        stage.close()
        again = self.reopen(stage)
        try:
            self.at_rest(again, targets)
        except HardwareError as error:
            pytest.fail(f"say in reopen how to open the hardware again ({error})")
        finally:
            again.close()

    @property
    def _far(self) -> float:
        """Share of the travel of a move that takes its time."""
        return min(1.0, 4 * self.share)

    def _all_under_way(self, stage: Stage) -> dict[str, float]:
        """Set every axis on a long way and return their targets."""
        targets = {name: self.places(stage, name, self._far)[1] for name in stage.axes}
        for name, target in targets.items():
            stage.start_move(name, target)
        self.clock.sleep(_POLL)
        return targets

    def places(self, stage: Stage, name: str, share: float | None = None) -> tuple[float, float]:
        """Return two reachable places around the middle, ``share`` of the travel apart."""
        axis: Axis = stage.axes[name]
        low, high = axis.reachable
        middle, half = (low + high) / 2, (self.share if share is None else share) * (high - low) / 2
        return middle - half, middle + half

    def arrive(self, stage: Stage, name: str, target: float) -> AxisStatus:
        """Move, wait until the axis is there and idle, and return its status."""
        stage.start_move(name, target)
        return self.settle(stage, {name: target})[name][-1]

    def settle(self, stage: Stage, targets: Mapping[str, float]) -> dict[str, list[AxisStatus]]:
        """Wait until every axis is there and idle, twice in a row; return what was read of each.

        Until then each reads a finite position, has no fault, and moves wherever it is not there.
        """
        seen: dict[str, list[AxisStatus]] = {name: [] for name in targets}
        deadline, agreeing = self.clock.now() + self.patience, 0
        while agreeing < 2:
            done = True
            for name, target in targets.items():
                status = stage.status(name)
                seen[name].append(status)
                there = abs(status.position - target) <= stage.axes[name].arrival_tolerance
                assert math.isfinite(status.position), f"{name}: no number: {status}"
                assert status.fault == ""
                assert status.moving or there, f"{name}: at rest away from {target:g}: {status}"
                assert self.clock.now() < deadline, f"{name}: not at {target:g} in time: {status}"
                done = done and there and not status.moving
            agreeing = agreeing + 1 if done else 0
            self.clock.sleep(_POLL)
        return seen

    def stays(self, stage: Stage, places: Mapping[str, float]) -> None:
        """Check that each axis is at its place and idle, now and :attr:`coasting` later."""
        for pause in (0.0, self.coasting):
            self.clock.sleep(pause)
            for name, place in places.items():
                status = stage.status(name)
                assert not status.moving, f"{name}: moves, and should rest: {status}"
                off = abs(status.position - place)
                assert off <= stage.axes[name].arrival_tolerance, f"{name}: left {place:g}"

    def at_rest(self, stage: Stage, targets: Mapping[str, float]) -> None:
        """Check that every axis comes to rest within :attr:`coasting`, short of its target."""
        self.clock.sleep(self.coasting)
        places = {name: stage.status(name).position for name in targets}
        self.stays(stage, places)
        if not self.immediate:
            for name, target in targets.items():
                off = abs(places[name] - target)
                assert off > stage.axes[name].arrival_tolerance, f"{name}: the move was not cut off"
