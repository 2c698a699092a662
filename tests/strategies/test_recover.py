"""Looking for light with as many looks as there are, and what a place without a verdict costs."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from autoalign.beam.profile import BeamProfile
from autoalign.core.axes import Axis
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Measurement, Problem
from autoalign.strategies.recover import find_light
from autoalign.strategies.scalar import Cost

AXES = (Axis("a.x", "mm", -10.0, 10.0), Axis("b.tip", "rad", -0.1, 0.1))


def dark(positions):
    """Return a look that sees nothing at all."""
    return Measurement(np.asarray(positions, dtype=float), {})


def problem(measurements):
    """Return a dark problem in the middle of the reach."""
    rng = np.random.default_rng(4)
    spec = Spec((QuantityTerm("meter.q", 1.0),))
    return Problem(AXES, np.zeros(2), dark([0, 0]), spec, rng, measurements=measurements)


@pytest.mark.parametrize(("measurements", "places"), [(None, 256), (60, 40), (3000, 256), (1, 0)])
def test_light_is_looked_for_near_and_far_within_the_looks_there_are(measurements, places):
    """Two of five places within a tenth of the reach, the last ones anywhere in it."""
    given = problem(measurements)
    search, seen = find_light(given, given.first), []
    place = next(search, None)
    while place is not None:
        seen.append(np.max(np.abs(place) / given.upper))
        try:
            place = search.send(dark(place))
        except StopIteration:
            break
    assert len(seen) == places
    if places:
        assert np.mean(np.array(seen) <= 0.1) > 0.35
        assert max(seen[-places // 5 :]) > 0.6


def lit(x):
    """Return a look at which one plane shows a beam ``x`` mm off, and nothing can be judged."""
    moments = np.array([x, 0.0, 1, 1, 0, 0, 0, 0, 0])
    profile = BeamProfile(moments, 1e-6 * np.eye(9), 1.0, 0.0, 0.0, 0.0, 1.0)
    return Measurement(np.zeros(2), {"near": profile})


def test_what_cannot_be_judged_costs_more_than_all_that_was_and_the_more_the_farther_out():
    """So an optimiser of one number walks back towards the light, whatever it has met before."""
    cost = Cost()
    for merit in (3.0, 70.0, 5.0):
        assert cost(SimpleNamespace(ok=True, merit=merit)) == merit
    near, far, nothing = cost(lit(1.0)), cost(lit(40.0)), cost(dark([0, 0]))
    assert 70.0 < near < far < nothing < float("inf")
