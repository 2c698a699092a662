"""An interlock has to be closed before and during every move."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from autoalign_simulators import benches

from autoalign.adapters import FunctionDetector
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import HeldError
from autoalign.core.interfaces import Reading
from autoalign.journal import Journal, read_journal
from autoalign.run.compose import run
from autoalign.run.guard import MoveGuard, command_interlock, reading_interlock
from autoalign.session import Session, Status
from autoalign.strategies.response_matrix import ResponseMatrix
from autoalign.watch.service import Watch
from autoalign.watch.state import Mode


def test_an_open_interlock_refuses_the_first_move() -> None:
    """Nothing is sent to any axis, and the run says why."""
    bench = benches.collimator(seed=1, fidelity="moments")
    before = bench.positions()
    guard = MoveGuard(bench.axes, interlock=lambda: False)
    finish = run(bench, Session.for_bench(bench, ResponseMatrix()), guard=guard)
    assert finish.status is Status.HELD
    assert "the interlock is open" in finish.reason
    assert bench.positions() == before


def test_an_interlock_that_opens_during_a_move_stops_every_axis(tmp_path: Path) -> None:
    """In mid-move: the axis is at rest short of its target, and the intent has its outcome."""
    bench = benches.collimator(seed=1, fidelity="moments")
    asked = []

    def closed() -> bool:
        asked.append(bench.clock.now())
        return len(asked) < 4

    guard = MoveGuard(bench.axes, interlock=closed)
    with (
        Journal(tmp_path / "run.db", bench.clock, {}) as journal,
        pytest.raises(HeldError, match="the interlock is open"),
    ):
        run(bench, Session.for_bench(bench, ResponseMatrix()), journal, guard=guard)
    assert not any(s.moving for s in bench.statuses().values())
    record = read_journal(tmp_path / "run.db")
    assert [m.status for m in record.moves][-1] == "failed"
    assert not record.open_moves


def test_an_interlock_that_cannot_be_read_is_open() -> None:
    """Whatever it raises, and whatever it returns but True."""

    def broken() -> bool:
        raise OSError("no such input")

    for interlock, words in ((broken, "cannot be read (OSError: no such input)"),
                             (lambda: 1, "the interlock is open")):  # fmt: skip
        guard = MoveGuard({}, interlock=interlock)  # type: ignore[arg-type]
        assert words in guard.interlock_open()
        with pytest.raises(HeldError, match="No motion until it is closed"):
            guard.check_interlock()
    assert MoveGuard({}).interlock_open() == ""


def test_a_command_is_asked_again_only_once_its_answer_is_old() -> None:
    """Exit code 0 is closed, anything else open."""
    clock = VirtualClock()
    for code, closed in (("0", True), ("3", False)):
        ask = command_interlock([sys.executable, "-c", f"raise SystemExit({code})"], clock)
        assert ask() is closed
    missing = command_interlock(["/no/such/program"], clock)
    assert "cannot be read" in MoveGuard({}, interlock=missing).interlock_open()


def test_an_input_is_closed_between_its_bounds() -> None:
    """A reading that is not there is no consent."""
    clock, volts = VirtualClock(), [5.0]
    inputs = FunctionDetector(
        "inputs", "", lambda: Reading({"cover": volts[0]}, started=clock.now()), clock=clock
    )
    cover = reading_interlock(inputs, "cover", clock, at_least=3.0)
    assert cover()
    volts[0] = 0.2
    assert not cover()
    other = reading_interlock(inputs, "door", clock, at_least=3.0)
    assert "no reading called 'door'" in MoveGuard({}, interlock=other).interlock_open()


@pytest.mark.slow
def test_a_watch_pauses_while_the_interlock_is_open_and_goes_on_by_itself(tmp_path: Path) -> None:
    """It moves nothing meanwhile, and is not latched."""
    bench = benches.collimator(seed=1, fidelity="moments")
    closed = [False]
    guard = MoveGuard(bench.axes, interlock=lambda: closed[0])
    watch = Watch(bench, ResponseMatrix, tmp_path, guard=guard)
    before = bench.positions()
    summary = watch.run(measurements=5)
    assert summary.paused
    assert "the interlock is open" in summary.reason
    assert bench.positions() == before
    closed[0] = True
    summary = watch.run(measurements=14)
    assert (summary.state, summary.paused, summary.realignments) == (Mode.ENDED, False, 1)
