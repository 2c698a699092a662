"""The response matrix on benches whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.run.align import align
from autoalign.session import Status
from autoalign.strategies.response_matrix import ResponseMatrix


def aligned(make_bench, **kind):
    """Return bench and result of one run of six axes."""
    bench = make_bench(**{"count": 6, "residuals": 7, **kind})
    return bench, align(bench, strategy=ResponseMatrix(), budget=60, seed=1)


@pytest.mark.parametrize("seed", range(5))
def test_a_linear_bench_takes_one_look_an_axis_and_two_corrections(make_bench, seed):
    """1 + n pushes + 2: without noise nothing else is worth a look."""
    _, result = aligned(make_bench, rank=6, noise=1e-6, seed=seed)
    assert result.in_spec
    assert result.measurements <= 1 + 6 + 2


@pytest.mark.parametrize("seed", range(5))
def test_redundant_axes_are_not_touched(make_bench, seed):
    """Four directions matter: of six axes one at least need not move at all."""
    bench, result = aligned(make_bench, rank=4, noise=0.02, seed=seed)
    moved = {a for a, _ in bench.stages["stage"].log}
    assert result.in_spec
    assert 4 <= len(moved) <= 5


@pytest.mark.parametrize("seed", range(8))
def test_noise_play_and_bend_together_are_survived(make_bench, seed):
    """In spec by the noise-free truth, with some more looks."""
    bench, result = aligned(make_bench, rank=5, noise=0.1, backlash=0.3, bend=0.1, seed=seed)
    stage = bench.stages["stage"]
    truth = bench.truth["function"](np.array([stage.body(a) for a in stage.axes]))
    assert result.in_spec, result.reason
    assert result.measurements <= 20
    assert max(abs(v) for v in truth.values()) < 1.1


def test_a_held_side_stays_where_it_is(make_bench):
    """Held axes never move; the others do what can be done."""
    bench = make_bench(count=4, residuals=3, rank=2, seed=2)
    result = align(bench, locked=["part1"], budget=40)
    assert result.in_spec, result.reason
    assert "part1.move" not in {a for a, _ in bench.stages["stage"].log}


def test_a_best_place_out_of_reach_is_approached_and_said(make_bench):
    """The limit is met, the run ends at the best place and claims nothing."""
    bench = make_bench(count=2, residuals=2, seed=0)
    stage = bench.stages["stage"]
    goal = bench.truth["target"]["part0.move"]
    low, high = (-25.0, goal - 2.0) if goal > 0 else (goal + 2.0, 25.0)
    stage.axes["part0.move"] = type(stage.axes["part0.move"])(
        "part0.move", "mm", low, high, speed=5.0
    )
    result = align(bench, budget=40)
    assert not result.in_spec
    assert result.status in {Status.BUDGET, Status.GIVEN_UP}
    assert result.after.merit < 0.5 * result.before.merit
    assert result.positions["part0.move"] == pytest.approx(goal - 2.0 if goal > 0 else goal + 2.0)


def test_a_blind_start_is_left_by_looking_around(make_bench):
    """No light at the start: searched within limits, then aligned."""
    bench = make_bench(count=2, residuals=3, visible=lambda u: abs(u[0]) < 2.5, seed=4)
    result = align(bench, budget=300, seed=2)
    assert not result.before.ok
    assert result.in_spec, result.reason
