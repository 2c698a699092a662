"""A beam that reaches the sensor's edge: how much, and what that does to its moments."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.context import Context, Evidence
from autoalign.beam.checks.thresholds import THRESHOLDS
from autoalign.beam.frame.binned import BinnedFrame, median
from autoalign.beam.frame.iterate import Converged
from autoalign.beam.profile import Flag, FlagKind, Use
from autoalign.core.units import percent

__all__ = [
    "clipped_by_sensor",
    "clipping_covariance",
    "larger_than_frame",
    "no_larger_than_hot_pixels",
    "spot_at_edge",
    "too_little_light",
]

# Whether what a window has settled on can be a beam at all.


def larger_than_frame(seen: Converged, shape: tuple[int, int], pitch: tuple[float, float]) -> bool:
    """Return whether the window has grown over the frame.

    Uneven light does that under a spot in a corner, or under hot pixels side by side: the moments
    are then those of the unevenness.
    """
    window = 4 * seen.window.half_x * seen.window.half_y
    return window >= THRESHOLDS.lost_frames * shape[0] * shape[1] * pitch[0] * pitch[1]


def too_little_light(seen: Converged, pitch: tuple[float, float], peak: float) -> bool:
    """Return whether the highest pixel, ``peak``, is of no beam of these widths."""
    xx, yy, xy = (float(m) for m in seen.moments[2:5])
    area = 2 * math.pi * math.sqrt(max(xx * yy - xy * xy, 0.0)) / (pitch[0] * pitch[1])
    return seen.power < THRESHOLDS.lost_light * area * peak


def no_larger_than_hot_pixels(seen: Converged, pitch: tuple[float, float]) -> bool:
    """Return whether a spot is so small that a few hot pixels side by side would resemble it."""
    widths = (
        4 * math.sqrt(max(float(m), 0.0)) / p for m, p in zip(seen.moments[2:4], pitch, strict=True)
    )
    return max(widths) < THRESHOLDS.lost_width


Floats = npt.NDArray[np.float64]


def clipped_by_sensor(context: Context) -> Evidence | None:
    """Find light in the outermost cells of the frame."""
    seen, peak = context.seen, context.peak
    noise = context.noise / (seen.grid.block * math.sqrt(3))
    least = max(context.thresholds.edge_light * peak, 6 * noise)
    sides = _sides(seen, context.ready.shape)
    lit = {name: float(_smooth(side).max()) for name, side, _, _ in sides}
    over = {name: value for name, value in lit.items() if value > least}
    if not over:
        return None
    where = ", ".join(f"{name} {percent(value / peak)}" for name, value in over.items())
    strongest = max(over.values()) / max(peak, 1e-300)
    words = f"light at the sensor's edge, of the peak: {where}"
    # What lies beyond the edge widens the covariance, see :func:`clipping_covariance`; from here on
    # most of the beam may lie there.
    use = Use.ALL if strongest < context.thresholds.edge_strong else Use.DIRECTION
    return Evidence(words, use=use)


def spot_at_edge(grid: BinnedFrame, noise: float) -> Flag | None:
    """Find out if the brightest light of a frame in which no width settles is at its edge.

    ``grid`` covers the whole frame, ``noise`` is that of one pixel, in pixel values.
    """
    light = grid.mean - median(grid.mean)
    row, column = np.unravel_index(int(np.argmax(light)), light.shape)
    cells = THRESHOLDS.edge_cells
    near = {
        "top": row < cells, "bottom": row >= light.shape[0] - cells,
        "left": column < cells, "right": column >= light.shape[1] - cells,
    }  # fmt: skip
    sides = [name for name, is_near in near.items() if is_near]
    if not sides or light[row, column] < THRESHOLDS.edge_clear * noise / grid.block:
        return None
    evidence = f"the brightest light is at the edge of the sensor, {' and '.join(sides)}"
    return Flag(FlagKind.CLIPPED_BY_SENSOR, evidence, Use.DIRECTION)


def clipping_covariance(seen: Converged, shape: tuple[int, int], noise: float) -> Floats:
    """Return the (9, 9) covariance from the light lost beyond each side of the sensor.

    The light that falls on a side tells how much is lost beyond it, as if the beam fell off there
    like a Gaussian of its own width: with g the part of the power per mm at the edge, D away from
    the centroid, about g σ²/D is lost, which moves the centroid by g σ² and the second moment by
    g σ² (D² − σ²)/D. Counted whole as a standard uncertainty, once per side.
    """
    total = np.zeros((9, 9))
    for _, side, axis, distance in _sides(seen, shape):
        pixel_power = float(side.sum()) * seen.grid.pixels_per_cell
        doubt = noise * math.sqrt(side.size * seen.grid.pixels_per_cell)
        if pixel_power < 5 * doubt or pixel_power <= 0:
            continue
        part = pixel_power / max(seen.power, 1e-300) / seen.grid.pitch[axis]
        variance = float(seen.moments[2 + axis])
        d = math.copysign(max(abs(distance), math.sqrt(variance)), distance)
        shift = np.zeros(9)
        lost = min(part * variance / abs(d), 1.0)
        shift[axis] = lost * d
        shift[2 + axis] = lost * max(d * d - variance, variance)
        shift[5 + 3 * axis] = lost * d * max(d * d - 3 * variance, variance)
        total += np.outer(shift, shift)
    return total


def _sides(seen: Converged, shape: tuple[int, int]) -> Iterator[tuple[str, Floats, int, float]]:
    """Yield name, light of the outermost cells, axis, and signed distance from the centroid, mm.

    Only sides on which the grid ends where the frame of ``shape`` ends.
    """
    grid = seen.grid
    light = grid.mean - seen.background.on(grid)
    x, y = float(seen.moments[0]), float(seen.moments[1])
    half_x, half_y = grid.pitch[0] / 2, grid.pitch[1] / 2
    r0, r1, c0, c1 = grid.box
    if c0 == 0:
        yield "left", light[:, 0], 0, float(grid.x[0]) - half_x - x
    if c1 > shape[1] - grid.block:
        yield "right", light[:, -1], 0, float(grid.x[-1]) + half_x - x
    if r0 == 0:
        yield "top", light[0, :], 1, float(grid.y[0]) - half_y - y
    if r1 > shape[0] - grid.block:
        yield "bottom", light[-1, :], 1, float(grid.y[-1]) + half_y - y


def _smooth(side: Floats) -> Floats:
    if side.size < 3:
        return side
    smooth: Floats = (side[:-2] + side[1:-1] + side[2:]) / 3
    return smooth
