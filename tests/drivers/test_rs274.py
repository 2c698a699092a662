"""RS-274 lines: arrival is read, never acknowledged; units and distance mode are never assumed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from autoalign_drivers.line_ascii import LineAsciiStage
from autoalign_drivers.line_settings import LineAsciiSettings
from autoalign_drivers.rs274 import DRIVER, Rs274Settings
from autoalign_simulators.controllers import Rs274Mover
from autoalign_simulators.links import Fault, FaultyLine, Served, serve
from autoalign_simulators.motors import Motor, MotorTraits
from pydantic import ValidationError

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import (
    AmbiguousMoveError,
    LinkError,
    MotionFaultError,
    MotionTimeoutError,
    UsageError,
    WrongDeviceError,
)
from autoalign.core.interfaces import Stage
from autoalign.testing import StageConformance

AXES = (
    Axis("source.x", "mm", -5.0, 5.0, resolution=1e-3, speed=2.0),
    Axis("mirror.tip", "rad", -0.02, 0.02, resolution=1e-5, speed=0.01),
)
NUMBER = r"[+-][0-9]{5}\.[0-9]{4}"
WORDS: dict[str, Any] = {
    "acknowledgement": "taken",
    "identity": {
        "send": "=self",
        "reply": r"self (?P<identity>made-up mill [0-9]+)",
        "closing": "self ends",
    },
    "position": {"send": "=place", "reply": rf"place X (?P<X>{NUMBER}) A (?P<A>{NUMBER})"},
    "state": {"send": "=doing", "reply": "doing (?P<state>[a-z]+)"},
    "stop": {"send": "&", "reply": "halted", "bare": True},
    "resting": ["nothing", "locked"],
    "moving": ["travel"],
    "faulty": ["locked"],
    "errors": ["refused: .*"],
    "alarms": ["= place .*"],
    "banners": ["= awake"],
    "axes": {
        "source.x": {"channel": "X", "unit": "mm", "per_count": 1.0, "decimals": 4},
        "mirror.tip": {"channel": "A", "unit": "deg", "per_count": 1.0, "decimals": 4},
    },
}


@dataclass
class Shop:
    """A machine behind a bad cable."""

    clock: VirtualClock
    mover: Rs274Mover
    line: FaultyLine
    link: Served

    def open(self, *axes: Axis, **changes: Any) -> LineAsciiStage:
        """Open the driver for ``axes``, all where none is given; ``changes`` to its settings."""
        keys = {**WORDS, "port": self.link.port, **changes}
        return DRIVER.build("mill", axes or AXES, Rs274Settings.model_validate(keys), self.clock)

    @property
    def heard(self) -> list[str]:
        """Lines of RS-274 that have come."""
        return [h for h in self.mover.heard if h and not h.startswith("=")]


def make(**modes: bool) -> Shop:
    """Return a machine behind a bad cable on the in-process link; ``modes`` as it is found."""
    clock = VirtualClock()
    shift = Motor("source.x", clock, MotorTraits(1e-3, 2.0, 20.0), -6.0, 6.0)
    turn = Motor("mirror.tip", clock, MotorTraits(1e-6, 0.01, 0.1), -0.03, 0.03)
    mover = Rs274Mover(clock, {"X": shift, "A": turn}, {"A": math.pi / 180}, **modes)
    line = FaultyLine(mover)
    return Shop(clock, mover, line, serve(line, "loop"))


@pytest.fixture
def shop() -> Iterator[Shop]:
    """Return a machine that is found in inches and relative, and end its link."""
    made = make(inch=True, relative=True)
    yield made
    made.link.close()


class TestRs274(StageConformance):
    """The driver passes the suite of every stage."""

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return the driver on a simulated machine that is found in inches and relative."""
        self.shop = make(inch=True, relative=True)
        return self.shop.open(), self.shop.clock

    def reopen(self, stage: Stage) -> Stage:
        """Return the driver on the same machine."""
        return self.shop.open()

    def clean_up(self) -> None:
        """End the link."""
        self.shop.link.close()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"acknowledgement": "("}, "cannot be used as a pattern"),
        ({"move": {"send": "GO"}}, "Extra inputs are not permitted"),
        ({"axes": {"a": {"channel": "1", "unit": "mm", "per_count": 1.0}}}, "channel '1'; axes of"),
        ({"axes": {"a": {"channel": "XY", "unit": "mm", "per_count": 1.0}}}, "X, Y, Z, A, B, C"),
        ({"position": {"send": "=place", "reply": "place (?P<X>.*)"}}, "needs a group"),
    ],
)
def test_settings_mistakes(changes: dict[str, Any], message: str) -> None:
    """Each mistake in the bench file is refused with what is allowed."""
    with pytest.raises(ValidationError, match=message):
        Rs274Settings.model_validate({**WORDS, "port": "p", **changes})


