"""Powell's conjugate directions (Comput. J. 7, 1964), scipy's, with restarts."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.scalar import ScaledBox
from autoalign.strategies.scipy_search import minimise

__all__ = ["Powell"]


@dataclass(slots=True)
class Powell(Strategy):
    """Conjugate directions on the squared merit, a parabola where the bench is linear.

    Parameters
    ----------
    restarts
        Fresh sets of directions from the best place so far.
    """

    restarts: int = 5
    name: str = field(default="powell", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at."""
        return minimise(problem, "Powell", self.restarts, 2, self._options)

    def _options(self, k: int, best: Vector, box: ScaledBox) -> dict[str, Any]:
        return {"xtol": 1e-2, "ftol": 1e-3}
