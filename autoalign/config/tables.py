"""The tables of a bench file. Every key is checked; unknown keys are mistakes.

Stage, detector and axis tables take further keys, which belong to the driver and are checked
against the driver's own settings model.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator
from pydantic_core import PydanticCustomError
from pydantic_core.core_schema import ValidationInfo

from autoalign.config.optics_tables import (
    ArrangementTable,
    BeamTable,
    MotionTable,
    OpticTable,
    SourceTable,
    Table,
)
from autoalign.config.quantities import AnyQuantity, Distance, Duration, LongTime, Quantity
from autoalign.core.units import kind_name

__all__ = ["AxisTable", "BenchTables", "DetectorTable", "StageTable", "TermTable"]


class _OpenTable(BaseModel):
    model_config = ConfigDict(extra="allow", strict=True, frozen=True)

    @property
    def further(self) -> dict[str, Any]:
        """The keys that are not the table's own."""
        return dict(self.__pydantic_extra__ or {})


class BenchTable(Table):
    """What the bench is called and how it is looked at."""

    name: str = Field(min_length=1)
    family: str = "collimator"
    settle: Duration = 0.1
    frames: int = Field(default=1, ge=1, le=1000)
    hold: list[str] = Field(default_factory=list)
    strategy: str | None = None


class AxisTable(_OpenTable):
    """One axis: its travel, and how finely and how surely it moves."""

    travel: Annotated[list[AnyQuantity], Field(min_length=2, max_length=2)]
    resolution: AnyQuantity | None = None
    play: AnyQuantity | None = None
    speed: AnyQuantity | None = None
    tolerance: AnyQuantity | None = None
    max_step: AnyQuantity | None = None
    approach: Literal["+", "-"] = "+"
    motion: MotionTable | None = None

    @field_validator("travel")
    @classmethod
    def _in_order(cls, value: list[Quantity]) -> list[Quantity]:
        lower, upper = value
        if lower.unit not in ("mm", "rad") or upper.unit != lower.unit:
            text = (
                f"{kind_name(lower.unit)} and {kind_name(upper.unit)} given; both limits must be "
                "lengths, or both angles"
            )
            raise PydanticCustomError("travel", "{text}", {"text": text})
        if lower.value >= upper.value:
            text = (
                f"the lower limit {lower.text} is not below the upper limit {upper.text}; "
                "exchange them"
            )
            raise PydanticCustomError("travel", "{text}", {"text": text})
        return value

    @field_validator("resolution", "play", "speed", "tolerance", "max_step")
    @classmethod
    def _same_kind(cls, value: Quantity | None, info: ValidationInfo) -> Quantity | None:
        travel = info.data.get("travel")
        if value is None:
            return None
        if travel is not None:
            wanted = travel[0].unit + ("/s" if info.field_name == "speed" else "")
            if value.unit != wanted:
                text = (
                    f"{value.text} is {kind_name(value.unit)}; with this travel it must be "
                    f"{kind_name(wanted)}"
                )
                raise PydanticCustomError("axis", "{text}", {"text": text})
        least = "0 or larger" if info.field_name in ("resolution", "play") else "larger than 0"
        if value.value < 0 or (value.value == 0 and least == "larger than 0"):
            raise PydanticCustomError("axis", "must be {least}", {"least": least})
        return value


class StageTable(_OpenTable):
    """A controller: its driver, its axes, and the keys of that driver."""

    driver: str
    axes: Annotated[dict[str, AxisTable], Field(min_length=1)]


class DetectorTable(_OpenTable):
    """Something that looks at a plane: its driver, and the keys of that driver."""

    driver: str
    plane: str


class TermTable(_OpenTable):
    """One requirement; further keys belong to the term."""

    term: str | None = None
    tolerance: AnyQuantity
    target: AnyQuantity | None = None
    weight: float = Field(default=1.0, gt=0)


class SpecTable(BaseModel):
    """What the beam must meet: one table per term, by the term's name."""

    model_config = ConfigDict(extra="allow", strict=True, frozen=True)
    __pydantic_extra__: dict[str, TermTable]
    guard: float = Field(default=1.645, ge=0)

    @property
    def terms(self) -> dict[str, TermTable]:
        """The terms by name."""
        return self.__pydantic_extra__


class BudgetTable(Table):
    """What a run may spend."""

    probes: int = Field(default=60, ge=2)
    time: LongTime | None = None


class SimulationTable(Table):
    """A simulated world in place of the hardware."""

    family: str = "collimator"
    seed: int = Field(default=0, ge=0)
    link: Literal["direct", "pty", "tcp", "loop"] = "direct"
    speed: float | None = Field(default=None, gt=0)


class BenchTables(Table):
    """A whole bench file."""

    bench: BenchTable
    optic: OpticTable | None = None
    first: OpticTable | None = None
    second: OpticTable | None = None
    source: SourceTable | None = None
    beam: BeamTable | None = None
    arrangement: ArrangementTable = ArrangementTable()
    planes: Annotated[dict[str, Distance], Field(min_length=1)]
    stages: Annotated[dict[str, StageTable], Field(min_length=1)]
    detectors: Annotated[dict[str, DetectorTable], Field(min_length=1)]
    spec: SpecTable | None = None
    budget: BudgetTable = BudgetTable()
    uncertainties: dict[str, AnyQuantity] = Field(default_factory=dict)
    simulation: SimulationTable | None = None
