"""Whether the window has come to rest, and on the beam."""

from __future__ import annotations

import math

from autoalign.beam.checks.context import Context
from autoalign.beam.checks.frame_check import Evidence
from autoalign.beam.frame.iterate import fine
from autoalign.beam.frame.moments import WINDOW_FACTOR
from autoalign.core.digits import percent

__all__ = ["outgrown", "too_noisy", "unsettled"]


def outgrown(context: Context) -> Evidence | None:
    """Tell a window that noise or uneven light may have let grow over the frame."""
    ready, settled, limits = context.ready, context.settled, context.thresholds
    window = context.seen.window
    frame = ready.shape[0] * ready.pitch[1] * ready.shape[1] * ready.pitch[0]
    part = 4 * window.half_x * window.half_y / frame
    faint = context.peak < limits.outgrown_faint * context.noise
    doubtful = faint or settled.unsteady > limits.outgrown_unsteady
    if part <= limits.outgrown or not doubtful:
        return None
    words = (
        f"the window has {part:.1f} times the area of the frame, and widths are good to "
        f"{percent(settled.unsteady)}: noise or uneven light may have let it grow"
    )
    return Evidence(words, part)


def unsettled(context: Context) -> Evidence | None:
    """Tell a window that still changes, by more than noise makes it."""
    left = context.seen.change
    if left <= max(context.thresholds.still_changing, context.settled.unsteady):
        return None
    return Evidence(f"the window still changes by {left:.2g} of its half sides", left)


def too_noisy(context: Context) -> Evidence | None:
    """Tell a beam for which noise forbade the standard's window.

    How much is the relative uncertainty of its widths: without limit where a still narrower window
    shows another beam.
    """
    settled, limits = context.settled, context.thresholds
    if settled.factor >= WINDOW_FACTOR:
        return None
    words = (
        f"too noisy for a window of {WINDOW_FACTOR:g} widths; {settled.factor:g} were taken, "
        f"widths are good to {percent(settled.unsteady)}"
    )
    if settled.unsteady >= limits.unsteady:
        return Evidence(words, settled.unsteady)
    ratio = _area_inside(context)
    if limits.inner_least < ratio < limits.inner_most:
        return Evidence(words, settled.unsteady)
    words += f", but one of {limits.inner_factor:g} gives {percent(ratio)} of the beam's area"
    return Evidence(words, math.inf)


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
