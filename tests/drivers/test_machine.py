"""Arbitrary lives of a driver on a bad cable: a wrong position is never silently accepted.

The whole link is in-process and in virtual time, so that a failure shrinks to a short story.
"""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
from autoalign_drivers.binary import DRIVER as BINARY
from autoalign_drivers.binary import BinarySettings
from autoalign_drivers.line_ascii import DRIVER, LineAsciiStage
from autoalign_drivers.line_settings import LineAsciiSettings
from autoalign_simulators.controllers import ByteMover, HexMover, Mover, driver_settings
from autoalign_simulators.controllers.tables import BYTES, HEX
from autoalign_simulators.links import Fault, FaultyLine, serve
from autoalign_simulators.motors import Motor, MotorTraits
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import LinkError, MotionError

AXES = (Axis("a.x", "mm", -1.0, 1.0), Axis("a.y", "mm", -1.0, 1.0))
TRAITS = MotorTraits(step=1e-3, speed=1.0, acceleration=10.0)
NAMES = st.sampled_from([a.name for a in AXES])
RARELY = st.integers(0, 9)
WAYS = st.sampled_from(["command", "reply"])
TIMES = st.sampled_from([0.0, 0.01, 0.05, 0.3, 0.95, 1.05])


class CountingLine(FaultyLine):
    """Counts the moves that the host sends, whatever becomes of them."""

    moves = 0
    mark = b"go "

    def feed(self, data: bytes) -> None:
        """Count, then pass on."""
        self.moves += self.mark in data
        super().feed(data)


class BadCable(RuleBasedStateMachine):
    """A driver, a controller and what happens between them.

    Damage that can turn one number into another is injected once at a time: two equal flips in
    two readings cannot be told from a position by anybody. Everything else may pile up.
    """

    tagged = True
    mark = b"go "

    def __init__(self) -> None:
        super().__init__()
        self.clock = VirtualClock()
        motors = [Motor(a.name, self.clock, TRAITS, -1.1, 1.1) for a in AXES]
        self.mover: Any = self.make_mover(motors)
        self.line = CountingLine(self.mover)
        self.line.mark = self.mark
        self.link = serve(self.line, "loop")
        self.orders = 0
        self.restarted = False
        self.damage: Fault | None = None

    def make_mover(self, motors: list[Motor]) -> Any:
        """Return the controller before ``motors``."""
        return Mover(self.clock, motors)

    def make_stage(self) -> LineAsciiStage:
        """Return the driver, opened."""
        units = {a.name: a.unit for a in AXES}
        table = driver_settings(self.mover, self.link.port, units, tagged=self.tagged)
        return DRIVER.build("mount", AXES, LineAsciiSettings.model_validate(table), self.clock)

    @initialize()
    def open(self) -> None:
        """Open the driver on a good cable."""
        self.stage = self.make_stage()
        self.targets: dict[str, float] = {}

    @rule(axis=NAMES, counts=st.integers(-1000, 1000))
    def move(self, axis: str, counts: int) -> None:
        """Order a move: accepted, or an error of ours."""
        self.orders += 1
        self.targets.pop(axis, None)
        try:
            self.stage.start_move(axis, counts * TRAITS.step)
        except (LinkError, MotionError):
            self.targets.clear()
            return
        self.targets[axis] = counts * TRAITS.step

    @rule(axis=NAMES)
    def look(self, axis: str) -> None:
        """Read a status: right, or an error or a fault."""
        try:
            status = self.stage.status(axis)
        except LinkError:
            return
        if status.fault or not status.homed:
            return
        assert not self.restarted
        if status.moving:
            return
        motor = self.motor(axis)
        assert not motor.moving
        assert abs(status.position - motor.position) < 1e-9
        if axis in self.targets:
            assert abs(status.position - self.targets[axis]) <= TRAITS.step

    @rule(seconds=st.floats(0.0, 3.0))
    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.clock.sleep(seconds)

    @rule()
    def stop(self) -> None:
        """Stop: confirmed means that everything comes to rest."""
        self.targets.clear()
        try:
            self.stage.stop()
        except LinkError:
            return
        self.clock.sleep(0.2)
        assert not any(m.moving for m in self.mover.motors)

    @rule(
        kind=st.sampled_from(["lose", "repeat", "delay", "split", "merge", "block", "block_after"]),
        way=WAYS,
        at=st.integers(0, 40),
        seconds=TIMES,
    )
    def disturb(self, kind: str, way: str, at: int, seconds: float) -> None:
        """Order a disturbance that loses, repeats, delays or cuts."""
        self.line.inject(Fault(kind, way, at, 0, seconds))  # type: ignore[arg-type]

    @precondition(lambda self: self.damage is None or self.damage in self.line.happened)
    @rule(
        kind=st.sampled_from(["drop", "flip", "double"]),
        way=WAYS,
        at=st.integers(0, 20),
        bit=st.integers(0, 7),
    )
    def spoil(self, kind: str, way: str, at: int, bit: int) -> None:
        """Order damage to one byte."""
        self.line.happened.clear()
        self.damage = Fault(kind, way, at, bit)  # type: ignore[arg-type]
        self.line.inject(self.damage)

    @rule(way=WAYS, chance=RARELY)
    def unplug(self, way: str, chance: int) -> None:
        """Pull the cable."""
        if chance == 0:
            self.line.inject(Fault("hang_up", way))  # type: ignore[arg-type]

    @rule(chance=RARELY)
    def restart(self, chance: int) -> None:
        """Cut the controller's power."""
        if chance == 0 and hasattr(self.mover, "reboot"):
            self.mover.reboot()
            self.restarted = True

    @precondition(lambda self: self.restarted or self.line.hung_up)
    @rule()
    def repair(self) -> None:
        """Mend the cable, home the axes, open anew."""
        self.shut()
        for motor in self.mover.motors:
            motor.home()
        self.clock.sleep(10.0)
        self.restarted = False
        self.open()

    def motor(self, axis: str) -> Motor:
        """Return the motor of ``axis``."""
        return next(m for m in self.mover.motors if m.name == axis)

    def shut(self) -> None:
        """Mend everything and close the driver."""
        self.line.mend()
        self.damage = None
        with contextlib.suppress(LinkError):
            self.stage.close()

    def teardown(self) -> None:
        """Of each order at most one command ever left."""
        if hasattr(self, "stage"):
            self.shut()
        self.link.close()
        assert self.line.moves <= self.orders


