"""For benches without a model: a response matrix as long as it helps, else a wider search.

The response matrix needs few measurements where residuals change evenly with the axes. Where they
do not (the power through a fibre is flat far off and has a peak) a Gaussian process of the merit
over the whole reach finds better places, from which the matrix goes on.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.bayesian import Surrogate
from autoalign.strategies.descent import Descent, ScanMeasurement
from autoalign.strategies.recover import recover
from autoalign.strategies.response_matrix import residuals

__all__ = ["WithoutModel"]


@dataclass(slots=True)
class WithoutModel(Strategy):
    """Response matrix and Bayesian search in turns.

    Parameters
    ----------
    patience
        Measurements without an improvement before a descent ends.
    better
        A place found by the wider search is descended from once its merit is at most this share of
        the best before.
    first, kept
        As of :class:`~autoalign.strategies.bayesian.Bayesian`.
    """

    patience: int = 2
    better: float = 0.8
    first: int = 8
    kept: int = 120
    name: str = field(default="without-model", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.RESIDUALS}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at."""
        best = problem.first
        if not best.ok:
            best = yield from recover(problem, best)
        if not best.ok:
            return
        surrogate = Surrogate(problem, self.first, self.kept)
        surrogate.tell(best)
        push = 1.0
        while True:
            reached = yield from self._descend(problem, best, surrogate, push)
            push = push / 2 if reached.merit < best.merit else push
            best = reached
            goal = self.better * best.merit
            while not (best.ok and best.merit <= goal):
                seen = yield surrogate.ask()
                surrogate.tell(seen)
                best = seen if seen.ok and seen.merit < best.merit else best

    def _descend(
        self, problem: Problem, best: Measurement, surrogate: Surrogate, push: float
    ) -> ScanMeasurement:
        """Descend from ``best``, adding every measurement to the surrogate; return the best."""
        descent = Descent(
            problem, best, residuals, lambda s: s.noise, lambda s: s.in_spec,
            push=push, patience=self.patience,
        )  # fmt: skip
        measurements = descent.run()
        try:
            target = next(measurements)
            while True:
                seen = yield target
                surrogate.tell(seen)
                best = seen if seen.ok and seen.merit < best.merit else best
                target = measurements.send(seen)
        except StopIteration:
            return best
