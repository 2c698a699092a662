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

from autoalign.beam.checks.clipping import clipped_by_sensor
from autoalign.beam.checks.context import Context, Evidence
from autoalign.beam.frame.iterate import Converged, fine
from autoalign.beam.frame.moments import WINDOW_FACTOR
from autoalign.beam.frame.pixels import fill
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.profile import Use
from autoalign.core.frames import Pixels
from autoalign.core.units import percent

__all__ = ["ambient", "frozen", "outgrown", "saturated", "stale", "too_noisy", "torn", "unsettled"]

# Whether the window has come to rest, and on the beam.


def outgrown(context: Context) -> Evidence | None:
    """Tell a window that noise or uneven light may have let grow over the frame."""
    ready, settled, limits = context.ready, context.settled, context.thresholds
    window = context.seen.window
    frame = ready.shape[0] * ready.pitch[1] * ready.shape[1] * ready.pitch[0]
    part = 4 * window.half_x * window.half_y / frame
    faint = context.peak < limits.outgrown_faint * context.noise
    if part <= limits.outgrown:
        return None
    doubtful = faint or settled.unsteady > limits.outgrown_unsteady
    if not doubtful and clipped_by_sensor(context) is None:
        return None
    ratio = _area_inside(context)
    if not doubtful and limits.inner_least < ratio < limits.inner_most:
        return None
    words = (
        f"the window has {part:.1f} times the area of the frame, and widths are good to "
        f"{percent(settled.unsteady)}: noise or uneven light may have let it grow"
    )
    return Evidence(words, context.widened(_doubt_of(ratio)))


def unsettled(context: Context) -> Evidence | None:
    """Tell a window that still changes, by more than noise makes it."""
    left = context.seen.change
    if left <= max(context.thresholds.still_changing, context.settled.unsteady):
        return None
    words = f"the window still changes by {left:.2g} of its half sides"
    return Evidence(words, context.widened(UNFINISHED * left))


def too_noisy(context: Context) -> Evidence | None:
    """Tell a beam for which noise forbade the standard's window.

    The uncertainty of its widths is in the covariance; more is added where a still narrower window
    shows another beam.
    """
    settled, limits = context.settled, context.thresholds
    if settled.factor >= WINDOW_FACTOR:
        return None
    words = (
        f"too noisy for a window of {WINDOW_FACTOR:g} widths; {settled.factor:g} were taken, "
        f"widths are good to {percent(settled.unsteady)}"
    )
    ratio = _area_inside(context)
    if limits.inner_least < ratio < limits.inner_most:
        return Evidence(words)
    words += f", but one of {limits.inner_factor:g} gives {percent(ratio)} of the beam's area"
    return Evidence(words, context.widened(_doubt_of(ratio)))


UNFINISHED = 3.0
"""What is left to go, over the last change of a window that has not come to rest."""


def _doubt_of(ratio: float) -> float:
    """Return the relative uncertainty of widths whose inner window gives ``ratio`` of the area."""
    return abs(math.log(max(ratio, 0.1) / 0.88)) / 2


def _area_inside(context: Context) -> float:
    """Return the beam's area (of its second moments) in the inner window over that as settled."""
    ready, seen = context.ready, context.seen
    inner = fine(
        ready.pixels, ready.pitch, seen, context.thresholds.inner_factor, context.noise, 1e-3
    )
    if inner.lost:
        return 0.0
    areas = [m[2] * m[3] - m[4] ** 2 for m in (inner.moments, seen.moments)]
    return math.sqrt(max(float(areas[0] / areas[1]), 0.0))


Bools = npt.NDArray[np.bool_]

# Flags that need more than one exposure, or its rows one after another.

Floats = npt.NDArray[np.float64]


def stale(context: Context) -> Evidence | None:
    """Tell a frame that is no later than the one before."""
    frame, previous = context.ready.frame, context.previous
    if previous is None:
        return None
    number, number_before = frame.sequence, previous.sequence
    if number is not None and number_before is not None and number <= number_before:
        return Evidence(f"frame number {number} after number {number_before}", use=Use.NOTHING)
    began, began_before = frame.started, previous.started
    if began is not None and began_before is not None and began <= began_before:
        words = f"begun at {began:.6g} s, the one before at {began_before:.6g} s"
        return Evidence(words, use=Use.NOTHING)
    return None


