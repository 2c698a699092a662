"""The simulated RS-274 controller: a line is taken, not arrived; a halt is obeyed at once."""

from __future__ import annotations

import math

import pytest
from autoalign_simulators.controllers import Rs274Mover
from autoalign_simulators.motors import Motor, MotorTraits
from hypothesis import given
from hypothesis import strategies as st

from autoalign.core.clock import VirtualClock

AWAKE = "= awake\r\n"


def make(**modes: bool) -> Rs274Mover:
    """Return a controller of X in mm and A, a turn, commanded in degrees."""
    clock = VirtualClock()
    shift = Motor("s.x", clock, MotorTraits(1e-3, 1.0, 10.0), -50.0, 50.0)
    turn = Motor("m.tip", clock, MotorTraits(1e-6, 0.01, 0.1), -0.02, 0.02)
    return Rs274Mover(clock, {"X": shift, "A": turn}, {"A": math.pi / 180}, **modes)


@pytest.fixture
def mover() -> Rs274Mover:
    """Return it with its greeting read."""
    made = make()
    assert made.take().decode() == AWAKE
    return made


def say(mover: Rs274Mover, text: str) -> str:
    """Send and return what comes at once."""
    mover.feed(text.encode("latin-1"))
    return mover.take().decode()


def place(mover: Rs274Mover, letter: str) -> float:
    """Ask for the place of one axis, mm or degrees."""
    words = say(mover, "=place\n").split()
    return float(words[words.index(letter) + 1])


def test_taken_means_understood(mover: Rs274Mover) -> None:
    """The line is acknowledged at once, in motion after, at the target only later."""
    assert say(mover, "G21 G90\nG1 X2 F60\n") == "taken\r\ntaken\r\n"
    assert say(mover, "=doing\n=place\n") == (
        "doing travel\r\nplace X +00000.0000 A +00000.0000\r\n"
    )
    mover.clock.sleep(5.0)
    assert say(mover, "=doing\n=place\n") == (
        "doing nothing\r\nplace X +00002.0000 A +00000.0000\r\n"
    )


# G20 inch, G21 mm, G90 absolute, G91 relative, all modal: RS-274/NGC, NISTIR 6556, 3.5 (memory)
def test_units_and_distance_modes(mover: Rs274Mover) -> None:
    """Inches are 25.4 mm; relative moves add up, also while queued; modes persist."""
    say(mover, "G20 G91\nG0 X1\nG0 X0.5\n")
    for _ in range(2):
        mover.clock.sleep(60.0)
        say(mover, "=doing\n")
    mover.clock.sleep(60.0)
    assert place(mover, "X") == 38.1
    say(mover, "G21 G90\nG0 X1\n")
    mover.clock.sleep(60.0)
    assert place(mover, "X") == 1.0


# F is carried out before G20 and G21 of the same line: NISTIR 6556, 3.8 (memory)
def test_the_feed_of_a_line_is_in_the_units_before_it() -> None:
    """Found in inches, ``G21 F2`` in one line is 2 inches a minute; in the next line 2 mm."""
    for lines, feed in (("G21 G1 X10 F2\n", 2 * 25.4), ("G21\nG1 X10 F2\n", 2.0)):
        mover = make(inch=True)
        say(mover, lines)
        mover.clock.sleep(6.0)
        assert place(mover, "X") == pytest.approx(feed / 10, abs=0.05)


def test_degrees_are_no_lengths() -> None:
    """A turn is commanded and told in degrees, in inches too."""
    mover = make(inch=True)
    say(mover, "G90 G0 A1.0\n")
    mover.clock.sleep(10.0)
    assert mover.motors["A"].position == pytest.approx(math.radians(1.0), abs=1e-6)


def test_a_dwell_holds_up_what_follows(mover: Rs274Mover) -> None:
    """G4 waits for P seconds (NISTIR 6556, 3.5, from memory) before the next move starts."""
    say(mover, "G4 P3\nG0 X1\n")
    mover.clock.sleep(2.0)
    assert say(mover, "=doing\n") == "doing travel\r\n"
    assert place(mover, "X") == 0.0
    mover.clock.sleep(2.0)
    say(mover, "=doing\n")
    mover.clock.sleep(5.0)
    assert place(mover, "X") == 1.0


def test_comments_numbers_of_lines_and_blanks(mover: Rs274Mover) -> None:
    """They change nothing (NISTIR 6556, 3.3, from memory)."""
    assert say(mover, "n10 g0 (to the right) x 1\n") == "taken\r\n"
    mover.clock.sleep(5.0)
    assert place(mover, "X") == 1.0


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("G1 X1\n", "refused: no feed\r\n"),
        ("X1\n", "refused: no motion\r\n"),
        ("G0 X51\n", "refused: end of X\r\n"),
        ("G0 Y1\n", "refused: axis Y\r\n"),
        ("G99\n", "refused: code G99\r\n"),
        ("G0 X1e3\n", "refused: axis E\r\n"),
        ("G0 X1 X2\n", "refused: the same twice\r\n"),
        ("G20 G21\n", "refused: the same twice\r\n"),
        ("G4\n", "refused: dwell\r\n"),
        ("hello\n", "refused: no words\r\n"),
        ("=age\n", "refused: question\r\n"),
        ("G" * 100 + "\n", "refused: length\r\n"),
        ("=self\n", "self made-up mill 0042\r\nself axes X A\r\nself ends\r\n"),
    ],
)
def test_answers(mover: Rs274Mover, line: str, answer: str) -> None:
    """Every mistake has its word, and nothing of its line is carried out."""
    assert say(mover, line) == answer
    assert say(mover, "=doing\n") == "doing nothing\r\n"


def test_a_halt_forgets_what_was_to_come(mover: Rs274Mover) -> None:
    """In the middle of a line, too: the axis brakes, and the queue is empty for good."""
    say(mover, "G0 X2\nG0 X4\n")
    mover.clock.sleep(0.5)
    assert say(mover, "G2&1\n") == "halted\r\ntaken\r\n"
    mover.clock.sleep(1.0)
    rest = place(mover, "X")
    assert 0 < rest < 2
    mover.clock.sleep(9.0)
    assert say(mover, "=doing\n") == "doing nothing\r\n"
    assert place(mover, "X") == rest


def test_a_restart_in_motion_loses_the_place(mover: Rs274Mover) -> None:
    """No motion until a person has opened it again; at rest nothing is locked."""
    mover.reboot()
    assert mover.take().decode() == AWAKE
    assert say(mover, "G0 X1\n") == "taken\r\n"
    mover.clock.sleep(0.2)
    mover.reboot()
    assert mover.take().decode() == f"{AWAKE}= place lost\r\n"
    assert say(mover, "G0 X1\n") == "refused: locked\r\n"
    assert say(mover, "=open\nG0 X1\n") == "taken\r\ntaken\r\n"


@given(st.lists(st.binary(max_size=30), max_size=10))
def test_any_bytes_are_survived(chunks: list[bytes]) -> None:
    """Whatever comes, it answers a question afterwards."""
    mover = make()
    for chunk in chunks:
        mover.feed(chunk)
    mover.take()
    assert say(mover, "\n=doing\n").rstrip().rpartition("\n")[2].startswith("doing")
