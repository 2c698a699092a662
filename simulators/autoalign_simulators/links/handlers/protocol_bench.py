"""pyserial's side of the in-process link.

It fails as the real thing does: a dead line is a ``SerialException`` on reading and writing and a
plain ``OSError`` on asking how many bytes wait. Waiting happens on the controller's clock, which
the port offers as ``clock``.
"""

from __future__ import annotations

import errno

from serial.serialutil import (
    PortNotOpenError,
    SerialBase,
    SerialException,
    SerialTimeoutException,
)

from autoalign.core.clock import Clock
from autoalign_simulators.controllers.talker import Talker, WriteBlocked
from autoalign_simulators.links.loop import talker_of

__all__ = ["Serial"]

_TICK = 1e-6


class Serial(SerialBase):
    """A serial port whose far end is a controller in this process."""

    _talker: Talker
    _buffer: bytes = b""

    @property
    def clock(self) -> Clock:
        """The time in which this line lives."""
        return self._talker.clock

    def open(self) -> None:
        """Connect to the controller that is served under the port's URL."""
        talker = talker_of(str(self.port))
        if talker is None:
            raise SerialException(errno.ENOENT, f"nothing is served at {self.port}")
        self._talker = talker
        self._buffer = b""
        self.is_open = True

    def close(self) -> None:
        """Disconnect."""
        self.is_open = False

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        self._need_open()
        if self._dead:
            raise OSError(errno.EIO, "Input/output error")
        self._collect()
        return len(self._buffer)

    def read(self, size: int = 1) -> bytes:
        """Return up to ``size`` bytes, waiting for the first until the timeout."""
        self._need_open()
        end = self.clock.now() + (self.timeout or 0.0)
        while True:
            if self._dead:
                raise SerialException("read failed: device disconnected")
            self._collect()
            now = self.clock.now()
            if self._buffer or now >= end:
                break
            due = self._talker.due()
            until = end if due is None else min(end, due)
            self.clock.sleep(max(until - now, _TICK))
        data, self._buffer = self._buffer[:size], self._buffer[size:]
        return data

    def write(self, data: bytes, /) -> int:  # type: ignore[override]
        """Hand bytes to the controller."""
        self._need_open()
        if self._dead:
            raise SerialException("write failed: device disconnected")
        octets = bytes(data)
        try:
            self._talker.feed(octets)
        except WriteBlocked:
            self.clock.sleep(self.write_timeout or 0.0)
            raise SerialTimeoutException("Write timeout") from None
        return len(octets)

    def flush(self) -> None:
        """Do nothing: what is written has arrived."""

    def reset_input_buffer(self) -> None:
        """Throw away what waits to be read."""
        self._need_open()
        self._collect()
        self._buffer = b""

    def reset_output_buffer(self) -> None:
        """Do nothing: what is written has arrived."""

    def _reconfigure_port(self) -> None:
        """Do nothing: there is no line speed."""

    def _update_dtr_state(self) -> None:
        """Do nothing: there are no modem lines."""

    def _update_rts_state(self) -> None:
        """Do nothing: there are no modem lines."""

    @property
    def _dead(self) -> bool:
        return self._talker.hung_up or talker_of(str(self.port)) is not self._talker

    def _need_open(self) -> None:
        if not self.is_open:
            raise PortNotOpenError

    def _collect(self) -> None:
        self._buffer += self._talker.take()
