"""The simplex of Nelder and Mead (Comput. J. 7, 1965), scipy's, with restarts."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np

from autoalign.search.base import Need, Observation, Problem, Vector
from autoalign.search.bridge import Ask, as_generator
from autoalign.search.scalar import Cost, ScaledBox

__all__ = ["NelderMead"]


@dataclass(slots=True)
class NelderMead:
    """Simplex search on the merit.

    Parameters
    ----------
    size
        Edge of the first simplex in units of :attr:`Problem.scale`; halved at every restart.
    restarts
        New simplexes about the best place so far, where the last one has shrunk to nothing.
    """

    size: float = 2.0
    restarts: int = 10
    name: str = field(default="nelder-mead", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Observation, None]:
        """Yield positions to visit."""
        return as_generator(lambda ask: self._solve(problem, ask))

    def _solve(self, problem: Problem, ask: Ask) -> None:
        from scipy.optimize import Bounds, minimize  # noqa: PLC0415

        box, cost = ScaledBox(problem), Cost()
        best = np.zeros(box.count)
        known = {tuple(best): cost(problem.first)}

        def function(u: Vector) -> float:
            if tuple(u) not in known:
                known[tuple(u)] = cost(ask(box.real(u)))
            return known[tuple(u)]

        for k in range(1 + self.restarts):
            edges = np.diag(box.steps(best, self.size / 2**k))
            found = minimize(
                function,
                best,
                method="Nelder-Mead",
                bounds=Bounds(box.lower, box.upper),
                options={
                    "initial_simplex": np.vstack([best, best + edges]),
                    "adaptive": True,
                    "xatol": 1e-3,
                    "fatol": 1e-3,
                    "maxfev": 10_000,
                },
            )
            best = np.asarray(found.x)
