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

from autoalign.optics.layout import Beam, Flat, Layout, Source
from autoalign.optics.pose import Pose
from autoalign.optics.rays import Rays
from autoalign.optics.trace import Figure, reflect
from autoalign_simulators.blemishes import Blemishes, covered
from autoalign_simulators.glow import Glow

__all__ = ["ElementEdge", "Passage", "Train"]

Floats = npt.NDArray[np.float64]
Point = tuple[Floats | float, Floats | float]

_TAIL_RADII = 2.2
"""A Gaussian beam is followed to this many 1/e² radii (6e-5 of its centre)."""


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
    element, and under "source" at a collimated input.
    """

    rays: Rays
    density: Floats
    prints: Mapping[str, tuple[Floats, Floats]]


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
    def spread(self) -> float:
        """Semi-diameter of the source's face, mm, or of the input's bundle of directions, rad.

        0 for a Gaussian source whose core is no larger than its waist: one coherent mode.
        """
        light = self.layout.light
        if isinstance(light, Beam):
            return light.divergence / 2
        core = light.core_diameter / 2
        return core if core > self.waist else 0.0

    @property
    def waist(self) -> float:
        """What diffraction leaves of a Gaussian source: λ/(π NA), mm; of an input: λ/(π w), rad.

        1/e² radii; 0 for other profiles. A waist's rays have a Gaussian spread of places and of
        directions, which is exact for its Wigner distribution.
        """
        light = self.layout.light
        if isinstance(light, Source):
            across = light.na if light.emission == "gaussian" else math.inf
        else:
            across = light.diameter / 2 if light.profile == "gaussian" else math.inf
        return light.rms_wavelength / (math.pi * across)

    @property
    def blur_radius(self) -> float:
        """Radius of a disk with the second moments of :attr:`spread` and :attr:`waist` together."""
        return math.hypot(self.spread, self.waist)

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
        return (*own, *rest)

    def passage(
        self, poses: Mapping[str, Pose], u: Floats, v: Floats, point: Point = (0.0, 0.0)
    ) -> Passage:
        """Send light through pupil points ``u``, ``v`` (n,), mm.

        ``point`` is where on the face (mm), or in which direction (rad), it comes from.
        """
        light = self.layout.light
        if isinstance(light, Source):
            rays, density = self._aim(light, poses, u, v, point)
        else:
            rays, density = _parallel(light, u, v, point)
        rays = rays.moved(poses["source"])
        prints = {} if isinstance(light, Source) else {"source": (u, v)}
        for element in self.layout.elements:
            pose = poses[element.name]
            rays = reflect(rays, element.surface, pose, self.figures.get(element.name))
            local = rays.moved(pose.inverse())
            prints[element.name] = (local.x, local.y)
        return Passage(rays, density, prints)

    def passed(self, prints: Mapping[str, tuple[Any, Any]], soft: float) -> Any:
        """Return the part, 0 to 1, that edges and blemishes let through at ``prints``.

        ``soft`` is the width, mm, over which hard edges are averaged.
        """
        through: Any = 1.0
        for edge in self.edges:
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


def _parallel(light: Beam, u: Floats, v: Floats, point: Point) -> tuple[Rays, Floats]:
    """Parallel rays through (u, v) of the beam's cross-section, and power per du dv."""
    radius = light.diameter / 2
    zero = np.zeros_like(u)
    l, m = zero + np.sin(point[0]), zero + np.sin(point[1])  # noqa: E741
    density = zero + 1 / (math.pi * radius**2)
    if light.profile == "gaussian":
        density = 2 * density * np.exp(-2 * (u * u + v * v) / radius**2)
    return Rays(u, v, zero, l, m, np.sqrt(1 - l * l - m * m), zero.copy()), density


def _solid_angle(light: Source) -> float:
    """Solid angle that holds the whole far field at its central intensity, small angles, sr."""
    fall = {"multimode": math.log(20), "gaussian": 2.0, "uniform": 1.0}[light.emission]
    return math.pi * light.na**2 / fall
