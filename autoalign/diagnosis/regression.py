"""The spec's residuals as a linear function of the misalignment of each axis, with all doubts.

The model, fitted to the measurements, gives the residuals r at the axis positions, with their
covariance C, and how they change with every axis, A. Then r = A m + noise for the misalignments
m of the axes, which have their priors Σ: m has the covariance (Aᵀ C⁻¹ A + Σ⁻¹)⁻¹, and a direction
of m that changes no residual keeps its prior. A is the secant between the axis positions and
where the residuals should vanish, so that large misalignments are read as well as small ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.beam.combine import combine
from autoalign.beam.profile import BeamProfile
from autoalign.core.axes import Axis
from autoalign.diagnosis.estimator import Knowledge
from autoalign.model.predict import BenchModel
from autoalign.model.target import Forecast, SpecForecast, aim

__all__ = ["Calibration", "Regression"]

Floats = npt.NDArray[np.float64]
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
