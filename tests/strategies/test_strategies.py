"""Every strategy under the same session: finds what it can, never leaves limits, leaves nothing."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from autoalign.run.align import align
from autoalign.strategies.axis_by_axis import AxisByAxis
from autoalign.strategies.base import Need, Strategy
from autoalign.strategies.bayesian import Bayesian
from autoalign.strategies.cma_es import CmaEs
from autoalign.strategies.cobyqa import Cobyqa
from autoalign.strategies.dfo_ls import DfoLs
from autoalign.strategies.nelder_mead import NelderMead
from autoalign.strategies.powell import Powell
from autoalign.strategies.random import Random
from autoalign.strategies.response_matrix import ResponseMatrix
from autoalign.strategies.sobol import Sobol
from autoalign.strategies.without_model import WithoutModel

ALL = [
    AxisByAxis, Bayesian, CmaEs, Cobyqa, DfoLs, NelderMead, Powell, Random, ResponseMatrix, Sobol,
    WithoutModel,
]  # fmt: skip
FAST = [s for s in ALL if s not in (Bayesian, WithoutModel)]
LOCAL = [AxisByAxis, CmaEs, Cobyqa, DfoLs, NelderMead, Powell, ResponseMatrix, WithoutModel]


def truth_of(bench):
    """Return the noise-free residuals where the parts stand."""
    stage = bench.stages["stage"]
    return bench.truth["function"](np.array([stage.body(a) for a in stage.axes]))


@pytest.mark.parametrize("kind", ALL)
def test_each_is_a_strategy_with_a_name_and_needs(kind):
    """What the plug-in list shows of it."""
    strategy = kind()
    assert isinstance(strategy, Strategy)
    assert strategy.name == strategy.name.lower()
    assert strategy.needs <= set(Need)


@pytest.mark.slow
@pytest.mark.parametrize("kind", LOCAL)
def test_a_well_conditioned_bench_is_aligned_by_every_local_search(make_bench, kind):
    """Two axes, noise and play: in spec by the noise-free truth."""
    bench = make_bench(count=2, residuals=3, noise=0.05, backlash=0.05, seed=3)
    result = align(bench, strategy=kind(), budget=500, seed=1)
    assert result.in_spec, result.reason
    assert max(abs(v) for v in truth_of(bench).values()) < 1.0


@pytest.mark.slow
@pytest.mark.parametrize("kind", FAST)
def test_no_command_ever_leaves_the_limits(make_bench, kind):
    """Overshoot included, on a bench whose best place is beyond reach."""
    bench = make_bench(count=3, backlash=0.5, zero=(22.0, -22.0, 0.0), seed=1)
    stage = bench.stages["stage"]
    for name, axis in stage.axes.items():
        stage.axes[name] = type(axis)(
            name, "mm", axis.lower, axis.lower + 26.0, backlash=0.5, speed=5.0
        )
    align(bench, strategy=kind(), budget=40, seed=1)
    assert len(stage.log) > 10
    for name, target in stage.log:
        assert stage.axes[name].lower <= target <= stage.axes[name].upper


@pytest.mark.slow
@pytest.mark.parametrize("kind", FAST)
def test_looks_that_fail_neither_stop_nor_poison_a_search(make_bench, kind):
    """A third of the space is blind; every strategy goes on and ends orderly."""
    bench = make_bench(count=3, visible=lambda u: u[0] < 2.0, seed=2)
    result = align(bench, strategy=kind(), budget=60, seed=1)
    assert result.in_spec or result.measurements == 60 or "nothing left" in result.reason
    assert all(np.isfinite(v) for v in result.positions.values())


@pytest.mark.slow
@pytest.mark.parametrize("kind", FAST)
def test_a_search_that_is_ended_leaves_no_thread(make_bench, kind):
    """The budget ends it in the middle; nothing runs on."""
    before = set(threading.enumerate())
    align(make_bench(), strategy=kind(), budget=8, seed=1)
    assert set(threading.enumerate()) == before


@pytest.mark.slow
@pytest.mark.parametrize("kind", FAST)
def test_the_same_seed_asks_for_the_same_places(make_bench, kind):
    """So that a run can be repeated, and resumed from its record."""
    first, second = make_bench(), make_bench()
    for bench in (first, second):
        align(bench, strategy=kind(), budget=25, seed=7)
    assert first.stages["stage"].log == second.stages["stage"].log


@pytest.mark.slow
def test_bayesian_search_learns_and_repeats(make_bench):
    """Better than it began, the same with the same seed, and no place outside the limits."""
    logs = []
    for _ in range(2):
        bench = make_bench(count=1, residuals=2, seed=3)
        result = align(bench, strategy=Bayesian(first=3, kept=6), budget=10, seed=7)
        logs.append(bench.stages["stage"].log)
        assert result.after.merit < result.before.merit
    assert logs[0] == logs[1]


@pytest.mark.slow
@pytest.mark.parametrize("kind", [ResponseMatrix, NelderMead, DfoLs, CmaEs, AxisByAxis])
def test_rescaling_rezeroing_and_renaming_axes_changes_nothing_but_the_labels(make_bench, kind):
    """The same places are visited, whatever the axes are called and however they are counted."""
    scale, zero = np.array([1e-3, 1.0, 40.0]), np.array([5.0, -300.0, 0.25])
    plain = make_bench(count=3, noise=0.0, seed=4)
    other = make_bench(
        count=3, noise=0.0, seed=4, scale=scale, zero=zero, names=["q.a", "p.z", "q.k"]
    )
    a = align(plain, strategy=kind(), budget=25, seed=3)
    b = align(other, strategy=kind(), budget=25, seed=3)
    u = (np.array(list(b.positions.values())) - zero) / scale
    np.testing.assert_allclose(u, list(a.positions.values()), atol=1e-4)
    assert (a.measurements, a.moves, a.in_spec) == (b.measurements, b.moves, b.in_spec)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_reordering_axes_leaves_the_response_matrix_as_good(make_bench, seed):
    """Another order pushes in another order; both end in spec with about as many looks."""
    measurements = []
    for order in ([0, 1, 2, 3], [3, 1, 0, 2]):
        bench = make_bench(count=4, residuals=5, order=order, seed=seed)
        result = align(bench, strategy=ResponseMatrix(), budget=30, seed=3)
        assert result.in_spec, result.reason
        measurements.append(result.measurements)
    assert abs(measurements[0] - measurements[1]) <= 3
