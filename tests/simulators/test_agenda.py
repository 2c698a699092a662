"""Things that happen at their time."""

from __future__ import annotations

import pytest
from autoalign_simulators.agenda import AgendaClock
from autoalign_simulators.collimator import simulate
from autoalign_simulators.faults import inject_at
from autoalign_simulators.simulated_stage import SimulatedStage

from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import UsageError
from autoalign.testing import StageConformance


class TestSimulatedStage(StageConformance):
    """The simulated stage passes what every stage must."""

    def make_stage(self) -> tuple[SimulatedStage, Clock]:
        """Return the mirror's stage of an everyday bench."""
        simulation = simulate(3)
        return simulation.stages["mirror"], simulation.clock


def test_entries_happen_in_order_and_at_their_time() -> None:
    """One sleep over several entries stops at each of them."""
    clock = AgendaClock(VirtualClock())
    seen: list[tuple[str, float]] = []
    for name, time in (("b", 2.0), ("a", 1.0), ("c", 2.0)):
        clock.at(time, lambda name=name: seen.append((name, clock.now())))
    clock.sleep(5.0)
    assert seen == [("a", 1.0), ("b", 2.0), ("c", 2.0)]
    assert clock.now() == 5.0
    clock.at(3.0, lambda: seen.append(("late", clock.now())))
    assert seen[-1] == ("late", 5.0)


def test_an_entry_may_make_another() -> None:
    """What happens may enter what comes next."""
    clock = AgendaClock(VirtualClock())
    seen: list[float] = []

    def tick() -> None:
        seen.append(clock.now())
        if len(seen) < 4:
            clock.at(clock.now() + 1.0, tick)

    clock.at(1.0, tick)
    clock.sleep(10.0)
    assert seen == [1.0, 2.0, 3.0, 4.0]


def test_bad_times_are_refused() -> None:
    """A time that is no number, and a sleep backwards."""
    clock = AgendaClock(VirtualClock())
    with pytest.raises(UsageError, match="not a number"):
        clock.at(float("nan"), lambda: None)
    with pytest.raises(UsageError, match="cannot sleep"):
        clock.sleep(-1.0)


def test_a_fault_at_its_time_meets_a_move_under_way() -> None:
    """A stall half-way through a move leaves the carriage where it was then."""
    simulation = simulate(3, ideal=True)
    inject_at(simulation, 1.0, "stall", "source.x")
    simulation.stages["source"].start_move("source.x", 5.0)
    simulation.clock.sleep(60.0)
    # v = 2 mm/s, a = 10 mm/s²: after 1 s it has gone 2·1 − 2²/(2·10) = 1.8 mm.
    assert simulation.motors["source.x"].true_position() == pytest.approx(1.8, abs=1e-6)
    assert simulation.stages["source"].status("source.x").moving


def test_drift_goes_on_by_itself() -> None:
    """A drifting mirror turns the beam while nothing moves."""
    simulation = simulate(3, ideal=True, drift={"mirror.tilt": 1e-6})
    want = simulation.truth.parameters({"mirror.tilt": 1e-4})["pointing_x"]
    simulation.clock.sleep(100.0)
    assert simulation.truth.parameters()["pointing_x"] == pytest.approx(want, rel=1e-6)
    assert abs(want) > 1.9e-4
