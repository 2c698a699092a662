"""Where the drift is heading."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from autoalign.watch.policy import WatchMeasurement

__all__ = ["trend"]


def trend(seen: Sequence[WatchMeasurement], ahead: float) -> npt.NDArray[np.float64]:
    """Return (n,) how far, in tolerances, the trend takes each component in ``ahead`` s.

    The components are those of the terms, in their order; (0,) where nothing was judged. A straight
    line goes through each of the measurements since the last move. A slope that is not three times
    its own standard uncertainty is taken for noise (common practice) and gives 0, as do fewer than
    four measurements.
    """
    usable = [(s.time, s.measurement.verdict) for s in seen]
    t = np.array([time for time, verdict in usable if verdict is not None])
    rows = [np.concatenate([k.components for k in v.terms]) for _, v in usable if v is not None]
    if len(rows) < 4:
        return np.zeros_like(rows[0]) if rows else np.zeros(0)
    r = np.stack(rows)
    span = t - t.mean()
    spread = float(span @ span)
    if spread <= 0:
        return np.zeros_like(rows[0])
    slope = span @ r / spread
    left = r - r.mean(axis=0) - span[:, None] * slope
    u = np.sqrt(np.sum(left**2, axis=0) / (len(t) - 2) / spread)
    sure = np.abs(slope) > 3 * u
    reached = np.abs(r.mean(axis=0) + slope * (t[-1] + ahead - t.mean()))
    return np.where(sure, reached, 0.0)
