"""Done means: at the target and idle, for a while, before the deadline."""

from __future__ import annotations

from autoalign_drivers.done import Arrival
from hypothesis import given
from hypothesis import strategies as st


def arrival(settle: float = 0.0) -> Arrival:
    """Return a move to 1 ± 0.1 that was ordered at 0 and must end by 10."""
    return Arrival(1.0, 0.1, ordered=0.0, deadline=10.0, settle=settle, grace=0.5)


def test_at_rest_just_after_the_order_is_not_an_arrival() -> None:
    """A controller that still says "at rest" has not begun; it is not short before the grace."""
    move = arrival()
    assert move.judge(0.1, 0.0, idle=True) == "under way"
    assert move.judge(0.6, 0.0, idle=True) == "short"


def test_passing_the_target_is_not_an_arrival() -> None:
    """Within tolerance but still moving goes on."""
    assert arrival().judge(1.0, 1.0, idle=False) == "under way"


def test_settling_time_counts_from_the_last_disturbance() -> None:
    """Rest must last; a step after "done" starts the time again."""
    move = arrival(settle=1.0)
    assert move.judge(1.0, 1.0, idle=True) == "under way"
    assert move.judge(1.5, 1.05, idle=False) == "under way"
    assert move.judge(1.6, 1.05, idle=True) == "under way"
    assert move.judge(2.5, 1.05, idle=True) == "under way"
    assert move.judge(2.7, 1.05, idle=True) == "arrived"


def test_rest_short_of_the_target() -> None:
    """Stopped is not success."""
    move = arrival()
    move.judge(0.1, 0.2, idle=False)
    assert move.judge(0.2, 0.3, idle=True) == "short"


def test_motion_that_never_ends() -> None:
    """The deadline ends the patience, not the count of polls."""
    move = arrival()
    assert move.judge(9.9, 0.5, idle=False) == "under way"
    assert move.judge(10.1, 0.5, idle=False) == "late"


@given(
    st.lists(st.tuples(st.floats(0, 1), st.floats(-2, 2), st.booleans()), min_size=1, max_size=30),
    st.floats(0, 2),
)
def test_arrived_only_at_the_target_and_idle(
    steps: list[tuple[float, float, bool]], settle: float
) -> None:
    """Whatever is read, "arrived" is said only within tolerance and idle for the settling time."""
    move, now, calm = arrival(settle), 0.0, None
    for wait, position, idle in steps:
        now += wait
        good = idle and abs(position - 1.0) <= 0.1
        calm = (now if calm is None else calm) if good else None
        verdict = move.judge(now, position, idle)
        assert (verdict == "arrived") == (good and calm is not None and now - calm >= settle)
