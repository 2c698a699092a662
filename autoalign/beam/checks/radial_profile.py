"""The beam along rays from its centroid, in units of its own widths."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.iterate import Seen
from autoalign.beam.frame.preprocess import Prepared

__all__ = ["Polar"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

RAYS = 48
STEPS = 100
REACH = 2.5
"""Length of a ray in half widths d_σ/2."""


@dataclass(frozen=True, slots=True, eq=False)
class Polar:
    """Light along rays.

    ``light`` (rays, steps) in pixel values over the background, each averaged over three rays and
    three steps; ``angle`` (rays,) rad; ``t`` (steps,) distance in units of the ray's half width;
    ``half_width`` (rays,) mm: from the centroid to the ellipse of d_σ; ``noise`` standard deviation
    of one dark entry; ``profile`` (steps,) the median over all rays, ``top`` its highest level;
    ``on_sensor`` (rays, steps) where all nine places are pixels of the sensor.
    """

    light: Floats
    angle: Floats
    t: Floats
    half_width: Floats
    noise: float
    profile: Floats
    top: float
    on_sensor: Bools

    @classmethod
    def of(cls, ready: Prepared, seen: Seen, noise: float) -> Polar:
        """Sample the nearest pixels along the rays; beyond the sensor there is no light."""
        moments, (px, py) = seen.moments, ready.pitch
        angle: Floats = np.arange(RAYS, dtype=np.float64) * (2 * math.pi / RAYS)
        direction = np.array([np.cos(angle), np.sin(angle)])
        xx, yy, xy = moments[2:5]
        inverse = np.array([[yy, -xy], [-xy, xx]]) / (xx * yy - xy * xy)
        half = 2 / np.sqrt(np.einsum("ir,ij,jr->r", direction, inverse, direction))
        t: Floats = (np.arange(STEPS, dtype=np.float64) + 0.5) * (REACH / STEPS)
        radius = half[:, None] * t
        column = np.rint((moments[0] + direction[0][:, None] * radius) / px).astype(np.intp)
        row = np.rint((moments[1] + direction[1][:, None] * radius) / py).astype(np.intp)
        rows, columns = ready.pixels.shape
        outside = (row < 0) | (row >= rows) | (column < 0) | (column >= columns)
        values = ready.pixels[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)]
        values = values.astype(np.float64)
        level, sx, sy = seen.background.around(float(moments[0]), float(moments[1]))
        light = values - level
        if sx or sy:
            light = light - radius * (sx * direction[0] + sy * direction[1])[:, None]
        light[outside] = 0.0
        beyond = outside | np.roll(outside, 1, axis=0) | np.roll(outside, -1, axis=0)
        beyond[:, :-1] |= beyond[:, 1:]
        light = (light + np.roll(light, 1, axis=0) + np.roll(light, -1, axis=0)) / 3
        light[:, 1:-1] = (light[:, :-2] + light[:, 1:-1] + light[:, 2:]) / 3
        distinct = max(1.0, min(3.0, 3 * REACH / STEPS * float(half.min()) / max(px, py)))
        profile = np.sort(light, axis=0)[RAYS // 2]
        top = float(profile.max())
        return cls(light, angle, t, half, noise / math.sqrt(3 * distinct), profile, top, ~beyond)
