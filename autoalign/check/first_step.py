"""How far an axis is moved to see it move: tiny, and never more "to see better"."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.model.fit import Readings
from autoalign.model.predict import BenchModel
from autoalign.model.unknowns import position_sigma

__all__ = ["LARGEST", "first_step"]

Floats = npt.NDArray[np.float64]

VISIBLE = 12.0
"""A step should show this many standard uncertainties."""
LARGEST = 0.02
"""No step of the check is larger than this part of the travel."""


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
