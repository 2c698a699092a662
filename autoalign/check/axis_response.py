"""What the places of one trial say without any model: moves, backlash, way back, repeatability.

Everything seen is a vector of readings; each is divided by its standard uncertainty in one
measurement. The response is the mean of the two full steps, forwards and back, both with the
backlash taken up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile, Use
from autoalign.check.trial import PLACES, Trial
from autoalign.session import ScanMeasurement

__all__ = ["AxisResponse", "Noise", "Row", "respond"]

Floats = npt.NDArray[np.float64]

Row = tuple[str, int]
"""A plane and the place of a moment (0 to 4), or the name of a reading and −1."""

SECOND = 5
"""Moments up to the second order count."""

STUCK = 0.1
"""A way back that shows less than this part of the way there shows nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """Standard uncertainty of every row in one measurement, from the exposures of the first."""

    of: Mapping[Row, float]

    @classmethod
    def seen(cls, first: ScanMeasurement, frames: int) -> Noise:
        """Take the noise of measurements of ``frames`` exposures from a measurement of many."""
        out: dict[Row, float] = {}
        for plane, profile in first.profiles.items():
            count = len(first.frames[plane]) / frames
            for m in range(_usable(profile)):
                out[plane, m] = math.sqrt(max(float(profile.covariance[m, m]) * count, 1e-18))
        for name, values in first.readings.items():
            scatter = float(np.std([v for v, _ in values], ddof=1)) if len(values) > 1 else 0.0
            out[name, -1] = max(scatter, values[0][1], 1e-12) / math.sqrt(frames)
        return cls(out)

    def distance(self, one: ScanMeasurement, other: ScanMeasurement) -> float:
        """Return how far two measurements are apart, in standard uncertainties of one of them."""
        rows = [r for r in self.of if _has(one, r) and _has(other, r)]
        gap = np.subtract(_values(other, rows), _values(one, rows))
        return float(np.linalg.norm(gap / np.array([self.of[r] for r in rows])))


def _usable(profile: BeamProfile) -> int:
    return {Use.ALL: SECOND, Use.POSITION: 2}.get(profile.use, 0)


@dataclass(frozen=True, slots=True, eq=False)
class AxisResponse:
    """What one axis does to what is measured.

    ``rows`` (r) that were seen at every place; ``change`` (r,) for one step, with ``sigma`` (r,)
    its standard uncertainty; ``strength`` how many standard uncertainties it is long; ``shows``
    whether anything moved beyond chance. In units of the step: ``lost``, how far short the way back
    falls (the backlash); ``stuck``, whether the way back showed nothing, so that the backlash is
    the whole step or more and no more is known; ``backward``, a step back over a step forward;
    ``missed``, how far from "before" the axis comes back; ``u`` the standard uncertainty of each.
    They are NaN for responses too weak, or too crooked, to tell.
    """

    rows: tuple[Row, ...]
    change: Floats
    sigma: Floats
    strength: float
    shows: bool
    lost: float
    backward: float
    missed: float
    u: float
    stuck: bool = False


def respond(trial: Trial, noise: Noise) -> AxisResponse:
    """Return what ``trial``, which must be whole, says by itself."""
    sights = [trial.sights[p] for p in PLACES]
    rows = tuple(r for r in noise.of if all(_has(s, r) for s in sights))
    sigma = np.array([noise.of[r] for r in rows])
    seen = np.array([_values(s, rows) for s in sights]) / np.maximum(sigma, 1e-300)
    before, there, again, beyond, back = seen
    steps = np.array([there - before, again - beyond])
    change = steps.mean(axis=0)
    strength = float(np.linalg.norm(change))
    shows = any(_beyond_chance(s, 2.0) for s in (*steps, again - there, back - beyond))
    lost = backward = missed = u = math.nan
    stuck = _nothing_back(steps, np.array([again - there, back - beyond]))
    if _straight(rows, steps, strength):
        along = change / strength**2
        on = (seen - before) @ along
        u = math.sqrt(2) / strength
        stuck = stuck or bool(on[1] - on[2] < STUCK * on[1] + 2 * u)
        backward = float((on[2] - on[3]) / on[1])
        missed = float(on[4])
        lost = float(on[2] - (1 - backward) * on[1]) if abs(backward - 1) > 4 * u else float(on[2])
    return AxisResponse(
        rows, change * sigma, sigma, strength, shows, lost, backward, missed, u, stuck
    )


def _straight(rows: Sequence[Row], steps: Floats, strength: float) -> bool:
    """Whether forwards and back are alike enough, and seen by a camera, to speak of steps."""
    one, other = (float(np.linalg.norm(s)) for s in steps)
    if not any(m >= 0 for _, m in rows) or strength < SECOND:
        return False
    return float(steps[0] @ steps[1]) > 0.5 * one * other


def _nothing_back(steps: Floats, ways_back: Floats) -> bool:
    """Whether neither reversal shows more than noise and a tenth of what a full step shows."""
    whole = float(np.linalg.norm(steps, axis=1).max())
    noise = math.sqrt(2 * steps.shape[1]) + 3
    return whole > 2 * noise and float(np.linalg.norm(ways_back, axis=1).max()) < (
        STUCK * whole + noise
    )


def _beyond_chance(change: Floats, variance: float) -> bool:
    """Whether (r,) whitened readings of this ``variance`` are larger than noise, at 5 σ of χ²."""
    count = len(change)
    return count > 0 and float(change @ change) / variance > count + 5 * math.sqrt(2 * count) + 10


def _has(sight: ScanMeasurement, row: Row) -> bool:
    name, moment = row
    if moment < 0:
        return name in sight.readings
    profiles = sight.frames.get(name, ())
    return bool(profiles) and all(moment < _usable(p) for p in profiles)


def _values(sight: ScanMeasurement, rows: Sequence[Row]) -> list[float]:
    profiles = sight.profiles
    return [
        float(np.mean([v for v, _ in sight.readings[name]]))
        if moment < 0
        else float(profiles[name].moments[moment])
        for name, moment in rows
    ]
