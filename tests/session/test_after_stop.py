"""What is told and recorded of a run that was stopped in mid-move."""

from __future__ import annotations

import threading

import pytest

from autoalign.bench import Bench
from autoalign.journal import read_journal
from autoalign.run.align import align
from autoalign.session import Status

AXIS = "part0.move"


def stop_in_mid_move(stage):
    """Return a flag that is set as soon as an axis is seen well on its way."""
    flag, real = threading.Event(), stage.status

    def status(axis):
        seen = real(axis)
        if seen.moving and abs(seen.position) > 0.4:
            flag.set()
        return seen

    stage.status = status
    return flag


def test_the_positions_told_are_those_after_the_stop(make_bench):
    """Stopped between two places: the result says where the axes are, not where they were."""
    bench = make_bench(noise=0.0)
    result = align(bench, stop=stop_in_mid_move(bench.stages["stage"]))
    assert result.status is Status.STOPPED
    assert dict(result.positions) == pytest.approx(bench.positions(), abs=1e-12)
    assert abs(result.positions[AXIS]) > 0.4
    assert "as read after the stop" in result.reason


def test_what_is_recorded_of_a_move_cut_short_was_read_at_rest(make_bench, tmp_path):
    """An axis runs on a little while it is stopped: the record has the place where it ended."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    stage = bench.stages["stage"]
    flag, halt = stop_in_mid_move(stage), stage.stop

    def stop():
        halt()
        if stage.stopped == 1:
            stage.put(AXIS, stage.status(AXIS).position + 0.05)

    stage.stop = stop
    align(bench, stop=flag, journal=path)
    (*_, move) = read_journal(path).moves
    assert move.status == "stopped"
    assert move.positions[AXIS] == pytest.approx(bench.positions()[AXIS], abs=1e-12)


def test_positions_that_cannot_be_read_after_the_stop_are_said_to_be_unknown(
    make_bench, monkeypatch
):
    """The stop stays a result; what is not known is not told as known."""
    bench = make_bench(noise=0.0)
    flag, real = stop_in_mid_move(bench.stages["stage"]), Bench.positions

    def positions(self):
        if flag.is_set():
            raise OSError("usb gone")
        return real(self)

    monkeypatch.setattr(Bench, "positions", positions)
    result = align(bench, stop=flag)
    assert result.status is Status.STOPPED
    assert "cannot be read (OSError: usb gone)" in result.reason


def test_a_foreign_error_while_stopping_leaves_no_move_open(make_bench, tmp_path):
    """A driver that raises what is no error of ours: the intent still gets its outcome."""
    bench = make_bench(noise=0.0)
    stage, path = bench.stages["stage"], tmp_path / "run.db"
    real = stage.status

    def status(axis):
        if stage.log:
            raise OSError("usb gone")
        return real(axis)

    stage.status = status
    with pytest.raises(OSError, match="usb gone"):
        align(bench, journal=path)
    record = read_journal(path)
    assert not record.open_moves
    assert record.moves[-1].status == "stopped"
    assert record.finish is not None
