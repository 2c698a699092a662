"""What every stage must do. Authors of stage drivers subclass :class:`StageConformance`."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from typing import ClassVar

import pytest

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.errors import AlignError, TravelLimitError, UnknownNameError
from autoalign.core.interfaces import AxisStatus, Stage

__all__ = ["StageConformance"]


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
    :attr:`share`           move less of the travel; a stop is tried on four times as much
    :attr:`patience`        wait longer for a move to end, s
    :attr:`coasting`        allow more time between a stop and rest, s
    ======================  ================================================================
    """

    share: ClassVar[float] = 0.2
    patience: ClassVar[float] = 60.0
    coasting: ClassVar[float] = 1.0

    clock: Clock

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return a fresh stage at rest, homed, and its clock."""
        raise NotImplementedError(f"{type(self).__name__}: say in make_stage how to make a stage.")

    def clean_up(self) -> None:
        """Let go of what :meth:`make_stage` has set up besides the stage."""

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
        for name, axis in stage.axes.items():
            low, high = self.places(stage, name)
            for target in (low, high, low):
                status = self.arrive(stage, name, target)
                assert abs(status.position - target) <= axis.arrival_tolerance

    def test_other_axes_stay(self, stage: Stage) -> None:
        """A move of one axis leaves the others where they were."""
        for name in stage.axes:
            others = {n: stage.status(n).position for n in stage.axes if n != name}
            self.arrive(stage, name, self.places(stage, name)[1])
            for other, before in others.items():
                slack = stage.axes[other].arrival_tolerance
                assert abs(stage.status(other).position - before) <= slack

    @pytest.mark.parametrize("beyond", [1.0, -1.0, math.nan, math.inf])
    def test_targets_outside_are_refused(self, stage: Stage, beyond: float) -> None:
        """Nothing moves for a target outside the limits or one that is no number."""
        for name, axis in stage.axes.items():
            before = stage.status(name).position
            edge = axis.upper if beyond > 0 else axis.lower
            with pytest.raises(TravelLimitError, match="nothing was moved"):
                stage.start_move(name, edge + beyond * axis.travel)
            assert stage.status(name).position == before

    def test_unknown_axes_are_named(self, stage: Stage) -> None:
        """The error names what was asked for and what there is."""
        for call in (lambda: stage.status("no.such"), lambda: stage.start_move("no.such", 0.0)):
            with pytest.raises(UnknownNameError, match=r"no\.such") as caught:
                call()
            assert all(name in str(caught.value) for name in stage.axes)

    def test_stop_brings_everything_to_rest(self, stage: Stage) -> None:
        """After a stop every axis rests within :attr:`coasting`, and stays; again is harmless."""
        for name in stage.axes:
            stage.start_move(name, self.places(stage, name, min(1.0, 4 * self.share))[1])
        stage.stop()
        self.clock.sleep(self.coasting)
        rest = {name: stage.status(name) for name in stage.axes}
        self.clock.sleep(self.coasting)
        stage.stop()
        assert not any(status.moving for status in rest.values())
        assert {name: stage.status(name).position for name in stage.axes} == {
            name: status.position for name, status in rest.items()
        }

    def test_moves_again_after_a_stop(self, stage: Stage) -> None:
        """A stop is not the end: the next move arrives."""
        name = next(iter(stage.axes))
        low, high = self.places(stage, name)
        stage.start_move(name, high)
        stage.stop()
        self.clock.sleep(self.coasting)
        self.arrive(stage, name, low)

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

    def places(self, stage: Stage, name: str, share: float | None = None) -> tuple[float, float]:
        """Return two reachable places around the middle, ``share`` of the travel apart."""
        axis: Axis = stage.axes[name]
        low, high = axis.reachable
        middle, half = (low + high) / 2, (self.share if share is None else share) * (high - low) / 2
        return middle - half, middle + half

    def arrive(self, stage: Stage, name: str, target: float) -> AxisStatus:
        """Move, wait until the axis is there and idle, twice in a row, and return its status."""
        stage.start_move(name, target)
        deadline, agreeing = self.clock.now() + self.patience, 0
        while agreeing < 2:
            status = stage.status(name)
            assert status.fault == ""
            there = abs(status.position - target) <= stage.axes[name].arrival_tolerance
            agreeing = agreeing + 1 if there and not status.moving else 0
            assert self.clock.now() < deadline, f"{name}: not at {target:g} in time: {status}"
            self.clock.sleep(0.02)
        return status
