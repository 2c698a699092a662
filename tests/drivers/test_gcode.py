"""The RS-274 table: arrival is read from the status, never from "ok"; a stop is no pause."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pytest
from autoalign_drivers.gcode import DRIVER, GcodeSettings
from autoalign_drivers.grammar import Grammar
from autoalign_drivers.line_ascii import LineAsciiStage
from autoalign_simulators.controllers import GcodeMover
from autoalign_simulators.links import Fault, FaultyLine, Served, serve
from autoalign_simulators.motors import Motor, MotorTraits
from pydantic import ValidationError

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import AmbiguousMoveError, MotionFaultError, WrongDeviceError
from autoalign.core.interfaces import Stage
from autoalign.testing import StageConformance

AXES = (
    Axis("source.x", "mm", -5.0, 5.0, resolution=1e-3, speed=2.0),
    Axis("mirror.tip", "rad", -0.02, 0.02, resolution=1e-5, speed=0.01),
)


@dataclass
class Shop:
    """A machine behind a bad cable."""

    clock: VirtualClock
    mover: GcodeMover
    line: FaultyLine
    link: Served

    def open(self, **changes: Any) -> LineAsciiStage:
        """Open the driver; ``changes`` to its settings."""
        keys = {
            "port": self.link.port,
            "banners": ["Made-up Mover"],
            "letters": "XA",
            "axes": {
                "source.x": {"channel": "X", "unit": "mm", "per_count": 1.0, "decimals": 4},
                "mirror.tip": {"channel": "A", "unit": "deg", "per_count": 1.0, "decimals": 4},
            },
            **changes,
        }
        return DRIVER.build("mill", AXES, GcodeSettings.model_validate(keys), self.clock)


def make() -> Shop:
    """Return a machine behind a bad cable on the in-process link."""
    clock = VirtualClock()
    shift = Motor("source.x", clock, MotorTraits(1e-3, 2.0, 20.0), -6.0, 6.0)
    turn = Motor("mirror.tip", clock, MotorTraits(1e-6, 0.01, 0.1), -0.03, 0.03)
    mover = GcodeMover(clock, {"X": shift, "A": turn}, {"A": math.pi / 180})
    line = FaultyLine(mover)
    return Shop(clock, mover, line, serve(line, "loop"))


@pytest.fixture
def shop() -> Iterator[Shop]:
    """Return a machine, and end its link."""
    made = make()
    yield made
    made.link.close()


class TestGcode(StageConformance):
    """The driver passes the suite of every stage."""

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return the driver on a simulated machine."""
        self.shop = make()
        return self.shop.open(), self.shop.clock

    def clean_up(self) -> None:
        """End the link."""
        self.shop.link.close()


def status_of(letters: str, line: str) -> Mapping[str, str] | None:
    """Read a status line of a machine with these axes."""
    axis = {"channel": letters[0], "unit": "mm", "per_count": 1.0}
    keys = {"port": "p", "banners": ["M"], "letters": letters, "axes": {"a": axis}}
    pattern = GcodeSettings.model_validate(keys).state.reply
    assert pattern is not None
    return Grammar(pattern).read(line)


@pytest.mark.parametrize(
    ("letters", "line", "state", "last"),
    [
        ("XYZ", "<Idle|MPos:0.000,0.000,7.000|FS:0,0|WCO:0.000,0.000,0.000>", "Idle", "7.000"),
        ("XA", "<Jog|MPos:-1.250,0.125|Pn:XZ|Bf:15,128>", "Jog", "0.125"),
        ("X", "<Hold:0|MPos:5.000>", "Hold", "5.000"),
        ("XYZABC", "<Alarm|MPos:1.0,2.0,3.0,4.0,5.0,6.0|Ov:100,100,100>", "Alarm", "6.0"),
    ],
)
def test_status_lines(letters: str, line: str, state: str, last: str) -> None:
    """The first two fields are fixed; the rest may be there in any order."""
    found = status_of(letters, line)
    assert found is not None
    assert (found["state"], found[letters[-1]]) == (state, last)


