"""A STOP that was lost, not written, or answered by something else is sent again."""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
from autoalign_drivers.line_ascii import DRIVER
from autoalign_drivers.line_settings import LineAsciiSettings
from autoalign_simulators.links import Fault, serve

from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import LinkError


def test_a_stop_that_could_not_be_written_is_written_again(rig: Any) -> None:
    """A write that times out ends no STOP, and leaves no line that nobody may use any more."""
    made = rig()
    stage = made.open(write_timeout="100 ms")
    stage.start_move("source.x", 4.0)
    made.clock.sleep(0.3)
    made.line.inject(Fault("block", "command"))
    stage.stop()
    assert made.line.happened
    assert not stage.status("source.x").moving
    assert made.motor("source.x").position < 1.5


def test_after_stops_that_were_never_written_the_line_can_be_read(rig: Any) -> None:
    """All attempts time out: an error, and then a status, not "a STOP took the line" for ever."""
    made = rig()
    stage = made.open(write_timeout="100 ms")
    stage.start_move("source.x", 4.0)
    made.line.inject(*[Fault("block", "command")] * 3)
    with pytest.raises(LinkError, match=r"not acknowledged.*may still be moving"):
        stage.stop()
    assert stage.status("source.x").moving


def test_closing_stops_what_a_failed_stop_left_moving(rig: Any) -> None:
    """A STOP that failed does not count as done: closing sends it again."""
    made = rig()
    stage = made.open(write_timeout="100 ms")
    stage.start_move("source.x", 4.0)
    made.clock.sleep(0.3)
    made.line.inject(*[Fault("block", "command")] * 3)
    with pytest.raises(LinkError, match="may still be moving"):
        stage.stop()
    stage.close()
    made.clock.sleep(5.0)
    assert made.motor("source.x").true_position() < 4.0 - 0.1


class Slow:
    """Says "so be it" to all, to a move 0.3 s late; the first STOP is lost on the way to it."""

    hung_up = False

    def __init__(self, clock: VirtualClock) -> None:
        self.clock, self.moving = clock, False
        self.heard: list[bytes] = []
        self._rest = b""
        self._late: list[tuple[float, bytes]] = []

    def feed(self, data: bytes) -> None:
        """Obey whole lines."""
        *lines, self._rest = (self._rest + data).split(b"\r")
        for line in filter(None, lines):
            self.heard.append(line)
            lost = line == b"freeze" and self.heard.count(b"freeze") == 1
            if lost:
                continue
            self.moving = line.startswith(b"send") or (self.moving and line != b"freeze")
            said = {b"what": b"stage"}.get(line, b"so be it")
            late = 0.3 if line.startswith(b"send") else 0.0
            self._late.append((self.clock.now() + late, said + b"\r\n"))

    def take(self) -> bytes:
        """Return what is due."""
        now = self.clock.now()
        out = b"".join(said for at, said in self._late if at <= now)
        self._late = [(at, said) for at, said in self._late if at > now]
        return out

    def due(self) -> float | None:
        """Return when there is more to say."""
        return min((at for at, _ in self._late), default=None)


def test_the_acknowledgement_of_a_move_is_not_taken_for_that_of_the_stop() -> None:
    """Cut off in mid-exchange: the answer still owed does not confirm a STOP that was lost."""
    clock = VirtualClock()
    device = Slow(clock)
    table = {
        "command_end": "\r",
        "reply_end": "\r\n",
        "identity": {"send": "what", "reply": "stage"},
        "move": {"send": "send {axis} {value}", "reply": "so be it"},
        "position": {"send": "reading {axis}", "reply": r"(?P<value>[0-9.]+)"},
        "state": {"send": "rest {axis}", "reply": "(?P<state>yes|no)"},
        "stop": {"send": "freeze", "reply": "so be it"},
        "resting": ["yes"],
        "moving": ["no"],
        "axes": {"s.x": {"channel": "1", "unit": "mm", "per_count": 1.0}},
    }
    with contextlib.closing(serve(device, "loop")) as link:
        settings = LineAsciiSettings.model_validate({**table, "port": link.port})
        stage = DRIVER.build("m", [Axis("s.x", "mm", -5, 5, resolution=1e-3)], settings, clock)
        read, cut = stage._transport.read_line, iter([KeyboardInterrupt])

        def read_line(deadline: float) -> bytes:
            for error in cut:
                raise error
            return read(deadline)

        stage._transport.read_line = read_line
        with pytest.raises(KeyboardInterrupt):
            stage.start_move("s.x", 4.0)
        assert device.moving
        stage.stop()
        assert not device.moving
        assert device.heard.count(b"freeze") >= 2
        stage.close()


def test_a_tagged_stop_counts_its_own_answer_alone(rig: Any) -> None:
    """A late answer to an earlier STOP, told by its tag, does not confirm one that was lost."""
    made = rig()
    stage = made.open()
    stage.start_move("source.x", 4.0)
    made.clock.sleep(0.3)
    stage._transport._buffer += b"#9999 halt" + stage._transport._end
    made.line.inject(Fault("lose", "command"))
    stage.stop()
    assert not made.motor("source.x").moving
