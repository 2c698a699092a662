"""The hand procedure: one axis after another, each until its own symptom is gone, round by round.

As a person does it: sideways until the far spot is round, clocking until its height keeps, in or
out until it neither grows nor shrinks, then the pointing; and again, because each axis disturbs
what the others had set. Which symptom an axis is for is found out by turning each axis a little.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.descent import ScanMeasurement
from autoalign.strategies.recover import recover
from autoalign.strategies.scalar import ScaledBox

__all__ = ["AxisByAxis", "next_place", "pair"]

Floats = npt.NDArray[np.float64]

_GONE = 0.3
"""A residual this small, in units of its tolerance, is left alone."""
_SAME = 1e-3
"""Places this close, in units of the scale, are one place."""
_GOLDEN = (3 - 5**0.5) / 2


@dataclass(slots=True)
class AxisByAxis(Strategy):
    """One axis at a time, on one residual each.

    Parameters
    ----------
    push
        First step on each axis, in units of :attr:`Problem.scale`.
    turns
        Measurements on one axis before the next axis is taken.
    rounds
        Over all axes, before giving up.
    """

    push: float = 1.0
    turns: int = 6
    rounds: int = 60
    name: str = field(default="axis-by-axis", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.RESIDUALS}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at."""
        seen = problem.first
        if not seen.ok:
            seen = yield from recover(problem, seen)
        if not seen.ok:
            return
        hand = _Hand(ScaledBox(problem), seen)
        slopes = yield from hand.try_all(self.push)
        symptoms = pair(slopes)
        for _ in range(self.rounds):
            for axis, symptom in enumerate(symptoms):
                yield from hand.turn(axis, symptom, self.push, self.turns, slopes[symptom, axis])


def pair(slopes: Floats) -> list[int]:
    """Return for each axis the residual that it is for, given how it changes them all (m, n).

    Every residual is measured against the axis that changes it most; the pairing with the largest
    sum of these shares is taken, no residual twice while there are enough of them.
    """
    from scipy.optimize import linear_sum_assignment  # noqa: PLC0415

    size = np.abs(slopes)
    share = size / np.maximum(size.max(axis=1, keepdims=True), 1e-12)
    copies = -(-share.shape[1] // share.shape[0])
    rows, columns = linear_sum_assignment(np.tile(share, (copies, 1)), maximize=True)
    symptom = dict(zip(columns.tolist(), rows.tolist(), strict=True))
    return [symptom[k] % share.shape[0] for k in range(share.shape[1])]


class _Hand:
    """Where the bench is, and what was measured there."""

    def __init__(self, box: ScaledBox, seen: Measurement) -> None:
        assert seen.verdict is not None
        self.box = box
        self.u = box.scaled(seen.positions)
        self.r = seen.verdict.residuals

    def try_all(self, push: float) -> Generator[Vector, Measurement, Floats]:
        """Push every axis once; return how each changes the residuals (m, n) per unit."""
        slopes = np.zeros((len(self.r), self.box.count))
        for axis in range(self.box.count):
            before, origin = self.r, self.u[axis]
            for size in (push, -push, push / 4, -push / 4):
                if (yield from self._go(axis, origin + size)).ok and self.u[axis] != origin:
                    slopes[:, axis] = (self.r - before) / (self.u[axis] - origin)
                    break
        return slopes

    def turn(
        self, axis: int, symptom: int, push: float, turns: int, slope: float
    ) -> Generator[Vector, Measurement, None]:
        """Turn ``axis`` until its ``symptom`` is gone, and leave it at the best place seen."""
        seen = [(float(self.u[axis]), self.r)]
        for _ in range(turns):
            goal = next_place([(t, float(r[symptom])) for t, r in seen], slope, push)
            if goal is None or not (yield from self._go(axis, goal)).ok:
                break
            here = float(self.u[axis])
            if any(abs(here - t) < _SAME for t, _ in seen):
                break
            seen.append((here, self.r))
        self.u[axis], self.r = min(seen, key=lambda p: abs(p[1][symptom]))

    def _go(self, axis: int, t: float) -> ScanMeasurement:
        u = self.u.copy()
        u[axis] = t
        seen = yield self.box.real(u)
        if seen.verdict is not None:
            self.u, self.r = self.box.scaled(seen.positions), seen.verdict.residuals
        return seen


def next_place(points: Sequence[tuple[float, float]], slope: float, push: float) -> float | None:
    """Return where to measure next on a line for the zero, or else the least, of a residual.

    Parameters
    ----------
    points
        (place, residual) seen so far; at least one.
    slope
        What the residual is expected to change per unit, for the first step.
    push
        A usual step.

    Returns
    -------
    float or None
        Inside a change of sign: false position. Inside a bracket of the least: the vertex of a
        parabola, or a golden section. Else downhill. None where nothing is left to gain.
    """
    line = sorted(points)
    best = min(range(len(line)), key=lambda k: abs(line[k][1]))
    t, r = line[best]
    if abs(r) < _GONE:
        return None
    if len(line) == 1:
        return t - float(np.clip(r / slope, -8 * push, 8 * push)) if slope != 0 else t + push
    for a, b in ((best - 1, best), (best, best + 1)):
        if a >= 0 and b < len(line) and line[a][1] * line[b][1] < 0:
            return _false_position(*line[a], *line[b])
    if 0 < best < len(line) - 1:
        return _vertex(line[best - 1 : best + 2])
    other, its = line[1] if best == 0 else line[-2]
    away = t - other
    share = r / (its - r) if its != r else 4.0
    return t + away * float(np.clip(share, 0.05, 4.0))


def _false_position(a: float, ra: float, b: float, rb: float) -> float:
    """Return the zero of the straight line, kept off the ends of the bracket."""
    return a + (b - a) * float(np.clip(ra / (ra - rb), 0.1, 0.9))


def _vertex(bracket: Sequence[tuple[float, float]]) -> float | None:
    """Return the vertex of |residual|'s parabola; a golden section where that gains nothing."""
    (a, fa), (b, fb), (c, fc) = ((t, abs(r)) for t, r in bracket)
    if c - a < 4 * _SAME:
        return None
    below = (b - a) * (fb - fc) - (b - c) * (fb - fa)
    t = b - 0.5 * ((b - a) ** 2 * (fb - fc) - (b - c) ** 2 * (fb - fa)) / below if below else b
    if a < t < c and abs(t - b) > 0.02 * (c - a):
        return t
    return b + _GOLDEN * (c - b) if c - b > b - a else b - _GOLDEN * (b - a)
