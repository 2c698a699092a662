"""What the beam's outline gives away: ring, hard edge, nick."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.context import ANGLE, RAYS, Context, Evidence, Polar, outline
from autoalign.beam.checks.speckle import grain
from autoalign.beam.checks.thresholds import Thresholds
from autoalign.beam.frame.binned import BinnedFrame, median
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.frame.window import coverage
from autoalign.core.units import number, percent, rounded

__all__ = [
    "half_height_radius",
    "hard_edge",
    "nick",
    "ring",
    "shelf",
    "spot_inside",
    "spot_outside",
    "spots_around",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

# A ghost that overlaps the beam: a shelf of faint light on one side, just outside the edge.
#
# A copy of the beam displaced by less than its width has no valley before it. Where it sticks out
# it is as bright as anywhere, while the beam's own light has fallen away: its light hardly
# changes over a fifth of a half width, and the opposite side has nothing like it. So it differs
# from soft edges, uneven light and the tail of coma, which keep falling, and from scatter, which
# lies all around.
#
# What is detected, in 99 of 100 frames of 8 bits with noise of 0.6 % of the peak, distances in
# half widths (``tests/beam/test_ghost_table.py`` prints the whole table): a ghost of 1 % of a
# beam with a hard edge from 0.6 on, with an edge 0.1 radii soft from 0.8, of exp(−2r⁴) from 1.4;
# one of 2 % of a Gaussian from 1.6, one of 5 % from 1.2. Coma that moves rays by up to 0.3 radii
# is never taken for a ghost; from half a radius on its tail may be. Nearer ghosts make a slightly
# wider, slightly skew beam, as many causes do: one frame does not tell them. A ghost of part g at
# s half widths moves the centroid by g s half widths and widens the beam by 2 g s²: 0.7 % for the
# 1 % at 0.6 of a hard edge, but 10 % for the 2 % at 1.6 that a Gaussian hides. So much the flag
# adds to the uncertainty. The light's own lumps and tails look alike at every plane, and then it
# hardly counts in where the beam points.

Bools = npt.NDArray[np.bool_]

BEGIN, COUNT = 6, 48
"""Steps from the edge to where a shelf may begin, and how many are examined."""

SCALES = ((7, 4), (13, 8))
"""Rays and steps that are averaged: for a narrow shelf and for a faint one."""

OUTSIDE = 50
"""Step, at 1.25 half widths, from which on a ghost must leave some light on one side."""

GHOST_AT = 1.25
"""Displacement in half widths that a ghost is taken to have which shows as a shelf."""


def _averages() -> tuple[tuple[Floats, Floats], ...]:
    """Return, for each scale, the matrices that average over rays and over steps."""
    made = []
    for rays, steps in SCALES:
        row = np.zeros(RAYS)
        row[np.arange(rays) - rays // 2] = 1 / rays
        over_rays = np.stack([np.roll(row, k) for k in range(RAYS)])
        over_steps = np.kron(np.eye(COUNT // steps), np.full((steps, 1), 1 / steps))
        made.append((over_rays, over_steps))
    return tuple(made)


_AVERAGES = _averages()


def shelf(context: Context) -> Evidence | None:
    """Find a shelf along any ray."""
    polar, limits = context.once(outline), context.thresholds
    if polar is None:
        return None
    pixel = max(context.ready.pitch)
    lowest = [
        max(limits.shelf_level * polar.top, limits.shelf_clear * _noise(polar, pixel, rays, steps))
        for rays, steps in SCALES
    ]
    half = RAYS // 2
    # A ray whose opposite leaves the sensor has nothing to be compared with.
    both = polar.on_sensor & np.roll(polar.on_sensor, half, axis=0)
    outside = _AVERAGES[0][0] @ (polar.light * both)[:, OUTSIDE:].mean(axis=1)
    if np.abs(outside[:half] - outside[half:]).max() < limits.shelf_trace * lowest[0]:
        return None
    beyond = _beyond_the_edge(polar, both, limits)
    if beyond is None:
        return None
    light, own = beyond
    found: tuple[float, int] = (0.0, 0)
    for least, (over_rays, over_steps) in zip(lowest, _AVERAGES, strict=True):
        seen, usual = (over_rays @ (part @ over_steps) for part in (light, own))
        found = max(found, _highest(seen, limits.shelf_own * usual, least, limits))
    level, ray = found
    if not level:
        return None
    # All light outside tells the side more steadily than the brightest ray, so that the same light
    # at another plane is found at the same place.
    side = complex(outside @ np.exp(1j * ANGLE))
    aside = GHOST_AT * float(polar.half_width.mean()) * side / max(abs(side), 1e-300)
    words = (
        f"a shelf of {percent(level / polar.top)} of the top beside the beam, at "
        f"{math.degrees(polar.angle[ray]):.0f}° from +x towards +y: a ghost that overlaps it, or "
        "the tail of strong coma"
    )
    return Evidence(words, context.with_copy(level / polar.top, aside.real, aside.imag))


def _beyond_the_edge(polar: Polar, both: Bools, limits: Thresholds) -> tuple[Floats, Floats] | None:
    """Return (rays, COUNT) light from each ray's own edge outwards, zero where either of two
    opposite rays ends or leaves the sensor, and what the beam itself should have there; None for a
    beam whose edge lies beyond the rays.
    """
    end = polar.light.shape[1]
    lit = polar.light > limits.shelf_edge * polar.top
    edge = end - 1 - np.argmax(lit[:, ::-1], axis=1)
    if edge.max() >= end - 2 * BEGIN or not lit.any(axis=1).all():
        return None
    places = (edge + BEGIN)[:, None] + np.arange(COUNT)
    seen = np.where(both, polar.light, 0.0)
    light: Floats = np.take_along_axis(seen, np.minimum(places, end - 1), axis=1)
    own = _own_light(polar, edge, np.minimum(places, end - 1), limits)
    reach = end - BEGIN - np.maximum(edge, np.roll(edge, RAYS // 2))
    light[:, int(reach.min()) :] *= np.arange(int(reach.min()), COUNT) < reach[:, None]
    return light, own


def _own_light(polar: Polar, edge: Ints, places: Ints, limits: Thresholds) -> Floats:
    """Return (rays, COUNT) what the beam itself should have at the steps ``places``.

    It goes on falling with r² as it does between two levels of its top: so the
    faint outer part of a Gaussian, which an aperture cuts off on one side, is no shelf.
    """
    end = polar.light.shape[1]
    bright = polar.light > limits.shelf_inner * polar.top
    inner = polar.t[end - 1 - np.argmax(bright[:, ::-1], axis=1)]
    outer = polar.t[edge]
    step = float(polar.t[1] - polar.t[0])
    slope = math.log(limits.shelf_inner / limits.shelf_edge) / np.maximum(
        outer**2 - inner**2, step * outer
    )
    slope = _AVERAGES[0][0] @ slope
    fall = slope[:, None] * (polar.t[places] ** 2 - (outer**2)[:, None])
    own: Floats = limits.shelf_edge * polar.top * np.exp(-fall)
    return own


def _noise(polar: Polar, pixel: float, rays: int, steps: int) -> float:
    """Return the standard deviation of the difference of two opposite averages.

    Entries are averages of three rays and steps already, and pixels repeat along a short ray.
    """
    step = float(polar.t[1] - polar.t[0]) * float(polar.half_width.min()) / pixel
    one = polar.noise * math.sqrt(3 * max(1.0, min(3.0, 3 * step)))
    return one * math.sqrt(2 / ((rays + 2) * max(1.0, min(steps, steps * step))))


def _highest(light: Floats, own: Floats, least: float, limits: Thresholds) -> tuple[float, int]:
    """Return level and ray of the highest shelf, two entries long; (0, 0) where there is none.

    Up to ``own`` light counts as the beam's.
    """
    alone = light.copy()
    alone[: RAYS // 2] -= light[RAYS // 2 :]
    alone[RAYS // 2 :] -= light[: RAYS // 2]
    lone = (alone > least) & (alone > limits.shelf_one_sided * light) & (light > own)
    shelf = lone[:, :-1] & lone[:, 1:]
    if not shelf.any():
        return 0.0, 0
    shelf &= light[:, :-1] < limits.shelf_fall * light[:, 1:]
    level = np.where(shelf, np.minimum(alone[:, :-1], alone[:, 1:]), 0.0)
    ray, where = np.unravel_index(int(np.argmax(level)), level.shape)
    return float(level[ray, where]), int(ray)


# A second spot of light: a ghost, or another beam.

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
    height, x, y = near
    aside = x - float(context.seen.moments[0]), y - float(context.seen.moments[1])
    return Evidence(_words(context.ready, near, "inside"), context.with_copy(height, *aside))


def spot_outside(context: Context) -> Evidence | None:
    """Find a second spot in the rest of the frame."""
    far = context.once(spots_around)[1]
    if context.seen.grid.box != context.ready.whole.box:
        far = _second(context, context.ready.whole)[1]
    if far is None:
        return None
    words = _words(context.ready, far, "outside")
    if far[0] < context.thresholds.spot_strong:
        return Evidence(words)
    # Light outside the window does nothing to the moments, but it may be the beam that is meant.
    x, y = far[1] - float(context.seen.moments[0]), far[2] - float(context.seen.moments[1])
    return Evidence(words, np.array([x, y, *[0.0] * 7]))


def _second(context: Context, grid: BinnedFrame) -> Spots:
    """Return the highest second spot inside the window and the highest outside."""
    if min(grid.mean.shape) < 5:
        return None, None
    seen, limits = context.seen, context.thresholds
    light = _smooth(grid.mean - seen.background.on(grid))
    noise = context.noise / grid.block / 3
    first = divmod(int(np.argmax(light)), light.shape[1])
    peak = float(light[first])
    grains = math.sqrt(context.once(grain)) / grid.block / 3
    rows, columns = _peaks(light, max(limits.spot_height * peak, limits.spot_clear * noise))
    order = np.argsort(light[rows, columns])[::-1][:40]
    rows, columns = rows[order], columns[order]
    x, y = grid.x[columns + 1], grid.y[rows + 1]
    inside = coverage(seen.window, x, y, grid.pitch) > 0
    found: dict[bool, Spot] = {}
    for k in range(len(rows)):
        height = float(light[rows[k], columns[k]])
        if bool(inside[k]) in found or (rows[k], columns[k]) == first:
            continue
        clear = limits.spot_clear * math.hypot(noise, grains * height)
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
    )  # its moments are true: it costs nothing


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
    return Evidence(words + "; widths are of what passes")


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
    deepest, way = float(depth[worst]), float(smooth[worst] * polar.half_width[worst])
    share = float(deep.mean()) * (1 - (1 - deepest) ** 2)
    at = way * (1 - deepest / 2)
    x, y = (at * f(ANGLE[worst : worst + 1]) for f in (np.cos, np.sin))
    return Evidence(words, context.with_light(share, x, y))


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
