"""What all checks of one frame have before them, and what they find out for one another."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.thresholds import THRESHOLDS, Thresholds
from autoalign.beam.frame.iterate import Converged, Settled
from autoalign.beam.frame.moments import MONOMIALS, influence
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.frames import Frame

__all__ = ["Context", "Evidence", "FrameCheck", "Polar", "outline", "resolved"]

# The beam along rays from its centroid, in units of its own widths.

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

RAYS = 48
STEPS = 100
REACH = 2.5
"""Length of a ray in half widths d_σ/2."""


ANGLE: Floats = np.arange(RAYS, dtype=np.float64) * (2 * math.pi / RAYS)
"""Of each ray from +x towards +y, rad."""

_DIRECTION = np.array([np.cos(ANGLE), np.sin(ANGLE)])
_T: Floats = (np.arange(STEPS, dtype=np.float64) + 0.5) * (REACH / STEPS)
_EVERYWHERE: Bools = np.ones((RAYS, STEPS), dtype=bool)


@dataclass(frozen=True, slots=True, eq=False)
class Polar:
    """Light along rays.

    ``light`` (rays, steps) in pixel values over the background, each averaged over three rays and
    three steps; ``angle`` (rays,) rad; ``t`` (steps,) distance in units of the ray's half width;
    ``half_width`` (rays,) mm: from the centroid to the ellipse of d_σ; ``noise`` standard deviation
    of one dark entry; ``profile`` (steps,) the median over all rays, ``top`` its highest level;
    ``on_sensor`` (rays, steps) where all nine places are pixels of the sensor.
    """

    light: Floats
    angle: Floats
    t: Floats
    half_width: Floats
    noise: float
    profile: Floats
    top: float
    on_sensor: Bools

    @classmethod
    def of(cls, ready: Prepared, seen: Converged, noise: float) -> Polar:
        """Sample the nearest pixels along the rays; beyond the sensor there is no light."""
        moments, (px, py) = seen.moments, ready.pitch
        xx, yy, xy = moments[2:5].tolist()
        c, s = _DIRECTION
        form = (yy * c * c - 2 * xy * c * s + xx * s * s) / (xx * yy - xy * xy)
        half = 2 / np.sqrt(form)
        rows, columns = ready.shape
        column, beside = _nearest(moments[0] / px, half * c / px, columns)
        row, below = _nearest(moments[1] / py, half * s / py, rows)
        off = [part for part in (beside, below) if part is not None]
        on_sensor = _EVERYWHERE
        level, sx, sy = seen.background.around(float(moments[0]), float(moments[1]))
        light = ready.pixels[row, column].astype(np.float64)
        light -= level
        if sx or sy:
            light -= (half * (sx * c + sy * s))[:, None] * _T
        if off:
            outside = off[0] | off[-1]
            light[outside] = 0.0
            on_sensor = ~_near_any(outside)
        light = _of_three(light)
        distinct = max(1.0, min(3.0, 3 * REACH / STEPS * float(half.min()) / max(px, py)))
        profile = np.partition(light, RAYS // 2, axis=0)[RAYS // 2]
        top = float(profile.max())
        return cls(light, ANGLE, _T, half, noise / math.sqrt(3 * distinct), profile, top, on_sensor)


def _nearest(centre: float, reach: Floats, count: int) -> tuple[Ints, Bools | None]:
    """Return the nearest of ``count`` pixels along each ray, and for which of them there is none.

    ``centre`` and the rays' half widths ``reach`` are in pixels; None: all of them are there.
    """
    place = np.rint(centre + reach[:, None] * _T)
    farthest = place[:, -1]
    if 0 <= centre <= count - 1 and farthest.min() >= 0 and farthest.max() < count:
        return place.astype(np.intp), None
    outside = (place < 0) | (place >= count)
    return np.minimum(np.maximum(place, 0), count - 1).astype(np.intp), outside


def _of_three(light: Floats) -> Floats:
    """Return the mean over three rays and, but for the ends, three steps."""
    round_about = np.concatenate([light[-1:], light, light[:1]])
    rays = round_about[:-2] + round_about[1:-1]
    rays += round_about[2:]
    rays /= 3
    mean: Floats = rays.copy()
    mean[:, 1:-1] += rays[:, :-2]
    mean[:, 1:-1] += rays[:, 2:]
    mean[:, 1:-1] /= 3
    return mean


def _near_any(outside: Bools) -> Bools:
    """Return where one of three rays or of the two steps is ``outside``."""
    beyond: Bools = outside | np.roll(outside, 1, axis=0) | np.roll(outside, -1, axis=0)
    beyond[:, :-1] |= beyond[:, 1:]
    return beyond


# What a check of a frame is: how it is named, what it examines, and what a finding costs.


class Evidence(NamedTuple):
    """What a check has found, in words and numbers, and what it costs.

    ``shift`` (9,) bounds what it did to the moments, see :class:`.profile.Flag`; None: nothing.
    """

    words: str
    shift: Floats | None = None
    use: Use = Use.ALL


@dataclass(frozen=True, slots=True)
class FrameCheck:
    """One thing that may be wrong with a frame.

    Parameters
    ----------
    kind
        Name of the flag.
    evidence
        Returns what it has found; None where there is nothing.
    shares
        What is computed once per frame in the context, for this check and others that name it.
    """

    kind: FlagKind
    evidence: Callable[[Context], Evidence | None]
    shares: tuple[Callable[[Context], Any], ...] = ()

    def __call__(self, context: Context) -> Flag | None:
        """Return the flag, or None."""
        found = self.evidence(context)
        if found is None:
            return None
        shift = () if found.shift is None else tuple(found.shift.tolist())
        return Flag(self.kind, found.words, found.use, shift)


T = TypeVar("T")


@dataclass(frozen=True, slots=True, eq=False)
class Context:
    """One measured frame.

    ``peak`` is its highest pixel inside the window, over the background; ``previous`` the frame
    before, ``reference`` a profile of the same camera, where they are known.
    """

    ready: Prepared
    settled: Settled
    peak: float
    previous: Frame | None = None
    reference: BeamProfile | None = None
    thresholds: Thresholds = THRESHOLDS
    _known: dict[Callable[[Context], Any], Any] = field(default_factory=dict)

    @property
    def seen(self) -> Converged:
        """What the last round saw."""
        return self.settled.seen

    def with_light(self, share: float, x: Floats, y: Floats) -> Floats:
        """Return by how much the moments change, (9,), with more light.

        ``share`` of the power there is, spread evenly over the places (x, y), mm from the centroid.
        """
        mean = np.array([float(np.mean(x**p * y**q)) for p, q in MONOMIALS])
        change: Floats = influence(self.seen.moments, 1.0) @ mean * (share / (1 + share))
        return change[1:]

    def with_copy(self, share: float, x: float, y: float) -> Floats:
        """Return by how much a copy of the beam aside by (x, y), mm, changes the moments, (9,)."""
        powers = [x**p * y**q for p, q in MONOMIALS[1:]]
        return share / (1 + share) * np.array(powers)

    def widened(self, part: float) -> Floats:
        """Return the change of the moments, (9,), of a beam wider by ``part`` and as much aside."""
        m = self.seen.moments
        aside = part * np.sqrt(np.maximum(m[2:4], 0.0))
        return np.concatenate([aside, 2 * part * m[2:5], 3 * part * m[5:9]])

    @property
    def noise(self) -> float:
        """Standard deviation of a dark pixel, in pixel values."""
        return self.settled.noise

    def once(self, compute: Callable[[Context], T]) -> T:
        """Return ``compute(self)``, which is called once however many checks ask for it."""
        if compute not in self._known:
            self._known[compute] = compute(self)
        return cast(T, self._known[compute])


def outline(context: Context) -> Polar | None:
    """Return the beam along rays; None where it is too narrow or too faint for an outline."""
    polar = Polar.of(context.ready, context.seen, context.noise)
    return polar if resolved(polar, max(context.ready.pitch), context.thresholds) else None


def resolved(polar: Polar, pixel: float, limits: Thresholds) -> bool:
    """Tell whether the beam is wide and bright enough for an outline.

    ``pixel`` is the larger side of a pixel, mm.
    """
    bright = polar.top > 0 and polar.top >= limits.outline_faint * polar.noise
    return bool(bright and polar.half_width.min() >= limits.outline_narrow * pixel)
