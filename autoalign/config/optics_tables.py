"""The tables that describe light, mirrors and where they stand."""

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

    reflected_focal_length: PositiveLength
    off_axis_angle: Annotated[Angle, AfterValidator(_below_half_a_turn)]
    clear_aperture: PositiveLength
    pivot: Point = [0.0, 0.0, -25.0]


class LineTable(Table):
    """A further wavelength of the light, with its share of the power."""

    wavelength: Wavelength
    share: Annotated[Ratio, Field(gt=0, lt=1)]


class LightTable(Table):
    """Wavelengths: a main one and, where there are several, the others."""

    wavelength: Wavelength
    other_wavelengths: list[LineTable] = []

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

    core_diameter: CoreDiameter
    na: float = Field(gt=0, lt=1)
    emission: Literal["multimode", "gaussian", "uniform"] = "multimode"


class BeamTable(LightTable):
    """A collimated beam that arrives at the bench."""

    diameter: PositiveLength
    divergence: Angle = 0.0
    profile: Literal["gaussian", "uniform"] = "gaussian"


class ArrangementTable(Table):
    """Where the parts are, for layouts that need it (:mod:`autoalign.optics.standard_layouts`)."""

    separation: PositiveLength | None = None
    steering_distance: PositiveLength | None = None
    orientation: Literal["cancelling", "adding"] | None = None
    clear_aperture: PositiveLength | None = None


class MotionTable(Table):
    """What an axis does, where it differs from the family's standard."""

    part: str
    kind: Literal["shift", "turn"]
    direction: Annotated[list[float], Field(min_length=3, max_length=3)]
    pivot: Point = [0.0, 0.0, 0.0]

    @field_validator("direction")
    @classmethod
    def _not_zero(cls, value: list[float]) -> list[float]:
        if not any(value):
            raise PydanticCustomError("direction", "a direction cannot be 0 in all three places")
        return value
