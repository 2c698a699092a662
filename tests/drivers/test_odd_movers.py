"""The line-ASCII driver on controllers unlike each other, each from its table alone."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, ClassVar

import pytest
from autoalign_drivers.checksums import Checksum, LineChecksum
from autoalign_drivers.line_ascii import DRIVER, LineAsciiStage
from autoalign_drivers.line_settings import LineAsciiSettings
from autoalign_simulators.controllers import HexMover, LineTalker, PromptMover
from autoalign_simulators.controllers.tables import HEX, PROMPT
from autoalign_simulators.links import Fault, FaultyLine, Served, serve
from autoalign_simulators.motors import Motor, MotorTraits
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import LinkError, MotionFaultError, UsageError
from autoalign.core.interfaces import Stage
from autoalign.testing import StageConformance

AXES = (
    Axis("source.x", "mm", -5.0, 5.0, resolution=1e-4, speed=2.0),
    Axis("source.y", "mm", -5.0, 5.0, resolution=1e-4, speed=2.0),
)
KINDS: dict[str, tuple[type[LineTalker], dict[str, Any]]] = {
    "hex": (HexMover, HEX),
    "prompt": (PromptMover, PROMPT),
}


@dataclass
class Shop:
    """A controller behind a cable that can be made bad."""

    clock: VirtualClock
    mover: Any
    line: FaultyLine
    link: Served
    table: dict[str, Any]

    def open(self, **changes: Any) -> LineAsciiStage:
        """Open the driver; ``changes`` to its table."""
        keys = {**self.table, "port": self.link.port, **changes}
        return DRIVER.build("odd", AXES, LineAsciiSettings.model_validate(keys), self.clock)


def make(kind: str, **line: Any) -> Shop:
    """Return a controller of ``kind`` before two motors that have found their references."""
    clock = VirtualClock()
    traits = MotorTraits(step=1e-4, speed=2.0, acceleration=20.0)
    motors = [Motor(a.name, clock, traits, a.lower - 1e-3, a.upper + 1e-3) for a in AXES]
    controller, table = KINDS[kind]
    mover = controller(clock, motors, **line)
    bad = FaultyLine(mover)
    return Shop(clock, mover, bad, serve(bad, "loop"), table)


@pytest.fixture(params=KINDS)
def shop(request: Any) -> Iterator[Shop]:
    """Return a controller of each kind, and end its link."""
    made = make(request.param)
    yield made
    made.link.close()


@pytest.fixture
def hexed() -> Iterator[Shop]:
    """Return the hexadecimal controller."""
    made = make("hex")
    yield made
    made.link.close()


@pytest.fixture
def prompted() -> Iterator[Shop]:
    """Return the controller that prompts."""
    made = make("prompt")
    yield made
    made.link.close()


class OddConformance(StageConformance):
    """The driver passes the suite of every stage whatever the command set."""

    kind: ClassVar[str]
    shop: Shop

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return the driver on its controller."""
        self.shop = make(self.kind)
        return self.shop.open(), self.shop.clock

    def reopen(self, stage: Stage) -> Stage:
        """Return the driver on the same controller."""
        return self.shop.open()

    def clean_up(self) -> None:
        """End the link."""
        self.shop.link.close()


class TestHex(OddConformance):
    """Hexadecimal, address, checksum, all axes in one answer, states as bits, a stop per axis."""

    kind = "hex"


class TestPrompt(OddConformance):
    """Echo, prompt, chatter, motors to switch on, two commands for a move, a least interval."""

    kind = "prompt"


del OddConformance


def test_negative_counts_in_twos_complement(hexed: Shop) -> None:
    """A place below zero goes there and reads back, in hexadecimal digits of fixed width."""
    stage = hexed.open()
    stage.start_move("source.y", -0.05)
    assert stage.wait("source.y").position == pytest.approx(-0.05)
    assert any(h.startswith("07 run 2 FFFE0C~") for h in hexed.mover.heard)
    assert stage.status("source.x").position == 0.0


