"""Light outside the integration window: what the three widths of ISO 11146-1 leave out.

Gaussians and evenly lit disks have nothing there. Beams whose near field has a hard edge, or whose
phase has coma, have faint tails that fall off slowly, and the window, which follows the widths that
it yields, cuts them: noise-free caustics of a flat-phase super-Gaussian exp(−2(r/w)^6) then give
1 % less than the M² of all the light, and of a Gaussian whose coma doubles M², 4.5 % less. (The
background, taken where there is still a little of the tails, costs 0.1 %; pixels, 0.04 %.) The
numbers of a profile stay those of the standard. Where asked for, they are accompanied by what a
region half again as wide holds more; with that, the same caustics are within 0.5 % of all the
light, with noise of 0.05 % of the peak within 0.8 %. Noise of 0.5 % hides tails of that size; their
uncertainty says so.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.background import quantisation_offset
from autoalign.beam.frame.iterate import Settled
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.frame.window import powers
from autoalign.beam.profile import Tails

__all__ = ["REGION", "find_tails"]

Floats = npt.NDArray[np.float64]

REGION = 1.5
"""Sides of the region that is searched for tails over those of the window."""

PLAIN = 4.0
"""Standard uncertainties from which light outside the window counts as seen."""

STRIP = 0.05
"""Width of the strips along the region's sides that show how dark it is outside, in its sides."""

_P = np.array([0, 1, 0, 2, 0, 1])
_Q = np.array([0, 0, 1, 0, 2, 1])


def find_tails(ready: Prepared, settled: Settled) -> Tails:
    """Compare the window's moments with those of a region :data:`REGION` times as wide.

    The region is upright, and ends where the frame ends. Its light is that of block means; only
    where it seems to hold some outside the window, it is split exactly along the window's edge.
    """
    seen, grid = settled.seen, settled.seen.grid
    reach, scale = seen.window.reach, seen.window.scale
    rows = _within(grid.y, seen.window.y, REGION * reach[1])
    columns = _within(grid.x, seen.window.x, REGION * reach[0])
    light = np.asarray(grid.mean - seen.background.on(grid))[rows, columns]
    u = powers((grid.x[columns] - seen.moments[0]) / scale, 5)
    v = powers((grid.y[rows] - seen.moments[1]) / scale, 5)
    area = np.outer(u.sum(axis=0), v.sum(axis=0)) * grid.pixels_per_cell
    lower, u_lower = (0.0, None) if ready.known else _darker(settled, light)
    covariance = _covariance(ready, settled, area, u_lower)
    lift = lower * area[_P, _Q]
    everything = _sums(light, u, v) * grid.pixels_per_cell
    gain = _gain(settled, everything - _inside(settled) + lift)
    if _plain(gain, covariance):
        light *= 1 - grid.coverage(seen.window)[rows, columns]
        gain = _gain(settled, _sums(light, u, v) * grid.pixels_per_cell + lift)
    return Tails(gain if _plain(gain, covariance) else np.zeros(3), covariance)


def _plain(gain: Floats, covariance: Floats) -> bool:
    return bool(np.any(gain[:2] > PLAIN * np.sqrt(np.diag(covariance)[:2])))


def _within(places: Floats, centre: float, reach: float) -> slice:
    inside = np.flatnonzero(np.abs(places - centre) <= reach)
    return slice(int(inside[0]), int(inside[-1]) + 1) if len(inside) else slice(0, 1)


def _darker(settled: Settled, light: Floats) -> tuple[float, float | None]:
    """Return by how much the region's sides are darker than the background, and its uncertainty.

    Zero and None unless plainly so. The background comes from closer to the beam, where tails may
    have lifted it; they may also lie on one side only, so the darkest side counts, with those that
    noise cannot tell from it.
    """
    n, m = (max(1, round(STRIP * k)) for k in light.shape)
    sides = light[:n], light[-n:], light[:, :m], light[:, -m:]
    level = np.array([float(s.mean()) for s in sides])
    pixels = np.array([s.size for s in sides]) * settled.seen.grid.pixels_per_cell
    u = settled.noise / np.sqrt(pixels)
    dark = level <= level.min() + 3 * u
    lowest, u_lowest = float(level[dark].mean()), float(u[dark].mean()) / math.sqrt(dark.sum())
    return (-lowest, u_lowest) if lowest < -PLAIN * u_lowest else (0.0, None)


def _sums(light: Floats, u: Floats, v: Floats) -> Floats:
    """Return Σ light · (1, u, v, u², v², uv)."""
    summed: Floats = (u[:, :3].T @ light.T @ v[:, :3])[_P, _Q]
    return summed


def _inside(settled: Settled) -> Floats:
    """Return the same sums over the window, as cells of the grid show them."""
    seen = settled.seen
    xx, yy, xy = seen.moments[2:5]
    wide, high = np.square(seen.grid.pitch) / 12
    sums = np.array([1.0, 0.0, 0.0, xx + wide, yy + high, xy])
    inside: Floats = seen.power * sums / seen.window.scale ** (_P + _Q)
    return inside


def _gain(settled: Settled, outside: Floats) -> Floats:
    """Return the change of the central second moments, mm², when the light ``outside`` is added."""
    seen = settled.seen
    whole = np.array([1.0, 0.0, 0.0, *seen.moments[2:5]]) * seen.power
    whole += outside * seen.window.scale ** (_P + _Q)
    if not whole[0] > 0:
        return np.zeros(3)
    _, x, y, *second = whole / whole[0]
    gain: Floats = np.array(second) - np.array([x * x, y * y, x * y]) - seen.moments[2:5]
    return gain


def _covariance(ready: Prepared, settled: Settled, area: Floats, u_level: float | None) -> Floats:
    """Return the (3, 3) covariance of the gain, mm⁴: dark pixels all over, and the background.

    To first order a pixel adds (u² − ⟨x²⟩)/power, and so on. ``u_level`` in place of the ring's.
    """
    seen, ground, scale = settled.seen, settled.seen.background, settled.seen.window.scale
    answers = np.zeros((3, 6))
    answers[:, 0] = -seen.moments[2:5] / scale**2
    answers[(0, 1, 2), (3, 4, 5)] = 1.0
    products = area[_P[:, None] + _P, _Q[:, None] + _Q]
    covariance = settled.noise**2 * answers @ products @ answers.T
    tilts = [area[_P, _Q], scale * area[_P + 1, _Q], scale * area[_P, _Q + 1]]
    shape = answers @ np.stack(tilts, axis=1)
    if u_level is None and ground.covariance is not None:
        covariance = covariance + shape @ ground.covariance @ shape.T
    whole_numbers = ready.frame.pixels.dtype.kind == "u"
    rounding = quantisation_offset(settled.noise) if whole_numbers else 0.0
    level = shape[:, 0] * math.hypot(ground.systematic, rounding, u_level or 0.0)
    whole: Floats = (covariance + np.outer(level, level)) * (scale**2 / seen.power) ** 2
    return whole
