"""The one place where what pyserial raises becomes what autoalign raises.

A line that breaks shows in four families: ``SerialException`` on reading, writing and settings,
plain ``OSError`` on ``in_waiting`` and the modem lines, ``termios.error`` (no ``OSError``) on
flushing, ``TypeError`` or ``AttributeError`` where another thread closes the port meanwhile.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager

import serial

from autoalign.core.errors import LinkError, LinkTimeoutError, PortBusyError, PortMissingError

try:
    import termios

    _TERMINAL: tuple[type[Exception], ...] = (termios.error,)
except ImportError:  # Windows
    _TERMINAL = ()

__all__ = ["BENCH_TYPES", "WriteTimeoutError", "mapped", "opening_error"]

BENCH_TYPES: tuple[type[Exception], ...] = (OSError, TypeError, AttributeError, *_TERMINAL)
"""``SerialException`` is an ``OSError``."""

_MISSING = {errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ECONNREFUSED, errno.EHOSTUNREACH}
_BUSY = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
_FORBIDDEN = {errno.EACCES, errno.EPERM}


class WriteTimeoutError(LinkTimeoutError):
    """Sending did not end in time; the device may have received all, some or nothing of it."""


@contextmanager
def mapped(where: str, doing: str) -> Iterator[None]:
    """Turn a failure of the one port call inside into a :class:`LinkError` that says where."""
    try:
        yield
    except serial.SerialTimeoutException:
        raise WriteTimeoutError(
            f"{where}: the line took no bytes before the write timeout while {doing}; what has "
            "arrived is not known. Check the cable, the handshake setting and whether the "
            "controller hangs."
        ) from None
    except BENCH_TYPES as error:
        raise LinkError(
            f"{where}: the line broke while {doing} ({type(error).__name__}: {error}). Check "
            "cable and power, then open the bench again and verify the positions."
        ) from error


def opening_error(where: str, error: Exception, ports: list[str]) -> LinkError:
    """Return what to raise when a port does not open; ``ports`` are those that exist."""
    number = _number(error)
    known = ", ".join(ports) if ports else "none"
    text = str(error)
    if number in _MISSING or "FileNotFoundError" in text:
        return PortMissingError(
            f"{where}: there is no such port, or nobody answers there. Serial ports here: {known}. "
            "Plug the controller in and switch it on, or correct 'port' in the bench file."
        )
    if number in _BUSY or (os.name == "nt" and "PermissionError" in text):
        return PortBusyError(
            f"{where}: another program has the port open. Close that program; a port is never "
            "shared."
        )
    if number in _FORBIDDEN:
        return LinkError(
            f"{where}: this user may not open the port. Ask for access (on Linux often the group "
            "'dialout'), then log in again."
        )
    return LinkError(
        f"{where}: this cannot be used as a serial port ({text}). Serial ports here: {known}. "
        "Correct 'port' and the line settings in the bench file."
    )


def _number(error: BaseException | None) -> int | None:
    """Return the first error number along the chain of causes."""
    while error is not None:
        number = getattr(error, "errno", None)
        if isinstance(number, int):
            return number
        error = error.__cause__ or error.__context__
    return None
