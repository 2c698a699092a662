"""Where a hand looks next along one axis."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from autoalign.strategies.axis_by_axis import next_place


def follow(function, start, slope, turns=30):
    """Return the places that are looked at until nothing is left to gain."""
    points = [(start, function(start))]
    for _ in range(turns):
        place = next_place(points, slope, 1.0)
        if place is None:
            break
        points.append((place, function(place)))
    return points


@given(zero=st.floats(-20, 20), slope=st.floats(0.5, 30) | st.floats(-30, -0.5))
def test_a_straight_residual_is_gone_after_few_looks(zero, slope):
    """With the right slope one step goes there, however far, in strides of eight pushes."""
    points = follow(lambda t: slope * (t - zero), 0.0, slope)
    assert abs(points[-1][1]) < 0.3
    assert len(points) <= 2 + abs(zero) / 8 + 1


@given(zero=st.floats(-6, 6), wrong=st.sampled_from([-3.0, 0.2, 0.0, 5.0]))
def test_a_wrong_slope_costs_looks_but_not_the_zero(zero, wrong):
    """Even the wrong sign is found out from what is seen."""
    points = follow(lambda t: 4 * (t - zero) + 0.2 * (t - zero) ** 3, 0.0, wrong)
    assert min(abs(r) for _, r in points) < 0.3
    assert len(points) <= 20


@given(least=st.floats(-5, 5))
def test_a_residual_that_never_vanishes_is_brought_to_its_least(least):
    """Without a change of sign the parabola and the golden section find the bottom."""
    points = follow(lambda t: 2 + 0.5 * (t - least) ** 2, 0.0, 1.0, turns=12)
    best = min(points, key=lambda p: abs(p[1]))
    assert best[0] == pytest.approx(least, abs=0.3)


def test_false_position_stays_inside_the_change_of_sign():
    """However lopsided the ends, the next look is between them."""
    place = next_place([(0.0, -1e6), (1.0, 0.5)], 1.0, 1.0)
    assert place is not None
    assert 0.0 < place < 1.0


def test_nothing_is_done_where_nothing_is_wrong():
    """A residual within three tenths of its tolerance is left alone."""
    assert next_place([(3.0, 0.29)], 1.0, 1.0) is None
    assert np.isfinite(next_place([(3.0, 0.31)], 0.0, 1.0))
