"""What to change on paper, in words.

What is advised is put into the layout and traced again before it is said.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from autoalign.core.errors import UsageError
from autoalign.core.units import edge, number, percent
from autoalign.optics.ideal import footprints, overfill, plane_moments
from autoalign.optics.layout import Layout, Plane, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import aimed, bundle, cone
from autoalign.optics.trace import hits

__all__ = ["Fill", "advise", "diffraction", "fill_of", "own_divergence"]

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
    needed
        The clear aperture that takes all of it, mm: wider than the footprint where that lies beside
        the element's centre, as a cone's does on a paraboloid.
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
    needed: float
    diameter: float
    width: float
    captured: float
    rim: float

    @property
    def overfilled(self) -> bool:
        """Whether the light's edge lies outside the aperture."""
        return self.needed > self.clear_aperture

    def facts(self) -> dict[str, object]:
        """Return the labelled facts."""
        return {
            "element": self.element,
            "clear aperture (mm)": self.clear_aperture,
            "footprint of the light's edge (mm)": self.footprint,
            "clear aperture that takes all of it (mm)": self.needed,
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
    rim, (footprint, needed) = overfill(layout), footprints(layout)[first.name]
    beam = footprint if isinstance(layout.light, Source) else layout.light.diameter
    hard = "uniform" in (
        getattr(layout.light, "emission", ""),
        getattr(layout.light, "profile", ""),
    )
    fits = hard and rim == 0
    rays = _emitted(layout) if fits else aimed(layout.light, first, poses, *_GRID)
    captured = 1.0 if fits else float(np.sum(rays.power))
    diameter = beam * min(1.0, aperture / footprint)
    return Fill(
        element=first.name,
        clear_aperture=aperture,
        footprint=footprint,
        needed=needed,
        diameter=diameter,
        width=_width(layout, rays),
        captured=min(captured, 1.0),
        rim=rim,
    )


def _emitted(layout: Layout) -> Rays:
    """Return all of a hard-edged light, from the middle of its face."""
    light = layout.light
    return cone(light, *_GRID) if isinstance(light, Source) else bundle(light, *_GRID)


def _width(layout: Layout, rays: Rays) -> float:
    """Return d_σ of ``rays`` square to the beam that leaves the first element, mm."""
    x, y = rays.x, rays.y
    if isinstance(layout.light, Source):
        _, local = next(iter(hits(layout, place(layout), rays)))
        x, y = local.x, local.y
    w = rays.power / np.sum(rays.power)
    spread = sum(np.sum(w * c * c) - np.sum(w * c) ** 2 for c in (x, y))
    return float(4 * np.sqrt(spread / 2))


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
    layout: Layout, fill: Fill, limits: Mapping[str, float], axes: Sequence[_AxisLike]
) -> tuple[str, ...]:
    """Return sentences, each with its numbers and what to do; none where nothing stands out."""
    found = [*_filling(layout, fill), *_divergence(layout, fill, limits)]
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
    if not fill.overfilled:
        if fill.needed < 0.5 * fill.clear_aperture:
            curved = isinstance(layout.elements[0].surface, OffAxisParaboloid)
            longer = ", or a longer focal length for less divergence," if curved else ""
            return [
                f"The beam uses {fill.needed:.3g} mm of {fill.clear_aperture:.3g} mm clear "
                f"aperture on {fill.element}; a smaller mirror{longer} would do.",
                *_cut_later(layout),
            ]
        return _cut_later(layout)
    passing = percent(1 - fill.captured, 3)
    beside = (
        f" and beside its centre, so that {fill.needed:.3g} mm would take it,"
        if fill.needed > 1.005 * fill.footprint
        else ""
    )
    text = (
        f"The beam overfills {fill.element}: its edge is {fill.footprint:.3g} mm across{beside} "
        f"and the clear aperture {fill.clear_aperture:.3g} mm; {passing} of the light passes the "
        "edge and has to be blocked, and the beam leaves with a hard edge."
    )
    if isinstance(layout.light, Source) and isinstance(
        layout.elements[0].surface, OffAxisParaboloid
    ):
        ways = _that_hold(layout, layout.light, fill)
        if ways:
            last = f"{', '.join(ways[:-1])}, or {ways[-1]}" if ways[1:] else ways[0]
            text += f" To hold the beam up to its edge, take {last}."
        text += (
            " If it stays overfilled, the edge does not move with the source: judge the beam by "
            "its growth and astigmatism from plane to plane, not by its place on the mirror."
        )
    return [text]


