"""The thread that carries bytes between a controller and a file descriptor."""

from __future__ import annotations

import os
import select
import threading
from typing import Protocol

from autoalign.core.errors import LinkError
from autoalign_simulators.controllers.talker import Talker, WriteBlocked

__all__ = ["Cable", "Pump"]

_SLICE = 0.01
_JOIN = 5.0


class Cable(Protocol):
    """The near end of a link."""

    def fileno(self) -> int:
        """Return what to wait on; −1 once it is gone."""
        ...

    def read(self) -> bytes:
        """Return what has come, b"" where nothing has."""
        ...

    def write(self, data: bytes) -> None:
        """Send; what does not fit is lost, as on a serial line."""
        ...

    def close(self) -> None:
        """Let go. May be called twice."""
        ...


class Pump:
    """Carries bytes until it is closed or the controller hangs up."""

    def __init__(self, talker: Talker, cable: Cable, name: str) -> None:
        self._talker = talker
        self._cable = cable
        self._wake_out, self._wake_in = os.pipe()
        self._ended = threading.Event()
        self._thread = threading.Thread(
            target=self._run, name=f"autoalign-link {name}", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """End the thread, then the cable."""
        if self._ended.is_set():
            return
        self._ended.set()
        os.write(self._wake_in, b"x")
        self._thread.join(_JOIN)
        if self._thread.is_alive():
            raise LinkError(f"{self._thread.name}: its thread did not end within {_JOIN:g} s.")
        self._cable.close()
        os.close(self._wake_in)
        os.close(self._wake_out)

    def _run(self) -> None:
        while not self._ended.is_set():
            if self._talker.hung_up:
                self._cable.close()
                return
            self._wait()
            data = self._cable.read()
            if data:
                try:
                    self._talker.feed(data)
                except WriteBlocked:
                    continue
            out = self._talker.take()
            if out:
                self._cable.write(out)

    def _wait(self) -> None:
        """Wait for bytes from the host, or let simulated time pass until an answer is due."""
        due = self._talker.due()
        ahead = None if due is None else due - self._talker.clock.now()
        ready, _, _ = select.select(
            [self._cable.fileno(), self._wake_out], [], [], _SLICE if ahead is None else 0.0
        )
        if not ready and ahead is not None and ahead > 0:
            self._talker.clock.sleep(min(ahead, _SLICE))
