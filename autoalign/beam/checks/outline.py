"""Flags that the beam's outline gives: ring, hard edge, nick."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.radial_profile import Polar
from autoalign.beam.profile import Flag, FlagKind, Use

__all__ = ["outline_flags", "resolved"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

HOLE = 0.75
"""Light in the middle over the highest ring of light, below which it is a ring."""

HARD = 0.1
"""Light 0.1 half widths outside over light as far inside, below which an edge is hard. A Gaussian
has 0.36 there, exp(−2 t⁴) 0.13."""

FAINT_EDGE = 0.04
"""Level, as part of the top, at which the edge is looked for."""

HARD_PART = 0.15
"""Part of the circumference with a hard edge from which an aperture is named."""

NICK = 0.05
"""Depth of a nick, as part of the radius, from which it is named."""

NARROW = 10.0
"""Half width in pixels under which pixels are too coarse for an outline."""


def resolved(polar: Polar, pixel: float) -> bool:
    """Tell whether the beam is wide and bright enough for an outline.

    ``pixel`` is the larger side of a pixel, mm.
    """
    bright = polar.top > 0 and polar.top >= 8 * polar.noise
    return bool(bright and polar.half_width.min() >= NARROW * pixel)


def outline_flags(polar: Polar, pixel: float) -> list[Flag]:
    """Return the findings; none for beams of less than :data:`NARROW` pixels' half width."""
    if not resolved(polar, pixel):
        return []
    found = [_ring(polar), _hard_edge(polar), _nick(polar)]
    return [f for f in found if f is not None]


def _ring(polar: Polar) -> Flag | None:
    profile = polar.profile
    middle = float(profile[polar.t < 0.15].mean())
    where = int(np.argmax(profile))
    scatter = float(polar.light[:, where].std()) / math.sqrt(len(polar.angle))
    if middle > HOLE * profile[where] or profile[where] - middle < 5 * scatter:
        return None
    evidence = (
        f"the middle has {middle / polar.top:.0%} of the light at {polar.t[where]:.2f} of the half "
        "width"
    )
    return Flag(FlagKind.RING, evidence, Use.ALL)


def _hard_edge(polar: Polar) -> Flag | None:
    threshold = max(FAINT_EDGE * polar.top, 4 * polar.noise)
    edge = _outermost(polar.light, threshold)
    away = round(0.1 / (polar.t[1] - polar.t[0]))
    rays = np.arange(len(edge))
    inside = polar.light[rays, np.maximum(edge - away, 0)]
    beyond = np.minimum(edge + away, polar.light.shape[1] - 1)
    outside = polar.light[rays, beyond]
    hard = (inside > max(1.5 * threshold, 8 * polar.noise)) & (outside < HARD * inside)
    # Where the sensor ends the light ends with it: that is no edge of the beam's own.
    hard &= (edge < polar.light.shape[1] - 1 - away) & polar.on_sensor[rays, beyond]
    part = float(hard.mean())
    if part < HARD_PART:
        return None
    level = float(np.median(inside[hard])) / polar.top
    how = "all round" if part > 0.9 else f"over {part:.0%} of the circumference"
    evidence = f"a hard edge {how}, where the light still has {min(level, 1.0):.0%} of its top"
    return Flag(FlagKind.CLIPPED_BY_APERTURE, evidence + "; widths are of what passes", Use.ALL)


def _nick(polar: Polar) -> Flag | None:
    radius = half_height_radius(polar)
    if radius is None or not _whole(polar, radius):
        return None
    smooth = _smooth_outline(polar.angle, radius)
    depth = 1 - radius / smooth
    scatter = 1.4826 * float(np.median(np.abs(depth)))
    worst = int(np.argmax(depth))
    deep = depth > 0.5 * depth[worst]
    if depth[worst] < max(NICK, 10 * scatter) or deep.mean() > 0.25:
        return None
    angle = math.degrees(polar.angle[worst])
    size = depth[worst] * smooth[worst] * polar.half_width[worst]
    evidence = (
        f"{depth[worst]:.0%} of the radius ({size:.3g} mm) deep at {angle:.0f}° from +x towards +y"
    )
    return Flag(FlagKind.NICKED, evidence, Use.ALL if depth[worst] < 0.25 else Use.POSITION)


def _whole(polar: Polar, radius: Floats) -> bool:
    """Tell whether the outline at ``radius`` is the beam's all round, and nowhere the sensor's."""
    past = np.minimum(np.searchsorted(polar.t, radius) + 1, len(polar.t) - 1)
    return bool(polar.on_sensor[np.arange(len(radius)), past].all())


def half_height_radius(polar: Polar) -> Floats | None:
    """Return where each ray falls below half of the top, in half widths; None if one never does."""
    last = _outermost(polar.light, polar.top / 2)
    if last.max() >= polar.light.shape[1] - 1 or last.min() < 0:
        return None
    rays = np.arange(len(last))
    a, b = polar.light[rays, last], polar.light[rays, last + 1]
    step = polar.t[1] - polar.t[0]
    radius: Floats = polar.t[last] + step * (a - polar.top / 2) / np.maximum(a - b, 1e-300)
    return radius


def _outermost(light: Floats, threshold: float) -> Ints:
    """Return the last step of each ray that is above ``threshold``, −1 where none is."""
    above = light > threshold
    last = light.shape[1] - 1 - np.argmax(above[:, ::-1], axis=1)
    return np.where(above.any(axis=1), last, -1)


def _smooth_outline(angle: Floats, radius: Floats) -> Floats:
    """Return a shifted ellipse through ``radius``: harmonics 0 to 2, twice more without dips."""
    design = np.column_stack(
        [np.ones_like(angle)] + [f(k * angle) for k in (1, 2) for f in (np.cos, np.sin)]
    )
    # Over evenly spaced rays the harmonics are orthogonal.
    smooth: Floats = design @ (design.T @ radius / np.sum(design**2, axis=0))
    for _ in range(2):
        away = np.abs(radius - smooth)
        if away.max() < NICK / 2:
            return smooth
        keep = away <= max(3 * 1.4826 * float(np.median(away)), 1e-9)
        if np.count_nonzero(keep) < 20:
            return smooth
        part = design[keep]
        smooth = design @ np.linalg.solve(part.T @ part, part.T @ radius[keep])
    return smooth
