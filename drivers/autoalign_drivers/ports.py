"""Opening a serial port: alone on it, with finite timeouts, and never XON/XOFF."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
from pathlib import Path

import serial
from filelock import FileLock, Timeout
from serial.tools import list_ports

from autoalign.core.errors import PortBusyError, UsageError
from autoalign_drivers.mapping import BENCH_TYPES, opening_error
from autoalign_drivers.port_settings import PortSettings

__all__ = ["SLICE", "PortLock", "open_port"]

SLICE = 0.02
"""Longest single wait inside pyserial, s: how soon a STOP pre-empts a waiting query."""

_SHARED_SCHEMES = ("socket", "rfc2217")


class PortLock:
    """One process per port, also among programs that do not lock the device itself.

    Keyed by what the port really is: a device path with links resolved, or a network address.
    Other URLs live inside one process and need no lock.
    """

    def __init__(self, port: str, where: str) -> None:
        self._lock: FileLock | None = None
        key = _key(port)
        if key is None:
            return
        folder = Path(tempfile.gettempdir()) / "autoalign-ports"
        folder.mkdir(exist_ok=True)
        with contextlib.suppress(OSError):
            folder.chmod(0o1777)
        name = hashlib.sha256(key.encode()).hexdigest()[:16]
        self._note, self._file = folder / f"{name}.txt", folder / f"{name}.lock"
        lock = FileLock(self._file, timeout=0, mode=0o666)
        try:
            lock.acquire()
        except Timeout:
            raise self._busy(where) from None
        except PermissionError:
            # Another account's file, which cannot be locked: left behind, or in use. The device's
            # own exclusive opening still holds where its process is gone.
            if _lives(self._holder()):
                raise self._busy(where) from None
            return
        self._lock = lock
        with contextlib.suppress(OSError):
            self._note.write_text(f"process {os.getpid()} ({where})", encoding="utf-8")

    def release(self) -> None:
        """Let others have the port, and leave nothing behind. May be called twice."""
        if self._lock is not None:
            for left in (self._note, self._file):
                with contextlib.suppress(OSError):
                    left.unlink()
            self._lock.release()
            self._lock = None

    def _busy(self, where: str) -> PortBusyError:
        holder = self._holder() or "another process"
        return PortBusyError(
            f"{where}: {holder} has the port. Close that program; a port is never shared."
        )

    def _holder(self) -> str:
        with contextlib.suppress(OSError):
            return self._note.read_text(encoding="utf-8")
        return ""


def _lives(holder: str) -> bool:
    """Tell whether the process that the note ``holder`` names is there; "" names none."""
    found = re.match(r"process (\d+) ", holder)
    if found is None or os.name != "posix":
        return bool(holder)
    try:
        os.kill(int(found[1]), 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


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
    except BENCH_TYPES as error:
        lock.release()
        if isinstance(error, UsageError):
            raise
        raise opening_error(where, error, _known_ports()) from error
    except BaseException:
        lock.release()
        raise
    return port, lock


def _make(settings: PortSettings, where: str) -> serial.Serial:
    try:
        return serial.serial_for_url(
            settings.port,
            do_not_open=True,
            baudrate=settings.baudrate,
            bytesize=settings.bytesize,
            parity=settings.parity[0].upper(),
            stopbits=settings.stopbits,
            rtscts=settings.rtscts,
            xonxoff=False,
            timeout=SLICE,
            write_timeout=settings.write_timeout,
            exclusive=True,
        )
    except ValueError as error:
        raise UsageError(
            f"{where}: {error}. Give a device path, or a URL such as socket://host:port."
        ) from None


def _known_ports() -> list[str]:
    return sorted(info.device for info in list_ports.comports())


def _key(port: str) -> str | None:
    scheme, separator, _ = port.partition("://")
    if not separator:
        return os.path.realpath(port) if os.name == "posix" else port.upper()
    return port.lower() if scheme.lower() in _SHARED_SCHEMES else None
