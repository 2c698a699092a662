"""The simulated RS-274 controller: "ok" is parsed, not moved; single bytes are obeyed at once."""

from __future__ import annotations

import math

import pytest
from autoalign_simulators.controllers import GcodeMover
from autoalign_simulators.motors import Motor, MotorTraits
from hypothesis import given
from hypothesis import strategies as st

from autoalign.core.clock import VirtualClock

WELCOME = "Made-up Mover 1.0 ['$' for help]\r\n"


def make() -> GcodeMover:
    """Return a controller of X in mm and A, a turn, commanded in degrees."""
    clock = VirtualClock()
    shift = Motor("s.x", clock, MotorTraits(1e-3, 1.0, 10.0), -50.0, 50.0)
    turn = Motor("m.tip", clock, MotorTraits(1e-6, 0.01, 0.1), -0.02, 0.02)
    return GcodeMover(clock, {"X": shift, "A": turn}, {"A": math.pi / 180})


@pytest.fixture
def mover() -> GcodeMover:
    """Return it with its welcome line read."""
    made = make()
    assert made.take().decode() == WELCOME
    return made


def say(mover: GcodeMover, text: str) -> str:
    """Send and return what comes at once."""
    mover.feed(text.encode("latin-1"))
    return mover.take().decode()


# Documentation of grbl, read: "ok" means parsed, "?" is a bare byte, status <State|MPos:…|…>.
def test_ok_means_parsed(mover: GcodeMover) -> None:
    """The line is acknowledged at once, in motion after, at the target only later."""
    assert say(mover, "G21 G90\nG1 X2 F60\n") == "ok\r\nok\r\n"
    assert say(mover, "?") == "<Run|MPos:0.0000,0.0000|FS:0,0>\r\n"
    mover.clock.sleep(5.0)
    assert say(mover, "?") == "<Idle|MPos:2.0000,0.0000|FS:0,0>\r\n"


# RS-274/NGC: G20 inch, G21 mm, G90 absolute, G91 relative; modal. Read in the
# documentation of LinuxCNC and grbl; section 3.5 of NIST IR 6556 from memory.
def test_units_and_distance_modes(mover: GcodeMover) -> None:
    """Inches are 25.4 mm; relative moves add up, also while queued; modes persist."""
    say(mover, "G20 G91\nG0 X1\nG0 X0.5\n")
    mover.clock.sleep(60.0)
    say(mover, "?")
    mover.clock.sleep(60.0)
    assert say(mover, "?").startswith("<Idle|MPos:38.1000,")
    assert say(mover, "G21 G90\nG0 X1\n") == "ok\r\nok\r\n"
    mover.clock.sleep(60.0)
    assert say(mover, "?").startswith("<Idle|MPos:1.0000,")


def test_degrees(mover: GcodeMover) -> None:
    """A turn is commanded and told in degrees."""
    say(mover, "$J=G90 G21 A1.0 F600\n")
    mover.clock.sleep(10.0)
    assert mover.motors["A"].position == pytest.approx(math.radians(1.0), abs=1e-6)


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("G1 X1\n", "error:22\r\n"),
        ("$J=X1\n", "error:22\r\n"),
        ("G0 X51\n", "error:15\r\n"),
        ("G0 Y1\n", "error:20\r\n"),
        ("G99\n", "error:20\r\n"),
        ("G0 X1e3\n", "error:20\r\n"),
        ("hello\n", "error:2\r\n"),
        ("$W\n", "error:3\r\n"),
        ("G" * 100 + "\n", "error:14\r\n"),
        ("$I\n", "[VER:1.0.0042:MADE-UP]\r\n[OPT:V,15,128]\r\nok\r\n"),
    ],
)
def test_answers(mover: GcodeMover, line: str, answer: str) -> None:
    """Every mistake has its number."""
    assert say(mover, line) == answer


# Documentation of grbl, read: a feed hold cancels a jog; a program resumes with "~".
def test_a_hold_discards_a_jog_and_pauses_a_program(mover: GcodeMover) -> None:
    """After a hold a program goes on at ``~``; a jog does not."""
    say(mover, "G0 X2\n")
    mover.clock.sleep(0.5)
    say(mover, "!")
    mover.clock.sleep(1.0)
    assert say(mover, "?").startswith("<Hold:0|")
    say(mover, "~")
    mover.clock.sleep(5.0)
    assert say(mover, "?").startswith("<Idle|MPos:2.0000")
    say(mover, "$J=X0 F60\n")
    mover.clock.sleep(0.5)
    say(mover, "!")
    mover.clock.sleep(1.0)
    rest = say(mover, "?")
    assert rest.startswith("<Idle|")
    say(mover, "~")
    mover.clock.sleep(5.0)
    assert say(mover, "?") == rest


def test_status_byte_in_the_middle_of_a_line(mover: GcodeMover) -> None:
    """It is answered at once and is no part of the line."""
    assert say(mover, "G2?1\n") == "<Idle|MPos:0.0000,0.0000|FS:0,0>\r\nok\r\n"


# Documentation of grbl, read: a reset in motion raises alarm 3, position lost; the welcome line
# marks every re-initialisation.
def test_restart_in_motion_loses_the_position(mover: GcodeMover) -> None:
    """Welcome, alarm, no motion until unlocked; at rest the position is kept."""
    assert say(mover, "\x18") == WELCOME
    assert say(mover, "G0 X1\n") == "ok\r\n"
    mover.clock.sleep(0.2)
    assert say(mover, "\x18") == f"{WELCOME}ALARM:3\r\n"
    assert say(mover, "G0 X1\n") == "error:9\r\n"
    assert say(mover, "$X\nG0 X1\n") == "ok\r\nok\r\n"


@given(st.lists(st.binary(max_size=30), max_size=10))
def test_any_bytes_are_survived(chunks: list[bytes]) -> None:
    """Whatever comes, it answers a status afterwards."""
    mover = make()
    for chunk in chunks:
        mover.feed(chunk)
    mover.take()
    assert say(mover, "?").startswith("<")
