"""What a descent does after a step that failed, on a made-up response."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from autoalign.core.axes import Axis
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Measurement, Problem
from autoalign.strategies.descent import Descent

AXES = (Axis("a.x", "mm", -500.0, 500.0), Axis("a.y", "mm", -500.0, 500.0))
SLOPES = np.array([[3.0, 0.0], [0.0, 2.0]])
START = np.array([9.0, -8.0])


def seen(u, residuals):
    """Return a look at the scaled position ``u`` that shows ``residuals``."""
    positions = np.asarray(u) * 20.0
    return SimpleNamespace(positions=positions, residuals=residuals, ok=True)


def descent():
    """Return a descent that knows its response exactly and learns next to nothing from a look."""
    first = Measurement(np.zeros(2), {})
    problem = Problem(
        AXES, np.zeros(2), first, Spec((QuantityTerm("q", 1.0),)), np.random.default_rng(0)
    )
    made = Descent(
        problem, seen([0.0, 0.0], START), lambda s: s.residuals, lambda s: 1e3, lambda s: False,
        patience=9,
    )  # fmt: skip
    made.response.matrix, made.response.covariance = SLOPES.copy(), 1e-12 * np.eye(2)
    return made


def damped(residuals, damping):
    """Return the step that |r + J u|² + |damping · u|² asks for."""
    normal = SLOPES.T @ SLOPES + damping**2 * np.eye(2)
    return -np.linalg.solve(normal, SLOPES.T @ residuals)


def test_a_failed_step_is_damped_and_again_four_times_as_much():
    """The first step is Newton's; each that makes it worse gives a shorter one from the same place.

    A tenth of the response's rms at first, then four times that.
    """
    size = np.sqrt(np.mean(SLOPES**2))
    steps = descent().run()
    u = next(steps) / 20.0
    for damping in (0.0, 0.1 * size, 0.4 * size, 1.6 * size):
        assert u == pytest.approx(damped(START, damping), rel=1e-3)
        u = steps.send(seen(u, 1.1 * START)) / 20.0
    assert np.linalg.norm(u) < 0.5 * np.linalg.norm(damped(START, 0.0))


def test_a_step_that_helps_gives_the_damping_back():
    """After one failure and one success the damping is a fifth of what it was."""
    size = np.sqrt(np.mean(SLOPES**2))
    steps = descent().run()
    failed = next(steps) / 20.0
    here = steps.send(seen(failed, 1.1 * START)) / 20.0
    better = 0.5 * START
    following = steps.send(seen(here, better)) / 20.0
    assert following - here == pytest.approx(damped(better, 0.02 * size), rel=1e-3)


def test_a_step_into_the_dark_is_tried_again_with_a_third_of_its_reach():
    """Nothing is learnt where nothing is seen; the next step from the same place is shorter."""
    steps = descent().run()
    first = next(steps) / 20.0
    again = steps.send(seen(first, None)) / 20.0
    assert np.max(np.abs(again)) == pytest.approx(np.max(np.abs(first)) / 3)


def test_the_reach_grows_again_with_what_helps():
    """After a step that stayed in the light twice as much is tried."""
    steps = descent().run()
    dark = next(steps) / 20.0
    short = steps.send(seen(dark, None)) / 20.0
    longer = steps.send(seen(short, 0.9 * START)) / 20.0 - short
    assert np.max(np.abs(longer)) == pytest.approx(2 * np.max(np.abs(short)))


def test_a_push_without_light_is_tried_the_other_way_and_then_shorter():
    """Four places along one axis; the next axis has its turn only then."""
    made = descent()
    made.response.covariance = made.response.unknown**2 * np.eye(2)
    steps = made.run()
    places = [next(steps) / 20.0]
    places += [steps.send(seen(places[-1], None)) / 20.0 for _ in range(4)]
    assert np.array(places) == pytest.approx(
        np.array([[1.0, 0.0], [-1.0, 0.0], [0.25, 0.0], [-0.25, 0.0], [0.0, 1.0]])
    )
