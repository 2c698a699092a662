"""What a model expects of every axis, and how sure it is, after one measurement at the bench.

The model is fitted to the first measurement; the spread of its posterior (misalignment, scale,
direction and pivot of each axis, screens, light) is the uncertainty of what it expects.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile
from autoalign.check.axis_response import Noise
from autoalign.check.trial import LARGEST
from autoalign.core.axes import Axis
from autoalign.core.units import percent
from autoalign.model.fit import Readings, fit, readings_from_profiles
from autoalign.model.predict import BenchModel
from autoalign.model.unknowns import position_sigma
from autoalign.optics.layout import Layout

__all__ = ["LARGEST", "Expectation", "first_step"]

Floats = npt.NDArray[np.float64]

# How far an axis is moved to see it move: tiny, and never more "to see better".

VISIBLE = 12.0
"""A step should show this many standard uncertainties."""


def first_step(model: BenchModel, positions: Floats, axis: str, look: Readings) -> float:
    """Return the smallest step of ``axis`` (mm or rad, without sign) that should show clearly.

    ``look`` at ``positions`` gives the uncertainty of the readings. Never more than a fiftieth of
    the travel.
    """
    k = [a.name for a in model.axes].index(axis)
    strength = float(np.linalg.norm(_responses(model, positions, look)[:, k]))
    a = model.axes[k]
    size = max(VISIBLE / max(strength, 1e-300), VISIBLE * position_sigma(a))
    return min(max(size, 2 * a.resolution), LARGEST * a.travel)


def _responses(model: BenchModel, positions: Floats, look: Readings) -> Floats:
    """Expected motion (readings, axes), up to second order, per uncertainty of a change."""
    seen = model.predict(positions[None], np.zeros(model.size), derivatives=True)
    assert seen.motion is not None
    rows = [(k, m) for k, used in look.used.items() for m in used if m < 5]
    white = np.array([1 / math.sqrt(2 * look.covariance[k][m, m]) for k, m in rows])
    whitened: Floats = np.array([seen.motion[0, k, m] for k, m in rows]) * white[:, None]
    return whitened


DRAWS = 20
"""Benches drawn from the posterior to tell how sure it is."""

COUPLED = 0.02
"""How far one axis may drag the others of its part along: standard uncertainty, in parts."""

_RUNOUT = 3
"""Place of a turning axis' shift along itself among its unknowns; its pivot comes after it."""

FLOOR = 0.02
"""No model of a response is better than this part of it."""


