"""Every simulated bench of ours passes the suite of simulations."""

from __future__ import annotations

import pytest

from autoalign.core.interfaces import Simulation
from autoalign.plugins import names, plugin
from autoalign.testing import SimulationConformance

DARK = {"collimator-dark"}
"""Benches on which no detector sees the beam at the start."""


@pytest.mark.slow
@pytest.mark.parametrize("name", names("simulations"))
class TestOurs(SimulationConformance):
    """One after the other."""

    @pytest.fixture(autouse=True)
    def _named(self, name: str) -> None:
        self.name = name
        self.lit = name not in DARK

    @pytest.fixture
    def simulation(self, _named: None) -> Simulation:
        """Return the bench of that name."""
        return self.make_simulation(3)

    def make_simulation(self, seed: int) -> Simulation:
        """Return the bench of that name."""
        simulation: Simulation = plugin("simulations", self.name)(seed)
        return simulation


def test_the_suite_asks_for_a_simulation() -> None:
    """A subclass that makes no bench is told what to write."""
    with pytest.raises(NotImplementedError, match="say in make_simulation how"):
        SimulationConformance().make_simulation(0)
