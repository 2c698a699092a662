"""Whether what a window has settled on can be a beam at all."""

from __future__ import annotations

import math

from autoalign.beam.frame.iterate import Seen

__all__ = ["grown_over", "no_larger_than_hot_pixels"]

FRAMES = 1.5
"""Area of the window over that of the frame, from which the light may be the background's own."""

THIN = 0.02
"""Light in the window over that of a Gaussian of the same widths and peak. A disk has 2; a beam in
its own noise, or with hot pixels fifty times as high, still more than this."""

SMALLEST = 3.0
"""Width d_σ in pixels, up to which a spot cannot be told from a few hot pixels side by side."""


def grown_over(seen: Seen, shape: tuple[int, int], pitch: tuple[float, float], peak: float) -> bool:
    """Return whether a window has grown over the frame, and its highest pixel is of no such beam.

    Uneven light does that under a spot in a corner, or under hot pixels side by side: the moments
    are then those of the unevenness.
    """
    pixel = pitch[0] * pitch[1]
    window = 4 * seen.window.half_x * seen.window.half_y
    if window < FRAMES * shape[0] * shape[1] * pixel:
        return False
    xx, yy, xy = (float(m) for m in seen.moments[2:5])
    gaussian = 2 * math.pi * math.sqrt(max(xx * yy - xy * xy, 0.0)) / pixel * peak
    return seen.power < THIN * gaussian


def no_larger_than_hot_pixels(seen: Seen, pitch: tuple[float, float]) -> bool:
    """Return whether a spot is so small that a few hot pixels side by side would look like it."""
    widths = (
        4 * math.sqrt(max(float(m), 0.0)) / p for m, p in zip(seen.moments[2:4], pitch, strict=True)
    )
    return max(widths) < SMALLEST
