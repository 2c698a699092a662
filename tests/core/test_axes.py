"""Axes: limits, and approaching a target with the play taken up."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autoalign.core.axes import Axis, approach_legs
from autoalign.core.errors import AlignError, TravelLimitError, UsageError

AXIS = Axis("source.x", "mm", -6.0, 6.0, resolution=0.001, backlash=0.02)


def test_reversed_limits_say_what_to_do() -> None:
    """Limits the wrong way round are refused with both values and the cure."""
    with pytest.raises(
        UsageError, match=r"source\.x: lower limit 6 mm.*upper limit -6 mm.*exchange"
    ):
        Axis("source.x", "mm", 6.0, -6.0)


@pytest.mark.parametrize(
    ("key", "value"),
    [("backlash", -1.0), ("resolution", math.nan), ("speed", 0.0), ("max_step", -2.0)],
)
def test_impossible_numbers_are_refused_by_name(key: str, value: float) -> None:
    """A number that cannot be is refused, naming the axis and the parameter."""
    with pytest.raises(UsageError, match=rf"a\.b: {key}"):
        Axis("a.b", "mm", 0.0, 1.0, **{key: value})  # type: ignore[arg-type]


@pytest.mark.parametrize("value", ["0.5", True, None, math.nan, math.inf])
def test_what_a_turn_does_is_a_finite_number(value: object) -> None:
    """A text, a truth or nothing in place of a number is refused with what is wanted."""
    with pytest.raises(UsageError, match=r"a\.b: per_turn .* must be a finite number, in mm"):
        Axis("a.b", "mm", 0.0, 1.0, per_turn=value)  # type: ignore[arg-type]


def test_texts_and_truths_are_no_limits() -> None:
    """Numbers of the wrong kind are refused, never a bare TypeError."""
    with pytest.raises(UsageError, match="must be finite numbers"):
        Axis("a.b", "mm", "0", 1.0)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="backlash True must be"):
        Axis("a.b", "mm", 0.0, 1.0, backlash=True)


def test_outside_target_names_axis_request_and_range() -> None:
    """The limit error carries who, what was asked, what is allowed and what to do."""
    with pytest.raises(TravelLimitError) as caught:
        AXIS.check(7.0)
    assert isinstance(caught.value, ValueError)
    assert isinstance(caught.value, AlignError)
    for part in ("source.x", "7 mm", "-6 mm to 6 mm", "nothing was moved"):
        assert part in str(caught.value)


def test_turns_are_told_in_mrad() -> None:
    """People are told mrad, never rad."""
    tip = Axis("mirror.tip", "rad", -0.02, 0.02)
    assert tip.said(-1.25e-3) == "-1.25 mrad"
    with pytest.raises(TravelLimitError, match="asked for 30 mrad, allowed is -20 mrad to 20 mrad"):
        tip.check(0.03)


def test_nan_is_outside() -> None:
    """Not-a-number is never inside the limits."""
    with pytest.raises(TravelLimitError):
        AXIS.check(math.nan)


@given(start=st.floats(-6, 6), target=st.floats(-6, 6))
def test_last_leg_comes_from_the_named_side(start: float, target: float) -> None:
    """Whatever the start, the last leg moves in the approach direction by more than the play."""
    legs = approach_legs(AXIS, start, target)
    before = (start, *legs)[-2]
    assert legs[-1] == target
    assert target - before >= AXIS.backlash


@given(start=st.floats(-6, 6), wanted=st.floats(-100, 100))
def test_clipped_targets_keep_every_leg_inside(start: float, wanted: float) -> None:
    """A clipped target is reached without any leg leaving the limits."""
    for leg in approach_legs(AXIS, start, AXIS.clip(wanted)):
        AXIS.check(leg)


def test_no_play_goes_straight() -> None:
    """Without play there is one leg."""
    assert approach_legs(Axis("a.b", "rad", -1, 1), 0.5, 0.1) == (0.1,)


def test_backlash_is_cured_by_the_approach() -> None:
    """True positions follow the commands once every approach ends from one side.

    13 steps of play; +500, −10, +20, −5 give 500, 500, 510, 510 without a cure (derived here:
    a nut follows its screw only once the clearance is used up).
    """

    def play_model(positions: list[float]) -> list[float]:
        true, out = positions[0], []
        for p in positions[1:]:
            true = min(max(true, p), p + 13.0)
            out.append(true)
        return out

    assert play_model([0, 500, 490, 510, 505]) == [500, 500, 510, 510]
    axis = Axis("screw.x", "mm", -1000, 1000, resolution=1, backlash=13)
    start, path = 0.0, [0.0]
    for target in (500.0, 490.0, 510.0, 505.0):
        path.extend(approach_legs(axis, start, target))
        start = target
    reached = dict(zip(path[1:], play_model(path), strict=True))
    assert [reached[t] for t in (500.0, 490.0, 510.0, 505.0)] == [500, 490, 510, 505]


def test_play_that_does_not_fit_into_the_travel_is_refused() -> None:
    """Nothing could be reached from the named side; a direction is +1 or −1."""
    with pytest.raises(UsageError, match="overshoot that takes up the backlash"):
        Axis("a.x", "mm", 0, 1, backlash=3.0)
    with pytest.raises(UsageError, match="allowed are 1 and -1"):
        Axis("a.x", "mm", 0, 1, approach=0)  # type: ignore[arg-type]
