"""Carrying a session out: arrival, deadlines, settling, stopping, and the same in asyncio."""

from __future__ import annotations

import asyncio
import threading
import time
from dataclasses import replace

import numpy as np
import pytest

from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.clock import RealClock
from autoalign.core.errors import (
    DetectorError,
    HardwareError,
    JournalError,
    LinkTimeoutError,
    MotionFaultError,
    MotionTimeoutError,
)
from autoalign.core.interfaces import AxisStatus
from autoalign.journal import Journal, read_journal
from autoalign.run import aio
from autoalign.run.compose import run
from autoalign.run.execute import Sleep
from autoalign.run.guard import MoveGuard
from autoalign.session import Budget, Move, Session, Status
from autoalign.strategies.response_matrix import ResponseMatrix


def session_of(bench, **settings):
    """Return a session of the response matrix over ``bench``."""
    return Session.for_bench(bench, ResponseMatrix(), **settings)


class Ghost:
    """Passes everything on to a real stage, except what a test replaces."""

    def __init__(self, stage, **replaced):
        self._stage = stage
        self.__dict__.update(replaced)

    def __getattr__(self, name):
        return getattr(self._stage, name)


def test_a_run_ends_in_spec_by_the_truth(make_bench):
    """What the run calls in spec is in spec, noise-free, where the parts stand."""
    bench = make_bench(noise=0.05)
    finish = run(bench, session_of(bench))
    stage = bench.stages["stage"]
    truth = bench.truth["function"](np.array([stage.body(a) for a in stage.axes]))
    assert finish.in_spec
    assert max(abs(v) for v in truth.values()) < 1.0


def test_independent_axes_move_at_once(make_bench):
    """Two axes of one move are both under way before either arrives."""
    bench = make_bench()
    session = session_of(bench)
    moves = []
    run(bench, session, progress=lambda e: moves.append(e) if isinstance(e.action, Move) else None)
    event = next(e for e in moves if len(e.action.targets) > 1)
    stage = bench.stages["stage"]
    positions = [t for _, t in stage.log]
    first = positions.index(next(iter(event.action.targets.values())))
    together = stage.log[first : first + len(event.action.targets)]
    assert {a for a, _ in together} == set(event.action.targets)


def test_no_look_before_the_axes_have_settled(make_bench):
    """Every exposure begins at least the settle time after arrival."""
    bench = make_bench()
    bench.settle = 0.7
    arrivals, gaps = [], []

    def note(event):
        if isinstance(event.action, Move):
            arrivals.append(bench.clock.now())
        elif event.exposures and arrivals:
            gaps.append(min(r.started for e in event.exposures.values() for r in e) - arrivals[-1])

    run(bench, session_of(bench), progress=note)
    assert min(gaps) >= 0.7 - 1e-9


def test_an_axis_that_stays_put_ends_the_run_with_everything_stopped(make_bench, tmp_path):
    """A stall is noticed from the readback, named, stopped and recorded."""
    bench = make_bench()
    bench.stages["stage"].stuck.add("part0.move")
    with (
        Journal(tmp_path / "run.db", bench.clock, {}) as journal,
        pytest.raises(MotionTimeoutError, match=r"part0\.move: came to rest at 0 mm, asked for 1"),
    ):
        run(bench, session_of(bench), journal)
    past = read_journal(tmp_path / "run.db")
    assert bench.stages["stage"].stopped >= 1
    assert [m.status for m in past.moves] == ["failed"]
    assert past.finish["status"] == "stopped"
    assert past.finish["error"] == "MotionTimeoutError"


def test_an_axis_that_never_stops_moving_meets_its_deadline(make_bench):
    """'Moving' for ever is an error at the deadline, not a wait for ever."""
    bench = make_bench()
    stage = bench.stages["stage"]
    status = stage.status
    stage.status = lambda axis: replace(status(axis), moving=bool(stage.log))
    with pytest.raises(MotionTimeoutError, match="says it is moving"):
        run(bench, session_of(bench))
    assert bench.clock.now() < 20


def test_a_fault_in_mid_move_is_an_error_and_stops_all(make_bench):
    """An alarm is not polled away."""
    bench = make_bench()
    stage = bench.stages["stage"]
    stage.on_status = lambda: stage.fault.update({a: "limit switch" for a, _ in stage.log})
    with pytest.raises(MotionFaultError, match="limit switch"):
        run(bench, session_of(bench))
    assert bench.stages["stage"].stopped >= 1


