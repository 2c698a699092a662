"""Every stage of ours passes the suite that plug-in authors subclass, over every link."""

from __future__ import annotations

import sys
from typing import ClassVar, Literal

import pytest
from autoalign_drivers.hand import HandDriver, HandSettings
from autoalign_drivers.line_ascii import DRIVER
from autoalign_drivers.line_settings import LineAsciiSettings
from autoalign_simulators.controllers import Mover, driver_settings
from autoalign_simulators.links import Served, serve
from autoalign_simulators.motors import Motor, MotorTraits
from autoalign_simulators.simulated_stage import SimulatedStage

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, ScaledClock, VirtualClock
from autoalign.core.interfaces import Stage
from autoalign.testing import StageConformance

AXES = (
    Axis("source.x", "mm", -5.0, 5.0, resolution=5e-4, speed=2.0),
    Axis("mirror.tip", "rad", -0.02, 0.02, resolution=2e-6, speed=0.01),
)


def motors(clock: Clock) -> list[Motor]:
    """Return a motor for each axis."""
    return [
        Motor(
            a.name,
            clock,
            MotorTraits(a.resolution, a.speed or 1.0, 10 * (a.speed or 1.0)),
            a.lower,
            a.upper,
        )
        for a in AXES
    ]


class TestDirect(StageConformance):
    """The simulated stage without a link."""

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return it in virtual time."""
        clock = VirtualClock()
        return SimulatedStage("mount", AXES, {m.name: m for m in motors(clock)}), clock


class TestLoop(StageConformance):
    """The driver on the in-process link."""

    link: ClassVar[Literal["loop", "pty", "tcp"]] = "loop"
    served: Served

    def make_clock(self) -> Clock:
        """Return the time of motors and bench."""
        return VirtualClock()

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return the driver on a simulated controller."""
        self.clock = self.make_clock()
        self.mover = Mover(self.clock, motors(self.clock))
        self.served = serve(self.mover, self.link)
        return self.open(), self.clock

    def open(self) -> Stage:
        """Open the driver."""
        table = driver_settings(self.mover, self.served.port, {a.name: a.unit for a in AXES})
        settings = LineAsciiSettings.model_validate({**table, "quiet": "20 ms"})
        return DRIVER.build("mount", AXES, settings, self.clock)

    def reopen(self, stage: Stage) -> Stage:
        """Return the driver on the same controller."""
        return self.open()

    def clean_up(self) -> None:
        """End the link."""
        self.served.close()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
class TestPty(TestLoop):
    """The driver on a pseudo-terminal, the motors twenty times faster than life."""

    link = "pty"

    def make_clock(self) -> Clock:
        """Return time that flies."""
        return ScaledClock(20.0)


@pytest.mark.slow
class TestTcp(TestPty):
    """The driver on TCP."""

    link = "tcp"


class TestHand(StageConformance):
    """Axes turned by a person who always does as asked."""

    immediate = True

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return the stage with its person."""

        def obey(question: str) -> str:
            return "0" if "what does its scale read" in question else ""

        stage = HandDriver(obey).build("knobs", AXES, HandSettings(), VirtualClock())
        return stage, VirtualClock()


def test_the_suite_asks_for_a_stage() -> None:
    """A subclass that makes no stage is told what to write."""
    with pytest.raises(NotImplementedError, match="say in make_stage how"):
        StageConformance().make_stage()
