"""Tells others when a watch changes its state: a command, a web address, the service manager.

Whatever happens to a message, the watch does not wait for it: messages are handed to a thread of
their own, which tries a few times and then gives up on one.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import queue
import socket
import subprocess
import threading
import urllib.request
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from autoalign.core.errors import UsageError
from autoalign.messages.serialise import facts_text

__all__ = ["Notifier", "command_sink", "tell_manager", "unit", "webhook_sink"]

Sink = Callable[[bytes], None]
"""Takes a message (JSON) to somebody; raises where that fails."""

_DEADLINE = 10.0
"""Seconds that one attempt may take."""
_SIGNATURE = "Autoalign-Signature"
_MOST = 100
"""Messages that wait at most; the oldest are dropped."""


class Notifier:
    """Hands messages to sinks from a thread of its own.

    Parameters
    ----------
    sinks
        Each gets every message.
    tries, wait
        Attempts for a message and a sink, and seconds before the second one; doubled each time.
    pause
        Waits so many seconds, or less once it is closed; another one in tests.

    ``lost`` counts messages that never arrived, ``sent`` those that did, by sink.
    """

    def __init__(
        self,
        sinks: Sequence[Sink],
        tries: int = 6,
        wait: float = 2.0,
        pause: Callable[[float], object] | None = None,
    ) -> None:
        self.lost = self.sent = 0
        self._sinks, self._tries, self._wait = list(sinks), tries, wait
        self._closing = threading.Event()
        self._pause = pause or self._closing.wait
        self._waiting: queue.Queue[bytes | None] = queue.Queue()
        self._thread = threading.Thread(target=self._work, name="notifier", daemon=True)
        self._thread.start()

    def tell(self, facts: Mapping[str, Any]) -> None:
        """Take a message; returns at once."""
        while self._waiting.qsize() >= _MOST:
            with suppress(queue.Empty):
                self._waiting.get_nowait()
                self.lost += 1
        self._waiting.put(facts_text(facts).encode("utf-8"))

    def close(self, within: float = 15.0) -> None:
        """Give what waits a last try each, for ``within`` s at the most."""
        self._waiting.put(None)
        self._closing.set()
        self._thread.join(within)

    def _work(self) -> None:
        while (message := self._waiting.get()) is not None:
            for sink in self._sinks:
                if self._delivered(sink, message):
                    self.sent += 1
                else:
                    self.lost += 1

    def _delivered(self, sink: Sink, message: bytes) -> bool:
        wait = self._wait
        for number in range(self._tries):
            try:
                sink(message)
            except Exception:  # noqa: BLE001 - a message that fails must never disturb the watch
                if self._closing.is_set() or number == self._tries - 1:
                    return False
                self._pause(wait)
                wait *= 2
            else:
                return True
        return False


def command_sink(command: Sequence[str]) -> Sink:
    """Return a sink that runs ``command`` with the message on its standard input."""

    def send(message: bytes) -> None:
        subprocess.run(command, input=message, timeout=_DEADLINE, check=True, capture_output=True)

    return send


def webhook_sink(url: str, key: bytes) -> Sink:
    """Return a sink that posts the message to ``url``, signed with ``key``.

    The header ``Autoalign-Signature`` is ``sha256=`` and the hexadecimal HMAC (RFC 2104) of the
    body; the body has the time, so that an old message can be told from a new one.

    Raises
    ------
    UsageError
        For an address that is not http or https, or an empty key.
    """
    if urlsplit(url).scheme not in ("http", "https") or not urlsplit(url).netloc:
        raise UsageError(f"webhook {url!r}: an http or https address is needed.")
    if not key:
        raise UsageError(
            f"webhook {url}: messages are signed, and no key is given. Put one into the "
            "environment variable AUTOALIGN_WEBHOOK_KEY."
        )

    def send(message: bytes) -> None:
        signature = "sha256=" + hmac.new(key, message, hashlib.sha256).hexdigest()
        headers = {"Content-Type": "application/json", _SIGNATURE: signature}
        request = urllib.request.Request(url, data=message, headers=headers, method="POST")
        with urllib.request.urlopen(request, timeout=_DEADLINE):
            pass

    return send


def tell_manager(text: str) -> None:
    """Tell the service manager ``text``, where one has started this process and listens.

    By the protocol of sd_notify (systemd's manual, from memory): a datagram to the socket that the
    environment names.
    """
    where = os.environ.get("NOTIFY_SOCKET", "")
    if not where or not hasattr(socket, "AF_UNIX"):
        return
    address = f"\0{where[1:]}" if where.startswith("@") else where
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
        link.sendto(text.encode("utf-8"), address)


def unit(command: Sequence[str], folder: Path, bench: str) -> str:
    """Return a unit of systemd that runs a watch with ``command`` in ``folder``."""
    line = " ".join(_quoted(word) for word in command)
    return f"""\
# A watch of {" ".join(bench.split())}. Put this into /etc/systemd/system/autoalign-watch.service.
# Motors then start without warning, also after a restart of the computer: put a notice at the
# door with a name to call. The light is never switched off. This is no safety function.
[Unit]
Description=autoalign watch of {" ".join(bench.split())}
After=network.target

[Service]
Type=notify
NotifyAccess=main
WorkingDirectory={_quoted(str(folder))}
ExecStart={line}
# It gives a sign of life every ten seconds, and after each step of a realignment.
WatchdogSec=600
# An orderly stop brings every axis to rest and closes the journal.
KillSignal=SIGTERM
TimeoutStopSec=120
Restart=on-failure
RestartSec=30
# Usage mistakes, and a bench that is latched until a person has cleared the incident.
RestartPreventExitStatus=2 4
NoNewPrivileges=yes
ProtectHome=read-only
PrivateDevices=no

[Install]
WantedBy=multi-user.target
"""


def _quoted(word: str) -> str:
    """Return a word as a unit file takes it: specifiers and quotes escaped."""
    text = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{text}"' if any(c in text for c in " \t;'\"\\") else text