class Expectation:
    """What each axis should do.

    Parameters
    ----------
    layout, axes, priors
        The bench on paper, the axes that are tried, what is known beforehand.
    positions
        Where ``axes`` are, mm or rad by name.
    profiles
        What was measured there, by plane, in the planes' own axes.
    """

    def __init__(
        self,
        layout: Layout,
        axes: Sequence[Axis],
        priors: Mapping[str, float],
        positions: Mapping[str, float],
        profiles: Mapping[str, BeamProfile],
    ) -> None:
        self.model = BenchModel(layout, axes, priors)
        self.positions = np.array([positions[a.name] for a in axes])
        look = readings_from_profiles(self.model.planes, self.positions, dict(profiles))
        self.seen = bool(look.count)
        if not self.seen:
            return
        self._look = readings_from_profiles(
            self.model.planes, self.positions, dict(profiles), third=False
        )
        found = fit(self.model, [look])
        self.misfit = found.excess
        rng = np.random.default_rng(0)
        draws = found.phi + rng.standard_normal((DRAWS, self.model.size)) @ found.root.T
        self._phi, self._sigma = found.phi, np.linalg.norm(found.root, axis=1)
        self._motion = self._at(found.phi)
        self._spread = np.array([self._at(phi) for phi in draws]) - self._motion

    def _at(self, phi: Floats) -> Floats:
        seen = self.model.predict(self.positions[None], phi, derivatives=True)
        assert seen.motion is not None
        return seen.motion[0, :, :5]

    def telling_step(self, axis: str) -> float:
        """Return the step of ``axis`` that should show clearly, mm or rad."""
        return first_step(self.model, self.positions, axis, self._look)

    def index(self, axis: str) -> int:
        """Return the place of ``axis`` among those tried."""
        return [a.name for a in self.model.axes].index(axis)

    def change(self, axis: int, places: npt.NDArray[np.intp], step: float) -> tuple[Floats, Floats]:
        """Return what ``step`` of an axis should change (r,), and the covariance of that (r, r).

        ``places`` (r, 2) are the indices of plane and moment.
        """
        p, m = places.T
        expected = self._motion[p, m] * step
        spread = self._spread[:, p, m, axis] * step
        covariance = spread.T @ spread / DRAWS
        for j in self.siblings(axis):
            drag = COUPLED * expected[:, j]
            covariance += np.outer(drag, drag)
        own = expected[:, axis]
        placing = position_sigma(self.model.axes[axis]) / max(abs(step), 1e-300)
        covariance += placing**2 * np.outer(own, own) + np.diag((FLOOR * own) ** 2)
        return own, covariance

    def weakest(self, axis: int, places: npt.NDArray[np.intp], step: float, along: Floats) -> str:
        """Return in words what of an axis is so unsure that its scale cannot be judged better.

        ``along`` (r,) are the weights with which what is measured at ``places`` becomes a scale.
        """
        name = self.model.axes[axis].name
        block = self.model.unknowns.block(name, "twist")
        turns = self.model.layout.motion(name).kind == "turn"
        p, m = places.T
        doubts: dict[str, list[float]] = {}
        for i in range(block.start, block.stop):
            phi = self._phi.copy()
            phi[i] += self._sigma[i]
            change = (self._at(phi) - self._motion)[p, m, axis] * step
            part = self.model.unknowns.names[i].removeprefix(f"{name}.").partition("_")[0]
            known = float(self._sigma[i] * self.model.unknowns.sigma[i])
            doubts.setdefault(_words(part, i - block.start, turns, known), []).append(
                float(along @ change)
            )
        return max(doubts, key=lambda words: float(np.hypot.reduce(doubts[words])))

    def siblings(self, axis: int) -> list[int]:
        """Return the other axes of the same part that count in the same unit."""
        own = self.model.axes[axis]
        return [
            j
            for j, a in enumerate(self.model.axes)
            if j != axis and a.part == own.part and a.unit == own.unit
        ]

    def alike(self, axis: int) -> list[int]:
        """Return the other axes that count in the same unit."""
        unit = self.model.axes[axis].unit
        return [j for j, a in enumerate(self.model.axes) if j != axis and a.unit == unit]

    def strength(self, axis: str, step: float, noise: Noise) -> float:
        """Return how many standard uncertainties of one measurement ``step`` should show."""
        places = [
            (k, m) for k, p in enumerate(self.model.planes) for m in range(5) if (p, m) in noise.of
        ]
        if not places:
            return 0.0
        own, _ = self.change(self.index(axis), np.array(places), step)
        sigma = np.array([noise.of[self.model.planes[k], m] for k, m in places])
        return float(np.linalg.norm(own / sigma))


def _words(part: str, place: int, turns: bool, known: float) -> str:
    """Return in words how well one unknown of an axis is known; ``place`` in its block."""
    if part == "scale":
        return f"its scale is stated to ± {percent(known)} only"
    if part == "across":
        return f"its direction is known to ±{math.degrees(known):.1f}° only"
    if not turns:
        return f"its slide may turn by ±{1e3 * known:.2g} mrad/mm as it goes"
    if place == _RUNOUT:
        return f"it may shift along its axis by ±{known:.2g} mm/rad as it turns"
    return f"its pivot is known to ±{known:.0f} mm only"
