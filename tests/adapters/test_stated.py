"""What objects of lab-control frameworks state of themselves is taken over, and failures are seen.

The stand-ins have the members of the real things, by their documentation; the real ones are met in
``tests/peers``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from autoalign.adapters import FunctionDetector, FunctionStage, from_parameter, from_positioner
from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import DetectorError, UsageError
from autoalign.core.frames import Frame
from autoalign.core.interfaces import AxisStatus

AXIS = Axis("source.x", "mm", -2.0, 2.0)
TURN = Axis("mirror.tip", "rad", -0.02, 0.02)


@dataclass
class Numbers:
    """A validator that takes numbers between two."""

    min_value: float
    max_value: float


@dataclass
class Parameter:
    """A parameter that states its unit and what it takes."""

    unit: str = ""
    vals: Any = None
    value: float = 0.0

    def __call__(self, *value: float) -> float | None:
        """Set with a number, read without."""
        if not value:
            return self.value
        self.value = value[0]
        return None


@dataclass
class Status:
    """How a move went: done, and perhaps with an exception."""

    done: bool = True
    failure: Exception | None = None

    def exception(self, timeout: float | None = None) -> Exception | None:
        """Return why it failed."""
        return self.failure


@dataclass
class Positioner:
    """A positioner that states its unit and its limits."""

    egu: str = ""
    limits: Any = None
    position: float = 0.0
    status: Any = field(default_factory=Status)

    def set(self, position: float) -> Any:
        """Go there at once."""
        self.position = position
        return self.status

    def stop(self, *, success: bool = False) -> None:
        """End the move, which is a failure for whoever waits for it."""
        self.status = Status(True, RuntimeError("stopped"))


def gone_to(knob: Any, target: float) -> AxisStatus:
    """Send the axis there and return its status at rest."""
    stage = FunctionStage("mine", [knob])
    stage.start_move(knob.axis.name, target)
    while (status := stage.status(knob.axis.name)).moving:
        pass
    return status


@pytest.mark.parametrize(
    ("unit", "sent"), [("m", 0.0015), ("mm", 1.5), ("µm", 1500.0), ("micron", 1500.0), ("", 1.5)]
)
def test_the_unit_that_is_stated_counts(unit: str, sent: float) -> None:
    """A parameter in m was set 1000 times too far once, and read back "right"."""
    parameter, positioner = Parameter(unit), Positioner(unit)
    assert gone_to(from_parameter(parameter, AXIS), 1.5).position == pytest.approx(1.5)
    assert parameter.value == pytest.approx(sent)
    assert gone_to(from_positioner(positioner, AXIS), 1.5).position == pytest.approx(1.5)
    assert positioner.position == pytest.approx(sent)


def test_degrees_of_a_positioner() -> None:
    """An angle in degrees is told as one."""
    positioner = Positioner("degrees")
    gone_to(from_positioner(positioner, TURN), 0.01)
    assert positioner.position == pytest.approx(np.degrees(0.01))


@pytest.mark.parametrize(("unit", "given"), [("deg", ""), ("V", ""), ("m", "mm"), ("steps", "")])
def test_a_unit_that_does_not_fit_is_refused(unit: str, given: str) -> None:
    """Two statements that contradict each other, or one that is no length, are no guess."""
    for make, thing in ((from_parameter, Parameter(unit)), (from_positioner, Positioner(unit))):
        with pytest.raises(UsageError, match="states its unit as"):
            make(thing, AXIS, given)


def test_a_unit_that_nobody_else_knows_may_be_explained() -> None:
    """ "div" of a parameter is a µm where the script says so."""
    parameter = Parameter("div")
    gone_to(from_parameter(parameter, AXIS, "um"), 0.1)
    assert parameter.value == pytest.approx(100.0)


@pytest.mark.parametrize(
    "thing",
    [
        from_parameter(Parameter("m", Numbers(-0.001, 0.0005)), AXIS),
        from_positioner(Positioner("um", (-1000.0, 500.0)), AXIS),
        from_positioner(Positioner("um", (500.0, -1000.0)), AXIS),
    ],
)
def test_limits_that_are_stated_narrow_those_of_the_axis(thing: Any) -> None:
    """Limits are in the object's unit."""
    assert (thing.axis.lower, thing.axis.upper) == pytest.approx((-1.0, 0.5))


