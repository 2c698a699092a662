"""Ports that cannot be had: every message says who, where, what is wrong and what to do."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import serial
from autoalign_drivers.mapping import BENCH_TYPES, WriteTimeoutError, mapped, opening_error
from autoalign_drivers.port_settings import PortSettings
from autoalign_drivers.ports import PortLock, open_port
from pydantic import ValidationError

from autoalign.core.errors import (
    AlignError,
    LinkError,
    LinkTimeoutError,
    PortBusyError,
    PortMissingError,
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


@pytest.mark.parametrize(
    "port",
    [
        "spy:///dev/ttyUSB0?file=notes.txt",
        "alt:///dev/ttyUSB0?class=PosixPollSerial",
        "hwgrep://.*",
        "loop://",
        "sockte://127.0.0.1:1",
        "socket://127.0.0.1:1?logging=debug",
        "rfc2217://host:99999999",
        "/dev/tty\x13USB0",
    ],
)
def test_only_ports_that_do_nothing_else_are_opened(port: str) -> None:
    """A bench file cannot name a port that writes a file or searches: one emptied notes once."""
    with pytest.raises(ValidationError, match=r"give a device path, socket://|not printable"):
        PortSettings(port=port)


@posix
def test_file_that_is_no_port(tmp_path: Path) -> None:
    """An ordinary file is named for what it is not."""
    path = tmp_path / "notes.txt"
    path.write_text("no port")
    assert "cannot be used as a serial port" in refused(str(path), LinkError)


@pytest.fixture(autouse=True)
def runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the locks of a test in a folder of its own."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    return tmp_path / "autoalign" / "ports"


@pytest.mark.parametrize("note", ["process 1 (stage theirs)", "process 999999999 (gone)", "?"])
def test_a_note_left_behind_blocks_nobody(note: str, tmp_path: Path, runtime_folder: Path) -> None:
    """Only the lock counts, not a note: neither of a dead process nor of somebody else's."""
    port = str(tmp_path / "port")
    PortLock(port, WHERE).release()
    (file,) = runtime_folder.glob("*.lock")
    file.with_suffix(".txt").write_text(note)
    PortLock(port, WHERE).release()
    assert not file.with_suffix(".txt").exists()


@posix
def test_a_link_in_place_of_a_lock_is_not_followed(tmp_path: Path, runtime_folder: Path) -> None:
    """What a link points to keeps its content: neither lock nor note are written through it."""
    port = str(tmp_path / "port")
    PortLock(port, WHERE).release()
    (file,) = runtime_folder.glob("*.lock")
    precious = tmp_path / "precious.txt"
    for planted in (file, file.with_suffix(".txt")):
        precious.write_text("kept")
        planted.unlink(missing_ok=True)
        planted.symlink_to(precious)
        lock = PortLock(port, WHERE)
        with pytest.raises(PortBusyError, match=f"process {os.getpid()}"):
            PortLock(port, WHERE)
        lock.release()
        assert precious.read_text() == "kept"


@posix
def test_a_lock_folder_that_is_a_link_is_refused(tmp_path: Path, runtime_folder: Path) -> None:
    """Somebody else's folder is no place for locks."""
    other = tmp_path / "other"
    other.mkdir()
    runtime_folder.parent.mkdir()
    runtime_folder.symlink_to(other)
    with pytest.raises(LinkError, match="is a link or belongs to somebody else"):
        PortLock(str(tmp_path / "port"), WHERE)


@posix
def test_locks_are_in_a_folder_of_the_user_alone(tmp_path: Path, runtime_folder: Path) -> None:
    """Nobody else can write, or keep a lock, where this user's locks are."""
    PortLock(str(tmp_path / "port"), WHERE).release()
    assert runtime_folder.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("socket://localhost:4001", "socket://127.0.0.1:4001"),
        ("socket://LOCALHOST:4001", "rfc2217://[::1]:4001"),
        ("rfc2217://Bench-PC:4001", "socket://bench-pc:4001"),
    ],
)
def test_two_names_of_one_network_port(one: str, other: str) -> None:
    """A port is locked as what it is, not as it is written."""
    lock = PortLock(one, WHERE)
    with pytest.raises(PortBusyError):
        PortLock(other, WHERE)
    PortLock("socket://localhost:4002", WHERE).release()
    lock.release()


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


def test_a_network_port_that_is_half_open_is_found_out() -> None:
    """The system asks a silent far end whether it is there; a frozen bridge was trusted once."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        port, lock = open_port(PortSettings(port=url), WHERE)
        try:
            assert port._socket.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        finally:
            port.close()
            lock.release()


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
