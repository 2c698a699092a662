"""What a check found, as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from autoalign.check.axis_response import AxisResponse
from autoalign.check.settling import Settling
from autoalign.core.axes import Axis
from autoalign.core.findings import Finding
from autoalign.diagnosis.axis_verdict import AxisVerdict, Judgement
from autoalign.session import Status
from autoalign.strategies.base import Measurement

__all__ = ["AxisReport", "CheckResult", "PlaneReport"]


@dataclass(frozen=True, slots=True, eq=False)
class AxisReport:
    """What one axis turned out to be.

    Parameters
    ----------
    axis
        As the bench states it.
    step, reach
        The step and the furthest distance from the start, mm or rad; 0 where nothing was moved.
    verdict
        In a word; WELL without a model means that it moves.
    said
        The verdict as a finding, with its numbers.
    findings
        What is wrong; empty where all is well.
    judgement
        Against the model, or None.
    response
        What was measured, or None where the trial was broken off.
    backlash, u_backlash
        Lost motion on reversal and its standard uncertainty, mm or rad; None where it does not
        show.
    missed, u_missed
        How far from where it had been the axis came back, mm or rad; None likewise.
    settling
        How long it takes to come to rest, or None.
    """

    axis: Axis
    step: float
    reach: float
    verdict: AxisVerdict
    said: Finding
    findings: tuple[Finding, ...] = ()
    judgement: Judgement | None = None
    response: AxisResponse | None = field(default=None, repr=False)
    backlash: float | None = None
    u_backlash: float | None = None
    missed: float | None = None
    u_missed: float | None = None
    settling: Settling | None = None


@dataclass(frozen=True, slots=True)
class PlaneReport:
    """What one camera showed at rest: scatter of the centroid (x, y), mm, over ``frames``."""

    plane: str
    frames: int
    scatter: tuple[float, float] | None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class CheckResult:
    """What a check of a bench found.

    Parameters
    ----------
    axes, planes
        Axis by axis and camera by camera.
    findings
        Everything that is wrong; empty where all is well.
    home
        Whether every axis reads at the end what it read at first.
    start, end
        Those readings, mm or rad by axis.
    shift
        By plane, how far the beam is at the end from where it was at first, mm.
    modelled
        Whether there was a model to compare with.
    measurement
        The first measurement, judged as an alignment judges it; None where there was none.
    status, reason
        How the scan ended.
    measurements, moves, seconds
        What it took, on the bench's clock.
    journal
        The record, or None.
    """

    axes: tuple[AxisReport, ...]
    planes: tuple[PlaneReport, ...]
    findings: tuple[Finding, ...]
    home: bool
    start: Mapping[str, float]
    end: Mapping[str, float]
    shift: Mapping[str, float]
    modelled: bool
    measurement: Measurement | None
    status: Status
    reason: str
    measurements: int
    moves: int
    seconds: float
    journal: Path | None = None

    @property
    def well(self) -> bool:
        """Whether nothing is wrong."""
        return not self.findings and self.home
