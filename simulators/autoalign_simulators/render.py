"""Smooth pictures of the light in a plane: the flux that falls on every pixel.

The pupil is traced exactly on a grid. Where the map from pupil to pixels can be inverted (no fold,
no focus) each pixel is carried back to its pupil point: flux = density / |Jacobian|, edges are
averaged over a pixel by their signed distance, and the extended source is a convolution with its
image. Elsewhere the grid is refined and laid on the pixels (:mod:`.splat`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import spline_filter

from autoalign.optics.layout import Beam
from autoalign.optics.pose import Pose
from autoalign.optics.trace import to_plane
from autoalign_simulators.inverse import Inverse, jacobian, nodes, refinement, sample
from autoalign_simulators.kernel import blur, disk_kernel
from autoalign_simulators.splat import Box, splat
from autoalign_simulators.train import Train

__all__ = ["PixelMap", "Renderer"]

Floats = npt.NDArray[Any]
Image = npt.NDArray[np.float32]

_MARGIN = 1.08
"""The pupil grid reaches this much further than the pupil."""

_UNEVEN = 30.0
"""Largest over smallest |Jacobian| up to which a map is inverted."""

_SMALLEST = 12
"""Pixels across, below which light is laid on the pixels instead."""


@dataclass(frozen=True, slots=True)
class PixelMap:
    """Where pixels lie in a plane: (x, y) = ``matrix`` (column, row) + ``offset``, mm."""

    matrix: tuple[tuple[float, float], tuple[float, float]]
    offset: tuple[float, float]

    def to_pixels(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return (column, row) of plane points, mm."""
        (a, b), (c, d) = self.matrix
        det = a * d - b * c
        dx, dy = x - self.offset[0], y - self.offset[1]
        return (d * dx - b * dy) / det, (a * dy - c * dx) / det


