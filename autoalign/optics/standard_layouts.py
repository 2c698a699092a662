"""Nominal layouts of the bench types: collimator, focuser, relay and steering."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from autoalign.core.errors import UsageError, unknown_name
from autoalign.optics.layout import (
    Beam,
    Element,
    Flat,
    Layout,
    Lines,
    Matrix,
    Motion,
    Plane,
    Source,
    Vector,
)
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import frame_along

__all__ = ["collimator_layout", "focuser_layout", "relay_layout", "steering_layout"]

X: Vector = (1.0, 0.0, 0.0)
Y: Vector = (0.0, 1.0, 0.0)
Z: Vector = (0.0, 0.0, 1.0)

Planes = Sequence[tuple[str, float]]

THROUGH_FOCUS: Planes = (("inside", -2.0), ("focus", 0.0), ("beyond", 2.0))
"""Planes about a focus, mm along the light."""

HALF_TURN: dict[str, Matrix] = {
    "cancelling": (X, (0.0, -1.0, 0.0), (0.0, 0.0, -1.0)),
    "adding": ((-1.0, 0.0, 0.0), Y, (0.0, 0.0, -1.0)),
}
"""How the second paraboloid of a relay faces the first, by what it does to the aberrations."""


def collimator_layout(
    optic: OffAxisParaboloid,
    source_core: float,
    na: float,
    wavelength: float,
    planes: Planes = (("near", 400.0), ("far", 2400.0)),
    pivot: Vector = (0.0, 0.0, -25.0),
    emission: Literal["multimode", "gaussian", "uniform"] = "multimode",
    others: Lines = (),
) -> Layout:
    """Return a bench that turns a diverging source in the focus into a collimated beam.

    Parameters
    ----------
    source_core, wavelength
        Diameter of the source's face and wavelength, mm.
    na
        Numerical aperture, see :class:`.Source`.
    planes
        (name, distance from the mirror's centre in mm), in the order along the beam.
    pivot
        Point, mm, in which the mirror's three axes of rotation meet.
    others
        Other wavelengths, see :class:`.Source`.

    Notes
    -----
    Axes: ``source.x`` across the chief ray in the plane of incidence
    (:attr:`.OffAxisParaboloid.sideways`), ``source.y`` up, ``source.z`` along the chief ray towards
    the mirror; ``mirror.tip``, ``mirror.tilt``, ``mirror.clocking`` turn about x, y and the parent
    axis z through ``pivot``.
    """
    _check_source(source_core, na, wavelength)
    _check_order(planes)
    return Layout(
        kind="collimator",
        light=Source(source_core, na, wavelength, optic.focus, optic.chief_ray, emission, others),
        elements=(Element("mirror", optic),),
        planes=_planes(planes),
        motions=(
            *_source_axes(optic),
            *_turns("mirror", (("tip", X), ("tilt", Y), ("clocking", Z)), pivot),
        ),
    )


def focuser_layout(
    optic: OffAxisParaboloid,
    beam_diameter: float,
    wavelength: float,
    planes: Planes = THROUGH_FOCUS,
    pivot: Vector = (0.0, 0.0, -25.0),
    steering_distance: float = 200.0,
    profile: Literal["gaussian", "uniform"] = "gaussian",
    divergence: float = 0.0,
    others: Lines = (),
) -> Layout:
    """Return a bench that steers a collimated beam onto a paraboloid and so into a focus.

    The beam arrives along −x on a flat that stands ``steering_distance``, mm, in front of the
    paraboloid, and leaves it along −z. ``planes`` are (name, mm beyond the focus); one camera on
    its own slide measures at all of them.

    Notes
    -----
    Axes: ``steering.tip`` and ``steering.tilt`` turn the flat about its level tangent and about y
    through its centre; ``mirror.tip``, ``mirror.tilt``, ``mirror.clocking`` as in the collimator;
    ``mirror.z`` shifts the paraboloid towards the focus, which moves the focus by as much.
    """
    rho, to_focus = optic.reflected_focal_length, _opposite(optic.chief_ray)
    at: Vector = (0.0, 0.0, steering_distance)
    flat = _flat("steering", at, (-1.0, 0.0, 0.0), (0.0, 0.0, -1.0), 1.5 * optic.clear_aperture)
    start: Vector = (100.0, 0.0, steering_distance)
    return Layout(
        kind="focuser",
        light=Beam(beam_diameter, wavelength, start, (-1.0, 0.0, 0.0), divergence, profile, others),
        elements=(flat, Element("mirror", optic)),
        planes=_planes([(name, rho + beyond) for name, beyond in planes]),
        motions=(
            *_flat_axes(flat),
            Motion("mirror.z", "mirror", "shift", to_focus),
            *_turns("mirror", (("tip", X), ("tilt", Y), ("clocking", Z)), pivot),
        ),
    )


def relay_layout(
    first: OffAxisParaboloid,
    second: OffAxisParaboloid,
    source_core: float,
    na: float,
    wavelength: float,
    orientation: Literal["cancelling", "adding"] = "cancelling",
    separation: float = 400.0,
    planes: Planes = THROUGH_FOCUS,
    pivot: Vector = (0.0, 0.0, -25.0),
    emission: Literal["multimode", "gaussian", "uniform"] = "multimode",
    others: Lines = (),
) -> Layout:
    """Return a bench that images a source by two paraboloids onto a fibre end or pinhole.

    With ``orientation`` "cancelling" the two parents share their axis, source and image lie on the
    same side, and for equal mirrors the aberrations of a displaced source cancel to first order at
    every aperture: W = −d·n of the first mirror is met by +d·n of the second. "adding" turns the
    second mirror by 180° about the beam: source and image lie on opposite sides and the
    astigmatism doubles.

    Notes
    -----
    Axes: ``source.x``, ``source.y``, ``source.z`` and ``first.tip``, ``first.tilt``,
    ``first.clocking`` as in the collimator; ``second.tip``, ``second.tilt``, ``second.clocking``
    about x, y and z through a ``pivot`` behind the second mirror.
    """
    if orientation not in HALF_TURN:
        raise unknown_name("orientation", orientation, HALF_TURN, "relay")
    rotation = HALF_TURN[orientation]
    behind: Vector = (pivot[0], pivot[1], separation - pivot[2])
    lines = (("tip", X), ("tilt", Y), ("clocking", Z))
    return Layout(
        kind="relay",
        light=Source(source_core, na, wavelength, first.focus, first.chief_ray, emission, others),
        elements=(
            Element("first", first),
            Element("second", second, (0.0, 0.0, separation), rotation),
        ),
        planes=_planes([(n, second.reflected_focal_length + beyond) for n, beyond in planes]),
        motions=(
            *_source_axes(first),
            *_turns("first", lines, pivot),
            *_turns("second", lines, behind),
        ),
    )


def steering_layout(
    beam_diameter: float,
    wavelength: float,
    separation: float = 300.0,
    planes: Planes = (("near", 200.0), ("far", 2000.0)),
    clear_aperture: float = 25.4,
    profile: Literal["gaussian", "uniform"] = "gaussian",
    divergence: float = 0.0,
    others: Lines = (),
) -> Layout:
    """Return two flat fold mirrors that bring a beam onto a near and a far target.

    The beam arrives along x, runs ``separation``, mm, along z between the mirrors and leaves along
    x. Axes: ``first.tip``, ``first.tilt``, ``second.tip``, ``second.tilt`` about the flats' level
    tangents and about y, through their centres.
    """
    first = _flat("first", (0.0, 0.0, 0.0), X, Z, clear_aperture)
    second = _flat("second", (0.0, 0.0, separation), Z, X, clear_aperture)
    return Layout(
        kind="steering",
        light=Beam(beam_diameter, wavelength, (-100.0, 0.0, 0.0), X, divergence, profile, others),
        elements=(first, second),
        planes=_planes(planes),
        motions=(*_flat_axes(first), *_flat_axes(second)),
    )


def _planes(planes: Planes) -> tuple[Plane, ...]:
    if not planes:
        raise UsageError("layout: at least one plane is needed; give (name, distance in mm).")
    return tuple(Plane(name, float(distance)) for name, distance in planes)


def _source_axes(optic: OffAxisParaboloid) -> tuple[Motion, ...]:
    lines = (("x", optic.sideways), ("y", Y), ("z", optic.chief_ray))
    return tuple(Motion(f"source.{name}", "source", "shift", line) for name, line in lines)


def _turns(part: str, lines: Sequence[tuple[str, Vector]], pivot: Vector) -> tuple[Motion, ...]:
    return tuple(Motion(f"{part}.{name}", part, "turn", line, pivot) for name, line in lines)


def _flat(name: str, at: Vector, before: Vector, after: Vector, aperture: float) -> Element:
    """A flat at ``at`` that sends light from direction ``before`` into direction ``after``."""
    normal = np.array(after) - np.array(before)
    rows = frame_along(normal).tolist()
    return Element(name, Flat(aperture), at, tuple(tuple(row) for row in rows))  # type: ignore[arg-type]


def _flat_axes(flat: Element) -> tuple[Motion, ...]:
    level: Vector = tuple(row[0] for row in flat.rotation)  # type: ignore[assignment]
    return _turns(flat.name, (("tip", level), ("tilt", Y)), flat.position)


def _opposite(vector: Vector) -> Vector:
    return (-vector[0], -vector[1], -vector[2])


def _check_source(core: float, na: float, wavelength: float) -> None:
    if not (math.isfinite(core) and core >= 0):
        raise UsageError(f"source: core of {core!r} mm; 0 or larger is needed.")
    if not 0 < na < 1:
        raise UsageError(f"source: numerical aperture {na!r}; it lies between 0 and 1.")
    if not (math.isfinite(wavelength) and wavelength > 0):
        raise UsageError(f"source: wavelength {wavelength!r} mm must be larger than 0.")


def _check_order(planes: Planes) -> None:
    """A collimated beam is measured behind the mirror, and "far" is behind "near"."""
    for name, distance in planes:
        if not (math.isfinite(distance) and distance > 0):
            raise UsageError(
                f"plane {name}: {distance:g} mm; it must lie behind the mirror, above 0."
            )
    at = dict(planes)
    if "near" in at and "far" in at and at["far"] <= at["near"]:
        raise UsageError(
            f"planes: far at {at['far']:g} mm is not behind near at {at['near']:g} mm; exchange "
            "them."
        )
