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
from autoalign.config.quantities import (
    AnyQuantity,
    AxisAmount,
    AxisSpeed,
    Distance,
    Duration,
    LongTime,
    Quantity,
    TermAmount,
)
from autoalign.core.units import kind_name

__all__ = ["AxisTable", "BenchTables", "DetectorTable", "StageTable", "TermTable"]


class _OpenTable(BaseModel):
    model_config = ConfigDict(extra="allow", strict=True, frozen=True)

    @property
    def further(self) -> dict[str, Any]:
        """The keys that are not the table's own."""
        return dict(self.__pydantic_extra__ or {})


class BenchTable(Table):
    """The bench as a whole: its name, its layout, and how a measurement is taken."""

    name: str = Field(min_length=1, description="Name of the bench, for reports and folders.")
    layout: str = Field(
        default="collimator",
        description="Layout of the bench: collimator (diverging source to collimated beam), "
        "focuser (collimated beam to a focus), relay (source to image over two paraboloids), "
        "steering (two flat mirrors), or one from a plug-in.",
    )
    settle: Duration = Field(
        default=0.1,
        description="Settling time: wait between the last axis at rest and the start of an "
        "exposure.",
    )
    frames: int = Field(
        default=1, ge=1, le=1000, description="Exposures of each camera averaged in a measurement."
    )
    locked: list[str] = Field(
        default_factory=list,
        description='Locked parts or axes, which an alignment never moves: ["mirror"], '
        '["mirror.clocking"].',
    )
    strategy: str | None = Field(
        default=None,
        description="Search strategy; if left out, model for a bench with a layout and "
        "without-model for one without. `autoalign plugins strategies` lists them.",
    )


class AxisTable(_OpenTable):
    """One axis: its soft limits, its resolution and its backlash."""

    travel: Annotated[list[AxisAmount], Field(min_length=2, max_length=2)] = Field(
        description="Soft limits, lower and upper: two lengths or two angles. They protect "
        "equipment and are not a safety function."
    )
    resolution: AxisAmount | None = Field(
        default=None, description="Smallest step, 0 or larger; if left out, not limited."
    )
    backlash: AxisAmount | None = Field(
        default=None,
        description="Backlash: lost motion on reversal, 0 or larger. Every move then ends from "
        "the same side; if left out, there is none.",
    )
    speed: AxisSpeed | None = Field(
        default=None,
        description="Expected speed, above 0, from which the time limit of a move follows.",
    )
    tolerance: AxisAmount | None = Field(
        default=None,
        description="Readback this close to the target counts as arrived, above 0; if left out, "
        "two resolutions, or a millionth of the travel.",
    )
    max_step: AxisAmount | None = Field(
        default=None,
        description="Longest single move, above 0; if left out, the whole travel. Longer moves "
        "are made in steps.",
    )
    approach: Literal["+", "-"] = Field(
        default="+",
        description="Direction of the last part of every move, which takes up the backlash: "
        "towards larger (+) or smaller (-) positions.",
    )
    motion: MotionTable | None = Field(
        default=None,
        description="What the axis does, if it is not what its name means in the layout; a table "
        "{ part, kind, direction, pivot }.",
    )

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

    @field_validator("resolution", "backlash", "speed", "tolerance", "max_step")
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
        least = "0 or larger" if info.field_name in ("resolution", "backlash") else "larger than 0"
        if value.value < 0 or (value.value == 0 and least == "larger than 0"):
            raise PydanticCustomError("axis", "must be {least}", {"least": least})
        return value


class StageTable(_OpenTable):
    """A controller: its driver, its axes, and the keys of that driver."""

    like: str | None = Field(
        default=None,
        description="Name of another stage: all keys but its axes are taken from it, where this "
        "table does not give them.",
    )
    driver: str = Field(
        description="Driver of the controller; `autoalign plugins stages` lists them. One of your "
        'own is written "module:name" or "file.py:name", beside this file; it is Python code, and '
        "is run."
    )
    axes: Annotated[dict[str, AxisTable], Field(min_length=1)] = Field(
        description='Axes of the controller, one table each: [stages.NAME.axes."source.x"].'
    )


class DetectorTable(_OpenTable):
    """A camera or a meter at one plane: its driver, and the keys of that driver."""

    like: str | None = Field(
        default=None,
        description="Name of another detector: all keys but its plane are taken from it, where "
        "this table does not give them.",
    )
    driver: str = Field(
        description="Driver of the camera or meter, or simulated; `autoalign plugins detectors` "
        'lists them. One of your own is written "module:name" or "file.py:name", beside this '
        "file; it is Python code, and is run."
    )
    plane: str = Field(description="Plane of [planes] at which the camera or meter is.")