def test_one_limit_alone() -> None:
    """A parameter that is bounded on one side narrows that one."""
    axis = from_parameter(Parameter("mm", Numbers(-np.inf, 0.5)), AXIS).axis
    assert (axis.lower, axis.upper) == (-2.0, 0.5)


def test_limits_without_travel_are_refused() -> None:
    """Limits of the object that exclude those of the axis are named."""
    with pytest.raises(UsageError, match="those of the object, 5 mm to 6 mm, leave no travel"):
        from_parameter(Parameter("mm", Numbers(5.0, 6.0)), AXIS)


@dataclass
class Flag:
    """A status that only says whether it went well."""

    done: bool = True
    success: bool = False


@pytest.mark.parametrize(
    ("status", "words"),
    [(Status(True, RuntimeError("limit switch")), "limit switch"), (Flag(), "does not say why")],
)
def test_a_move_that_failed_is_a_fault(status: Any, words: str) -> None:
    """The failure of a status was dropped once: the axis counted as arrived."""
    positioner = Positioner("mm", status=status)
    assert words in gone_to(from_positioner(positioner, AXIS), 1.0).fault


def test_a_move_that_was_stopped_here_has_not_failed() -> None:
    """That a status fails because of our own stop is no fault of the axis."""
    positioner = Positioner("mm", status=Status(done=False))
    stage = FunctionStage("mine", [from_positioner(positioner, AXIS)])
    stage.start_move("source.x", 1.0)
    while positioner.position == 0.0:
        pass
    waiting = positioner.status
    stage.stop()
    waiting.done, waiting.failure = True, RuntimeError("stopped")
    while (status := stage.status("source.x")).moving:
        pass
    assert status.fault == ""


class Camera:
    """A camera whose driver keeps ``waiting`` frames that were taken before anybody asked."""

    def __init__(self, clock: VirtualClock, waiting: int, period: float = 0.1) -> None:
        self.clock, self.waiting, self.period = clock, waiting, period

    def grab(self) -> Any:
        """Return a waiting frame (of ones) at once, or a new one (of twos) after its time."""
        if self.waiting:
            self.waiting -= 1
            return np.ones((4, 4))
        self.clock.sleep(self.period)
        return np.full((4, 4), 2.0)


@pytest.mark.parametrize("known", [{"exposure": 0.1}, {"queue": 3}])
def test_frames_that_waited_in_a_queue_are_dropped(known: dict[str, Any]) -> None:
    """Frames 0.9 s old passed as fresh once."""
    clock = VirtualClock()
    camera = Camera(clock, 3)
    detector = FunctionDetector("cam", "near", camera.grab, pitch=0.01, clock=clock, **known)
    frames = detector.acquire(2, 0.0, 10.0)
    assert [float(f.pixels.mean()) for f in frames] == [2.0, 2.0]
    assert camera.waiting == 0


def test_a_frame_that_says_it_is_too_old_is_asked_for_again() -> None:
    """Once it was handed over, and the measurement failed for it."""
    clock = VirtualClock()
    clock.sleep(5.0)
    ages = [3.0, 0.5, 0.0]

    def grab() -> Frame:
        age = ages.pop(0) if ages else 0.0
        return Frame(np.ones((4, 4)), 0.01, (1.5, 1.5), started=clock.now() - age)

    detector = FunctionDetector("cam", "near", grab, clock=clock)
    (frame,) = detector.acquire(1, 5.0, 10.0)
    assert frame.started is not None
    assert frame.started >= 5.0
    assert ages == []


def test_only_old_frames_until_the_deadline() -> None:
    """The error says that pictures came, and what was wrong with them."""
    clock = VirtualClock()
    old = Frame(np.ones((4, 4)), 0.01, (1.5, 1.5), started=-1.0)
    detector = FunctionDetector("cam", "near", lambda: old, clock=clock)
    with pytest.raises(DetectorError, match=r"deadline passed.*[0-9]+ were older than asked for"):
        detector.acquire(1, 0.0, 0.1)
