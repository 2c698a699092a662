"""A scrambled Sobol sequence over the whole reach: random, but evenly spread."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector

__all__ = ["Sobol"]

_BLOCK = 256


@dataclass(slots=True)
class Sobol(Strategy):
    """Low-discrepancy places, independent of what was measured."""

    name: str = field(default="sobol", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at, without end."""
        from scipy.stats import qmc  # noqa: PLC0415

        span = problem.upper - problem.lower
        sequence = qmc.Sobol(len(span), scramble=True, rng=problem.rng)
        while True:
            for place in sequence.random(_BLOCK):
                yield problem.lower + place * span
