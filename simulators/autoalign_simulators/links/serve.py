"""Put a simulated controller behind a port that any serial driver can open."""

from __future__ import annotations

import sys
from typing import Literal, Protocol, runtime_checkable

from autoalign.core.errors import UsageError
from autoalign_simulators.controllers.talker import Talker

__all__ = ["Link", "Served", "serve"]

Link = Literal["pty", "tcp", "loop"]


@runtime_checkable
class Served(Protocol):
    """A controller on a link. Close it: a thread may stand behind it."""

    @property
    def port(self) -> str:
        """What a driver opens: a device path or a URL."""
        ...

    def close(self) -> None:
        """End the link and every thread of it. May be called twice."""
        ...


def serve(controller: Talker, link: Link) -> Served:
    """Serve ``controller`` and return the link.

    ``"pty"`` is a pseudo-terminal (POSIX only), ``"tcp"`` a port on 127.0.0.1 that the system
    chooses, ``"loop"`` a URL that pyserial resolves inside this process, without any thread and
    with waiting done on the controller's own clock.
    """
    if link == "loop":
        from autoalign_simulators.links.loop import LoopLink  # noqa: PLC0415 - needs pyserial

        return LoopLink(controller)
    if link == "tcp":
        from autoalign_simulators.links.tcp import TcpLink  # noqa: PLC0415 - needs threads

        return TcpLink(controller)
    if link == "pty":
        if sys.platform == "win32":
            raise UsageError("link 'pty': this system has no pseudo-terminals; use tcp or loop.")
        from autoalign_simulators.links.pty import PtyLink  # noqa: PLC0415 - POSIX only

        return PtyLink(controller)
    raise UsageError(f"link {link!r} is unknown; allowed are 'pty', 'tcp' and 'loop'.")
