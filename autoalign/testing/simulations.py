"""What every simulated bench must do. Authors subclass :class:`SimulationConformance`."""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np
import pytest

from autoalign.core.errors import UnknownNameError
from autoalign.core.interfaces import Detector, Exposure, Simulation, Stage
from autoalign.testing.detectors import contents

__all__ = ["SimulationConformance"]


class SimulationConformance:
    """Tests that every :class:`~autoalign.core.interfaces.Simulation` passes; run by pytest.

    Subclass it under a name that begins with ``Test`` and say how to make a bench from a seed::

        class TestMyBench(SimulationConformance):
            def make_simulation(self, seed):
                return simulate(seed)

    =========================  =============================================================
    member                     override to…
    =========================  =============================================================
    :meth:`make_simulation`    make the bench
    :attr:`lit`                say False of a bench on which a first move shows nothing
    :attr:`share`              move less of the travel than a quarter
    =========================  =============================================================
    """

    lit: ClassVar[bool] = True
    share: ClassVar[float] = 0.25

    def make_simulation(self, seed: int) -> Simulation:
        """Return the bench of ``seed``."""
        raise NotImplementedError(
            f"{type(self).__name__}: say in make_simulation how to make a bench."
        )

    @pytest.fixture
    def simulation(self) -> Simulation:
        """Return the bench of seed 3."""
        return self.make_simulation(3)

    def test_is_a_simulation(self, simulation: Simulation) -> None:
        """Stages and detectors go by their own names, and there is a truth."""
        assert isinstance(simulation, Simulation)
        assert simulation.stages
        assert simulation.detectors
        assert all(isinstance(s, Stage) and s.name == n for n, s in simulation.stages.items())
        assert all(isinstance(d, Detector) and d.name == n for n, d in simulation.detectors.items())
        assert simulation.truth is not None
        simulation.close()

    def test_the_seed_is_the_world(self, simulation: Simulation) -> None:
        """The same seed shows the same, another one something else, whatever chance is global."""
        np.random.seed(1)  # noqa: NPY002 - what a simulation must not depend on
        first = self.seen(simulation)
        np.random.seed(2)  # noqa: NPY002
        assert _same(first, self.seen(self.make_simulation(3)))
        assert not _same(first, self.seen(self.make_simulation(4)))

    def test_worlds_do_not_share(self, simulation: Simulation) -> None:
        """What moves in one world does not move in another."""
        alone = self.make_simulation(3)
        places, seen = _places(alone), self.seen(alone)
        beside = self.make_simulation(3)
        self.move(simulation)
        assert _places(beside) == places
        assert _same(self.seen(beside), seen)

    def test_motion_is_seen(self, simulation: Simulation) -> None:
        """A move changes what some detector shows, and its readback."""
        still = self.make_simulation(3)
        before = _places(simulation)
        self.move(simulation)
        assert _places(simulation) != before
        still.clock.sleep(simulation.clock.now() - still.clock.now())
        if self.lit:
            assert not _same(self.seen(simulation), self.seen(still))

    def test_time_is_its_own(self, simulation: Simulation) -> None:
        """Exposures are dated on its clock, and its time passes while they are taken."""
        began = simulation.clock.now()
        for exposure in self.seen(simulation).values():
            assert exposure.started is not None
            assert exposure.ended is not None
            assert began <= exposure.started <= exposure.ended <= simulation.clock.now()

    def test_serves_its_controllers(self, simulation: Simulation) -> None:
        """Each has a port of its own; closing ends them all, and may be repeated."""
        ports = [simulation.serve(name, "loop") for name in simulation.stages]
        assert all(isinstance(port, str) and port for port in ports)
        assert len(set(ports)) == len(ports)
        with pytest.raises(UnknownNameError, match=r"no\.such"):
            simulation.serve("no.such", "loop")
        simulation.close()
        simulation.close()

    def seen(self, simulation: Simulation) -> dict[str, Exposure]:
        """Return one exposure of every detector."""
        taken = {}
        for name, detector in simulation.detectors.items():
            now = simulation.clock.now()
            (taken[name],) = detector.acquire(1, now, now + 60.0)
        return taken

    def move(self, simulation: Simulation) -> None:
        """Move the first axis of every stage by :attr:`share` of its travel, and wait."""
        for stage in simulation.stages.values():
            name, axis = next(iter(stage.axes.items()))
            here = stage.status(name).position
            up = here + self.share * axis.travel
            stage.start_move(name, up if up <= axis.upper else here - self.share * axis.travel)
            deadline = simulation.clock.now() + 600.0
            while stage.status(name).moving:
                assert simulation.clock.now() < deadline, f"{name} moves for ever"
                simulation.clock.sleep(0.1)


def _places(simulation: Simulation) -> dict[str, float]:
    return {n: s.status(n).position for s in simulation.stages.values() for n in s.axes}


def _same(first: dict[str, Exposure], second: dict[str, Exposure]) -> bool:
    pairs: list[tuple[Any, Any]] = [(contents(first[n]), contents(second[n])) for n in first]
    return all(np.array_equal(a, b) for a, b in pairs)
