"""The true optical train: from the light's face through every mirror, with all that it does.

The pupil is where the light is sampled: the first mirror's own surface for a diverging source (its
clear aperture stays a sharp, fixed edge under every motion), the beam's cross-section for a
collimated input.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.optics.ideal import effective_size
from autoalign.optics.layout import Beam, Flat, Layout, Source
from autoalign.optics.pose import Pose
from autoalign.optics.rays import Rays
from autoalign.optics.sources import disk_grid
from autoalign.optics.trace import Figure, reflect
from autoalign_simulators.blemishes import Blemishes, covered
from autoalign_simulators.glow import Glow

__all__ = ["ElementEdge", "Passage", "Train"]

Floats = npt.NDArray[np.float64]
Point = tuple[Floats | float, Floats | float]

_TAIL_RADII = 2.2
"""A Gaussian beam is followed to this many 1/e² radii (6e-5 of its centre)."""

_TAIL = 1e-6
"""A smooth far field is followed down to this part of its centre."""

_HALVINGS = 24
"""Bisections by which the rim of the lit part of the pupil is found."""


@dataclass(frozen=True, slots=True)
class ElementEdge:
    """A hard edge: a circle of ``radius`` mm about the zero of what ``where`` names."""

    where: str
    radius: float


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """Light that has come through.

    ``rays`` (..., n) in the bench frame, just after the last mirror; ``density`` (..., n) power per
    mm² of the pupil, with 1 for all that the source emits; ``prints`` local (x, y), mm, at each
    element, under "source" at a collimated input, and under "far field" where that has a hard edge.
    """

    rays: Rays
    density: Floats
    prints: Mapping[str, tuple[Floats, Floats]]


@dataclass(frozen=True, slots=True, eq=False)
class Lit:
    """The part of the pupil that light falls on: star-shaped about a point.

    ``u``, ``v`` (k, 1) that point, mm, for each of k points of the face; ``rim`` (k, n) its
    distance, mm, from the edge at the azimuths ``azimuth`` (n,), rad.
    """

    u: Floats
    v: Floats
    azimuth: Floats
    rim: Floats

    @property
    def radius(self) -> float:
        """Distance of the farthest edge, mm."""
        return float(self.rim.max())


@dataclass(slots=True)
class Train:
    """Light and mirrors as they truly are.

    ``layout`` gives light, elements and their order; ``figures`` and ``blemishes`` by element.
    """

    layout: Layout
    glow: Glow = field(default_factory=Glow)
    figures: Mapping[str, Figure] = field(default_factory=dict)
    blemishes: Mapping[str, Blemishes] = field(default_factory=dict)

    @property
    def pupil_radius(self) -> float:
        """Semi-diameter of the pupil, mm."""
        light = self.layout.light
        if isinstance(light, Source):
            return self.layout.elements[0].surface.clear_aperture / 2
        return light.diameter / 2 * (1.0 if light.profile == "uniform" else _TAIL_RADII)

    @property
    def blur_radius(self) -> float:
        """Radius, mm, of a disk that stands for the source's face; rad for an input's directions.

        With diffraction in it, see :func:`.effective_size`: rays from all over a waist, along all
        its directions, have the second moments of its Wigner distribution at every plane.
        """
        return effective_size(self.layout.light) / 2

    @property
    def spread(self) -> float:
        """The part of :attr:`blur_radius` that is no diffraction; 0 for a single mode."""
        return math.sqrt(max(self.blur_radius**2 - self.waist**2, 0.0))

    @property
    def waist(self) -> float:
        """What diffraction leaves of a perfect source: λ/(π NA), mm; of an input: λ/(π w), rad."""
        light = self.layout.light
        across = light.na if isinstance(light, Source) else light.diameter / 2
        return light.rms_wavelength / (math.pi * across)

    @property
    def soft(self) -> bool:
        """Whether diffraction outweighs the spread: the source's image is round-shouldered."""
        return self.waist > self.spread

    @property
    def beam_diameter(self) -> float:
        """Diameter of the beam, mm: of the first mirror's aperture, or as the input states it."""
        light = self.layout.light
        return 2 * self.pupil_radius if isinstance(light, Source) else light.diameter

    @property
    def edges(self) -> tuple[ElementEdge, ...]:
        """Every hard edge that light may meet, the pupil's own first where it has one."""
        light = self.layout.light
        own = [] if isinstance(light, Source) else [ElementEdge("source", self.pupil_radius)]
        rest = [ElementEdge(e.name, e.surface.clear_aperture / 2) for e in self.layout.elements]
        hard = isinstance(light, Source) and light.emission == "uniform"
        far_field = [ElementEdge("far field", self._limit * self._reach)] if hard else []
        return (*own, *rest, *far_field)

    @property
    def _reach(self) -> float:
        """Nominal distance, mm, from the source to the first element.

        It turns directions into lengths.
        """
        return math.dist(self.layout.light.position, self.layout.elements[0].position)

    @property
    def _limit(self) -> float:
        """Sine of the half-angle, about the middle of the far field, that holds all its light."""
        light = self.layout.light
        assert isinstance(light, Source)
        if light.emission == "uniform":
            return light.na
        return light.na * math.sqrt(-math.log(_TAIL) / _FALL[light.emission])

    def passage(
        self, poses: Mapping[str, Pose], u: Floats, v: Floats, point: Point = (0.0, 0.0)
    ) -> Passage:
        """Send light through pupil points ``u``, ``v`` (n,), mm.

        ``point`` is where on the face (mm), or in which direction (rad), it comes from.
        """
        light = self.layout.light
        rays, density = self.emitted(poses, u, v, point)
        l, m = rays.l - self.glow.centre[0], rays.m - self.glow.centre[1]  # noqa: E741
        rays = rays.moved(poses["source"])
        prints = {} if isinstance(light, Source) else {"source": (u, v)}
        if any(edge.where == "far field" for edge in self.edges):
            prints["far field"] = l * self._reach, m * self._reach
        for element in self.layout.elements:
            pose = poses[element.name]
            rays = reflect(rays, element.surface, pose, self.figures.get(element.name))
            local = rays.moved(pose.inverse())
            prints[element.name] = (local.x, local.y)
        return Passage(rays, density, prints)

    def emitted(
        self, poses: Mapping[str, Pose], u: Floats, v: Floats, point: Point
    ) -> tuple[Rays, Floats]:
        """Return the rays of :meth:`passage` as they leave, in the source's frame, and density."""
        light = self.layout.light
        if isinstance(light, Source):
            return self._aim(light, poses, u, v, point)
        return self._parallel(light, u, v, point)

    def sampled(
        self, poses: Mapping[str, Pose], rings: int, spokes: int, *, face: bool = True,
        soft: float = 1e-3,
    ) -> tuple[Passage, Floats]:  # fmt: skip
        """Return light from all of the face through all of the pupil, with the power of every ray.

        Parameters
        ----------
        rings, spokes
            Density of the quadrature over the lit part of the pupil.
        face
            False for the middle of the face alone.
        soft
            Width, mm, over which hard edges are averaged.
        """
        x, y, share = np.zeros(1), np.zeros(1), np.ones(1)
        if face and self.blur_radius > 0:
            x, y, share = disk_grid(2, 6)
            x, y = x * self.blur_radius, y * self.blur_radius
        lit = self.lit(poses, spokes, x, y)
        nodes, weights = np.polynomial.legendre.leggauss(rings)
        r = np.sqrt((nodes + 1) / 2)[:, None] * lit.rim[:, None, :]
        area = weights[:, None] / 2 * np.pi / spokes * lit.rim[:, None, :] ** 2
        u = (lit.u[:, None] + r * np.cos(lit.azimuth)).ravel()
        v = (lit.v[:, None] + r * np.sin(lit.azimuth)).ravel()
        each = rings * spokes
        passage = self.passage(poses, u, v, (np.repeat(x, each), np.repeat(y, each)))
        weight = (share[:, None, None] * area).ravel()
        return passage, passage.density * weight * self.passed(
            passage.prints, soft, within_lit=True
        )

    def lit(self, poses: Mapping[str, Pose], spokes: int, x: Floats, y: Floats) -> Lit:
        """Return the part of the pupil that light from the points ``x``, ``y`` (k,) falls on.

        Every integral over the pupil is taken over it, so that it neither wastes its nodes on the
        dark nor has a hard edge between them.
        """
        light, radius = self.layout.light, self.pupil_radius
        azimuth = 2 * np.pi * (np.arange(spokes) + 0.25) / spokes
        u = v = np.zeros((len(x), 1))
        if isinstance(light, Beam):
            return Lit(u, v, azimuth, np.full((len(x), spokes), radius))
        u, v = self._middle(poses, x, y)
        away = np.hypot(u, v)
        inner = np.minimum(1.0, 0.98 * radius / np.maximum(away, 1e-300))
        u, v = (u * inner)[:, None], (v * inner)[:, None]
        cos, sin = np.cos(azimuth), np.sin(azimuth)
        along = u * cos + v * sin
        far = -along + np.sqrt(np.maximum(along**2 + radius**2 - u * u - v * v, 0))
        point = x[:, None], y[:, None]

        def dark(r: Floats) -> npt.NDArray[np.bool_]:
            rays, _ = self._aim(light, poses, u + r * cos, v + r * sin, point)
            l, m = rays.l - self.glow.centre[0], rays.m - self.glow.centre[1]  # noqa: E741
            return np.asarray(l * l + m * m > self._limit**2)

        low, high = np.zeros_like(far), far
        cut = dark(far)
        if not np.any(cut):
            return Lit(u, v, azimuth, far)
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            beyond = dark(middle)
            low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
        return Lit(u, v, azimuth, np.where(cut, (low + high) / 2, far))

    def _middle(self, poses: Mapping[str, Pose], x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return where the middle of the far field meets the first element, mm, (k,) each."""
        element = self.layout.elements[0]
        l, m = (np.full_like(x, c) for c in self.glow.centre)  # noqa: E741
        zero = np.zeros_like(x)
        middle = Rays(x, y, zero, l, m, np.sqrt(1 - l * l - m * m), zero.copy())
        pose = poses[element.name]
        hit = reflect(middle.moved(poses["source"]), element.surface, pose).moved(pose.inverse())
        missed = ~np.isfinite(hit.x + hit.y)
        return np.where(missed, 0.0, hit.x), np.where(missed, 0.0, hit.y)

    def passed(
        self, prints: Mapping[str, tuple[Any, Any]], soft: float, *, within_lit: bool = False
    ) -> Any:
        """Return the part, 0 to 1, that edges and blemishes let through at ``prints``.

        ``soft`` is the width, mm, over which hard edges are averaged; ``within_lit`` leaves out
        those at which :meth:`lit` ends.
        """
        through: Any = 1.0
        ended = (self.edges[0].where, "far field") if within_lit else ()
        for edge in self.edges:
            if edge.where in ended:
                continue
            x, y = prints[edge.where]
            through = through * covered(edge.radius - np.sqrt(x * x + y * y), soft)
        for name, marks in self.blemishes.items():
            through = through * marks.transmission(*prints[name], soft)
        return through

    def _aim(
        self, light: Source, poses: Mapping[str, Pose], u: Floats, v: Floats, point: Point
    ) -> tuple[Rays, Floats]:
        """Rays from the face to the surface points (u, v), and I dΩ per du dv."""
        element = self.layout.elements[0]
        surface = element.surface
        if isinstance(surface, Flat):
            gx, gy, z = np.zeros_like(u), np.zeros_like(u), np.zeros_like(u)
        else:
            f, h = surface.parent_focal_length, surface.off_axis_distance
            gx, gy, z = (u + h) / (2 * f), v / (2 * f), (u * (u + 2 * h) + v * v) / (4 * f)
        seen = poses["source"].inverse().compose(poses[element.name])
        patch = Rays(u, v, z, -gx, -gy, np.ones_like(u), np.zeros_like(u)).moved(seen)
        dx, dy, dz = patch.x - point[0], patch.y - point[1], patch.z
        square = dx * dx + dy * dy + dz * dz
        far = np.sqrt(square)
        l, m, n = dx / far, dy / far, dz / far  # noqa: E741
        facing = -(l * patch.l + m * patch.m + n * patch.n)
        density = self.glow.intensity(light, l, m) * facing / square / _solid_angle(light)
        start = np.zeros_like(l)
        return Rays(start + point[0], start + point[1], start, l, m, n, start.copy()), density

    def _parallel(self, light: Beam, u: Floats, v: Floats, point: Point) -> tuple[Rays, Floats]:
        """Parallel rays through (u, v) of the beam's cross-section, and power per du dv."""
        radius = light.diameter / 2
        zero = np.zeros_like(u)
        l, m = zero + np.sin(point[0]), zero + np.sin(point[1])  # noqa: E741
        density = self.glow.unevenness(u / radius, v / radius) / (math.pi * radius**2)
        if light.profile == "gaussian":
            density = 2 * density * np.exp(-2 * (u * u + v * v) / radius**2)
        return Rays(u, v, zero, l, m, np.sqrt(1 - l * l - m * m), zero.copy()), zero + density


_FALL = {"multimode": math.log(20), "gaussian": 2.0, "uniform": 1.0}
"""How fast the log of a far field falls with (sine/NA)²; 1 for the solid angle of a hard one."""


def _solid_angle(light: Source) -> float:
    """Solid angle that holds the whole far field at its central intensity, small angles, sr."""
    return math.pi * light.na**2 / _FALL[light.emission]
