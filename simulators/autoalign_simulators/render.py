"""Smooth pictures of the light in a plane: the flux that falls on every pixel.

The lit part of the pupil is traced exactly on a grid. Where the map from pupil to pixels can be
inverted (no fold, no focus) each pixel is carried back to its pupil point: flux = density /
|Jacobian|, and edges are averaged over a pixel by their signed distance. Elsewhere the grid is
refined and laid on the pixels (:mod:`.splat`), and what is too small for rays is drawn by
diffraction (:mod:`.wave`).

The extended source is a convolution. Every point of the face sends its own cone along the same
axis: where the far field ends the beam, neighbouring points light the mirror side by side, and the
beam is narrowest one focal length behind it; where the mirror's edge ends the beam, it is narrowest
at the mirror. How much wider the whole face makes the picture than its middle point alone is
therefore integrated over face and pupil (:meth:`.Train.sampled`).

Measured against a render with a hundred times as many points on the demo's screens: rms 6e-4 of the
peak, worst pixel (on an edge) 2.4e-2 near and 6e-3 far, total flux 6e-5.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import spline_filter

from autoalign.core.errors import UsageError
from autoalign.optics.diffraction import needs_diffraction
from autoalign.optics.layout import Beam
from autoalign.optics.pose import Pose
from autoalign.optics.trace import to_plane
from autoalign_simulators.blemishes import covered
from autoalign_simulators.inverse import Inverse, jacobian, nodes, refinement, sample
from autoalign_simulators.kernel import blur, disk_kernel, gaussian_kernel
from autoalign_simulators.pixelmap import PixelMap
from autoalign_simulators.splat import Box, splat
from autoalign_simulators.train import Train
from autoalign_simulators.wave import wave_picture

__all__ = ["Cast", "Renderer"]

Floats = npt.NDArray[Any]
Image = npt.NDArray[np.float32]

_MARGIN = 1.08
"""The pupil grid reaches this much further than the pupil."""

_UNEVEN = 4.0
"""Largest over smallest |Jacobian| up to which a map is inverted."""

_FEW = 6.0
"""Standard deviations on either side of a spot that is drawn by diffraction."""

_WAVE_BOX = 48
"""Pixels on either side of it, where those are fewer."""

_RINGS, _SPOKES = 8, 16
"""Density of the quadrature over the pupil that gives the picture's moments."""

_MOST = 0.5
"""Part of the pupil, across, that light may fill and still gets a grid of its own."""

