"""What a wrong wire or a wrongly hung camera does, as the suspicions have it."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.beam.profile import BeamProfile
from autoalign.core.axes import Axis
from autoalign.diagnosis.estimator import mends
from autoalign.diagnosis.hypotheses import TURNS, Hypothesis, of_axes
from autoalign.model.fit import Readings

AXES = (
    Axis("a.x", "mm", -5.0, 5.0),
    Axis("a.y", "mm", -5.0, 5.0),
    Axis("b.tip", "rad", -0.1, 0.1),
)


def test_every_wire_may_be_reversed_or_dead_and_be_exchanged_with_one_of_its_unit():
    """What a command (1, 2, 3) drives, for each single fault."""
    found = {h.codes[0]: (h.wiring @ [1.0, 2.0, 3.0]).tolist() for h in of_axes(AXES)}
    assert found == {
        ("axis-reversed", ("a.x",)): [-1, 2, 3],
        ("axis-reversed", ("a.y",)): [1, -2, 3],
        ("axis-reversed", ("b.tip",)): [1, 2, -3],
        ("axis-exchanged", ("a.x", "a.y")): [2, 1, 3],
        ("axis-dead", ("a.x",)): [0, 2, 3],
        ("axis-dead", ("a.y",)): [1, 0, 3],
        ("axis-dead", ("b.tip",)): [1, 2, 0],
    }


@pytest.mark.parametrize("code", TURNS)
def test_a_look_is_mended_as_if_the_camera_s_view_had_been_told(code):
    """Moments and covariance are those of the same frame whose file has the right view."""
    rng = np.random.default_rng(list(TURNS).index(code))
    view = TURNS[code]
    mixed = rng.standard_normal((9, 9))
    moments = np.array([0.7, -0.4, 2.0, 1.2, 0.3, *rng.standard_normal(4)])
    seen = BeamProfile(moments, mixed @ mixed.T, 1.0, 0.0, 0.0, 0.0, 1.0, view=view)
    plain = {0: moments, 1: moments}, {0: seen.covariance, 1: seen.covariance}
    look = Readings(np.zeros(3), *plain)
    hung = Hypothesis(((code, ("far",)),), turns={"far": view})
    (mend,) = mends(hung, ("near", "far"), look, np.stack([moments, moments]))
    mended, told = mend(look), seen.in_plane_axes()
    assert np.allclose(mended.moments[1], told.moments)
    assert np.allclose(mended.covariance[1], told.covariance)
    assert np.array_equal(mended.covariance[0], look.covariance[0])
