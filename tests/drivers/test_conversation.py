"""What is said, byte for byte, in dialects that have little in common."""

from __future__ import annotations

import math
from typing import Any

import pytest

from autoalign.core.axes import Axis
from autoalign.core.errors import MotionFaultError, ReplyError, TravelLimitError

TURN = (Axis("mirror.tip", "rad", -0.02, 0.02, tolerance=1e-5),)
DECIMAL: dict[str, Any] = {
    "command_end": "\n",
    "reply_end": "\r\n",
    "echo": True,
    "identity": {"send": "name", "reply": "rotator no. [0-9]+"},
    "move": {"send": "turn {axis} to {value}"},
    "position": {
        "send": "angle {axis}",
        "reply": r"(?P<axis>[0-9]+) has (?P<value>-?[0-9]+\.[0-9]{4})",
    },
    "state": {"send": "turning {axis}", "reply": r"(?P<axis>[0-9]+) is (?P<state>[a-z]+)"},
    "stop": {"send": "hold all"},
    "resting": ["parked", "steady"],
    "moving": ["rolling"],
    "axes": {
        "mirror.tip": {"channel": "1", "unit": "deg", "per_count": -1.0, "decimals": 4},
    },
}
HELLO = [
    (b"\n", b""),
    (b"name\n", b"name\r\nrotator no. 21\r\n"),
]


def asked(command: str, reply: str) -> tuple[bytes, bytes]:
    """Return a pair in the dialect with echo."""
    return f"{command}\n".encode(), f"{command}\r\n{reply}\r\n".encode()


def test_decimal_degrees_with_echo_and_reversed_sign(conversation: Any) -> None:
    """A controller in degrees, counting the other way, that answers nothing to a move."""
    stage = conversation(
        DECIMAL,
        TURN,
        [
            *HELLO,
            (b"turn 1 to -0.5000\n", b"turn 1 to -0.5000\r\n"),
            asked("angle 1", "1 has -0.1200"),
            asked("turning 1", "1 is rolling"),
            asked("angle 1", "1 has -0.2300"),
            asked("angle 1", "1 has -0.5000"),
            asked("turning 1", "1 is steady"),
            asked("angle 1", "1 has -0.5000"),
            (b"\nhold all\n", b"hold all\r\n"),
            *HELLO,
        ],
    )
    stage.start_move("mirror.tip", math.radians(0.5))
    first = stage.status("mirror.tip")
    assert first.moving
    assert first.position == pytest.approx(math.radians(0.23))
    second = stage.status("mirror.tip")
    assert second.moving
    assert second.position == pytest.approx(math.radians(0.5))


def test_nothing_is_sent_for_a_target_outside(conversation: Any) -> None:
    """The limits are checked once more before the wire."""
    stage = conversation(DECIMAL, TURN, HELLO)
    with pytest.raises(TravelLimitError, match=r"nothing was moved"):
        stage.start_move("mirror.tip", 0.03)


def test_bare_line_ends_absorb_what_a_crashed_host_left(conversation: Any) -> None:
    """The error about a stale half command is absorbed; the first command is no move."""
    hello = [(b"\n", b"pardon\r\nwhat was that\r\n"), HELLO[1]]
    assert conversation(DECIMAL, TURN, hello).strays == 2


def test_disagreeing_reads_are_read_again(conversation: Any) -> None:
    """A digit changed under way is not taken for the position."""
    read = [
        asked("angle 1", "1 has 0.1000"),
        asked("turning 1", "1 is parked"),
        asked("angle 1", "1 has 0.1000"),
    ]
    stage = conversation(
        DECIMAL,
        TURN,
        [
            *HELLO,
            asked("angle 1", "1 has 0.3000"),
            asked("turning 1", "1 is parked"),
            asked("angle 1", "1 has 0.1000"),
            *HELLO,
            *read,
        ],
    )
    assert stage.status("mirror.tip").position == pytest.approx(math.radians(-0.1))


