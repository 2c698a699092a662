"""How long the bench takes to come to rest after a move, from exposure to exposure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile
from autoalign.check.axis_response import AxisResponse, Noise
from autoalign.session import ScanMeasurement

__all__ = ["Settling", "settling"]

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
