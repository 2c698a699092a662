"""COBYQA, quadratic models in a trust region (Ragonneau and Zhang), scipy's, with restarts."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np

from autoalign.search.base import Need, Observation, Problem, Vector
from autoalign.search.bridge import Ask, as_generator
from autoalign.search.scalar import Cost, ScaledBox

__all__ = ["Cobyqa"]


@dataclass(slots=True)
class Cobyqa:
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

    def propose(self, problem: Problem) -> Generator[Vector, Observation, None]:
        """Yield positions to visit."""
        return as_generator(lambda ask: self._solve(problem, ask))

    def _solve(self, problem: Problem, ask: Ask) -> None:
        from scipy.optimize import Bounds, minimize  # noqa: PLC0415

        box, cost = ScaledBox(problem), Cost()
        best = np.zeros(box.count)
        for k in range(1 + self.restarts):
            found = minimize(
                lambda u: cost(ask(box.real(u))) ** 2,
                best,
                method="COBYQA",
                bounds=Bounds(box.lower, box.upper),
                options={
                    "initial_tr_radius": self.radius / 2**k,
                    "final_tr_radius": 1e-3,
                    "maxfev": 10_000,
                },
            )
            best = np.clip(np.asarray(found.x), box.lower, box.upper)
