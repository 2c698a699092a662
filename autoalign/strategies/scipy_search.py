"""What the searches of scipy.optimize.minimize share: scaled axes, bounds, restarts, memory."""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import Any

import numpy as np

from autoalign.strategies.base import Measurement, Problem, Vector
from autoalign.strategies.bridge import Ask, as_generator
from autoalign.strategies.scalar import Cost, ScaledBox

__all__ = ["minimise"]

Options = Callable[[int, Vector, ScaledBox], dict[str, Any]]


def minimise(
    problem: Problem, method: str, restarts: int, power: int, options: Options
) -> Generator[Vector, Measurement, None]:
    """Yield the positions that scipy's ``method`` asks for.

    Parameters
    ----------
    problem
        What to solve.
    method
        As scipy names it.
    restarts
        Fresh beginnings at the best place of the last run, where that has ended.
    power
        Of the merit that is minimised.
    options
        Return scipy's options for restart k from u (n,) in the scaled box.
    """
    return as_generator(lambda ask: _solve(problem, ask, method, restarts, power, options))


def _solve(
    problem: Problem, ask: Ask, method: Any, restarts: int, power: int, options: Options
) -> None:
    from scipy.optimize import Bounds, minimize  # noqa: PLC0415

    box, cost = ScaledBox(problem), Cost()
    best = np.zeros(box.count)
    known = {tuple(best): cost(problem.first) ** power}

    def function(u: Vector) -> float:
        if tuple(u) not in known:
            known[tuple(u)] = cost(ask(box.real(u))) ** power
        return known[tuple(u)]

    for k in range(1 + restarts):
        settings: Any = {**options(k, best, box), "maxfev": 10_000}
        found = minimize(
            function, best, method=method, bounds=Bounds(box.lower, box.upper), options=settings
        )
        best = np.clip(np.asarray(found.x, dtype=np.float64), box.lower, box.upper)
