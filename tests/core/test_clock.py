"""Clocks: virtual time jumps, and nothing runs backwards."""

from __future__ import annotations

import pytest

from autoalign.core.clock import Clock, RealClock, ScaledClock, VirtualClock
from autoalign.core.errors import UsageError


def test_virtual_time_passes_only_by_sleeping() -> None:
    """An hour of sleep moves now and wall time by an hour."""
    clock = VirtualClock()
    wall = clock.wall()
    clock.sleep(3600.0)
    assert clock.now() == 3600.0
    assert (clock.wall() - wall).total_seconds() == 3600.0


@pytest.mark.parametrize("seconds", [-1.0, float("nan")])
def test_virtual_clock_refuses_to_run_backwards(seconds: float) -> None:
    """Negative sleep is an error, not time travel."""
    with pytest.raises(UsageError, match="cannot sleep"):
        VirtualClock().sleep(seconds)


def test_scaled_clock_runs_faster_than_a_real_one() -> None:
    """A thousandfold clock is ahead of the real one after the same moment."""
    real, scaled = RealClock(), ScaledClock(1000.0)
    t0, s0 = real.now(), scaled.now()
    scaled.sleep(1.0)
    assert scaled.now() - s0 >= 1.0
    assert scaled.now() - s0 >= real.now() - t0


@pytest.mark.parametrize("clock", [RealClock(), VirtualClock(), ScaledClock(10.0)])
def test_all_are_clocks(clock: Clock) -> None:
    """Each implementation meets the protocol."""
    assert isinstance(clock, Clock)