class Renderer:
    """Makes pictures of what a train does.

    Parameters
    ----------
    train
        Light and mirrors.
    size
        Points along a side of the pupil grid.
    coarse
        Most points along a side of the box on which pixels are carried back exactly.
    """

    def __init__(self, train: Train, size: int = 81, coarse: int = 80) -> None:
        self.train = train
        self.size = size
        self._coarse = coarse
        self._first = train.edges[0].where
        self._half = half = train.pupil_radius * _MARGIN
        self.step = 2 * half / (size - 1)
        u, v = np.meshgrid(*[np.linspace(-half, half, size)] * 2)
        self._inside = np.hypot(u, v) <= train.pupil_radius + self.step
        self._u, self._v = u.ravel(), v.ravel()
        self._held = _with_held_figure(train, self._u, self._v)

    def image(
        self, poses: Mapping[str, Pose], plane: Pose, pixels: PixelMap, shape: tuple[int, int]
    ) -> Image:
        """Return (rows, columns) flux per pixel; 1 is all that the source emits."""
        passage = self._held.passage(poses, self._u, self._v)
        x, y, _ = to_plane(passage.rays, plane)
        column, row = (self._square(k) for k in pixels.to_pixels(x, y))
        fields = {"column": column, "row": row, "density": self._square(passage.density)}
        prints = {k: (self._square(a), self._square(b)) for k, (a, b) in passage.prints.items()}
        spread = self._spread(poses, plane, pixels)
        out = np.zeros(shape, np.float32)
        box = self._box(column, row, shape, spread)
        if box is None:
            return out
        area = jacobian(column, row, self.step)
        if self._invertible(area, box):
            sharp = self._inverted(fields, prints, area, box)
        else:
            sharp = splat(fields, prints, self.step, self.train.passed, box)
        _paste(blur(sharp, disk_kernel(spread)), out, box)
        return out

    def _square(self, field: Floats) -> Floats:
        return field.reshape(self.size, self.size)

    def _spread(self, poses: Mapping[str, Pose], plane: Pose, pixels: PixelMap) -> Floats:
        """Return (2, 2): pixels that the middle ray moves from the face's centre to its rim."""
        spread = self.train.spread
        if spread == 0:
            return np.zeros((2, 2))
        point = np.array([1, -1, 0, 0]) * spread, np.array([0, 0, 1, -1]) * spread
        passage = self.train.passage(poses, np.zeros(4), np.zeros(4), point)
        x, y, _ = to_plane(passage.rays, plane)
        c, r = pixels.to_pixels(x, y)
        return np.array([[c[0] - c[1], c[2] - c[3]], [r[0] - r[1], r[2] - r[3]]]) / 2

    def _box(
        self, column: Floats, row: Floats, shape: tuple[int, int], spread: Floats
    ) -> Box | None:
        """Return top, bottom, left, right of what must be drawn; None where nothing is seen."""
        edge = int(np.ceil(np.abs(spread).sum())) + 3
        limits = []
        for k, most in ((row, shape[0]), (column, shape[1])):
            seen = k[self._inside]
            if not np.all(np.isfinite(seen)):
                return None
            low, high = int(np.floor(seen.min())) - edge, int(np.ceil(seen.max())) + edge + 1
            low, high = max(low, -edge), min(high, most + edge)
            if high - low <= 2 * edge:
                return None
            limits += [low, high]
        return limits[0], limits[1], limits[2], limits[3]

    def _invertible(self, area: Floats, box: Box) -> bool:
        inside = area[self._inside]
        low, high = float(inside.min()), float(inside.max())
        if low * high <= 0:
            return False
        low, high = sorted((abs(low), abs(high)))
        across = np.sqrt(low) * 2 * self.train.pupil_radius
        roomy = min(box[1] - box[0], box[3] - box[2]) >= _SMALLEST
        return high / low < _UNEVEN and across >= _SMALLEST and roomy

    def _inverted(
        self, fields: Mapping[str, Floats], prints: Mapping[str, tuple[Floats, Floats]],
        area: Floats, box: Box,
    ) -> Image:  # fmt: skip
        """Carry pixels back to the pupil on a coarse grid of the box, and refine the result."""
        top, bottom, left, right = box
        rows, columns = (nodes(a, b, self._coarse) for a, b in ((top, bottom), (left, right)))
        at = Inverse(fields["column"], fields["row"])(columns, rows)
        up, across = refinement(rows, top, bottom), refinement(columns, left, right).T

        def fine(field: Floats) -> Image:
            return np.asarray(up @ sample(spline_filter(field), at).astype(np.float32) @ across)

        seen = np.maximum(fine(fields["density"] / np.abs(area)), 0)
        there = {k: (fine(a), fine(b)) for k, (a, b) in prints.items() if k != self._first}
        v, u = (k.astype(np.float32) * self.step - self._half for k in at)
        there[self._first] = (up @ u @ across, up @ v @ across)
        # Mean pixel size in the pupil; on either side of an edge what is wrong with it cancels.
        soft = 1 / np.sqrt(np.abs(area[self.size // 2, self.size // 2]))
        return np.asarray(seen * self.train.passed(there, float(soft)), np.float32)


def _with_held_figure(train: Train, u: Floats, v: Floats) -> Train:
    """Return ``train`` with the first mirror's figure worked out once and for all.

    A pupil on the mirror itself is met at the same points, to within the figure's height, whatever
    moves.
    """
    first = train.layout.elements[0].name
    if isinstance(train.layout.light, Beam) or first not in train.figures:
        return train
    values = train.figures[first](u, v)
    return replace(train, figures={**train.figures, first: lambda _x, _y: values})


def _paste(seen: Image, out: Image, box: Box) -> None:
    """Copy the part of ``seen`` that lies on the sensor."""
    top, bottom, left, right = box
    r0, r1 = max(top, 0), min(bottom, out.shape[0])
    c0, c1 = max(left, 0), min(right, out.shape[1])
    out[r0:r1, c0:c1] = seen[r0 - top : r1 - top, c0 - left : c1 - left]
