"""The driver for controllers that speak in bytes, on one whose frames a bench file describes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from autoalign_drivers.binary import DRIVER, BinarySettings
from autoalign_drivers.binary_frames import BinaryQuery, FieldSettings, Frame
from autoalign_drivers.line_ascii import LineAsciiStage
from autoalign_simulators.controllers import ByteMover
from autoalign_simulators.controllers.tables import AXIS, COUNTS, frame
from autoalign_simulators.controllers.tables import BYTES as TABLE
from autoalign_simulators.links import Fault, FaultyLine, Served, serve
from autoalign_simulators.motors import Motor, MotorTraits
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import (
    AmbiguousMoveError,
    LinkError,
    MotionFaultError,
    WrongDeviceError,
)
from autoalign.core.interfaces import Stage
from autoalign.testing import StageConformance

AXES = (
    Axis("source.x", "mm", -5.0, 5.0, resolution=1e-4, speed=2.0),
    Axis("source.y", "mm", -5.0, 5.0, resolution=1e-4, speed=2.0),
)


@dataclass
class Shop:
    """A controller behind a cable that can be made bad."""

    clock: VirtualClock
    mover: ByteMover
    line: FaultyLine
    link: Served

    def open(self, **changes: Any) -> LineAsciiStage:
        """Open the driver; ``changes`` to its table."""
        keys = {**TABLE, "port": self.link.port, **changes}
        return DRIVER.build("bytes", AXES, BinarySettings.model_validate(keys), self.clock)


def make() -> Shop:
    """Return a controller before two motors."""
    clock = VirtualClock()
    traits = MotorTraits(step=1e-4, speed=2.0, acceleration=20.0)
    motors = [Motor(a.name, clock, traits, a.lower - 1e-3, a.upper + 1e-3) for a in AXES]
    mover = ByteMover(clock, motors)
    bad = FaultyLine(mover)
    return Shop(clock, mover, bad, serve(bad, "loop"))


@pytest.fixture
def shop() -> Iterator[Shop]:
    """Return a controller, and end its link."""
    made = make()
    yield made
    made.link.close()


class TestBinary(StageConformance):
    """The driver passes the suite of every stage."""

    shop: Shop

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return the driver on its controller."""
        self.shop = make()
        return self.shop.open(), self.shop.clock

    def reopen(self, stage: Stage) -> Stage:
        """Return the driver on the same controller."""
        return self.shop.open()

    def clean_up(self) -> None:
        """End the link."""
        self.shop.link.close()


def test_frames_on_the_wire(shop: Shop) -> None:
    """Type, byte order, length and checksum are as the table says."""
    stage = shop.open()
    stage.start_move("source.y", -0.05)
    assert stage.wait("source.y").position == pytest.approx(-0.05)
    (sent,) = [f for f in shop.mover.heard if f[2] == 0x11]
    assert sent[:8] == bytes.fromhex("C5 08 11 02 0C FE FF FF")


@pytest.mark.parametrize("kind", ["flip", "drop", "double", "lose", "repeat", "split"])
@pytest.mark.parametrize("at", [0, 1, 3, 5, 9])
def test_disturbed_answers_never_become_a_position(shop: Shop, kind: Any, at: int) -> None:
    """Damage anywhere in an answer is found out, and the question asked again."""
    stage = shop.open()
    shop.line.inject(Fault(kind, at=at, bit=2, seconds=0.3))
    assert stage.status("source.x").position == 0.0
    shop.line.inject(Fault("delay", seconds=1.3))
    assert stage.status("source.y").position == 0.0


def test_an_order_whose_answer_is_lost_is_not_repeated(shop: Shop) -> None:
    """Whether the move took place is not known; it is said, and the order is sent once."""
    stage = shop.open()
    shop.line.inject(Fault("lose"))
    with pytest.raises(AmbiguousMoveError, match="is not repeated"):
        stage.start_move("source.x", 1.0)
    assert len([f for f in shop.mover.heard if f[2] == 0x11]) == 1


