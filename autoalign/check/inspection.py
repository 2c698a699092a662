"""One check: tries every axis while the scan lasts, and afterwards says what it all means."""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.bench import Bench
from autoalign.check.axis_response import AxisResponse, Noise, respond
from autoalign.check.expectation import Expectation
from autoalign.check.judge import judge, pair_up, true_profiles
from autoalign.check.result import AxisReport, PlaneReport, Settling, settling
from autoalign.check.stop_trial import try_stop
from autoalign.check.trial import Trial, step_size, try_axis
from autoalign.core.axes import Axis
from autoalign.core.findings import Amount, Finding, Severity
from autoalign.diagnosis.hypotheses import AS_STATED, AxisVerdict, Hypothesis, Judgement, of_cameras
from autoalign.session import ScanMeasurement, Waypoint

__all__ = ["Inspection"]

RUNAWAY = 3.0
"""Response to the tiny step, in whole steps' worth, from which the trial of an axis is ended."""

LOUD = 20.0
"""Standard uncertainties below which nothing is called a runaway."""

TURNED = 2
"""Number of axes with an unexpected response from which the cameras are suspected."""

BACKWARD = 0.05
"""Steps back and forwards may differ by this part."""


class Inspection:
    """Tries ``axes`` of ``bench`` one by one; :meth:`guide` is for a scan."""

    def __init__(self, bench: Bench, axes: Sequence[Axis]) -> None:
        self.bench, self.axes = bench, tuple(axes)
        self.trials: list[Trial] = []
        self.stops: list[Finding] = []
        self.expectation: Expectation | None = None
        self.noise = Noise({})
        self.first: ScanMeasurement | None = None

    def guide(self, first: ScanMeasurement) -> Generator[Waypoint, ScanMeasurement, None]:
        """Yield where to go, axis by axis, from the first measurement on."""
        self.first = first
        self.noise = Noise.seen(first, self.bench.frames)
        self.expectation = self._expect(AS_STATED)
        for axis in self._one_of_each_stage():
            self.stops.append((yield from try_stop(axis, first.positions[axis.name])))
        here = first
        for axis in self.axes:
            size = step_size(axis, self._telling(axis))
            trial = yield from try_axis(
                axis, first.positions[axis.name], size, _Watch(self, axis, size, here)
            )
            self.trials.append(trial)
            assert trial.home is not None
            here = trial.home
            if not self.usable(here):
                return

    def _one_of_each_stage(self) -> list[Axis]:
        """Return the first motor of every controller of which a motor is tried."""
        chosen = {self.bench.stage_of(a.name).name: a for a in reversed(self.axes) if not a.by_hand}
        return [a for a in self.axes if a in chosen.values()]

    def usable(self, sight: ScanMeasurement) -> bool:
        """Whether anything of the beam is there; always so where there was nothing at first."""
        assert self.first is not None
        return _sees(sight) or not _sees(self.first)

    def conclude(self) -> tuple[tuple[AxisReport, ...], tuple[PlaneReport, ...]]:
        """Say what was found, axis by axis and camera by camera."""
        responses = {t.axis.name: respond(t, self.noise) for t in self.trials if t.whole}
        cameras_as, judged = self._explain(responses)
        tried = {t.axis.name: t for t in self.trials}
        reports = tuple(
            self._axis(tried[a.name], responses.get(a.name), judged.get(a.name))
            if a.name in tried
            else AxisReport(
                a,
                0.0,
                0.0,
                AxisVerdict.UNSURE,
                Finding("axis-not-tried", a.name),
                (Finding("axis-not-tried", a.name),),
            )
            for a in self.axes
        )
        return reports, self._planes(cameras_as)

    def _telling(self, axis: Axis) -> float | None:
        return None if self.expectation is None else self.expectation.telling_step(axis.name)

    def _expect(self, cameras_as: Hypothesis) -> Expectation | None:
        """Fit the model to the first measurement; None if there is no model, or nothing to fit."""
        first, layout = self.first, self.bench.layout
        assert first is not None
        if layout is None or not first.frames:
            return None
        found = Expectation(
            layout,
            self.axes,
            self.bench.uncertainties,
            first.positions,
            true_profiles(cameras_as, first.profiles, first.cameras),
        )
        return found if found.seen else None

    def _explain(
        self, responses: Mapping[str, AxisResponse]
    ) -> tuple[Hypothesis, dict[str, Judgement]]:
        """Return what of the cameras explains most, and every axis under it."""
        best, judged = AS_STATED, self._judge(AS_STATED, self.expectation, responses)
        cost = _cost(judged)
        assert self.first is not None
        for hypothesis in of_cameras(list(self.first.frames)):
            # As long as axis by axis explains it nothing dearer is asked for.
            if len(_odd(judged)) < TURNED:
                return best, judged
            if hypothesis.cost >= cost:
                continue
            tried = self._judge(hypothesis, self._expect(hypothesis), responses)
            if len(tried) == len(judged) and _cost(tried) + hypothesis.cost < cost:
                best, judged, cost = hypothesis, tried, _cost(tried) + hypothesis.cost
        return best, judged

    def _judge(
        self,
        cameras_as: Hypothesis,
        expectation: Expectation | None,
        responses: Mapping[str, AxisResponse],
    ) -> dict[str, Judgement]:
        if expectation is None or self.first is None:
            return {}
        steps = {t.axis.name: t.step for t in self.trials}
        cameras = self.first.cameras
        return pair_up(
            {
                name: judge(name, steps[name], r, expectation, cameras_as, cameras)
                for name, r in responses.items()
            }
        )

    def _axis(
        self, trial: Trial, response: AxisResponse | None, judgement: Judgement | None
    ) -> AxisReport:
        axis, step = trial.axis, trial.step
        if response is None:
            broken = Finding("trial-broken-off", axis.name, details={"why": trial.stopped})
            return AxisReport(
                axis, abs(step), self._reach(trial), AxisVerdict.UNSURE, broken, (broken,)
            )
        if response.stuck and judgement is not None and judgement.verdict is AxisVerdict.SCALE:
            judgement = replace(judgement, verdict=AxisVerdict.UNSURE)
        verdict = _verdict(response, judgement)
        said = _said(axis, step, response, judgement)
        found = [] if verdict in (AxisVerdict.WELL, AxisVerdict.UNSURE) else [said]
        found += _dragging(axis, judgement) if judgement is not None else []
        backlash, missed, u = self._motion(axis, step, response, found)
        rest = None
        if trial.arrival is not None and self.first is not None and response.shows:
            rest = settling(trial.arrival, self.first, response, self.noise, self.bench.frames)
        found += self._late(axis, rest)
        return AxisReport(
            axis, abs(step), self._reach(trial), verdict, said, tuple(found), judgement, response,
            backlash, u, missed, u, rest,
        )  # fmt: skip

    def _reach(self, trial: Trial) -> float:
        """Return the furthest that an axis was sent from its start, mm or rad."""
        stops = [s.numbers["move"].value for s in self.stops if s.subject == trial.axis.name]
        return max(trial.reach, *stops, 0.0)

    def _motion(
        self, axis: Axis, step: float, response: AxisResponse, found: list[Finding]
    ) -> tuple[float | None, float | None, float | None]:
        """Return backlash, what is missed, and their uncertainty; add to ``found`` any fault."""
        size = abs(step)
        if response.stuck:
            stated = {"step": Amount(size, axis.unit), "stated": Amount(axis.backlash, axis.unit)}
            found.append(Finding("backlash-at-least", axis.name, stated))
            return size, None, None
        if math.isnan(response.u):
            return None, None, None
        u = math.hypot(response.u * size, axis.resolution / math.sqrt(6))
        backlash, missed = max(response.lost * size, 0.0), response.missed * size
        spare = max(3 * axis.resolution, 1e-5 * axis.travel)
        if backlash - 3 * u > 1.1 * axis.backlash + spare:
            numbers = {
                "backlash": Amount(backlash, axis.unit, u),
                "stated": Amount(axis.backlash, axis.unit),
            }
            found.append(Finding("backlash-too-large", axis.name, numbers))
        if abs(missed) - 4 * u > 0.5 * axis.backlash + spare:
            found.append(
                Finding("axis-slips", axis.name, {"missed": Amount(abs(missed), axis.unit, u)})
            )
        if abs(response.backward - 1) > max(BACKWARD, 5 * response.u):
            back = Amount(response.backward, u=1.5 * response.u)
            found.append(Finding("steps-unequal", axis.name, {"backward": back}))
        return backlash, missed, u

    def _late(self, axis: Axis, rest: Settling | None) -> list[Finding]:
        allowed = self.bench.settle
        if rest is None or (rest.steady and rest.time <= max(allowed, rest.looked)):
            return []
        if not rest.steady and rest.until <= allowed:
            return []
        code = "settles-late" if rest.steady else "never-settles"
        time = Amount(rest.time if rest.steady else rest.until, "s")
        return [Finding(code, axis.name, {"time": time, "allowed": Amount(allowed, "s")})]

    def _planes(self, cameras_as: Hypothesis) -> tuple[PlaneReport, ...]:
        assert self.first is not None
        reports = []
        for plane in dict.fromkeys(d.plane or n for n, d in self.bench.detectors.items()):
            profiles = self.first.frames.get(plane, ())
            found = [f for f in cameras_as.findings if f.subjects[0] == plane]
            found += _unusable(plane, profiles, self.first)
            reports.append(PlaneReport(plane, len(profiles), _scatter(profiles), tuple(found)))
        return tuple(reports)