def test_every_axis_is_stopped_where_a_stop_is_of_one(hexed: Shop) -> None:
    """A stop with {axis} is sent for each axis, for all of them before any answer is awaited."""
    stage = hexed.open()
    for axis in stage.axes:
        stage.start_move(axis, 4.0)
    hexed.clock.sleep(0.3)
    heard = len(hexed.mover.heard)
    stage.stop()
    hexed.clock.sleep(0.3)
    first = [h[:9] for h in hexed.mover.heard[heard:] if h][:2]
    assert first == ["07 rest 1", "07 rest 2"]
    assert not any(m.moving for m in hexed.mover.motors)
    assert all(0 < m.true_position() < 3.0 for m in hexed.mover.motors)


def test_one_axis_whose_stop_is_lost_is_stopped_even_so(hexed: Shop) -> None:
    """A stop is repeated until it is acknowledged, axis by axis."""
    stage = hexed.open()
    stage.start_move("source.y", 4.0)
    hexed.line.inject(Fault("lose", "command"))
    stage.stop()
    hexed.clock.sleep(0.5)
    assert not hexed.mover.motors[1].moving


@pytest.mark.parametrize("at", range(0, 27, 2))
def test_a_wrong_checksum_is_asked_for_again(hexed: Shop, at: int) -> None:
    """A flipped bit anywhere in an answer never becomes a position."""
    stage = hexed.open()
    hexed.line.inject(Fault("flip", at=at, bit=0))
    assert stage.status("source.x").position == 0.0


def test_an_answer_of_another_address(hexed: Shop) -> None:
    """Somebody else's answer on a shared line is not this one's."""
    table = {**HEX, "address": "09"}
    hexed.table = table
    with pytest.raises(LinkError):
        hexed.open()


def test_preparation_comes_before_the_first_move(prompted: Shop) -> None:
    """Motors are switched on once, after the identity was found right."""
    stage = prompted.open()
    assert prompted.mover.powered
    stage.start_move("source.x", 1.0)
    stage.wait("source.x")
    heard = [h for h in prompted.mover.heard if h]
    assert heard.count("motors on") == 1
    assert heard.index("tell name") < heard.index("motors on") < heard.index("aim 1 1000.0000")


def test_home_is_under_way_until_the_reference_is_found(prompted: Shop) -> None:
    """Homing ends at rest and homed; before it nothing may be moved."""
    prompted.mover.motors[0].start(2.0)
    prompted.clock.sleep(3.0)
    prompted.mover.motors[0].power_cycle()
    stage = prompted.open()
    assert not stage.status("source.x").homed
    with pytest.raises(MotionFaultError, match=r"refused with 'what\?'.*was not moved"):
        stage.start_move("source.x", 1.0)
    stage.home("source.x")
    assert stage.status("source.x").moving
    assert stage.wait("source.x").homed
    stage.start_move("source.x", 1.0)
    assert stage.wait("source.x").position == pytest.approx(1.0)


def test_home_where_the_file_does_not_say_how(hexed: Shop) -> None:
    """The message says what to add."""
    with pytest.raises(UsageError, match="add 'home' to the stage"):
        hexed.open().home("source.x")


