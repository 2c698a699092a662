"""What a check found, as data."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile
from autoalign.check.axis_response import AxisResponse, Noise
from autoalign.core.axes import Axis
from autoalign.core.findings import Finding
from autoalign.diagnosis.hypotheses import AxisVerdict, Judgement
from autoalign.session import ScanMeasurement, Status
from autoalign.strategies.base import Measurement

__all__ = ["AxisReport", "CheckResult", "PlaneReport", "Settling", "settling"]

# How long the bench takes to come to rest after a move, from exposure to exposure.

Floats = npt.NDArray[np.float64]

CLEAR = 20.0
"""Standard uncertainties that a step must show for its settling to be judged."""

STILL = 4.5
"""Standard uncertainties within which one exposure agrees with where the beam ends."""


@dataclass(frozen=True, slots=True)
class Settling:
    """``time``, s after arrival, from which on exposures agreed with the last ones.

    ``looked`` is when the first exposure began and ``until`` when the last one did, s after
    arrival. ``steady`` says whether it came to rest at all meanwhile. ``time`` is an upper bound
    where it equals ``looked``.
    """

    time: float
    looked: float
    until: float
    steady: bool


def settling(
    arrival: ScanMeasurement,
    first: ScanMeasurement,
    response: AxisResponse,
    noise: Noise,
    frames: int,
) -> Settling | None:
    """Return when the beam came to rest, along the direction in which the axis moves it.

    ``first`` is what was measured at rest, exposure by exposure. None without cameras, or where the
    step shows too little to tell. A beam is at rest once two exposures are within :data:`STILL`
    standard uncertainties, or 3 % of the step, of where it ends.
    """
    times, places = [], []
    for plane, profiles in arrival.frames.items():
        at = [i for i, (name, m) in enumerate(response.rows) if name == plane and m >= 0]
        sigma = np.array([noise.of[response.rows[i]] for i in at]) * math.sqrt(frames)
        along = response.change[at] / sigma**2
        power = float(response.change[at] @ along)
        if power < CLEAR**2 or len(profiles) < 4:
            continue
        moments = [response.rows[i][1] for i in at]
        place = _along(profiles, moments, along / power)
        rest = _along(first.frames[plane], moments, along / power)
        end = np.median(place[len(place) // 2 :])
        scatter = math.sqrt(max(_variance(rest), 1 / power))
        times.append([float(p.started or 0.0) - arrival.arrived for p in profiles])
        places.append(np.abs(place - end) > max(STILL * scatter, 0.03))
    if not times:
        return None
    looked, until = min(t[0] for t in times), max(t[-1] for t in times)
    found = [_rest(t, off) for t, off in zip(times, places, strict=True)]
    # A camera that is read later saw nothing of what came before its own first exposure.
    late = [f for f, t in zip(found, times, strict=True) if f > t[0]]
    time = max(late, default=looked)
    return Settling(time, looked, until, steady=math.isfinite(time))


def _along(profiles: Sequence[BeamProfile], moments: list[int], along: Floats) -> Floats:
    return np.array([p.moments[moments] for p in profiles]) @ along


def _variance(place: Floats) -> float:
    return float(np.var(place, ddof=1)) if len(place) > 1 else 0.0


def _rest(times: list[float], off: npt.NDArray[np.bool_]) -> float:
    """Return the first time from which on two exposures agree; infinite where no two do.

    A single exposure that is off later on is noise: parts that come to rest do so at the beginning.
    """
    still = np.flatnonzero(~off[:-1] & ~off[1:])
    return times[int(still[0])] if len(still) else math.inf


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
    stops
        What STOP in mid-move showed, for one axis of each controller.
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
    stops: tuple[Finding, ...] = ()

    @property
    def well(self) -> bool:
        """Whether nothing is wrong."""
        return not self.findings and self.home
