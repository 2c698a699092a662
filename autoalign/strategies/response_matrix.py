"""Response matrix: push each axis a little, then damped least squares, learning all the way.

Needs no model of the bench; works with any residual vector.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.descent import Descent
from autoalign.strategies.recover import recover

__all__ = ["ResponseMatrix", "residuals"]


@dataclass(slots=True)
class ResponseMatrix(Strategy):
    """Damped least squares on a measured response matrix.

    Parameters
    ----------
    push
        First step on each axis, in units of :attr:`Problem.scale`.
    restarts
        How often the matrix may be measured again where the search is stuck; each time with
        pushes half as large.
    """

    push: float = 1.0
    restarts: int = 4
    name: str = field(default="response-matrix", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.RESIDUALS}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at."""
        seen = problem.first
        for k in range(1 + self.restarts):
            if not seen.ok:
                seen = yield from recover(problem, seen)
            if not seen.ok:
                return
            push = self.push / 2**k
            descent = Descent(problem, seen, residuals, _noise, _in_spec, push=push)
            last = yield from descent.run()
            if last.in_spec:
                return
            seen = descent.seen


def residuals(seen: Measurement) -> npt.NDArray[np.float64] | None:
    """Return the residual vector; None where the spec could not be judged."""
    return seen.verdict.residuals if seen.verdict is not None else None


def _noise(seen: Measurement) -> float:
    return seen.noise


def _in_spec(seen: Measurement) -> bool:
    return seen.in_spec