def frozen(context: Context) -> Evidence | None:
    """Tell a frame with the pixels of the one before, which is not simply an older one."""
    if context.previous is None or context.once(stale) is not None:
        return None
    pixels, before = context.ready.frame.pixels, context.previous.pixels
    if pixels.shape != before.shape or pixels.min() == pixels.max():
        return None
    if not np.array_equal(pixels, before):
        return None
    words = f"all {pixels.size} pixels are those of the frame before"
    return Evidence(words, use=Use.NOTHING)


def ambient(context: Context) -> Evidence | None:
    """Tell a background that has changed since the reference, or that is plainly uneven."""
    seen, noise, reference = context.seen, context.noise, context.reference
    least, ground = context.thresholds.ambient_change * context.peak, seen.background
    level = ground.around(seen.window.x, seen.window.y)[0]
    u = 0.0 if ground.covariance is None else math.sqrt(ground.covariance[0, 0])
    if reference is not None:
        change = level - reference.background
        if abs(change) > max(least, 7 * u, 0.5 * noise):
            return Evidence(f"background {level:.4g}, was {reference.background:.4g} pixel values")
    across = 2 * seen.window.scale * math.hypot(*ground.slope)
    if across > max(least, noise):
        return Evidence(
            f"the background rises by {across:.3g} pixel values over the window; taken off"
        )
    return None


