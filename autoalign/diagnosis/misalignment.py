"""Which axis is misaligned, by how much, how surely; and which axes cannot be separated.

Axes that share a direction in which nothing changes, or hardly, cannot be separated: either one of
them is off, or another. Of such axes every smallest set that explains what is measured is given.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.beam.combine import combine, stated
from autoalign.beam.profile import BeamProfile
from autoalign.core.axes import Axis
from autoalign.diagnosis.estimator import Knowledge
from autoalign.model.predict import BenchModel
from autoalign.model.target import Forecast, SpecForecast, aim
from autoalign.optics.layout import Layout
from autoalign.spec.terms import Spec

__all__ = [
    "AxisReading",
    "Calibration",
    "Misalignment",
    "Regression",
    "Share",
    "apart",
    "grouped",
    "read_misalignment",
    "read_profiles",
    "smallest_sets",
]

Floats = npt.NDArray[np.float64]

# The spec's residuals as a linear function of the misalignment of each axis, with all doubts.
#
# The model, fitted to the measurements, gives the residuals r at the axis positions, with their
# covariance C, and how they change with every axis, A. Then r = A m + noise for the misalignments
# m of the axes, which have their priors Σ: m has the covariance (Aᵀ C⁻¹ A + Σ⁻¹)⁻¹, and a direction
# of m that changes no residual keeps its prior. A is the secant between the axis positions and
# where the residuals should vanish, so that large misalignments are read as well as small ones.

Calibration = Mapping[str, dict[str, float]]
"""What is stated of the detectors, as ``combine`` takes it."""

BEYOND = 2.0
"""How far beyond its place a full travel of an axis is considered ahead, in travels."""
FLOOR = 0.15
"""What no residual is better known than, in tolerances."""


@dataclass(frozen=True, slots=True, eq=False)
class Regression:
    """Whitened: ``residual`` (k,) = ``slope`` (k, axes) m + 1.

    ``sigma`` (axes,) are the priors of the axes, ``plain`` is the slope (k, axes) in tolerances per
    mm or rad.
    """

    axes: tuple[Axis, ...]
    residual: Floats
    slope: Floats
    sigma: Floats
    plain: Floats
    chance: float

    @classmethod
    def of(cls, know: Knowledge, here: Floats, calibration: Calibration) -> Regression:
        """Linearise about what was learnt, for axes at the positions ``here`` (axes,)."""
        assert know.fit is not None
        axes = know.model.axes
        travel = BEYOND * np.array([a.travel for a in axes])
        foresight = SpecForecast(know.model, know.spec, know.wiring)
        phi, root = know.fit.phi, know.fit.root
        goal = aim(foresight, phi, root, here, here - travel, here + travel)
        now = foresight.at(here, phi)
        away = (here - goal.position) / goal.shortened
        there = foresight.at(here - away, phi)
        blocks = [know.model.unknowns.block(a.name, "offset").start for a in axes]
        sigma = know.model.unknowns.sigma[blocks]
        change = now.residual - there.residual
        slope = _secant((now.by_axis + there.by_axis) / 2, change, away, sigma)
        spread = now.root(root)
        covariance = spread @ spread.T + FLOOR**2 * np.eye(len(change))
        places = _of_places(know.model, now, calibration.get("u_distance", {}))
        motions = _of_motions(know.model, now)
        covariance += places @ places.T + motions @ motions.T
        covariance += _of_calibration(foresight, here, phi, calibration)
        white: Floats = np.linalg.inv(np.linalg.cholesky(covariance)).astype(np.float64)
        return cls(axes, white @ change, white @ slope, sigma, slope, goal.chance)

    def solve(self, some: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Misalignment (n,) of ``some`` axes, all others being right, and its covariance (n, n)."""
        a = self.slope[:, some]
        precision = a.T @ a + np.diag(self.sigma[some] ** -2.0)
        covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        amounts = covariance @ a.T @ self.residual
        return amounts, covariance

    def likeness(self) -> Floats:
        """How much alike (axes, axes) two axes act on the residuals, 0 to 1."""
        size = np.maximum(np.linalg.norm(self.slope, axis=0), 1e-300)
        out: Floats = np.abs(self.slope.T @ self.slope) / np.outer(size, size)
        return out


def _secant(slope: Floats, change: Floats, away: Floats, sigma: Floats) -> Floats:
    """Slope (k, axes) that gives exactly ``change`` over the way ``away`` (axes,), and is closest
    to ``slope`` in units of the priors ``sigma``: Broyden's correction."""
    scaled = away / sigma**2
    size = float(scaled @ away)
    if size < 1e-18:
        return slope
    return slope + np.outer(change - slope @ away, scaled) / size


