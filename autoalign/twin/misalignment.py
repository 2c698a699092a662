"""Which axis stands off, by how much, how surely; and which axes cannot be told apart.

Axes that share a direction in which nothing changes, or hardly, cannot be told apart: either one of
them is off, or another. Of such axes every smallest set that explains what is seen is given.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from autoalign.twin.knowledge import Knowledge
from autoalign.twin.regression import Calibration, Regression

__all__ = ["AxisReading", "Misalignment", "Share", "read_misalignment"]

Floats = npt.NDArray[np.float64]

WIDE = 1.96
"""Standard uncertainties within which a misalignment may be nothing."""
UNTOLD = 0.3
"""Uncertainty left, as part of the prior, from which a look has told nothing of an axis alone."""
TOGETHER = 0.3
"""Likeness of what two axes do, or correlation of what is known of them, from which they are looked
at together."""
CHI2_95 = (0.0, 3.84, 5.99, 7.81, 9.49, 11.07, 12.59, 14.07, 15.51, 16.92)
"""95 % points of χ² by degrees of freedom (any table of the distribution)."""


@dataclass(frozen=True, slots=True)
class AxisReading:
    """An axis stands ``amount`` (mm or rad, along its own positive direction) from where it should.

    ``u`` is the standard uncertainty, ``prior`` what it was before anything was seen. The axis is
    to be moved by −``amount``, which changes the residuals of the spec by up to ``effect``
    tolerances.
    """

    axis: str
    amount: float
    u: float
    prior: float
    effect: float

    @property
    def sure(self) -> bool:
        """Whether it is off at all, with 95 % confidence."""
        return abs(self.amount) > WIDE * self.u

    @property
    def told(self) -> bool:
        """Whether the look has told anything of the axis by itself."""
        return self.u < UNTOLD * self.prior

    @property
    def confidence(self) -> float:
        """How likely it is off to this side, 0.5 to 1."""
        return 0.5 + 0.5 * math.erf(abs(self.amount) / max(self.u, 1e-300) / math.sqrt(2))


@dataclass(frozen=True, slots=True)
class Share:
    """Axes that cannot be told apart: one of ``choices`` is off, if the rest of ``axes`` is right.

    Every choice is the smallest set of axes that explains what is seen; the most plausible first.
    """

    axes: tuple[str, ...]
    choices: tuple[tuple[AxisReading, ...], ...]


@dataclass(frozen=True, slots=True)
class Misalignment:
    """What one look says: ``axes`` each with what is known of it, and what they ``shares``.

    ``alike`` are the groups of axes of which nothing was told alone: they act so much alike that
    only their joint effect shows.
    ``chance`` that the spec would be met once all of it is corrected; ``excess`` is how far what is
    seen lies from what the layout allows, in standard deviations of χ².
    """

    axes: tuple[AxisReading, ...]
    shares: tuple[Share, ...]
    alike: tuple[tuple[str, ...], ...]
    chance: float
    excess: float

    def __getitem__(self, axis: str) -> AxisReading:
        return next(reading for reading in self.axes if reading.axis == axis)


def read_misalignment(
    know: Knowledge, here: Floats, calibration: Calibration | None = None
) -> Misalignment:
    """Read the misalignment of the axes, which stand at ``here`` (axes,), out of what was learnt.

    Raises
    ------
    UsageError
        Where the twin expects no light.
    ValueError
        Where nothing was learnt.
    """
    if know.fit is None:
        raise ValueError("nothing has been learnt yet")
    problem = Regression.of(know, here, calibration or {})
    everything = np.arange(len(here))
    amounts, covariance = problem.solve(everything)
    u = np.sqrt(np.diag(covariance))
    readings = _named(problem, everything, amounts, u)
    together = np.abs(covariance / np.outer(u, u)) > TOGETHER
    akin = problem.likeness() > TOGETHER
    unsure = [k for k, r in enumerate(readings) if not r.sure]
    untold = [k for k, r in enumerate(readings) if not r.told]
    shares: list[Share] = []
    for group in _groups(akin, unsure):
        choices = tuple(_choices(problem, group, amounts, covariance))
        if choices:
            shares += _apart(Share(tuple(readings[k].axis for k in group), choices))
    alike = [tuple(readings[k].axis for k in group) for group in _groups(together, untold)]
    return Misalignment(readings, tuple(shares), tuple(alike), problem.chance, know.fit.excess)


def _named(
    problem: Regression, some: npt.NDArray[np.intp], amounts: Floats, u: Floats
) -> tuple[AxisReading, ...]:
    effects = np.abs(problem.plain[:, some] * amounts).max(axis=0)
    numbers = np.stack([amounts, u, problem.sigma[some], effects], axis=1).tolist()
    return tuple(
        AxisReading(problem.axes[k].name, *row) for k, row in zip(some, numbers, strict=True)
    )


def _groups(together: npt.NDArray[np.bool_], left: list[int]) -> Iterator[list[int]]:
    while left:
        group = _connected(together, left)
        left = [k for k in left if k not in group]
        yield group


def _connected(alike: npt.NDArray[np.bool_], among: list[int]) -> list[int]:
    group = {among[0]}
    while True:
        more = {k for k in among if any(alike[k, j] for j in group)} | group
        if more == group:
            return sorted(group)
        group = more


def _apart(share: Share) -> list[Share]:
    """Split a share into independent ones, where its choices are one of these with one of those."""
    used = list(dict.fromkeys(r.axis for choice in share.choices for r in choice))
    with_ = {a: {r.axis for c in share.choices for r in c if a in _names(c)} for a in used}
    rivals = np.array([[b not in with_[a] for b in used] for a in used])
    parts = [[used[k] for k in group] for group in _groups(rivals, list(range(len(used))))]
    one_of_each = all(len(c) == len(parts) for c in share.choices)
    if len(parts) < 2 or not one_of_each or math.prod(map(len, parts)) != len(share.choices):
        return [share]
    best = {r.axis: r for choice in reversed(share.choices) for r in choice}
    return [Share(tuple(part), tuple((best[a],) for a in part)) for part in parts]


def _names(choice: tuple[AxisReading, ...]) -> set[str]:
    return {r.axis for r in choice}


def _choices(
    problem: Regression, group: list[int], amounts: Floats, covariance: Floats
) -> Iterator[tuple[AxisReading, ...]]:
    """Smallest subsets of ``group`` that, if off, let the rest of it be right."""
    for size in range(len(group) + 1):
        fitting = []
        for off in combinations(group, size):
            held = [k for k in group if k not in off]
            gap = amounts[held]
            away = float(gap @ np.linalg.solve(covariance[np.ix_(held, held)], gap)) if held else 0
            if away < CHI2_95[min(len(held), 9)]:
                fitting.append((away, off))
        if not fitting:
            continue
        for _, off in sorted(fitting) if size else ():
            yield _given(problem, group, off)
        return


def _given(problem: Regression, group: list[int], off: tuple[int, ...]) -> tuple[AxisReading, ...]:
    """How far ``off`` stand off where the rest of ``group`` is right."""
    free = np.array([k for k in range(len(problem.axes)) if k in off or k not in group])
    amounts, covariance = problem.solve(free)
    readings = _named(problem, free, amounts, np.sqrt(np.diag(covariance)))
    return tuple(r for k, r in zip(free, readings, strict=True) if k in off)
