"""Bytes and lines on one serial port, with one owner at a time and a deadline on everything.

Deadlines are absolute, on the line's own monotonic time: the computer's for real ports, and what
the port offers as ``clock`` for ports inside the process.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator

from autoalign.core.clock import Clock, RealClock
from autoalign.core.errors import LinkError, LinkTimeoutError, ReplyError
from autoalign_drivers.mapping import BENCH_TYPES, mapped
from autoalign_drivers.port_settings import LineSettings, PortSettings
from autoalign_drivers.ports import open_port

__all__ = ["PreemptedError", "Transport"]

_OWNER_PATIENCE = 30.0
_FLOOD = 65536


class PreemptedError(LinkError):
    """A STOP from another thread took the line; the exchange under way was given up."""


class Transport:
    """One open port.

    Between receiving bytes and taking them out of the buffer it is always checked whether a STOP
    has taken the line, so that the answer to the STOP is left for whoever sent it.

    ``turn`` makes a thread the owner for one or more exchanges; :meth:`preempt` alone may be
    called by others meanwhile. ``owed`` says that something was written whose answer has not been
    read; whoever reads it says so. ``farewell`` is sent before the port is let go of, whatever
    the reason: the STOP of what may be moving. Once the line has failed it stays failed;
    ``unplugged`` says that it was the line itself, which may come back.
    """

    def __init__(self, settings: PortSettings, who: str) -> None:
        self.where = f"{who}, port {settings.port}"
        lines = settings if isinstance(settings, LineSettings) else None
        self._end = lines.reply_end.encode("ascii") if lines is not None else b"\n"
        self._prompt = lines.prompt.encode("ascii") if lines is not None else b""
        self._cap = lines.line_cap if lines is not None else _FLOOD
        self._port, self._lock = open_port(settings, self.where)
        offered = getattr(self._port, "clock", None)
        self.clock: Clock = offered if isinstance(offered, Clock) else RealClock()
        self._buffer = b""
        self._owner = threading.RLock()
        self._writing = threading.Lock()
        self._stopping = threading.Event()
        self._failure = ""
        self.owed = False
        self.farewell = b""
        self.unplugged = False
        self._overhear: list[tuple[bool, bytes]] | None = None

    @property
    def broken(self) -> bool:
        """Whether the line has failed or was closed."""
        return bool(self._failure)

    @contextlib.contextmanager
    def turn(self, *, resume: bool = False) -> Iterator[None]:
        """Own the line. ``resume`` ends the state that :meth:`preempt` has set."""
        if not self._owner.acquire(timeout=_OWNER_PATIENCE):
            raise LinkTimeoutError(
                f"{self.where}: another thread has owned the line for {_OWNER_PATIENCE:g} s; a "
                "single thread should talk to a controller."
            )
        try:
            if resume:
                self._stopping.clear()
            self.check()
            yield
        finally:
            self._owner.release()

    @contextlib.contextmanager
    def overheard(self, told: list[tuple[bool, bytes]]) -> Iterator[None]:
        """Add to ``told`` all bytes that pass inside: whether they were sent, and the bytes."""
        self._overhear = told
        try:
            yield
        finally:
            self._overhear = None

    def listen(self, patience: float, quiet: float) -> None:
        """Read, and throw away, what comes within ``patience`` s, until ``quiet`` s of silence.

        A device that never falls silent is listened to ten times as long.
        """
        began = last = self.clock.now()
        heard = False
        while self.clock.now() - began < 10 * (patience + quiet):
            self.check()
            if self._receive():
                last, heard = self.clock.now(), True
            elif self.clock.now() - last >= (quiet if heard else patience):
                break
        self.owed = False

    def write(self, data: bytes) -> None:
        """Send all of ``data``; one that times out may still have arrived."""
        with self._writing:
            self.check()
            self.owed = True
            self._send(data)

    def preempt(self, data: bytes) -> None:
        """Send ``data`` at once from any thread; whoever waits for an answer gives up."""
        self._stopping.set()
        with self._writing:
            self._check_failure()
            self._send(data)

    def read_line(self, deadline: float) -> bytes:
        """Return the next line without its end.

        Raises
        ------
        LinkTimeoutError
            Where no whole line has come by ``deadline``.
        ReplyError
            Where more than a line's worth of bytes comes without an end; the line is closed.
        """
        while True:
            self.check()
            line = self._cut()
            if line is not None:
                return line
            if self.clock.now() >= deadline:
                partial = f" (only {self._buffer!r})" if self._buffer else ""
                raise LinkTimeoutError(f"{self.where}: no answer before the deadline{partial}.")
            self._buffer += self._receive()

    def read_exactly(self, count: int, deadline: float) -> bytes:
        """Return the next ``count`` bytes.

        Raises
        ------
        LinkTimeoutError
            Where so many have not come by ``deadline``.
        """
        while len(self._buffer) < count:
            self.check()
            if self.clock.now() >= deadline:
                partial = f" (only {self._buffer.hex(' ')})" if self._buffer else ""
                raise LinkTimeoutError(f"{self.where}: no answer before the deadline{partial}.")
            self._buffer += self._receive()
        self.check()
        data, self._buffer = self._buffer[:count], self._buffer[count:]
        return data

    def unread(self, data: bytes) -> None:
        """Put ``data`` back before what has come since."""
        self._buffer = data + self._buffer

    def discard(self) -> bytes:
        """Return, and forget, all bytes that have come; does not wait."""
        with self._failing():
            with mapped(self.where, "asking for waiting bytes"):
                waiting = self._port.in_waiting
            if waiting:
                self._buffer += self._receive()
        self.check()
        data, self._buffer = self._buffer, b""
        return data

    def pending(self) -> list[bytes]:
        """Return the lines that have come already; does not wait."""
        with self._failing():
            with mapped(self.where, "asking for waiting bytes"):
                waiting = self._port.in_waiting
            if waiting:
                self._buffer += self._receive()
        self.check()
        return self._cut_all()

    def partial(self) -> bytes:
        """Return what has come of a line that is not complete."""
        return b"" if self._prompt.startswith(self._buffer) else self._buffer

    def drain(self, quiet: float) -> list[bytes]:
        """Wait until nothing has come for ``quiet`` seconds; return what came, the rest last.

        Raises :class:`ReplyError`, and closes the line, where it does not become quiet.
        """
        limit = self.clock.now() + 10 * quiet + 1.0
        last, heard = self.clock.now(), 0
        while self.clock.now() - last < quiet:
            self.check()
            data = self._receive()
            if not data:
                continue
            last, heard = self.clock.now(), heard + len(data)
            self._buffer += data
            if heard > _FLOOD or last > limit:
                raise self.fail(f"the device never stops talking ({heard} bytes)", ReplyError)
        self.check()
        lines = self._cut_all()
        if self._buffer:
            lines.append(self._buffer)
            self._buffer = b""
        return lines

    def fail(self, reason: str, kind: type[LinkError] = LinkError) -> LinkError:
        """Close the line for good and return the error to raise."""
        if not self._failure:
            self._failure = reason
            self._release()
        return kind(
            f"{self.where}: {reason}; the line was closed. Check controller, cable and line "
            "settings, then open the bench again."
        )

    def close(self) -> None:
        """Let go of the port. May be called twice."""
        if not self._failure:
            self._failure = "the line was closed before"
            self._release()

    def _send(self, data: bytes) -> None:
        with self._failing(), mapped(self.where, f"sending {data!r}"):
            self._port.write(data)
        if self._overhear is not None:
            self._overhear.append((True, data))

    def _receive(self) -> bytes:
        with self._failing():
            with mapped(self.where, "reading"):
                data: bytes = self._port.read(1)
            if not data:
                return b""
            with mapped(self.where, "asking for waiting bytes"):
                waiting = self._port.in_waiting
            if waiting:
                with mapped(self.where, "reading"):
                    data += self._port.read(min(waiting, 4096))
        if self._overhear is not None:
            self._overhear.append((False, data))
        return data

    def _cut(self) -> bytes | None:
        while self._prompt and self._buffer.startswith(self._prompt):
            self._buffer = self._buffer[len(self._prompt) :]
        line, end, rest = self._buffer.partition(self._end)
        if len(line) > self._cap:
            raise self.fail(
                f"{len(line)} bytes came without an end of line, {self._cap} are allowed",
                ReplyError,
            )
        if not end:
            return None
        self._buffer = rest
        return line

    def _cut_all(self) -> list[bytes]:
        lines = []
        while (line := self._cut()) is not None:
            lines.append(line)
        return lines

    @contextlib.contextmanager
    def _failing(self) -> Iterator[None]:
        """Note that the line has failed, except for a write that timed out."""
        try:
            yield
        except LinkTimeoutError:
            raise
        except LinkError as error:
            if not self._failure:
                self._failure, self.unplugged = str(error), True
            self._release()
            raise

    def check(self) -> None:
        """Raise where the line has failed, or a STOP has taken it."""
        self._check_failure()
        if self._stopping.is_set():
            raise PreemptedError(f"{self.where}: a STOP took the line; ask again after it.")

    def _check_failure(self) -> None:
        if self._failure:
            raise LinkError(f"{self.where}: no line any more: {self._failure}")

    def _release(self) -> None:
        if self.farewell:
            with contextlib.suppress(*BENCH_TYPES):
                self._port.write(self.farewell)
        # pyserial leaves a socket open that the far end has reset.
        left = getattr(self._port, "_socket", None)
        with contextlib.suppress(*BENCH_TYPES):
            self._port.close()
        if left is not None:
            left.close()
        self._lock.release()
