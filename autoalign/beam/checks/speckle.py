"""Speckle: light that fluctuates from grain to grain, and what that does to the moments.

Each grain is a random number with the variance of its light squared, so that a beam of few grains
has a centroid and widths that are not those of its mean light. Only the fluctuation of areas larger
than a grain counts: it is measured as such, between neighbouring cells of the grid, after what is
smooth has been taken off.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.context import Context, Evidence
from autoalign.beam.frame.binned import median
from autoalign.beam.frame.moments import influence, monomial_products
from autoalign.beam.frame.window import powers
from autoalign.core.units import number, percent

__all__ = ["grain", "speckle", "speckle_covariance"]

Floats = npt.NDArray[np.float64]

_QUARTILE = 0.1015
"""Lower quartile of the square of a standard normal number: edges and rings, where the light bends
sharply, may take most of the cells."""
_BEND = 36.0
"""Sum of the squares of the mixed second difference (1, −2, 1) ⊗ (1, −2, 1)."""
_FEW = 100
"""Cells below which nothing is known of grains."""


def grain(context: Context) -> float:
    """Return contrast² times the area of a grain, in pixels; 0 where there is no speckle.

    The relative variance of the light of an area of n pixels is this over n.
    """
    grid, seen, limits = context.seen.grid, context.seen, context.thresholds
    part = grid.part(*grid.touched(seen.window))
    light = part.mean - seen.background.on(part)
    area, shown = _grain_at(light, context, grid.block, limits.speckle_least)
    wide_area, wide_shown = _grain_at(
        _paired(light), context, 2 * grid.block, limits.speckle_coarse
    )
    if not wide_shown or (shown and wide_area <= area):
        return area if shown else 0.0
    if not shown:
        return MOST_HIDDEN * wide_area
    # Cells of n pixels show n/(n + grain) of it; where they still differ, larger ones show more.
    inverse = (4 / wide_area - 1 / area) / 3
    return 1 / max(inverse, 1 / (MOST_HIDDEN * wide_area))


def _grain_at(light: Floats, context: Context, block: int, least: float) -> tuple[float, bool]:
    """Return what cells of ``block`` pixels' side show, and whether that stands out."""
    found, noise, cells = _fluctuation(light, context, block)
    beyond = found >= max(least**2, context.thresholds.speckle_stands_out * noise)
    return (found - noise) * block**2, cells >= _FEW and beyond


MOST_HIDDEN = 4.0
"""The most that grains larger than two cells are taken to add, over what two cells show."""


def speckle(context: Context) -> Evidence | None:
    """Find light that fluctuates by more than its noise; what that adds is in the covariance."""
    area = context.once(grain)
    if area == 0:
        return None
    xx, yy, xy = context.seen.moments[2:5]
    variance = np.diag(speckle_covariance(context))[:4] / [xx, yy, xx * xx, yy * yy]
    if variance.max() < context.thresholds.speckle_matters**2:
        return None
    pixel = context.ready.pitch[0] * context.ready.pitch[1]
    beam = 4 * math.pi * math.sqrt(max(xx * yy - xy * xy, 0.0)) / pixel
    return Evidence(
        f"the light fluctuates like {number(beam / area, 2)} independent grains in the beam: "
        f"its power by {percent(math.sqrt(area / beam))}"
    )


def speckle_covariance(context: Context) -> Floats:
    """Return the (9, 9) covariance of the moments from speckle: the same everywhere, per light²."""
    area = context.once(grain)
    if area == 0:
        return np.zeros((9, 9))
    seen = context.seen
    part = seen.grid.part(*seen.grid.touched(seen.window))
    scale = seen.window.scale
    u = powers((part.x - seen.moments[0]) / scale, 7)
    v = powers((part.y - seen.moments[1]) / scale, 7)
    weight = np.maximum(part.mean - seen.background.on(part), 0.0) * part.coverage(seen.window)
    sums = u.T @ (v.T @ weight**2).T * (area * part.pixels_per_cell)
    # A cell fluctuates itself, and its square with it.
    sums /= 1 + area / part.pixels_per_cell
    orders = np.array([0, 1, 1, 2, 2, 2, 3, 3, 3, 3])
    a = influence(seen.moments, seen.power) * scale**orders
    covariance: Floats = a @ monomial_products(sums) @ a.T
    return covariance[1:, 1:]


def _fluctuation(light: Floats, context: Context, block: int) -> tuple[float, float, int]:
    """Return the relative variance between cells of ``block`` pixels' side, that which noise makes,
    and from how many cells.
    """
    if min(light.shape) < 5:
        return 0.0, 0.0, 0
    mean = _of_nine(light)
    lit = mean > context.thresholds.speckle_lit * float(mean.max())
    across = light[:, :-2] - 2 * light[:, 1:-1] + light[:, 2:]
    bend = across[:-2] - 2 * across[1:-1] + across[2:]
    settled = context.settled
    around = mean[lit]
    noise = (settled.noise**2 + settled.gain * around) / block**2 / around**2
    if len(around) == 0:
        return 0.0, 0.0, 0
    seen = (bend[lit] / around) ** 2 / (_QUARTILE * _BEND)
    quarter = len(seen) // 4
    return float(np.partition(seen, quarter)[quarter]), median(noise), len(around)


def _of_nine(light: Floats) -> Floats:
    across = light[:, :-2] + light[:, 1:-1] + light[:, 2:]
    mean: Floats = (across[:-2] + across[1:-1] + across[2:]) / 9
    return mean


def _paired(light: Floats) -> Floats:
    rows, columns = light.shape[0] // 2 * 2, light.shape[1] // 2 * 2
    even = light[:rows, :columns]
    pairs: Floats = (even[0::2, 0::2] + even[1::2, 0::2] + even[0::2, 1::2] + even[1::2, 1::2]) / 4
    return pairs
