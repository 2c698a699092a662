"""A Gaussian process of several outputs that share one kernel: Matérn 5/2, a length for each axis.

C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning (MIT Press, 2006),
sections 2.2, 4.2 and 5.4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

__all__ = ["GaussianProcess", "worth_keeping"]

Floats = npt.NDArray[np.float64]

_SHORTEST, _LONGEST = 0.02, 30.0
"""Lengths, in units of the inputs, between which the kernel's are sought."""

_JITTER = 1e-8


class GaussianProcess:
    """Given ``x`` (n, d) and ``y`` (n, m): what is to be expected elsewhere.

    Parameters
    ----------
    x
        Places, each axis of about unit range.
    y
        Values; each output is scaled by its own mean and spread.
    lengths
        (d + 1,) logarithms of the kernel's lengths and of the noise, to begin from; those of an
        earlier fit save time.
    fit
        Whether to seek better ones by the marginal likelihood.
    """

    def __init__(
        self, x: Floats, y: Floats, lengths: Floats | None = None, fit: bool = True
    ) -> None:
        self.x = x
        self._mean = y.mean(0)
        self._spread = np.maximum(y.std(0), 1e-12)
        self._y = (y - self._mean) / self._spread
        start = np.append(np.zeros(x.shape[1]), math.log(1e-3))
        self.lengths = start if lengths is None else lengths
        if fit and len(x) > 1:
            self.lengths = self._fitted(self.lengths)
        kernel = self._kernel(self.lengths)
        self._factor = np.linalg.cholesky(kernel)
        self._weights = np.linalg.solve(self._factor.T, np.linalg.solve(self._factor, self._y))

    def at(self, places: Floats) -> tuple[Floats, Floats]:
        """Return means and standard deviations (k, m) of the outputs at ``places`` (k, d)."""
        across = _matern(places, self.x, self.lengths[:-1])
        half = np.linalg.solve(self._factor, across.T)
        variance = np.maximum(1 - (half * half).sum(0), 1e-12)
        mean = self._mean + self._spread * (across @ self._weights)
        return mean, self._spread * np.sqrt(variance)[:, None]

    def drawn(self, places: Floats, rng: np.random.Generator) -> Floats:
        """Return one draw (k, m) of the outputs at ``places``, correlated as the process has it."""
        across = _matern(places, self.x, self.lengths[:-1])
        half = np.linalg.solve(self._factor, across.T)
        covariance = _matern(places, places, self.lengths[:-1]) - half.T @ half
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        chance = root @ rng.standard_normal((len(places), self._y.shape[1]))
        return np.asarray(self._mean + self._spread * (across @ self._weights + chance))

    def _kernel(self, lengths: Floats) -> Floats:
        noise = math.exp(lengths[-1]) + _JITTER
        return _matern(self.x, self.x, lengths[:-1]) + noise * np.eye(len(self.x))

    def _fitted(self, start: Floats) -> Floats:
        from scipy.optimize import minimize  # noqa: PLC0415 - heavy

        limits = [(math.log(_SHORTEST), math.log(_LONGEST))] * (len(start) - 1)
        limits.append((math.log(1e-6), math.log(0.1)))
        found = minimize(
            self._unlikely, start, bounds=limits, method="L-BFGS-B", options={"maxiter": 15}
        )
        return np.asarray(found.x)

    def _unlikely(self, lengths: Floats) -> float:
        """Return the negative logarithm of the marginal likelihood of all outputs."""
        try:
            factor = np.linalg.cholesky(self._kernel(lengths))
        except np.linalg.LinAlgError:
            return 1e10
        half = np.linalg.solve(factor, self._y)
        outputs = self._y.shape[1]
        return float((half * half).sum() / 2 + outputs * np.log(np.diag(factor)).sum())


def worth_keeping(costs: Sequence[float], count: int) -> list[int]:
    """Return which of ``costs`` are the best half of ``count``, and the latest half, in order."""
    if len(costs) <= count:
        return list(range(len(costs)))
    best = sorted(range(len(costs)), key=costs.__getitem__)[: count // 2]
    return sorted({*best, *range(len(costs) - count // 2, len(costs))})


def _matern(a: Floats, b: Floats, logs: Floats) -> Floats:
    inverse = np.exp(-logs)
    away = (a * inverse)[:, None, :] - (b * inverse)[None, :, :]
    r = math.sqrt(5) * np.sqrt((away * away).sum(-1))
    return np.asarray((1 + r + r * r / 3) * np.exp(-r))
