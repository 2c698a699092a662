"""What a strategy does not believe is not called in spec, and the axes go back to the start."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators import benches, lost

from autoalign.core.findings import Finding
from autoalign.run.compose import run
from autoalign.session import Budget, Session, Status
from autoalign.strategies.base import Strategy
from autoalign.strategies.model import Model


class Doubting(Strategy):
    """Visits one place, and finds out from the look there that a camera cannot be believed."""

    name = "doubting"
    needs = frozenset()
    findings = (Finding("camera-upside-down", "far"),)

    def __init__(self, place):
        self.place, self.distrusts = place, False

    def propose(self, _problem):
        """Yield the place."""
        yield self.place
        self.distrusts = True

    def conclude(self, _seen):
        """See it at the last look."""
        self.distrusts = True


@pytest.mark.parametrize("good", [True, False])
def test_what_is_distrusted_is_neither_in_spec_nor_best(make_bench, good):
    """Whether the look was in spec by its own measurement or only better than the start."""
    bench = make_bench()
    start, aligned = bench.positions(), np.array(list(bench.truth["target"].values()))
    strategy = Doubting(aligned if good else 0.5 * aligned)
    finish = run(bench, Session.for_bench(bench, strategy, budget=Budget(10)))
    assert finish.status is Status.GIVEN_UP
    assert not finish.in_spec
    assert "returned to the start" in finish.reason
    assert "The camera of plane far is turned by 180°" in finish.reason
    for name, position in bench.positions().items():
        assert position == pytest.approx(start[name], abs=1e-4)


@pytest.mark.slow
def test_exchanged_cameras_are_named_and_the_bench_is_left_as_it_was(wrong):
    """Frames whose first look no model explains: a small motion tells, and nothing is remembered.

    Seed 1004: the model expected no light from what it had made of the first look.
    """
    model = Model()
    with wrong.exchanged_cameras(benches.collimator(seed=1004)) as bench:
        before, start = bench.truth.verdict(bench.spec).merit, bench.positions()
        session = Session.for_bench(bench, model, budget=Budget(20))
        finish = run(bench, session)
        after = bench.truth.verdict(bench.spec).merit
        moved = [bench.positions()[n] - p for n, p in start.items()]
    assert not finish.in_spec
    assert "the cameras of planes near and far are exchanged" in finish.reason.lower()
    assert session.measurements <= 4
    assert model.calibration is None
    assert after == pytest.approx(before, rel=0.02)
    assert np.allclose(moved, 0.0, atol=2e-3)


@pytest.mark.slow
def test_a_cut_off_beam_is_no_reason_to_accuse_anybody():
    """Where the middle of a cut-off beam lies is a guess: a sound bench is not blamed for it.

    Seed 1013: the first light that a search found was cut off far from where it seemed to be.
    """
    model = Model()
    with lost.wholly_dark(1013).bench() as bench:
        finish = run(bench, Session.for_bench(bench, model, budget=Budget(60)))
        assert bench.truth.in_spec(bench.spec)
    assert finish.in_spec
    assert model.findings == ()
    assert model.calibration is not None
