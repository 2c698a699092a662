"""Random places in the whole reach: what any search must beat."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector

__all__ = ["Random"]


@dataclass(slots=True)
class Random(Strategy):
    """Evenly distributed, independent of what was measured."""

    name: str = field(default="random", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at, without end."""
        span = problem.upper - problem.lower
        while True:
            yield problem.lower + problem.rng.random(len(span)) * span
