"""How the light fills the first element."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autoalign.optics.ideal import overfill
from autoalign.optics.layout import Beam, Layout, Source
from autoalign.optics.pose import place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import aimed, disk_grid
from autoalign.optics.trace import hits

__all__ = ["Fill", "fill_of"]

_GRID = (24, 48)
"""Rings and spokes on the aperture."""


@dataclass(frozen=True, slots=True)
class Fill:
    """The beam's footprint on the first element.

    Parameters
    ----------
    element
        Name of the element.
    clear_aperture
        mm.
    footprint
        Diameter of the light's edge there (5 % of its centre for "multimode", 1/e² for "gaussian",
        its end for "uniform") in the element's own frame, mm: for a paraboloid seen along the
        collimated beam, for a flat along its normal.
    diameter
        Diameter of the edge of the beam that leaves, square to it, mm.
    width
        Width d_σ of the beam that leaves, square to it, mm: mean of its squares over all azimuths.
    captured
        Part of the emitted light that the element's aperture takes; some of a Gaussian's light is
        always outside, also of one whose edge fits in.
    rim
        Intensity on the rim against the chief ray's.
    """

    element: str
    clear_aperture: float
    footprint: float
    diameter: float
    width: float
    captured: float
    rim: float

    @property
    def overfilled(self) -> bool:
        """Whether the light's edge lies outside the aperture."""
        return self.footprint > self.clear_aperture

    def facts(self) -> dict[str, object]:
        """Return the labelled facts."""
        return {
            "element": self.element,
            "clear aperture (mm)": self.clear_aperture,
            "footprint of the light's edge (mm)": self.footprint,
            "beam diameter (mm)": self.diameter,
            "beam width d_sigma (mm)": self.width,
            "captured light (%)": 100 * self.captured,
            "intensity on the rim (%)": 100 * self.rim,
            "overfilled": self.overfilled,
        }


def fill_of(layout: Layout) -> Fill:
    """Return how the light of ``layout`` fills its first element."""
    first, poses = layout.elements[0], place(layout)
    aperture = first.surface.clear_aperture
    rim, footprint = overfill(layout), _edge_diameter(layout)
    beam = footprint if isinstance(layout.light, Source) else layout.light.diameter
    rays = aimed(layout.light, first, poses, *_GRID)
    light, weight = layout.light, rays.power
    hard = "uniform" in (getattr(light, "emission", ""), getattr(light, "profile", ""))
    fits = hard and rim == 0
    captured = 1.0 if fits else float(np.sum(weight))
    diameter = beam * min(1.0, aperture / footprint)
    return Fill(
        element=first.name,
        clear_aperture=aperture,
        footprint=footprint,
        diameter=diameter,
        # A disk with an even light is as wide as its d_σ (ISO 11146-1: 4σ, and σ = D/4).
        width=diameter if fits else _width(light, aperture, rays),
        captured=min(captured, 1.0),
        rim=rim,
    )


def _width(light: Source | Beam, aperture: float, rays: Rays) -> float:
    """Return d_σ of the light on the grid of :func:`.aimed`, square to the beam that leaves, mm."""
    x, y = rays.x, rays.y
    if isinstance(light, Source):
        u, v, _ = disk_grid(*_GRID)
        x, y = u * aperture / 2, v * aperture / 2
    w = rays.power / np.sum(rays.power)
    spread = sum(np.sum(w * c * c) - np.sum(w * c) ** 2 for c in (x, y))
    return float(4 * np.sqrt(spread / 2))


def _edge_diameter(layout: Layout) -> float:
    """Largest width of the edge rays' circle on the first element, its own frame, mm."""
    light = layout.light
    angle = 2 * np.pi * np.arange(180) / 180
    zero = np.zeros_like(angle)
    if isinstance(light, Source):
        l, m = light.na * np.cos(angle), light.na * np.sin(angle)  # noqa: E741
        rays = Rays(zero, zero, zero, l, m, np.sqrt(1 - l * l - m * m), zero)
    else:
        radius = light.diameter / 2
        rays = Rays(
            radius * np.cos(angle), radius * np.sin(angle), zero, zero, zero, zero + 1, zero
        )
    _, local = next(iter(hits(layout, place(layout), rays)))
    return float(max(np.ptp(local.x), np.ptp(local.y)))
