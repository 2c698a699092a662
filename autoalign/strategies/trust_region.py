"""Bayesian optimisation in a trust region that grows with success and shrinks without.

D. Eriksson, M. Pearce, J. Gardner, R. D. Turner and M. Poloczek, Scalable Global Optimization via
Local Bayesian Optimization (NeurIPS 2019; constants from memory), with one region and one
measurement at a time: Thompson sampling on candidates in a box about the best place, its sides in
the ratio of the kernel's lengths.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.gaussian_process import GaussianProcess, worth_keeping
from autoalign.strategies.scalar import Cost, ScaledBox, logarithm

__all__ = ["TrustRegion"]

Floats = npt.NDArray[np.float64]

_FIRST, _LEAST, _MOST = 0.8, 2.0**-7, 1.6
"""Side of the region over the reach: at first, at which the search begins anew, and at most."""

_SUCCESSES = 3
"""Improvements in a row after which the side doubles."""


@dataclass(slots=True)
class TrustRegion(Strategy):
    """Trust-region Bayesian optimisation of the merit's logarithm.

    Parameters
    ----------
    first
        Places before the model is used, for each axis; drawn from the region about the start.
    kept
        How many of the best and latest measurements the model is made of.
    candidates
        Places that are drawn from for each proposal.
    """

    first: int = 2
    kept: int = 60
    candidates: int = 200
    name: str = field(default="trust-region", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at, without end."""
        box, cost = ScaledBox(problem), Cost()
        low, span = box.lower, box.upper - box.lower
        rng, n = problem.rng, box.count

        def unit(u: Floats) -> Floats:
            return (u - low) / span

        best = unit(box.scaled(problem.start))
        least = logarithm(cost(problem.first))
        while True:
            x, y = [best], [least]
            side, wins, losses, lengths = _FIRST / 4, 0, 0, np.zeros(n + 1)
            while side >= _LEAST:
                if len(x) <= self.first * n:
                    place = np.clip(best + side * rng.uniform(-0.5, 0.5, n), 0, 1)
                else:
                    keep = worth_keeping(y, self.kept)
                    process = GaussianProcess(
                        np.array(x)[keep], np.array(y)[keep, None], lengths, len(x) % 3 == 0
                    )
                    lengths = process.lengths
                    place = self._drawn(process, best, side, rng)
                value = logarithm(cost((yield box.real(low + place * span))))
                x.append(place)
                y.append(value)
                better = value < least - 1e-3 * abs(least)
                if value < least:
                    best, least = place, value
                if len(x) <= self.first * n + 1:
                    continue
                wins, losses = (wins + 1, 0) if better else (0, losses + 1)
                if wins == _SUCCESSES:
                    side, wins = min(2 * side, _MOST), 0
                elif losses >= max(4, n):
                    side, losses = side / 2, 0

    def _drawn(
        self, process: GaussianProcess, best: Floats, side: float, rng: np.random.Generator
    ) -> Floats:
        """Return the best of one draw of the process over candidates in the region."""
        n = len(best)
        weights = np.exp(process.lengths[:-1] - process.lengths[:-1].mean())
        half = np.clip(side * weights / 2, 1e-4, 1.0)
        low, high = np.maximum(best - half, 0), np.minimum(best + half, 1)
        places = low + (high - low) * rng.uniform(size=(self.candidates, n))
        # Some axes stay where they are, as the paper has it, beyond about twenty axes.
        stay = rng.uniform(size=places.shape) > min(1.0, 20 / n)
        places = np.where(stay, best, places)
        return np.asarray(places[int(np.argmin(process.drawn(places, rng)[:, 0]))])
