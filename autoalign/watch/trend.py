"""Where the drift is heading."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from autoalign.watch.policy import Sighting

__all__ = ["trend"]


def trend(seen: Sequence[Sighting], ahead: float) -> float:
    """Return the largest residual, in tolerances, that the trend reaches in ``ahead`` s.

    A straight line through every residual of the looks since the last move. A slope that is not
    three times its own standard uncertainty is taken for noise (common practice); fewer than four
    looks say nothing.
    """
    usable = [s for s in seen if s.observation.verdict is not None]
    if len(usable) < 4:
        return 0.0
    t = np.array([s.time for s in usable])
    verdicts = [s.observation.verdict for s in usable]
    r = np.stack([v.residuals for v in verdicts if v is not None])
    span = t - t.mean()
    spread = float(span @ span)
    if spread <= 0:
        return 0.0
    slope = span @ r / spread
    left = r - r.mean(axis=0) - span[:, None] * slope
    u = np.sqrt(np.sum(left**2, axis=0) / (len(t) - 2) / spread)
    sure = np.abs(slope) > 3 * u
    reached = np.abs(r.mean(axis=0) + slope * (t[-1] + ahead - t.mean()))
    return float(np.max(reached[sure], initial=0.0))