def test_an_encoder_between_two_counts_is_at_rest(conversation: Any) -> None:
    """One step of jitter is no disagreement; two are."""
    one = [
        asked("angle 1", "1 has 0.1001"),
        asked("turning 1", "1 is parked"),
        asked("angle 1", "1 has 0.1000"),
    ]
    two = [
        asked("angle 1", "1 has 0.1002"),
        asked("turning 1", "1 is parked"),
        asked("angle 1", "1 has 0.1000"),
    ]
    stage = conversation(DECIMAL, TURN, [*HELLO, *one, *two, *HELLO, *one])
    for _ in range(2):
        status = stage.status("mirror.tip")
        assert not status.moving
        assert status.position == pytest.approx(math.radians(-0.1))


def test_readings_that_never_agree(conversation: Any) -> None:
    """The message shows both readings and what to look for."""
    odd = [
        asked("angle 1", "1 has 0.3000"),
        asked("turning 1", "1 is parked"),
        asked("angle 1", "1 has 0.1000"),
        *HELLO,
    ]
    stage = conversation(DECIMAL, TURN, [*HELLO, *odd, *odd, *odd])
    with pytest.raises(ReplyError, match=r"says that it rests, but reads .* and then .* mrad"):
        stage.status("mirror.tip")


def test_unknown_word_of_state(conversation: Any) -> None:
    """A state that the table does not know is never taken for "at rest"."""
    odd = [asked("turning 1", "1 is adrift"), *HELLO]
    stage = conversation(
        DECIMAL, TURN, [*HELLO, asked("angle 1", "1 has 0.1000"), *odd, *odd, *odd]
    )
    with pytest.raises(ReplyError, match=r"is 'adrift' ''; known are parked, rolling, steady"):
        stage.status("mirror.tip")


def test_answer_about_another_axis(conversation: Any) -> None:
    """An answer that names another axis is not taken, and asked for again."""
    stage = conversation(
        DECIMAL,
        TURN,
        [
            *HELLO,
            asked("angle 1", "2 has 0.3000"),
            *HELLO,
            asked("angle 1", "1 has 0.1000"),
            asked("turning 1", "1 is parked"),
            asked("angle 1", "1 has 0.1000"),
        ],
    )
    assert stage.status("mirror.tip").position == pytest.approx(math.radians(-0.1))


def test_refused_move(conversation: Any) -> None:
    """A refusal is no ambiguity: the axis was not moved, and the message says why."""
    settings = {**DECIMAL, "move": {**DECIMAL["move"], "reply": "turns"}, "errors": ["cannot.*"]}
    refused = (b"turn 1 to -0.5000\n", b"turn 1 to -0.5000\r\ncannot, clamped\r\n")
    stage = conversation(settings, TURN, [*HELLO, refused])
    with pytest.raises(MotionFaultError, match=r"refused with 'cannot, clamped'.*was not moved to"):
        stage.start_move("mirror.tip", math.radians(0.5))


def test_a_late_answer_to_an_earlier_question_is_left_aside(conversation: Any) -> None:
    """Questions carry a number; an answer with another number is not the answer."""
    tagged = {
        **DECIMAL,
        "echo": False,
        "identity": {
            "send": "{tag} name",
            "reply": "(?P<tag>[0-9]+) (?P<identity>rotator no. [0-9]+)",
        },
        "position": {
            "send": "{tag} angle {axis}",
            "reply": f"(?P<tag>[0-9]+) {DECIMAL['position']['reply']}",
        },
    }
    stage = conversation(
        tagged,
        TURN,
        [
            (b"\n", b""),
            (b"1 name\n", b"1 rotator no. 21\r\n"),
            (b"2 angle 1\n", b"1 1 has 0.9000\r\n2 1 has 0.1000\r\n"),
            (b"turning 1\n", b"1 is parked\r\n"),
            (b"4 angle 1\n", b"4 1 has 0.1000\r\n"),
        ],
    )
    assert stage.status("mirror.tip").position == pytest.approx(math.radians(-0.1))