@pytest.mark.parametrize(
    "line",
    ["<Idle>", "<Idle|MPos:>", "<Idle|MPos:nan,0.0>", "Idle|MPos:0.0,0.0", "<Idle|MPos:1,2>",
     "<Idle|MPos:1.0>", "<Idle|MPos:1.0,2.0,3.0>", "<Idle|MPos:1.0,2.0|FS:0,0><"],
)  # fmt: skip
def test_what_is_no_status(line: str) -> None:
    """Anything short of that, and another number of axes, is no status."""
    assert status_of("XA", line) is None


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"letters": "XX"}, "a letter of its own"),
        ({"letters": "XQ"}, "should match pattern"),
        ({"feed": 0.0}, "greater than 0"),
        ({"banners": []}, "at least 1 item"),
    ],
)
def test_settings_mistakes(changes: dict[str, Any], message: str) -> None:
    """Each mistake in the bench file is refused with what is allowed."""
    axis = {"channel": "X", "unit": "mm", "per_count": 1.0}
    with pytest.raises(ValidationError, match=message):
        GcodeSettings.model_validate(
            {"port": "p", "banners": ["M"], "axes": {"a": axis}, **changes}
        )


def test_identity_out_of_several_lines(shop: Shop) -> None:
    """The line that tells who it is counts; the rest up to "ok" is passed over."""
    assert shop.open().identity() == "1.0.0042:MADE-UP"


def test_wrong_machine(shop: Shop) -> None:
    """A narrower pattern refuses another machine."""
    with pytest.raises(WrongDeviceError, match=r"allowed is"):
        shop.open(identity={"send": "$I", "reply": r"\[VER:1\.0\.0666:.*\]", "closing": "ok"})


def test_a_stop_is_no_pause(shop: Shop) -> None:
    """M14: what a stop has ended does not go on at a resume."""
    stage = shop.open()
    stage.start_move("source.x", 4.0)
    shop.clock.sleep(0.5)
    stage.stop()
    shop.clock.sleep(1.0)
    rest = stage.status("source.x")
    shop.mover.feed(b"~")
    shop.clock.sleep(10.0)
    assert stage.status("source.x").position == rest.position < 4.0
    assert not stage.status("source.x").moving


def test_a_restart_in_motion_is_noticed(shop: Shop) -> None:
    """S11: the welcome line marks a restart; its positions are not believed."""
    stage = shop.open()
    stage.start_move("source.x", 4.0)
    shop.clock.sleep(0.5)
    shop.mover.feed(b"\x18")
    assert "started anew" in stage.status("source.x").fault
    with pytest.raises(MotionFaultError):
        stage.start_move("source.x", 0.0)


def test_refused_line(shop: Shop) -> None:
    """A machine in alarm refuses with its number, and nothing was moved."""
    stage = shop.open()
    shop.mover.alarm = True
    assert "says 'Alarm'" in stage.status("source.x").fault
    with pytest.raises(MotionFaultError, match=r"refused with 'error:9'.*was not moved"):
        stage.start_move("source.x", 1.0)


def test_lost_ok(shop: Shop) -> None:
    """S01: with "ok" lost in the cable the outcome is ambiguous, and read, while it moves."""
    stage = shop.open()
    shop.line.inject(Fault("lose"))
    with pytest.raises(AmbiguousMoveError, match=r"The order is not repeated. It now reads"):
        stage.start_move("source.x", 4.0)
    assert stage.wait("source.x").position == pytest.approx(4.0)


@pytest.mark.parametrize(
    "fault",
    [Fault("lose"), Fault("delay", seconds=1.05), Fault("repeat", seconds=0.05), Fault("merge"),
     Fault("drop", at=11), Fault("double", at=11), Fault("flip", at=12, bit=0)],
    ids=str,
)  # fmt: skip
@pytest.mark.parametrize("which", range(3))
def test_disturbed_status(shop: Shop, fault: Fault, which: int) -> None:
    """One disturbance of a status never makes a wrong position."""
    stage = shop.open()
    stage.start_move("source.x", 3.456)
    stage.wait("source.x")
    shop.line.inject(*[Fault("delay")] * which, fault)
    for _ in range(3):
        assert stage.status("source.x").position == pytest.approx(3.456)
    assert fault in shop.line.happened
