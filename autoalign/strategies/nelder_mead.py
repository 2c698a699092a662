"""The simplex of Nelder and Mead (Comput. J. 7, 1965), scipy's, with restarts."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.scalar import ScaledBox
from autoalign.strategies.scipy_search import minimise

__all__ = ["NelderMead"]


@dataclass(slots=True)
class NelderMead(Strategy):
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

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at."""
        return minimise(problem, "Nelder-Mead", self.restarts, 1, self._options)

    def _options(self, k: int, best: Vector, box: ScaledBox) -> dict[str, Any]:
        edges = np.diag(box.steps(best, self.size / 2**k))
        simplex = np.vstack([best, best + edges])
        return {"initial_simplex": simplex, "adaptive": True, "xatol": 1e-3, "fatol": 1e-3}
