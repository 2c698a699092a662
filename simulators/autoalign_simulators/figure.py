"""Figure error of a real mirror: smooth low orders, and the ripple that polishing leaves."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["FigureError"]

Floats = npt.NDArray[np.float64]

_LOW = 7
"""Low orders: astigmatism at 0° and 45°, coma in x and y, trefoil in x and y, spherical."""


@dataclass(frozen=True, slots=True)
class FigureError:
    """Height of a surface over its ideal shape; callable as :data:`autoalign.optics.trace.Figure`.

    Parameters
    ----------
    radius
        Semi-diameter that the low orders are normalised to, mm.
    low
        (7,) rms heights, mm: astigmatism 0°/45°, coma x/y, trefoil x/y, spherical.
    waves
        (n, 4) ripple: amplitude in mm, wave numbers along x and y in rad/mm, phase in rad.
    """

    radius: float
    low: tuple[float, ...] = (0.0,) * _LOW
    waves: tuple[tuple[float, float, float, float], ...] = ()

    @classmethod
    def draw(
        cls,
        rng: np.random.Generator,
        radius: float,
        low_rms: float = 20e-6,
        ripple_rms: float = 2e-6,
        period: float = 5.0,
        count: int = 5,
    ) -> FigureError:
        """Draw a mirror with ``low_rms`` and ``ripple_rms`` (mm, surface) in total.

        ``period`` is the typical period of the ripple, mm.
        """
        low = rng.normal(size=_LOW)
        low *= low_rms / max(float(np.linalg.norm(low)), 1e-300)
        size = ripple_rms * math.sqrt(2 / count)
        k = 2 * math.pi / (period * rng.uniform(0.7, 1.4, count))
        azimuth, phase = rng.uniform(0, 2 * math.pi, (2, count))
        waves = np.column_stack(
            [np.full(count, size), k * np.cos(azimuth), k * np.sin(azimuth), phase]
        )
        return cls(radius, tuple(low.tolist()), tuple(tuple(w) for w in waves.tolist()))

    def __call__(self, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        """Return height, mm, and its slopes along x and y, at local ``x``, ``y``, mm."""
        height, sx, sy = self._low_orders(x / self.radius, y / self.radius)
        sx, sy = sx / self.radius, sy / self.radius
        for amplitude, kx, ky, phase in self.waves:
            angle = kx * x + ky * y + phase
            wave, slope = amplitude * np.sin(angle), amplitude * np.cos(angle)
            height, sx, sy = height + wave, sx + kx * slope, sy + ky * slope
        return height, sx, sy

    def _low_orders(self, p: Floats, q: Floats) -> tuple[Floats, Floats, Floats]:
        """Noll-normalised Zernike terms Z5–Z11 on the unit disk, with derivatives."""
        a0, a45, cx, cy, tx, ty, s = self.low
        a0, a45 = a0 * math.sqrt(6), a45 * math.sqrt(6)
        cx, cy, tx, ty = (v * math.sqrt(8) for v in (cx, cy, tx, ty))
        s *= math.sqrt(5)
        pp, qq, pq = p * p, q * q, p * q
        r2, tilted, bowl = pp + qq, cx * p + cy * q, 3 * (pp + qq) - 2
        height = (
            a0 * (pp - qq) + 2 * a45 * pq + tilted * bowl
            + (tx * p) * (pp - 3 * qq) + (ty * q) * (3 * pp - qq) + s * (6 * r2 * (r2 - 1) + 1)
        )  # fmt: skip
        common = 6 * tilted + s * (24 * r2 - 12)
        three = 3 * (pp - qq)
        dp = 2 * (a0 * p + a45 * q) + cx * bowl + common * p + tx * three + 6 * ty * pq
        dq = 2 * (a45 * p - a0 * q) + cy * bowl + common * q - 6 * tx * pq + ty * three
        return height, dp, dq
