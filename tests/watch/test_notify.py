"""Messages to others: signed, tried again, and never waited for."""

from __future__ import annotations

import hashlib
import hmac
import itertools
import json
import os
import socket
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from autoalign_simulators import benches

from autoalign.core.errors import UsageError
from autoalign.strategies.response_matrix import ResponseMatrix
from autoalign.watch.notify import Notifier, command_sink, tell_manager, unit, webhook_sink
from autoalign.watch.service import Watch

KEY = b"a key that both know"


def test_a_message_that_fails_is_tried_again_later_and_later() -> None:
    """Until it arrives; the waits double."""
    arrived, waits = [], []

    def sink(message: bytes) -> None:
        if len(waits) < 3:
            raise OSError("nobody there")
        arrived.append(json.loads(message))

    notifier = Notifier([sink], wait=2.0, pause=waits.append)
    notifier.tell({"state": "paused"})
    notifier._waiting.put(None)
    notifier._thread.join(10)
    assert arrived == [{"state": "paused"}]
    assert waits == [2.0, 4.0, 8.0]
    assert (notifier.sent, notifier.lost) == (1, 0)


def test_whoever_tells_never_waits() -> None:
    """A sink that hangs: messages queue up, the oldest are dropped, and telling returns."""
    hanging = threading.Event()
    notifier = Notifier([lambda _: hanging.wait(30) and None])
    for number in range(300):
        notifier.tell({"number": number})
    assert notifier.lost >= 190
    hanging.set()
    notifier.close()


def test_one_sink_that_fails_costs_the_others_nothing() -> None:
    """Each gets every message."""
    arrived: list[bytes] = []

    def broken(_: bytes) -> None:
        raise RuntimeError("broken")

    notifier = Notifier([broken, arrived.append], tries=2, pause=lambda _: None)
    notifier.tell({"state": "latched"})
    notifier.close()
    assert len(arrived) == 1
    assert notifier.lost == 1


def test_a_command_gets_the_message_on_its_standard_input(tmp_path: Path) -> None:
    """And one that fails is an error of that attempt."""
    out = tmp_path / "said.json"
    code = f"import sys; open({str(out)!r}, 'wb').write(sys.stdin.buffer.read())"
    command_sink([sys.executable, "-c", code])(b'{"state": "paused"}')
    assert json.loads(out.read_text()) == {"state": "paused"}
    with pytest.raises(Exception, match="non-zero exit status 1"):
        command_sink([sys.executable, "-c", "raise SystemExit(1)"])(b"{}")


@pytest.fixture
def receiver() -> Iterator[tuple[str, list[tuple[dict[str, str], bytes]]]]:
    """A web address of this computer, and what was posted to it."""
    posted: list[tuple[dict[str, str], bytes]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            posted.append((dict(self.headers), body))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield f"http://127.0.0.1:{server.server_address[1]}/bench", posted
        server.shutdown()
        thread.join()


def test_a_webhook_is_signed_over_its_body(
    receiver: tuple[str, list[tuple[dict[str, str], bytes]]],
) -> None:
    """Whoever has the key can tell that nobody else wrote it."""
    url, posted = receiver
    webhook_sink(url, KEY)(b'{"state": "latched"}')
    headers, body = posted[0]
    wanted = hmac.new(KEY, body, hashlib.sha256).hexdigest()
    assert headers["Autoalign-Signature"] == f"sha256={wanted}"
    assert body == b'{"state": "latched"}'


@pytest.mark.parametrize("url", ["file:///etc/passwd", "bench", "ftp://here/"])
def test_an_address_of_another_kind_and_a_missing_key_are_refused(url: str) -> None:
    """Nothing but the web is posted to, and nothing unsigned."""
    with pytest.raises(UsageError, match="an http or https address is needed"):
        webhook_sink(url, KEY)
    with pytest.raises(UsageError, match="AUTOALIGN_WEBHOOK_KEY"):
        webhook_sink("http://here/", b"")


@pytest.mark.skipif(os.name != "posix", reason="sockets of POSIX")
def test_the_service_manager_hears_a_sign_of_life(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where it listens; without one nothing happens, and a socket that is gone is no error."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    tell_manager("WATCHDOG=1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    tell_manager("WATCHDOG=1")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "manager"))
        manager.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "manager"))
        tell_manager("WATCHDOG=1")
        assert manager.recv(100) == b"WATCHDOG=1"


def test_the_unit_restarts_failures_but_not_a_latched_bench() -> None:
    """Words with blanks, quotes and per cent signs reach the program as they are."""
    text = unit(["/usr/bin/python", "watch", "my bench.toml", "50%"], Path("/data"), "my\nbench")
    assert 'ExecStart=/usr/bin/python watch "my bench.toml" 50%%' in text
    assert "Description=autoalign watch of my bench\n" in text
    assert "RestartPreventExitStatus=2 4" in text
    assert "WatchdogSec=600" in text


@pytest.mark.slow
def test_a_watch_tells_of_each_change_of_state_once(tmp_path: Path) -> None:
    """Watching, paused, watching again, ended."""
    bench = benches.collimator(seed=1, fidelity="moments")
    told: list[str] = []
    watch = Watch(bench, ResponseMatrix, tmp_path, notify=lambda f: told.append(f["state"]))
    watch.run(measurements=5)
    bench.truth.world.power = 0.0
    watch.run(measurements=7)
    bench.truth.world.power = 1.0
    watch.run(measurements=14)
    assert told[:2] == ["watching", "ended"]
    assert "paused" in told
    assert all(a != b for a, b in itertools.pairwise(told))
