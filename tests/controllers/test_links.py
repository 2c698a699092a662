"""The same controller on three links: same answers, no echo, no thread left."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from typing import Any

import pytest
import serial
from autoalign_simulators.controllers import Mover
from autoalign_simulators.links import Fault, FaultyLine, serve

from autoalign.core.errors import UsageError

PTY = pytest.param(
    "pty", marks=pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
)
TCP = pytest.param("tcp", marks=pytest.mark.slow)  # closing socket:// takes pyserial 0.3 s


def open_port(port: str) -> serial.Serial:
    """Open a port as a driver would."""
    return serial.serial_for_url(port, timeout=5.0, write_timeout=5.0)


@pytest.fixture(params=["loop", PTY, TCP])
def link(request: pytest.FixtureRequest) -> Iterator[str]:
    """Name a link."""
    return request.param


def test_answers_come_through_unchanged(link: Any, mover: Mover) -> None:
    """Bytes pass both ways unchanged: no echo, no translated line ends, no lost zero bytes."""
    served = serve(mover, link)
    with open_port(served.port) as port:
        port.write(b"who\rgo 1 25\r")
        assert port.read_until(b"\n") == mover.identity.encode() + b"\r\n"
        assert port.read_until(b"\n") == b"go 1 +00000025\r\n"
        mover.clock.sleep(1.0)
        port.write(b"at 1\r")
        assert port.read_until(b"\n") == b"at 1 +00000025\r\n"
    served.close()


def test_latency_passes_in_the_world_of_the_controller(link: Any, mover: Mover) -> None:
    """A late answer comes although nobody else lets the virtual time pass."""
    mover.latency = 0.2
    served = serve(mover, link)
    with open_port(served.port) as port:
        port.write(b"at 2\r")
        assert port.read_until(b"\n") == b"at 2 +00000000\r\n"
    assert mover.clock.now() >= 0.2
    served.close()


def test_closing_twice_and_reopening(link: Any, mover: Mover) -> None:
    """A driver may leave and come back; the link may be closed twice."""
    served = serve(mover, link)
    for _ in range(2):
        with open_port(served.port) as port:
            port.write(b"who\r")
            assert port.read_until(b"\n") == mover.identity.encode() + b"\r\n"
    served.close()
    served.close()


def test_hang_up_breaks_reading(link: Any, mover: Mover) -> None:
    """A pulled cable shows as an error, not as silence."""
    line = FaultyLine(mover)
    served = serve(line, link)
    with open_port(served.port) as port:
        port.write(b"who\r")
        port.read_until(b"\n")
        line.inject(Fault("hang_up"))
        with pytest.raises(serial.SerialException):  # noqa: PT012 - write or read may notice
            port.write(b"who\r")
            assert port.read(1) != b""
    served.close()


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_pseudo_terminal_is_a_device_file_that_goes(mover: Mover) -> None:
    """The port is a character device while served, and is gone (or another's) after."""
    served = serve(mover, "pty")
    assert os.path.exists(served.port)  # noqa: PTH110 - a device path, as a driver sees it
    before = threading.active_count()
    served.close()
    assert threading.active_count() == before - 1


def test_loop_needs_no_thread(mover: Mover) -> None:
    """The in-process link adds no thread and no file."""
    before = threading.active_count()
    served = serve(mover, "loop")
    with open_port(served.port) as port:
        port.write(b"who\r")
        assert port.in_waiting == len(mover.identity) + 2
        port.reset_input_buffer()
        assert port.in_waiting == 0
        assert threading.active_count() == before
    served.close()
    with pytest.raises(serial.SerialException):
        open_port(served.port)


def test_unknown_link_is_named(mover: Mover) -> None:
    """The error says what was asked and what is allowed."""
    with pytest.raises(UsageError, match="'telepathy' is unknown; allowed are 'pty', 'tcp'"):
        serve(mover, "telepathy")  # type: ignore[arg-type]
