"""The suite of simulations passes a right bench and fails every planted wrong one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, ClassVar

import numpy as np
import pytest

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import HardwareError, unknown_name
from autoalign.core.interfaces import AxisStatus, Reading, Simulation
from autoalign.testing import SimulationConformance


class Shift:
    """A stage of one axis that is there at once."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.axes = {f"{name}.x": Axis(f"{name}.x", "mm", -5.0, 5.0)}
        self.places = {f"{name}.x": 0.0}

    def identity(self) -> str:
        """Return what it is."""
        return f"shift {self.name}"

    def start_move(self, axis: str, target: float) -> None:
        """Be there."""
        self.places[axis] = target

    def status(self, axis: str) -> AxisStatus:
        """Return where it is."""
        return AxisStatus(self.places[axis], moving=False)

    def stop(self) -> None:
        """Stay."""

    def close(self) -> None:
        """Let go."""


class Meter:
    """Reads the sum of all places, with the world's error and noise."""

    name, plane = "meter", "far"

    def __init__(self, world: Right, clock: Clock) -> None:
        self.world, self.clock = world, clock

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Reading]:
        """Return readings."""
        return [self.one() for _ in range(count)]

    def one(self) -> Reading:
        """Return a reading."""
        began = self.clock.now()
        self.clock.sleep(0.1)
        return Reading({"sum": self.world.total()}, started=began, ended=self.clock.now())

    def close(self) -> None:
        """Let go."""


class Right:
    """A world of two shifts and a meter."""

    def __init__(self, seed: int) -> None:
        self.clock: Clock = VirtualClock()
        self.rng = np.random.default_rng(seed)
        self.truth: Any = {"error": self.rng.normal()}
        self.stages: dict[str, Any] = {n: Shift(n) for n in ("first", "second")}
        self.detectors: dict[str, Any] = {"meter": Meter(self, self.clock)}
        self.ports = 0
        self.closed = False

    def total(self) -> float:
        """Return what the meter sees."""
        places = sum(sum(s.places.values()) for s in self.stages.values())
        return float(places + self.truth["error"] + 0.01 * self.noise())

    def noise(self) -> float:
        """Return the noise of one reading."""
        return float(self.rng.normal())

    def serve(self, stage: str, link: str) -> str:
        """Return a port."""
        if stage not in self.stages:
            raise unknown_name("stage", stage, self.stages)
        self.ports += 1
        return f"bench://{self.ports}"

    def close(self) -> None:
        """End."""
        self.closed = True


class NoTruth(Right):
    """Hides nothing."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.truth, self.hidden = None, self.truth

    def total(self) -> float:
        """Return what the meter sees."""
        return float(self.hidden["error"] + sum(s.places[f"{n}.x"] for n, s in self.stages.items()))


class NoStages(Right):
    """Has nothing to move."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.stages = {}


class NoDetectors(Right):
    """Has nothing to see with."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.detectors = {}


class OtherNames(Right):
    """Calls its stages by other names than they have."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.stages = {f"stage {n}": s for n, s in self.stages.items()}


class OneWorldForAllSeeds(Right):
    """Takes no notice of the seed."""

    def __init__(self, seed: int) -> None:
        super().__init__(0)


class Unseeded(Right):
    """Has noise of its own, without a seed."""

    def noise(self) -> float:
        """Return it."""
        return float(np.random.default_rng().normal())


class GlobalChance(Right):
    """Has noise from numpy's own generator."""

    def noise(self) -> float:
        """Return it."""
        return float(np.random.normal())  # noqa: NPY002


class SharedPlaces(Right):
    """Keeps the places of all worlds in one table."""

    places: ClassVar[dict[str, float]] = {}

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        for name, stage in self.stages.items():
            stage.places = self.places
            self.places.setdefault(f"{name}.x", 0.0)

    def total(self) -> float:
        """Return what the meter sees."""
        return float(sum(self.places.values()) + self.truth["error"])

    def close(self) -> None:
        """Begin anew."""
        self.places.clear()


