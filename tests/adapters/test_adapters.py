"""Adapters: functions and framework-like objects as stages and detectors."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest
from autoalign_simulators import benches

from autoalign.adapters import (
    AxisFunctions,
    FunctionDetector,
    FunctionStage,
    from_parameter,
    from_positioner,
)
from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import (
    DetectorError,
    MotionFaultError,
    TravelLimitError,
    UnknownNameError,
    UsageError,
)
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Detector, Reading, Stage
from autoalign.run.align import align

AXIS = Axis("source.x", "mm", -2.0, 2.0)


@dataclass
class Wheel:
    """A pretended axis that is there at once."""

    at: float = 0.0
    sent: list[float] = field(default_factory=list)

    def put(self, position: float) -> None:
        """Go there."""
        self.sent.append(position)
        self.at = position


def settled(stage: FunctionStage, axis: str = "source.x") -> Any:
    """The status once the axis rests."""
    while (status := stage.status(axis)).moving:
        threading.Event().wait(0.001)
    return status


def test_functions_speak_their_own_unit() -> None:
    """An axis in mm whose functions speak µm is sent 1500 for 1.5 mm, and read back as 1.5."""
    wheel = Wheel()
    stage = FunctionStage("mine", [AxisFunctions(AXIS, wheel.put, lambda: wheel.at, unit="um")])
    assert isinstance(stage, Stage)
    stage.start_move("source.x", 1.5)
    assert settled(stage).position == pytest.approx(1.5)
    assert wheel.sent == [pytest.approx(1500.0)]


def test_limits_and_names_are_checked_before_anything_is_called() -> None:
    """Outside targets and unknown axes reach no function."""
    wheel = Wheel()
    stage = FunctionStage("mine", [AxisFunctions(AXIS, wheel.put, lambda: wheel.at)])
    with pytest.raises(TravelLimitError):
        stage.start_move("source.x", 3.0)
    with pytest.raises(UnknownNameError, match=r"source\.y"):
        stage.start_move("source.y", 0.0)
    assert wheel.sent == []


def test_a_blocking_function_counts_as_motion_and_does_not_block_the_stop() -> None:
    """While ``put`` blocks the axis moves; stop gets through; a second move is refused."""
    release = threading.Event()
    stage = FunctionStage(
        "mine", [AxisFunctions(AXIS, lambda _: release.wait(10), lambda: 0.5, stop=release.set)]
    )
    stage.start_move("source.x", 1.0)
    assert stage.status("source.x").moving
    with pytest.raises(MotionFaultError, match="has not ended"):
        stage.start_move("source.x", 0.0)
    stage.stop()
    assert not settled(stage).moving
    assert stage.status("source.x").position == 0.5


def test_failing_functions_are_faults_of_the_axis() -> None:
    """An exception in ``put`` shows in the status, one in ``get`` is an error of ours."""

    def broken(_: float) -> None:
        raise ValueError("no power")

    stage = FunctionStage("mine", [AxisFunctions(AXIS, broken, lambda: 0.0)])
    stage.start_move("source.x", 1.0)
    assert "ValueError: no power" in settled(stage).fault

    def unreadable() -> float:
        raise OSError("gone")

    with pytest.raises(MotionFaultError, match="OSError: gone"):
        FunctionStage("mine", [AxisFunctions(AXIS, broken, unreadable)]).status("source.x")


def test_stop_stops_every_axis_also_where_one_fails() -> None:
    """The failure is told after all the others were stopped."""
    stopped = []

    def fail() -> None:
        raise RuntimeError("jammed")

    knobs = [
        AxisFunctions(Axis("a.x", "mm", 0, 1), print, lambda: 0.0, stop=fail),
        AxisFunctions(
            Axis("b.x", "mm", 0, 1), print, lambda: 0.0, stop=lambda: stopped.append("b")
        ),
    ]
    with pytest.raises(MotionFaultError, match=r"a\.x: RuntimeError: jammed"):
        FunctionStage("mine", knobs).stop()
    assert stopped == ["b"]


class Status:
    """What a positioner's ``set`` returns."""

    done = False


class Positioner:
    """A pretended positioner of an event-driven framework."""

    def __init__(self, limits: tuple[float, float] | None) -> None:
        self.position, self.limits, self.status = 0.0, limits, Status()

    def set(self, position: float) -> Status:
        """Go there; done later."""
        self.position, self.status = position, Status()
        return self.status

    def stop(self) -> None:
        """Stop."""
        self.status.done = True


