"""Every strategy of ours that needs no layout passes the suite of strategies."""

from __future__ import annotations

from typing import Any

import pytest

from autoalign.plugins import names, plugin
from autoalign.strategies.base import Need, Strategy
from autoalign.strategies.bayesian import Bayesian
from autoalign.testing import StrategyConformance

NAMES = [n for n in names("strategies") if Need.LAYOUT not in plugin("strategies", n)().needs]
SLOW = {"bayesian": 7, "composite-bayesian": 14, "trust-region": 20, "without-model": 14}
"""Measurements for those whose every step is a fit of all before: a few tell as much."""


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
class TestOurs(StrategyConformance):
    """One after the other."""

    @pytest.fixture(autouse=True)
    def _named(self, name: str) -> None:
        self.name = name
        self.budget = SLOW.get(name, StrategyConformance.budget)

    @pytest.fixture
    def strategy(self, _named: None) -> Strategy:
        """Return the strategy of that name."""
        return self.make_strategy()

    def make_strategy(self) -> Strategy:
        """Return it; one that learns slowly with a short beginning."""
        if self.name == "bayesian":
            return Bayesian(first=6, kept=6)
        strategy: Strategy = plugin("strategies", self.name)()
        return strategy


def test_the_suite_asks_for_a_strategy() -> None:
    """A subclass that makes no strategy is told what to write."""
    with pytest.raises(NotImplementedError, match="say in make_strategy how"):
        StrategyConformance().make_strategy()


def test_every_strategy_without_a_layout_is_there() -> None:
    """None is left out, whatever is added."""
    left: set[Any] = set(names("strategies")) - set(NAMES)
    assert left == {"model"}
    assert set(NAMES) >= set(SLOW)
