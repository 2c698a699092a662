"""What to change on paper, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Protocol

from autoalign.core.digits import percent
from autoalign.optics.layout import Layout, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.plan.footprint import Fill

__all__ = ["advise"]


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
