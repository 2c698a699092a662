"""A simulated controller for RS-274 lines, of the kind found in small machines.

"ok" means that a line was understood; motion follows, one move after the other. Single bytes are
obeyed at once, in the middle of a line too: ``?`` status, ``!`` hold, ``~`` go on, 0x18 restart.
A hold discards a jog and lets a program wait. A restart in motion loses the position: alarm, and
no motion until ``$X`` (unlock) or ``$H`` (homing).
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Mapping
from typing import Any

from autoalign.core.clock import Clock
from autoalign_simulators.controllers.talker import LineTalker
from autoalign_simulators.motors import Motor

__all__ = ["GcodeMover"]

_WORD = re.compile(r"([A-Z])([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))", re.ASCII)
_REALTIME = re.compile(rb"[?!~\x18]")
_INCH = 25.4
_WELCOME = "Made-up Mover 1.0 ['$' for help]"


class _Refusal(Exception):  # noqa: N818 - becomes a line of text
    """A line that is not carried out; its argument is the error's number."""


class GcodeMover(LineTalker):
    """A controller before ``motors`` by their letters, in machine coordinates.

    Motors in rad are commanded in degrees by their owner: ``scale`` is inner units per unit of
    the controller, by letter; 1 where not given.
    """

    def __init__(
        self,
        clock: Clock,
        motors: Mapping[str, Motor],
        scale: Mapping[str, float] | None = None,
        serial: str = "0042",
        **line: Any,
    ) -> None:
        super().__init__(clock, **{"command_end": b"\n", "cap": 80, **line})
        self.motors = dict(motors)
        self.scale = dict.fromkeys(motors, 1.0) | dict(scale or {})
        self.serial = serial
        self.alarm = False
        self.holding = False
        self._queue: deque[tuple[bool, dict[str, float]]] = deque()
        self._current: dict[str, float] = {}
        self._jogging = False
        self._inch, self._relative = False, False
        self.say(_WELCOME)

    @property
    def state(self) -> str:
        """The machine's state as its status says it."""
        if self.alarm:
            return "Alarm"
        if self.holding:
            return "Hold:1" if self._busy else "Hold:0"
        if self._busy or self._queue:
            return "Jog" if self._jogging else "Run"
        return "Idle"

    def feed(self, data: bytes) -> None:
        """Obey single bytes at once, then take the rest as lines."""
        with self._lock:
            rest = 0
            for match in _REALTIME.finditer(data):
                super().feed(data[rest : match.start()])
                self._realtime(match.group())
                rest = match.end()
            super().feed(data[rest:])

    def look(self) -> None:
        """Start the next move where the last has ended."""
        if self._queue and not self._busy and not self.holding and not self.alarm:
            self._jogging, self._current = self._queue.popleft()
            for letter, target in self._current.items():
                self.motors[letter].start(target * self.scale[letter])

    def respond(self, line: str) -> str:
        """Carry out one line."""
        try:
            self._carry_out(line.upper().replace(" ", ""))
        except _Refusal as refusal:
            return f"error:{refusal}"
        return "ok"

    def too_long(self) -> str:
        """Refuse a line beyond the buffer."""
        return "error:14"

    def reboot(self) -> None:
        """Lose power and come back: positions are unknown."""
        with self._lock:
            for motor in self.motors.values():
                motor.power_cycle()
            self._restart()

    def _carry_out(self, line: str) -> None:
        if line == "$I":
            if self.state not in ("Idle", "Alarm"):
                raise _Refusal(8)
            self.say(f"[VER:1.0.{self.serial}:MADE-UP]")
            self.say("[OPT:V,15,128]")
        elif line == "$X":
            self.alarm = False
        elif line == "$H":
            self.alarm = False
            for motor in self.motors.values():
                motor.home()
        elif line.startswith("$J="):
            self._plan(line[3:], jog=True)
        elif line.startswith("$"):
            raise _Refusal(3)
        else:
            self._plan(line, jog=False)

    def _plan(self, line: str, *, jog: bool) -> None:
        if self.alarm:
            raise _Refusal(9)
        words = _WORD.findall(line)
        if "".join(letter + number for letter, number in words) != line:
            raise _Refusal(2)
        codes = {float(n) for letter, n in words if letter == "G"}
        unknown = codes - {0.0, 1.0, 4.0, 20.0, 21.0, 90.0, 91.0}
        if unknown:
            raise _Refusal(20)
        inch = 20.0 in codes or (self._inch and 21.0 not in codes)
        relative = 91.0 in codes or (self._relative and 90.0 not in codes)
        feed = next((float(n) for letter, n in words if letter == "F"), None)
        targets = self._targets(words, inch=inch, relative=relative)
        if targets and feed is None and (jog or 0.0 not in codes):
            raise _Refusal(22)
        if not jog:
            self._inch, self._relative = inch, relative
        if targets:
            self._queue.append((jog, targets))
            self.look()

    def _targets(
        self, words: list[tuple[str, str]], *, inch: bool, relative: bool
    ) -> dict[str, float]:
        targets: dict[str, float] = {}
        for letter, number in words:
            if letter in "GFP":
                continue
            if letter not in self.motors:
                raise _Refusal(20)
            value = float(number) * (_INCH if inch else 1.0)
            targets[letter] = value + (self._planned(letter) if relative else 0.0)
            motor = self.motors[letter]
            if not motor.lower <= targets[letter] * self.scale[letter] <= motor.upper:
                raise _Refusal(15)
        return targets

    def _planned(self, letter: str) -> float:
        for _, targets in reversed(self._queue):
            if letter in targets:
                return targets[letter]
        if letter in self._current and (self._busy or self.holding):
            return self._current[letter]
        return self.motors[letter].position / self.scale[letter]

    @property
    def _busy(self) -> bool:
        return any(motor.moving for motor in self.motors.values())

    def _realtime(self, byte: bytes) -> None:
        if byte == b"?":
            self.look()
            positions = ",".join(
                f"{m.position / self.scale[k]:.4f}" for k, m in self.motors.items()
            )
            self.say(f"<{self.state}|MPos:{positions}|FS:0,0>", self.latency)
        elif byte == b"!":
            self._hold()
        elif byte == b"~":
            self.holding = False
            self.look()
        else:
            moving = self._busy
            for motor in self.motors.values():
                motor.stop()
            self._restart(lost=moving)

    def _hold(self) -> None:
        """Brake; a jog is over, a program waits."""
        if self.state == "Idle" or self.alarm:
            return
        if self._jogging:
            self._queue.clear()
        else:
            self._queue.appendleft((False, self._current))
            self.holding = True
        for motor in self.motors.values():
            motor.stop()

    def _restart(self, *, lost: bool = False) -> None:
        self.forget()
        self._queue.clear()
        self.holding = self._jogging = self._inch = self._relative = False
        self.say(_WELCOME)
        if lost:
            self.alarm = True
            self.say("ALARM:3")
