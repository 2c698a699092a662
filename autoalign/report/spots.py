"""What a nominal bench shows at every plane for given axis positions: weighted moments of a trace.

Geometric optics of the ideal bench: the finite source is stood for by points on its face, the far
field by a smooth grid with weights; what the mirrors' apertures stop is left out. Diffraction is
not in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.journal.record import Outline
from autoalign.optics.layout import Beam, Layout
from autoalign.optics.pose import place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import bundle, cone, face_points
from autoalign.optics.trace import trace_to_planes

__all__ = ["Spot", "spots_at"]

Floats = npt.NDArray[np.float64]

_TILTS = tuple((math.cos(k * math.pi / 3), math.sin(k * math.pi / 3)) for k in range(6))

_SPOKES = 32
_RINGS = (120, 124, 129, 133, 138, 144)
"""Each pencil has its own rings, so that the steps in which an aperture cuts them average out."""


@dataclass(frozen=True, slots=True)
class Spot:
    """Moments of the light at one plane, plane axes.

    ``x``, ``y`` centroid, mm; ``xx``, ``yy``, ``xy`` central second moments, mm²; ``skew`` the
    third moments ⟨x r²⟩ and ⟨y r²⟩ over ⟨r²⟩^(3/2); ``power`` the part of the source's light that
    arrives.
    """

    x: float
    y: float
    xx: float
    yy: float
    xy: float
    skew: tuple[float, float]
    power: float

    @property
    def width(self) -> float:
        """d_σ of the round beam with the same mean second moment, 2√2 (⟨x²⟩ + ⟨y²⟩)^½, mm."""
        return 2 * math.sqrt(2 * (self.xx + self.yy))

    @property
    def stretch(self) -> tuple[float, float]:
        """How much longer than wide, from −1 to 1: along x against y, and along the diagonals.

        With widths S = 4 √(moments): (S_xx − S_yy)/tr S and 2 S_xy/tr S.
        """
        values, vectors = np.linalg.eigh([[self.xx, self.xy], [self.xy, self.yy]])
        s = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        total = float(np.trace(s))
        if total <= 0:
            return 0.0, 0.0
        return float(s[0, 0] - s[1, 1]) / total, float(2 * s[0, 1]) / total

    @property
    def outline(self) -> Outline:
        """The d_σ ellipse."""
        values, vectors = np.linalg.eigh([[self.xx, self.xy], [self.xy, self.yy]])
        first, second = (4 * math.sqrt(max(float(v), 0.0)) for v in values[::-1])
        angle = math.atan2(vectors[1, 1], vectors[0, 1])
        return Outline((self.x, self.y), (first, second), math.remainder(angle, math.pi))


def spots_at(layout: Layout, positions: Mapping[str, float] | None = None) -> dict[str, Spot]:
    """Return what every plane of ``layout`` shows with its axes at ``positions`` (mm, rad)."""
    poses = place(layout, positions)
    sums: dict[str, list[Floats]] = {p.name: [] for p in layout.planes}
    for rays, share in _bundles(layout):
        at, out = trace_to_planes(layout, poses, rays)
        power = np.nan_to_num(np.asarray(out.power, dtype=np.float64)) * share
        for plane, (x, y, _) in at.items():
            seen = power > 0
            sums[plane].append(np.stack([x[seen], y[seen], power[seen]]).astype(np.float64))
    return {plane: _moments(np.concatenate(parts, axis=1)) for plane, parts in sums.items()}


def _bundles(layout: Layout) -> list[tuple[Rays, float]]:
    light = layout.light
    if isinstance(light, Beam):
        if light.divergence == 0:
            return [(bundle(light, _RINGS[-1], _SPOKES), 1.0)]
        # Six directions at 1/√2 of the edge have the second moments of an even disk of directions.
        reach = light.divergence / 2 / math.sqrt(2)
        return [
            (bundle(light, rings, _SPOKES, tilt=(reach * a, reach * b)), 1 / 6)
            for (a, b), rings in zip(_TILTS, _RINGS, strict=True)
        ]
    xs, ys, weights = face_points(light, 1, 6)
    return [
        (cone(light, rings, _SPOKES, point=(float(x), float(y))), float(w))
        for x, y, w, rings in zip(xs, ys, weights, _RINGS, strict=False)  # a point has one pencil
    ]


def _moments(points: Floats) -> Spot:
    x, y, w = points
    power = float(w.sum())
    if power <= 0:
        nan = math.nan
        return Spot(nan, nan, nan, nan, nan, (nan, nan), 0.0)
    w = w / power
    cx, cy = float(w @ x), float(w @ y)
    dx, dy = x - cx, y - cy
    xx, yy, xy = float(w @ dx**2), float(w @ dy**2), float(w @ (dx * dy))
    square = dx**2 + dy**2
    scale = max((xx + yy) ** 1.5, 1e-300)
    skew = (float(w @ (dx * square)) / scale, float(w @ (dy * square)) / scale)
    return Spot(cx, cy, xx, yy, xy, skew, power)
