"""A second spot of light: a ghost, or another beam."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from autoalign.beam.background import Background
from autoalign.beam.grid import Grid
from autoalign.beam.iterate import Seen
from autoalign.beam.prepare import Prepared
from autoalign.beam.profile import Flag, FlagKind, Use

__all__ = ["second_spot"]

Floats = npt.NDArray[np.float64]

FAINTEST_SPOT = 0.02
"""Height of a second spot over the first, from which it is named."""

VALLEY = 0.6
"""Light between two spots over the lower one, below which they are two."""


def second_spot(ready: Prepared, seen: Seen, noise: float, ring: bool) -> Flag | None:
    """Look for a second spot near the beam and in the rest of the frame.

    A ring has light on both sides of a dark middle without being two spots: where ``ring``, only
    light outside the window counts.
    """
    found = None if ring else _second(seen.grid, seen, noise)
    outside = None
    if found is None:
        grid = seen.grid if seen.grid.box == ready.whole.box else ready.whole
        outside = _second(grid, seen, noise, beyond=True)
    if found is not None:
        use = Use.POSITION if found[0] < 0.5 else Use.DIRECTION
        return Flag(FlagKind.TWO_SPOTS, _words(ready, found, "inside"), use)
    if outside is not None:
        return Flag(FlagKind.TWO_SPOTS, _words(ready, outside, "outside"), Use.ALL)
    return None


def _second(
    grid: Grid, seen: Seen, noise: float, beyond: bool = False
) -> tuple[float, float, float] | None:
    """Return height over the first spot, x and y (mm) of the highest second spot."""
    light = _smooth(grid.mean - _ground(grid, seen))
    if min(light.shape) < 5:
        return None
    sigma = noise / grid.block / 3
    first = np.unravel_index(int(np.argmax(light)), light.shape)
    peak = float(light[first])
    rows, columns = _peaks(light, max(FAINTEST_SPOT * peak, 8 * sigma))
    inside = grid.coverage(seen.window)[rows, columns] > 0
    rows, columns = rows[inside != beyond], columns[inside != beyond]
    for k in np.argsort(light[rows, columns])[::-1][:40]:
        row, column = int(rows[k]), int(columns[k])
        height = float(light[row, column])
        valley = _valley(light, (int(first[0]), int(first[1])), (row, column))
        if valley < VALLEY * height and height - valley > 8 * sigma:
            return height / peak, float(grid.x[column]), float(grid.y[row])
    return None


def _ground(grid: Grid, seen: Seen) -> Floats:
    ground: Background = seen.background
    return ground.on(grid)


def _smooth(light: Floats) -> Floats:
    padded = np.pad(light, 1, mode="edge")
    across = padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]
    smooth: Floats = (across[:-2] + across[1:-1] + across[2:]) / 9
    return smooth


def _peaks(light: Floats, least: float) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return cells higher than ``least`` and not lower than any of their neighbours."""
    padded = np.pad(light, 1, mode="constant", constant_values=-np.inf)
    across = np.maximum(np.maximum(padded[:, :-2], padded[:, 1:-1]), padded[:, 2:])
    highest = np.maximum(np.maximum(across[:-2], across[1:-1]), across[2:])
    rows, columns = np.nonzero((light >= highest) & (light > least))
    return rows, columns


def _valley(light: Floats, a: tuple[int, int], b: tuple[int, int]) -> float:
    count = max(abs(a[0] - b[0]), abs(a[1] - b[1])) + 1
    rows = np.rint(np.linspace(a[0], b[0], count)).astype(int)
    columns = np.rint(np.linspace(a[1], b[1], count)).astype(int)
    return float(light[rows, columns].min())


def _words(ready: Prepared, found: tuple[float, float, float], where: str) -> str:
    height, x, y = found
    x, y = x - ready.origin[0], y - ready.origin[1]
    return (
        f"a second spot of {height:.0%} of the first at ({x:.4g}, {y:.4g}) mm, {where} the window"
    )
