"""What the model learns from the end of a run, and what it says before it searches in the dark."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from autoalign_simulators import benches, lost

from autoalign.run.compose import run
from autoalign.run.execute import Event
from autoalign.session import Budget, Session
from autoalign.strategies.model import Model


@pytest.mark.slow
def test_the_look_that_ends_a_run_is_learnt_too():
    """The memory rests on every look, the verifying one included."""
    with benches.collimator(seed=1) as bench:
        model = Model()
        session = Session.for_bench(bench, model)
        finish = run(bench, session)
    assert finish.in_spec
    assert model.knowledge is not None
    assert len(model.knowledge.measurements) == session.measurements
    assert model.calibration is not None
    assert np.allclose(model.calibration["phi"], model.knowledge.fit.phi)


@pytest.mark.slow
def test_a_search_in_the_dark_keeps_the_bound_that_it_stated_first():
    """The bound is said with the first place, holds, and the axes stay in their limits."""
    with lost.wholly_dark(3).bench() as bench:
        model, said = Model(), []
        session = Session.for_bench(bench, model, budget=Budget(150))

        def follow(event: Event) -> None:
            reason = getattr(event.action, "reason", "")
            if "search" in reason:
                said.append(reason)
            for name, axis in bench.axes.items():
                assert axis.lower <= event.positions.get(name, axis.lower) <= axis.upper

        finish = run(bench, session, progress=follow)
        assert finish.in_spec
        assert bench.truth.in_spec(bench.spec)
    assert model.bound is not None
    assert said[0].startswith(f"no light; search 1 of at most {model.bound}")
    assert session.measurements <= model.bound + 8


@pytest.mark.parametrize("doubted", [True, False])
def test_nothing_is_remembered_once_a_camera_is_in_doubt(doubted):
    """Whatever the fit would have to say, and whatever was remembered before."""
    model = Model()
    model.calibration = {"phi": "of an earlier look"}
    model.knowledge = SimpleNamespace(
        learn=lambda *_: True, calibration=lambda: {"phi": "of this one"}, findings=(),
        refusal="", camera=object() if doubted else None,
    )  # fmt: skip
    model.conclude(SimpleNamespace(positions=None, profiles=None))
    assert model.calibration == (None if doubted else {"phi": "of this one"})
    assert model.distrusts is doubted


@pytest.mark.slow
def test_a_sliver_of_light_in_a_corner_accuses_no_wire():
    """Seed 4090: four columns of the beam at the far plane, over uneven light.

    Taken for a beam 20 mm wide in the middle it had axes accused that were not exchanged.
    """
    with lost.far_dark(4090).bench() as bench:
        session = Session.for_bench(bench, Model(), budget=Budget(20))
        finish = run(bench, session)
        assert bench.truth.in_spec(bench.spec)
    assert finish.in_spec, finish.reason
    assert "exchanged" not in finish.reason
    assert session.measurements <= 6


@pytest.mark.slow
def test_hot_pixels_side_by_side_do_not_end_a_search_in_the_dark():
    """Seed 5085: uneven light under two of them was a beam to the model, which never moved."""
    with lost.wholly_dark(5085).bench() as bench:
        session = Session.for_bench(bench, Model(), budget=Budget(100))
        finish = run(bench, session)
        assert bench.truth.in_spec(bench.spec)
    assert finish.in_spec, finish.reason