def _of_calibration(
    foresight: SpecForecast, here: Floats, phi: Floats, calibration: Calibration
) -> Floats:
    """Covariance (k, k) that pixel sizes, marks and distances give to the residuals."""
    model = foresight.model
    seen = model.predict(here, phi).moments[0]
    profiles = {
        plane: BeamProfile(m, np.zeros((9, 9)), 1.0, 0.0, 0.0, 0.0, 1.0, plane=plane)
        for plane, m in zip(model.planes, seen, strict=True)
    }
    parameters = combine(profiles, foresight.distances, **dict[str, Any](calibration))
    names = foresight.spec.quantities
    _, covariance = parameters.pick(names)
    steps = np.array([max(1e-3 * parameters.u(name), 1e-9) for name in names])
    slopes = foresight.spec.slopes(parameters, steps)
    out: Floats = slopes @ covariance @ slopes.T
    return out


def _of_motions(model: BenchModel, now: Forecast) -> Floats:
    """Root (k, …) of what axes that move too far, or aslant, make of their misalignment."""
    blocks = (model.unknowns.block(a.name, "twist") for a in model.axes)
    return now.by_unknown[:, [k for b in blocks for k in range(b.start, b.stop)]]


def _of_places(model: BenchModel, now: Forecast, u_distance: Mapping[str, float]) -> Floats:
    """Root (k, planes + 1) of what planes that stand elsewhere along the beam do to the residuals:
    each by itself, and all together, as those of one camera on a slide do."""
    at = [model.unknowns.index(f"{plane}.shift_z") for plane in model.planes]
    stated = np.array([u_distance.get(plane, 0.0) for plane in model.planes])
    each: Floats = now.by_unknown[:, at] * (stated / model.unknowns.sigma[at])
    return np.column_stack([each, each.sum(axis=1)])


Some = tuple[int, ...]

# Which axes together explain a measurement: groups that act alike, smallest sets that suffice.

CHI2_95 = (math.inf, 3.84, 5.99, 7.81, 9.49, 11.07, 12.59, 14.07, 15.51, 16.92)
"""95 % points of χ² by degrees of freedom (any table of it); without any it always holds."""


def grouped(together: npt.NDArray[np.bool_], among: Sequence[int]) -> Iterator[list[int]]:
    """Yield the connected groups of ``among`` under the relation ``together`` (axes, axes)."""
    left = list(among)
    while left:
        group = _connected(together, left)
        left = [k for k in left if k not in group]
        yield group


def _connected(together: npt.NDArray[np.bool_], among: list[int]) -> list[int]:
    group = {among[0]}
    while True:
        more = {k for k in among if any(together[k, j] for j in group)} | group
        if more == group:
            return sorted(group)
        group = more


def smallest_sets(group: Sequence[int], amounts: Floats, covariance: Floats) -> list[Some]:
    """Return the smallest subsets of ``group`` that, if off, let the rest of it be right.

    Most plausible first; the empty set alone where nothing of the group need be off. ``amounts``
    (axes,) and ``covariance`` (axes, axes) are what is known of all axes.
    """
    for size in range(len(group) + 1):
        fitting = []
        for off in combinations(group, size):
            locked = [k for k in group if k not in off]
            gap = amounts[locked]
            away = (
                float(gap @ np.linalg.solve(covariance[np.ix_(locked, locked)], gap))
                if locked
                else 0
            )
            if away < CHI2_95[min(len(locked), len(CHI2_95) - 1)]:
                fitting.append((away, off))
        if fitting:
            return [off for _, off in sorted(fitting)]
    return []


def apart(choices: Sequence[Some]) -> list[list[Some]]:
    """Split choices into independent ones, where they are one of these with one of those."""
    used = list(dict.fromkeys(k for choice in choices for k in choice))
    rivals = np.array([[not any({a, b} <= set(c) for c in choices) for b in used] for a in used])
    parts = [[used[k] for k in part] for part in grouped(rivals, range(len(used)))]
    one_of_each = all(len(choice) == len(parts) for choice in choices)
    if len(parts) < 2 or not one_of_each or math.prod(map(len, parts)) != len(choices):
        return [list(choices)]
    return [[(k,) for k in part] for part in parts]


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


def read_profiles(
    layout: Layout,
    axes: Sequence[Axis],
    spec: Spec,
    profiles: Mapping[str, BeamProfile],
    here: Floats,
    uncertainties: Mapping[str, float] | None = None,
) -> Misalignment:
    """Return what one measurement says of ``axes`` at the positions ``here`` (axes,).

    ``uncertainties`` are what is stated of the bench, by name.

    Raises
    ------
    UsageError
        If the model expects no light.
    ValueError
        Where no profile can be used.
    """
    know = Knowledge(layout, axes, spec, uncertainties)
    know.learn(here, profiles)
    planes = {p.name: p.distance for p in layout.planes}
    return read_misalignment(know, here, stated(uncertainties or {}, planes))


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
