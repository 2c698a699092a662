"""Rays from the source to the screens, and how displacing any part moves them, both exactly.

What a screen shows depends only on how each part stands in the frame of the next one. So there is
one way a ray can change for each of the six small displacements of each such pose, and for each of
the two numbers of a curved mirror's shape; in real numbers, along the rays that are there already.
A displacement of a pose (R, p) is a twist ω, v in the frame that the pose leads into: R grows by
ω × R, p by ω × p + v.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.model.illumination import PupilGrid, bent_log, factors, log_slopes, own_size
from autoalign.model.poses import GENERATORS, STEP
from autoalign.optics.layout import Beam, Flat, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Pose

__all__ = ["Flight", "Mirror", "Shape", "central_moments", "moment_changes", "shape_of"]

Floats = npt.NDArray[np.float64]

MOST = 60.0
"""Largest exponent of a soft edge that is followed."""


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """A surface z = ``curve`` (x² + y²) + ``slope`` x, and both's derivatives by ρ and α (2,)."""

    curve: float
    slope: float
    by_curve: Floats
    by_slope: Floats

    @property
    def rows(self) -> int:
        """Number of unknowns of the shape."""
        return len(self.by_curve)

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        """Height and slopes at (x, y)."""
        height = self.curve * (x * x + y * y) + self.slope * x
        return height, 2 * self.curve * x + self.slope, 2 * self.curve * y

    def grown(self, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        """Return how height and slopes at (x, y) (..., n) change with the shape, (..., rows, n)."""
        x, y = x[..., None, :], y[..., None, :]
        curve, slope = self.by_curve[:, None], self.by_slope[:, None]
        return curve * (x * x + y * y) + slope * x, 2 * curve * x + slope, 2 * curve * y


def shape_of(surface: OffAxisParaboloid | Flat, change: Floats) -> Shape:
    """Return the shape of ``surface`` with ρ (mm) and α (rad) changed by ``change`` (2,)."""
    if isinstance(surface, Flat):
        return Shape(0.0, 0.0, np.zeros(0), np.zeros(0))
    rho, alpha = change[:, None] + 1j * STEP * np.array([[0, 1, 0], [0, 0, 1]])
    angle = surface.off_axis_angle + alpha
    f = (surface.reflected_focal_length + rho) * (1 + np.cos(angle)) / 2
    curve, slope = 1 / (4 * f), np.tan(angle / 2)
    return Shape(
        float(curve[0].real), float(slope[0].real), curve[1:].imag / STEP, slope[1:].imag / STEP
    )


@dataclass(frozen=True, slots=True, eq=False)
class Mirror:
    """One element as the rays meet it: shape, clear aperture (mm), whether it cuts softly."""

    shape: Shape
    aperture: float
    soft: float
    lit_whole: bool = False
    """Whether the rays begin on its surface."""


@dataclass(slots=True, eq=False)
class _Changes:
    """How points, directions (measurements, rows, 3, n) and log weights (…, rows, n) change."""

    points: Floats
    directions: Floats
    log_weight: Floats

    @classmethod
    def none(cls, measurements: int, rows: int, n: int) -> _Changes:
        return cls(
            np.zeros((measurements, rows, 3, n)),
            np.zeros((measurements, rows, 3, n)),
            np.zeros((measurements, rows, n)),
        )

    def turn(self, rotation: Floats) -> None:
        """Carry everything into another frame."""
        self.points = rotation[:, None] @ self.points
        self.directions = rotation[:, None] @ self.directions

    def displace(self, rows: slice, points: Floats, directions: Floats) -> None:
        """Put rays (measurements, 3, n) that are displaced rigidly into six ``rows``."""
        first = slice(rows.start, rows.start + 3)
        self.points[:, first] = _across(points)
        self.directions[:, first] = _across(directions)
        for i in range(3):
            self.points[:, rows.start + 3 + i, i] = 1.0


def _across(vectors: Floats) -> Floats:
    """e_i × ``vectors`` (measurements, 3, n), as (measurements, 3 directions i, 3, n)."""
    return GENERATORS @ vectors[:, None]


class Flight:
    """Rays (measurements, n) through one bench.

    Parameters
    ----------
    light, terms, grid
        What shines, how its emission is bent (14,), and the rays.
    steps
        Pose of the source in the first mirror's frame, then of each mirror in the next one's.
    mirrors
        The elements, in order.
    """

    def __init__(
        self,
        light: Source | Beam,
        terms: Floats,
        grid: PupilGrid,
        steps: Sequence[Pose],
        mirrors: Sequence[Mirror],
    ) -> None:
        self.light, self.terms, self.grid = light, terms, grid
        self.steps, self.mirrors = steps, mirrors
        first = self._on_aperture if grid.on_aperture else self._in_far_field
        self._kept: list[tuple[Floats, ...]] = []
        points, directions, weight = first()
        for k, mirror in enumerate(mirrors):
            if k:
                points = steps[k].rotation @ points + steps[k].position[..., None]
                directions = steps[k].rotation @ directions
            points, directions, weight = self._reflect(mirror, points, directions, weight)
        self.points, self.directions, self.weight = points, directions, weight

    # The rays themselves.

    def _on_aperture(self) -> tuple[Floats, Floats, Floats]:
        """Rays to the points of the first mirror's aperture."""
        rotation, position = self.steps[0].rotation, self.steps[0].position
        x, y = self.grid.u, self.grid.v
        height, gx, gy = self.mirrors[0].shape.at(x, y)
        there = np.stack([x, y, height])
        way = there - position[..., None]
        beside = np.swapaxes(rotation, -1, -2)[:, :2] @ way
        if isinstance(self.light, Source):
            far = np.sqrt((way * way).sum(axis=-2))
            directions = way / far[:, None]
            u, v = np.moveaxis(beside / (far[:, None] * self.light.na), -2, 0)
            fall = 1 / (far * far)
        else:
            far = np.full(beside[:, 0].shape, 1.0)
            directions = np.broadcast_to(rotation[:, :, 2:], way.shape)
            u, v = np.moveaxis(beside / own_size(self.light), -2, 0)
            fall = far
        log = bent_log(self.light, u, v, self.terms)
        facing = directions[:, 2] - gx * directions[:, 0] - gy * directions[:, 1]
        weight = self.grid.weight * np.exp(np.minimum(log, MOST)) * fall * facing
        self._launched = (way, directions, far, u, v, log, facing)
        return np.broadcast_to(there, way.shape), directions, weight

    def _in_far_field(self) -> tuple[Floats, Floats, Floats]:
        """Rays that fill the source's own far field."""
        light, size, u, v = self.light, own_size(self.light), self.grid.u, self.grid.v
        zero = np.zeros_like(u)
        log = bent_log(light, u, v, self.terms)
        weight = self.grid.weight * np.exp(np.minimum(log, MOST))
        if isinstance(light, Source):
            n = np.sqrt(1 - (u * u + v * v) * size**2)
            points, directions = np.stack([zero, zero, zero]), np.stack([u * size, v * size, n])
            weight = weight / n
        else:
            points = np.stack([u * size, v * size, zero])
            directions = np.stack([zero, zero, zero + 1])
        rotation, position = self.steps[0].rotation, self.steps[0].position
        measurements = len(rotation)
        u, v, log = (np.broadcast_to(c, (measurements, len(u))) for c in (u, v, log))
        self._launched = (u, u, u, u, v, log, u)
        return rotation @ points + position[..., None], rotation @ directions, weight

    def _reflect(
        self, mirror: Mirror, points: Floats, directions: Floats, weight: Floats
    ) -> tuple[Floats, Floats, Floats]:
        shape = mirror.shape
        t = outside = np.zeros(0)
        if not mirror.lit_whole:
            t = _meeting(shape, points, directions)
            points = points + t[:, None] * directions
            radius = mirror.aperture / 2
            square = points[:, 0] ** 2 + points[:, 1] ** 2
            outside = (square - radius**2) / (radius * mirror.soft)
            weight = weight / (1 + np.exp(np.minimum(outside, MOST)))
        l, m, n = np.moveaxis(directions, -2, 0)  # noqa: E741
        _, gx, gy = shape.at(points[:, 0], points[:, 1])
        size = gx * gx + gy * gy + 1
        k = 2 * (l * gx + m * gy - n) / size
        self._kept.append((points, directions, t, outside, gx, gy, size, k))
        out = np.stack([l - k * gx, m - k * gy, n + k], axis=-2)
        return points, out, weight

    # How they change.

    @property
    def rows(self) -> int:
        """Ways to change the rays, but for displacing screens and bending the emission."""
        return 6 * len(self.steps) + sum(m.shape.rows for m in self.mirrors)

    def of_step(self, k: int) -> slice:
        """Rows of displacements of ``steps[k]``."""
        return slice(6 * k, 6 * k + 6)

    def of_shape(self, k: int) -> slice:
        """Rows of the shape of ``mirrors[k]``."""
        start = 6 * len(self.steps) + sum(m.shape.rows for m in self.mirrors[:k])
        return slice(start, start + self.mirrors[k].shape.rows)

    def changes(self) -> _Changes:
        """Return how the rays after the last mirror change, row by row."""
        out = _Changes.none(len(self.points), self.rows, self.points.shape[-1])
        self._change_launch(out)
        for k, mirror in enumerate(self.mirrors):
            points, directions = self._kept[k][:2]
            if k:
                out.turn(self.steps[k].rotation)
                before = points - self._kept[k][2][:, None] * directions
                out.displace(self.of_step(k), before, directions)
            self._change_reflection(out, k, mirror)
        return out

    def bending(self) -> Floats:
        """Return how the log weights (measurements, 14, n) change as the emission is bent."""
        _, _, _, u, v, log, _ = self._launched
        return np.stack(factors(u, v), axis=1) * (log < MOST)[:, None]

    def _change_launch(self, out: _Changes) -> None:
        rows = self.of_step(0)
        if not self.grid.on_aperture:
            points, directions, t = self._kept[0][:3]
            out.displace(rows, points - t[:, None] * directions, directions)
            return
        way, directions, far, u, v, log, facing = self._launched
        rotation, position = self.steps[0].rotation, self.steps[0].position
        shape, shapes = self.mirrors[0].shape, self.of_shape(0)
        x, y = self.grid.u, self.grid.v
        height, by_gx, by_gy = shape.grown(x, y)
        out.points[:, shapes, 2] = height
        # The way from the source: it begins elsewhere, or ends on another surface.
        count = out.points.shape[1]
        ways = np.zeros((len(way), count, 3, way.shape[-1]))
        ways[:, rows.start : rows.start + 3] = -_across(position[..., None])
        for i in range(3):
            ways[:, rows.start + 3 + i, i] = -1.0
        ways[:, shapes, 2] = height
        turned = np.zeros((len(way), count, 3, 3))
        turned[:, rows.start : rows.start + 3] = GENERATORS @ rotation[:, None]
        back = np.swapaxes(rotation, -1, -2)[:, None]
        beside = (back @ ways + np.swapaxes(turned, -1, -2) @ way[:, None])[:, :, :2]
        if isinstance(self.light, Source):
            longer = (ways * directions[:, None]).sum(axis=-2) / far[:, None]
            out.directions = ways / far[:, None, None] - directions[:, None] * longer[:, :, None]
            scale = 1 / (far * self.light.na)
            by_u = beside[:, :, 0] * scale[:, None] - u[:, None] * longer
            by_v = beside[:, :, 1] * scale[:, None] - v[:, None] * longer
            out.log_weight = -2 * longer
        else:
            out.directions = np.repeat(turned[..., 2:], way.shape[-1], axis=-1)
            by_u, by_v = (beside[:, :, i] / own_size(self.light) for i in range(2))
        steep_u, steep_v = log_slopes(self.light, u, v, self.terms)
        within = log < MOST
        out.log_weight += (steep_u * within)[:, None] * by_u + (steep_v * within)[:, None] * by_v
        _, gx, gy = shape.at(x, y)
        facings = out.directions[:, :, 2] - gx * out.directions[:, :, 0]
        facings -= gy * out.directions[:, :, 1]
        facings[:, shapes] -= by_gx * directions[:, None, 0] + by_gy * directions[:, None, 1]
        out.log_weight += facings / facing[:, None]

    def _change_reflection(self, out: _Changes, k: int, mirror: Mirror) -> None:
        points, directions, t, outside, gx, gy, size, strength = self._kept[k]
        shape, shapes = mirror.shape, self.of_shape(k)
        height, by_gx, by_gy = shape.grown(points[:, 0], points[:, 1])
        if not mirror.lit_whole:
            moved = out.points + t[:, None, None] * out.directions
            # On the surface before and after: what the ray misses it by, it makes up on its way.
            gap = moved[:, :, 2] - gx[:, None] * moved[:, :, 0] - gy[:, None] * moved[:, :, 1]
            gap[:, shapes] -= height
            steep = gx * directions[:, 0] + gy * directions[:, 1] - directions[:, 2]
            out.points = moved + (gap / steep[:, None])[:, :, None] * directions[:, None]
            part = 1 / (1 + np.exp(-np.clip(outside, -MOST, MOST))) * (outside < MOST)
            scale = 2 * part / (mirror.aperture / 2 * mirror.soft)
            out.log_weight -= (scale * points[:, 0])[:, None] * out.points[:, :, 0]
            out.log_weight -= (scale * points[:, 1])[:, None] * out.points[:, :, 1]
        slopes = 2 * shape.curve * out.points[:, :, :2]
        slopes[:, shapes, 0] += by_gx
        slopes[:, shapes, 1] += by_gy
        by_x, by_y = slopes[:, :, 0], slopes[:, :, 1]
        l, m = directions[:, None, 0], directions[:, None, 1]  # noqa: E741
        gx, gy, strength = gx[:, None], gy[:, None], strength[:, None]
        change = out.directions
        hit = change[:, :, 0] * gx + change[:, :, 1] * gy - change[:, :, 2] + l * by_x + m * by_y
        more = 2 * (hit - strength * (gx * by_x + gy * by_y)) / size[:, None]
        out.directions = np.stack(
            [
                change[:, :, 0] - more * gx - strength * by_x,
                change[:, :, 1] - more * gy - strength * by_y,
                change[:, :, 2] + more,
            ],
            axis=-2,
        )

    # What the screens show.

    def crossing(self, steps: Pose) -> tuple[Floats, Floats, Floats]:
        """Return where rays cross z = 0 of each screen (measurements, screens, 2, n), mm.

        Further their slopes there, alike, and their way from the last mirror (measurements,
        screens, n). ``steps`` (measurements, screens) are the poses of the last mirror in the
        screens' frames.
        """
        points = steps.rotation @ self.points[:, None] + steps.position[..., None]
        directions = steps.rotation @ self.directions[:, None]
        slopes = directions[:, :, :2] / directions[:, :, 2:]
        way = -points[:, :, 2] / directions[:, :, 2]
        return points[:, :, :2] - slopes * points[:, :, 2:], slopes, way

    def crossing_changes(
        self, steps: Pose, changes: _Changes, crossing: tuple[Floats, Floats, Floats]
    ) -> Floats:
        """Return how crossings change (measurements, screens, rows + 6, 2, n); last: ``steps``."""
        at, slopes, way = crossing
        moved = changes.directions[:, None] * way[:, :, None, None] + changes.points[:, None]
        moved = steps.rotation[:, :, None] @ moved
        rows = moved.shape[2]
        out = np.zeros((*moved.shape[:2], rows + 6, *at.shape[2:]))
        out[:, :, :rows] = moved[..., :2, :] - slopes[:, :, None] * moved[..., 2:, :]
        x, y = at[:, :, :1], at[:, :, 1:]
        out[:, :, rows], out[:, :, rows + 1] = -slopes * y, slopes * x
        out[:, :, rows + 2, 0], out[:, :, rows + 2, 1] = -y[:, :, 0], x[:, :, 0]
        out[:, :, rows + 3, 0] = out[:, :, rows + 4, 1] = 1.0
        out[:, :, rows + 5] = -slopes
        return out


def _meeting(shape: Shape, points: Floats, directions: Floats) -> Floats:
    """Length along each ray to the surface; NaN where it misses."""
    x, y, z = np.moveaxis(points, -2, 0)
    l, m, n = np.moveaxis(directions, -2, 0)  # noqa: E741
    if shape.rows == 0:
        return np.asarray(-z / n)
    a = shape.curve * (l * l + m * m)
    b = shape.curve * (x * l + y * m) + (shape.slope * l - n) / 2
    c = shape.curve * (x * x + y * y) + shape.slope * x - z
    # Light comes from the concave side: the root at which the surface is left upwards.
    return np.asarray(-c / (b + np.sqrt(b * b - a * c)))


def central_moments(at: Floats, weight: Floats) -> Floats:
    """Return centroid and central moments (..., 9) of spots at (..., 2, n), weighed (..., n)."""
    w = weight / weight.sum(axis=-1, keepdims=True)
    centre = (w[..., None, :] * at).sum(axis=-1)
    u, v = np.moveaxis(at - centre[..., None], -2, 0)
    uu, vv = u * u, v * v
    seconds = np.stack([uu, vv, u * v, u * uu, v * uu, u * vv, v * vv], axis=-2)
    return np.concatenate([centre, (w[..., None, :] * seconds).sum(axis=-1)], axis=-1)


def moment_changes(at: Floats, weight: Floats, moved: Floats, logs: Floats) -> Floats:
    """Return how :func:`central_moments` change (..., rows, 9).

    Parameters
    ----------
    at, weight
        Spots, as there.
    moved, logs
        How places (..., rows, 2, n) and log weights (..., more rows, n) change; the first rows of
        both belong together, further rows change weights alone.
    """
    w = weight / weight.sum(axis=-1, keepdims=True)
    centre = (w[..., None, :] * at).sum(axis=-1)
    u, v = np.moveaxis(at - centre[..., None], -2, 0)
    uu, uv, vv = u * u, u * v, v * v
    one, nil = np.ones_like(u), np.zeros_like(u)
    terms = np.stack(
        [
            *(u, v, uu, vv, uv, u * uu, v * uu, u * vv, v * vv),
            *(one, nil, 2 * u, nil, v, 3 * uu, 2 * uv, vv, nil),
            *(nil, one, nil, 2 * v, u, nil, uu, 2 * uv, 3 * vv),
        ],
        axis=-1,
    )
    terms *= w[..., None]
    powers, by_u, by_v = terms[..., :9], terms[..., 9:18], terms[..., 18:]
    change = (logs - logs @ w[..., None]) @ powers
    rows = moved.shape[-3]
    change[..., :rows, :] += moved[..., 0, :] @ by_u + moved[..., 1, :] @ by_v
    # Central moments are taken about the centroid, which moves as well.
    about = np.stack([by_u.sum(axis=-2), by_v.sum(axis=-2)], axis=-2)[..., 2:]
    change[..., 2:] -= change[..., :2] @ about
    return np.asarray(change, dtype=np.float64)
