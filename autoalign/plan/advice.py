"""What to change on paper, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from autoalign.core.units import percent
from autoalign.optics.ideal import overfill
from autoalign.optics.layout import Beam, Layout, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import aimed, disk_grid
from autoalign.optics.trace import hits

__all__ = ["Fill", "advise", "fill_of"]

# How the light fills the first element.

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


class _AxisLike(Protocol):
    @property
    def name(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def travel(self) -> float: ...
    @property
    def capture(self) -> tuple[float, float]: ...


def advise(
    layout: Layout,
    fill: Fill,
    source_divergence: float,
    limits: Mapping[str, float],
    axes: Sequence[_AxisLike],
) -> tuple[str, ...]:
    """Return sentences, each with its numbers and what to do; none where nothing stands out."""
    found = [*_filling(layout, fill), *_divergence(layout, source_divergence, limits)]
    found += [*_in_the_way(layout, fill), *_through_focus(layout, axes)]
    found += _capture(axes)
    return tuple(found)


def _in_the_way(layout: Layout, fill: Fill) -> list[str]:
    """The focus lies on the parent's axis, the off-axis distance beside the beam's middle."""
    found = []
    for e in layout.elements:
        if not isinstance(e.surface, OffAxisParaboloid):
            continue
        width, distance = e.surface.clear_aperture, e.surface.off_axis_distance
        if e.name == fill.element:
            width = min(width, fill.footprint)
        if width / 2 > distance:
            found.append(
                f"The focus of {e.name} lies inside its collimated beam: half of that is up to "
                f"{width / 2:.3g} mm wide, the off-axis distance {distance:.3g} mm, so that "
                "whatever stands in the focus casts a shadow. Take a larger off-axis angle or a "
                "narrower beam."
            )
    return found


def _through_focus(layout: Layout, axes: Sequence[_AxisLike]) -> list[str]:
    """A source beyond the focus by x makes an image ρ²/x beyond the other one (Newton)."""
    optic, planes = layout.elements[0].surface, layout.planes
    if layout.kind != "collimator" or not isinstance(optic, OffAxisParaboloid):
        return []
    rho, ends = optic.reflected_focal_length, [p.distance for p in planes]
    halfway = (min(ends) + max(ends)) / 2
    reach = max((a.travel for a in axes if a.name == "source.z"), default=0.0)
    if len(planes) < 2 or halfway <= rho or rho**2 / (halfway - rho) > 2 * reach:
        return []
    return [
        f"With the source {rho**2 / (halfway - rho):.2g} mm too far from the mirror the beam goes "
        f"through a focus halfway between the planes, {halfway:.4g} mm after the mirror, and "
        "is equally wide at both: widths alone do not distinguish it from a collimated beam. "
        "Measure once in between, or check the width on the near plane."
    ]


def _capture(axes: Sequence[_AxisLike]) -> list[str]:
    short = []
    for axis in axes:
        reach = min(-axis.capture[0], axis.capture[1])
        if any(axis.capture) and reach < axis.travel:
            size, unit = (1.0, "mm") if axis.unit == "mm" else (1e3, "mrad")
            short.append(
                f"{axis.name} (off by up to {axis.travel * size:.2g} {unit}, seen within "
                f"{reach * size:.2g} {unit})"
            )
    if not short:
        return []
    return [
        f"After placement by hand the beam may miss a view: {', '.join(short)}. Place these parts "
        "more closely, take a larger screen, or search for the beam first."
    ]


def _filling(layout: Layout, fill: Fill) -> list[str]:
    light, optic = layout.light, layout.elements[0].surface
    ratio = fill.footprint / fill.clear_aperture
    if not fill.overfilled:
        if ratio < 0.5:
            return [
                f"The beam uses {fill.footprint:.3g} mm of {fill.clear_aperture:.3g} mm clear "
                f"aperture on {fill.element}; a smaller mirror, or a longer focal length for less "
                "divergence, would do."
            ]
        return []
    passing = percent(1 - fill.captured, 3)
    text = (
        f"The beam overfills {fill.element}: its edge is {fill.footprint:.3g} mm across, the clear "
        f"aperture {fill.clear_aperture:.3g} mm; {passing} of the light passes the edge and has "
        f"to be blocked, and the beam leaves with a hard edge of {fill.clear_aperture:.3g} mm."
    )
    if isinstance(light, Source) and isinstance(optic, OffAxisParaboloid):
        rho = optic.reflected_focal_length / ratio
        na = _filling_aperture(optic)
        text += (
            " To hold the beam up to its edge, take a clear aperture of at least "
            f"{_outward(fill.footprint, up=True):g} mm, a reflected focal length of at most "
            f"{_outward(rho, up=False):g} mm, or a source of NA {_outward(na, up=False):g}. If it "
            "stays overfilled, the edge does not move with the source: judge the beam by its "
            "growth and astigmatism from plane to plane, not by its place on the mirror."
        )
    return [text]


def _filling_aperture(optic: OffAxisParaboloid) -> float:
    """Return the NA of the cone about the chief ray whose edge is as wide as the clear aperture.

    A cone of half-angle ψ has a round edge of 4 f sin ψ / (cos α + cos ψ) in the collimated beam
    (polar equation of the parabola: D. J. Schroeder, Astronomical Optics, 2nd ed., chapter 3, from
    memory); this is solved for ψ.
    """
    k = optic.clear_aperture / (4 * optic.parent_focal_length)
    psi = math.atan(k) + math.asin(k * math.cos(optic.off_axis_angle) / math.hypot(1, k))
    return math.sin(psi)


def _outward(value: float, *, up: bool) -> float:
    """Round to three digits to the side on which the advice still holds."""
    scale = 10.0 ** (2 - math.floor(math.log10(value)))
    return (math.ceil if up else math.floor)(value * scale) / scale


def _divergence(layout: Layout, theta: float, limits: Mapping[str, float]) -> list[str]:
    tolerance = limits.get("divergence_xx")
    optic = layout.elements[0].surface
    if tolerance is None or theta <= tolerance or not isinstance(optic, OffAxisParaboloid):
        return []
    return [
        f"The source's size alone gives {theta * 1e3:.3g} mrad of divergence; the spec's "
        f"{tolerance * 1e3:.3g} mrad is on top of it. For a beam that is itself narrower than "
        f"that, take a core of at most {tolerance * optic.reflected_focal_length:.2g} mm or a "
        "longer focal length."
    ]
