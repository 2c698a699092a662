"""COBYQA, quadratic models in a trust region (Ragonneau and Zhang), scipy's, with restarts."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.scalar import ScaledBox
from autoalign.strategies.scipy_search import minimise

__all__ = ["Cobyqa"]


@dataclass(slots=True)
class Cobyqa(Strategy):
    """Trust-region search with quadratic models of the squared merit.

    Parameters
    ----------
    radius
        First trust radius in units of :attr:`Problem.scale`; halved at every restart.
    restarts
        New models about the best place so far.
    """

    radius: float = 2.0
    restarts: int = 5
    name: str = field(default="cobyqa", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at."""
        return minimise(problem, "COBYQA", self.restarts, 2, self._options)

    def _options(self, k: int, best: Vector, box: ScaledBox) -> dict[str, Any]:
        return {"initial_tr_radius": self.radius / 2**k, "final_tr_radius": 1e-3}
