"""What is said, byte for byte, in dialects that have little in common."""

from __future__ import annotations

import math
from typing import Any

import pytest

from autoalign.core.axes import Axis
from autoalign.core.errors import MotionFaultError, ReplyError, TravelLimitError

TURN = (Axis("mirror.tip", "rad", -0.02, 0.02, tolerance=1e-5),)
DECIMAL = {
    "command_end": "\n",
    "reply_end": "\r\n",
    "echo": True,
    "identity": {"send": "VERSION", "reply": "TURNER [0-9.]+"},
    "move": {"send": "{axis}PA{value}"},
    "position": {"send": "{axis}TP", "reply": r"(?P<axis>[0-9]+)TP *(?P<value>-?[0-9]+\.[0-9]{4})"},
    "state": {"send": "{axis}TS", "reply": r"(?P<axis>[0-9]+)TS(?P<state>[0-9A-F]{2})"},
    "stop": {"send": "ST"},
    "resting": ["32", "33"],
    "moving": ["28"],
    "axes": {
        "mirror.tip": {"channel": "1", "unit": "deg", "per_count": -1.0, "decimals": 4},
    },
}
HELLO = [
    (b"\n", b""),
    (b"VERSION\n", b"VERSION\r\nTURNER 2.1\r\n"),
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
            (b"1PA-0.5000\n", b"1PA-0.5000\r\n"),
            asked("1TP", "1TP -0.1200"),
            asked("1TS", "1TS28"),
            asked("1TP", "1TP -0.2300"),
            asked("1TP", "1TP -0.5000"),
            asked("1TS", "1TS33"),
            asked("1TP", "1TP -0.5000"),
            (b"\nST\n", b"ST\r\n"),
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
    """S21: the error about a stale half command is absorbed; the first command is no move."""
    hello = [(b"\n", b"?\r\nERROR 99\r\n"), HELLO[1]]
    assert conversation(DECIMAL, TURN, hello).strays == 2


def test_disagreeing_reads_are_read_again(conversation: Any) -> None:
    """S03: a digit changed under way is not taken for the position."""
    read = [asked("1TP", "1TP 0.1000"), asked("1TS", "1TS32"), asked("1TP", "1TP 0.1000")]
    stage = conversation(
        DECIMAL,
        TURN,
        [
            *HELLO,
            asked("1TP", "1TP 0.3000"),
            asked("1TS", "1TS32"),
            asked("1TP", "1TP 0.1000"),
            *HELLO,
            *read,
        ],
    )
    assert stage.status("mirror.tip").position == pytest.approx(math.radians(-0.1))


def test_an_encoder_between_two_counts_is_at_rest(conversation: Any) -> None:
    """One step of jitter is no disagreement; two are."""
    one = [asked("1TP", "1TP 0.1001"), asked("1TS", "1TS32"), asked("1TP", "1TP 0.1000")]
    two = [asked("1TP", "1TP 0.1002"), asked("1TS", "1TS32"), asked("1TP", "1TP 0.1000")]
    stage = conversation(DECIMAL, TURN, [*HELLO, *one, *two, *HELLO, *one])
    for _ in range(2):
        status = stage.status("mirror.tip")
        assert not status.moving
        assert status.position == pytest.approx(math.radians(-0.1))


def test_readings_that_never_agree(conversation: Any) -> None:
    """The message shows both readings and what to look for."""
    odd = [asked("1TP", "1TP 0.3000"), asked("1TS", "1TS32"), asked("1TP", "1TP 0.1000"), *HELLO]
    stage = conversation(DECIMAL, TURN, [*HELLO, *odd, *odd, *odd])
    with pytest.raises(ReplyError, match=r"says that it rests, but reads .* and then .* mrad"):
        stage.status("mirror.tip")


def test_unknown_word_of_state(conversation: Any) -> None:
    """A state that the table does not know is never taken for "at rest"."""
    odd = [asked("1TS", "1TS99"), *HELLO]
    stage = conversation(DECIMAL, TURN, [*HELLO, asked("1TP", "1TP 0.1000"), *odd, *odd, *odd])
    with pytest.raises(ReplyError, match=r"is '99' ''; known are 28, 32, 33"):
        stage.status("mirror.tip")


def test_answer_about_another_axis(conversation: Any) -> None:
    """N4: an answer that names another axis is not taken, and asked for again."""
    stage = conversation(
        DECIMAL,
        TURN,
        [
            *HELLO,
            asked("1TP", "2TP 0.3000"),
            *HELLO,
            asked("1TP", "1TP 0.1000"),
            asked("1TS", "1TS32"),
            asked("1TP", "1TP 0.1000"),
        ],
    )
    assert stage.status("mirror.tip").position == pytest.approx(math.radians(-0.1))


def test_refused_move(conversation: Any) -> None:
    """A refusal is no ambiguity: the axis was not moved, and the message says why."""
    settings = {**DECIMAL, "move": {"send": "{axis}PA{value}", "reply": "OK"}, "errors": ["NO .*"]}
    stage = conversation(settings, TURN, [*HELLO, (b"1PA-0.5000\n", b"1PA-0.5000\r\nNO SERVO\r\n")])
    with pytest.raises(MotionFaultError, match=r"refused with 'NO SERVO'.*was not moved to"):
        stage.start_move("mirror.tip", math.radians(0.5))


def test_a_late_answer_to_an_earlier_question_is_left_aside(conversation: Any) -> None:
    """Questions carry a number; an answer with another number is not the answer."""
    tagged = {
        **DECIMAL,
        "echo": False,
        "identity": {
            "send": "{tag} VERSION",
            "reply": "(?P<tag>[0-9]+) (?P<identity>TURNER [0-9.]+)",
        },
        "position": {
            "send": "{tag} {axis}TP",
            "reply": r"(?P<tag>[0-9]+) (?P<axis>[0-9]+)TP *(?P<value>-?[0-9]+\.[0-9]{4})",
        },
    }
    stage = conversation(
        tagged,
        TURN,
        [
            (b"\n", b""),
            (b"1 VERSION\n", b"1 TURNER 2.1\r\n"),
            (b"2 1TP\n", b"1 1TP 0.9000\r\n2 1TP 0.1000\r\n"),
            (b"1TS\n", b"1TS32\r\n"),
            (b"4 1TP\n", b"4 1TP 0.1000\r\n"),
        ],
    )
    assert stage.status("mirror.tip").position == pytest.approx(math.radians(-0.1))