class _Watch:
    """Watches one trial: is the beam still there, and does it move no more than it should?"""

    def __init__(
        self, inspection: Inspection, axis: Axis, size: float, base: ScanMeasurement
    ) -> None:
        self.inspection, self.axis, self.size, self.base = inspection, axis, size, base

    def __call__(self, place: str, sight: ScanMeasurement) -> str:
        """Return why the trial must stop, or ""."""
        if not self.inspection.usable(sight):
            return "the beam was lost"
        expectation, noise = self.inspection.expectation, self.inspection.noise
        if place != "tiny" or expectation is None:
            return ""
        expected = expectation.strength(self.axis.name, self.size, noise)
        if noise.distance(self.base, sight) > RUNAWAY * expected + LOUD:
            return "its first tiny step moved the beam further than three whole ones should"
        return ""


def _verdict(response: AxisResponse, judgement: Judgement | None) -> AxisVerdict:
    if judgement is not None:
        return judgement.verdict
    return AxisVerdict.WELL if response.shows else AxisVerdict.UNSURE


def _odd(judged: Mapping[str, Judgement]) -> list[Judgement]:
    """Return the axes that do something else than they should."""
    fine = (AxisVerdict.WELL, AxisVerdict.UNSURE)
    return [j for j in judged.values() if j.verdict not in fine]


