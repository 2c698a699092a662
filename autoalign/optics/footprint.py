"""How the light fills the first element."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autoalign.optics.ideal import overfill
from autoalign.optics.layout import Layout, Source
from autoalign.optics.pose import place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import aimed
from autoalign.optics.trace import hits

__all__ = ["Fill", "fill_of"]


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
    weight = aimed(layout.light, first, poses, 24, 48).power
    light = layout.light
    hard = "uniform" in (getattr(light, "emission", ""), getattr(light, "profile", ""))
    captured = 1.0 if hard and rim == 0 else float(np.sum(weight))
    return Fill(
        element=first.name,
        clear_aperture=aperture,
        footprint=footprint,
        diameter=beam * min(1.0, aperture / footprint),
        captured=min(captured, 1.0),
        rim=rim,
    )


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
