"""A check as a run: record, hold, stop, benches without a model, settling."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace

import numpy as np
import pytest
from autoalign_simulators.benches import collimator, relay

from autoalign.check import check_bench as check
from autoalign.check.trial import try_axis
from autoalign.core.axes import Axis
from autoalign.core.errors import MotionFaultError, UnknownNameError, UsageError
from autoalign.diagnosis.hypotheses import AxisVerdict
from autoalign.journal import read_journal
from autoalign.run.guard import MoveGuard
from autoalign.session import Measure, Status

ONE = ["source.x"]


@dataclass
class Wobbling:
    """A camera on a post that swings after every move: its zero comes to rest with time."""

    camera: object
    motors: dict
    size: float
    time: float

    def __getattr__(self, name):
        return getattr(self.camera, name)

    def acquire(self, count, not_before, deadline):
        """Frames whose zero is off by a swing that dies away."""
        out = []
        for frame in self.camera.acquire(count, not_before, deadline):
            since = frame.started - max(m.arrival for m in self.motors.values())
            off = self.size if 0 <= since < self.time else 0.0
            out.append(replace(frame, origin=(frame.origin[0] - off / frame.pitch_x, 255.5)))
        return out


def test_everything_is_on_record(tmp_path):
    """Every move, look and finding is in the journal; the run is a check of a simulated bench."""
    path = tmp_path / "check.db"
    result = check(collimator(1), axes=ONE, journal=path)
    record = read_journal(path)
    assert record.run["strategy"] == "check"
    assert record.run["bench"]["simulated"] is True
    assert len(record.measurements) == result.measurements
    assert len(record.moves) == result.moves
    assert all(m.status == "done" for m in record.moves)
    assert record.finish["status"] == Status.BACK
    assert any(n["kind"] == "axis" and "source.x" in n["text"] for n in record.notes)


def test_without_a_layout_it_says_what_can_be_told():
    """No model: the axis moves, its play and repeatability are measured, nothing is judged."""
    bench = replace(collimator(1), layout=None, spec=None)
    result = check(bench, axes=ONE)
    assert not result.modelled
    (report,) = result.axes
    assert report.verdict is AxisVerdict.WELL
    assert "source.x: moves; without a layout" in str(report.said)
    backlash = bench.truth.world.motors["source.x"].traits.backlash
    assert report.backlash == pytest.approx(backlash, abs=4 * report.u_backlash)
    assert report.judgement is None
    assert result.findings == ()


def test_without_a_layout_an_axis_that_shows_nothing_is_not_called_dead(wrong):
    """Nobody knows how much should have been seen, so nothing is claimed."""
    bench = replace(wrong.axis(collimator(1), "source.y", scale=0.0), layout=None)
    result = check(bench, axes=["source.y"])
    (report,) = result.axes
    assert report.verdict is AxisVerdict.UNSURE
    assert "shows nothing; the axis is dead" in str(report.said)


def test_a_bench_with_a_power_meter_alone_says_whether_axes_move():
    """Readings instead of frames: noise, and whether anything moves; never a play."""
    bench = relay(2)
    meters = {n: d for n, d in bench.detectors.items() if not hasattr(d, "renderer")}
    assert meters
    result = check(replace(bench, detectors=meters, layout=None), axes=list(bench.axes)[:1])
    (report,) = result.axes
    assert report.verdict in (AxisVerdict.WELL, AxisVerdict.UNSURE)
    assert report.backlash is None
    assert result.home


def test_a_held_guard_moves_nothing():
    """On hold the first move is refused, and the status says so."""
    bench = collimator(1)
    guard = MoveGuard(bench.axes)
    guard.hold("maintenance")
    before = bench.positions()
    result = check(bench, guard=guard)
    assert result.status is Status.HELD
    assert not result.well
    assert "maintenance" in str(result.findings[-1])
    assert bench.positions() == before


def test_a_stop_flag_ends_it_where_it_stands_and_says_so():
    """Stopped in the middle: nothing is claimed to be well."""
    flag = threading.Event()
    bench = collimator(1)
    result = check(bench, progress=lambda e: e.moves > 3 and flag.set(), stop=flag)
    assert result.status is Status.STOPPED
    assert not result.well


def test_a_motor_that_faults_ends_it_as_a_hardware_error():
    """A drive alarm is no finding but an error, and the stages are told to stop."""
    bench = collimator(1)
    bench.truth.world.motors["source.x"].fault = "alarm: following error"
    with pytest.raises(MotionFaultError):
        check(bench, axes=ONE)


class Creeping:
    """A stage with an axis that reads ``off`` more than it did."""

    def __init__(self, stage, axis):
        self.stage, self.axis, self.off = stage, axis, 0.0

    def __getattr__(self, name):
        return getattr(self.stage, name)

    def status(self, axis):
        """The reading, with what it has crept."""
        status = self.stage.status(axis)
        return replace(status, position=status.position + (axis == self.axis) * self.off)


@pytest.mark.parametrize(("tolerances", "home"), [(0.0, True), (3.0, False)])
def test_an_axis_that_reads_something_else_at_the_end_is_a_finding(tolerances, home):
    """Crept by less than would end the run, but not home: told, and the bench is not well."""
    bench = collimator(1)
    name = next(n for n, s in bench.stages.items() if "source.x" in s.axes)
    stage = Creeping(bench.stages[name], "source.x")
    crept = replace(bench, stages={**bench.stages, name: stage})
    axis = bench.axes["source.x"]

    def creep(event):
        if isinstance(event.action, Measure) and "back to the start" in event.action.reason:
            stage.off = tolerances * axis.arrival_tolerance

    result = check(crept, axes=ONE, progress=creep)
    assert result.status is Status.BACK
    assert result.home is home
    assert result.well is home
    assert any(f.code == "not-back" for f in result.findings) is not home
    assert not replace(result, findings=(), home=False).well
    assert replace(result, findings=(), home=True).well


@pytest.mark.parametrize(("start", "approach"), [(3.0, 1), (-3.0, 1), (3.0, -1), (-3.0, -1)])
def test_the_first_tiny_step_goes_inwards(start, approach):
    """Whichever way the axis is approached, the first step is away from the nearer limit."""
    axis = Axis("a.x", "mm", -5.0, 5.0, backlash=0.01, approach=approach)
    first = next(try_axis(axis, start, 0.1, lambda place, sight: ""))
    assert first.targets["a.x"] == pytest.approx(start - np.sign(start) * 0.03)


@pytest.mark.slow
@pytest.mark.parametrize("swing", [0.3, 0.03])
def test_a_bench_that_is_slow_to_rest_is_found(swing):
    """A camera that swings for 60 ms after each arrival is looked at too soon after 20 ms.

    The smaller swing is 8 % of what the step moves the beam.
    """
    bench = collimator(1)
    far = bench.detectors["far"]
    camera = Wobbling(far, bench.truth.world.motors, swing, 0.06)
    slow = replace(bench, detectors={"far": camera}, settle=0.02)
    result = check(slow, axes=ONE)
    (report,) = result.axes
    assert report.settling is not None
    assert report.settling.time == pytest.approx(0.06, abs=0.015)
    assert any(f.code in {"settles-late", "never-settles"} for f in report.findings)


@pytest.mark.slow
def test_no_light_is_a_finding_not_a_crash():
    """A shutter left closed: no beam in either plane, and nothing is said of the axes."""
    bench = collimator(1)
    bench.truth.world.power = 0.0
    result = check(bench, axes=ONE)
    assert result.home
    assert {p.plane for p in result.planes if p.findings} == {"near", "far"}
    assert all(str(f) for f in result.findings)


def test_unknown_and_held_axes_are_refused_before_anything_moves():
    """A misspelt name costs nothing; a bench without free axes has nothing to try."""
    bench = collimator(1)
    with pytest.raises(UnknownNameError, match=r"source\.x"):
        check(bench, axes=["source.X"])
    with pytest.raises(UsageError, match="every axis is locked"):
        check(replace(bench, locked=("source", "mirror")))


def test_ctrl_c_stops_every_axis_and_closes_the_record(tmp_path):
    """Interrupted after a few moves: nothing moves on, and the record says how it ended."""
    bench, path = collimator(1), tmp_path / "check.db"

    def interrupt(event):
        if event.moves == 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        check(bench, axes=ONE, journal=path, progress=interrupt)
    assert not any(m.moving for m in bench.truth.world.motors.values())
    record = read_journal(path)
    assert record.finish["status"] == Status.STOPPED
    assert len(record.moves) == 4
    stood = abs(bench.positions()["source.x"])
    assert stood <= bench.axes["source.x"].travel / 50
