"""What may be wrong with a frame, each finding with its evidence."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.iterate import Seen
from autoalign.beam.moments import WINDOW_FACTOR
from autoalign.beam.pixels import HotPixels
from autoalign.beam.prepare import Prepared
from autoalign.beam.profile import Flag, FlagKind, Use
from autoalign.beam.settle import Settled
from autoalign.frames import Frame

__all__ = ["find_flags"]

Floats = npt.NDArray[np.float64]

SATURATED_PIXELS = 4
"""Pixels at the top of the range that make a frame saturated; a lone one is a hot pixel."""

EDGE = 0.005
"""Light at the sensor's edge, as part of the peak, from which the sensor cuts the beam."""


UNSTEADY = 0.1
"""Relative standard uncertainty of a width from which it is no longer good for anything."""


def find_flags(ready: Prepared, settled: Settled, peak: float) -> dict[str, Flag]:
    """Return every finding by kind."""
    found = [
        _saturated(ready.frame, settled.seen),
        _clipped_by_sensor(settled.seen, settled.noise, peak),
        _hot(ready.hot),
        _not_converged(settled),
    ]
    return {flag.kind.value: flag for flag in found if flag is not None}


def _saturated(frame: Frame, seen: Seen) -> Flag | None:
    top = frame.saturation
    if top is None or float(frame.pixels.max()) < top:
        return None
    count = int(np.count_nonzero(frame.pixels >= top))
    if count < SATURATED_PIXELS:
        return None
    xx, yy, xy = seen.moments[2:5]
    beam = 4 * math.pi * math.sqrt(max(xx * yy - xy * xy, 0.0)) / (frame.pitch_x * frame.pitch_y)
    part = count / max(beam, 1.0)
    use = Use.POSITION if part < 0.5 else Use.DIRECTION
    evidence = f"{count} pixels at {top:g} or above, {part:.0%} of the beam's area"
    return Flag(FlagKind.SATURATED, evidence, use)


def _clipped_by_sensor(seen: Seen, noise: float, peak: float) -> Flag | None:
    """Look for light in the outermost cells: of the frame, where the window reaches its edge."""
    light = seen.grid.mean - seen.background.on(seen.grid)
    least = max(EDGE * peak, 5 * noise / seen.grid.block)
    r0, _, c0, _ = seen.grid.box
    sides = {
        "top": light[0, :] if r0 == 0 else light[0, :0],
        "bottom": light[-1, :],
        "left": light[:, 0] if c0 == 0 else light[:0, 0],
        "right": light[:, -1],
    }
    lit = {name: float(side.max()) for name, side in sides.items() if side.size}
    over = {name: value for name, value in lit.items() if value > least}
    if not over:
        return None
    strongest = max(over.values()) / max(peak, 1e-300)
    use = Use.POSITION if strongest < 0.2 else Use.DIRECTION
    where = ", ".join(f"{name} {value / peak:.1%}" for name, value in over.items())
    return Flag(
        FlagKind.CLIPPED_BY_SENSOR, f"light at the sensor's edge, of the peak: {where}", use
    )


def _hot(hot: HotPixels) -> Flag | None:
    if not len(hot):
        return None
    places = ", ".join(f"({c}, {r})" for r, c in zip(hot.rows[:3], hot.columns[:3], strict=True))
    more = "" if len(hot) <= 3 else f" and {len(hot) - 3} more"
    evidence = f"{len(hot)} pixels replaced by their neighbours, (column, row): {places}{more}"
    return Flag(FlagKind.HOT_PIXELS, evidence, Use.ALL)


def _not_converged(settled: Settled) -> Flag | None:
    left = settled.seen.change
    if left > max(1e-3, settled.unsteady):
        evidence = f"the window still changes by {left:.2g} of its half sides"
        return Flag(FlagKind.NOT_CONVERGED, evidence, Use.POSITION)
    if settled.factor < WINDOW_FACTOR:
        evidence = (
            f"too noisy for a window of {WINDOW_FACTOR:g} widths; {settled.factor:g} were taken, "
            f"widths hold to {settled.unsteady:.0%}"
        )
        use = Use.ALL if settled.unsteady < UNSTEADY else Use.POSITION
        return Flag(FlagKind.NOT_CONVERGED, evidence, use)
    return None