def _cost(judged: Mapping[str, Judgement]) -> float:
    return sum(j.cost for j in judged.values())


def _sees(sight: ScanMeasurement) -> bool:
    beams = any(p.use is not Use.NOTHING for several in sight.frames.values() for p in several)
    return beams or bool(sight.readings)


def _scatter(profiles: Sequence[BeamProfile]) -> tuple[float, float] | None:
    seen = [p.centroid for p in profiles if p.use is not Use.NOTHING]
    if len(seen) < 3:
        return None
    x, y = np.std(seen, axis=0, ddof=1)
    return float(x), float(y)


def _unusable(plane: str, profiles: Sequence[BeamProfile], first: ScanMeasurement) -> list[Finding]:
    if any(p.use is not Use.NOTHING for p in profiles):
        return []
    if any(name.partition(".")[0] == plane for name in first.readings):
        return []
    flags = [f"{f.kind}, {f.evidence}" for p in profiles[:1] for f in p.flags.values()]
    dark = any(FlagKind.DARK in p.flags for p in profiles)
    told = [f"{name}: {words}" for name, words in first.failures if name == plane]
    why = "; ".join(flags or told or ["no frame"])
    return [
        Finding("plane-no-beam" if dark else "plane-not-measurable", plane, details={"why": why})
    ]


_CODES = {
    AxisVerdict.WELL: "axis-as-expected",
    AxisVerdict.DEAD: "axis-dead",
    AxisVerdict.REVERSED: "axis-reversed",
    AxisVerdict.EXCHANGED: "axis-exchanged",
    AxisVerdict.SCALE: "axis-scale",
    AxisVerdict.STRANGE: "axis-strange",
    AxisVerdict.UNSURE: "axis-unsure",
}


def _said(axis: Axis, step: float, response: AxisResponse, judged: Judgement | None) -> Finding:
    """Return what an axis turned out to be, as a finding."""
    numbers = {"step": Amount(abs(step), axis.unit)}
    if judged is None:
        return Finding("axis-moves" if response.shows else "axis-shows-nothing", axis.name, numbers)
    details = {}
    verdict = judged.verdict
    if verdict in (AxisVerdict.WELL, AxisVerdict.REVERSED, AxisVerdict.SCALE):
        numbers["ratio"] = Amount(judged.ratio, u=judged.u_ratio)
    if verdict is AxisVerdict.EXCHANGED:
        details["like"] = judged.like
    if judged.because and verdict is not AxisVerdict.UNSURE:
        numbers["limit"], details["because"] = Amount(judged.limit), judged.because
    grave = verdict not in (AxisVerdict.WELL, AxisVerdict.UNSURE)
    severity = Severity.FAULT if grave else Severity.NOTE
    return Finding(_CODES[verdict], axis.name, numbers, severity, details)


def _dragging(axis: Axis, judged: Judgement) -> list[Finding]:
    """Return the findings of cross-talk."""
    return [
        Finding("axis-drags", axis.name, {"part": Amount(c, u=u)}, details={"other": other})
        for other, (c, u) in judged.dragged.items()
    ]