def test_a_positioner_moves_until_its_status_is_done() -> None:
    """The status object decides; the limits of both are kept; no limits are None or equal ones."""
    positioner = Positioner((-1.0, 5.0))
    knob = from_positioner(positioner, AXIS)
    assert (knob.axis.lower, knob.axis.upper) == (-1.0, 2.0)
    stage = FunctionStage("framework", [knob])
    stage.start_move("source.x", 1.0)
    assert stage.status("source.x").moving
    stage.stop()
    assert settled(stage).position == 1.0
    for none in (None, (0.0, 0.0)):
        assert from_positioner(Positioner(none), AXIS).axis == AXIS
    with pytest.raises(UsageError, match="leave no travel"):
        from_positioner(Positioner((3.0, 4.0)), AXIS)
    with pytest.raises(UsageError, match="lacks set, position"):
        from_positioner(object(), AXIS)


def test_a_parameter_is_called_with_a_plain_float() -> None:
    """Frameworks with parameters take Python floats only, and read when called bare."""
    seen: list[Any] = [0.25]

    def parameter(*value: float) -> Any:
        seen.extend(value)
        return seen[-1]

    stage = FunctionStage("framework", [from_parameter(parameter, AXIS)])
    stage.start_move("source.x", np.float64(1.0))
    assert settled(stage).position == 1.0
    assert type(seen[-1]) is float
    with pytest.raises(UsageError, match="no parameter"):
        from_parameter(3, AXIS)


def test_pictures_are_stamped_before_they_are_taken() -> None:
    """An array becomes a frame that began no earlier than asked for; its zero is its middle."""
    clock = VirtualClock()
    pixels = np.zeros((5, 7), np.uint8)
    camera = FunctionDetector("cam", "near", lambda: pixels, pitch=0.1, clock=clock)
    assert isinstance(camera, Detector)
    (frame,) = camera.acquire(1, not_before=3.0, deadline=10.0)
    assert isinstance(frame, Frame)
    assert frame.started is not None
    assert frame.started >= 3.0
    assert frame.pixels is pixels
    assert (frame.origin, frame.plane) == ((3.0, 2.0), "near")


def test_numbers_become_readings_and_failures_errors() -> None:
    """A mapping is a reading; a function that fails, or comes too late, is a detector error."""
    clock = VirtualClock()
    meter = FunctionDetector("meter", "pinhole", lambda: {"power": 2}, clock=clock)
    (reading,) = meter.acquire(1, 0.0, 1.0)
    assert isinstance(reading, Reading)
    assert reading.values == {"power": 2.0}
    with pytest.raises(DetectorError, match="deadline"):
        meter.acquire(1, 5.0, 1.0)
    with pytest.raises(DetectorError, match="ZeroDivisionError"):
        FunctionDetector("meter", "p", lambda: 1 / 0, clock=clock).acquire(1, 0.0, 9.0)
    with pytest.raises(UsageError, match="pitch, mm"):
        FunctionDetector("cam", "p", lambda: np.zeros((2, 2)), clock=clock).acquire(1, 0.0, 9.0)


@pytest.mark.slow
def test_a_bench_of_functions_is_aligned() -> None:
    """A script's own functions around a simulated bench: in spec, judged by the truth."""
    inner = benches.collimator(seed=3)
    knobs = [
        AxisFunctions(
            axis,
            lambda x, n=name: inner.stage_of(n).start_move(n, x),  # type: ignore[misc]
            lambda n=name: inner.stage_of(n).status(n).position,  # type: ignore[misc]
            moving=lambda n=name: inner.stage_of(n).status(n).moving,  # type: ignore[misc]
        )
        for name, axis in inner.axes.items()
    ]

    def grabber(name: str) -> Any:
        def grab() -> Any:
            now = inner.clock.now()
            return inner.detectors[name].acquire(1, now, now + 60)[0]

        return grab

    cameras = {
        n: FunctionDetector(n, d.plane, grabber(n), clock=inner.clock)
        for n, d in inner.detectors.items()
    }
    bench = Bench(
        "functions", {"all": FunctionStage("all", knobs)}, cameras, inner.spec, inner.layout,
        clock=inner.clock, uncertainties=inner.uncertainties,
    )  # fmt: skip
    result = align(bench)
    assert result.in_spec
    assert inner.truth.in_spec(inner.spec)


