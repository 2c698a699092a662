"""Damped least squares on a response matrix that is measured on the way.

Axes are pushed one after another, each from where the last push ended, and only until those pushed
promise to bring every residual to its goal; an axis that is not needed is not touched.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.model.bounded import bounded_least_squares
from autoalign.strategies.base import Measurement, Problem, Vector

__all__ = ["Descent", "ResponseEstimate", "ScanMeasurement"]

Floats = npt.NDArray[np.float64]

# A response matrix that is learnt from every measurement, noise and nonlinearity considered.
#
# Recursive least squares on differences: Δr = J Δu + noise, each row of J with the same prior
# covariance P. Where P is round and the noise small this is Broyden's rank-one update (C. G.
# Broyden, Math. Comp. 19, 1965); a forward difference along a fresh axis sets its column.


@dataclass(slots=True, eq=False)
class ResponseEstimate:
    """Estimate of J (m, n) in residuals per unit of the scaled axes, and P (n, n) of its rows.

    Parameters
    ----------
    residuals, axes
        m and n.
    unknown
        Standard deviation of a column that nothing is known of.
    wander
        By how much of itself J may change over a step of length 1; keeps the estimate awake.
    """

    residuals: int
    axes: int
    unknown: float = 1e3
    wander: float = 0.01
    matrix: Floats = field(init=False)
    covariance: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.matrix = np.zeros((self.residuals, self.axes))
        self.covariance = self.unknown**2 * np.eye(self.axes)

    def learn(self, step: Floats, change: Floats, noise: float) -> None:
        """Take in that ``step`` (n,) changed the residuals by ``change`` (m,) ± ``noise``."""
        if not step.any():
            return
        size = float(np.sqrt(np.mean(self.matrix**2)))
        self.covariance += (
            (self.wander * size) ** 2 * min(float(step @ step), 1.0) * np.eye(self.axes)
        )
        spread = self.covariance @ step
        doubt = 2 * noise**2 + 1e-12
        gain = spread / (max(float(step @ spread), 0.0) + doubt)
        self.matrix += np.outer(change - self.matrix @ step, gain)
        # Joseph's form stays positive where what is left is a millionth of a millionth.
        left = np.eye(self.axes) - np.outer(gain, step)
        self.covariance = left @ self.covariance @ left.T + doubt * np.outer(gain, gain)

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        """(n,) which axes have been pushed."""
        known: npt.NDArray[np.bool_] = np.diag(self.covariance) < (self.unknown / 2) ** 2
        return known

    def step(self, residuals: Floats, damping: float, lower: Floats, upper: Floats) -> Floats:
        """Return the step u (n,) within ``lower``, ``upper`` of the least expected square.

        The expectation of |r + J u|² over what J may be is |r + Ĵ u|² + m uᵀ P u; |damping · u|²
        comes on top.
        """
        count = self.axes
        values, vectors = np.linalg.eigh(self.covariance)  # rounding may leave some below 0
        root = (vectors * np.sqrt(np.maximum(values, 0.0))).T
        system = np.vstack([self.matrix, np.sqrt(self.residuals) * root, damping * np.eye(count)])
        right = np.concatenate([-residuals, np.zeros(2 * count)])
        return bounded_least_squares(system, right, lower, upper)

    def promise(self, residuals: Floats, step: Floats) -> float:
        """Return the largest residual that is left if J is right."""
        return float(np.max(np.abs(residuals + self.matrix @ step)))


ScanMeasurement = Generator[Vector, Measurement, Measurement]


@dataclass(slots=True, eq=False)
class Descent:
    """One descent from ``seen``; positions are scaled to u = (x − start)/scale.

    Parameters
    ----------
    problem, seen
        What to solve, and where to begin; ``features(seen)`` must not be None.
    features
        Residuals (m,) of a measurement in units of their tolerance; None where not measurable.
    noise
        Standard uncertainty of the residuals of a measurement.
    done
        Whether a measurement is all that is wanted.
    push
        First step on each axis, in units of the problem's scale.
    goal
        Every residual below this is worth a try.
    patience
        Measurements without an improvement before the descent ends.
    """

    problem: Problem
    seen: Measurement
    features: Callable[[Measurement], Floats | None]
    noise: Callable[[Measurement], float]
    done: Callable[[Measurement], bool]
    push: float = 1.0
    goal: float = 0.5
    patience: int = 4
    response: ResponseEstimate = field(init=False)
    _u: Floats = field(init=False)
    _r: Floats = field(init=False)
    _damping: float = 0.0
    _reach: float = np.inf
    _skipped: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        r = self.features(self.seen)
        assert r is not None
        self._r, self._u = r, self._scaled(self.seen.positions)
        self.response = ResponseEstimate(len(r), len(self.problem.axes))

    def run(self) -> ScanMeasurement:
        """Yield positions; return the last measurement: done, or the descent is stuck."""
        failures = 0
        last = self.seen
        while failures < self.patience:
            step = self._step()
            axis = self._next_axis()
            if axis is not None and self._poor(step, failures):
                last = yield from self._push(axis)
            else:
                before = float(self._r @ self._r)
                last = yield from self._try(step)
                failures = 0 if float(self._r @ self._r) < 0.8 * before else failures + 1
            if self.done(last):
                break
        return last

    def _step(self) -> Floats:
        lower = np.maximum(self._scaled(self.problem.lower) - self._u, -self._reach)
        upper = np.minimum(self._scaled(self.problem.upper) - self._u, self._reach)
        return self.response.step(self._r, self._damping, lower, np.maximum(upper, lower))

    def _next_axis(self) -> int | None:
        """Return the first axis that has not been pushed yet."""
        fresh = [k for k in np.flatnonzero(~self.response.known) if k not in self._skipped]
        return int(fresh[0]) if fresh else None

    def _poor(self, step: Floats, failures: int) -> bool:
        """Whether the axes known so far do not promise enough to be tried."""
        return self.response.promise(self._r, step) > self.goal or failures > 0

    def _push(self, axis: int) -> ScanMeasurement:
        """Push one axis until something is seen: one way, the other, less."""
        room_below, room_above = (
            abs(float((self._scaled(b) - self._u)[axis]))
            for b in (self.problem.lower, self.problem.upper)
        )
        first = self.push if room_above >= min(self.push, room_below) else -self.push
        origin = self._u
        last = self.seen
        for size in (first, -first, first / 4, -first / 4):
            u = origin.copy()
            u[axis] += np.clip(size, -room_below, room_above)
            last = yield self._real(u)
            r = self.features(last)
            if r is None:
                continue
            self._learn(last, r)
            self._u, self._r, self.seen = self._scaled(last.positions), r, last
            return last
        self._skipped.add(axis)
        return last

    def _try(self, step: Floats) -> ScanMeasurement:
        """Take ``step``; keep it if it helped, learn from it either way."""
        last = yield self._real(self._u + step)
        r = self.features(last)
        if r is None:
            self._reach = float(np.max(np.abs(step))) / 3
            return last
        self._learn(last, r)
        size = float(np.sqrt(np.mean(self.response.matrix**2)))
        if r @ r < self._r @ self._r:
            self._u, self._r, self.seen = self._scaled(last.positions), r, last
            self._damping = self._damping / 5 if self._damping > 1e-3 * size else 0.0
            self._reach *= 2
        else:
            self._damping = max(4 * self._damping, 0.1 * size)
        return last

    def _learn(self, seen: Measurement, r: Floats) -> None:
        step = self._scaled(seen.positions) - self._u
        self.response.learn(step, r - self._r, self.noise(seen))

    def _scaled(self, positions: Floats) -> Floats:
        scaled: Floats = (positions - self.problem.start) / self.problem.scale
        return scaled

    def _real(self, u: Floats) -> Floats:
        return self.problem.clip(self.problem.start + u * self.problem.scale)
