"""Any axes and any term: light coupled into a fibre, a single number with a top."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.run.align import align
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies import without_model
from autoalign.strategies.axis_by_axis import AxisByAxis
from autoalign.strategies.bayesian import Bayesian
from autoalign.strategies.cobyqa import Cobyqa
from autoalign.strategies.dfo_ls import DfoLs
from autoalign.strategies.nelder_mead import NelderMead
from autoalign.strategies.response_matrix import ResponseMatrix
from autoalign.strategies.without_model import WithoutModel


def coupling_bench(make_bench, count, seed, width=6.0, away=None):
    """Return a bench that reads power exp(−|u − target|²/width²), within 5 % of its top to reach.

    ``away`` is how far off the top is, of a reach of 25; at random within ± 4 on each axis if None.
    """
    bench = make_bench(count=count, residuals=1, seed=seed, noise=0.003)
    target = np.random.default_rng(seed + 50).uniform(-4, 4, count)
    if away is not None:
        target *= away / np.linalg.norm(target)

    def power(x):
        return {"power": float(np.exp(-np.sum((x - target) ** 2) / width**2))}

    bench.detectors["meter"].function = power
    bench.spec = Spec((QuantityTerm("meter.power", 0.05, target=1.0),))
    return bench, power


@pytest.mark.slow
@pytest.mark.parametrize("kind", [ResponseMatrix, AxisByAxis, NelderMead, Cobyqa, DfoLs])
@pytest.mark.parametrize("seed", [0, 1])
def test_two_axes_are_brought_to_the_top(make_bench, kind, seed):
    """No layout, no planes, one reading: in spec by the noise-free power."""
    bench, power = coupling_bench(make_bench, 2, seed)
    result = align(bench, strategy=kind(), budget=60, seed=seed)
    assert result.in_spec, result.reason
    assert power(np.array(list(result.positions.values())))["power"] > 0.94


@pytest.mark.slow
def test_one_axis_is_brought_to_the_top_by_bayesian_search(make_bench):
    """The Gaussian process finds the top of a curve in a few looks."""
    bench, power = coupling_bench(make_bench, 1, 0)
    result = align(bench, strategy=Bayesian(first=3), budget=14, seed=0)
    assert result.in_spec, result.reason
    assert power(np.array(list(result.positions.values())))["power"] > 0.94


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_four_axes_are_brought_to_the_top_by_the_response_matrix(make_bench, seed):
    """Where the top is flat the slope vanishes; the search still arrives."""
    bench, power = coupling_bench(make_bench, 4, seed)
    result = align(bench, strategy=ResponseMatrix(), budget=100, seed=seed)
    assert result.in_spec, result.reason
    assert power(np.array(list(result.positions.values())))["power"] > 0.94


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_without_a_model_light_is_found_in_the_dark(make_bench, seed):
    """What a bench without a layout gets: 0.1 % of the light at the start, a third of the noise."""
    bench, power = coupling_bench(make_bench, 2, seed, width=3.0, away=8.0)
    stage = bench.stages["stage"]
    assert power(np.array([stage.body(a) for a in stage.axes]))["power"] < 0.001
    result = align(bench, budget=150, seed=seed)
    assert result.strategy == "without-model"
    assert result.in_spec, result.reason
    assert power(np.array(list(result.positions.values())))["power"] > 0.94


@pytest.mark.slow
def test_looking_around_stays_inside_and_repeats(make_bench, monkeypatch):
    """The same seed asks for the same places, so that a run can be resumed from its record."""
    logs, asked, ask = [], [], without_model.Surrogate.ask
    monkeypatch.setattr(without_model.Surrogate, "ask", lambda s: asked.append(0) or ask(s))
    for _ in range(2):
        bench, _power = coupling_bench(make_bench, 3, 1, width=2.0, away=12.0)
        stage = bench.stages["stage"]
        align(bench, strategy=WithoutModel(first=4, kept=6), budget=14, seed=7)
        for name, target in stage.log:
            assert stage.axes[name].lower <= target <= stage.axes[name].upper
        logs.append(stage.log)
    assert len(asked) >= 2 * 8, "half of what is asked is asked of a model, not drawn by lot"
    assert logs[0] == logs[1]


@pytest.mark.slow
def test_a_descent_begins_from_a_clearly_better_place_with_smaller_pushes(make_bench, monkeypatch):
    """Looking around goes on until a fifth of the merit is gained; pushes halve as it gets there.

    A ripple on the way to the top holds each descent up. Where to look next is drawn by lot: what
    counts here is only when a look is good enough to begin from.
    """
    bench, _power = coupling_bench(make_bench, 2, 3, width=5.0, away=10.0)
    smooth, begun = bench.detectors["meter"].function, []
    bench.detectors["meter"].function = lambda x: {
        "power": smooth(x)["power"] * (1 + 0.3 * np.cos(3 * x[0]) * np.cos(3 * x[1])) / 1.3
    }

    def descent(problem, best, *functions, push, patience):
        begun.append((best.merit, push))
        ended.append(None)
        return Watched(problem, best, *functions, push=push, patience=patience)

    class Watched(without_model.Descent):
        def run(self):
            """Note the best merit seen."""
            inner, best = super().run(), self.seen.merit
            try:
                target = next(inner)
                while True:
                    seen = yield target
                    best = min(best, seen.merit)
                    ended[-1] = best
                    target = inner.send(seen)
            except StopIteration as stop:
                return stop.value

    class ByLot:
        def __init__(self, problem, _first, _kept):
            lower, upper = np.array([a.reachable for a in problem.axes]).T
            self.ask = lambda: problem.rng.uniform(lower, upper)

        def tell(self, seen):
            """Learn nothing."""

    ended = []
    monkeypatch.setattr(without_model, "Surrogate", ByLot)
    monkeypatch.setattr(without_model, "Descent", descent)
    align(bench, strategy="without-model", budget=150, seed=5)
    assert [push for _, push in begun] == [1.0, 1.0, 0.5]
    for (start, push), reached, (later, smaller) in zip(begun, ended, begun[1:], strict=False):
        assert later <= 0.8 * reached
        assert smaller == (push / 2 if reached < start else push)
