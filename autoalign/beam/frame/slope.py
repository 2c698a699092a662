"""Whether there is a beam at all: light that an evenly sloping background does not explain.

Room light that rises from one side of a frame to the other stands far above the darkest corner, and
is no beam.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.thresholds import THRESHOLDS
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.detection import Start, find_beam
from autoalign.beam.frame.middle import median
from autoalign.beam.frame.window import powers

__all__ = ["Slope", "beyond_slope", "explained_by_slope"]

Floats = npt.NDArray[np.float64]

_STRIPS = 4
_MEDIAN = 0.4549
"""Median of the square of a standard normal number."""

Slope = tuple[float, float]
"""Rise of the background across the frame, along x and y, in pixel values."""


def explained_by_slope(grid: BinnedFrame, level: float, sigma: float, start: Start) -> bool:
    """Tell at little cost whether the light that was found could be a slope of the background."""
    middle = float(grid.x[0] + grid.x[-1]) / 2, float(grid.y[0] + grid.y[-1]) / 2
    u, v = powers(grid.x - middle[0], 2), powers(grid.y - middle[1], 2)
    sums = (v.T @ grid.mean @ u).tolist()
    plane = sums[0][0]
    for at, where, moment in (
        (start.window.x - middle[0], u[:, 1], sums[0][1]),
        (start.window.y - middle[1], v[:, 1], sums[1][0]),
    ):
        plane += at * moment / max(float(where @ where) / len(where), 1e-300)
    plane /= grid.mean.size
    cells = start.window.half_x / (1.5 * grid.pitch[0])
    light = start.significance * sigma / grid.block / cells
    return bool(plane - level > THRESHOLDS.slope_explains * light)


def beyond_slope(grid: BinnedFrame, sigma: float) -> tuple[Start, Slope]:
    """Return where light stands out most from a plane through the frame, and how the plane rises.

    Significance is in units of the noise where the light is: it grows with the background.

    Parameters
    ----------
    grid
        Block means of the whole frame.
    sigma
        Least noise of one pixel, in pixel values.
    """
    u = np.linspace(-0.5, 0.5, len(grid.x))[None, :] + np.zeros((len(grid.y), 1))
    v = np.linspace(-0.5, 0.5, len(grid.y))[:, None] + np.zeros((1, len(grid.x)))
    design = np.stack([np.ones_like(u), u, v]).reshape(3, -1)
    values = grid.mean.ravel()
    theta, plane = _robust_plane(design, values.astype(np.float64))
    away = values - plane
    noise = _noise_by_level(away, plane, sigma / grid.block)
    standing = replace(grid, mean=(away / noise).reshape(grid.mean.shape))
    return find_beam(standing, 0.0, float(grid.block)), (float(theta[1]), float(theta[2]))


def _robust_plane(design: Floats, values: Floats) -> tuple[Floats, Floats]:
    keep = np.ones(len(values), dtype=bool)
    for _ in range(4):
        part = design[:, keep]
        solved = np.linalg.lstsq(part @ part.T, part @ values[keep], rcond=None)[0]
        theta: Floats = np.asarray(solved, dtype=np.float64)
        plane: Floats = theta @ design
        away = np.abs(values - plane)
        keep = away <= 4 * 1.4826 * median(away) + 1e-300
    return theta, plane


def _noise_by_level(away: Floats, plane: Floats, least: float) -> Floats:
    """Return the noise of each cell: its variance is a straight line over the background."""
    order = np.argsort(plane, kind="stable")
    strips = np.array_split(order, _STRIPS)
    variance = np.array([median(away[s] ** 2) / _MEDIAN if len(s) else 0.0 for s in strips])
    level = np.array([plane[s].mean() if len(s) else 0.0 for s in strips])
    span = level - level.mean()
    rise = max(float(span @ variance) / max(float(span @ span), 1e-300), 0.0)
    line = variance.mean() + rise * (plane - level.mean())
    floor = max(least**2, 1e-300, 1e-24 * float(np.abs(plane).max()) ** 2)
    noise: Floats = np.sqrt(np.maximum(line, floor))
    return noise
