"""The tables that describe light, mirrors and their distances."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator
from pydantic_core import PydanticCustomError

from autoalign.config.quantities import (
    Angle,
    CoreDiameter,
    Length,
    PositiveLength,
    Ratio,
    Wavelength,
)
from autoalign.optics.layout import Lines

__all__ = ["ArrangementTable", "BeamTable", "MotionTable", "OpticTable", "SourceTable", "Table"]

Point = Annotated[list[Length], Field(min_length=3, max_length=3)]


def _below_half_a_turn(angle: float) -> float:
    if not 0 < angle < math.pi:
        raise PydanticCustomError("angle", "an off-axis angle lies between 0 deg and 180 deg")
    return angle


class Table(BaseModel):
    """A table whose keys are all known."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class OpticTable(Table):
    """An off-axis paraboloid."""

    reflected_focal_length: PositiveLength = Field(
        description="Reflected focal length: from the centre of the mirror to its focus, along "
        "the chief ray."
    )
    off_axis_angle: Annotated[Angle, AfterValidator(_below_half_a_turn)] = Field(
        description="Angle between the chief ray to the focus and the collimated beam, above 0 "
        "and below 180 deg."
    )
    clear_aperture: PositiveLength = Field(
        description="Diameter of the clear aperture, as seen along the collimated beam."
    )
    pivot: Point = Field(
        default=[0.0, 0.0, -25.0],
        description="Point about which the mount tips and tilts, from the centre of the mirror: "
        "x in the plane of incidence, y up, z along the collimated beam.",
    )


class LineTable(Table):
    """A further wavelength of the light, with its share of the power."""

    wavelength: Wavelength = Field(description="One further wavelength of the light.")
    share: Annotated[Ratio, Field(gt=0, lt=1)] = Field(
        description="Its share of the total power; the main wavelength has the rest."
    )


class LightTable(Table):
    """Wavelengths: a main one and, where there are several, the others."""

    wavelength: Wavelength = Field(
        description="Wavelength of the light; with several, the one with the largest share."
    )
    other_wavelengths: list[LineTable] = Field(
        default=[],
        description="Further wavelengths, each with its share of the power: "
        '[{ wavelength = "532 nm", share = "20 %" }].',
    )

    @field_validator("other_wavelengths")
    @classmethod
    def _something_left(cls, value: list[LineTable]) -> list[LineTable]:
        if sum(line.share for line in value) >= 1:
            raise PydanticCustomError(
                "shares", "the shares leave nothing for the main wavelength; make their sum smaller"
            )
        return value

    @property
    def others(self) -> Lines:
        """The other wavelengths, mm, with their shares."""
        return tuple((line.wavelength, line.share) for line in self.other_wavelengths)


class SourceTable(LightTable):
    """A source that diverges: a fibre end, an LED, a pinhole."""

    core_diameter: CoreDiameter = Field(
        description='Diameter of the fibre core or the pinhole; "0 um" for a point source.'
    )
    na: float = Field(
        gt=0,
        lt=1,
        description="Numerical aperture: sine of the half-angle at the edge of the emission, "
        "which 'emission' defines.",
    )
    emission: Literal["multimode", "gaussian", "uniform"] = Field(
        default="multimode",
        description="Angular profile of the source, and the level at which its NA is stated: "
        "multimode fibre at 5 % of the centre, gaussian at 1/e², uniform at its hard edge.",
    )


class BeamTable(LightTable):
    """A collimated beam that arrives at the bench."""

    diameter: PositiveLength = Field(
        description="Diameter of the beam: at 1/e² of a gaussian one, at the edge of a uniform one."
    )
    divergence: Angle = Field(
        default=0.0, description="Full divergence angle that the beam has besides diffraction."
    )
    profile: Literal["gaussian", "uniform"] = Field(
        default="gaussian", description="Intensity profile of the beam."
    )


class ArrangementTable(Table):
    """Distances between the parts, for the layouts that need them."""

    separation: PositiveLength | None = Field(
        default=None,
        description="Relay and steering: distance between the two mirrors along the beam; 400 mm "
        "and 300 mm if left out.",
    )
    steering_distance: PositiveLength | None = Field(
        default=None,
        description="Focuser: distance from the flat steering mirror to the paraboloid; 200 mm if "
        "left out.",
    )
    orientation: Literal["cancelling", "adding"] | None = Field(
        default=None,
        description="Relay: source and image on the same side (cancelling, used if left out: the "
        "two mirrors cancel each other's aberrations) or on opposite sides (adding).",
    )
    clear_aperture: PositiveLength | None = Field(
        default=None,
        description="Steering: clear aperture of both fold mirrors; 25.4 mm if left out.",
    )


class MotionTable(Table):
    """Motion of an axis, if it differs from the one that its name has in the layout."""

    part: str = Field(
        description="The part that the axis moves: source, mirror, first, second or steering."
    )
    kind: Literal["shift", "turn"] = Field(
        description="Shift along 'direction', or turn about the line through 'pivot' along it."
    )
    direction: Annotated[list[float], Field(min_length=3, max_length=3)] = Field(
        description="Direction in the frame of the bench (x in the plane of incidence, y up, z "
        "along the collimated beam); its length has no meaning. Turns are right-handed."
    )
    pivot: Point = Field(
        default=[0.0, 0.0, 0.0],
        description="For a turn, a point on its axis, from the centre of the mirror.",
    )

    @field_validator("direction")
    @classmethod
    def _not_zero(cls, value: list[float]) -> list[float]:
        if not any(value):
            raise PydanticCustomError("direction", "a direction cannot be 0 in all three places")
        return value
