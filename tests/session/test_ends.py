"""Where a run without success ends, what is measured again, and when the model is not followed."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from autoalign import align
from autoalign.beam.parameters import BeamParameters
from autoalign.session.rules import FEWEST_MORE, beyond_noise, more_frames
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Cause, Measurement
from autoalign.strategies.model import _Course
from tests.independent import bench_one

SPEC = Spec((QuantityTerm("meter.q", 1.0),))


def seen(value: float, u: float, noise: float | None = None, veto: bool = False) -> Measurement:
    """Return a measurement of ``value`` ± ``u`` tolerances, of which ``noise`` (all) is noise."""
    parameters = BeamParameters(("meter.q",), np.array([value]), np.array([[u * u]]), {}, {}, {})
    verdict = SPEC.evaluate(parameters)
    if veto:
        verdict = verdict.with_findings(Cause.THROUGH_FOCUS.found())
    place = np.zeros(1)
    return Measurement(place, {}, parameters, verdict, noise=u if noise is None else noise)


def test_run_does_not_return_to_a_start_that_is_known_badly() -> None:
    """A start of 2 ± 30 tolerances is expected to be far worse than a place of 5 ± 1."""
    assert seen(2.0, 30.0).expected > seen(5.0, 1.0).expected
    assert beyond_noise(seen(2.0, 30.0), seen(5.0, 1.0))


def test_least_of_all_noises_is_no_improvement() -> None:
    """0.9 ± 0.5 after 1.3 ± 0.5 is no reason to leave the start, 0.1 ± 0.2 is one."""
    assert not beyond_noise(seen(1.3, 0.5), seen(0.9, 0.5))
    assert beyond_noise(seen(1.3, 0.5), seen(0.1, 0.2))


def test_measurement_that_was_not_judged_has_no_expected_merit() -> None:
    """It is worse than any that was."""
    unjudged = Measurement(np.zeros(1), {})
    assert beyond_noise(unjudged, seen(80.0, 5.0))
    assert not beyond_noise(seen(80.0, 5.0), unjudged)


def test_beam_that_only_a_veto_keeps_out_of_spec_is_not_measured_again() -> None:
    """Its terms are met: more frames change nothing."""
    assert not more_frames(seen(0.1, 0.1, veto=True))


def test_more_frames_are_taken_where_they_help() -> None:
    """In noise the more the worse it is; not for what is the same in every frame, nor far away."""
    few, many = more_frames(seen(0.4, 0.4)), more_frames(seen(0.4, 0.8))
    assert FEWEST_MORE <= few < many
    assert not more_frames(seen(0.4, 0.8, noise=0.05))
    assert not more_frames(seen(4.0, 0.4))


def course(excess: float) -> Any:
    """Return a course whose fit lies ``excess`` standard deviations above its noise."""
    know = SimpleNamespace(fit=SimpleNamespace(excess=excess))
    return _Course(SimpleNamespace(start=np.zeros(1)), know)  # type: ignore[arg-type]


@pytest.mark.parametrize(("excess", "taken"), [(50.0, True), (0.0, False)])
def test_response_takes_over_at_once_where_it_foretold_what_is_seen(
    excess: float, taken: bool
) -> None:
    """The model said 0, the plain response 20, and 21 is there: not if the model explains all."""
    on = course(excess)
    on._foreseen = (np.array([0.0]), np.array([20.0]))
    assert on._response_foretold(seen(21.0, 0.1)) is taken
    assert on._foreseen is None
    on._foreseen = (np.array([20.5]), np.array([0.0]))
    assert not on._response_foretold(seen(21.0, 0.1))


def test_badly_fitting_model_is_not_followed_to_where_the_response_sees_no_gain() -> None:
    """Once half-clipped light sent an axis to its limit, and the beam from 60 tolerances to 107."""
    on = course(50.0)
    on._foreseen = (np.array([0.1]), np.array([107.0]))
    assert on._unwarranted(seen(60.0, 0.1))
    on._foreseen = (np.array([0.1]), np.array([10.0]))
    assert not on._unwarranted(seen(60.0, 0.1))


def test_run_ends_where_nothing_can_be_shown() -> None:
    """0.2 ± 0.7 tolerances, all of it alike in every frame: a second time is enough."""
    axis = SimpleNamespace(arrival_tolerance=1e-3, resolution=1e-3)
    on = course(0.0)
    on.problem = SimpleNamespace(axes=(axis,), spec=SPEC)
    assert not on._nothing_left(seen(0.2, 0.7, noise=0.1), np.ones(1))
    assert on._nothing_left(seen(0.2, 0.7, noise=0.1), np.ones(1))
    assert not on._nothing_left(seen(3.0, 0.7, noise=0.1), np.ones(1))
    for _ in range(3):
        assert not on._nothing_left(seen(0.2, 0.7, noise=0.7), np.zeros(1))


@pytest.mark.slow
@pytest.mark.parametrize("light", ["slightly-saturated", "saturated"])
def test_saturated_cameras_do_not_keep_a_bench_out_of_spec(light: str) -> None:
    """Eight bits at 1.1 and 2.5 times their range; once the run went back to its start."""
    world = bench_one.world(0, light)
    result = align(world.bench)
    assert world.ratio(world.truth()) <= 1
    assert result.in_spec
