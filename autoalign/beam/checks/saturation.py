"""Pixels at the top of what the camera can say: where that is known, and where nobody said it.

A camera of 12 bits writes files of 16, and its pixels end at 4095, or where they are full. Nothing
but the frame tells that then: many neighbouring pixels share the highest value, and hardly any lie
just below it. A beam's own top does not look so. Its levels near the top hold about as many pixels
each, and noise spreads a flat top over many levels, of which the highest holds the fewest.

Without noise there is no such difference: an even disk, as computed, is a plateau by itself. There
a plateau counts only where it ends at 2ⁿ − 1, n from 8 on. A camera that cuts off at another level,
with neither noise in the dark nor in the light, is not told.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.iterate import Seen
from autoalign.beam.frame.pixels import HotPixels, fill
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.profile import Flag, FlagKind, Use
from autoalign.core.frames import Frame, Pixels

__all__ = ["saturated"]

Bools = npt.NDArray[np.bool_]

SATURATED_PIXELS = 4
"""Pixels at the top of the range that make a frame saturated; a lone one is a hot pixel."""

PLATEAU_PIXELS = 8
"""Pixels that share the highest value, from which they may be a plateau."""

STANDS_OUT = 4.0
"""Pixels at the highest value over those at any value just below, from which it is a plateau: a
Gaussian has about 1, one of exp(−2 r⁸) without noise 3."""

STEPS = 16
"""Height of a plateau over the lowest pixel, in the file's own steps, from which it is told."""

QUIET = 0.35
"""Noise in steps, below which there is none but that of rounding, which is 0.29."""

NOISELESS = 1e-5
"""Noise of floats over the height of the plateau, below which there is none."""


def saturated(ready: Prepared, seen: Seen, noise: float) -> Flag | None:
    """Tell a frame with pixels at the top of its range, or with a plateau below it."""
    found = _at_the_top(ready.frame, ready.hot) or _plateau(ready, seen, noise)
    if found is None:
        return None
    count, what = found
    xx, yy, xy = seen.moments[2:5]
    pixel = ready.pitch[0] * ready.pitch[1]
    beam = 4 * math.pi * math.sqrt(max(xx * yy - xy * xy, 0.0)) / pixel
    part = count / max(beam, 1.0)
    use = Use.POSITION if part < 0.5 else Use.DIRECTION
    return Flag(FlagKind.SATURATED, f"{count} {what}, {part:.0%} of the beam's area", use)


def _at_the_top(frame: Frame, hot: HotPixels) -> tuple[int, str] | None:
    top = frame.saturation
    if top is None or float(frame.pixels.max()) < top:
        return None
    count = int(np.count_nonzero(frame.pixels >= top))
    count -= int(np.count_nonzero(frame.pixels[hot.rows, hot.columns] >= top))
    return None if count < SATURATED_PIXELS else (count, f"pixels at {top:g} or above")


def _plateau(ready: Prepared, seen: Seen, noise: float) -> tuple[int, str] | None:
    """Look for a plateau of equal maxima inside the window, hot pixels left out."""
    given = ready.frame.pixels
    r0, r1, c0, c1 = seen.window.box(ready.shape, ready.pitch)
    light = (fill(given, ready.hot) if len(ready.hot) else given)[r0:r1, c0:c1]
    top = light[::2].max()
    if np.count_nonzero(light[::2] == top) < 2:
        return None
    top = light.max()
    at_top = light == top
    count = int(np.count_nonzero(at_top))
    if count < PLATEAU_PIXELS or not _side_by_side(at_top):
        return None
    top, low, step = float(top), float(light.min()), _step(light)
    if top - low < STEPS * step or count < STANDS_OUT * _most_below(light, top, low):
        return None
    least = QUIET * step if light.dtype.kind == "u" else NOISELESS * (top - low)
    if noise < least and not _is_full(round(top / step) if step else 0):
        return None
    return count, f"pixels share the highest value, {top:g}, and hardly any lie just below it"


def _side_by_side(at_top: Bools) -> bool:
    """Tell whether four of them make a square anywhere: a row of hot pixels does not."""
    pairs = at_top[1:] & at_top[:-1]
    return bool((pairs[:, 1:] & pairs[:, :-1]).any())


def _step(light: Pixels) -> int:
    """Return the step between whole numbers: their lowest bit in use; 0 for floats."""
    if light.dtype.kind != "u":
        return 0
    used = int(np.bitwise_or.reduce(light, axis=None))
    return used & -used


def _most_below(light: Pixels, top: float, low: float) -> int:
    """Return the most pixels at any one value within a tenth of the light below ``top``.

    Of the values that occur, the next four count in any case.
    """
    upper = light[light > low + (top - low) / 2]
    values, counts = np.unique(upper, return_counts=True)
    near = max(4, int(np.count_nonzero(values[:-1] >= top - (top - low) / 10)))
    return int(counts[:-1][-near:].max(initial=0))


def _is_full(value: int) -> bool:
    return value >= 255 and value & (value + 1) == 0