class BadCableWithoutTags(BadCable):
    """The same without tags, where a late answer looks like the right one."""

    tagged = False


def named(table: dict[str, Any]) -> dict[str, Any]:
    """Return ``table`` for the axes of this module."""
    entries = list(table["axes"].values())
    axes = {a.name: {**e, "per_count": 1.0} for a, e in zip(AXES, entries, strict=True)}
    return {**table, "axes": axes}


class BadCableInHexadecimal(BadCable):
    """A controller with checksums, joint answers, and a stop for each axis."""

    mark = b" run "

    def make_mover(self, motors: list[Motor]) -> Any:
        """Return the hexadecimal controller."""
        return HexMover(self.clock, motors)

    def make_stage(self) -> LineAsciiStage:
        """Return the driver, opened."""
        model = LineAsciiSettings.model_validate({**named(HEX), "port": self.link.port})
        return DRIVER.build("mount", AXES, model, self.clock)


class BadCableInBytes(BadCable):
    """A controller that speaks in frames of bytes."""

    mark = b"\xc5\x08\x11"

    def make_mover(self, motors: list[Motor]) -> Any:
        """Return the controller in bytes."""
        return ByteMover(self.clock, motors)

    def make_stage(self) -> LineAsciiStage:
        """Return the driver, opened."""
        model = BinarySettings.model_validate({**named(BYTES), "port": self.link.port})
        return BINARY.build("mount", AXES, model, self.clock)


LIVES = settings(
    max_examples=60,
    stateful_step_count=30,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
TestTagged = pytest.mark.slow(BadCable.TestCase)
TestTagged.settings = LIVES
TestWithoutTags = pytest.mark.slow(BadCableWithoutTags.TestCase)
TestWithoutTags.settings = LIVES
TestHexadecimal = pytest.mark.slow(BadCableInHexadecimal.TestCase)
TestHexadecimal.settings = LIVES
TestBytes = pytest.mark.slow(BadCableInBytes.TestCase)
TestBytes.settings = LIVES
