"""Nothing is looked at, moved or called a success before every axis is at rest and fit to move."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest

from autoalign.core.errors import MotionFaultError
from autoalign.journal import Journal, read_journal
from autoalign.run.align import align
from autoalign.run.compose import run
from autoalign.session import Move, Session, Status
from autoalign.strategies.response_matrix import ResponseMatrix

AXIS = "part0.move"


def session_of(bench):
    """Return a session of the response matrix over ``bench``."""
    return Session.for_bench(bench, ResponseMatrix())


def put_in_spec_while_moving(bench):
    """Let one axis pass through the only place in spec, on its way to 20 mm."""
    stage = bench.stages["stage"]
    bench.detectors["meter"].function = lambda x: {
        f"q{i}": abs(stage.status(AXIS).position) / 2 for i in range(4)
    }
    stage.put(AXIS, 0.0)
    stage.start_move(AXIS, 20.0)
    bench.clock.sleep(0.01)
    assert stage.status(AXIS).moving
    return stage


def test_success_is_not_claimed_of_an_axis_that_passes_by(make_bench):
    """An axis left moving by a killed process: the spec is met only where the axis stays."""
    bench = make_bench(noise=0.0)
    stage = put_in_spec_while_moving(bench)
    result = align(bench)
    assert result.before.positions[0] == pytest.approx(20.0)
    assert not result.before.in_spec
    bench.clock.sleep(100.0)
    assert result.in_spec == (abs(stage.status(AXIS).position) / 2 < 1.0)


def test_a_look_waits_for_an_axis_that_someone_else_moves(make_bench):
    """No exposure begins while an axis says that it moves, also after the first look."""
    bench = make_bench(noise=0.0)
    stage, meter = bench.stages["stage"], bench.detectors["meter"]
    until, seen = [0.0], []
    acquire, status = meter.acquire, stage.status
    nudged = lambda: bench.clock.now() < until[0]  # noqa: E731
    meter.acquire = lambda *request: (seen.append(nudged()), acquire(*request))[1]
    stage.status = lambda axis: replace(status(axis), moving=status(axis).moving or nudged())

    def nudge(event):
        if isinstance(event.action, Move) and event.measurements == 1:
            until[0] = bench.clock.now() + 1.0

    run(bench, session_of(bench), progress=nudge)
    assert len(seen) > 3
    assert not any(seen)


def test_an_axis_that_never_comes_to_rest_ends_the_run_before_a_look(make_bench):
    """The wait is bounded in the bench's own time; nothing is looked at and no order leaves."""
    bench = make_bench(noise=0.0)
    stage = bench.stages["stage"]
    real = stage.status
    stage.status = lambda a: replace(real(a), moving=a == AXIS and stage.stopped == 0)
    with pytest.raises(MotionFaultError, match=rf"axis {AXIS}: moving already"):
        run(bench, session_of(bench))
    assert stage.log == []
    assert stage.stopped >= 1
    assert bench.detectors["meter"].measurements == 0


def test_a_wait_for_rest_can_be_stopped(make_bench):
    """The stop flag is looked at while somebody else's motion is waited for."""
    bench, flag = make_bench(noise=0.0), threading.Event()
    stage = put_in_spec_while_moving(bench)
    stage.on_status = lambda: flag.set() if bench.clock.now() > 0.5 else None
    result = align(bench, stop=flag)
    assert result.status is Status.STOPPED
    assert stage.stopped >= 1
    assert stage.status(AXIS).position < 10.0


@pytest.mark.parametrize("trouble", [{"homed": False}, {"fault": "limit switch"}])
@pytest.mark.parametrize("late", [False, True])
def test_no_order_leaves_for_an_axis_that_is_not_fit_to_move(make_bench, tmp_path, trouble, late):
    """Not homed, or faulty: told before the first look, and again between a look and a move."""
    bench = make_bench(noise=0.0)
    stage, meter = bench.stages["stage"], bench.detectors["meter"]
    real = stage.status

    def status(axis):
        return replace(real(axis), **(trouble if meter.measurements >= late else {}))

    stage.status = status
    path = tmp_path / "run.db"
    told = pytest.raises(MotionFaultError, match=r"part0\.move: .*(not homed|limit switch)")
    with Journal(path, bench.clock, {}) as journal, told:
        run(bench, session_of(bench), journal)
    assert stage.log == []
    assert meter.measurements == late
    assert read_journal(path).moves == ()
