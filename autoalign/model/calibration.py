"""What is kept of a bench between alignments, as plain data.

Calibration (scales, directions, pivots, distances, illumination) stays; where the parts are
drifts, by default :data:`DRIFT` between two alignments, and as a random walk beyond :data:`LASTING`
days if the calibration's age is known ("age_days"). A calibration of another bench, of other axes
or of another version is not used, and one that the first measurement contradicts is dropped by
whoever fits.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.model.fit import Fit
from autoalign.model.predict import BenchModel

__all__ = ["DRIFT", "LASTING", "VERSION", "recall", "remember"]

Floats = npt.NDArray[np.float64]

VERSION = 1
DRIFT = {"drift_shift": 0.2, "drift_turn": 1.5e-3, "drift_calibration": 0.1}
"""How far parts (mm) and their directions (rad) wander between alignments, and what part of its
prior any other unknown does; overridden by name."""

LASTING = 30.0
"""Days for which :data:`DRIFT` holds; after that it grows with the square root of time."""

FOREVER = 1e6
"""Days beyond which a calibration ages no more."""
WIDEST, FAR = 1e3, 1e6
"""What a calibration may hold at most: standard uncertainties in units of its priors (parts that no
measurement tells apart drift on, thrice their prior at most each time), and its priors in those of
today."""


def remember(model: BenchModel, fit: Fit, when: datetime | None = None) -> dict[str, Any]:
    """Return the posterior as data that JSON can hold."""
    return {
        "version": VERSION,
        "saved": None if when is None else when.isoformat(),
        "kind": model.layout.kind,
        "axes": {a.name: [a.unit, a.lower, a.upper] for a in model.axes},
        "names": list(model.unknowns.names),
        "sigma": model.unknowns.sigma.tolist(),
        "phi": fit.phi.tolist(),
        "root": fit.root.tolist(),
    }


def recall(
    model: BenchModel, calibration: Any, priors: Mapping[str, float] | None = None
) -> tuple[tuple[Floats, Floats] | None, str]:
    """Return the aged prior (mean, precision root) in units of the model's priors, and a remark.

    None if there is nothing to use; the remark says why. Nothing that ``calibration`` may hold
    raises: it comes from a file that anybody may have changed.
    """
    try:
        problem = _mismatch(model, calibration)
        if problem:
            return None, problem
        prior = _aged(model, calibration, dict(priors or {}))
    except (ValueError, TypeError, RecursionError) as error:
        return None, f"the calibration is not plausible ({error}); not used"
    saved = calibration.get("saved")
    return prior, f"starts from the calibration{f' of {saved}' if isinstance(saved, str) else ''}"


def _mismatch(model: BenchModel, calibration: Any) -> str:
    if calibration is None:
        return "no calibration"
    if not isinstance(calibration, Mapping) or calibration.get("version") != VERSION:
        return "the calibration has another version; not used"
    axes = {a.name: [a.unit, a.lower, a.upper] for a in model.axes}
    if calibration.get("kind") != model.layout.kind or calibration.get("axes") != axes:
        return "the calibration is of another bench or of other axes; not used"
    if calibration.get("names") != list(model.unknowns.names):
        return "the calibration has other unknowns; not used"
    return ""


def _aged(
    model: BenchModel, calibration: Mapping[str, Any], priors: Mapping[str, float]
) -> tuple[Floats, Floats]:
    """Return mean and precision root; raise ``ValueError`` in words where they make no sense."""
    size, own = model.size, model.unknowns.sigma
    sigma = _numbers(calibration, "sigma", (size,))
    if not np.all((sigma > own / FAR) & (sigma < own * FAR)):
        raise ValueError("its priors are not those of a bench")
    ratio = sigma / own
    mean, root = _numbers(calibration, "phi", (size,)), _numbers(calibration, "root", (size, size))
    if np.abs(root).max() > WIDEST:
        raise ValueError("it knows less than nothing")
    if np.abs(mean).max() > WIDEST or np.abs(mean * ratio).max() >= 10:
        raise ValueError("values far outside their priors")
    root = root * ratio[:, None]
    covariance = root @ root.T + np.diag(_drift(model, priors, _grown(calibration)) ** 2)
    spread = np.linalg.eigvalsh(covariance)
    if not spread[0] > size * np.finfo(float).eps * spread[-1]:
        raise ValueError("it claims to know something exactly")
    return mean * ratio, np.linalg.cholesky(np.linalg.inv(covariance)).T


def _numbers(calibration: Mapping[str, Any], key: str, shape: tuple[int, ...]) -> Floats:
    """Return ``memory[key]`` as finite numbers of ``shape``; texts and truths are no numbers."""
    found = np.asarray(calibration.get(key), dtype=object)
    if found.shape != shape or not all(type(v) in (int, float) for v in found.flat):
        raise ValueError(f"its {key} is not {' × '.join(map(str, shape))} numbers")
    try:
        numbers = found.astype(np.float64)
    except OverflowError:  # JSON's whole numbers have no end
        numbers = np.array([np.inf])
    if not np.all(np.isfinite(numbers)):
        raise ValueError(f"its {key} is not finite")
    return numbers


def _grown(calibration: Mapping[str, Any]) -> float:
    """How many times larger than :data:`DRIFT` the drift is by now."""
    days = calibration.get("age_days")
    if not isinstance(days, int | float):
        return 1.0
    return math.sqrt(min(max(LASTING, days), FOREVER) / LASTING)


def _drift(model: BenchModel, priors: Mapping[str, float], grown: float = 1.0) -> Floats:
    """Standard deviation of the drift (m,) in units of the priors."""
    known = {k: grown * float(priors.get(k, v)) for k, v in DRIFT.items()}
    drift = np.full(model.size, 0.0)
    for (thing, what), block in model.unknowns.blocks.items():
        if what == "rigid" and thing not in model.planes:
            sizes = [known["drift_turn"]] * 3 + [known["drift_shift"]] * 3
            drift[block.slice] = np.minimum(sizes / model.unknowns.sigma[block.slice], 3.0)
        elif what == "emission" or thing in model.planes:
            drift[block.slice] = min(known["drift_calibration"], 1.0)
    return drift
