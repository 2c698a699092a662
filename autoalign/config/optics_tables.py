"""The tables that describe light, mirrors and where they stand."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator
from pydantic_core import PydanticCustomError

from autoalign.config.quantities import Angle, Length, PositiveLength

__all__ = ["ArrangementTable", "BeamTable", "MotionTable", "OpticTable", "SourceTable", "Table"]

Point = Annotated[list[Length], Field(min_length=3, max_length=3)]


class Table(BaseModel):
    """A table whose keys are all known."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class OpticTable(Table):
    """An off-axis paraboloid."""

    reflected_focal_length: PositiveLength
    off_axis_angle: Angle
    clear_aperture: PositiveLength
    pivot: Point = [0.0, 0.0, -25.0]


class SourceTable(Table):
    """A source that diverges: a fibre end, an LED, a pinhole."""

    core_diameter: Annotated[Length, Field(ge=0)]
    na: float = Field(gt=0, lt=1)
    wavelength: PositiveLength
    emission: Literal["multimode", "gaussian", "uniform"] = "multimode"


class BeamTable(Table):
    """A collimated beam that arrives at the bench."""

    diameter: PositiveLength
    wavelength: PositiveLength
    divergence: Angle = 0.0
    profile: Literal["gaussian", "uniform"] = "gaussian"


class ArrangementTable(Table):
    """Where the parts stand, for the families that need it (:mod:`autoalign.optics.families`)."""

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