class TermTable(_OpenTable):
    """One requirement; further keys belong to the term."""

    term: str | None = Field(
        default=None,
        description="Kind of requirement, if the table has a name of its own; `autoalign plugins "
        "terms` lists them.",
    )
    tolerance: TermAmount = Field(
        description="Largest accepted distance from the target, above 0; the guard band is taken "
        "off it."
    )
    target: TermAmount | None = Field(
        default=None, description="Wanted value; 0 if left out. Not every term has one."
    )
    weight: float = Field(
        default=1.0,
        gt=0,
        description="Weight in the merit figure that a search follows; no influence on the "
        "verdict.",
    )


class SpecTable(BaseModel):
    """What the beam must meet: one table per term, by the term's name."""

    model_config = ConfigDict(extra="allow", strict=True, frozen=True)
    __pydantic_extra__: dict[str, TermTable]
    guard: float = Field(
        default=1.645,
        ge=0,
        description="Guard band in standard uncertainties: value plus guard band must be inside "
        "the tolerance. With 1.645 a beam at the limit is accepted in 5 % of cases.",
    )

    @property
    def terms(self) -> dict[str, TermTable]:
        """The terms by name."""
        return self.__pydantic_extra__


class BudgetTable(Table):
    """Largest number of measurements and longest time of a run."""

    measurements: int = Field(
        default=60,
        ge=2,
        description="Maximum number of measurements, including the first and the final check.",
    )
    time: LongTime | None = Field(
        default=None, description="Longest duration of a run; if left out, not limited."
    )


class SimulationTable(Table):
    """A simulated world in place of the hardware."""

    bench: str = Field(
        default="collimator",
        description="Simulated bench; `autoalign plugins simulations` lists them.",
    )
    seed: int = Field(
        default=0,
        ge=0,
        description="Seed of the misalignment, the imperfections and the noise; the same seed "
        "gives the same bench.",
    )
    fidelity: Literal["frames", "moments"] = Field(
        default="frames",
        description="What the simulated cameras give: frames, or the moments, noise and flags of "
        "such frames without any pixel, which takes a small part of the time.",
    )
    light: str = Field(
        default="",
        description="What is wrong with the light, joined by +: half-clipped, lumps, ring, "
        "speckle, rough-figure, saturated, overexposed, ageing; an even light if left out.",
    )
    link: Literal["direct", "pty", "tcp", "loop"] = Field(
        default="direct",
        description="How the simulated controllers are reached: pty (pseudo-terminal), tcp (on "
        "this computer), loop (inside the process), direct (no serial link at all).",
    )
    speed: float | None = Field(
        default=None,
        gt=0,
        description="How many times faster than real time the simulation runs on pty and tcp; 10 "
        "if left out.",
    )


class BenchTables(Table):
    """A whole bench file."""

    bench: BenchTable = Field(description="The bench as a whole.")
    optic: OpticTable | None = Field(
        default=None, description="The off-axis paraboloid of a collimator or a focuser."
    )
    first: OpticTable | None = Field(
        default=None, description="The collimating paraboloid of a relay."
    )
    second: OpticTable | None = Field(
        default=None, description="The focusing paraboloid of a relay."
    )
    source: SourceTable | None = Field(
        default=None, description="The diverging source of a collimator or a relay."
    )
    beam: BeamTable | None = Field(
        default=None, description="The collimated beam that arrives at a focuser or two mirrors."
    )
    arrangement: ArrangementTable = Field(
        default=ArrangementTable(), description="Distances between the parts."
    )
    planes: Annotated[dict[str, Distance], Field(min_length=1)] = Field(
        description="Measurement planes, each name = distance along the beam: after the mirror, "
        "or from the nominal focus of a focuser or relay. The first is near, the last far."
    )
    stages: Annotated[dict[str, StageTable], Field(min_length=1)] = Field(
        description="Motion controllers, one table each: [stages.NAME]."
    )
    detectors: Annotated[dict[str, DetectorTable], Field(min_length=1)] = Field(
        description="Cameras and meters, one table each: [detectors.NAME]."
    )
    spec: SpecTable | None = Field(
        default=None,
        description="What the beam must meet: one line for each term, all of which must be met.",
    )
    budget: BudgetTable = Field(default=BudgetTable(), description="What a run may use at most.")
    uncertainties: dict[str, AnyQuantity] = Field(
        default_factory=dict,
        description="Standard uncertainties of the values in this file, by name for all parts "
        '(pitch = "0.2 %") or for one ("far.pitch" = "0.2 %").',
    )
    simulation: SimulationTable | None = Field(
        default=None, description="A simulated bench in place of the hardware."
    )
