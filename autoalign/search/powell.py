"""Powell's conjugate directions (Comput. J. 7, 1964), scipy's, with restarts."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np

from autoalign.search.base import Need, Observation, Problem, Vector
from autoalign.search.bridge import Ask, as_generator
from autoalign.search.scalar import Cost, ScaledBox

__all__ = ["Powell"]


@dataclass(slots=True)
class Powell:
    """Conjugate directions on the squared merit, which is a parabola where the bench is linear.

    Parameters
    ----------
    restarts
        Fresh sets of directions from the best place so far.
    """

    restarts: int = 5
    name: str = field(default="powell", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Observation, None]:
        """Yield positions to visit."""
        return as_generator(lambda ask: self._solve(problem, ask))

    def _solve(self, problem: Problem, ask: Ask) -> None:
        from scipy.optimize import Bounds, minimize  # noqa: PLC0415

        box, cost = ScaledBox(problem), Cost()
        best = np.zeros(box.count)
        for _ in range(1 + self.restarts):
            found = minimize(
                lambda u: cost(ask(box.real(u))) ** 2,
                best,
                method="Powell",
                bounds=Bounds(box.lower, box.upper),
                options={"xtol": 1e-2, "ftol": 1e-3, "maxfev": 10_000},
            )
            best = np.clip(np.asarray(found.x), box.lower, box.upper)