def _cut_later(layout: Layout) -> list[str]:
    """Name elements behind the first one whose edge cuts a beam that the first one holds."""
    taken = footprints(layout)
    return [
        f"The beam overfills {e.name}: that needs a clear aperture of "
        f"{_outward(taken[e.name][1], up=True):g} mm and has {e.surface.clear_aperture:.3g} mm."
        for e in layout.elements[1:]
        if taken[e.name][1] > e.surface.clear_aperture
    ]


def _that_hold(layout: Layout, light: Source, fill: Fill) -> list[str]:
    """Return what holds all of the beam, each by itself, where it is possible."""
    optic = layout.elements[0].surface
    assert isinstance(optic, OffAxisParaboloid)
    clear = {
        e.name: _outward(taken, up=True)
        for e in layout.elements
        if (taken := footprints(layout)[e.name][1]) > e.surface.clear_aperture
    }
    rho = _outward(optic.reflected_focal_length * fill.clear_aperture / fill.needed, up=False)
    na = _largest(lambda na: _holds(replace(layout, light=replace(light, na=na))), light.na)
    apertures = " and ".join(
        f"{size:g} mm" if name == fill.element else f"{size:g} mm on {name}"
        for name, size in clear.items()
    )
    ways = (
        (f"a clear aperture of at least {apertures}", lambda: _with_apertures(layout, clear)),
        (
            f"a reflected focal length of at most {rho:g} mm",
            lambda: _with_focal_length(layout, rho, fill.clear_aperture),
        ),
        (
            f"a source of NA {na:g}",
            lambda: replace(layout, light=replace(light, na=na)),
        ),
    )
    return [words for words, changed in ways if _possible(changed)]


def _possible(changed: Callable[[], Layout]) -> bool:
    """Whether a changed layout can be made, holds its beam, and has no source in that beam."""
    try:
        layout = changed()
        return _holds(layout) and not _in_the_way(layout, fill_of(layout))
    except UsageError:
        return False


def _holds(layout: Layout) -> bool:
    """Whether every element takes all of the beam up to its edge."""
    taken = footprints(layout)
    return all(taken[e.name][1] <= e.surface.clear_aperture for e in layout.elements)


def _largest(holds: Callable[[float], bool], above: float) -> float:
    """Return the largest value of three digits below ``above`` for which ``holds`` is true."""
    low, high = 0.0, above
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return _outward(low, up=False)


def _with_apertures(layout: Layout, clear: Mapping[str, float]) -> Layout:
    """Return the layout with other clear apertures, mm, by element."""
    elements = tuple(
        replace(e, surface=replace(e.surface, clear_aperture=clear[e.name]))
        if e.name in clear
        else e
        for e in layout.elements
    )
    return replace(layout, elements=elements)


def _with_focal_length(layout: Layout, rho: float, aperture: float) -> Layout:
    """Return the layout with another first paraboloid, mm, and its source in the new focus."""
    first, light = layout.elements[0], layout.light
    assert isinstance(first.surface, OffAxisParaboloid)
    optic = replace(first.surface, reflected_focal_length=rho, clear_aperture=aperture)
    x, y, z = place(layout)[first.name].apply(np.array(optic.focus)).real.tolist()
    return replace(
        layout,
        light=replace(light, position=(x, y, z)),
        elements=(replace(first, surface=optic), *layout.elements[1:]),
    )


