"""A response matrix that is learnt from every measurement, noise and nonlinearity considered.

Recursive least squares on differences: Δr = J Δu + noise, each row of J with the same prior
covariance P. Where P is round and the noise small this is Broyden's rank-one update (C. G. Broyden,
Math. Comp. 19, 1965); a forward difference along a fresh axis sets its column.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.model.bounded import bounded_least_squares

__all__ = ["ResponseEstimate"]

Floats = npt.NDArray[np.float64]


@dataclass(slots=True, eq=False)
class ResponseEstimate:
    """Estimate of J (m, n) in residuals per unit of the scaled axes, and P (n, n) of its rows.

    Parameters
    ----------
    residuals, axes
        m and n.
    unknown
        Standard deviation of a column that nothing is known of.
    wander
        By how much of itself J may change over a step of length 1; keeps the estimate awake.
    """

    residuals: int
    axes: int
    unknown: float = 1e3
    wander: float = 0.01
    matrix: Floats = field(init=False)
    covariance: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.matrix = np.zeros((self.residuals, self.axes))
        self.covariance = self.unknown**2 * np.eye(self.axes)

    def learn(self, step: Floats, change: Floats, noise: float) -> None:
        """Take in that ``step`` (n,) changed the residuals by ``change`` (m,) ± ``noise``."""
        if not step.any():
            return
        size = float(np.sqrt(np.mean(self.matrix**2)))
        self.covariance += (
            (self.wander * size) ** 2 * min(float(step @ step), 1.0) * np.eye(self.axes)
        )
        spread = self.covariance @ step
        doubt = 2 * noise**2 + 1e-12
        gain = spread / (max(float(step @ spread), 0.0) + doubt)
        self.matrix += np.outer(change - self.matrix @ step, gain)
        # Joseph's form stays positive where what is left is a millionth of a millionth.
        left = np.eye(self.axes) - np.outer(gain, step)
        self.covariance = left @ self.covariance @ left.T + doubt * np.outer(gain, gain)

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        """(n,) which axes have been pushed."""
        known: npt.NDArray[np.bool_] = np.diag(self.covariance) < (self.unknown / 2) ** 2
        return known

    def step(self, residuals: Floats, damping: float, lower: Floats, upper: Floats) -> Floats:
        """Return the step u (n,) within ``lower``, ``upper`` of the least expected square.

        The expectation of |r + J u|² over what J may be is |r + Ĵ u|² + m uᵀ P u; |damping · u|²
        comes on top.
        """
        count = self.axes
        values, vectors = np.linalg.eigh(self.covariance)  # rounding may leave some below 0
        root = (vectors * np.sqrt(np.maximum(values, 0.0))).T
        system = np.vstack([self.matrix, np.sqrt(self.residuals) * root, damping * np.eye(count)])
        right = np.concatenate([-residuals, np.zeros(2 * count)])
        return bounded_least_squares(system, right, lower, upper)

    def promise(self, residuals: Floats, step: Floats) -> float:
        """Return the largest residual that is left if J is right."""
        return float(np.max(np.abs(residuals + self.matrix @ step)))
