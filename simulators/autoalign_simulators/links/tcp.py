"""A controller on a TCP port, as behind a serial-to-network box that serves one host at a time."""

from __future__ import annotations

import contextlib
import socket

from autoalign_simulators.controllers.talker import Talker
from autoalign_simulators.links.pump import Pump

__all__ = ["TcpLink"]


class _TcpCable:
    """Waits for a host, serves it until it leaves, waits for the next."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setblocking(False)
        self._host: socket.socket | None = None
        self.number: int = self._server.getsockname()[1]

    def fileno(self) -> int:
        return (self._host or self._server).fileno()

    def read(self) -> bytes:
        if self._host is None:
            self._accept()
            return b""
        try:
            data = self._host.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._leave()
        return data

    def write(self, data: bytes) -> None:
        if self._host is not None:
            with contextlib.suppress(OSError):
                self._host.sendall(data)

    def close(self) -> None:
        self._leave()
        self._server.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            self._host, _ = self._server.accept()
            self._host.setblocking(False)
            self._host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _leave(self) -> None:
        if self._host is not None:
            self._host.close()
            self._host = None


class TcpLink:
    """A controller behind a TCP port of 127.0.0.1."""

    def __init__(self, talker: Talker) -> None:
        cable = _TcpCable()
        self._port = f"socket://127.0.0.1:{cable.number}"
        self._pump = Pump(talker, cable, self._port)

    @property
    def port(self) -> str:
        """URL that pyserial opens."""
        return self._port

    def close(self) -> None:
        """Hang up and end the thread."""
        self._pump.close()
