"""Aiming: which ray from the source goes through a given point of the pupil."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from autoalign.core.errors import UsageError
from autoalign.optics.layout import Beam, Layout, Source
from autoalign.optics.pose import Array, Pose, frame_along
from autoalign.optics.rays import Rays
from autoalign.optics.sources import BEAM_EDGE, emission, half_angle
from autoalign.optics.trace import Figure, hits, to_plane
from autoalign.optics.wavefront import on_sphere

__all__ = ["Aim"]

_STEP = 1e-40
_ROUNDS = 8


class Aim:
    """The map from start coordinates (direction or place at the source) to pupil coordinates.

    Parameters
    ----------
    focus
        Name of the plane with the image, whose reference sphere is the pupil; None for a collimated
        beam, whose pupil is the plane square to the chief ray where that leaves the last element.
    point
        (x, y), mm, on the source's face (for a beam: tilt, rad).

    Attributes
    ----------
    radius
        Of the reference sphere, mm, or None.
    image
        (x, y), mm, of the sphere's centre in the image plane.
    """

    def __init__(
        self,
        layout: Layout,
        poses: Mapping[str, Pose],
        point: tuple[float, float],
        figures: Mapping[str, Figure],
        focus: str | None,
    ) -> None:
        self.layout, self.poses, self.point, self.figures = layout, poses, point, figures
        self.radius: float | None = None
        self.image = (0.0, 0.0)
        self._probe = self._survey()
        rays, _ = self.launch(self._probe)
        chief, _ = self.launch(np.zeros((2, 1)))
        if focus is None:
            direction = chief.directions[0]
            self.reference = Pose(frame_along(direction), chief.points[0])
        else:
            layout.plane(focus)
            self.reference = poses[focus]
            x, y, _ = to_plane(rays, self.reference)
            self.image = (float(np.mean(x)), float(np.mean(y)))
            target = self.reference.apply([*self.image, 0.0])
            self.radius = float(np.linalg.norm(chief.points[0] - target))

    def _survey(self) -> Array:
        """Start coordinates (2, n) of rays that get through, close to the edge included."""
        angle = 2 * np.pi * np.arange(96) / 96
        circle = np.stack([np.cos(angle), np.sin(angle)])[:, None, :]
        radii = self._reach() * np.geomspace(1e-4, 1, 64)
        for _ in range(2):
            measurement = (radii[:, None] * circle).reshape(2, -1)
            _, margins = self.launch(measurement)
            through: Array = measurement[:, np.min(margins, axis=0) >= 0]
            if through.size == 0:
                raise UsageError("pupil: no light gets through; the beam misses an aperture.")
            widest = float(np.max(np.hypot(*through)))
            radii = np.linspace(0, min(1.3 * widest, self._reach()), 96)
        return through

    def _reach(self) -> float:
        """Largest start coordinate that still has light: sin θ, or mm from the beam's middle."""
        light = self.layout.light
        if isinstance(light, Source):
            return float(np.sin(half_angle(light)))
        edge = BEAM_EDGE if light.profile == "gaussian" else 1.0
        return edge * light.diameter / 2

    def launch(self, start: Array) -> tuple[Rays, list[Array]]:
        """Rays at the last element for ``start`` (2, ...), and how far inside each edge they are.

        A margin is positive inside, 0 at the edge and a fraction of the radius squared.
        """
        light = self.layout.light
        p, q = start
        zero = np.zeros_like(p)
        if isinstance(light, Source):
            n = np.sqrt(1 - p * p - q * q)
            rays = Rays(zero + self.point[0], zero + self.point[1], zero, p, q, n, zero)
        else:
            l, m = (np.sin(t) + zero for t in self.point)  # noqa: E741
            path = p * l + q * m  # from the tilted wave's own front
            rays = Rays(p, q, zero, l, m, np.sqrt(1 - l * l - m * m), path)
        margins = [1 - (p * p + q * q).real / self._reach() ** 2]
        for element, local in hits(self.layout, self.poses, rays, self.figures):
            edge = (element.surface.clear_aperture / 2) ** 2
            margins.append(1 - (local.x * local.x + local.y * local.y).real / edge)
            rays = local.moved(self.poses[element.name])
        return rays, [np.nan_to_num(m, nan=-1.0) for m in margins]

    def arrive(self, rays: Rays) -> tuple[Array, Array, Array]:
        """Pupil coordinates and path."""
        if self.radius is None:
            return to_plane(rays, self.reference)
        return on_sphere(rays, self.reference, self.radius, self.image)

    def intensity(self, start: Array) -> Array:
        """Power per start coordinate."""
        light: Source | Beam = self.layout.light
        square = start[0] ** 2 + start[1] ** 2
        if isinstance(light, Source):
            return np.asarray(emission(light, square) / np.sqrt(np.maximum(1 - square, 1e-12)))
        if light.profile == "uniform":
            return np.ones_like(square)
        return np.asarray(np.exp(-2 * square / (light.diameter / 2) ** 2))

    def extent(self) -> tuple[tuple[float, float], float]:
        """Centre and half side, mm, of the square that holds the beam in the pupil."""
        rays, _ = self.launch(self._probe)
        x, y, _ = self.arrive(rays)
        half = float(max(np.ptp(x), np.ptp(y))) / 2
        centre = (float(x.max() + x.min()) / 2, float(y.max() + y.min()) / 2)
        if self.radius is not None:  # a reference sphere has a middle of its own
            half += max(abs(centre[0]), abs(centre[1]))
            centre = (0.0, 0.0)
        return centre, 1.04 * half

    def solve(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Start coordinates (2, n) of the rays through the pupil points, and |∂(x, y)/∂start|."""
        start = np.zeros((2, x.size))
        limit = np.max(np.abs(self._probe)) * 1.2
        for _ in range(_ROUNDS):
            px, py, jacobian, determinant = self._derivatives(start)
            dx, dy = x - px, y - py
            move = np.stack(
                [
                    jacobian[1][1] * dx - jacobian[1][0] * dy,
                    -jacobian[0][1] * dx + jacobian[0][0] * dy,
                ]
            )
            move = np.where(np.isfinite(move), move / determinant, 0.0)
            start = start + move
            size = np.sqrt(np.sum(start**2, axis=0))
            start = start * np.where(size > limit, limit / np.maximum(size, 1e-300), 1.0)
            # Newton's error is squared by every round: this is the last one needed.
            if float(np.max(np.abs(move[:, size < limit]), initial=0.0)) < 1e-8 * limit:
                break
        return start, self._derivatives(start)[3]

    def _derivatives(self, start: Array) -> tuple[Array, Array, tuple[Array, Array], Array]:
        """Pupil coordinates, their derivatives by start coordinate, and the determinant."""
        columns = []
        for k in (0, 1):
            step = start.astype(complex)
            step[k] += 1j * _STEP
            rays, _ = self.launch(step)
            x, y, _ = self.arrive(rays)
            columns.append(np.stack([x.imag, y.imag]) / _STEP)
        a, b = columns
        return x.real, y.real, (a, b), a[0] * b[1] - a[1] * b[0]
