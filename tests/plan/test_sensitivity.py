"""Exact derivatives, and combinations of axes that nobody can see."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign.core.errors import UnknownNameError, UsageError
from autoalign.optics.ideal import quantities
from autoalign.optics.layout import Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import (
    collimator_layout,
    focuser_layout,
    relay_layout,
    steering_layout,
)
from autoalign.plan.sensitivity import sensitivity

OPTIC = OffAxisParaboloid(150, 35, 30)
DEMO = collimator_layout(OPTIC, 0.1, 0.12, 660e-6)
SPEC = {
    "pointing_x": 1e-4, "pointing_y": 1e-4, "divergence_xx": 2e-4, "divergence_yy": 2e-4,
    "divergence_xy": 2e-4, "astigmatism_0": 7.5e-3, "astigmatism_45": 7.5e-3,
}  # fmt: skip
RANGES = {
    "source.x": 1.0, "source.y": 1.0, "source.z": 3.0,
    "mirror.tip": 4e-3, "mirror.tilt": 4e-3, "mirror.clocking": 1e-2,
}  # fmt: skip
SMALL = OffAxisParaboloid(100, 35, 25.4)


@pytest.mark.parametrize(
    "layout",
    [
        DEMO,
        focuser_layout(SMALL, 6.0, 660e-6),
        relay_layout(SMALL, SMALL, 0.05, 0.1, 660e-6, "adding"),
        steering_layout(2.0, 660e-6),
    ],
    ids=lambda layout: layout.kind,
)
def test_derivatives_agree_with_differences(layout: Layout) -> None:
    """Central differences approach the complex-step derivative, for every axis and quantity."""
    at = {m.axis: 1e-3 for m in layout.motions}
    found = sensitivity(layout, at)
    for k, axis in enumerate(found.axes):
        h = 1e-5
        up = quantities(layout, at | {axis: at[axis] + h})
        down = quantities(layout, at | {axis: at[axis] - h})
        rough = np.array([float(up[q] - down[q]) / (2 * h) for q in found.names])
        scale = np.maximum(np.abs(found.matrix[:, k]), 1e-2)
        assert np.max(np.abs(rough - found.matrix[:, k]) / scale) < 1e-4, axis


@pytest.mark.parametrize("axis", ["source.x", "source.y"])
def test_pointing_per_source_shift_is_one_over_the_focal_length(axis: str) -> None:
    """−1/ρ rad per mm (derived here), near the aligned state and over an underfilled mirror."""
    layout = collimator_layout(OPTIC, 0.0, 0.01, 660e-6)
    found = sensitivity(layout)
    assert found(f"pointing_{axis[-1]}", axis) == pytest.approx(-1 / 150, rel=1e-3)


def test_divergence_per_focus_shift() -> None:
    """W = l r²/(2ρ²): the edge of a beam of width D spreads by D l/ρ² (derived here)."""
    layout = collimator_layout(OPTIC, 0.0, 0.02, 660e-6, emission="uniform")
    found = sensitivity(layout)
    width = float(quantities(layout)["near.yy"])
    for part in ("xx", "yy"):
        slope = found(f"divergence_{part}", "source.z")
        assert slope == pytest.approx(width / 150**2, rel=0.02)


def test_turning_source_and_mirror_together_about_the_parent_axis_is_invisible() -> None:
    """Clocking by w with the source moved by ρ w sin α changes no term of the spec.

    Turned about a line along the parent axis the bench is the same bench: the beam stays parallel
    to that line. Found by the singular values, not put in.
    """
    found = sensitivity(DEMO)
    values = found.singular_values(SPEC, RANGES)
    assert values[-1] < 1e-4
    assert values[-2] > 1
    (hidden,) = found.invisible(SPEC, RANGES)
    ratio = hidden.amounts["source.y"] / hidden.amounts["mirror.clocking"]
    assert ratio == pytest.approx(-150 * math.sin(math.radians(35)), rel=1e-3)
    others = [a for a in RANGES if a not in ("source.y", "mirror.clocking")]
    assert all(abs(hidden.amounts[a]) < 1e-4 * RANGES[a] for a in others)
    assert hidden.effect < 1e-3
    assert "source.y" in hidden.words
    assert "mrad" in hidden.words
    assert "source.x" not in hidden.words


def test_the_hidden_combination_is_hidden_in_the_exact_trace_too() -> None:
    """Moved by a third of its range, the spec's quantities stay within a twentieth of tolerance.

    What is left is of second order: ρ sin α w²/2 of source displacement in the plane of incidence.
    """
    (hidden,) = sensitivity(DEMO).invisible(SPEC, RANGES)
    still = quantities(DEMO)
    moved = quantities(DEMO, {axis: v / 3 for axis, v in hidden.amounts.items()})
    for name, tolerance in SPEC.items():
        assert abs(float(moved[name] - still[name])) < 0.05 * tolerance, name


@pytest.mark.common_practice
def test_moving_source_and_mirror_at_once_leaves_combinations_that_change_nothing() -> None:
    """Six axes answer the spec with rank five; either side alone leaves nothing hidden."""
    found = sensitivity(DEMO)
    scaled = found.scaled(SPEC, RANGES)
    assert np.linalg.matrix_rank(scaled, tol=1e-3) == 5
    source = [found.axes.index(a) for a in ("source.x", "source.y", "source.z")]
    assert np.linalg.matrix_rank(scaled[:, source], tol=1e-3) == 3


def test_a_relay_hides_four_combinations_one_axis_pair_at_a_time() -> None:
    """Both mirrors turned alike keep image and sharpness; the words name few axes each."""
    found = sensitivity(relay_layout(SMALL, SMALL, 0.05, 0.1, 660e-6))
    limits = {"focus.x": 5e-3, "focus.y": 5e-3, "divergence_xx": 5e-3, "divergence_yy": 5e-3}
    ranges = {a: 1.0 if u == "mm" else 1e-2 for a, u in zip(found.axes, found.units, strict=True)}
    hidden = found.invisible(limits, ranges)
    pairs = {
        frozenset(a for a, v in c.amounts.items() if abs(v) > 1e-3 * ranges[a]) for c in hidden
    }
    assert frozenset({"first.tilt", "second.tilt"}) in pairs
    assert all(c.effect < 0.1 for c in hidden)
    assert len(hidden) >= 4


def test_mistakes_are_named() -> None:
    """Unknown axis, unknown quantity, no tolerance, no range, no axes."""
    found = sensitivity(DEMO)
    with pytest.raises(UnknownNameError, match=r"source\.q"):
        found("pointing_x", "source.q")
    with pytest.raises(UnknownNameError, match="pointing_z"):
        found("pointing_z", "source.x")
    with pytest.raises(UsageError, match="no quantity has a tolerance"):
        found.singular_values({}, RANGES)
    with pytest.raises(UnknownNameError, match=r"source\.x"):
        found.singular_values(SPEC, {})
    with pytest.raises(UsageError, match="no axes"):
        sensitivity(Layout("bare", DEMO.light, DEMO.elements, DEMO.planes, ()))