def test_an_axis_moved_by_someone_else_is_noticed(make_bench):
    """A position that jumps without a command ends the run: no fighting with a hand pad."""
    bench = make_bench()
    stage = bench.stages["stage"]

    def shove(event):
        if event.measurements == 1 and isinstance(event.action, Move):
            stage.put("part2.move", 3.0)

    with pytest.raises(MotionFaultError, match="nobody here moved it"):
        run(bench, session_of(bench), progress=shove)


def test_one_failed_acquisition_is_data_and_a_dead_detector_an_error(make_bench):
    """A look may fail; a detector that stays silent is a broken device."""
    bench = make_bench()
    bench.detectors["meter"].broken = True
    with pytest.raises(DetectorError):
        run(bench, session_of(bench))
    assert bench.detectors["meter"].measurements == 4


@pytest.mark.parametrize("error", [KeyboardInterrupt, LinkTimeoutError, ZeroDivisionError])
def test_whatever_is_raised_in_mid_move_stops_the_axes_and_closes_the_record(
    make_bench, tmp_path, error
):
    """Ctrl-C, a broken link, a bug: axes stopped, outcome recorded, raised again."""
    bench = make_bench()
    stage = bench.stages["stage"]
    calls = iter(range(10_000))

    def interrupt():
        if stage.log and next(calls) == 2:
            raise error("in mid-move")

    stage.on_status = interrupt
    path = tmp_path / "run.db"
    with Journal(path, bench.clock, {}) as journal, pytest.raises(error):
        run(bench, session_of(bench), journal)
    past = read_journal(path)
    assert stage.stopped >= 1
    assert past.moves[-1].status in {"stopped", "failed"}
    assert not past.open_moves
    assert not past.finish["in_spec"]
    assert error.__name__ in past.finish["reason"]


def test_a_stop_flag_ends_the_run_between_two_polls(make_bench):
    """Stopped on request is a result, not an exception, and never a success."""
    bench = make_bench()
    flag = threading.Event()
    stage = bench.stages["stage"]
    stage.on_status = lambda: flag.set() if stage.log else None
    finish = run(bench, session_of(bench), stop=flag)
    assert finish.status is Status.STOPPED
    assert not finish.in_spec
    assert stage.stopped >= 1
    axis, target = stage.log[-1]
    travelled = abs(bench.positions()[axis])
    assert 0 < travelled < 0.9 * abs(target)


def test_no_motion_without_a_record(make_bench, tmp_path):
    """Where the intent cannot be written nothing is sent."""
    bench = make_bench()
    journal = Journal(tmp_path / "run.db", bench.clock, {})
    session = session_of(bench)
    with pytest.raises(JournalError, match="closed"):
        run(bench, session, journal, progress=lambda e: journal.close())
    assert bench.stages["stage"].log == []


def test_a_failing_stop_does_not_hide_the_first_error(make_bench):
    """Both failures are told."""
    bench = make_bench()
    stage = bench.stages["stage"]
    stage.stuck.add("part0.move")

    def stop():
        raise HardwareError("stage: stop was not acknowledged")

    bench.stages = {"stage": Ghost(stage, stop=stop)}
    with pytest.raises(MotionTimeoutError) as caught:
        run(bench, session_of(bench))
    assert any("stop was not acknowledged" in n for n in caught.value.__notes__)


def test_a_travel_budget_ends_the_run_as_a_result(make_bench):
    """Out of travel: no crash, the run says why it ended, limits untouched."""
    bench = make_bench(bend=0.3)
    guard = MoveGuard(bench.axes, {"part0.move": 1.5})
    finish = run(bench, session_of(bench), guard=guard)
    assert finish.status is Status.REFUSED
    assert "travelled in this run" in finish.reason
    assert guard.travelled["part0.move"] <= 1.5


def test_a_bench_on_hold_is_looked_at_and_not_moved(make_bench, tmp_path):
    """Watching goes on, motion does not; the record says why."""
    bench = make_bench()
    guard = MoveGuard(bench.axes)
    guard.hold("somebody opened the cover")
    with Journal(tmp_path / "run.db", bench.clock, {}) as journal:
        finish = run(bench, session_of(bench), journal, guard=guard)
    assert finish.status is Status.HELD
    assert not finish.in_spec
    assert bench.stages["stage"].log == []
    assert bench.detectors["meter"].measurements >= 1
    assert "opened the cover" in read_journal(tmp_path / "run.db").notes[0]["text"]


def test_real_time_is_slept_in_the_event_loop():
    """With a real clock nothing blocks the loop: a sleep of nothing returns at once."""
    bench = Bench("nothing", {}, {}, clock=RealClock())
    assert asyncio.run(aio._carry_out(Sleep(0.0), bench)) is None


