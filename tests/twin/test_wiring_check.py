"""The wiring check: each axis alone, on benches with one fault each."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.twin.check import AxisVerdict, Trial, check_axes, first_step, lost_motion
from autoalign.twin.fit import look_from_profiles
from autoalign.twin.model import Twin


def _trials(bench):
    twin = Twin(bench.nominal, bench.axes)
    start = 0.2 * bench.start
    look = look_from_profiles(twin.planes, start, bench.look(start).profiles)
    trials = []
    for k, axis in enumerate(bench.axes):
        step = first_step(twin, start, axis.name, look)
        moved = start + step * np.eye(6)[k]
        trials.append(
            Trial(axis.name, start, step, bench.look(start).profiles, bench.look(moved).profiles)
        )
    return twin, trials


def _verdicts(bench):
    twin, trials = _trials(bench)
    return {f.axis: f for f in check_axes(twin, trials, tolerance=0.15)}


@pytest.mark.parametrize("seed", range(4))
def test_sound_bench_is_found_sound(make_bench, seed):
    """With everyday errors no axis is called faulty."""
    for finding in _verdicts(make_bench(seed)).values():
        assert finding.verdict in (AxisVerdict.WELL, AxisVerdict.UNSURE), finding.words


@pytest.mark.parametrize("axis", [0, 1, 2, 3, 4])
def test_reversed_axis_is_named(make_bench, axis):
    """A reversed axis is called so, and no other one is."""
    found = _verdicts(make_bench(1, flip=axis))
    backwards = [k for k, f in enumerate(found.values()) if f.verdict is AxisVerdict.REVERSED]
    assert backwards == [axis]


def test_dead_axis_is_named(make_bench):
    """An axis without motion is called dead."""
    bench = make_bench(2)
    bench.scale[1] = 0.0
    found = _verdicts(bench)
    assert found["source.y"].verdict is AxisVerdict.DEAD
    assert "does not move" in found["source.y"].words


def test_exchanged_axes_name_each_other(make_bench):
    """Two exchanged axes are each found to move like the other."""
    found = _verdicts(make_bench(3, swap=(0, 1)))
    assert found["source.x"].verdict is AxisVerdict.EXCHANGED
    assert found["source.x"].like == "source.y"
    assert found["source.y"].like == "source.x"


def test_wrong_scale_is_measured(make_bench):
    """An axis with half the motion shows a ratio of a half, within its uncertainty."""
    bench = make_bench(4)
    bench.scale[3] = 0.5
    finding = _verdicts(bench)["mirror.tip"]
    assert finding.verdict is AxisVerdict.SCALE
    assert abs(finding.ratio - 0.5) < 3 * finding.u_ratio + 0.05


def test_lost_motion_is_the_play(make_bench):
    """A reversal that falls 20 µm short of a step of 200 µm is a play of 20 µm."""
    bench = make_bench(5, noise=0.2)
    twin = Twin(bench.nominal, bench.axes)
    start, there, back = (np.array([v, 0, 0, 0, 0, 0]) for v in (0.0, 0.2, 0.02))
    forward = Trial("source.x", start, 0.2, bench.look(start).profiles, bench.look(there).profiles)
    reverse = Trial("source.x", there, -0.2, bench.look(there).profiles, bench.look(back).profiles)
    play, u = lost_motion(*check_axes(twin, [forward, reverse]), 0.2)
    assert play == pytest.approx(0.02, abs=3 * u + 0.002)


def test_first_step_is_tiny_and_inside(make_bench):
    """No step of the check exceeds a fiftieth of the travel, and it goes towards the middle."""
    bench = make_bench(6)
    _, trials = _trials(bench)
    for trial, axis in zip(trials, bench.axes, strict=True):
        assert abs(trial.step) <= axis.travel / 50
        assert trial.step * trial.start[list(bench.axes).index(axis)] <= 0
