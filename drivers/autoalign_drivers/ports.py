"""Opening a serial port: alone on it, with finite timeouts, and never XON/XOFF."""

from __future__ import annotations

import contextlib
import hashlib
import os
import socket
import stat
import warnings
from pathlib import Path
from urllib.parse import urlsplit

import platformdirs
import serial
from filelock import FileLock, Timeout
from serial.tools import list_ports

from autoalign.core.errors import LinkError, PortBusyError, UsageError
from autoalign_drivers.mapping import BENCH_TYPES, opening_error
from autoalign_drivers.port_settings import NETWORK_SCHEMES, PortSettings

__all__ = ["SLICE", "PortLock", "open_port"]

SLICE = 0.02
"""Longest single wait inside pyserial, s: how soon a STOP pre-empts a waiting query."""

_LOOPBACK = ("localhost", "127.0.0.1", "::1")


class PortLock:
    """One process of this user per port, also among programs that do not lock the device itself.

    Keyed by what the port really is: a device path with links resolved, or a network address.
    Ports of simulated controllers live inside one process and need no lock. The lock ends with its
    process, however that ends; what is written of its holder is read by people and blocks nobody.
    """

    def __init__(self, port: str, where: str) -> None:
        self._lock: FileLock | None = None
        key = _key(port)
        if key is None:
            return
        folder = _lock_folder(where)
        name = hashlib.sha256(key.encode()).hexdigest()[:16]
        self._note = folder / f"{name}.txt"
        file = folder / f"{name}.lock"
        _drop_link(file)
        lock = FileLock(file, timeout=0)
        try:
            lock.acquire()
        except Timeout:
            raise PortBusyError(
                f"{where}: {self._holder()} has the port. Close that program; a port is never "
                "shared."
            ) from None
        except OSError as error:
            raise LinkError(
                f"{where}: the port cannot be locked against other programs ({error}). Check the "
                f"folder {folder}."
            ) from error
        self._lock = lock
        with contextlib.suppress(OSError):
            _drop_link(self._note)
            self._note.write_text(f"process {os.getpid()} ({where})", encoding="utf-8")

    def release(self) -> None:
        """Let others have the port. May be called twice."""
        if self._lock is not None:
            with contextlib.suppress(OSError):
                self._note.unlink()
            self._lock.release()
            self._lock = None

    def _holder(self) -> str:
        """Return who has the port, as far as its note says: it may be an old one."""
        with contextlib.suppress(OSError):
            if not self._note.is_symlink():
                return self._note.read_text(encoding="utf-8")
        return "another process"


def _lock_folder(where: str) -> Path:
    """Return the folder of this user's locks; nobody else may write there.

    Raises :class:`LinkError` where it is a link, or somebody else's.
    """
    try:
        with warnings.catch_warnings():
            # That there is no folder for the session, and a temporary one is used, is no news.
            warnings.simplefilter("ignore")
            folder = platformdirs.user_runtime_path("autoalign", ensure_exists=True) / "ports"
        folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
    except OSError as error:
        raise LinkError(
            f"{where}: the folder for port locks cannot be made ({error}). Set XDG_RUNTIME_DIR to "
            "a folder of your own."
        ) from error
    own = os.name != "posix" or found.st_uid == os.getuid()
    if not stat.S_ISDIR(found.st_mode) or not own:
        raise LinkError(
            f"{where}: {folder}, where ports are locked, is a link or belongs to somebody else. "
            "Remove it, or set XDG_RUNTIME_DIR to a folder of your own."
        )
    return folder


def _drop_link(file: Path) -> None:
    """Remove ``file`` where it is a link: what it points to is nobody's lock."""
    if file.is_symlink():
        file.unlink()


def open_port(settings: PortSettings, where: str) -> tuple[serial.Serial, PortLock]:
    """Open the port alone and return it with its lock.

    Raises
    ------
    PortMissingError, PortBusyError, LinkError
        Saying what is wrong and what to do.
    UsageError
        For a URL whose scheme nobody handles.
    """
    lock = PortLock(settings.port, where)
    try:
        port = _make(settings, where)
        port.open()
        _keep_alive(port)
    except BENCH_TYPES as error:
        lock.release()
        if isinstance(error, UsageError):
            raise
        raise opening_error(where, error, _known_ports()) from error
    except BaseException:
        lock.release()
        raise
    return port, lock


def _keep_alive(port: serial.Serial) -> None:
    """Have a network port that is half open, its far end gone, found out within half a minute."""
    line = getattr(port, "_socket", None)
    if not isinstance(line, socket.socket):
        return
    line.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, name):
            line.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


def _make(settings: PortSettings, where: str) -> serial.Serial:
    remote = settings.port.lower().startswith("rfc2217:")
    # Servers of RFC 2217 need not answer SET-CONTROL, and pyserial waits for that. It has no write
    # timeout there either: each write is bounded by the socket's own 5 s.
    port = f"{settings.port}?ign_set_control" if remote else settings.port
    try:
        return serial.serial_for_url(
            port,
            do_not_open=True,
            baudrate=settings.baudrate,
            bytesize=settings.bytesize,
            parity=settings.parity[0].upper(),
            stopbits=settings.stopbits,
            rtscts=settings.rtscts,
            xonxoff=False,
            timeout=SLICE,
            write_timeout=None if remote else settings.write_timeout,
            exclusive=True,
        )
    except ValueError as error:
        raise UsageError(
            f"{where}: {error}. Give a device path, or a URL such as socket://host:port."
        ) from None


def _known_ports() -> list[str]:
    return sorted(info.device for info in list_ports.comports())


def _key(port: str) -> str | None:
    """Return what tells one port from another; None where a port lives inside this process."""
    scheme, separator, _ = port.partition("://")
    if not separator:
        return os.path.realpath(port) if os.name == "posix" else port.upper()
    if scheme.lower() not in NETWORK_SCHEMES:
        return None
    parts = urlsplit(port.lower())
    host = parts.hostname or ""
    return f"{'localhost' if host in _LOOPBACK else host}:{parts.port}"