def test_a_refusal_and_a_wrong_device(shop: Shop) -> None:
    """A refused move did not take place; another identity is told with its bytes."""
    stage = shop.open()
    shop.mover.motors[0].power_cycle()
    with pytest.raises(MotionFaultError, match=r"refused with c5 04 ff 01.*was not moved"):
        stage.start_move("source.x", 1.0)
    stage.close()
    shop.mover.serial = 0x0666
    with pytest.raises(WrongDeviceError, match="Nothing else was sent"):
        shop.open()
    assert {f[2] for f in shop.mover.heard[-2:]} == {0x10}


def test_nobody_answers(shop: Shop) -> None:
    """Silence is a timeout of the link."""
    shop.line.inject(*[Fault("lose")] * 9)
    with pytest.raises(LinkError, match="no answer before the deadline"):
        shop.open()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"stop": {"send": frame(COUNTS)}}, "only a move can be sent counts"),
        ({"state": {"send": frame(AXIS), "reply": frame(AXIS)}}, "needs a field called state"),
        ({"position": {"send": frame(), "reply": frame(COUNTS)}}, "a field called axis"),
        ({"move": {"send": frame(AXIS)}}, "fields called axis, and counts or value"),
        ({"identity": {"send": frame()}}, "identity.reply is missing"),
        ({"bits": None}, "say what the bits of 'state' mean"),
        ({"stop": {"send": [{"bytes": "0x"}]}}, "not bytes in hexadecimal"),
        ({"stop": {"send": [{"bytes": "00", "skip": 1}]}}, "given are bytes, skip"),
        ({"stop": {"send": [{"order": "big"}]}}, "given is none"),
        ({"axes": {"a": {"channel": "x", "unit": "um", "per_count": 1.0}}}, "must be a number"),
    ],
)
def test_mistakes_of_the_table(changes: dict[str, Any], words: str) -> None:
    """Each is refused at load, with what is allowed."""
    with pytest.raises(ValidationError, match=words):
        BinarySettings.model_validate({**TABLE, "port": "/dev/made-up", **changes})


KINDS = st.sampled_from(["u8", "i8", "u16", "i16", "u24", "i24", "u32", "i32"])


@given(KINDS, st.sampled_from(["big", "little"]), st.integers(-(2**33), 2**33), st.integers(0, 99))
def test_what_is_packed_is_read_again(kind: Any, order: Any, number: int, at: int) -> None:
    """A number that its type holds comes back; another is refused; a flipped bit shows."""
    fields = [
        FieldSettings(bytes="7E"),
        FieldSettings(length="u16", plus=3),
        FieldSettings(name="counts", type=kind, order=order),
        FieldSettings.model_validate({"checksum": {"kind": "crc16"}, "without": 1}),
    ]
    made = Frame(fields)
    bits = int(kind[1:])
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1)) if kind[0] == "i" else (0, 2**bits)
    if not low <= number < high:
        with pytest.raises(ValueError, match="does not fit into"):
            made.pack({"counts": str(number)})
        return
    data = made.pack({"counts": str(number)})
    assert made.read(data) == {"counts": str(number)}
    flipped = bytearray(data)
    flipped[at % len(data)] ^= 1 << at % 8
    assert made.read(bytes(flipped)) is None


def test_floating_point() -> None:
    """IEEE 754 numbers, and never one that is not finite."""
    made = Frame([FieldSettings(name="value", type="f32")])
    assert made.pack({"value": "1.5"}) == bytes.fromhex("3F C0 00 00")
    assert made.read(bytes.fromhex("3F C0 00 00")) == {"value": "1.500000000"}
    assert made.read(bytes.fromhex("7F C0 00 00")) is None
    assert BinaryQuery(send=[FieldSettings(bytes="01")]).reply is None
