"""A motion controller that speaks in bytes, with a command set of its own.

A frame is C5, the number of bytes after the next, an operation, an axis (from 1; 0 for all), what
belongs to it, and a CRC of 16 bits (polynomial 0x1021, start 0xFFFF) over all before it, high byte
first. The answer has the operation plus 0x80; FF is a refusal::

    10 00             90 00 "BM" 0042      who is there
    11 01 counts      91 01                starts: accepted (counts: 32 bits, low byte first)
    12 01             92 01 counts         where the axis is
    13 01             93 01 state          bit 0 moves, bit 1 homed, bit 7 in trouble
    14 00             94 00                every axis brakes
    15 01             95 01                goes to the reference
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence

from autoalign.core.clock import Clock
from autoalign.core.errors import MotionFaultError, TravelLimitError
from autoalign_simulators.motors import Motor

__all__ = ["ByteMover"]

_START, _REFUSED = 0xC5, 0xFF


class ByteMover:
    """A controller before ``motors``, which it numbers from 1."""

    hung_up = False

    def __init__(self, clock: Clock, motors: Sequence[Motor], latency: float = 0.0) -> None:
        self.clock = clock
        self.motors = tuple(motors)
        self.latency = latency
        self.serial = 0x0042
        self.heard: list[bytes] = []
        self._lock = threading.RLock()
        self._pending = b""
        self._out: deque[tuple[float, bytes]] = deque()

    def feed(self, data: bytes) -> None:
        """Take bytes from the host and carry out every frame that is whole and right."""
        with self._lock:
            self._pending += data
            while len(self._pending) >= 2:
                size = self._pending[1] + 2
                if self._pending[0] != _START or size > 16:
                    self._pending = self._pending[1:]
                    continue
                if len(self._pending) < size:
                    return
                frame = self._pending[:size]
                if int.from_bytes(frame[-2:], "big") != _crc(frame[:-2]):
                    self._pending = self._pending[1:]
                    continue
                self._pending = self._pending[size:]
                self.heard.append(frame)
                self._say(self._carry_out(frame[2], frame[3], frame[4:-2]))

    def take(self) -> bytes:
        """Return the bytes for the host that are due by now."""
        with self._lock:
            now, parts = self.clock.now(), []
            while self._out and self._out[0][0] <= now:
                parts.append(self._out.popleft()[1])
            return b"".join(parts)

    def due(self) -> float | None:
        """Return when the next bytes come, or None while there are none to come."""
        with self._lock:
            return self._out[0][0] if self._out else None

    def _say(self, body: bytes) -> None:
        frame = bytes((_START, len(body) + 2)) + body
        frame += _crc(frame).to_bytes(2, "big")
        self._out.append((self.clock.now() + self.latency, frame))

    def _carry_out(self, operation: int, axis: int, rest: bytes) -> bytes:
        done = bytes((operation + 0x80 & 0xFF, axis))
        if operation == 0x10:
            return done + b"BM" + self.serial.to_bytes(2, "big")
        if operation == 0x14:
            for motor in self.motors:
                motor.stop()
            return done
        if not 1 <= axis <= len(self.motors):
            return bytes((_REFUSED, axis))
        answer = self._of_axis(operation, self.motors[axis - 1], rest)
        return bytes((_REFUSED, axis)) if answer is None else done + answer

    def _of_axis(self, operation: int, motor: Motor, rest: bytes) -> bytes | None:
        if operation == 0x11 and len(rest) == 4 and motor.homed:
            try:
                motor.start(int.from_bytes(rest, "little", signed=True) * motor.traits.step)
            except (TravelLimitError, MotionFaultError):
                return None
            return b""
        if operation == 0x12:
            return motor.counts.to_bytes(4, "little", signed=True)
        if operation == 0x13:
            return bytes((motor.moving | motor.homed << 1 | bool(motor.fault) << 7,))
        if operation == 0x15:
            motor.home()
            return b""
        return None


def _crc(data: bytes) -> int:
    value = 0xFFFF
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1 ^ (0x1021 if value & 0x8000 else 0)) & 0xFFFF
    return value
