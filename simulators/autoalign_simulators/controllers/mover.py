"""A line-ASCII motion controller with a command set of its own.

Commands end with CR, answers with CR LF. Axes count from 1; positions are whole counts, written
with sign and eight digits, so that a lost character always shows::

    who          mover axes=3 serial=0042 release=1
    go 1 1200    go 1 +00001200      accepted: not arrived
    at 1         at 1 +00001200      where the axis is
    is 1         is 1 resting homed  resting | moving | faulty, homed | unhomed
    halt         halt                every axis brakes
    home 1       home 1              goes to the reference; homed once there
    ends 1       ends 1 -00010000 +00010000
    keep 1       keep 1 step=0.0001 speed=2 acceleration=10

A refusal is ``no`` with a number and a word: 1 command, 2 axis, 3 number, 4 ends, 5 unhomed,
6 faulty, 7 length. A command may carry a tag, ``#17 at 1``; its answer then carries the same.
Unasked, the controller says ``** mover awake`` after power-on and ``!! 1 <fault>`` when an axis
fails.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any

from autoalign.core.clock import Clock
from autoalign.core.errors import MotionFaultError, TravelLimitError
from autoalign_simulators.controllers.talker import LineTalker
from autoalign_simulators.motors import Motor

__all__ = ["Mover"]

_TAGGED = re.compile(r"(?:(#[0-9]{1,4}) )?(.*)", re.ASCII | re.DOTALL)
_COUNT = re.compile(r"[+-]?[0-9]{1,8}", re.ASCII)


class _Refusal(Exception):  # noqa: N818 - becomes a line of text
    """A command that is not carried out; its text is the answer."""


class Mover(LineTalker):
    """A motion controller before ``motors``, which it numbers from 1.

    ``serial`` is what tells two of them apart. Further keywords go to :class:`LineTalker`.
    """

    def __init__(
        self, clock: Clock, motors: Sequence[Motor], serial: str = "0042", **line: Any
    ) -> None:
        super().__init__(clock, **line)
        self.motors = tuple(motors)
        self.serial = serial
        self._faults = [m.fault for m in self.motors]
        self._commands: dict[str, tuple[int, Callable[..., str]]] = {
            "who": (0, self._who),
            "go": (2, self._go),
            "at": (1, self._at),
            "is": (1, self._is),
            "halt": (0, self._halt),
            "home": (1, self._home),
            "ends": (1, self._ends),
            "keep": (1, self._keep),
        }

    @property
    def identity(self) -> str:
        """What it answers to ``who``."""
        return f"mover axes={len(self.motors)} serial={self.serial} release=1"

    def reboot(self) -> None:
        """Lose power and come back: motion ends, positions are unknown, the banner is sent."""
        with self._lock:
            self.forget()
            for motor in self.motors:
                motor.power_cycle()
            self.say("** mover awake")

    def respond(self, line: str) -> str | None:
        """Carry out one command line."""
        match = _TAGGED.fullmatch(line)
        tag, text = match.groups() if match else (None, line)
        word, *given = text.split()
        try:
            answer = self._carry_out(word, given)
        except _Refusal as refusal:
            answer = f"no {refusal}"
        return f"{tag} {answer}" if tag else answer

    def look(self) -> None:
        """Say which axes have failed since the last call."""
        for index, motor in enumerate(self.motors):
            if motor.fault and not self._faults[index]:
                self.say(f"!! {index + 1} {motor.fault}")
            self._faults[index] = motor.fault

    def too_long(self) -> str:
        """Refuse a line beyond the cap."""
        return "no 7 length"

    def _carry_out(self, word: str, given: list[str]) -> str:
        count, action = self._commands.get(word, (0, None))
        if action is None or len(given) != count:
            raise _Refusal("1 command")
        return action(*given)

    def _motor(self, number: str) -> Motor:
        if number.isdecimal() and number.isascii() and 1 <= int(number) <= len(self.motors):
            return self.motors[int(number) - 1]
        raise _Refusal("2 axis")

    def _who(self) -> str:
        return self.identity

    def _go(self, number: str, counts: str) -> str:
        motor = self._motor(number)
        if not _COUNT.fullmatch(counts):
            raise _Refusal("3 number")
        if not motor.homed:
            raise _Refusal("5 unhomed")
        try:
            motor.start(int(counts) * motor.traits.step)
        except TravelLimitError:
            raise _Refusal("4 ends") from None
        except MotionFaultError:
            raise _Refusal("6 faulty") from None
        return f"go {number} {int(counts):+09d}"

    def _at(self, number: str) -> str:
        return f"at {number} {self._motor(number).counts:+09d}"

    def _is(self, number: str) -> str:
        motor = self._motor(number)
        state = "faulty" if motor.fault else "moving" if motor.moving else "resting"
        return f"is {number} {state} {'homed' if motor.homed else 'unhomed'}"

    def _halt(self) -> str:
        for motor in self.motors:
            motor.stop()
        return "halt"

    def _home(self, number: str) -> str:
        self._motor(number).home()
        return f"home {number}"

    def _ends(self, number: str) -> str:
        motor = self._motor(number)
        low, high = (round(end / motor.traits.step) for end in (motor.lower, motor.upper))
        return f"ends {number} {low:+09d} {high:+09d}"

    def _keep(self, number: str) -> str:
        t = self._motor(number).traits
        return f"keep {number} step={t.step:g} speed={t.speed:g} acceleration={t.acceleration:g}"