def test_commands_keep_their_distance(prompted: Shop) -> None:
    """No two commands are closer than the interval."""
    times: list[float] = []
    respond = prompted.mover.respond

    def timed(line: str) -> str:
        times.append(prompted.clock.now())
        return str(respond(line))

    prompted.mover.respond = timed
    stage = prompted.open(interval="30 ms")
    stage.status("source.x")
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert min(gaps) >= 0.03 - 1e-9


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"stop": {"send": "rest {counts}"}}, r"stop.send: .*\{counts\} is unknown"),
        ({"stop": {"send": "rest #{tag}", "reply": "(?P<tag>[0-9]) x(?P<tag2>.)"}}, None),
        ({"stop": {"send": "rest", "reply": "#(?P<tag>[0-9]+)"}}, r"no place \{tag\}"),
        ({"identity": {"send": "who {axis}", "reply": "x"}}, r"identity.send: .*\{axis\}"),
        ({"position": {"send": "all", "reply": "(?P<counts>[0-9A-F]+)"}}, r"no place \{axis\}"),
        ({"move": {"send": "run {counts}", "reply": "x"}}, r"needs the place \{axis\}"),
        ({"counts": {}}, "can match hexadecimal digits"),
        (
            {"axes": {"a": {"channel": "1", "unit": "um", "per_count": 1.0, "bits": {}}}},
            "that mean moving",
        ),
    ],
)
def test_what_cannot_be_filled_or_read_is_refused_at_load(
    changes: dict[str, Any], message: str | None
) -> None:
    """A stop that could not be sent was accepted once, and the axis ran on."""
    keys = {**HEX, "port": "/dev/made-up", **changes}
    if message is None:
        LineAsciiSettings.model_validate(keys)
        return
    with pytest.raises(ValidationError, match=message):
        LineAsciiSettings.model_validate(keys)


def test_hexadecimal_after_a_prefix_is_not_read_as_decimal() -> None:
    """0x120 counts were taken for 120 once, and soft limits judged on it."""
    position = {"send": "at {axis}", "reply": "0x(?P<counts>[0-9]+)"}
    with pytest.raises(ValidationError, match="can match hexadecimal digits"):
        LineAsciiSettings.model_validate(
            {**HEX, "port": "/dev/made-up", "counts": {}, "position": position}
        )


def test_limits_that_do_not_fit_in_the_width(hexed: Shop) -> None:
    """An axis whose limits cannot be said in so many bits is refused before anything moves."""
    with pytest.raises(UsageError, match="16 bits cannot say"):
        hexed.open(counts={"radix": 16, "digits": 4, "width": 16})


@pytest.mark.parametrize(
    ("keys", "value"),
    [
        # Values for "123456789" of the catalogue of parametrised CRC algorithms (G. Cook), from
        # memory.
        ({"kind": "crc16"}, 0x29B1),
        ({"kind": "crc16", "initial": 0}, 0x31C3),
        ({"kind": "crc16", "polynomial": 0x8005, "initial": 0, "reflected": True}, 0xBB3D),
        ({"kind": "crc16", "polynomial": 0x8005, "reflected": True}, 0x4B37),
        ({"kind": "crc16", "initial": 0xFFFF, "reflected": True, "final": 0xFFFF}, 0x906E),
        # 0x31 + … + 0x39 = 477; the exclusive or of the nine is 0x31.
        ({"kind": "sum"}, 477 % 256),
        ({"kind": "sum", "bits": 16}, 477),
        ({"kind": "sum", "complement": True}, -477 % 256),
        ({"kind": "xor"}, 0x31),
    ],
)
def test_checksums(keys: dict[str, Any], value: int) -> None:
    """Each kind gives the published value for the usual nine digits."""
    assert Checksum.model_validate(keys).of(b"123456789") == value


@given(
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=20),
    st.sampled_from(["", "*", "~~"]),
    st.sampled_from(["sum", "xor", "crc16"]),
    st.integers(0, 30),
    st.integers(0, 6),
)
def test_a_line_with_its_checksum(text: str, after: str, kind: Any, at: int, bit: int) -> None:
    """What is added is taken off again, and a flipped bit always shows."""
    checksum = LineChecksum(kind=kind, after=after)
    line = checksum.add(text)
    assert checksum.take(line) == text
    place = at % len(line)
    flipped = line[:place] + chr(ord(line[place]) ^ (1 << bit)) + line[place + 1 :]
    assert checksum.take(flipped) in (None, text if flipped.upper() == line else None)