def test_asyncio_does_exactly_the_same(make_bench):
    """Blocking and asyncio runs of one seed give the same commands and the same end."""
    results = []
    for asynchronous in (False, True):
        bench = make_bench(noise=0.05, seed=4)
        session = session_of(bench)
        finish = asyncio.run(aio.run(bench, session)) if asynchronous else run(bench, session)
        results.append((finish, bench.stages["stage"].log, session.measurements, session.positions))
    assert results[0] == results[1]


def test_cancelling_an_asyncio_run_stops_the_axes(make_bench, tmp_path):
    """A cancelled task leaves no axis moving and a closed record."""
    bench = make_bench()
    stage = bench.stages["stage"]
    path = tmp_path / "run.db"

    async def scenario():
        journal = Journal(path, bench.clock, {})
        task = asyncio.create_task(aio.run(bench, session_of(bench), journal))
        stage.on_status = lambda: task.cancel() if len(stage.log) == 2 else None
        with pytest.raises(asyncio.CancelledError):
            await task
        journal.close()

    asyncio.run(scenario())
    past = read_journal(path)
    assert stage.stopped >= 1
    assert not past.open_moves
    assert past.finish["error"] == "CancelledError"


def test_budget_of_looks_is_kept_by_the_hardware(make_bench):
    """The detector is never asked more often than the budget says."""
    bench = make_bench(visible=lambda u: False)
    finish = run(bench, session_of(bench, budget=Budget(measurements=9)))
    assert not finish.in_spec
    assert bench.detectors["meter"].measurements == 9


class Slow:
    """A stage whose orders take a while to leave, in real time."""

    name = "slow"

    def __init__(self, entered):
        self.axes = {"a.x": Axis("a.x", "mm", -5, 5, speed=1.0, resolution=1e-3)}
        self.entered, self.said = entered, []

    def identity(self):
        """Return what it is."""
        return "slow stage"

    def start_move(self, axis, target):
        """Send the order a little after it was asked for."""
        self.entered.set()
        time.sleep(0.05)  # the thread of a driver in the middle of its work
        self.said.append("move")

    def status(self, axis):
        """Return that it stands."""
        return AxisStatus(0.0, moving=False)

    def stop(self):
        """Stop."""
        self.said.append("stop")

    def close(self):
        """Let go."""


def test_a_cancelled_run_has_the_last_word(make_bench):
    """An order that a thread is still sending is followed by a stop before the task ends."""
    entered = threading.Event()
    stage = Slow(entered)
    like = make_bench()
    bench = Bench("b", {"slow": stage}, like.detectors, like.spec, clock=like.clock)

    async def main():
        task = asyncio.create_task(aio.run(bench, session_of(bench)))
        await asyncio.to_thread(entered.wait, 10)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(main())
    assert "move" in stage.said
    assert stage.said[-1] == "stop"


def test_a_stop_that_fails_is_recorded(make_bench, tmp_path):
    """Asked to stop, and the stage does not: the error is raised and stands in the record."""
    bench, flag = make_bench(), threading.Event()
    real = bench.stages["stage"]
    real.on_status = lambda: flag.set() if bench.clock.now() > 0.2 else None

    def deaf():
        raise HardwareError("stage: the stop was not acknowledged.")

    bench.stages = {"stage": Ghost(real, stop=deaf)}
    with (
        Journal(tmp_path / "run.db", bench.clock, {}) as journal,
        pytest.raises(HardwareError, match="not acknowledged"),
    ):
        run(bench, session_of(bench), journal, stop=flag)
    assert "not acknowledged" in read_journal(tmp_path / "run.db").finish["reason"]


def test_cancelling_stops_what_hardware_is_in_the_middle_of(make_bench):
    """A call that lasts until it is stopped ends by the stop, not by its own patience."""
    bench, entered, stopped = make_bench(), threading.Event(), threading.Event()
    real, ended = bench.stages["stage"], []

    def start(axis, target):
        entered.set()
        ended.append(stopped.wait(10))

    def stop():
        stopped.set()
        real.stop()

    bench.stages = {"stage": Ghost(real, start_move=start, stop=stop)}

    async def main():
        task = asyncio.create_task(aio.run(bench, session_of(bench)))
        await asyncio.to_thread(entered.wait, 10)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(main())
    assert ended == [True]