def torn(context: Context) -> Evidence | None:
    """Find one row boundary at which the picture jumps although both sides are lit."""
    ready, seen, limits = context.ready, context.seen, context.thresholds
    r0, r1, c0, c1 = seen.window.box(ready.shape, ready.pitch)
    if r1 - r0 < 12:
        return None
    r0, r1 = _bright_rows(seen, r0, r1, limits.torn_bright)
    level = seen.background.around(seen.window.x, seen.window.y)[0]
    lines = ready.pixels[r0:r1, c0 : c1 : max(1, (c1 - c0) // 64)].astype(np.float64)
    power = lines.sum(axis=1) - level * lines.shape[1]
    lit = np.minimum(power[:-1], power[1:]) > limits.torn_bright * power.max()
    seam, times = _worst_jump(lines, lit)
    if times < limits.torn_jump:
        return None
    # Few columns miss most of a slanting sharp edge and catch all of it in one row: now every one.
    first, last = max(seam - 8, 0), seam + 10
    lines = ready.pixels[r0 + first : r0 + last, c0:c1].astype(np.float64)
    lit = np.arange(len(lines) - 1) == seam - first
    times = _worst_jump(lines, lit)[1]
    two = lines[seam - first : seam - first + 2]
    jump = float(np.square(two[1] - two[0]).sum())
    along = float(np.square(np.diff(two, axis=1)).sum()) / 2
    light = float(np.square(two[0] - level).sum())
    if times < limits.torn_jump or jump < limits.torn_aside * along or jump < 1e-3 * light:
        return None
    if _in_part(two - level):
        return None
    return Evidence(
        f"the picture jumps between rows {r0 + seam} and {r0 + seam + 1}, "
        f"{times:.0f} times the usual difference of rows",
        use=Use.NOTHING,
    )


def _in_part(two: Floats) -> bool:
    """Whether the light of two rows (2, n) changes one way, and in fewer than half of its columns.

    Another picture of a beam has moved, brighter on one side and darker on the other, or it is as a
    whole brighter or darker; what stands in the light takes some away from where it stands.
    """
    step = two[1] - two[0]
    lit = two.max(axis=0) > two.max() / 4
    changed = lit & (np.abs(step) > two.max() / 8)
    more, less = (float(np.square(step[changed & (s * step > 0)]).sum()) for s in (1, -1))
    one_way = min(more, less) < 0.1 * max(more, less)
    return one_way and bool(np.count_nonzero(changed) < np.count_nonzero(lit) / 2)


def _bright_rows(seen: Converged, first: int, end: int, bright: float) -> tuple[int, int]:
    """Return which of the rows of pixels may be bright, with what is usual around them.

    As rows of cells tell, with room for what noise does to a single row.
    """
    grid = seen.grid
    light = grid.mean.sum(axis=1)
    light -= light.min()
    rows = np.flatnonzero(light > bright / 2 * light.max())
    if not len(rows):
        return first, end
    around = grid.block + 10
    low = grid.box[0] + int(rows[0]) * grid.block - around
    high = grid.box[0] + (int(rows[-1]) + 1) * grid.block + around
    return (
        (max(first, low), min(end, high)) if min(end, high) - max(first, low) > 12 else (first, end)
    )


def _worst_jump(lines: Floats, lit: Bools) -> tuple[int, float]:
    """Return the row after which the picture jumps the most, and how many times the usual.

    ``lit`` (rows − 1,) tells which boundaries may be it; (0, 0) where there is none.
    """
    steps = lines[1:] - lines[:-1]
    jump = np.einsum("ij,ij->i", steps, steps)
    if not lit.any():
        return 0, 0.0
    seam = int(np.argmax(np.where(lit, jump, 0.0)))
    near = np.delete(jump[max(seam - 8, 0) : seam + 9], min(seam, 8))
    return seam, float(jump[seam]) / max(float(near.max()), 1e-300)


def saturated(context: Context) -> Evidence | None:
    """Tell a frame with pixels at the top of its range, or with a plateau below it."""
    ready, least = context.ready, context.thresholds.saturated_pixels
    found = _at_the_top(ready, least) or _plateau(context)
    if found is None:
        return None
    count, what, top = found
    xx, yy, xy = context.seen.moments[2:5]
    pixel = ready.pitch[0] * ready.pitch[1]
    beam = 4 * math.pi * math.sqrt(max(xx * yy - xy * xy, 0.0)) / pixel
    part = count / max(beam, 1.0)
    words = f"{count} {what}, {percent(part)} of the beam's area"
    return Evidence(words, _cut_off(context, top, part))


def _cut_off(context: Context, top: float, part: float) -> Floats | None:
    """Return what the light above ``top`` would do to the moments, had the beam gone on rising.

    The area lit above a level grows evenly with the logarithm of the level in a Gaussian, and
    roughly so in other beams: with A that at the top and k its rate just below, the light above is
    k · top · (e^q − 1 − q), q = A/k. Of a plateau with steep sides nothing is known by that: there
    q is limited by ``part`` of the beam's area that is saturated, of which a Gaussian has q/2.
    """
    ready, seen = context.ready, context.seen
    r0, r1, c0, c1 = seen.window.box(ready.shape, ready.pitch)
    given = ready.frame.pixels[r0:r1, c0:c1]
    rows, columns = np.nonzero(given >= top)
    level = context.settled.seen.background.around(seen.window.x, seen.window.y)[0]
    pixels = ready.pixels[r0:r1, c0:c1]
    height = float(pixels[rows, columns].mean()) - level if len(rows) else 0.0
    if height <= 0:
        return None
    below = int(np.count_nonzero(pixels >= level + NEXT_LEVEL * height))
    rate = max(below - len(rows), 1) / math.log(1 / NEXT_LEVEL)
    q = min(len(rows) / rate, STEEPEST * part)
    lost = len(rows) / q * height * (math.expm1(q) - q)
    x = np.asarray((columns + c0) * ready.pitch[0] - seen.moments[0], dtype=np.float64)
    y = np.asarray((rows + r0) * ready.pitch[1] - seen.moments[1], dtype=np.float64)
    return context.with_light(lost / max(seen.power, 1e-300), x, y)


NEXT_LEVEL = 0.75
"""Part of the top at which the area lit is compared with the saturated one."""
STEEPEST = 2.5
"""The most that q may be, over the saturated part of the beam's area. A saturated beam is measured
too wide, so that this is more than the 2 of a Gaussian."""


def _at_the_top(ready: Prepared, least: int) -> tuple[int, str, float] | None:
    frame, hot, top = ready.frame, ready.hot, ready.frame.saturation
    if top is None or float(ready.tops.max()) < top:
        return None
    count = int(np.count_nonzero(frame.pixels >= top))
    count -= int(np.count_nonzero(frame.pixels[hot.rows, hot.columns] >= top))
    return None if count < least else (count, f"pixels at {top:g} or above", float(top))


def _plateau(context: Context) -> tuple[int, str, float] | None:
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
    words = f"pixels share the highest value, {top:g}, and hardly any lie just below it"
    return count, words, top


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
