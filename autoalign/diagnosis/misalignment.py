"""Which axis is misaligned, by how much, how surely; and which axes cannot be separated.

Axes that share a direction in which nothing changes, or hardly, cannot be separated: either one of
them is off, or another. Of such axes every smallest set that explains what is measured is given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.diagnosis.ambiguity import apart, grouped, smallest_sets
from autoalign.diagnosis.estimator import Knowledge
from autoalign.diagnosis.regression import Calibration, Regression

__all__ = ["AxisReading", "Misalignment", "Share", "read_misalignment"]

Floats = npt.NDArray[np.float64]
Some = tuple[int, ...]

WIDE = 1.96
"""Standard uncertainties within which a misalignment may be nothing."""
UNTOLD = 0.3
"""Uncertainty left, as part of the prior, from which an axis alone is not measured."""
TOGETHER = 0.3
"""Likeness of what two axes do, or correlation of what is known of them, from which they are
examined together."""


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
        """Whether the measurement says anything of the axis by itself."""
        return self.u < UNTOLD * self.prior

    @property
    def confidence(self) -> float:
        """How likely it is off to this side, 0.5 to 1."""
        return 0.5 + 0.5 * math.erf(abs(self.amount) / max(self.u, 1e-300) / math.sqrt(2))


@dataclass(frozen=True, slots=True)
class Share:
    """Axes that cannot be separated: one of ``choices`` is off, if the rest of ``axes`` is right.

    Every choice is the smallest set of axes that explains what is measured; the most plausible
    first.
    """

    axes: tuple[str, ...]
    choices: tuple[tuple[AxisReading, ...], ...]


@dataclass(frozen=True, slots=True)
class Misalignment:
    """What one measurement says: ``axes`` each with what is known of it, and what they ``shares``.

    ``alike`` are the groups of axes of which nothing is known alone: they act so much alike that
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
    """Return the misalignment of the axes, at the positions ``here`` (axes,), from what was learnt.

    Raises
    ------
    UsageError
        If the model expects no light.
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
    sure = tuple(k for k, r in enumerate(readings) if r.sure)
    groups = _alternatives(problem, readings, amounts, covariance)
    together = np.abs(covariance / np.outer(u, u)) > TOGETHER
    untold = [k for k, r in enumerate(readings) if not r.told]
    return Misalignment(
        _as_moved(problem, readings, sure + tuple(k for c in groups for k in c[1][0])),
        tuple(_share(problem, readings, groups, number) for number in range(len(groups))),
        tuple(tuple(readings[k].axis for k in group) for group in grouped(together, untold)),
        problem.chance,
        know.fit.excess,
    )


Alternatives = list[tuple[Some, list[Some]]]
"""Axes that share something, with the smallest sets of them that explain it."""


def _alternatives(
    problem: Regression, readings: tuple[AxisReading, ...], amounts: Floats, covariance: Floats
) -> Alternatives:
    akin = problem.likeness() > TOGETHER
    out: Alternatives = []
    for group in grouped(akin, [k for k, r in enumerate(readings) if not r.sure]):
        choices = smallest_sets(group, amounts, covariance)
        if not choices[0]:
            continue
        parts = apart(choices)
        for part in parts:
            members = group if len(parts) == 1 else [k for choice in part for k in choice]
            out.append((tuple(members), part))
    return out


def _as_moved(
    problem: Regression, readings: tuple[AxisReading, ...], moved: Some
) -> tuple[AxisReading, ...]:
    """Readings of the sure axes if just the axes in ``moved`` are moved."""
    given = dict(zip(moved, _given(problem, moved, moved), strict=True))
    return tuple(_shifted(r, given[k]) if r.sure else r for k, r in enumerate(readings))


def _share(
    problem: Regression, readings: tuple[AxisReading, ...], groups: Alternatives, number: int
) -> Share:
    members, choices = groups[number]
    others = tuple(k for j, (_, c) in enumerate(groups) if j != number for k in c[0])
    sure = tuple(k for k, r in enumerate(readings) if r.sure)
    rivals = {k for choice in choices for k in choice}
    rivals |= {k for k in members if not readings[k].told}
    told = []
    for choice in choices:
        free = tuple(k for k in range(len(problem.axes)) if k in choice or k not in rivals)
        wide = _given(problem, choice, free)
        narrow = _given(problem, choice, sure + others + choice)
        told.append(tuple(_shifted(w, n) for w, n in zip(wide, narrow, strict=True)))
    return Share(tuple(problem.axes[k].name for k in members), tuple(told))


def _shifted(wide: AxisReading, narrow: AxisReading) -> AxisReading:
    """The reading that holds if just the axes that are named are moved; its doubt is what it is
    without that assumption, and what the assumption shifts comes on top."""
    return replace(narrow, u=math.hypot(wide.u, narrow.amount - wide.amount))


def _given(problem: Regression, some: Some, off: Some) -> tuple[AxisReading, ...]:
    """How far ``some`` are misaligned if all axes but ``off`` are right."""
    if not off:
        return ()
    free = np.array(sorted(off))
    amounts, covariance = problem.solve(free)
    readings = _named(problem, free, amounts, np.sqrt(np.diag(covariance)))
    by_axis = dict(zip(free.tolist(), readings, strict=True))
    return tuple(by_axis[k] for k in some)


def _named(
    problem: Regression, some: npt.NDArray[np.intp], amounts: Floats, u: Floats
) -> tuple[AxisReading, ...]:
    effects = np.abs(problem.plain[:, some] * amounts).max(axis=0)
    numbers = np.stack([amounts, u, problem.sigma[some], effects], axis=1).tolist()
    return tuple(
        AxisReading(problem.axes[k].name, *row) for k, row in zip(some, numbers, strict=True)
    )