_SMALLEST = 40
"""Pixels across, below which light is laid on the pixels instead."""


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

    def __init__(self, train: Train, size: int = 65, coarse: int = 64) -> None:
        self.train = train
        self.size = size
        self._coarse = coarse
        self._whole = self._grid(0.0, 0.0, train.pupil_radius)
        self._held = _with_held_figure(train, self._whole.u, self._whole.v)

    def image(
        self, poses: Mapping[str, Pose], plane: str, pixels: PixelMap, shape: tuple[int, int]
    ) -> Image:
        """Return (rows, columns) flux per pixel; 1 is all that the source emits.

        ``poses`` gives, under the name ``plane``, how the screen truly stands.
        """
        out = np.zeros(shape, np.float32)
        cast = self.cast(poses, poses[plane], pixels)
        if cast is None:
            return out
        grid = self._lit(poses)
        train = self._held if grid is self._whole else self.train
        passage = train.passage(poses, grid.u, grid.v)
        x, y, _ = to_plane(passage.rays, poses[plane])
        at = pixels.to_pixels(x, y)
        column, row = (self._square(k + s) for k, s in zip(at, cast.shift, strict=True))
        fields = {"column": column, "row": row, "density": self._square(passage.density)}
        prints = {k: (self._square(a), self._square(b)) for k, (a, b) in passage.prints.items()}
        spread = cast.spread
        box = self._box(column[grid.inside], row[grid.inside], shape, spread)
        if box is None:
            return out
        area = jacobian(column, row, grid.step)
        if self._is_wave(cast, pixels, plane):
            try:
                self._wave(poses, plane, pixels, cast, out)
            except UsageError:  # too many waves to tell apart: rays it is
                out.fill(0)
            else:
                return out
        if self._invertible(area, grid, box):
            sharp = self._inverted(fields, prints, area, grid, box)
        else:
            sharp = splat(fields, prints, grid.step, self.train.passed, box)
        kernel = gaussian_kernel(spread) if self.train.soft else disk_kernel(spread)
        _paste(blur(sharp, kernel), out, box)
        return out

    def _grid(self, u: float, v: float, radius: float) -> _Grid:
        """Return a grid that reaches a little beyond ``radius`` mm about (``u``, ``v``)."""
        half = radius * _MARGIN
        line = np.linspace(-half, half, self.size)
        a, b = np.meshgrid(line, line)
        step = 2 * half / (self.size - 1)
        inside = np.hypot(a, b) <= radius + step
        return _Grid((u, v), radius, step, (a + u).ravel(), (b + v).ravel(), inside)

    def _lit(self, poses: Mapping[str, Pose]) -> _Grid:
        """Return the grid that the light needs: all of the pupil, unless it lights little of it."""
        middle = np.zeros(1)
        lit = self.train.lit(poses, _SPOKES, middle, middle)
        if lit.radius > _MOST * self.train.pupil_radius:
            return self._whole
        return self._grid(float(lit.u[0, 0]), float(lit.v[0, 0]), lit.radius)

    def cast(self, poses: Mapping[str, Pose], plane: Pose, pixels: PixelMap) -> Cast | None:
        """Return the moments of the light on ``plane``, in pixels; None where no light arrives."""
        soft = self.train.pupil_radius / _RINGS
        found = []
        for face in (False, True):
            passage, power = self.train.sampled(poses, _RINGS, _SPOKES, face=face, soft=soft)
            x, y, _ = to_plane(passage.rays, plane)
            at, total = np.stack(pixels.to_pixels(x, y)), float(power.sum())
            if not total > 0:
                return None
            middle = at @ power / total
            off = at - middle[:, None]
            found.append((total, middle, (off * power) @ off.T / total))
        (_, point, sharp), (total, middle, whole) = found
        values, vectors = np.linalg.eigh(whole - sharp)
        spread = 2 * (vectors * np.sqrt(np.maximum(values, 0))) @ vectors.T
        return Cast(total, middle, middle - point, whole, spread)

    def _is_wave(self, cast: Cast, pixels: PixelMap, plane: str) -> bool:
        """Whether the picture is too small for rays alone (:func:`.needs_diffraction`)."""
        light, away = self.train.layout.light, self.train.layout.plane(plane).distance
        f_number = away / self.train.beam_diameter
        width = 4 * np.sqrt(np.linalg.eigvalsh(cast.covariance)[-1] * pixels.area)
        return needs_diffraction(float(width), light.rms_wavelength, f_number)

    def _wave(
        self, poses: Mapping[str, Pose], plane: str, pixels: PixelMap, cast: Cast, out: Image
    ) -> None:
        """Draw the diffraction picture, within a number of pixels of the geometric spot."""
        half = max(_WAVE_BOX, math.ceil(_FEW * np.sqrt(np.linalg.eigvalsh(cast.covariance)[-1])))
        box = []
        for at, most in zip(cast.middle[::-1], out.shape, strict=True):
            box += [max(int(at) - half, 0), min(int(at) + half, most)]
        top, bottom, left, right = box
        if bottom - top < 2 or right - left < 2:
            return
        matrix = np.array(pixels.matrix) @ cast.spread / max(self.train.blur_radius, 1e-300)
        out[top:bottom, left:right] = wave_picture(
            self.train, poses, plane, pixels, matrix, cast.power, (top, bottom, left, right)
        )

    def _square(self, field: Floats) -> Floats:
        return field.reshape(self.size, self.size)

    def _box(
        self, column: Floats, row: Floats, shape: tuple[int, int], spread: Floats
    ) -> Box | None:
        """Return top, bottom, left, right of what must be drawn; None where nothing is seen."""
        edge = int(np.ceil((2 if self.train.soft else 1) * np.abs(spread).sum())) + 3
        limits = []
        for seen, most in ((row, shape[0]), (column, shape[1])):
            if not np.all(np.isfinite(seen)):
                return None
            low, high = int(np.floor(seen.min())) - edge, int(np.ceil(seen.max())) + edge + 1
            low, high = max(low, -edge), min(high, most + edge)
            if high - low <= 2 * edge:
                return None
            limits += [low, high]
        return limits[0], limits[1], limits[2], limits[3]

    def _invertible(self, area: Floats, grid: _Grid, box: Box) -> bool:
        inside = area[grid.inside]
        low, high = float(inside.min()), float(inside.max())
        if low * high <= 0:
            return False
        low, high = sorted((abs(low), abs(high)))
        across = np.sqrt(low) * 2 * grid.radius
        roomy = min(box[1] - box[0], box[3] - box[2]) >= _SMALLEST
        return high / low < _UNEVEN and across >= _SMALLEST and roomy

    def _inverted(
        self, fields: Mapping[str, Floats], prints: Mapping[str, tuple[Floats, Floats]],
        area: Floats, grid: _Grid, box: Box,
    ) -> Image:  # fmt: skip
        """Carry pixels back to the pupil on a coarse grid of the box, and refine the result."""
        top, bottom, left, right = box
        rows, columns = (nodes(a, b, self._coarse) for a, b in ((top, bottom), (left, right)))
        at = Inverse(fields["column"], fields["row"])(columns, rows)
        up, across = refinement(rows, top, bottom), refinement(columns, left, right).T

        def fine(field: Floats) -> Image:
            return np.asarray(up @ sample(spline_filter(field), at).astype(np.float32) @ across)

        seen = np.maximum(fine(fields["density"] / np.abs(area)), 0)
        own = self.train.edges[0].where
        there = {k: (fine(a), fine(b)) for k, (a, b) in prints.items() if k != own}
        middle = (self.size - 1) / 2
        v, u = (up @ ((k.astype(np.float32) - middle) * grid.step) @ across for k in at)
        there[own] = (u + np.float32(grid.middle[0]), v + np.float32(grid.middle[1]))
        # Mean pixel size in the pupil; on either side of an edge what is wrong with it cancels.
        soft = float(1 / np.sqrt(np.abs(area[self.size // 2, self.size // 2])))
        seen = seen * self.train.passed(there, soft)
        if grid is not self._whole:  # beyond its grid nothing is known, and nothing is lit
            seen = seen * covered(grid.radius + grid.step - np.hypot(u, v), soft)
        return np.asarray(seen, np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """A square of pupil points (n²,): ``u``, ``v``, mm, ``step`` apart about ``middle``.

    ``radius`` of the light, mm; ``inside`` (n, n) says which points lie within it.
    """

    middle: tuple[float, float]
    radius: float
    step: float
    u: Floats
    v: Floats
    inside: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Cast:
    """Moments of the light on the sensor, columns and rows, pixels.

    ``power`` that arrives; ``middle`` (2,) and ``covariance`` (2, 2) of all of it; ``shift`` (2,)
    and ``spread`` (2, 2) that all of the face adds to its middle point: see :func:`.disk_kernel`.
    """

    power: float
    middle: Floats
    shift: Floats
    covariance: Floats
    spread: Floats


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
