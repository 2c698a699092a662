"""What a link needs of a simulated controller, and what every line dialect has in common."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections import deque
from typing import Protocol, runtime_checkable

from autoalign.core.clock import Clock

__all__ = ["LineTalker", "Talker", "WriteBlocked"]


class WriteBlocked(Exception):  # noqa: N818 - not an error of ours: the link turns it into one
    """The far end does not take bytes now; a link shows this as a write that times out."""


@runtime_checkable
class Talker(Protocol):
    """A controller as its cable sees it. All times are on ``clock``, s."""

    @property
    def clock(self) -> Clock:
        """The simulated world's time."""
        ...

    @property
    def hung_up(self) -> bool:
        """Whether the cable has been pulled."""
        ...

    def feed(self, data: bytes) -> None:
        """Take bytes from the host. May raise :class:`WriteBlocked`."""
        ...

    def take(self) -> bytes:
        """Return the bytes for the host that are due by now, b"" where there are none."""
        ...

    def due(self) -> float | None:
        """Return when the next bytes come, or None while there are none to come."""
        ...


class LineTalker(ABC):
    """Lines in, lines out: buffering, latency, echo.

    A dialect says what it answers in :meth:`respond`, and may speak unasked through :meth:`say`,
    for instance from :meth:`look`, which runs whenever bytes pass in either direction.

    Parameters
    ----------
    clock
        The simulated world's time.
    latency
        Seconds between a command and its answer.
    echo
        Whether every command line is sent back before its answer.
    command_end, reply_end
        Line ends.
    cap
        Longest command line, bytes; of a longer one nothing is carried out.
    """

    hung_up = False

    def __init__(
        self,
        clock: Clock,
        *,
        latency: float = 0.0,
        echo: bool = False,
        command_end: bytes = b"\r",
        reply_end: bytes = b"\r\n",
        cap: int = 80,
    ) -> None:
        self.clock = clock
        self.latency = latency
        self.echo = echo
        self.command_end = command_end
        self.reply_end = reply_end
        self.cap = cap
        self.heard: list[str] = []
        self._lock = threading.RLock()
        self._pending = b""
        self._too_long = False
        self._out: deque[tuple[float, bytes]] = deque()

    @abstractmethod
    def respond(self, line: str) -> str | None:
        """Carry out one command line and return the answer, or None for no answer."""

    def look(self) -> None:  # noqa: B027 - most dialects have nothing to look after
        """Attend to things that happen without a command; say what the host must know."""

    def too_long(self) -> str | None:
        """Return the answer to a line beyond the cap."""
        return None

    def feed(self, data: bytes) -> None:
        """Take bytes from the host and carry out every line that is complete."""
        with self._lock:
            self.look()
            *lines, self._pending = (self._pending + data).split(self.command_end)
            for raw in lines:
                self._line(raw)
            if len(self._pending) > self.cap:
                self._pending, self._too_long = b"", True

    def take(self) -> bytes:
        """Return the bytes for the host that are due by now."""
        with self._lock:
            self.look()
            now, parts = self.clock.now(), []
            while self._out and self._out[0][0] <= now:
                parts.append(self._out.popleft()[1])
            return b"".join(parts)

    def due(self) -> float | None:
        """Return when the next bytes come, or None while there are none to come."""
        with self._lock:
            return self._out[0][0] if self._out else None

    def say(self, text: str, latency: float = 0.0) -> None:
        """Send a line to the host, not overtaking what was said before."""
        with self._lock:
            due = self.clock.now() + latency
            if self._out:
                due = max(due, self._out[-1][0])
            self._out.append((due, text.encode("ascii") + self.reply_end))

    def forget(self) -> None:
        """Lose what was received and not yet carried out, and what was not yet sent."""
        with self._lock:
            self._pending, self._too_long = b"", False
            self._out.clear()

    def _line(self, raw: bytes) -> None:
        if self._too_long or len(raw) > self.cap:
            self._too_long = False
            answer = self.too_long()
        else:
            text = raw.decode("ascii", errors="replace").strip()
            self.heard.append(text)
            if self.echo:
                self.say(raw.decode("ascii", errors="ignore"))
            answer = self.respond(text) if text else None
        if answer is not None:
            self.say(answer, self.latency)
