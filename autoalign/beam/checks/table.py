"""What may be wrong with a frame, each finding with its evidence."""

from __future__ import annotations

import math

from autoalign.beam.checks.clipping import clipped_by_sensor
from autoalign.beam.checks.outline import outline_flags, resolved
from autoalign.beam.checks.overlapping_ghost import shelf_flag
from autoalign.beam.checks.radial_profile import Polar
from autoalign.beam.checks.saturation import saturated
from autoalign.beam.checks.second_peak import second_spot
from autoalign.beam.checks.temporal import ambient, repeated, torn
from autoalign.beam.frame.converge import NOISY, Settled
from autoalign.beam.frame.iterate import fine
from autoalign.beam.frame.moments import WINDOW_FACTOR
from autoalign.beam.frame.pixels import HotPixels
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.frames import Frame

__all__ = ["find_flags"]

OUTGROWN = 2.0
"""Area of the window over that of the frame, from which hardly any background is left to be sure
of: a window that has once grown over a faint beam stays large."""

FAINT = 12.0
"""Highest pixel over the noise, up to which an even lift of the whole frame hides in it."""

UNSTEADY = 0.1
"""Relative standard uncertainty of a width from which it is no longer good for anything."""


INNER = 1.25
"""Sides in beam widths of a still narrower window, to see whether noise has made the width up."""

AGREE = (0.65, 1.25)
"""Beam area in that window over that in the narrow one. A Gaussian has 0.88, a disk 1.0; of noisy
Gaussian beams with good widths 19 in 20 lie between, of those whose window noise had let grow or
shrink (widths off by more than 2.5 standard uncertainties), 1 in 7."""


def find_flags(
    ready: Prepared,
    settled: Settled,
    peak: float,
    previous: Frame | None = None,
    reference: BeamProfile | None = None,
) -> dict[str, Flag]:
    """Return every finding by kind, the gravest first."""
    seen, noise = settled.seen, settled.noise
    polar = Polar.of(ready, seen, noise)
    outline = outline_flags(polar, max(ready.pitch))
    ring = any(f.kind is FlagKind.RING for f in outline)
    overlapping = shelf_flag(polar, max(ready.pitch)) if resolved(polar, max(ready.pitch)) else None
    found = [
        saturated(ready, seen, noise),
        clipped_by_sensor(seen, ready.shape, noise, peak),
        _hot(ready.hot),
        _not_converged(ready, settled, peak),
        *outline,
        second_spot(ready, seen, noise, ring) or overlapping,
        torn(ready, seen),
        ambient(seen, noise, peak, reference),
        None if previous is None else repeated(ready.frame, previous),
    ]
    order = list(Use)
    flags = [flag for flag in found if flag is not None]
    flags.sort(key=lambda flag: order.index(flag.use), reverse=True)
    return {flag.kind.value: flag for flag in flags}


def _hot(hot: HotPixels) -> Flag | None:
    if not len(hot):
        return None
    places = ", ".join(f"({c}, {r})" for r, c in zip(hot.rows[:3], hot.columns[:3], strict=True))
    more = "" if len(hot) <= 3 else f" and {len(hot) - 3} more"
    evidence = f"{len(hot)} pixels replaced by their neighbours, (column, row): {places}{more}"
    return Flag(FlagKind.HOT_PIXELS, evidence, Use.ALL)


def _not_converged(ready: Prepared, settled: Settled, peak: float) -> Flag | None:
    left, window = settled.seen.change, settled.seen.window
    frame = ready.shape[0] * ready.pitch[1] * ready.shape[1] * ready.pitch[0]
    part = 4 * window.half_x * window.half_y / frame
    doubtful = settled.unsteady > NOISY / 4 or peak < FAINT * settled.noise
    if part > OUTGROWN and doubtful:
        evidence = (
            f"the window has {part:.1f} times the area of the frame, and widths hold to "
            f"{settled.unsteady:.1%}: noise or uneven light may have let it grow"
        )
        return Flag(FlagKind.NOT_CONVERGED, evidence, Use.POSITION)
    if left > max(1e-3, settled.unsteady):
        evidence = f"the window still changes by {left:.2g} of its half sides"
        return Flag(FlagKind.NOT_CONVERGED, evidence, Use.POSITION)
    if settled.factor < WINDOW_FACTOR:
        evidence = (
            f"too noisy for a window of {WINDOW_FACTOR:g} widths; {settled.factor:g} were taken, "
            f"widths hold to {settled.unsteady:.0%}"
        )
        use = Use.ALL if settled.unsteady < UNSTEADY else Use.POSITION
        if use is Use.ALL:
            ratio = _area_inside(ready, settled)
            if not AGREE[0] < ratio < AGREE[1]:
                use = Use.POSITION
                evidence += f", but one of {INNER:g} gives {ratio:.0%} of the beam's area"
        return Flag(FlagKind.NOT_CONVERGED, evidence, use)
    return None


def _area_inside(ready: Prepared, settled: Settled) -> float:
    """Return the beam's area (of its second moments) in the inner window over that as settled."""
    inner = fine(ready.pixels, ready.pitch, settled.seen, INNER, 1e-3)
    if inner.lost:
        return 0.0
    areas = [m[2] * m[3] - m[4] ** 2 for m in (inner.moments, settled.seen.moments)]
    return math.sqrt(max(float(areas[0] / areas[1]), 0.0))
