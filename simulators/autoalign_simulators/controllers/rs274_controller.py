"""A simulated controller for lines of RS-274, with words of its own for all else.

The lines are the standard's (RS-274/NGC: Kramer, Proctor, Messina, "The NIST RS274NGC Interpreter,
Version 3", NISTIR 6556, chapter 3, from memory): G0, G1, G4, G20, G21, G90, G91, axis letters, F
and P, an optional line number, comments between parentheses. The axes of one line start together;
each runs by itself. The rest, which the standard leaves open, is invented::

    G1 X2 F60     taken                  understood: not arrived
    G99           refused: code G99      not carried out
    =place        place X +00002.0000 A +00000.0000
    =doing        doing nothing          nothing | travel | locked
    =self         several lines, ``self …`` among them, to ``self ends``
    =open         taken                  after a loss of the position: moves are allowed again
    &             halted                 at once, in the middle of a line too: brakes, forgets

Unasked, it says ``= awake`` after power-on, and ``= place lost`` where that ended a motion.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from autoalign.core.clock import Clock
from autoalign_simulators.controllers.talker import LineTalker
from autoalign_simulators.motors import Motor

__all__ = ["Rs274Mover"]

_WORD = re.compile(r"([A-Z])([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))", re.ASCII)
_COMMENT = re.compile(r"\([^()]*\)")
_INCH = 25.4
_LINEAR = "XYZ"
_GROUPS = {0: "motion", 1: "motion", 4: "dwell", 20: "units", 21: "units", 90: "way", 91: "way"}
"""Codes of one group exclude each other in a line."""


class _Refusal(Exception):  # noqa: N818 - becomes a line of text
    """A line that is not carried out; its text is the reason."""


class Rs274Mover(LineTalker):
    """A controller before ``motors`` by their letters.

    Motors in rad are commanded in degrees: ``scale`` is inner units per mm or degree of the
    controller, by letter; 1 where not given. ``inch`` and ``relative`` are the modes in which it
    is found, and to which it returns at power-on.
    """

    def __init__(
        self,
        clock: Clock,
        motors: Mapping[str, Motor],
        scale: Mapping[str, float] | None = None,
        serial: str = "0042",
        *,
        inch: bool = False,
        relative: bool = False,
        **line: Any,
    ) -> None:
        super().__init__(clock, **{"command_end": b"\n", "cap": 80, **line})
        self.motors = dict(motors)
        self.scale = dict.fromkeys(motors, 1.0) | dict(scale or {})
        self.serial = serial
        self.locked = False
        self._rapid = {letter: motor.traits.speed for letter, motor in motors.items()}
        self._at_power_on = (inch, relative)
        self._inch, self._relative = inch, relative
        self._motion: int | None = None
        self._feed: float | None = None
        self._queue: deque[tuple[dict[str, tuple[float, float]], float]] = deque()
        self._planned: dict[str, float] = {}
        self._dwell_ends = 0.0
        self.say("= awake")

    @property
    def doing(self) -> str:
        """What it says of itself."""
        if self.locked:
            return "locked"
        return "travel" if self._busy or self._queue else "nothing"

    def feed(self, data: bytes) -> None:
        """Obey ``&`` at once, then take the rest as lines."""
        with self._lock:
            *before, rest = data.split(b"&")
            for part in before:
                super().feed(part)
                self._halt()
                self.say("halted", self.latency)
            super().feed(rest)

    def look(self) -> None:
        """Start what comes next where the last has ended."""
        while self._queue and not self._busy and not self.locked:
            targets, dwell = self._queue.popleft()
            self._dwell_ends = self.clock.now() + dwell
            for letter, (target, speed) in targets.items():
                motor = self.motors[letter]
                motor.traits = replace(motor.traits, speed=speed)
                motor.start(target * self.scale[letter])

    def respond(self, line: str) -> str:
        """Carry out one line."""
        if line.startswith("="):
            return self._told(line)
        try:
            self._take(_COMMENT.sub("", line).upper().replace(" ", "").replace("\t", ""))
        except _Refusal as refusal:
            return f"refused: {refusal}"
        return "taken"

    def too_long(self) -> str:
        """Refuse a line beyond the buffer."""
        return "refused: length"

    def reboot(self) -> None:
        """Lose power and come back: motion ends, positions and modes are those of power-on."""
        with self._lock:
            moving = self._busy
            for motor in self.motors.values():
                motor.power_cycle()
            self.forget()
            self._queue.clear()
            self._planned.clear()
            self._inch, self._relative = self._at_power_on
            self._motion = self._feed = None
            self._dwell_ends = 0.0
            self.say("= awake")
            if moving:
                self.locked = True
                self.say("= place lost")

    def _told(self, line: str) -> str:
        if line == "=place":
            places = (f" {k} {m.position / self.scale[k]:+011.4f}" for k, m in self.motors.items())
            return f"place{''.join(places)}"
        if line == "=doing":
            return f"doing {self.doing}"
        if line == "=self":
            self.say(f"self made-up mill {self.serial}", self.latency)
            self.say(f"self axes {' '.join(self.motors)}", self.latency)
            return "self ends"
        if line == "=open":
            self.locked = False
            return "taken"
        return "refused: question"

    def _take(self, line: str) -> None:
        words = _WORD.findall(line)
        if "".join(letter + number for letter, number in words) != line:
            raise _Refusal("no words")
        codes = self._codes(words)
        numbers = {letter: float(number) for letter, number in words if letter != "G"}
        if len(numbers) + len(codes) < len(words):
            raise _Refusal("the same twice")
        # F counts in the units that hold before this line; G20 and G21 come after it.
        feed = numbers.get("F")
        feed = self._feed if feed is None else feed * (_INCH if self._inch else 1.0)
        inch = codes.get("units", 20 if self._inch else 21) == 20
        relative = codes.get("way", 91 if self._relative else 90) == 91
        motion = codes.get("motion", self._motion)
        targets = self._targets(numbers, inch=inch, relative=relative)
        if targets and self.locked:
            raise _Refusal("locked")
        if targets and motion is None:
            raise _Refusal("no motion")
        if targets and motion == 1 and not feed:
            raise _Refusal("no feed")
        if ("dwell" in codes) != ("P" in numbers):
            raise _Refusal("dwell")
        self._inch, self._relative, self._motion, self._feed = inch, relative, motion, feed
        if targets or "dwell" in codes:
            self._planned |= targets
            speeds = {k: self._speed(k, feed if motion == 1 else None) for k in targets}
            self._queue.append(
                ({k: (v, speeds[k]) for k, v in targets.items()}, numbers.get("P", 0.0))
            )
            self.look()

    def _codes(self, words: list[tuple[str, str]]) -> dict[str, int]:
        """Return the codes of a line by their groups."""
        codes: dict[str, int] = {}
        for letter, number in words:
            if letter == "G":
                code = float(number)
                if code not in _GROUPS:
                    raise _Refusal(f"code G{number}")
                codes[_GROUPS[int(code)]] = int(code)
            elif letter not in "NFP" and letter not in self.motors:
                raise _Refusal(f"axis {letter}")
        return codes

    def _targets(
        self, numbers: Mapping[str, float], *, inch: bool, relative: bool
    ) -> dict[str, float]:
        """Return absolute targets in mm or degrees by letter."""
        targets: dict[str, float] = {}
        for letter, motor in self.motors.items():
            if letter not in numbers:
                continue
            size = _INCH if inch and letter in _LINEAR else 1.0
            here = motor.position / self.scale[letter]
            base = self._planned.get(letter, here) if relative else 0.0
            targets[letter] = base + numbers[letter] * size
            if not motor.lower <= targets[letter] * self.scale[letter] <= motor.upper:
                raise _Refusal(f"end of {letter}")
        return targets

    def _speed(self, letter: str, feed: float | None) -> float:
        """Return the speed in the motor's units; ``feed`` in mm or degrees per minute."""
        rapid = self._rapid[letter]
        return rapid if feed is None else min(feed / 60 * self.scale[letter], rapid)

    @property
    def _busy(self) -> bool:
        moving = any(motor.moving for motor in self.motors.values())
        return moving or self.clock.now() < self._dwell_ends

    def _halt(self) -> None:
        """Brake, and forget what was to come."""
        self._queue.clear()
        self._planned.clear()
        self._dwell_ends = 0.0
        for motor in self.motors.values():
            motor.stop()
