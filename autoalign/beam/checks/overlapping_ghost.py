"""A ghost that overlaps the beam: a shelf of faint light on one side, just outside the edge.

A copy of the beam displaced by less than its width has no valley before it. Where it sticks out it
is as bright as anywhere, while the beam's own light has fallen away: its light hardly changes over
a fifth of a half width, and the opposite side has nothing like it. So it differs from soft edges,
uneven light and the tail of coma, which keep falling, and from scatter, which lies all around.

What is detected, in 99 of 100 frames of 8 bits with noise of 0.6 % of the peak, distances in half
widths (``tests/beam/test_ghost_table.py`` prints the whole table): a ghost of 1 % of a beam with a
hard edge from 0.6 on, with an edge 0.1 radii soft from 0.8, of exp(−2r⁴) from 1.4; one of 2 % of a
Gaussian from 1.6, one of 5 % from 1.2. Coma that moves rays by up to 0.3 radii is never taken for a
ghost; from half a radius on its tail may be. Nearer ghosts make a slightly wider, slightly skew
beam, as many causes do: one frame does not tell them. A ghost of part g at s half widths moves the
centroid by g s half widths and widens the beam by 2 g s²: 0.7 % for the 1 % at 0.6 of a hard edge,
but 10 % for the 2 % at 1.6 that a Gaussian hides. The flag is a warning: the frame stays good for
everything, because the same shelf is the tail of a beam that a search still has to bring in; a
session calls no beam with two spots in spec.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.context import Context, outline
from autoalign.beam.checks.frame_check import Evidence
from autoalign.beam.checks.radial_profile import RAYS, Polar
from autoalign.beam.checks.thresholds import Thresholds
from autoalign.core.digits import percent

__all__ = ["shelf"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

BEGIN, COUNT = 6, 48
"""Steps from the edge to where a shelf may begin, and how many are examined."""

SCALES = ((7, 4), (13, 8))
"""Rays and steps that are averaged: for a narrow shelf and for a faint one."""

OUTSIDE = 50
"""Step, at 1.25 half widths, from which on a ghost must leave some light on one side."""


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
    words = (
        f"a shelf of {percent(level / polar.top)} of the top beside the beam, at "
        f"{math.degrees(polar.angle[ray]):.0f}° from +x towards +y: a ghost that overlaps it, or "
        "the tail of strong coma"
    )
    return Evidence(words, level / polar.top)


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
