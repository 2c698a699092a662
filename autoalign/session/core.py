"""One alignment from start to verdict, in steps: no I/O, no sleeping, no clock.

Life cycle::

    session = Session.for_bench(bench, strategy)
    while not isinstance(action := session.next_action(), Finish):
        session.observe(carry_out(action))

The session measures first, lets the strategy propose, stops as soon as a measurement that began
after the last move had settled finds the beam in spec (guard band included; close to a limit it
lets a strategy that aims at the middle correct once more), and otherwise returns to the best
position it has measured, measures there once more and says so.
"""

from __future__ import annotations

import logging
from collections.abc import Generator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.errors import AlignError, MissingNeedError, PluginError, UsageError
from autoalign.core.findings import Finding
from autoalign.core.foreign import foreign
from autoalign.optics.layout import Layout
from autoalign.session.actions import (
    Action,
    Budget,
    Exposed,
    Finish,
    Measure,
    Outcome,
    Purpose,
    Status,
)
from autoalign.session.evaluate import (
    Combine,
    Evaluator,
    MeasureBeam,
    Recent,
    weighed,
)
from autoalign.session.replay import Replay, Replayed
from autoalign.session.rules import (
    CENTRINGS,
    SignalLoss,
    beyond_noise,
    check_needs,
    compare,
    more_frames,
    near_limit,
)
from autoalign.session.stepper import Part, Script, Stepper
from autoalign.spec.feasibility import never_given, never_seen
from autoalign.spec.terms import Spec
from autoalign.strategies.base import Cause, Measurement, Problem, Strategy, Vector

if TYPE_CHECKING:
    from autoalign.diagnosis.estimator import Knowledge

__all__ = ["Session"]

LOG = logging.getLogger(__name__)

_Sight = Generator[Action, Outcome, Measurement]
_Proposals = Generator[Sequence[float] | Vector, Measurement, None]


