"""A controller on a pseudo-terminal: what a driver opens is a real device file."""

from __future__ import annotations

import contextlib
import os
import tty

from autoalign_simulators.controllers.talker import Talker
from autoalign_simulators.links.pump import Pump

__all__ = ["PtyLink"]


class _PtyCable:
    """The master side. The slave is kept open, so that a driver may come and go."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)

    def fileno(self) -> int:
        return self._master

    def read(self) -> bytes:
        try:
            return os.read(self._master, 4096)
        except OSError:
            return b""

    def write(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)

    def close(self) -> None:
        for end in (self._master, self._slave):
            if end >= 0:
                os.close(end)
        self._master = self._slave = -1


class PtyLink:
    """A controller behind a device file."""

    def __init__(self, talker: Talker) -> None:
        cable = _PtyCable()
        self._port = cable.path
        self._pump = Pump(talker, cable, self._port)

    @property
    def port(self) -> str:
        """Path of the device file."""
        return self._port

    def close(self) -> None:
        """Hang up and end the thread."""
        self._pump.close()