class SharedBeam(Right):
    """Keeps what is seen in all worlds in one place; the readbacks are each world's own."""

    moved: ClassVar[list[float]] = []

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        mine = self.stages["first"]
        own = mine.start_move

        def start_move(axis: str, target: float) -> None:
            self.moved.append(target)
            own(axis, target)

        mine.start_move = start_move
        self.begun = len(self.moved)

    def total(self) -> float:
        """Return what the meter sees."""
        return float(self.truth["error"] + sum(self.moved[self.begun :]) + self.noise())


class BlindToMotion(Right):
    """Shows the same wherever the axes are."""

    def total(self) -> float:
        """Return it."""
        return float(self.truth["error"] + self.noise())


class StuckReadback(Right):
    """Moves and reads back that it has not."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        for stage in self.stages.values():
            stage.status = lambda axis: AxisStatus(0.0, moving=False)


class ClockOfItsOwn(Right):
    """Has a meter with a clock of its own."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        other = VirtualClock()
        other.sleep(1000.0)
        self.detectors = {"meter": Meter(self, other)}


class NoTimes(Right):
    """Has a meter that dates nothing."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.detectors["meter"].one = lambda: Reading({"sum": self.total()})


class OnePortForAll(Right):
    """Serves every stage on the same port."""

    def serve(self, stage: str, link: str) -> str:
        """Return it."""
        super().serve(stage, link)
        return "bench://1"


class ServesAnything(Right):
    """Serves stages that it does not have."""

    def serve(self, stage: str, link: str) -> str:
        """Return a port."""
        self.ports += 1
        return f"bench://{self.ports}"


class CloseOnce(Right):
    """Fails when it is closed again."""

    def close(self) -> None:
        """Fail."""
        if self.closed:
            raise HardwareError("closed already")
        super().close()


PLANTED: list[tuple[type[Right], str]] = [
    (NoTruth, "test_is_a_simulation"),
    (NoStages, "test_is_a_simulation"),
    (NoDetectors, "test_is_a_simulation"),
    (OtherNames, "test_is_a_simulation"),
    (OneWorldForAllSeeds, "test_the_seed_is_the_world"),
    (Unseeded, "test_the_seed_is_the_world"),
    (GlobalChance, "test_the_seed_is_the_world"),
    (SharedPlaces, "test_worlds_do_not_share"),
    (SharedBeam, "test_worlds_do_not_share"),
    (BlindToMotion, "test_motion_is_seen"),
    (StuckReadback, "test_motion_is_seen"),
    (ClockOfItsOwn, "test_time_is_its_own"),
    (NoTimes, "test_time_is_its_own"),
    (OnePortForAll, "test_serves_its_controllers"),
    (ServesAnything, "test_serves_its_controllers"),
    (CloseOnce, "test_serves_its_controllers"),
]

Failing = Callable[[Callable[[], Any], str], set[str]]


def suite_of(kind: type[Right]) -> Callable[[], SimulationConformance]:
    """Return a maker of the suite for one kind of bench."""

    class Suite(SimulationConformance):
        def make_simulation(self, seed: int) -> Simulation:
            return kind(seed)

    return Suite


def test_a_right_simulation_passes_as_the_planted_ones_are_run(failing: Failing) -> None:
    """What runs the suite on planted benches finds nothing wrong with a right one."""
    assert failing(suite_of(Right), "simulation") == set()


@pytest.mark.parametrize(("kind", "test"), PLANTED, ids=lambda v: getattr(v, "__name__", v))
def test_each_planted_simulation_fails_the_test_that_is_there_for_it(
    failing: Failing, kind: type[Right], test: str
) -> None:
    """Whatever else it fails as well."""
    assert test in failing(suite_of(kind), "simulation")


def test_no_test_of_the_suite_is_idle() -> None:
    """Each test of the suite is the one that a planted bench is there for."""
    tests = {n for n in dir(SimulationConformance) if n.startswith("test_")}
    assert tests == {test for _, test in PLANTED}