class Session(Stepper):
    """One alignment, steppable.

    Parameters
    ----------
    spec
        What the beam must meet.
    axes
        Every axis of the bench by name, in order.
    strategy
        Decides where to measure next.
    layout
        Nominal geometry, or None.
    distances
        mm by plane; those of ``layout`` where not given.
    locked
        Parts or axes that are locked.
    budget, rng, settle, frames, uncertainties, memory
        Measurements and seconds; source of chance (seed 0 where not given); seconds after arrival;
        exposures per measurement; what the strategy is given of the bench.
    replay
        Measurements of an interrupted run of the same strategy and seed, oldest first. They are
        given to the strategy in place of new ones as long as it asks for the same positions;
        all of them count.
    measure, combine
        How frames become profiles and profiles a quality; ``autoalign.beam``'s where not given.
    recent
        The last measurement, for sessions that follow one another on one bench; kept up to date. It
        reveals a frozen camera and a change of the ambient light.
    best_effort
        Align even where some term can never be shown to be in spec.

    Raises
    ------
    MissingNeedError
        Where the bench cannot give what the strategy needs.
    """

    def __init__(
        self,
        spec: Spec | None,
        axes: Mapping[str, Axis],
        strategy: Strategy,
        *,
        layout: Layout | None = None,
        distances: Mapping[str, float] | None = None,
        locked: Sequence[str] = (),
        budget: Budget | None = None,
        rng: np.random.Generator | None = None,
        settle: float = 0.1,
        frames: int = 1,
        uncertainties: Mapping[str, float] | None = None,
        calibration: Any = None,
        replay: Sequence[Replayed] = (),
        measure: MeasureBeam | None = None,
        combine: Combine | None = None,
        recent: Recent | None = None,
        best_effort: bool = False,
    ) -> None:
        super().__init__(axes, settle, frames)
        self.best_effort = best_effort
        self._unprovable: tuple[Finding, ...] = ()
        self.strategy = strategy
        self.free = tuple(a for n, a in axes.items() if n not in locked and a.part not in locked)
        self.spec = check_needs(strategy, spec, layout, self.free)
        self.budget = budget or Budget()
        self.first: Measurement | None = None
        self.best: Measurement | None = None
        self._layout, self._calibration = layout, calibration
        self._uncertainties = dict(uncertainties or {})
        self._rng = rng or np.random.default_rng(0)
        self._light = SignalLoss()
        self._seen: Measurement | None = None
        self._replay = Replay(replay)
        self._centred = 0
        planes = layout.planes if layout is not None else ()
        self._evaluator = Evaluator(
            self.spec,
            dict(distances) if distances is not None else {p.name: p.distance for p in planes},
            tuple(a.name for a in self.free),
            measure or _beam_measure(),
            combine or _beam_combine(),
            self._uncertainties,
            recent or Recent(),
        )

    @classmethod
    def for_bench(
        cls, bench: Bench, strategy: Strategy, *, spec: Spec | None = None, **settings: Any
    ) -> Session:
        """Return a session with everything that ``bench`` knows; ``settings`` override it."""
        known: dict[str, Any] = {
            "layout": bench.layout,
            "distances": bench.distances,
            "locked": bench.locked,
            "settle": bench.settle,
            "frames": bench.frames,
            "uncertainties": bench.uncertainties,
        }
        session = cls(spec or bench.spec, bench.axes, strategy, **{**known, **settings})
        if not {"measure", "combine"} & settings.keys():
            planes = () if session._layout is None else session._layout.planes
            detectors = {n: d.plane for n, d in bench.detectors.items()}
            words = never_given(session.spec, detectors, [p.name for p in planes])
            session._refuse(words)
        return session

    def _run(self) -> Script:
        first = yield from self._first_look()
        if first.in_spec:
            return Finish(
                Status.IN_SPEC, True, "the beam was in spec at the start; nothing was moved."
            )
        if Cause.SAME_FRAMES in first.causes:
            return Finish(Status.GIVEN_UP, False, f"{first.failure}. Nothing was moved.")
        from autoalign.plan.provable import unprovable  # noqa: PLC0415 - heavy

        self._unprovable = unprovable(self._layout, self.spec, self._uncertainties)
        if self._unprovable and not self.best_effort:
            why = ". ".join(t[0].upper() + t[1:] for t in map(str, self._unprovable))
            return Finish(
                Status.UNPROVABLE, False, f"{why}. Nothing was moved. To align as well as can be "
                "measured all the same, ask for best effort (--best-effort).",
            )  # fmt: skip
        status, reason = yield from self._search(first)
        if status is Status.IN_SPEC:
            return Finish(status, True, reason + self._diagnosis())
        return (yield from self._return_to_best(status, reason))

    def _refuse(self, words: str) -> None:
        """Raise where ``words`` say why the spec can never be judged."""
        if words:
            raise MissingNeedError(
                f"{words}{'' if words.endswith('?') else '.'} Nothing was moved."
            )

    def _first_look(self) -> _Sight:
        recorded = self._replay.first()
        if recorded is not None:
            self._note(recorded.measurement)
            self.first = recorded.measurement
            if not self.first.in_spec:
                return self.first
        first = yield from self._look(Purpose.FIRST)
        self.first = first
        return first

    def _problem(self, first: Measurement) -> Problem:
        free = {a.name for a in self.free}
        return Problem(
            axes=self.free,
            start=first.positions,
            first=first,
            spec=self.spec,
            rng=self._rng,
            layout=self._layout,
            locked={n: p for n, p in self.positions.items() if n not in free},
            uncertainties=self._uncertainties,
            calibration=self._calibration,
            measurements=max(self.budget.measurements - 2, 0),
        )

    def _search(self, first: Measurement) -> Generator[Action, Outcome, tuple[Status, str]]:
        problem = self._problem(first)
        proposals = self.strategy.propose(problem)
        if not isinstance(proposals, Generator):
            raise UsageError(
                f"strategy {self.strategy.name}: propose returned a {type(proposals).__name__}; it "
                "must be a generator, which yields one position after another (yield, not return). "
                "Nothing was moved."
            )
        answer: Measurement | None = None
        try:
            while True:
                target, status, ending = self._ask(proposals, answer, problem)
                if target is None:
                    return status, ending
                answer = self._recorded(target)
                if answer is None or answer.in_spec:
                    if self._spent:
                        plural = "s" if self.measurements != 1 else ""
                        spent = f"{self.measurements} measurement{plural} and {self.elapsed:.0f} s"
                        return Status.BUDGET, f"{spent} spent"
                    if not (yield from self._go(self._named(target), self.strategy.note)):
                        return self._refusal()
                    answer = yield from self._look(Purpose.PROBE)
                    answer = yield from self._look_closer(answer)
                    if ended := self._reached(answer):
                        return ended
                    if blind := (yield from self._blind()):
                        return blind
        finally:
            proposals.close()

    def _reached(self, seen: Measurement) -> tuple[Status, str] | None:
        """Return how the search ends if ``seen`` is what was wanted, else None."""
        if seen.in_spec and self._enough(seen):
            self._conclude(seen)
            if self._distrusted:
                return Status.GIVEN_UP, "in spec by cameras that cannot be trusted"
            return Status.IN_SPEC, "verified by a measurement after the last move."
        if self._as_good_as_can_be_shown(seen):
            names = ", ".join(f.subject for f in self._unprovable)
            return Status.BEST_EFFORT, f"as good as can be shown of {names}"
        return None

    def _as_good_as_can_be_shown(self, seen: Measurement) -> bool:
        """Whether all that is missing is what can never be shown, and that looks good."""
        if not self._unprovable or seen.verdict is None:
            return False
        names = {f.subject for f in self._unprovable}
        lacking = [t for t in seen.verdict.terms if not t.in_spec]
        return all(
            t.name in names and abs(t.deviation) <= LOOKS_GOOD * t.tolerance for t in lacking
        )

    def _blind(self) -> Generator[Action, Outcome, tuple[Status, str] | None]:
        """Return how the search ends if measurements no longer show what the axes do, else None."""
        if self._light.old:
            return Status.GIVEN_UP, (
                "the frames are older than the last move, or do not state when their "
                "exposure began: "
                "check that the camera and its program run, deliver their newest frame, and time "
                "it by the clock of the bench"
            )
        if (yield from self._light_is_out()):
            return Status.DARK, (
                "there is no longer any light where it was measured: check source, shutter and "
                "interlock, with the beam blocked or at alignment power"
            )
        return None

    def _light_is_out(self) -> Part:
        """Return to the last position with light after several dark measurements."""
        if not self._light.ask_again() or self.measurements >= self.budget.measurements - 1:
            return False
        assert self._light.last is not None
        there = self._named(self._light.last)
        if not (
            yield from self._go(
                there, "back to where there was light", True, purpose=Purpose.STILL_LIT
            )
        ):
            return False
        yield from self._look(Purpose.STILL_LIT)
        return self._light.out

    def _ask(
        self, proposals: _Proposals, answer: Measurement | None, problem: Problem
    ) -> tuple[Vector | None, Status, str]:
        """Return the strategy's next target inside the reach, or None and how and why it ended.

        A plug-in's mistake must not leave the bench anywhere, so it ends the search in order.
        """
        status = Status.GIVEN_UP
        try:
            with foreign(f"strategy {self.strategy.name}"):
                raw = next(proposals) if answer is None else proposals.send(answer)
                target = np.asarray(raw, dtype=np.float64)
        except StopIteration:
            return None, status, f"strategy {self.strategy.name} has nothing left to try"
        except PluginError as error:
            LOG.exception("strategy %s failed", self.strategy.name)
            return None, Status.FAILED, str(error).rstrip(".")
        except AlignError as error:
            said = str(error).removeprefix(f"strategy {self.strategy.name}: ")
            return None, status, f"strategy {self.strategy.name}: {said.rstrip('.')}"
        if target.shape != problem.start.shape or not np.all(np.isfinite(target)):
            wrong = f"strategy {self.strategy.name}: proposed {raw!r}; "
            return None, Status.FAILED, f"{wrong}{len(self.free)} finite positions are needed"
        return problem.clip(target), status, ""

    def _conclude(self, last: Measurement) -> None:
        """Give a strategy that asks for it the measurement that ended the alignment in spec."""
        with foreign(f"strategy {self.strategy.name}"):
            self.strategy.conclude(last)

    def _enough(self, seen: Measurement) -> bool:
        """Whether a measurement in spec ends the search: not if one more move may make it surer.

        Only a strategy whose next position is its guess at the middle of the spec is asked again.
        """
        if self._spent or not self.strategy.centres or self._centred >= CENTRINGS:
            return True
        assert seen.verdict is not None
        close = near_limit(seen.verdict)
        self._centred += close
        return not close

    def _recorded(self, target: Vector) -> Measurement | None:
        """Return what the interrupted run saw at ``target``, if that is what comes next there."""
        allowance = np.array([5 * a.arrival_tolerance + a.resolution for a in self.free])
        taken, answers = self._replay.at(target, allowance, (Purpose.CLOSER, Purpose.STILL_LIT))
        answer: Measurement | None = None
        for look in taken:
            if look.purpose is Purpose.STILL_LIT:
                self._light.ask_again()
            elif answers:
                answer = look.measurement
            self._note(look.measurement)
        return answer

    @property
    def elapsed(self) -> float:
        """Seconds on the bench's clock since the first measurement, the record's included."""
        return self._replay.elapsed + super().elapsed

    @property
    def _spent(self) -> bool:
        """Whether only the verifying measurement is left of the budget."""
        return (
            self.measurements >= self.budget.measurements - 1 or self.elapsed >= self.budget.seconds
        )

    def _named(self, target: Vector) -> dict[str, float]:
        return {a.name: float(t) for a, t in zip(self.free, target, strict=True)}

    def _look(self, purpose: Purpose, frames: int | None = None) -> _Sight:
        look = Measure(
            self.measurements + 1, self._settled, frames or self.frames, purpose.words, purpose
        )
        outcome = yield look
        assert isinstance(outcome, Exposed)
        self.positions = dict(outcome.positions)
        self._began = outcome.began if self._began is None else self._began
        self._now = outcome.ended
        measurement = self._evaluator.evaluate(outcome, max(look.not_before, outcome.began))
        if self.first is None:
            parameters = measurement.parameters
            seen = parameters.names if parameters is not None else ()
            self._refuse(
                never_seen(self.spec.measured, outcome.exposures, seen, self._evaluator.distances)
            )
        measurement = self._weighed(measurement)
        self._note(measurement)
        self._seen = measurement
        return measurement

    def _weighed(self, seen: Measurement) -> Measurement:
        """Add what only the model tells; a beam that only seems to meet the spec is not judged."""
        begun = self.strategy if self.first is not None else None
        problem = self._problem(self.first or seen)
        told = weighed(seen, lambda: _knowledge(begun, problem), self._layout, self.spec)
        if Cause.THROUGH_FOCUS in told.causes:
            return replace(told, parameters=None, verdict=None)
        return told

    def _note(self, measurement: Measurement) -> None:
        self.measurements += 1
        self.last = measurement
        self._light.note(measurement)
        if self.best is None or measurement.expected < self.best.expected:
            self.best = measurement

    def _look_closer(self, seen: Measurement) -> _Sight:
        """Measure again with more frames where only the noise keeps the beam from being in spec."""
        times = more_frames(seen)
        if not times or self.measurements >= self.budget.measurements - 1:
            return seen
        return (yield from self._look(Purpose.CLOSER, times * self.frames))

    def _return_to_best(self, status: Status, reason: str) -> Script:
        assert self.first is not None
        best, place = self.best, "the best position measured"
        if best is None or self._distrusted or not beyond_noise(self.first, best):
            best, place = self.first, "the start"
        if best is self._seen:
            last, where = best, f"ended at {place}"
        elif (
            yield from self._go(
                self._named(best.positions), f"return to {place}", True, purpose=Purpose.RETURN
            )
        ):
            last, where = (yield from self._look(Purpose.VERIFY)), f"returned to {place}"
        else:
            where = f"could not return to {place} ({self._refusal()[1]})"
            last = yield from self._look(Purpose.VERIFY)
        if last.in_spec and not self._distrusted:
            self._conclude(last)
            return Finish(Status.IN_SPEC, True, f"{reason}; {where}, in spec, verified.")
        doubt = f"; {last.failure}" if last.ok and last.failure else ""
        ending = f"{reason}; {where}, {compare(self.first, last)}{doubt}."
        return Finish(status, False, ending + self._diagnosis())

    @property
    def _distrusted(self) -> bool:
        """Whether the strategy has found that what was measured is not what there is."""
        return self.strategy.distrusts

    def _diagnosis(self) -> str:
        """Return as a sentence what the strategy says is wrong with the bench, if it says so."""
        found = () if self._light.old else self.strategy.findings
        said = [str(f) for f in found]
        return "".join(f" {text[0].upper()}{text[1:]}." for text in said)


LOOKS_GOOD = 1 / 3
"""Part of its tolerance within which a term looks good that can never be shown to be in spec."""


def _knowledge(strategy: Strategy | None, problem: Problem) -> Knowledge:
    from autoalign.strategies.model import knowledge_of  # noqa: PLC0415 - heavy

    return knowledge_of(strategy, problem)


def _beam_measure() -> MeasureBeam:
    from autoalign.beam.frame.analyse import measure_beam  # noqa: PLC0415

    return measure_beam


def _beam_combine() -> Combine:
    from autoalign.beam.combine import combine  # noqa: PLC0415

    return combine
