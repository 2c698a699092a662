"""A simulated controller behind a bad cable behind a real pyserial port, and a driver on it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import pytest
from autoalign_drivers.line_ascii import DRIVER, LineAsciiStage
from autoalign_drivers.line_settings import LineAsciiSettings
from autoalign_simulators.controllers import Mover, driver_settings
from autoalign_simulators.links import FaultyLine, Served, serve
from autoalign_simulators.motors import Motor, MotorTraits

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, VirtualClock

AXES = (
    Axis("source.x", "mm", -5.0, 5.0, resolution=1e-4, speed=2.0),
    Axis("mirror.tip", "rad", -0.02, 0.02, resolution=1e-6, speed=0.01),
)
TRAITS = {
    "source.x": MotorTraits(step=1e-4, speed=2.0, acceleration=20.0),
    "mirror.tip": MotorTraits(step=1e-6, speed=0.01, acceleration=0.1),
}


@dataclass
class Rig:
    """Everything between a driver and its motors."""

    clock: Clock
    mover: Mover
    line: FaultyLine
    link: Served
    settings: dict[str, Any]
    stage: LineAsciiStage | None = None

    def open(self, **changes: Any) -> LineAsciiStage:
        """Open the driver; ``changes`` to its settings."""
        settings = LineAsciiSettings.model_validate({**self.settings, **changes})
        self.stage = DRIVER.build("mount", AXES, settings, self.clock)
        return self.stage

    def motor(self, axis: str) -> Motor:
        """Return the simulated motor of ``axis``."""
        return next(m for m in self.mover.motors if m.name == axis)

    def close(self) -> None:
        """Close driver and link."""
        self.line.mend()
        for motor in self.mover.motors:
            motor.release()
        if self.stage is not None:
            self.stage.close()
        self.link.close()


RigMaker = Callable[..., Rig]


@pytest.fixture
def rig() -> Iterator[RigMaker]:
    """Return a maker of rigs; every one is closed at the end."""
    made: list[Rig] = []

    def make(
        link: Literal["pty", "tcp", "loop"] = "loop",
        clock: Clock | None = None,
        tagged: bool = True,
        **line: Any,
    ) -> Rig:
        time = clock or VirtualClock()
        motors = [Motor(a.name, time, TRAITS[a.name], a.lower - 1e-3, a.upper + 1e-3) for a in AXES]
        mover = Mover(time, motors, **line)
        bad = FaultyLine(mover)
        served = serve(bad, link)
        units = {a.name: a.unit for a in AXES}
        settings = driver_settings(mover, served.port, units, tagged=tagged)
        made.append(Rig(time, mover, bad, served, settings))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture(autouse=True)
def no_thread_left() -> Iterator[None]:
    """Fail a test that leaves a link's thread behind."""
    yield
    left = [t.name for t in threading.enumerate() if t.name.startswith("autoalign-link")]
    assert not left


class Script:
    """A controller that knows its lines: (sent, reply) pairs, each exactly once and in order."""

    hung_up = False

    def __init__(self, clock: Clock, pairs: list[tuple[bytes, bytes]]) -> None:
        self.clock = clock
        self.pairs = list(pairs)
        self.unexpected: list[bytes] = []
        self._heard = b""
        self._out = b""

    def feed(self, data: bytes) -> None:
        """Answer when what the host sent is complete; note what no pair expects."""
        self._heard += data
        while self._heard:
            if self.pairs and self._heard.startswith(self.pairs[0][0]):
                sent, reply = self.pairs.pop(0)
                self._heard, self._out = self._heard[len(sent) :], self._out + reply
            elif self.pairs and self.pairs[0][0].startswith(self._heard):
                return
            else:
                self.unexpected.append(self._heard)
                self._heard = b""

    def take(self) -> bytes:
        """Return what is to be said."""
        out, self._out = self._out, b""
        return out

    def due(self) -> float | None:
        """Everything is said at once."""
        return None


ScriptMaker = Callable[..., LineAsciiStage]


@pytest.fixture
def conversation() -> Iterator[ScriptMaker]:
    """Return a maker of stages that must say exactly what their script expects, to the end."""
    made: list[tuple[LineAsciiStage, Script, Served]] = []

    def make(
        settings: dict[str, Any], axes: tuple[Axis, ...], pairs: list[tuple[bytes, bytes]]
    ) -> LineAsciiStage:
        clock = VirtualClock()
        script = Script(clock, pairs)
        served = serve(script, "loop")
        table = LineAsciiSettings.model_validate({**settings, "port": served.port})
        stage = DRIVER.build("mount", axes, table, clock)
        made.append((stage, script, served))
        return stage

    yield make
    for stage, script, served in made:
        stage.close()
        served.close()
        assert script.unexpected == []
        assert script.pairs == []
