"""The last check before motion."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autoalign.core.axes import Axis, approach_legs
from autoalign.core.errors import (
    HeldError,
    TravelBudgetError,
    TravelLimitError,
    UnknownNameError,
)
from autoalign.run.guard import Latch, MoveGuard
from autoalign.session import Move

AXIS = Axis("a.x", "mm", -5.0, 5.0, backlash=0.2, max_step=2.0)


def move(target, *legs, axis="a.x"):
    """Return a move of one axis."""
    return Move(1, {axis: target}, {axis: legs or (target,)}, "test")


def test_the_overshoot_counts_as_much_as_the_target():
    """A target inside with an overshoot outside is refused; so is NaN."""
    guard = MoveGuard({"a.x": AXIS})
    assert guard.check(move(-4.0, -4.3, -4.0), {"a.x": -4.0}) == {"a.x": pytest.approx(0.6)}
    with pytest.raises(TravelLimitError, match="allowed is -5 mm to 5 mm"):
        guard.check(move(-4.9, -5.2, -4.9), {"a.x": -4.0})
    with pytest.raises(TravelLimitError):
        guard.check(move(float("nan")), {"a.x": 0.0})


def test_a_move_may_not_be_longer_than_its_axis_allows():
    """max_step with the overshoot on top is the longest move."""
    guard = MoveGuard({"a.x": AXIS})
    guard.check(move(2.0), {"a.x": 0.0})
    with pytest.raises(TravelBudgetError, match="one move would travel 3 mm"):
        guard.check(move(3.0), {"a.x": 0.0})


def test_a_run_may_not_travel_more_than_its_budget():
    """Travel adds up over the run; only what was spent counts."""
    guard = MoveGuard({"a.x": AXIS}, {"a.x": 4.0})
    for start in (0.0, 1.0):
        guard.spend(guard.check(move(start + 1.0), {"a.x": start}))
    guard.check(move(2.9), {"a.x": 2.0})
    with pytest.raises(TravelBudgetError, match="2 mm travelled in this run"):
        guard.check(move(3.5), {"a.x": 2.0})


def test_a_quarter_of_the_travel_budget_is_kept_for_the_way_back():
    """The search is stopped before it can no longer return."""
    guard = MoveGuard({"a.x": AXIS}, {"a.x": 4.0})
    guard.spend({"a.x": 3.0})
    with pytest.raises(TravelBudgetError, match="allowed is 3 mm"):
        guard.check(move(1.0), {"a.x": 2.0})
    guard.check(replace(move(1.0), returning=True), {"a.x": 2.0})
    with pytest.raises(TravelBudgetError, match="allowed is 4 mm"):
        guard.check(replace(move(0.5), returning=True), {"a.x": 2.0})


@pytest.mark.parametrize("unknown", [float("nan"), float("inf")])
def test_an_axis_of_which_nobody_knows_where_it_is_does_not_move(unknown):
    """No number, or none that is finite: held, and the message says why."""
    with pytest.raises(HeldError, match="it is not known where it"):
        MoveGuard({"a.x": AXIS}).check(move(1.0), {"a.x": unknown})


def test_hold_and_safe_let_nothing_through():
    """A pause is released; a latch only opens in a person's name."""
    guard = MoveGuard({"a.x": AXIS})
    guard.hold("dark")
    with pytest.raises(HeldError, match="bench is paused: dark"):
        guard.check(move(1.0), {"a.x": 0.0})
    guard.release()
    guard.check(move(1.0), {"a.x": 0.0})
    guard.make_safe("wrong device")
    guard.hold("dark")
    assert guard.latch is Latch.SAFE
    with pytest.raises(HeldError, match="wrong device"):
        guard.release()
    with pytest.raises(HeldError, match="name of the person"):
        guard.clear_safe(" ")
    guard.clear_safe("operator on duty")
    guard.check(move(1.0), {"a.x": 0.0})


def test_unknown_axes_are_named():
    """In a move and in a budget."""
    with pytest.raises(UnknownNameError, match=r"a\.y"):
        MoveGuard({"a.x": AXIS}, {"a.y": 1.0})
    with pytest.raises(UnknownNameError, match=r"a\.y"):
        MoveGuard({"a.x": AXIS}).check(move(1.0, axis="a.y"), {"a.y": 0.0})


@given(
    backlash=st.floats(0, 1),
    approach=st.sampled_from([1, -1]),
    start=st.floats(-5, 5),
    target=st.floats(-10, 10),
)
def test_every_clipped_target_passes_with_its_legs(backlash, approach, start, target):
    """Whatever a strategy asks for, what the session makes of it stays inside the limits."""
    axis = Axis("a.x", "mm", -5.0, 5.0, backlash=backlash, approach=approach)
    goal = axis.clip(target)
    legs = approach_legs(axis, start, goal)
    travel = MoveGuard({"a.x": axis}).check(move(goal, *legs), {"a.x": start})
    assert all(-5 <= leg <= 5 for leg in legs)
    assert travel["a.x"] >= abs(goal - start) - 1e-12
