"""What a bench remembers of itself between alignments, as plain data.

Calibration (scales, directions, pivots, distances, illumination) stays; where the parts stand
drifts, by default :data:`DRIFT` between two alignments, and as a random walk beyond :data:`LASTING`
days where the memory's age is known ("age_days"). A memory of another bench, of other axes or
of another version is not used, and one that the first look contradicts is dropped by whoever fits.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.twin.fit import Fit
from autoalign.twin.model import Twin

__all__ = ["DRIFT", "LASTING", "VERSION", "recall", "remember"]

Floats = npt.NDArray[np.float64]

VERSION = 1
DRIFT = {"drift_shift": 0.2, "drift_turn": 1.5e-3, "drift_calibration": 0.1}
"""How far parts (mm) and their directions (rad) wander between alignments, and what part of its
prior any other unknown does; overridden by name."""

LASTING = 30.0
"""Days for which :data:`DRIFT` holds; after that it grows with the square root of time."""


def remember(twin: Twin, fit: Fit, when: datetime | None = None) -> dict[str, Any]:
    """Return the posterior as data that JSON can hold."""
    return {
        "version": VERSION,
        "saved": None if when is None else when.isoformat(),
        "family": twin.layout.family,
        "axes": {a.name: [a.unit, a.lower, a.upper] for a in twin.axes},
        "names": list(twin.unknowns.names),
        "sigma": twin.unknowns.sigma.tolist(),
        "phi": fit.phi.tolist(),
        "root": fit.root.tolist(),
    }


def recall(
    twin: Twin, memory: Any, priors: Mapping[str, float] | None = None
) -> tuple[tuple[Floats, Floats] | None, str]:
    """Return the aged prior (mean, precision root) in units of the twin's priors, and a remark.

    None where there is nothing to use; the remark says why.
    """
    problem = _mismatch(twin, memory)
    if problem:
        return None, problem
    ratio = np.asarray(memory["sigma"]) / twin.unknowns.sigma
    mean = np.asarray(memory["phi"], dtype=float) * ratio
    root = np.asarray(memory["root"], dtype=float) * ratio[:, None]
    if not (np.all(np.isfinite(mean)) and np.all(np.isfinite(root)) and np.abs(mean).max() < 10):
        return None, "memory is not plausible (values far outside their priors); not used"
    covariance = root @ root.T + np.diag(_drift(twin, dict(priors or {}), _grown(memory)) ** 2)
    precision = np.linalg.cholesky(np.linalg.inv(covariance)).T
    saved = memory.get("saved")
    return (mean, precision), f"starts from memory{f' of {saved}' if saved else ''}"


def _mismatch(twin: Twin, memory: Any) -> str:
    if memory is None:
        return "no memory"
    if not isinstance(memory, Mapping) or memory.get("version") != VERSION:
        return "memory has another version; not used"
    axes = {a.name: [a.unit, a.lower, a.upper] for a in twin.axes}
    if memory.get("family") != twin.layout.family or memory.get("axes") != axes:
        return "memory is of another bench or of other axes; not used"
    size = twin.size
    if memory.get("names") != list(twin.unknowns.names) or any(
        np.shape(memory.get(k, ())) != shape
        for k, shape in (("phi", (size,)), ("root", (size, size)), ("sigma", (size,)))
    ):
        return "memory has other unknowns; not used"
    return ""


def _grown(memory: Mapping[str, Any]) -> float:
    """How many times larger than :data:`DRIFT` the drift is by now."""
    days = memory.get("age_days")
    return max(1.0, float(np.sqrt(days / LASTING))) if isinstance(days, int | float) else 1.0


def _drift(twin: Twin, priors: Mapping[str, float], grown: float = 1.0) -> Floats:
    """Standard deviation of the drift (m,) in units of the priors."""
    known = {k: grown * float(priors.get(k, v)) for k, v in DRIFT.items()}
    drift = np.full(twin.size, 0.0)
    for (thing, what), block in twin.unknowns.blocks.items():
        if what == "rigid" and thing not in twin.planes:
            sizes = [known["drift_turn"]] * 3 + [known["drift_shift"]] * 3
            drift[block.slice] = np.minimum(sizes / twin.unknowns.sigma[block.slice], 3.0)
        elif what == "emission" or thing in twin.planes:
            drift[block.slice] = min(known["drift_calibration"], 1.0)
    return drift
