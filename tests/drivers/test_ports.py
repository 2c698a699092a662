"""Ports that cannot be had: every message says who, where, what is wrong and what to do."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import serial
from autoalign_drivers.mapping import BENCH_TYPES, WriteTimeoutError, mapped, opening_error
from autoalign_drivers.port_settings import PortSettings
from autoalign_drivers.ports import PortLock, open_port

from autoalign.core.errors import (
    AlignError,
    LinkError,
    LinkTimeoutError,
    PortBusyError,
    PortMissingError,
    UsageError,
)

posix = pytest.mark.skipif(os.name != "posix", reason="device files")
WHERE = "stage mount, port P"


def refused(port: str, kind: type[AlignError]) -> str:
    """Open a port that cannot be had and return the message."""
    with pytest.raises(kind) as caught:
        open_port(PortSettings(port=port), f"stage mount, port {port}")
    return str(caught.value)


@posix
def test_port_that_does_not_exist() -> None:
    """Who, where, what exists, what to do."""
    text = refused("/dev/ttyNoSuchPort", PortMissingError)
    assert text.startswith("stage mount, port /dev/ttyNoSuchPort: there is no such port")
    assert "Serial ports here:" in text
    assert "correct 'port' in the bench file" in text


def test_network_port_where_nobody_listens() -> None:
    """A refused connection counts as a port that does not exist."""
    text = refused("socket://127.0.0.1:1", PortMissingError)
    assert "nobody answers there" in text


def test_scheme_that_nobody_handles() -> None:
    """A mistyped scheme is a usage error that shows a right one."""
    assert "socket://host:port" in refused("sockte://127.0.0.1:1", UsageError)


@posix
def test_file_that_is_no_port(tmp_path: Path) -> None:
    """An ordinary file is named for what it is not."""
    path = tmp_path / "notes.txt"
    path.write_text("no port")
    assert "cannot be used as a serial port" in refused(str(path), LinkError)


@posix
@pytest.mark.parametrize("left_behind", [True, False])
def test_a_lock_of_another_account(rig: Any, monkeypatch: Any, left_behind: bool) -> None:
    """A file that another account left behind keeps nobody out; one of a running process does."""
    made = rig("pty")
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    port, lock = open_port(PortSettings(port=made.link.port), "stage theirs")
    note = lock._note
    port.close()
    lock.release()
    assert not note.exists()

    def foreign(*_: object, **__: object) -> None:
        raise PermissionError("lock file belongs to somebody else")

    monkeypatch.setattr("autoalign_drivers.ports.FileLock.acquire", foreign)
    note.write_text(f"process {gone.pid if left_behind else os.getppid()} (stage theirs)")
    try:
        if left_behind:
            port, lock = open_port(PortSettings(port=made.link.port), "stage ours")
            port.close()
            lock.release()
        else:
            assert "(stage theirs) has the port" in refused(made.link.port, PortBusyError)
    finally:
        note.unlink()


@posix
def test_port_of_another_stage(rig: Any) -> None:
    """A second stage on the same port is refused by the lock, and told who has it."""
    made = rig("pty")
    port, lock = open_port(PortSettings(port=made.link.port), "stage first")
    try:
        text = refused(made.link.port, PortBusyError)
        assert f"process {os.getpid()} (stage first) has the port" in text
        assert "never shared" in text
    finally:
        port.close()
        lock.release()
    again, lock = open_port(PortSettings(port=made.link.port), "stage second")
    again.close()
    lock.release()


@posix
def test_port_of_a_program_that_only_locks_the_device(rig: Any) -> None:
    """A program that knows nothing of the lock file but opens exclusively is noticed too."""
    made = rig("pty")
    with serial.Serial(made.link.port, exclusive=True):
        assert "another program has the port open" in refused(made.link.port, PortBusyError)


@posix
def test_lock_follows_links(tmp_path: Path, rig: Any) -> None:
    """A by-id link and the device it points to are one port."""
    made = rig("pty")
    alias = tmp_path / "by-id"
    alias.symlink_to(made.link.port)
    lock = PortLock(str(alias), WHERE)
    with pytest.raises(PortBusyError):
        PortLock(made.link.port, WHERE)
    lock.release()
    lock.release()
    PortLock(made.link.port, WHERE).release()


@posix
@pytest.mark.slow
def test_lock_dies_with_its_process(tmp_path: Path) -> None:
    """Another process holds the port until it ends, however it ends."""
    port = tmp_path / "port"
    code = (
        "import sys; from autoalign_drivers.ports import PortLock; "
        f"lock = PortLock({str(port)!r}, 'stage other'); print('have', flush=True); "
        "sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "have\n"
        with pytest.raises(PortBusyError, match=rf"process {other.pid} \(stage other\)"):
            PortLock(str(port), WHERE)
        other.kill()
    PortLock(str(port), WHERE).release()


def test_in_process_ports_need_no_lock() -> None:
    """What lives inside one process is not locked against others."""
    first = PortLock("bench://controller-1", WHERE)
    PortLock("bench://controller-1", WHERE).release()
    first.release()


@pytest.mark.parametrize("kind", BENCH_TYPES)
def test_every_family_becomes_a_link_error(kind: type[Exception]) -> None:
    """The four families in which a broken line shows end up as one, with place and advice."""
    message = r"P: the line broke while reading.*verify the positions"
    with pytest.raises(LinkError, match=message), mapped(WHERE, "reading"):
        raise kind("gone")


def test_a_write_that_times_out_is_told_apart() -> None:
    """It does not mean "not sent": an error of its own says so."""
    message = r"what has arrived is not known"
    with pytest.raises(WriteTimeoutError, match=message) as caught, mapped(WHERE, "sending"):
        raise serial.SerialTimeoutException("Write timeout")
    assert isinstance(caught.value, LinkTimeoutError)


@pytest.mark.parametrize(
    ("error", "kind", "word"),
    [
        (serial.SerialException(13, "denied"), LinkError, "may not open"),
        (serial.SerialException(16, "busy"), PortBusyError, "another program"),
        (serial.SerialException("FileNotFoundError(2)"), PortMissingError, "no such port"),
        (serial.SerialException("odd"), LinkError, "cannot be used"),
    ],
)
def test_opening_errors(error: Exception, kind: type[LinkError], word: str) -> None:
    """Each reason for which a port does not open has its own message and advice."""
    made = opening_error(WHERE, error, ["/dev/ttyMadeUp"])
    assert type(made) is kind
    assert word in str(made)
