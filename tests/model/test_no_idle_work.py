"""What is computed for nothing: derivatives of refused steps, and one look learnt twice."""

from __future__ import annotations

import copy

import numpy as np
import pytest

from autoalign.diagnosis import estimator as knowledge_of
from autoalign.diagnosis.estimator import Knowledge
from autoalign.model.fit import fit, readings_from_profiles
from autoalign.model.predict import BenchModel
from autoalign.model.ray_derivatives import Flight


@pytest.fixture
def traces(monkeypatch):
    """Counts rays traced and derivatives made."""
    counted = {"traced": 0, "derived": 0}
    begin, changes = Flight.__init__, Flight.changes

    def traced(self, *arguments):
        counted["traced"] += 1
        begin(self, *arguments)

    def derived(self):
        counted["derived"] += 1
        return changes(self)

    monkeypatch.setattr(Flight, "__init__", traced)
    monkeypatch.setattr(Flight, "changes", derived)
    return counted


def test_derivatives_are_made_for_rays_that_are_there_already(make_bench, traces):
    """A prediction that is asked for its derivatives traces nothing again, and derives once."""
    bench = make_bench(0)
    model = BenchModel(bench.nominal, bench.axes)
    traces.update(traced=0, derived=0)
    seen = model.predict(np.zeros((2, 6)), np.zeros(model.size))
    assert seen.jacobian is None
    assert traces == {"traced": 1, "derived": 0}
    full = seen.derived()
    assert traces == {"traced": 1, "derived": 1}
    assert full.derived() is full
    at_once = model.predict(np.zeros((2, 6)), np.zeros(model.size), derivatives=True)
    np.testing.assert_array_equal(full.jacobian, at_once.jacobian)


def test_a_refused_step_has_no_derivatives(make_bench, traces):
    """From a start far off some steps are refused; only those that are taken are derived."""
    bench = make_bench(2)
    model = BenchModel(bench.nominal, bench.axes)
    look = readings_from_profiles(model.planes, bench.start, bench.look(bench.start).profiles)
    start = np.zeros(model.size)
    start[model.unknowns.index("source.z.offset")] = 4.0
    start[model.unknowns.index("mirror.tip.offset")] = -4.0
    traces.update(traced=0, derived=0)
    found = fit(model, [look], start)
    assert np.isfinite(found.cost)
    assert traces["traced"] > traces["derived"] > 2


def test_a_look_that_a_copy_has_learnt_is_not_fitted_again(make_bench, monkeypatch):
    """Whether the beam goes through a focus is asked of a copy, of the look that ends the run."""
    bench = make_bench(3)
    know = Knowledge(bench.nominal, bench.axes, bench.spec)
    know.learn(bench.start, bench.look(bench.start).profiles)
    there = know.aim(bench.start).position
    profiles = bench.look(there).profiles
    model = copy.copy(know)
    assert model.learn(there, profiles)

    def not_again(*_arguments, **_settings):
        raise AssertionError("fitted twice")

    with monkeypatch.context() as patched:
        patched.setattr(knowledge_of, "fit", not_again)
        assert know.learn(there, profiles)
    assert know.fit is model.fit
    assert len(know.measurements) == 2
    assert know.learn(there, profiles)  # the same frames once more are one more look
    assert len(know.measurements) == 3
    other = Knowledge(bench.nominal, bench.axes, bench.spec)
    assert other.learn(there, profiles)
    assert len(other.measurements) == 1
