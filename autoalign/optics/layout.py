"""Where everything on a bench stands: what plans, models and simulators share.

Bench frame, right-handed, mm: for a single paraboloid the origin is the mirror's centre, x lies in
the plane of incidence and points away from the parent axis, y points up, z along the outgoing
(collimated) beam. An element's local frame is the parent's frame moved to the mirror's centre
(paraboloid: z along the parent axis) or has z along the normal (flat).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from autoalign.core.errors import UsageError, unknown_name
from autoalign.optics.paraboloid import OffAxisParaboloid

__all__ = [
    "NA_EDGE",
    "Beam",
    "Element",
    "Flat",
    "Layout",
    "Lines",
    "Matrix",
    "Motion",
    "Plane",
    "Source",
    "Vector",
]

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]
Lines = tuple[tuple[float, float], ...]
"""Wavelengths, mm, each with its share of the power."""

IDENTITY: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


class Coloured:
    """Light of one wavelength, or of a main one and ``others``.

    Mirrors send all of them the same way; only diffraction tells them apart.
    """

    __slots__ = ()

    wavelength: float
    others: Lines

    def __post_init__(self) -> None:
        rest = sum(share for _, share in self.others)
        if any(w <= 0 or share <= 0 for w, share in self.others) or rest >= 1:
            raise UsageError(
                f"other wavelengths {self.others!r}: each needs a length above 0 mm and a share of "
                "the power above 0, and something must be left for the main one."
            )

    @property
    def lines(self) -> Lines:
        """Every wavelength, mm, with its share of the power; the shares sum to 1."""
        return ((self.wavelength, 1 - sum(share for _, share in self.others)), *self.others)

    @property
    def rms_wavelength(self) -> float:
        """The one wavelength, mm, whose second moments are those of all together."""
        return math.sqrt(sum(share * w * w for w, share in self.lines))


NA_EDGE = {
    "multimode": "5 % of the centre",
    "gaussian": "1/e² (13.5 %) of the centre",
    "uniform": "the hard edge",
}
"""Where a source's NA is taken, by its emission profile."""


@dataclass(frozen=True, slots=True)
class Source(Coloured):
    """A diverging source.

    Parameters
    ----------
    core_diameter
        mm; 0 for a point.
    na
        Numerical aperture, the sine of the half-angle at which the far field has fallen to 5 % of
        its centre ("multimode", fibre practice), to 1/e² ("gaussian"), or ends ("uniform").
    wavelength
        mm; the main one where there are several.
    position, direction
        Centre of the face and chief ray, bench frame.
    others
        Other wavelengths, mm, each with its share of the power.
    """

    core_diameter: float
    na: float
    wavelength: float
    position: Vector
    direction: Vector
    emission: Literal["multimode", "gaussian", "uniform"] = "multimode"
    others: Lines = ()


@dataclass(frozen=True, slots=True)
class Beam(Coloured):
    """A collimated input: ``diameter`` mm (1/e² or hard edge), full ``divergence`` rad.

    ``wavelength`` and ``others`` as of :class:`Source`.
    """

    diameter: float
    wavelength: float
    position: Vector
    direction: Vector
    divergence: float = 0.0
    profile: Literal["gaussian", "uniform"] = "gaussian"
    others: Lines = ()


@dataclass(frozen=True, slots=True)
class Flat:
    """A flat mirror of ``clear_aperture`` mm."""

    clear_aperture: float


@dataclass(frozen=True, slots=True)
class Element:
    """A mirror in its place: ``rotation`` takes its local frame to the bench frame."""

    name: str
    surface: OffAxisParaboloid | Flat
    position: Vector = (0.0, 0.0, 0.0)
    rotation: Matrix = IDENTITY


@dataclass(frozen=True, slots=True)
class Plane:
    """A place along the beam, ``distance`` mm after the last element, square to the chief ray.

    Its x axis lies in the bench's x–z plane, its y axis points up; zero is where the nominal chief
    ray passes.
    """

    name: str
    distance: float


@dataclass(frozen=True, slots=True)
class Motion:
    """What an axis does: shift ``part`` along ``direction``, or turn it about that line.

    ``direction`` is a unit vector and ``pivot`` a point (mm) on the axis of rotation, both in the
    bench frame; a turn is right-handed. ``part`` names the source ("source"), an element or a
    detector plane.
    """

    axis: str
    part: str
    kind: Literal["shift", "turn"]
    direction: Vector
    pivot: Vector = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Layout:
    """A bench on paper: light, mirrors in the order in which light meets them, planes, motions."""

    kind: str
    light: Source | Beam
    elements: tuple[Element, ...]
    planes: tuple[Plane, ...]
    motions: tuple[Motion, ...]

    def __post_init__(self) -> None:
        for what, names in (
            ("element", [e.name for e in self.elements]),
            ("plane", [p.name for p in self.planes]),
            ("axis", [m.axis for m in self.motions]),
        ):
            twice = sorted({n for n in names if names.count(n) > 1})
            if twice:
                raise UsageError(f"layout: {what} names must be unique; twice: {', '.join(twice)}.")
        parts = {"source", *(e.name for e in self.elements), *(p.name for p in self.planes)}
        for motion in self.motions:
            if motion.part not in parts:
                raise unknown_name("part", motion.part, parts, f"motion of axis {motion.axis}")

    def plane(self, name: str) -> Plane:
        """Return the plane called ``name``."""
        for plane in self.planes:
            if plane.name == name:
                return plane
        raise unknown_name("plane", name, [p.name for p in self.planes], "layout")

    def motion(self, axis: str) -> Motion:
        """Return what ``axis`` does."""
        for motion in self.motions:
            if motion.axis == axis:
                return motion
        raise unknown_name("axis", axis, [m.axis for m in self.motions], "layout")
