"""From exposures to a measurement: measure, average, combine, judge. A failure is data."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from autoalign.beam.combine import stated
from autoalign.beam.frame.average import average
from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile, Use
from autoalign.core.axes import Axis
from autoalign.core.errors import AlignError
from autoalign.core.findings import Amount, Finding, Severity
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Evaluated, Exposure, Reading
from autoalign.diagnosis.through_focus import through_focus
from autoalign.optics.layout import Layout
from autoalign.session.actions import Exposed, Finish, Measure, Purpose, Status
from autoalign.session.stepper import Script, Stepper
from autoalign.spec.acceptance import Verdict
from autoalign.spec.duplicate_frames import duplicate_frames
from autoalign.spec.terms import WAVEFRONT, Spec
from autoalign.strategies.base import Cause, Measurement

if TYPE_CHECKING:
    from autoalign.diagnosis.estimator import Knowledge


__all__ = [
    "Combine",
    "Evaluator",
    "MeasureBeam",
    "Recent",
    "SingleMeasurement",
    "weighed",
]

# One measurement where the axes are, and nothing else.


class SingleMeasurement(Stepper):
    """Measures once, by the very evaluation and vetoes of an alignment.

    Parameters
    ----------
    axes, settle, frames
        See :class:`.stepper.Stepper`.
    evaluator
        Makes a measurement of what was exposed.
    layout, known
        The bench on paper, or None, and what is known of it.
    """

    def __init__(
        self,
        axes: Mapping[str, Axis],
        settle: float,
        frames: int,
        evaluator: Evaluator,
        layout: Layout | None,
        known: Callable[[], Knowledge],
    ) -> None:
        super().__init__(axes, settle, frames)
        self.exposed: Exposed | None = None
        self._evaluator, self._layout, self._known = evaluator, layout, known

    def _run(self) -> Script:
        exposed = yield Measure(1, -math.inf, self.frames, Purpose.FIRST.words, Purpose.FIRST)
        assert isinstance(exposed, Exposed)
        self.exposed, self.positions = exposed, dict(exposed.positions)
        self._began, self._now = exposed.began, exposed.ended
        seen = self._evaluator.evaluate(exposed, exposed.began)
        spec = self._evaluator.spec
        self.measurements, self.last = 1, weighed(seen, self._known, self._layout, spec)
        status = Status.IN_SPEC if self.last.in_spec else Status.GIVEN_UP
        return Finish(status, self.last.in_spec, "measured; nothing was moved.")


class MeasureBeam(Protocol):
    """What ``autoalign.beam.measure_beam`` does."""

    def __call__(
        self,
        frame: Frame,
        *,
        previous: Frame | None = None,
        reference: BeamProfile | None = None,
    ) -> BeamProfile:
        """Return the profile of ``frame``; what was measured before tells frozen frames."""
        ...


class Combine(Protocol):
    """What ``autoalign.beam.combine`` does."""

    def __call__(
        self,
        profiles: Mapping[str, BeamProfile],
        distances: Mapping[str, float],
        *,
        u_pitch: Mapping[str, float],
        u_origin: Mapping[str, float],
        u_distance: Mapping[str, float],
        u_pixel_aspect: Mapping[str, float],
        u_roll: Mapping[str, float],
        readings: Mapping[str, tuple[float, float]],
    ) -> BeamParameters:
        """Return the quality of ``profiles`` and ``readings`` (value, uncertainty) together."""
        ...


@dataclass(frozen=True, slots=True)
class Recent:
    """The last frame and the last useful profile of every detector, by its name."""

    frames: dict[str, Frame] = field(default_factory=dict)
    profiles: dict[str, BeamProfile] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Evaluator:
    """Turns what was measured into an :class:`Measurement`.

    Parameters
    ----------
    spec
        What the beam must meet; None where only the parameters are wanted.
    distances
        mm by plane.
    axes
        Names of the free axes, in the problem's order.
    measure, combine
        ``measure_beam`` and ``combine``; others in tests.
    uncertainties
        What the bench states of its screens, see :func:`~autoalign.beam.combine.stated`.
    recent
        What was measured last; kept up to date.
    """

    spec: Spec | None
    distances: Mapping[str, float]
    axes: tuple[str, ...]
    measure: MeasureBeam
    combine: Combine
    uncertainties: Mapping[str, float] = field(default_factory=dict)
    recent: Recent = field(default_factory=Recent)

    def evaluate(self, seen: Exposed, not_before: float) -> Measurement:
        """Judge ``seen``; exposures that began before ``not_before`` are left out."""
        profiles: dict[str, list[BeamProfile]] = {}
        frames: dict[str, list[Frame]] = {}
        numbers: dict[str, tuple[float, float]] = {}
        findings = [
            Cause.DETECTOR.found(name, text, veto=False) for name, text in seen.failures.items()
        ]
        for name, exposures in seen.exposures.items():
            fresh = [e for e in exposures if _fresh(e, not_before)]
            if not fresh:
                findings.append(Cause.STALE.found(name, veto=False))
            readings = [e for e in fresh if isinstance(e, Reading)]
            if readings:
                numbers |= _mean_reading(readings).named(name)
            for frame in fresh:
                if isinstance(frame, Frame):
                    frames.setdefault(frame.plane or name, []).append(frame)
                    self._measure(frame, name, profiles, findings)
                elif isinstance(frame, Evaluated):
                    self._keep(frame.profile, frame.plane or name, name, profiles, findings)
        positions = np.array([seen.positions[a] for a in self.axes], dtype=np.float64)
        if same := duplicate_frames(frames):  # whichever plane they are of, they are not of both
            return Measurement(positions, {}, findings=(Cause.SAME_FRAMES.found(", ".join(same)),))
        averaged = {plane: average(several) for plane, several in profiles.items()}
        return self.judge(Measurement(positions, averaged), numbers, findings)

    def _measure(
        self, frame: Frame, name: str, into: dict[str, list[BeamProfile]], found: list[Finding]
    ) -> None:
        recent = self.recent
        previous, reference = recent.frames.get(name), recent.profiles.get(name)
        recent.frames[name] = frame
        try:
            profile = self.measure(frame, previous=previous, reference=reference)
        except AlignError as error:
            found.append(Cause.UNMEASURED.found(name, str(error), veto=False))
            return
        self._keep(profile, frame.plane or name, name, into, found)

    def _keep(
        self, profile: BeamProfile, plane: str, name: str,
        into: dict[str, list[BeamProfile]], found: list[Finding],
    ) -> None:  # fmt: skip
        if profile.use is not Use.NOTHING:
            self.recent.profiles[name] = profile
        into.setdefault(plane, []).append(profile)
        costly = [f for f in profile.flags.values() if f.shift or f.use is not Use.ALL]
        if costly:
            good = "less certain" if profile.use is Use.ALL else str(profile.use)
            evidence = "; ".join(f"{f.kind}, {f.evidence}" for f in costly)
            found.append(Cause.LIMITED.found(name, f"{good} ({evidence})", veto=False))

    def judge(
        self,
        bare: Measurement,
        numbers: Mapping[str, tuple[float, float]],
        findings: Sequence[Finding] = (),
    ) -> Measurement:
        """Return what the profiles of ``bare`` and the readings ``numbers`` say together.

        ``numbers`` gives value and standard uncertainty by "plane.name"; ``findings`` are what was
        found so far.
        """
        usable = {p: v for p, v in bare.profiles.items() if v.use is not Use.NOTHING}
        distances = {p: self.distances.get(p, 0.0) for p in usable}
        try:
            parameters = self.combine(
                usable, distances, readings=numbers, **stated(self.uncertainties, distances)
            )
            if self.spec is None:
                found = (*findings, Cause.NO_SPEC.found())
                return replace(bare, parameters=parameters, findings=found)
            spec = self.spec.measured
            missing = spec.missing(parameters.names)
            verdict = None if missing else spec.evaluate(parameters)
            repeated = self.combine(
                {p: v.repeatable for p, v in usable.items()}, distances, readings=numbers,
                **stated({}, distances),
            )  # fmt: skip
            noise = 0.0 if missing else _noise(spec.evaluate(repeated))
        except AlignError as error:
            return replace(bare, findings=(*findings, Cause.UNCOMBINED.found("", str(error))))
        if verdict is None:
            lacking = Cause.MISSING.found(", ".join(missing))
            return replace(bare, findings=(*findings, lacking))
        if not np.all(np.isfinite(verdict.residuals)):
            return replace(bare, findings=(*findings, Cause.NOT_FINITE.found()))
        return replace(
            bare,
            parameters=parameters,
            verdict=verdict,
            findings=tuple(findings),
            noise=noise,
            repeated=repeated,
        )


def weighed(
    seen: Measurement, known: Callable[[], Knowledge], layout: Layout | None, spec: Spec | None
) -> Measurement:
    """Return ``seen`` with what no detector shows and the fit of the bench tells.

    Widths at two planes are the same for a collimated beam and for one that goes through a focus
    halfway between, which is vetoed; and whatever the spec's terms leave open of the wavefront is
    said. Only a beam that meets the terms is weighed, or one whose spec asks for the wavefront.
    ``known`` returns what is known of the bench, which tells.
    """
    asked = spec is not None and spec.measured is not spec
    if spec is None or seen.verdict is None or not (seen.in_spec or asked):
        return seen
    try:
        know = known() if layout is not None else None
        if know is not None and not know.learn(seen.positions, seen.profiles):
            know = None
    except AlignError:  # nothing is known of such a bench
        know = None
    found = None
    if know is not None and layout is not None and seen.in_spec:
        found = through_focus(know, layout, seen.positions)
    if found is not None:
        seen = _with_findings(seen, found)
    told = None if know is None else know.wavefront(seen.positions)
    seen = replace(seen, wavefront=told)
    if asked:
        return _asked(seen, spec)
    if told is None or told.shown or not seen.in_spec:
        return seen
    numbers = {"upper": Amount(told.upper), "strehl": Amount(told.strehl_lower)}
    if told.added_upper is not None:
        numbers["added"] = Amount(told.added_upper)
        numbers["own"] = Amount(told.source_divergence, "rad")
    return _with_findings(seen, Finding(Cause.WAVEFRONT_OPEN.value, "", numbers, Severity.NOTE))


def _asked(seen: Measurement, spec: Spec) -> Measurement:
    """Judge by the whole spec, the wavefront with it; without one nothing is judged."""
    told, parameters, verdict = seen.wavefront, seen.parameters, seen.verdict
    if told is None or parameters is None or verdict is None:
        lacking = Cause.MISSING.found("wavefront")
        return replace(seen, verdict=None, findings=(*seen.findings, lacking))
    values = [told.rms, *told.parts]
    u = [(told.upper - told.rms) / ONE_SIDED, *told.uncertainty]
    n = len(parameters.names)
    covariance = np.zeros((n + len(u), n + len(u)))
    covariance[:n, :n] = parameters.covariance
    covariance[n:, n:] = np.diag(np.square(u))
    whole = replace(
        parameters,
        names=(*parameters.names, *WAVEFRONT),
        values=np.concatenate([parameters.values, values]),
        covariance=covariance,
    )
    judged = spec.evaluate(whole).with_findings(*verdict.findings)
    return replace(seen, parameters=whole, verdict=judged)


ONE_SIDED = 1.645
"""Standard uncertainties from the value to its upper 95 % bound."""


def _with_findings(seen: Measurement, *found: Finding) -> Measurement:
    assert seen.verdict is not None
    verdict = seen.verdict.with_findings(*found)
    return replace(seen, verdict=verdict, findings=(*seen.findings, *found))


def _noise(verdict: Verdict) -> float:
    ratios = [t.uncertainty / t.tolerance for t in verdict.terms]
    return float(np.sqrt(np.mean(np.square(ratios))))


def _fresh(exposure: Exposure, not_before: float) -> bool:
    """Whether the exposure provably began late enough; one without a time stamp does not."""
    return exposure.started is not None and exposure.started >= not_before


def _mean_reading(readings: Sequence[Reading]) -> Reading:
    if len(readings) < 2:
        return readings[0]
    first, count = readings[0], len(readings)
    common = [k for k in first.values if all(k in r.values for r in readings)]
    values = {k: float(np.mean([r.values[k] for r in readings])) for k in common}
    uncertainties = {}
    for name in values:
        claimed = first.uncertainties.get(name, 0.0)
        scatter = float(np.std([r.values[name] for r in readings], ddof=1))
        uncertainties[name] = max(claimed, scatter) / count**0.5
    return replace(first, values=values, uncertainties=uncertainties)
