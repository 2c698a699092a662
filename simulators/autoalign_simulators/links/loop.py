"""A controller inside the process, reached through a URL by any unmodified pyserial driver."""

from __future__ import annotations

import itertools

import serial

from autoalign_simulators.controllers.talker import Talker

__all__ = ["LoopLink", "talker_of"]

_HANDLERS = "autoalign_simulators.links.handlers"
_served: dict[str, Talker] = {}
_numbers = itertools.count(1)


def talker_of(url: str) -> Talker | None:
    """Return the controller behind ``url``, or None where nothing is served there."""
    return _served.get(url)


class LoopLink:
    """A controller behind ``bench://controller-<number>``; no thread, no file, any platform."""

    def __init__(self, talker: Talker) -> None:
        if _HANDLERS not in serial.protocol_handler_packages:
            serial.protocol_handler_packages.append(_HANDLERS)
        self._port = f"bench://controller-{next(_numbers)}"
        _served[self._port] = talker

    @property
    def port(self) -> str:
        """URL that pyserial opens."""
        return self._port

    def close(self) -> None:
        """Withdraw the URL; a driver that has it open finds the line dead."""
        _served.pop(self._port, None)
