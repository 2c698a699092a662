"""What optimisers of one number see of a problem: scaled axes, and a finite cost everywhere."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.strategies.base import Measurement, Problem, Vector
from autoalign.strategies.recover import centroids, visible

__all__ = ["Cost", "ScaledBox", "logarithm"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ScaledBox:
    """Positions as u = (x − start)/scale: plain numbers in which a first step is about 1."""

    problem: Problem

    @property
    def count(self) -> int:
        """How many axes."""
        return len(self.problem.axes)

    @property
    def lower(self) -> Floats:
        """(n,) smallest reachable u."""
        return self.scaled(self.problem.lower)

    @property
    def upper(self) -> Floats:
        """(n,) largest reachable u."""
        return self.scaled(self.problem.upper)

    def scaled(self, positions: Vector) -> Floats:
        """Return u of ``positions`` (n,), mm or rad."""
        u: Floats = (positions - self.problem.start) / self.problem.scale
        return u

    def real(self, u: Floats) -> Vector:
        """Return the reachable positions closest to ``u``."""
        return self.problem.clip(self.problem.start + np.asarray(u) * self.problem.scale)

    def steps(self, u: Floats, size: float = 1.0) -> Floats:
        """Return a step of ``size`` on each axis (n,), signed towards the wider side of ``u``."""
        roomy = self.upper - u >= np.minimum(size, u - self.lower)
        return np.where(roomy, size, -size)


@dataclass(slots=True)
class Cost:
    """The merit, also where the spec could not be judged: worse than anything judged so far.

    What can still be seen makes the difference: the farther out, the worse; nothing is worst.
    """

    worst: float = 1.0

    def __call__(self, seen: Measurement) -> float:
        """Return the cost of ``seen``; always finite."""
        if seen.ok:
            self.worst = max(self.worst, seen.merit)
            return seen.merit
        planes = visible(seen)
        if not planes:
            return 20 * self.worst
        places = centroids(seen, planes)
        assert places is not None
        away = float(np.sqrt(np.mean(places**2)))
        return self.worst * (2 + 8 * away / (away + 10.0))


def logarithm(cost: float) -> float:
    """Return the natural logarithm of ``cost``, which is taken to be at least a millionth."""
    return math.log(max(cost, 1e-6))