@pytest.mark.parametrize("what", ["stop", "status"])
def test_a_stop_that_fails_at_first_is_repeated(make_bench, what):
    """One write that times out, of the stop or of the reading after it, is not the last word."""
    bench = make_bench()
    real = bench.stages["stage"]
    real.start_move("part0.move", 20.0)
    bench.clock.sleep(0.2)
    calls = []

    def once(*given):
        calls.append(given)
        if len(calls) == 1:
            raise LinkTimeoutError("write timed out")
        return getattr(real, what)(*given)

    bench.stages = {"stage": Ghost(real, **{what: once})}
    bench.bring_to_rest()
    assert not real.status("part0.move").moving
    assert real.status("part0.move").position == pytest.approx(1.0, abs=0.3)
    assert len(calls) > 1


def test_a_stop_that_goes_on_failing_names_what_moves(make_bench):
    """After the deadline both are said: the axis that still moves, and why the stop fails."""
    bench = make_bench()
    real = bench.stages["stage"]
    real.start_move("part0.move", 20.0)
    told = []

    def deaf():
        told.append(1)
        raise HardwareError("stage: not acknowledged.")

    bench.stages = {"stage": Ghost(real, stop=deaf)}
    words = r"part0\.move: still moving 3 s after .* not acknowledged"
    with pytest.raises(MotionFaultError, match=words):
        bench.bring_to_rest()
    assert len(told) > 10


def test_an_axis_that_ignores_the_stop_is_named(make_bench):
    """ "Stopped" is said of axes that are seen at rest, not of those that were only told to."""
    bench, flag = make_bench(), threading.Event()
    real = bench.stages["stage"]
    real.on_status = lambda: flag.set() if bench.clock.now() > 0.2 else None
    told = []
    moving = lambda axis: AxisStatus(0.1, moving=axis == "part1.move")  # noqa: E731
    deaf = Ghost(real, stop=lambda: told.append(1), status=lambda a: _after(flag, real, moving, a))
    bench.stages = {"stage": deaf}
    with pytest.raises(MotionFaultError, match=r"part1\.move: still moving .* hardware's own stop"):
        run(bench, session_of(bench), stop=flag)
    assert len(told) > 10


def _after(flag, real, then, axis):
    return then(axis) if flag.is_set() else real.status(axis)


def test_a_small_shove_is_noticed_as_well(make_bench):
    """Twice what an axis may be off where it arrived is not within what is allowed."""
    bench = make_bench()
    stage, axis = bench.stages["stage"], bench.axes["part2.move"]
    shove = 10 * axis.arrival_tolerance + 2 * axis.resolution

    def push(event):
        if event.measurements == 1 and isinstance(event.action, Move):
            stage.put("part2.move", event.positions["part2.move"] + shove)

    with pytest.raises(MotionFaultError, match="nobody here moved it"):
        run(bench, session_of(bench), progress=push)


def test_one_faulty_driver_does_not_keep_the_others_going():
    """Stop and close reach every part, whatever the first one raises."""
    reached = []

    def part(name, error):
        def call():
            reached.append(name)
            if error:
                raise error

        return Ghost(Slow(None), axes={}, stop=call, close=call)

    bench = Bench("b", {"p": part("p", ValueError("a bug")), "q": part("q", None)}, {})
    for call in (bench.stop, bench.close):
        reached.clear()
        with pytest.raises(ValueError, match="a bug"):
            call()
        assert reached == ["p", "q"]


def test_a_position_that_is_no_number_moves_nothing(make_bench):
    """NaN from an encoder: no order leaves, the run ends with the axis' name."""
    bench = make_bench()
    real = bench.stages["stage"]
    name = next(iter(real.axes))

    def status(axis):
        return AxisStatus(float("nan"), moving=False) if axis == name else real.status(axis)

    bench.stages = {"stage": Ghost(real, status=status)}
    with pytest.raises(MotionFaultError, match=rf"axis {name}: .* nan"):
        run(bench, session_of(bench))
    assert real.log == []


class Broken(ResponseMatrix):
    """A strategy with a mistake in it."""

    def propose(self, problem):
        """Go somewhere once, then fail."""
        yield problem.start + 0.5 * problem.scale
        raise np.linalg.LinAlgError("SVD did not converge")


def test_a_strategy_with_a_mistake_does_not_leave_the_bench_anywhere(make_bench, caplog):
    """What it raises is said and logged; the bench goes back to the best place seen."""
    bench = make_bench()
    session = Session.for_bench(bench, Broken())
    finish = run(bench, session)
    assert finish.status is Status.FAILED
    assert "LinAlgError: SVD did not converge" in finish.reason
    assert "SVD did not converge" in caplog.text
    assert session.last.merit <= 1.01 * session.first.merit
