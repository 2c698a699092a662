"""The simulated motion controller: its command set, its refusals, and what it says unasked."""

from __future__ import annotations

import pytest
from autoalign_simulators.controllers import Mover, Talker
from autoalign_simulators.motors import Motor, MotorTraits
from hypothesis import given
from hypothesis import strategies as st

from autoalign.core.clock import VirtualClock


def say(mover: Mover, command: bytes) -> bytes:
    """Send bytes and return what comes at once."""
    mover.feed(command)
    return mover.take()


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        (b"who\r", b"mover axes=2 serial=0042 release=1\r\n"),
        (b"at 1\r", b"at 1 +00000000\r\n"),
        (b"is 2\r", b"is 2 resting homed\r\n"),
        (b"go 1 500\r", b"go 1 +00000500\r\n"),
        (b"go 2 -500\r", b"go 2 -00000500\r\n"),
        (b"halt\r", b"halt\r\n"),
        (b"home 1\r", b"home 1\r\n"),
        (b"ends 1\r", b"ends 1 -00001000 +00001000\r\n"),
        (b"keep 1\r", b"keep 1 step=0.001 speed=1 acceleration=10\r\n"),
        (b"#17 at 2\r", b"#17 at 2 +00000000\r\n"),
        (b"\r\r", b""),
        (b"fly 1\r", b"no 1 command\r\n"),
        (b"at\r", b"no 1 command\r\n"),
        (b"at 3\r", b"no 2 axis\r\n"),
        (b"at 0\r", b"no 2 axis\r\n"),
        ("at ²\r".encode(), b"no 2 axis\r\n"),
        (b"go 1 1e3\r", b"no 3 number\r\n"),
        (b"go 1 1_0\r", b"no 3 number\r\n"),
        (b"go 1 1002\r", b"no 4 ends\r\n"),
        (b"#5 go 1 1002\r", b"#5 no 4 ends\r\n"),
        (b"x" * 81 + b"\r", b"no 7 length\r\n"),
        (b"x" * 300 + b"\rwho\r", b"no 7 length\r\nmover axes=2 serial=0042 release=1\r\n"),
    ],
)
def test_answers(mover: Mover, command: bytes, answer: bytes) -> None:
    """Every command has its answer, every mistake its own refusal."""
    assert say(mover, command) == answer


def test_is_a_talker(mover: Mover) -> None:
    """It has what every link asks of a controller."""
    assert isinstance(mover, Talker)


def test_acknowledges_at_once_and_arrives_later(mover: Mover) -> None:
    """An acknowledgement is not an arrival; done is at the target and resting."""
    assert say(mover, b"go 1 900\r") == b"go 1 +00000900\r\n"
    assert say(mover, b"is 1\r") == b"is 1 moving homed\r\n"
    mover.clock.sleep(2.0)
    assert say(mover, b"is 1\rat 1\r") == b"is 1 resting homed\r\nat 1 +00000900\r\n"


def test_halt_stops_every_axis_short(mover: Mover) -> None:
    """``halt`` leaves no axis moving, and none at its target."""
    say(mover, b"go 1 900\rgo 2 -900\r")
    mover.clock.sleep(0.3)
    say(mover, b"halt\r")
    mover.clock.sleep(1.0)
    assert not any(m.moving for m in mover.motors)
    assert 0 < mover.motors[0].counts < 900


def test_reboot_forgets_positions_and_says_so(mover: Mover) -> None:
    """After a restart: banner, zero where it stands, unhomed, no move until homed."""
    say(mover, b"go 1 900\r")
    mover.clock.sleep(5.0)
    mover.reboot()
    assert mover.take() == b"** mover awake\r\n"
    assert say(mover, b"at 1\ris 1\r") == b"at 1 +00000000\r\nis 1 resting unhomed\r\n"
    assert say(mover, b"go 1 10\r") == b"no 5 unhomed\r\n"
    say(mover, b"home 1\r")
    mover.clock.sleep(5.0)
    assert say(mover, b"go 1 10\r") == b"go 1 +00000010\r\n"
    assert mover.motors[0].true_position() == pytest.approx(0.0, abs=1e-3)


def test_fault_is_told_unasked_once_and_refuses_moves(mover: Mover) -> None:
    """An axis that fails raises one alarm line; moves on it are refused."""
    mover.motors[1].fault = "overheated"
    assert mover.take() == b"!! 2 overheated\r\n"
    assert mover.take() == b""
    assert say(mover, b"is 2\r") == b"is 2 faulty homed\r\n"
    assert say(mover, b"go 2 5\r") == b"no 6 faulty\r\n"


def test_echo_and_latency() -> None:
    """With echo the command comes back first and at once; the answer comes after the latency."""
    clock = VirtualClock()
    traits = MotorTraits(step=1.0, speed=1.0, acceleration=1.0)
    mover = Mover(clock, [Motor("a.x", clock, traits, -9, 9)], echo=True, latency=0.25)
    assert say(mover, b"at 1\r") == b"at 1\r\n"
    assert mover.due() == 0.25
    clock.sleep(0.25)
    assert mover.take() == b"at 1 +00000000\r\n"
    assert mover.due() is None


@given(chunks=st.lists(st.binary(max_size=40), max_size=20))
def test_any_bytes_are_survived(chunks: list[bytes]) -> None:
    """Nothing that comes in breaks it; afterwards it still answers."""
    clock = VirtualClock()
    traits = MotorTraits(step=1.0, speed=1.0, acceleration=1.0)
    mover = Mover(clock, [Motor("a.x", clock, traits, -9, 9)])
    for chunk in chunks:
        say(mover, chunk)
    say(mover, b"\r")
    assert say(mover, b"who\r").endswith(b"mover axes=1 serial=0042 release=1\r\n")
