"""Flags that need more than one exposure, or its rows one after another."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.iterate import Seen
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.frames import Frame

__all__ = ["ambient", "repeated", "torn"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SEAM = 6.0
"""Change from one row to the next over what is usual around, from which a frame is torn."""

ASIDE = 4.0
"""That change over the one from pixel to pixel along the two rows, both squared and summed: what
moves sharp edges by two pixels. A sharp edge that slants does so from row to row, in steps."""

AMBIENT = 0.01
"""Change of the background over the beam's peak, from which the ambient light has changed."""


def repeated(frame: Frame, previous: Frame) -> Flag | None:
    """Tell a frame that is the previous one once more, or an older one."""
    number, number_before = frame.sequence, previous.sequence
    if number is not None and number_before is not None and number <= number_before:
        evidence = f"frame number {number} after number {number_before}"
        return Flag(FlagKind.STALE, evidence, Use.NOTHING)
    began, began_before = frame.started, previous.started
    if began is not None and began_before is not None and began <= began_before:
        evidence = f"begun at {began:.6g} s, the one before at {began_before:.6g} s"
        return Flag(FlagKind.STALE, evidence, Use.NOTHING)
    pixels, before = frame.pixels, previous.pixels
    if pixels.shape != before.shape or pixels.min() == pixels.max():
        return None
    if np.array_equal(pixels, before):
        evidence = f"all {pixels.size} pixels are those of the frame before"
        return Flag(FlagKind.FROZEN, evidence, Use.NOTHING)
    return None


def ambient(seen: Seen, noise: float, peak: float, reference: BeamProfile | None) -> Flag | None:
    """Tell a background that has changed since ``reference``, or that is plainly uneven."""
    ground = seen.background
    level = ground.around(seen.window.x, seen.window.y)[0]
    u = 0.0 if ground.covariance is None else math.sqrt(ground.covariance[0, 0])
    if reference is not None:
        change = level - reference.background
        if abs(change) > max(AMBIENT * peak, 7 * u, 0.5 * noise):
            evidence = f"background {level:.4g}, was {reference.background:.4g} pixel values"
            return Flag(FlagKind.AMBIENT, evidence, Use.ALL)
    across = 2 * seen.window.scale * math.hypot(*ground.slope)
    if across > max(AMBIENT * peak, noise):
        evidence = f"the background rises by {across:.3g} pixel values over the window; taken off"
        return Flag(FlagKind.AMBIENT, evidence, Use.ALL)
    return None


def torn(ready: Prepared, seen: Seen) -> Flag | None:
    """Look for one row boundary at which the picture jumps although both sides are lit."""
    r0, r1, c0, c1 = seen.window.box(ready.shape, ready.pitch)
    if r1 - r0 < 12:
        return None
    level = seen.background.around(seen.window.x, seen.window.y)[0]
    lines = ready.pixels[r0:r1, c0 : c1 : max(1, (c1 - c0) // 64)].astype(np.float64)
    power = (lines - level).sum(axis=1)
    lit = np.minimum(power[:-1], power[1:]) > 0.3 * power.max()
    seam, times = _worst_jump(lines, lit)
    if times < SEAM:
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
    if times < SEAM or jump < ASIDE * along or jump < 1e-3 * light:
        return None
    evidence = (
        f"the picture jumps between rows {r0 + seam} and {r0 + seam + 1}, "
        f"{times:.0f} times what is usual around"
    )
    return Flag(FlagKind.TORN, evidence, Use.DIRECTION)


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
