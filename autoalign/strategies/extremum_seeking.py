"""Extremum seeking: every axis dithers at a frequency of its own, and follows what answers to it.

K. B. Ariyur and M. Krstić, Real-Time Optimization by Extremum-Seeking Control (Wiley, 2003), in
discrete time: u_i = û_i + a sin ω_i k; the cost less its running mean, times sin ω_i k, is an
estimate of the slope along axis i, and û_i goes against it.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.scalar import Cost, ScaledBox, logarithm

__all__ = ["ExtremumSeeking", "frequencies"]

Floats = npt.NDArray[np.float64]


@dataclass(slots=True)
class ExtremumSeeking(Strategy):
    """Sinusoidal dither on the logarithm of the merit.

    Parameters
    ----------
    amplitude
        Of the dither, in units of :attr:`Problem.scale`.
    gain
        What an axis moves for each unit of the slope's estimate, in amplitudes.
    forget
        Share of the running mean that each measurement replaces: the corner of the high-pass.
    decay
        Share of the amplitude that each measurement leaves.
    """

    amplitude: float = 1.0
    gain: float = 1.6
    forget: float = 0.3
    decay: float = 0.995
    name: str = field(default="extremum-seeking", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.MERIT}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at, without end."""
        box, cost = ScaledBox(problem), Cost()
        omega = frequencies(box.count)
        phase = problem.rng.uniform(0, 2 * math.pi, box.count)
        mean = logarithm(cost(problem.first))
        middle, size, k = box.scaled(problem.start), self.amplitude, 0
        while True:
            k += 1
            dither = np.sin(omega * k + phase)
            value = logarithm(cost((yield box.real(middle + size * dither))))
            middle = middle - self.gain * size * (value - mean) * dither
            middle = np.clip(middle, box.lower, box.upper)
            mean += self.forget * (value - mean)
            size *= self.decay


def frequencies(count: int) -> Floats:
    """Return (count,) dither frequencies, rad per measurement, all different and below π.

    Spread by the golden ratio, so that no two add up to a third, which would mix their slopes.
    """
    golden = (math.sqrt(5) - 1) / 2
    return np.asarray(math.pi * (0.2 + 0.7 * ((np.arange(count) + 0.5) * golden % 1)))