@pytest.mark.parametrize("word", ["acknowledgement", "identity", "position", "state", "stop"])
def test_what_the_standard_leaves_open_is_asked_for(word: str) -> None:
    """No controller's own words are presumed: each is missed where the bench file has none."""
    keys = {key: value for key, value in WORDS.items() if key != word}
    with pytest.raises(ValidationError, match=rf"{word}\n  Field required"):
        Rs274Settings.model_validate({**keys, "port": "p"})


def test_every_key_is_described() -> None:
    """The schema for editors says of every key what it is."""
    fields = Rs274Settings.model_json_schema()["properties"]
    assert [key for key, field in fields.items() if not field.get("description")] == []


def test_settings_of_another_driver(shop: Shop) -> None:
    """A table without the acknowledgement is not taken for one."""
    keys = {key: v for key, v in WORDS.items() if key != "acknowledgement"}
    move = {"send": "G0 {axis}{value}"}
    other = LineAsciiSettings.model_validate({**keys, "move": move, "port": "p"})
    with pytest.raises(UsageError, match="must be Rs274Settings"):
        DRIVER.build("mill", AXES, other, shop.clock)


def test_inches_and_relative_distances_are_never_assumed_away(shop: Shop) -> None:
    """Found in G20 and G91, a move ends at its target, and so does one after someone's G20 G91."""
    stage = shop.open()
    for target in (1.0, -2.0):
        stage.start_move("source.x", target)
        assert stage.wait("source.x").position == pytest.approx(target)
        shop.mover.feed(b"G20 G91\n")
        shop.mover.take()
    assert shop.heard[:2] == ["G21 G90", "G1 X1.0000 F120.000000"]


def test_nothing_of_the_standard_is_sent_before_the_first_move(shop: Shop) -> None:
    """Opening, asking and stopping change no mode and move nothing."""
    stage = shop.open()
    stage.status("source.x")
    stage.stop()
    assert shop.heard == []


def test_an_axis_moves_at_its_speed_and_one_without_at_the_machines_own(shop: Shop) -> None:
    """F is the axis' speed in mm or degrees per minute, in the units that its own line is in."""
    slow = Axis("source.x", "mm", -5.0, 5.0, resolution=1e-3, speed=0.5)
    free = Axis("mirror.tip", "rad", -0.02, 0.02, resolution=1e-5)
    stage = shop.open(slow, free)
    stage.start_move("source.x", 4.0)
    shop.clock.sleep(4.0)
    assert stage.status("source.x").position == pytest.approx(2.0, abs=0.05)
    stage.wait("source.x")
    stage.start_move("mirror.tip", math.radians(0.5))
    stage.wait("mirror.tip")
    assert [h for h in shop.heard if h != "G21 G90"] == ["G1 X4.0000 F30.000000", "G0 A0.5000"]


def test_a_shift_that_turns_a_mirror(shop: Shop) -> None:
    """``per_count`` is what a millimetre does to the axis; its sign turns the axis round."""
    lever = {"channel": "X", "unit": "mrad", "per_count": -8.0, "decimals": 4}
    tip = Axis("mirror.tip", "rad", -0.02, 0.02, resolution=1e-5, speed=0.008)
    stage = shop.open(tip, axes={"mirror.tip": lever})
    stage.start_move("mirror.tip", 0.012)
    assert stage.wait("mirror.tip").position == pytest.approx(0.012)
    assert shop.heard[-1] == "G1 X-1.5000 F60.000000"


def test_a_speed_that_f_cannot_say(shop: Shop) -> None:
    """It is refused at opening, and the axis named."""
    slow = Axis("source.x", "mm", -5.0, 5.0, resolution=1e-3, speed=1e-9)
    with pytest.raises(UsageError, match=r"axis source.x: its speed is less than F can say"):
        shop.open(slow, AXES[1])


def test_an_acknowledgement_is_no_arrival(shop: Shop) -> None:
    """Acknowledged at once; done when the place is reached and the machine does nothing."""
    stage = shop.open()
    stage.start_move("source.x", 4.0)
    status = stage.status("source.x")
    assert status.moving
    assert status.position < 0.1
    assert stage.wait("source.x").position == pytest.approx(4.0)


def test_a_machine_that_stalls_is_late_and_stopped(shop: Shop) -> None:
    """At the deadline an axis that is not at rest at its target is an error."""
    stage = shop.open()
    stage.start_move("source.x", 4.0)
    shop.clock.sleep(0.5)
    shop.mover.motors["X"].stall()
    with pytest.raises(MotionTimeoutError, match=r"not at rest before the deadline"):
        stage.wait("source.x")


def test_a_machine_that_reports_in_other_units_is_found_out(shop: Shop) -> None:
    """Told in the wrong units, the place is not the target's: the first move is a fault."""
    stage = shop.open()
    stage.start_move("source.x", 2.54)
    shop.mover.scale["X"] = 25.4
    with pytest.raises(MotionFaultError, match=r"came to rest short of its target"):
        stage.wait("source.x")


