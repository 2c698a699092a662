"""Nominal layouts of the bench families: collimator, focuser, relay and steering."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from autoalign.errors import UsageError
from autoalign.optics.layout import Element, Layout, Motion, Plane, Source, Vector
from autoalign.optics.paraboloid import OffAxisParaboloid

__all__ = ["collimator_layout"]

X: Vector = (1.0, 0.0, 0.0)
Y: Vector = (0.0, 1.0, 0.0)
Z: Vector = (0.0, 0.0, 1.0)


def collimator_layout(
    optic: OffAxisParaboloid,
    source_core: float,
    na: float,
    wavelength: float,
    planes: Sequence[tuple[str, float]] = (("near", 400.0), ("far", 2400.0)),
    pivot: Vector = (0.0, 0.0, -25.0),
    emission: Literal["multimode", "gaussian", "uniform"] = "multimode",
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

    Notes
    -----
    Axes: ``source.x`` across the chief ray in the plane of incidence
    (:attr:`.OffAxisParaboloid.sideways`), ``source.y`` up, ``source.z`` along the chief ray towards
    the mirror; ``mirror.tip``, ``mirror.tilt``, ``mirror.clocking`` turn about x, y and the parent
    axis z through ``pivot``.
    """
    if not planes:
        raise UsageError("collimator: at least one plane is needed; give (name, distance in mm).")
    turns = (("mirror.tip", X), ("mirror.tilt", Y), ("mirror.clocking", Z))
    return Layout(
        family="collimator",
        light=Source(source_core, na, wavelength, optic.focus, optic.chief_ray, emission),
        elements=(Element("mirror", optic),),
        planes=tuple(Plane(name, float(distance)) for name, distance in planes),
        motions=(
            Motion("source.x", "source", "shift", optic.sideways),
            Motion("source.y", "source", "shift", Y),
            Motion("source.z", "source", "shift", optic.chief_ray),
            *(Motion(axis, "mirror", "turn", line, pivot) for axis, line in turns),
        ),
    )
