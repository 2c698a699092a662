"""Flags that need more than one exposure, or its rows one after another."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.context import Context
from autoalign.beam.checks.frame_check import Evidence
from autoalign.beam.frame.iterate import Converged

__all__ = ["ambient", "frozen", "stale", "torn"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def stale(context: Context) -> Evidence | None:
    """Tell a frame that is no later than the one before."""
    frame, previous = context.ready.frame, context.previous
    if previous is None:
        return None
    number, number_before = frame.sequence, previous.sequence
    if number is not None and number_before is not None and number <= number_before:
        return Evidence(f"frame number {number} after number {number_before}")
    began, began_before = frame.started, previous.started
    if began is not None and began_before is not None and began <= began_before:
        return Evidence(f"begun at {began:.6g} s, the one before at {began_before:.6g} s")
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
    return Evidence(f"all {pixels.size} pixels are those of the frame before")


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
    return Evidence(
        f"the picture jumps between rows {r0 + seam} and {r0 + seam + 1}, "
        f"{times:.0f} times the usual difference of rows"
    )


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