def test_identity_out_of_several_lines(shop: Shop) -> None:
    """The line that tells who it is counts; the rest up to the closing one is passed over."""
    assert shop.open().identity() == "made-up mill 0042"


def test_wrong_machine(shop: Shop) -> None:
    """A narrower pattern refuses another machine."""
    with pytest.raises(WrongDeviceError, match=r"allowed is"):
        shop.open(identity={**WORDS["identity"], "reply": "self made-up mill 0666"})


def test_a_stop_is_no_pause(shop: Shop) -> None:
    """What a stop has ended does not go on with the next line."""
    stage = shop.open()
    stage.start_move("source.x", 4.0)
    shop.clock.sleep(0.5)
    stage.stop()
    shop.clock.sleep(1.0)
    rest = stage.status("source.x")
    stage.start_move("mirror.tip", 0.001)
    stage.wait("mirror.tip")
    shop.clock.sleep(10.0)
    assert stage.status("source.x").position == rest.position < 4.0
    assert not stage.status("source.x").moving


def test_a_restart_in_motion_is_noticed(shop: Shop) -> None:
    """The greeting marks a restart; positions after it are not believed."""
    stage = shop.open()
    stage.start_move("source.x", 4.0)
    shop.clock.sleep(0.5)
    shop.mover.reboot()
    assert "started anew" in stage.status("source.x").fault
    with pytest.raises(MotionFaultError):
        stage.start_move("source.x", 0.0)


def test_a_restart_just_before_a_move_leaves_the_move_unsent(shop: Shop) -> None:
    """Seen while the modes are set, a restart is a reason not to move."""
    stage = shop.open()
    told = shop.mover.respond

    def respond(line: str) -> str:
        if line == "G21 G90" and shop.heard.count(line) == 1:
            shop.mover.reboot()
        return told(line)

    shop.mover.respond = respond  # type: ignore[method-assign]
    with pytest.raises(MotionFaultError, match=r"started anew.*Nothing was moved"):
        stage.start_move("source.x", 1.0)
    assert not any(h.startswith("G1") for h in shop.heard)


def test_refused_line(shop: Shop) -> None:
    """A machine that is locked refuses with its word, and nothing was moved."""
    stage = shop.open()
    shop.mover.locked = True
    assert "says 'locked'" in stage.status("source.x").fault
    with pytest.raises(MotionFaultError, match=r"refused with 'refused: locked'.*was not moved"):
        stage.start_move("source.x", 1.0)


def test_refused_modes(shop: Shop) -> None:
    """A machine that knows no G21 is never sent the move."""
    stage = shop.open()
    told = shop.mover.respond
    shop.mover.respond = (  # type: ignore[method-assign]
        lambda line: "refused: code G21" if "G21" in line else told(line)
    )
    with pytest.raises(MotionFaultError, match=r"asked 'G21 G90', refused.*source.x was not moved"):
        stage.start_move("source.x", 1.0)
    assert not any(h.startswith("G1") for h in shop.heard)


@pytest.mark.parametrize("which", [0, 1])
def test_a_lost_acknowledgement(shop: Shop, which: int) -> None:
    """Lost after the modes, they are set again; lost after the move, the outcome is ambiguous."""
    stage = shop.open()
    shop.line.inject(*[Fault("delay")] * which, Fault("lose"))
    if which == 0:
        stage.start_move("source.x", 4.0)
    else:
        with pytest.raises(AmbiguousMoveError, match=r"The order is not repeated. It now reads"):
            stage.start_move("source.x", 4.0)
    assert stage.wait("source.x").position == pytest.approx(4.0)
    assert [h for h in shop.heard if h != "G21 G90"] == ["G1 X4.0000 F120.000000"]


def test_a_line_that_breaks_before_the_move_leaves_nothing_ambiguous(shop: Shop) -> None:
    """Setting the modes moves nothing: the error is that of the link, and says no more."""
    stage = shop.open()
    shop.line.inject(Fault("hang_up", "command"))
    with pytest.raises(LinkError, match="the line broke"):
        stage.start_move("source.x", 4.0)


@pytest.mark.parametrize(
    "fault",
    [Fault("lose"), Fault("delay", seconds=1.05), Fault("repeat", seconds=0.05), Fault("merge"),
     Fault("drop", at=11), Fault("double", at=11), Fault("flip", at=12, bit=0)],
    ids=str,
)  # fmt: skip
@pytest.mark.parametrize("which", range(3))
def test_disturbed_answers(shop: Shop, fault: Fault, which: int) -> None:
    """One disturbance of a place or a state never makes a wrong position."""
    stage = shop.open()
    stage.start_move("source.x", 3.456)
    stage.wait("source.x")
    shop.line.inject(*[Fault("delay")] * which, fault)
    for _ in range(3):
        assert stage.status("source.x").position == pytest.approx(3.456)
    assert fault in shop.line.happened
