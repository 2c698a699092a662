"""Whether what a window has settled on can be a beam at all."""

from __future__ import annotations

import math

from autoalign.beam.checks.thresholds import THRESHOLDS
from autoalign.beam.frame.iterate import Converged

__all__ = ["larger_than_frame", "no_larger_than_hot_pixels", "too_little_light"]


def larger_than_frame(seen: Converged, shape: tuple[int, int], pitch: tuple[float, float]) -> bool:
    """Return whether the window has grown over the frame.

    Uneven light does that under a spot in a corner, or under hot pixels side by side: the moments
    are then those of the unevenness.
    """
    window = 4 * seen.window.half_x * seen.window.half_y
    return window >= THRESHOLDS.lost_frames * shape[0] * shape[1] * pitch[0] * pitch[1]


def too_little_light(seen: Converged, pitch: tuple[float, float], peak: float) -> bool:
    """Return whether the highest pixel, ``peak``, is of no beam of these widths."""
    xx, yy, xy = (float(m) for m in seen.moments[2:5])
    area = 2 * math.pi * math.sqrt(max(xx * yy - xy * xy, 0.0)) / (pitch[0] * pitch[1])
    return seen.power < THRESHOLDS.lost_light * area * peak


def no_larger_than_hot_pixels(seen: Converged, pitch: tuple[float, float]) -> bool:
    """Return whether a spot is so small that a few hot pixels side by side would resemble it."""
    widths = (
        4 * math.sqrt(max(float(m), 0.0)) / p for m, p in zip(seen.moments[2:4], pitch, strict=True)
    )
    return max(widths) < THRESHOLDS.lost_width
