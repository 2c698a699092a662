"""Saturated pixels, with a known saturation level and without one.

A camera of 12 bits writes files of 16, and its pixels end at 4095, or where they are full. Nothing
but the frame tells that then: many neighbouring pixels share the highest value, and hardly any lie
just below it. A beam's own top is not like that. Its levels near the top hold about as many pixels
each, and noise spreads a flat top over many levels, of which the highest holds the fewest.

Without noise there is no such difference: an even disk, as computed, is a plateau by itself. There
a plateau counts only where it ends at 2ⁿ − 1, n from 8 on. A camera that cuts off at another level,
with neither noise in the dark nor in the light, is not detected.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.context import Context
from autoalign.beam.checks.frame_check import Evidence
from autoalign.beam.frame.pixels import fill
from autoalign.beam.frame.preprocess import Prepared
from autoalign.core.digits import percent
from autoalign.core.frames import Pixels

__all__ = ["saturated"]

Bools = npt.NDArray[np.bool_]


def saturated(context: Context) -> Evidence | None:
    """Tell a frame with pixels at the top of its range, or with a plateau below it."""
    ready, least = context.ready, context.thresholds.saturated_pixels
    found = _at_the_top(ready, least) or _plateau(context)
    if found is None:
        return None
    count, what = found
    xx, yy, xy = context.seen.moments[2:5]
    pixel = ready.pitch[0] * ready.pitch[1]
    beam = 4 * math.pi * math.sqrt(max(xx * yy - xy * xy, 0.0)) / pixel
    part = count / max(beam, 1.0)
    return Evidence(f"{count} {what}, {percent(part)} of the beam's area", part)


def _at_the_top(ready: Prepared, least: int) -> tuple[int, str] | None:
    frame, hot, top = ready.frame, ready.hot, ready.frame.saturation
    if top is None or float(ready.tops.max()) < top:
        return None
    count = int(np.count_nonzero(frame.pixels >= top))
    count -= int(np.count_nonzero(frame.pixels[hot.rows, hot.columns] >= top))
    return None if count < least else (count, f"pixels at {top:g} or above")


def _plateau(context: Context) -> tuple[int, str] | None:
    """Find a plateau of equal maxima inside the window, hot pixels left out."""
    ready, limits = context.ready, context.thresholds
    given = ready.frame.pixels
    r0, r1, c0, c1 = context.seen.window.box(ready.shape, ready.pitch)
    light = (fill(given, ready.hot) if len(ready.hot) else given)[r0:r1, c0:c1]
    tops = light.max(axis=1)
    top = tops.max()
    rows = np.flatnonzero(tops == top)
    at_top = light[rows[0] : rows[-1] + 1] == top
    count = int(np.count_nonzero(at_top))
    if count < limits.plateau_pixels or not _side_by_side(at_top):
        return None
    top, low, step = float(top), float(light.min()), _step(light)
    if top - low < limits.plateau_steps * step:
        return None
    if count < limits.plateau_stands_out * _most_below(light, top, low):
        return None
    whole = light.dtype.kind == "u"
    least = limits.plateau_quiet * step if whole else limits.plateau_noiseless * (top - low)
    if context.noise < least and not _is_full(round(top / step) if step else 0):
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
