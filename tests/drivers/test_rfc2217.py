"""A serial port on the network after RFC 2217, served by pyserial's own server side."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
import serial
from autoalign_drivers.port_settings import PortSettings
from autoalign_drivers.ports import open_port
from serial.rfc2217 import PortManager

pytestmark = [
    pytest.mark.slow,
    # pyserial names its thread in the old way.
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
]


class _Server:
    """Serves a looped-back line: what is sent comes back."""

    def __init__(self, silent: bool) -> None:
        self._silent = silent
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self.line = serial.serial_for_url("loop://", timeout=0.05)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def write(self, data: bytes) -> None:
        """Send to the client, for the port manager; SET-CONTROL is not answered where silent."""
        if not (self._silent and data[:4] == b"\xff\xfa\x2c\x69"):
            self._client.sendall(data)

    def close(self) -> None:
        """End the server."""
        self._listener.close()
        self._thread.join(5)
        self.line.close()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            self._client, _ = self._listener.accept()
            manager = PortManager(self.line, self)
            self._client.settimeout(0.02)
            while True:
                try:
                    data = self._client.recv(1024)
                    if not data:
                        break
                    self.line.write(b"".join(manager.filter(data)))
                except TimeoutError:
                    pass
                back = self.line.read(self.line.in_waiting)
                if back:
                    self.write(b"".join(manager.escape(back)))
            self._client.close()


@pytest.fixture(params=[False, True], ids=["answers", "leaves SET-CONTROL unanswered"])
def server(request: Any, tmp_path: Any, monkeypatch: Any) -> Iterator[_Server]:
    """Return a server, also one that does not answer SET-CONTROL, as the standard allows."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    made = _Server(request.param)
    yield made
    made.close()


def test_a_network_port_after_rfc_2217_opens(server: _Server) -> None:
    """The line settings reach the far end, and bytes come back; it could never be opened once."""
    port, lock = open_port(PortSettings(port=server.port, baudrate=9600, parity="mark"), "stage a")
    try:
        assert server.line.baudrate == 9600
        assert server.line.parity == serial.PARITY_MARK
        port.write(b"who\r\n")
        heard, end = b"", time.monotonic() + 30
        while len(heard) < 5 and time.monotonic() < end:
            heard += port.read(1)
        assert heard == b"who\r\n"
    finally:
        port.close()
        lock.release()
