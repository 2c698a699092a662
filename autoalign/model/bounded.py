"""Least squares within bounds: the one place that solves it, with scipy's own solver."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["bounded_least_squares"]

Floats = npt.NDArray[np.float64]

TIGHT = 1e-12
"""First-order optimality at which the solver ends, for columns and right side of length 1."""
ROUNDS = 10
"""Steps that the solver may take, per unknown."""


def bounded_least_squares(system: Floats, goal: Floats, lower: Floats, upper: Floats) -> Floats:
    """Return the x (n,) within ``lower`` and ``upper`` (n,) for which |A x − b| is smallest.

    Parameters
    ----------
    system, goal
        A (m, n) and b (m,).
    lower, upper
        Bounds (n,), infinite ones allowed; an unknown whose bounds meet stays there.

    Where the minimum without bounds (the shortest x of equal ones) lies within them, it is the
    answer. Else ``scipy.optimize.lsq_linear`` finds it by active sets (P. B. Stark and R. L.
    Parker, Computational Statistics 10, 1995), on columns of equal length, so that mm and rad
    count alike.
    """
    x = np.array(lower, dtype=np.float64)
    free = lower < upper
    if not free.any():
        return x
    a, low, high = system[:, free], lower[free], upper[free]
    b = goal - system[:, ~free] @ x[~free]
    inner = np.asarray(np.linalg.lstsq(a, b, rcond=None)[0], dtype=np.float64)
    if np.any((inner < low) | (inner > high)):
        from scipy.optimize import lsq_linear  # noqa: PLC0415 - heavy; only where a bound counts

        size = np.linalg.norm(a, axis=0)
        size[size == 0] = 1.0
        unit = max(float(np.linalg.norm(b)), 1e-300)
        found = lsq_linear(
            a / size, b / unit, (low * size / unit, high * size / unit), "bvls",
            tol=TIGHT, max_iter=ROUNDS * len(size),
        )  # fmt: skip
        inner = np.clip(found.x * unit / size, low, high)
        inner = np.choose(found.active_mask.astype(int) + 1, (low, inner, high))
    x[free] = inner
    return x
