"""Bayesian optimisation with a Gaussian process; the one place that uses scikit-optimize."""

from __future__ import annotations

import warnings
from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.scalar import Cost, ScaledBox, logarithm

__all__ = ["Bayesian", "Surrogate"]

Floats = npt.NDArray[np.float64]


@dataclass(slots=True)
class Bayesian(Strategy):
    """Expected improvement on the logarithm of the merit.

    Parameters
    ----------
    first
        Random places before the model is used.
    kept
        How many measurements the model is made of, the best and the latest; bounds its own time.
    """

    first: int = 8
    kept: int = 120
    name: str = field(default="bayesian", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at."""
        surrogate = Surrogate(problem, self.first, self.kept)
        surrogate.tell(problem.first)
        while True:
            surrogate.tell((yield surrogate.ask()))


class Surrogate:
    """A Gaussian process of the merit over the axes: given measurements, asked for the next place.

    ``first`` and ``kept`` as of :class:`Bayesian`.
    """

    def __init__(self, problem: Problem, first: int, kept: int) -> None:
        self._problem, self._first, self._kept = problem, first, kept
        self._box, self._cost = ScaledBox(problem), Cost()
        self._told: list[tuple[list[float], float]] = []
        self._waiting: list[tuple[list[float], float]] = []
        self._model: Any = None
        self._asked: Floats | None = None

    def ask(self) -> Vector:
        """Return the next place to measure at, mm and rad."""
        if self._model is None:
            self._model = self._fresh()
        elif self._waiting:
            points, values = zip(*self._waiting, strict=True)
            _limited(self._model.tell, list(points), list(values))
        self._waiting.clear()
        self._asked = np.array(_limited(self._model.ask), dtype=np.float64)
        return self._box.real(self._asked)

    def tell(self, seen: Measurement) -> None:
        """Take a measurement into account at the next question, whether it was asked for or not.

        What was asked for counts at the place that was asked, so that a grid of steps or a
        readback does not blur the model.
        """
        u = self._box.scaled(seen.positions) if self._asked is None else self._asked
        self._asked = None
        self._told.append((_inside(u, self._box), logarithm(self._cost(seen))))
        self._waiting.append(self._told[-1])
        if len(self._told) > self._kept:
            self._told = _worth_keeping(self._told, self._kept // 2)
            self._model = None

    def _fresh(self) -> Any:
        from skopt import Optimizer  # noqa: PLC0415

        box = self._box
        model = Optimizer(
            list(zip(box.lower.tolist(), box.upper.tolist(), strict=True)),
            base_estimator="GP",
            n_initial_points=max(self._first - len(self._told) + 1, 0),
            acq_func="EI",
            random_state=int(self._problem.rng.integers(2**31)),
        )
        points, values = zip(*self._told, strict=True)
        _limited(model.tell, list(points), list(values))
        return model


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
