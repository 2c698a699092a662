"""A second spot of light: a ghost, or another beam."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.context import Context
from autoalign.beam.checks.frame_check import Evidence
from autoalign.beam.checks.outline import ring
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.frame.window import coverage
from autoalign.core.digits import percent

__all__ = ["spot_inside", "spot_outside", "spots_around"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Spot = tuple[float, float, float]
"""Height over the first spot, x and y from the centre of the first pixel, mm."""

Spots = tuple[Spot | None, Spot | None]


def spots_around(context: Context) -> Spots:
    """Return the highest second spot inside the window and the highest outside, near the beam."""
    return _second(context, context.seen.grid)


def spot_inside(context: Context) -> Evidence | None:
    """Find a second spot inside the window.

    A ring has light on both sides of a dark middle without being two spots: there, only light
    outside the window counts.
    """
    near = context.once(spots_around)[0]
    if near is None or context.once(ring) is not None:
        return None
    return Evidence(_words(context.ready, near, "inside"), near[0])


def spot_outside(context: Context) -> Evidence | None:
    """Find a second spot in the rest of the frame."""
    far = context.once(spots_around)[1]
    if context.seen.grid.box != context.ready.whole.box:
        far = _second(context, context.ready.whole)[1]
    return None if far is None else Evidence(_words(context.ready, far, "outside"), far[0])


def _second(context: Context, grid: BinnedFrame) -> Spots:
    """Return the highest second spot inside the window and the highest outside."""
    if min(grid.mean.shape) < 5:
        return None, None
    seen, limits = context.seen, context.thresholds
    light = _smooth(grid.mean - seen.background.on(grid))
    clear = limits.spot_clear * context.noise / grid.block / 3
    first = divmod(int(np.argmax(light)), light.shape[1])
    peak = float(light[first])
    rows, columns = _peaks(light, max(limits.spot_height * peak, clear))
    order = np.argsort(light[rows, columns])[::-1][:40]
    rows, columns = rows[order], columns[order]
    x, y = grid.x[columns + 1], grid.y[rows + 1]
    inside = coverage(seen.window, x, y, grid.pitch) > 0
    found: dict[bool, Spot] = {}
    for k in range(len(rows)):
        height = float(light[rows[k], columns[k]])
        if bool(inside[k]) in found or (rows[k], columns[k]) == first:
            continue
        valley = _valley(light, first, (int(rows[k]), int(columns[k])))
        if valley < limits.spot_valley * height and height - valley > clear:
            found[bool(inside[k])] = (height / peak, float(x[k]), float(y[k]))
    return found.get(True), found.get(False)


def _smooth(light: Floats) -> Floats:
    """Return the mean of 3 × 3 cells, for all cells but the outermost."""
    across = light[:, :-2] + light[:, 1:-1] + light[:, 2:]
    smooth: Floats = (across[:-2] + across[1:-1] + across[2:]) / 9
    return smooth


def _peaks(light: Floats, least: float) -> tuple[Ints, Ints]:
    """Return inner cells higher than ``least`` and not lower than any of their neighbours."""
    across = np.maximum(np.maximum(light[:, :-2], light[:, 1:-1]), light[:, 2:])
    highest = np.maximum(np.maximum(across[:-2], across[1:-1]), across[2:])
    middle = light[1:-1, 1:-1]
    rows, columns = np.nonzero((middle >= highest) & (middle > least))
    return rows + 1, columns + 1


def _valley(light: Floats, a: tuple[int, int], b: tuple[int, int]) -> float:
    count = max(abs(a[0] - b[0]), abs(a[1] - b[1])) + 1
    rows = np.rint(np.linspace(a[0], b[0], count)).astype(int)
    columns = np.rint(np.linspace(a[1], b[1], count)).astype(int)
    return float(light[rows, columns].min())


def _words(ready: Prepared, found: Spot, where: str) -> str:
    height, x, y = found
    column, row = round(x / ready.pitch[0]), round(y / ready.pitch[1])
    return (
        f"a second spot with {percent(height)} of the first one's peak, {where} the integration "
        f"window, at (column, row) ({column}, {row})"
    )
