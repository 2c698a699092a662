"""Two motion controllers as unlike the plain one as can be, each with a command set of its own.

:class:`HexMover` speaks hexadecimal, has an address and a checksum, and tells of all its axes in
one answer, their states as bits. Commands end with CR, answers with CR LF; the last two digits are
the exclusive or of all characters before the ``~``::

    07 name~5F        07 hex mover 0042~xx
    07 run 2 FFFE0C~xx   07 run~xx      to count -500 in 24 bits of two's complement: accepted
    07 all~xx         07 FFFE0C 0001F4 05~xx   counts of both axes, and of the state bit 0 "first
                                        moves", bit 1 "second moves", bit 2 "first homed", bit 3
                                        "second homed", bits 4 and 5 in trouble
    07 rest 1~xx      07 rest~xx        the axis brakes
    07 no~xx                            refused

:class:`PromptMover` echoes, ends every answer with a prompt without a line end, moves only once its
motors are switched on and its axes have found their references, and takes a target and a start as
two commands. Now and then it chats::

    tell name         prompt mover 0042
    motors on         fine
    seek 1            fine              goes to the reference
    aim 1 12.3450     fine              a target, in thousandths of its unit
    fire 1            fine              starts
    where 1           1 sits at 12.3450
    how 1             1 rests, found    rests | rolls | hurts, found | lost
    freeze            fine              every axis brakes
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from autoalign.core.clock import Clock
from autoalign.core.errors import MotionFaultError, TravelLimitError
from autoalign_simulators.controllers.talker import LineTalker
from autoalign_simulators.motors import Motor

__all__ = ["HexMover", "PromptMover"]

_SPAN = 1 << 24


class HexMover(LineTalker):
    """A controller before ``motors``, which it numbers from 1, at ``address``."""

    def __init__(
        self, clock: Clock, motors: Sequence[Motor], address: str = "07", **line: Any
    ) -> None:
        super().__init__(clock, **line)
        self.motors = tuple(motors)
        self.address = address

    def respond(self, line: str) -> str | None:
        """Carry out one command with the right address and checksum; say nothing to another."""
        body, _, check = line.partition("~")
        address, _, command = body.partition(" ")
        if check != _xor(body) or address != self.address:
            return None
        answer = f"{self.address} {self._carry_out(command)}"
        return f"{answer}~{_xor(answer)}"

    def _carry_out(self, command: str) -> str:
        if command == "name":
            return "hex mover 0042"
        if command == "all":
            places = " ".join(f"{m.counts % _SPAN:06X}" for m in self.motors)
            return f"{places} {self._state():02X}"
        match = re.fullmatch(r"(run|rest) ([1-9])(?: ([0-9A-F]{6}))?", command)
        if match is None or int(match[2]) > len(self.motors):
            return "no"
        motor = self.motors[int(match[2]) - 1]
        if match[1] == "rest":
            motor.stop()
            return "rest"
        counts = (int(match[3] or "0", 16) + _SPAN // 2) % _SPAN - _SPAN // 2
        return "run" if _started(motor, counts * motor.traits.step) else "no"

    def _state(self) -> int:
        state = 0
        for number, motor in enumerate(self.motors):
            for offset, said in ((0, motor.moving), (2, motor.homed), (4, bool(motor.fault))):
                state |= int(said) << number + offset
        return state


class PromptMover(LineTalker):
    """A controller before ``motors``, which it numbers from 1, 1000 of its units to mm or rad."""

    PROMPT = "ready> "

    def __init__(self, clock: Clock, motors: Sequence[Motor], **line: Any) -> None:
        super().__init__(clock, **{"echo": True, **line})
        self.motors = tuple(motors)
        self.powered = False
        self._aims: dict[int, float] = {}
        self._told = 0

    def respond(self, line: str) -> str:
        """Carry out one command."""
        self._told += 1
        if self._told % 5 == 0:
            self.say(f"* {self._told} commands so far")
        word, *given = line.split()
        if line == "tell name":
            return "prompt mover 0042"
        if line == "motors on":
            self.powered = True
            return "fine"
        if line == "freeze":
            for motor in self.motors:
                motor.stop()
            return "fine"
        if not given or given[0] not in {str(k + 1) for k in range(len(self.motors))}:
            return "what?"
        return self._of_axis(word, int(given[0]), given[1:])

    def _of_axis(self, word: str, number: int, given: list[str]) -> str:
        motor = self.motors[number - 1]
        if word == "where":
            return f"{number} sits at {1000 * motor.position:.4f}"
        if word == "how":
            doing = "hurts" if motor.fault else "rolls" if motor.moving else "rests"
            return f"{number} {doing}, {'found' if motor.homed else 'lost'}"
        return "fine" if self.powered and self._done(word, number, given) else "what?"

    def _done(self, word: str, number: int, given: list[str]) -> bool:
        motor = self.motors[number - 1]
        if word == "seek":
            motor.home()
            return True
        if word == "aim" and len(given) == 1 and re.fullmatch(r"-?[0-9]+\.[0-9]{4}", given[0]):
            self._aims[number] = float(given[0]) / 1000
            return True
        return word == "fire" and number in self._aims and _started(motor, self._aims.pop(number))

    def _line(self, raw: bytes) -> None:
        super()._line(raw)
        due = self._out[-1][0] if self._out else self.clock.now()
        self._out.append((due, self.PROMPT.encode("ascii")))


def _started(motor: Motor, target: float) -> bool:
    """Start ``motor`` and return whether it would."""
    if not motor.homed:
        return False
    try:
        motor.start(target)
    except (TravelLimitError, MotionFaultError):
        return False
    return True


def _xor(text: str) -> str:
    found = 0
    for byte in text.encode("ascii", errors="replace"):
        found ^= byte
    return f"{found:02X}"
