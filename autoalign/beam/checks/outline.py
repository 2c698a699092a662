"""What the beam's outline gives away: ring, hard edge, nick."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.context import Context, outline
from autoalign.beam.checks.frame_check import Evidence
from autoalign.beam.checks.radial_profile import ANGLE, RAYS, Polar
from autoalign.beam.frame.middle import median
from autoalign.core.digits import number, percent, rounded

__all__ = ["half_height_radius", "hard_edge", "nick", "ring"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

_HARMONICS = np.column_stack(
    [np.ones(RAYS)] + [f(k * ANGLE) for k in (1, 2) for f in (np.cos, np.sin)]
)
_RAYS = np.arange(RAYS)
_SQUARES = np.sum(_HARMONICS**2, axis=0)
"""Harmonics 0 to 2 along the rays, and the sums of their squares."""


def ring(context: Context) -> Evidence | None:
    """Find a dark middle."""
    polar = context.once(outline)
    if polar is None:
        return None
    profile = polar.profile
    middle = float(profile[polar.t < 0.15].mean())
    where = int(np.argmax(profile))
    scatter = float(polar.light[:, where].std()) / math.sqrt(RAYS)
    most = context.thresholds.ring_middle * profile[where]
    if middle > most or profile[where] - middle < 5 * scatter:
        return None
    return Evidence(
        f"the middle has {percent(middle / polar.top)} of the light at {polar.t[where]:.2f} of the "
        "half width"
    )


def hard_edge(context: Context) -> Evidence | None:
    """Find an edge at which the light ends abruptly."""
    polar, limits = context.once(outline), context.thresholds
    if polar is None:
        return None
    threshold = max(limits.aperture_level * polar.top, 4 * polar.noise)
    edge = _outermost(polar.light, threshold)
    away = round(0.1 / (polar.t[1] - polar.t[0]))
    inside = polar.light[_RAYS, np.maximum(edge - away, 0)]
    beyond = np.minimum(edge + away, polar.light.shape[1] - 1)
    outside = polar.light[_RAYS, beyond]
    hard = inside > max(1.5 * threshold, 8 * polar.noise)
    hard &= outside < limits.aperture_fall * inside
    # Where the sensor ends the light ends with it: that is no edge of the beam's own.
    hard &= (edge < polar.light.shape[1] - 1 - away) & polar.on_sensor[_RAYS, beyond]
    part = float(hard.mean())
    if part < limits.aperture_part:
        return None
    level = median(inside[hard]) / polar.top
    how = "all round" if part > 0.9 else f"over {percent(part)} of the circumference"
    words = f"a hard edge {how}, where the light still has {percent(min(level, 1.0))} of its top"
    return Evidence(words + "; widths are of what passes", part)


def nick(context: Context) -> Evidence | None:
    """Find a place where the outline turns inwards."""
    polar = context.once(outline)
    radius = None if polar is None else half_height_radius(polar)
    if polar is None or radius is None or not _whole(polar, radius):
        return None
    least = context.thresholds.nick_depth
    smooth = _smooth_outline(radius, least)
    depth = 1 - radius / smooth
    scatter = 1.4826 * median(np.abs(depth))
    worst = int(np.argmax(depth))
    deep = depth > 0.5 * depth[worst]
    if depth[worst] < max(least, 10 * scatter) or deep.mean() > 0.25:
        return None
    angle = math.degrees(polar.angle[worst])
    pixel = max(context.ready.pitch)
    size = float(depth[worst] * smooth[worst] * polar.half_width[worst]) / pixel
    words = (
        f"{percent(float(depth[worst]))} of the radius ({number(size, 2)} pixels) deep, at "
        f"{rounded(angle, 0)}° from +x towards +y"
    )
    return Evidence(words, float(depth[worst]))


def _whole(polar: Polar, radius: Floats) -> bool:
    """Tell whether the outline at ``radius`` is the beam's all round, and nowhere the sensor's."""
    past = np.minimum(np.searchsorted(polar.t, radius) + 1, len(polar.t) - 1)
    return bool(polar.on_sensor[_RAYS, past].all())


def half_height_radius(polar: Polar) -> Floats | None:
    """Return where each ray falls below half of the top, in half widths; None if one never does."""
    last = _outermost(polar.light, polar.top / 2)
    if last.max() >= polar.light.shape[1] - 1 or last.min() < 0:
        return None
    a, b = polar.light[_RAYS, last], polar.light[_RAYS, last + 1]
    step = polar.t[1] - polar.t[0]
    radius: Floats = polar.t[last] + step * (a - polar.top / 2) / np.maximum(a - b, 1e-300)
    return radius


def _outermost(light: Floats, threshold: float) -> Ints:
    """Return the last step of each ray that is above ``threshold``, −1 where none is."""
    above = light > threshold
    last: Ints = light.shape[1] - 1 - np.argmax(above[:, ::-1], axis=1)
    last[~above[_RAYS, last]] = -1
    return last


def _smooth_outline(radius: Floats, nick: float) -> Floats:
    """Return a shifted ellipse through ``radius``: harmonics 0 to 2, twice more without dips.

    Dips of half a ``nick`` are none.
    """
    # Over evenly spaced rays the harmonics are orthogonal.
    smooth: Floats = _HARMONICS @ (_HARMONICS.T @ radius / _SQUARES)
    for _ in range(2):
        away = np.abs(radius - smooth)
        if away.max() < nick / 2:
            return smooth
        keep = away <= max(3 * 1.4826 * median(away), 1e-9)
        if np.count_nonzero(keep) < 20:
            return smooth
        part = _HARMONICS[keep]
        smooth = _HARMONICS @ np.linalg.solve(part.T @ part, part.T @ radius[keep])
    return smooth
