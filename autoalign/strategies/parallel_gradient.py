"""Stochastic parallel gradient descent: all axes are tried at once, along a random direction.

M. A. Vorontsov and V. P. Sivokon, J. Opt. Soc. Am. A 15, 2745 (1998): u ← u − γ (J⁺ − J⁻) δ with δ
of ±σ on every axis, J⁺ and J⁻ measured at u ± δ. Gains fall as J. C. Spall advises for the same
scheme (IEEE Trans. Aerosp. Electron. Syst. 34, 817, 1998; exponents from memory).
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.scalar import Cost, ScaledBox, logarithm

__all__ = ["ParallelGradient"]

_GAIN_FALL, _STEP_FALL = 0.602, 0.101
"""Exponents by which gain and perturbation fall with the number of steps (Spall, from memory)."""


@dataclass(slots=True)
class ParallelGradient(Strategy):
    """Descent on the logarithm of the merit by two measurements a step, however many axes.

    Parameters
    ----------
    perturbation
        First σ in units of :attr:`Problem.scale`.
    gain
        γ: what a step is for each unit of the logarithm, in σ.
    longest
        Longest step on an axis, in σ.
    """

    perturbation: float = 0.7
    gain: float = 6.0
    longest: float = 3.0
    name: str = field(default="parallel-gradient", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at, without end."""
        box, cost = ScaledBox(problem), Cost()
        cost(problem.first)
        u, step = box.scaled(problem.start), 0
        while True:
            step += 1
            sigma = self.perturbation / step**_STEP_FALL
            delta = sigma * problem.rng.choice([-1.0, 1.0], box.count)
            ahead = logarithm(cost((yield box.real(u + delta))))
            behind = logarithm(cost((yield box.real(u - delta))))
            size = self.gain / step**_GAIN_FALL * (ahead - behind)
            u = u - np.clip(size, -self.longest, self.longest) * delta
            u = np.clip(u, box.lower, box.upper)
