"""A second spot of light: a ghost, or another beam."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.binned import Grid
from autoalign.beam.frame.iterate import Seen
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.frame.window import coverage
from autoalign.beam.profile import Flag, FlagKind, Use

__all__ = ["second_spot"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Spot = tuple[float, float, float]
"""Height over the first spot, x and y from the centre of the first pixel, mm."""

FAINTEST_SPOT = 0.02
"""Height of a second spot over the first, from which it is named."""

VALLEY = 0.6
"""Light between two spots over the lower one, below which they are two."""


def second_spot(ready: Prepared, seen: Seen, noise: float, ring: bool) -> Flag | None:
    """Look for a second spot near the beam and in the rest of the frame.

    A ring has light on both sides of a dark middle without being two spots: where ``ring``, only
    light outside the window counts.
    """
    near, far = _second(seen.grid, seen, noise)
    if near is not None and not ring:
        use = Use.POSITION if near[0] < 0.5 else Use.DIRECTION
        return Flag(FlagKind.TWO_SPOTS, _words(ready, near, "inside"), use)
    if seen.grid.box != ready.whole.box:
        far = _second(ready.whole, seen, noise)[1]
    if far is not None:
        return Flag(FlagKind.TWO_SPOTS, _words(ready, far, "outside"), Use.ALL)
    return None


def _second(grid: Grid, seen: Seen, noise: float) -> tuple[Spot | None, Spot | None]:
    """Return the highest second spot inside the window and the highest outside."""
    if min(grid.mean.shape) < 5:
        return None, None
    light = _smooth(grid.mean - seen.background.on(grid))
    sigma = noise / grid.block / 3
    first = divmod(int(np.argmax(light)), light.shape[1])
    peak = float(light[first])
    rows, columns = _peaks(light, max(FAINTEST_SPOT * peak, 8 * sigma))
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
        if valley < VALLEY * height and height - valley > 8 * sigma:
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
    x, y = x - ready.origin[0], y - ready.origin[1]
    return (
        f"a second spot of {height:.0%} of the first at ({x:.4g}, {y:.4g}) mm, {where} the window"
    )
