"""STOP pre-empts a waiting query from another thread, over real links."""

from __future__ import annotations

import contextlib
import os
import threading
from typing import Any

import pytest
from autoalign_drivers.transport import PreemptedError
from autoalign_simulators.links import Fault

from autoalign.core.clock import RealClock
from autoalign.core.errors import LinkError

posix = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")


@posix
@pytest.mark.slow
def test_stop_does_not_wait_for_a_query(rig: Any) -> None:
    """While one thread waits for an answer that never comes, STOP leaves and is confirmed."""
    made = rig("pty", clock=RealClock())
    stage = made.open(quiet="30 ms", reply_timeout="30 s", retries=0)
    stage.start_move("source.x", 4.0)
    caught: list[LinkError] = []
    asking = threading.Event()

    def wait() -> None:
        asking.set()
        try:
            stage.status("source.x")
        except LinkError as error:
            caught.append(error)

    made.line.inject(Fault("lose", "command"))
    waiter = threading.Thread(target=wait)
    waiter.start()
    asking.wait()
    while not made.line.happened:
        threading.Event().wait(0.001)
    stage.stop()
    waiter.join()
    assert [type(e) for e in caught] == [PreemptedError]
    made.clock.sleep(0.3)
    assert not made.motor("source.x").moving
    assert stage.status("source.x").fault == ""


@posix
@pytest.mark.slow
def test_two_threads_never_swap_answers(rig: Any) -> None:
    """Two threads on one port each get the answers to their own questions."""
    made = rig("pty", clock=RealClock(), tagged=False)
    stage = made.open(quiet="30 ms")
    for axis, target in (("source.x", 0.5), ("mirror.tip", 0.001)):
        stage.start_move(axis, target)
        stage.wait(axis)
    wrong: list[tuple[str, float]] = []

    def watch(axis: str, expected: float) -> None:
        for _ in range(100):
            position = stage.status(axis).position
            if abs(position - expected) > 1e-9:
                wrong.append((axis, position))

    threads = [
        threading.Thread(target=watch, args=pair)
        for pair in (("source.x", 0.5), ("mirror.tip", 0.001))
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


@posix
@pytest.mark.slow
def test_many_stops_at_once(rig: Any) -> None:
    """Several threads stop at the same time, another asks: every stop is confirmed."""
    made = rig("pty", clock=RealClock())
    stage = made.open(quiet="30 ms")
    stage.start_move("source.x", 4.0)
    failures: list[BaseException] = []

    def stop() -> None:
        try:
            stage.stop()
        except LinkError as error:
            failures.append(error)

    stoppers = [threading.Thread(target=stop) for _ in range(3)]
    for stopper in stoppers:
        stopper.start()
    while any(t.is_alive() for t in stoppers):
        with contextlib.suppress(LinkError):
            stage.status("source.x")
    assert failures == []
    made.clock.sleep(0.3)
    assert not made.motor("source.x").moving
    assert stage.status("source.x").fault == ""