def test_an_old_exposure_is_not_passed_off_as_a_new_one() -> None:
    """A buffered picture that says so is not handed over; one without a time began at the call."""
    clock = VirtualClock()
    clock.sleep(100.0)
    old = Frame(np.ones((8, 8)), 0.01, started=3.0)
    for stamp in (None, 100.5):
        taken = replace(old, started=stamp)
        cam = FunctionDetector("cam", "far", lambda taken=taken: taken, clock=clock)
        assert cam.acquire(1, 100.0, 130.0)[0].started == 100.0
    for exposure in (old, Reading({"w": 1.0}, started=4.0)):
        stale = FunctionDetector("old", "", lambda exposure=exposure: exposure, clock=clock)
        with pytest.raises(DetectorError, match="older than asked for"):
            stale.acquire(1, 100.0, clock.now() + 0.1)


class Slow:
    """An axis whose ``put`` returns at once and which cannot say whether it moves."""

    def __init__(self) -> None:
        self.at = self.goal = 0.0

    def put(self, position: float) -> None:
        """Go there, a little with every reading."""
        self.goal = position

    def get(self) -> float:
        """Return where it is."""
        self.at += float(np.clip(self.goal - self.at, -0.01, 0.01))
        return self.at

    def stop(self) -> None:
        """Stay here."""
        self.goal = self.at


def on_its_way(slow: Slow, **knob: Any) -> FunctionStage:
    """Return a stage whose axis has been under way for a few readings."""
    stage = FunctionStage("mine", [AxisFunctions(AXIS, slow.put, slow.get, **knob)])
    stage.start_move("source.x", 1.5)
    while slow.at < 0.2:
        assert stage.status("source.x").moving
    return stage


def test_an_axis_that_cannot_say_whether_it_moves_is_watched_until_it_rests() -> None:
    """Rest is what two readings in a row agree on, not that ``put`` has returned."""
    slow = Slow()
    stage = on_its_way(slow)
    assert settled(stage).position == pytest.approx(1.5)
    assert not stage.status("source.x").moving


def test_rest_is_not_claimed_of_an_axis_that_nothing_can_stop() -> None:
    """Without a ``stop`` that works, and still moving: an error with the axis' name."""
    slow = Slow()
    bench = Bench("b", {"mine": on_its_way(slow)}, {}, clock=VirtualClock())
    with pytest.raises(MotionFaultError, match=r"source\.x: still moving"):
        bench.bring_to_rest()
    stopped = on_its_way(slow := Slow(), stop=slow.stop)
    Bench("b", {"mine": stopped}, {}, clock=VirtualClock()).bring_to_rest()
    assert slow.at == slow.goal < 1.0


def test_closing_stops_an_axis_that_was_not_seen_at_rest() -> None:
    """``close`` calls the knob's own ``stop`` while it moves, and not once it is at rest."""
    stops: list[int] = []
    slow = Slow()
    stage = on_its_way(slow, stop=lambda: stops.append(1))
    stage.close()
    assert stops == [1]
    settled(stage)
    stage.close()
    assert stops == [1]


def test_a_move_that_cannot_say_whether_it_is_done_counts_as_moving_and_is_stopped() -> None:
    """A ``done`` that raises is a fault of the axis, and keeps neither stop nor close away."""

    class Broken:
        @property
        def done(self) -> bool:
            raise OSError("broken")

    stops: list[int] = []
    stage = FunctionStage(
        "mine", [AxisFunctions(AXIS, lambda _: Broken(), lambda: 0.0, stop=lambda: stops.append(1))]
    )
    stage.start_move("source.x", 1.0)
    while not (status := stage.status("source.x")).fault:
        threading.Event().wait(0.001)
    assert status.moving
    assert "OSError: broken" in status.fault
    stage.close()
    assert stops == [1]


def test_a_fault_of_the_last_move_ends_with_the_stop() -> None:
    """After a failed ``put`` and a stop the axis may be tried again."""

    def broken(_: float) -> None:
        raise ValueError("no power")

    stage = FunctionStage("mine", [AxisFunctions(AXIS, broken, lambda: 0.0)])
    stage.start_move("source.x", 1.0)
    assert settled(stage).fault
    stage.stop()
    assert not settled(stage).fault


def test_limits_of_a_positioner_may_be_given_either_way_round() -> None:
    """A reversed axis gives its limits upper first; they narrow all the same."""
    knob = from_positioner(Positioner((1.0, -0.5)), AXIS)
    assert (knob.axis.lower, knob.axis.upper) == (-0.5, 1.0)
