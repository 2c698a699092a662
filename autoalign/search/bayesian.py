"""Bayesian optimisation with a Gaussian process; the one place that uses scikit-optimize."""

from __future__ import annotations

import math
import warnings
from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from autoalign.search.base import Need, Observation, Problem, Vector
from autoalign.search.scalar import Cost, ScaledBox

__all__ = ["Bayesian"]


@dataclass(slots=True)
class Bayesian:
    """Expected improvement on the logarithm of the merit.

    Parameters
    ----------
    first
        Random places before the model is used.
    memory
        How many looks the model is made of, the best and the latest; bounds its own time.
    """

    first: int = 8
    memory: int = 120
    name: str = field(default="bayesian", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Observation, None]:
        """Yield positions to visit."""
        box, cost = ScaledBox(problem), Cost()
        told = [([0.0] * box.count, _told(cost, problem.first))]
        model = self._model(problem, box, told)
        while True:
            point = _limited(model.ask)
            u = np.array(point, dtype=np.float64)
            told.append((_inside(u, box), _told(cost, (yield box.real(u)))))
            if len(told) > self.memory:
                told = _worth_keeping(told, self.memory // 2)
                model = self._model(problem, box, told)
            else:
                _limited(model.tell, *told[-1])

    def _model(
        self, problem: Problem, box: ScaledBox, told: list[tuple[list[float], float]]
    ) -> Any:
        from skopt import Optimizer  # noqa: PLC0415

        model = Optimizer(
            list(zip(box.lower.tolist(), box.upper.tolist(), strict=True)),
            base_estimator="GP",
            n_initial_points=max(self.first - len(told) + 1, 0),
            acq_func="EI",
            random_state=int(problem.rng.integers(2**31)),
        )
        points, values = zip(*told, strict=True)
        _limited(model.tell, list(points), list(values))
        return model


def _told(cost: Cost, seen: Observation) -> float:
    return math.log(max(cost(seen), 1e-6))


def _inside(u: Vector, box: ScaledBox) -> list[float]:
    clipped: list[float] = np.clip(u, box.lower, box.upper).tolist()
    return clipped


def _worth_keeping(
    told: list[tuple[list[float], float]], count: int
) -> list[tuple[list[float], float]]:
    """Return the ``count`` best and the latest quarter of that, in order, none twice."""
    latest = range(len(told) - count // 4, len(told))
    best = sorted(range(len(told)), key=lambda k: told[k][1])[:count]
    return [told[k] for k in sorted({*best, *latest})]


def _limited(function: Any, *arguments: Any) -> Any:
    """Call with one BLAS thread, and without the fit's complaints about its own bounds."""
    from threadpoolctl import threadpool_limits  # noqa: PLC0415

    with threadpool_limits(1), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return function(*arguments)
