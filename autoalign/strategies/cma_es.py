"""CMA-ES (N. Hansen, arXiv:1604.00772) of the package cmaes, with restarts."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np

from autoalign.core.foreign import require_extra
from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.scalar import Cost, ScaledBox

__all__ = ["CmaEs"]

require_extra("strategy cma-es", "strategies", "cmaes")


@dataclass(slots=True)
class CmaEs(Strategy):
    """Evolution strategy with an adapted covariance, on the merit.

    Parameters
    ----------
    spread
        First standard deviation in units of :attr:`Problem.scale`.
    restarts
        New populations about the best place so far.
    """

    spread: float = 3.0
    restarts: int = 10
    name: str = field(default="cma-es", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at."""
        from cmaes import CMA  # noqa: PLC0415

        box, cost = ScaledBox(problem), Cost()
        best, least = np.zeros(box.count), cost(problem.first)
        for _ in range(1 + self.restarts):
            search = CMA(
                mean=best,
                sigma=self.spread,
                bounds=np.column_stack([box.lower, box.upper]),
                seed=int(problem.rng.integers(2**31)),
            )
            while not search.should_stop():
                told = []
                for _ in range(search.population_size):
                    u = search.ask()
                    value = cost((yield box.real(u)))
                    told.append((u, value))
                    if value < least:
                        best, least = u, value
                search.tell(told)