def _outward(value: float, *, up: bool) -> float:
    """Round to three digits to the side on which the advice still holds."""
    scale = 10.0 ** (2 - math.floor(math.log10(value)))
    return (math.ceil if up else math.floor)(value * scale) / scale


_AWAY = 1e9
"""Where a beam is as wide as its divergence makes it, mm."""


def own_divergence(layout: Layout, fill: Fill) -> float:
    """Return the full divergence of a collimated beam itself (ISO 11146-1), rad.

    That of its light far away, and no less than diffraction gives to any beam of its width,
    4λ/(π d_σ).
    """
    away = replace(layout, planes=(Plane("away", _AWAY),), motions=())
    found = plane_moments(away, place(away))["away"]
    spread = 4 * math.sqrt((found["xx"].real + found["yy"].real) / 2) / _AWAY
    return max(spread, diffraction(layout, fill))


def diffraction(layout: Layout, fill: Fill) -> float:
    """Return the least full divergence of any beam of this width and wavelength, rad."""
    return 4 * layout.light.rms_wavelength / (math.pi * fill.width)


def _divergence(layout: Layout, fill: Fill, limits: Mapping[str, float]) -> list[str]:
    """Say what the beam's own divergence is, where the spec asks for less growth than that."""
    tolerance = limits.get("divergence_xx")
    light, optic = layout.light, layout.elements[0].surface
    if tolerance is None or not isinstance(light, Source) or layout.kind != "collimator":
        return []
    if not isinstance(optic, OffAxisParaboloid):
        return []
    own = own_divergence(layout, fill)
    if own <= tolerance:
        return []
    floor = diffraction(layout, fill)
    ways = []
    core = _outward(tolerance * optic.reflected_focal_length, up=False)
    smaller = replace(layout, light=replace(light, core_diameter=core))
    if core < light.core_diameter and own_divergence(smaller, fill) <= tolerance:
        ways.append(f"a core of at most {core:g} mm")
    longer = _narrowed(
        layout, optic, max(fill.needed, fill.clear_aperture), own / tolerance, tolerance
    )
    if longer is not None:
        rho, aperture = longer
        ways.append(
            f"a reflected focal length of at least {rho:g} mm with a clear aperture of at least "
            f"{aperture:g} mm"
        )
    alone = own <= 1.01 * floor
    cause = "Diffraction" if alone else "The source's size"
    text = (
        f"{cause} alone gives {_mrad(own)} mrad of divergence; the spec's {_mrad(tolerance)} mrad "
        "is on top of it. "
    )
    text += (
        f"For a beam that itself diverges by no more than that, take {' or '.join(ways)}."
        if ways
        else "No core and no focal length brings the beam's own divergence below that."
    )
    if floor > tolerance:
        text += (
            f" Diffraction sets a floor of {_mrad(floor)} mrad for d_σ {number(fill.width)} mm: no "
            "smaller core goes below it, only a wider beam does."
        )
    return [text]


def _narrowed(
    layout: Layout, optic: OffAxisParaboloid, wide: float, factor: float, tolerance: float
) -> tuple[float, float] | None:
    """Return the focal length and the aperture, mm, that narrow the divergence by ``factor``.

    The aperture takes the whole beam: ``wide`` mm, times as much as the focal length grows.
    """
    for _ in range(4):
        rho, aperture = (
            _outward(factor * size, up=True) for size in (optic.reflected_focal_length, wide)
        )
        try:
            changed = _with_focal_length(layout, rho, aperture)
        except UsageError:
            return None
        left = own_divergence(changed, fill_of(changed)) / tolerance
        if left <= 1 and _holds(changed):
            return rho, aperture
        factor *= 1.001 * max(left, 1.0)
    return None


def _mrad(angle: float) -> str:
    return number(edge(angle, "rad"))
