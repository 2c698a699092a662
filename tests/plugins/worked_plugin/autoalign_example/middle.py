"""A strategy: try the middle of the travel."""

from __future__ import annotations

from collections.abc import Generator, Sequence

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector


class Middle(Strategy):
    """Goes to the middle of every axis, and no further."""

    name = "example-middle"
    needs = frozenset({Need.MERIT})

    def propose(self, problem: Problem) -> Generator[Sequence[float] | Vector, Measurement, None]:
        """Yield one position."""
        yield (problem.lower + problem.upper) / 2
