"""A scan of a bench: positions that a guide names, a measurement at each, and home again.

A scan searches nothing and needs no spec. Whatever the guide finds, the axes end at their start
positions, as read back, and a last measurement is taken there.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from autoalign.beam.frame.average import average
from autoalign.beam.profile import BeamProfile
from autoalign.core.axes import Axis
from autoalign.core.errors import AlignError
from autoalign.core.frames import Frame, View
from autoalign.core.interfaces import Evaluated, Reading
from autoalign.session.actions import Action, Exposed, Finish, Measure, Outcome, Purpose, Status
from autoalign.session.evaluate import MeasureBeam
from autoalign.session.stepper import Script, Stepper
from autoalign.strategies.base import Cause, Measurement

__all__ = ["Camera", "Guide", "Scan", "ScanMeasurement", "Waypoint"]


@dataclass(frozen=True, slots=True)
class Waypoint:
    """Where to go and how to measure there.

    Parameters
    ----------
    targets
        mm or rad by axis; all others stay.
    reason
        Why, for the record.
    direct
        Go straight there; otherwise the backlash is taken up from each axis' own side.
    frames
        Exposures; the bench's own number if not given. With 0 there is no measurement, and
        the last one is sent again, with the positions now.
    returning
        It is the way back to the start position of the axis.
    at_once
        Expose from the arrival on, without waiting for the bench to settle.
    cut_short
        Stop on the way, to see that STOP works.
    """

    targets: Mapping[str, float]
    reason: str
    direct: bool = False
    frames: int | None = None
    at_once: bool = False
    returning: bool = False
    cut_short: bool = False


@dataclass(frozen=True, slots=True)
class Camera:
    """How pixels become mm: pitch along columns and rows, ``origin`` and ``view`` of a frame."""

    pitch_x: float
    pitch_y: float
    origin: tuple[float, float]
    view: View


@dataclass(frozen=True, slots=True, eq=False)
class ScanMeasurement:
    """The outcome of one measurement.

    ``positions`` of all axes as read back, mm or rad; ``arrived`` when they had come to rest, s;
    ``frames`` by plane, the profile of every exposure in order; ``cameras`` by plane; ``readings``
    by "plane.name", value and standard uncertainty of each; ``failures`` as the name of the
    detector and words.
    """

    positions: Mapping[str, float]
    arrived: float
    frames: Mapping[str, tuple[BeamProfile, ...]]
    cameras: Mapping[str, Camera]
    readings: Mapping[str, tuple[tuple[float, float], ...]]
    failures: tuple[tuple[str, str], ...] = ()

    @property
    def profiles(self) -> dict[str, BeamProfile]:
        """The mean profile by plane."""
        return {plane: average(several) for plane, several in self.frames.items()}


Guide = Callable[[ScanMeasurement], Generator[Waypoint, ScanMeasurement, None]]
"""Given the first measurement: yields waypoints and is sent what was measured there."""

_Look = Generator[Action, Outcome, ScanMeasurement]


class Scan(Stepper):
    """One scan, steppable as a session is.

    Parameters
    ----------
    axes
        Every axis of the bench by name, in order.
    guide
        Where to go.
    settle, frames
        Seconds after arrival; exposures per measurement.
    first_frames
        Exposures of the first measurement, from which the noise is known.
    measure
        How a frame becomes a profile; ``autoalign.beam``'s where not given.
    """

    def __init__(
        self,
        axes: Mapping[str, Axis],
        guide: Guide,
        *,
        settle: float = 0.1,
        frames: int = 1,
        first_frames: int = 5,
        measure: MeasureBeam | None = None,
    ) -> None:
        super().__init__(axes, settle, frames)
        self.start: dict[str, float] = {}
        self.first: ScanMeasurement | None = None
        self.closing: ScanMeasurement | None = None
        self._guide, self._first_frames = guide, first_frames
        self._measure = measure or _beam_measure()
        self._before: dict[str, Frame] = {}

    @property
    def home(self) -> bool:
        """Whether every axis reads what it read at first."""
        return bool(self.start) and all(
            abs(self.positions[n] - p) <= self.axes[n].arrival_tolerance + self.axes[n].resolution
            for n, p in self.start.items()
        )

    def _run(self) -> Script:
        self.first = yield from self._look("first", self._first_frames)
        self.start = dict(self.first.positions)
        refused = yield from self._follow(self._guide(self.first))
        back = yield from self._go(
            self.start, "back to the start", returning=True, purpose=Purpose.RETURN
        )
        self.closing = yield from self._look("closing", self.frames)
        if not back:
            status, why = self._refusal()
            return Finish(status, False, f"could not return to the start: {why}")
        if refused is not None:
            return Finish(refused[0], False, f"{refused[1]} Went back to the start.")
        return Finish(Status.BACK, False, "every axis is back where it was.")

    def _follow(
        self, visits: Generator[Waypoint, ScanMeasurement, None]
    ) -> Generator[Action, Outcome, tuple[Status, str] | None]:
        """Measure at the waypoints; return what was refused, if something was."""
        answer = self.first
        assert answer is not None
        visit: Waypoint | None = None
        while True:
            try:
                visit = next(visits) if visit is None else visits.send(answer)
            except StopIteration:
                return None
            if visit.cut_short:
                way = self._step(
                    dict(visit.targets), visit.reason, False, True, Purpose.TOUR, cut_short=True
                )
            else:
                way = self._go(
                    visit.targets, visit.reason, visit.returning, visit.direct, Purpose.TOUR
                )
            if not (yield from way):
                visits.close()
                return self._refusal()
            frames = self.frames if visit.frames is None else visit.frames
            if frames:
                answer = yield from self._look(visit.reason, frames, visit.at_once)
            else:
                answer = replace(answer, positions=dict(self.positions))

    def _look(self, reason: str, frames: int, at_once: bool = False) -> _Look:
        not_before = self._arrived if at_once else self._settled
        look = Measure(self.measurements + 1, not_before, frames, reason, Purpose.TOUR)
        outcome = yield look
        assert isinstance(outcome, Exposed)
        self.positions = dict(outcome.positions)
        self._began = outcome.began if self._began is None else self._began
        self._now = outcome.ended
        self.measurements += 1
        sight = self._sight(outcome, max(not_before, outcome.began))
        here = np.array([outcome.positions[a] for a in self.axes])
        self.last = Measurement(
            here,
            sight.profiles,
            findings=tuple(Cause.DETECTOR.found(n, t, veto=False) for n, t in sight.failures),
        )
        return sight

    def _sight(self, seen: Exposed, not_before: float) -> ScanMeasurement:
        frames: dict[str, tuple[BeamProfile, ...]] = {}
        cameras: dict[str, Camera] = {}
        readings: dict[str, tuple[tuple[float, float], ...]] = {}
        failures = [*seen.failures.items()]
        for name, exposures in seen.exposures.items():
            for e in exposures:
                if e.started is None or e.started < not_before:
                    failures.append((name, "an exposure began before it was asked for"))
                elif isinstance(e, Reading):
                    for key, value in e.values.items():
                        label = f"{e.plane or name}.{key}"
                        pair = (value, e.uncertainties.get(key, 0.0))
                        readings[label] = (*readings.get(label, ()), pair)
                elif isinstance(e, Evaluated):
                    plane = e.plane or name
                    frames[plane] = (*frames.get(plane, ()), e.profile)
                    cameras[plane] = Camera(*e.pitch, e.origin, e.profile.view)
                else:
                    plane = e.plane or name
                    before, self._before[name] = self._before.get(name), e
                    try:
                        profile = self._measure(e, previous=before)
                        frames[plane] = (*frames.get(plane, ()), profile)
                    except AlignError as error:
                        failures.append((name, str(error)))
                    cameras[plane] = Camera(e.pitch_x, e.pitch_y, e.origin, e.view)
        return ScanMeasurement(
            dict(seen.positions), self._arrived, frames, cameras, readings, tuple(failures)
        )


def _beam_measure() -> MeasureBeam:
    from autoalign.beam.frame.analyse import measure_beam  # noqa: PLC0415

    return partial(measure_beam, repeatable=True)
