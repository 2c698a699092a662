"""The hand procedure: one axis after another, each until its own symptom is gone, round by round.

As a person does it: sideways until the far spot is round, clocking until its height keeps, in or
out until it neither grows nor shrinks, then the pointing; and again, because each axis disturbs
what the others had set. Which symptom an axis is for is found out by turning each axis a little.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.search.base import Need, Observation, Problem, Vector
from autoalign.search.descent import Sight
from autoalign.search.recover import recover
from autoalign.search.scalar import ScaledBox

__all__ = ["AxisByAxis", "pair"]

Floats = npt.NDArray[np.float64]


@dataclass(slots=True)
class AxisByAxis:
    """One axis at a time, on one residual each.

    Parameters
    ----------
    push
        First step on each axis, in units of :attr:`Problem.scale`.
    turns
        Looks on one axis before the next axis is taken.
    rounds
        Over all axes, before giving up.
    """

    push: float = 1.0
    turns: int = 6
    rounds: int = 60
    name: str = field(default="axis-by-axis", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.RESIDUALS}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Observation, None]:
        """Yield positions to visit."""
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
    """Where the bench stands, and what is seen there."""

    def __init__(self, box: ScaledBox, seen: Observation) -> None:
        assert seen.verdict is not None
        self.box = box
        self.u = box.scaled(seen.positions)
        self.r = seen.verdict.residuals

    def try_all(self, push: float) -> Generator[Vector, Observation, Floats]:
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
    ) -> Generator[Vector, Observation, None]:
        """Turn ``axis`` until its ``symptom`` is gone: bracket it, then close in on it."""
        bracket: dict[bool, tuple[float, float]] = {}
        for _ in range(turns):
            t, r = float(self.u[axis]), float(self.r[symptom])
            if abs(r) < 0.3 or slope == 0:
                return
            bracket[r > 0] = (t, r)
            goal = t - float(np.clip(r / slope, -8 * push, 8 * push))
            if len(bracket) == 2:
                (a, ra), (b, rb) = bracket[False], bracket[True]
                goal = a - ra * (b - a) / (rb - ra)
            seen = yield from self._go(axis, goal)
            if not seen.ok:
                yield from self._go(axis, t)
                return
            if abs(self.u[axis] - t) < 1e-3:
                return
            if len(bracket) == 1 and (self.r[symptom] - r) * (self.u[axis] - t) * slope > 0:
                slope = (float(self.r[symptom]) - r) / (float(self.u[axis]) - t)

    def _go(self, axis: int, t: float) -> Sight:
        u = self.u.copy()
        u[axis] = t
        seen = yield self.box.real(u)
        if seen.verdict is not None:
            self.u, self.r = self.box.scaled(seen.positions), seen.verdict.residuals
        return seen
