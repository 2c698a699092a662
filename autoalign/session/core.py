"""One alignment from start to verdict, in steps: no I/O, no sleeping, no clock.

Life cycle::

    session = Session.for_bench(bench, strategy)
    while not isinstance(action := session.next_action(), Finish):
        session.observe(carry_out(action))

The session looks first, lets the strategy propose, stops as soon as a look that began after the
last move had settled finds the beam in spec (guard band included), and otherwise returns to the
best position it has seen, looks there once more and says so.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping, Sequence
from typing import Any

import numpy as np

from autoalign.axes import Axis, approach_legs
from autoalign.bench import Bench
from autoalign.errors import AlignError, UsageError
from autoalign.merit import Spec
from autoalign.optics.layout import Layout
from autoalign.search.base import Observation, Problem, Strategy, Vector
from autoalign.session.actions import (
    Action,
    Budget,
    Finish,
    Look,
    Move,
    Moved,
    Outcome,
    Refused,
    Seen,
    Status,
)
from autoalign.session.rules import check_needs, compare, strides
from autoalign.session.seeing import Combine, Eye, Measure

__all__ = ["Session"]

_Script = Generator[Action, Outcome, Finish]
_Part = Generator[Action, Outcome, bool]
_Sight = Generator[Action, Outcome, Observation]
_Proposals = Generator[Sequence[float] | Vector, Observation, None]


class Session:
    """One alignment, steppable.

    Parameters
    ----------
    spec
        What the beam must meet.
    axes
        Every axis of the bench by name, in order.
    strategy
        Decides where to look next.
    layout
        Nominal geometry, or None.
    distances
        mm by plane; those of ``layout`` where not given.
    hold
        Parts or axes that stand still.
    budget, rng, settle, frames, uncertainties, memory
        Looks and seconds; source of chance (seed 0 where not given); seconds after arrival;
        exposures a look; what the strategy is told of the bench.
    replay
        Observations of an interrupted run of the same strategy and seed, oldest first. They are
        given to the strategy in place of looks as long as it asks for the same positions.
    measure, combine
        How frames become profiles and profiles a quality; ``autoalign.beam``'s where not given.

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
        hold: Sequence[str] = (),
        budget: Budget | None = None,
        rng: np.random.Generator | None = None,
        settle: float = 0.1,
        frames: int = 1,
        uncertainties: Mapping[str, float] | None = None,
        memory: Any = None,
        replay: Sequence[Observation] = (),
        measure: Measure | None = None,
        combine: Combine | None = None,
    ) -> None:
        self.strategy = strategy
        self.axes = dict(axes)
        self.free = tuple(a for n, a in axes.items() if n not in hold and a.part not in hold)
        self.spec = check_needs(strategy, spec, layout, self.free)
        self.budget = budget or Budget()
        self.settle, self.frames = settle, frames
        self.probes = self.moves = 0
        self.first: Observation | None = None
        self.last: Observation | None = None
        self.best: Observation | None = None
        self.positions: dict[str, float] = {}
        self.finish: Finish | None = None
        self._layout, self._memory = layout, memory
        self._uncertainties = dict(uncertainties or {})
        self._rng = rng or np.random.default_rng(0)
        self._replay = list(replay)
        self._settled = -math.inf
        self._began: float | None = None
        self._now = -math.inf
        self._refused: Refused | None = None
        planes = layout.planes if layout is not None else ()
        self._eye = Eye(
            self.spec,
            dict(distances) if distances is not None else {p.name: p.distance for p in planes},
            tuple(a.name for a in self.free),
            measure or _beam_measure(),
            combine or _beam_combine(),
            self._uncertainties,
        )
        self._script = self._run()
        self._action: Action | None = None

    @classmethod
    def for_bench(
        cls, bench: Bench, strategy: Strategy, *, spec: Spec | None = None, **settings: Any
    ) -> Session:
        """Return a session with everything that ``bench`` knows; ``settings`` override it."""
        known: dict[str, Any] = {
            "layout": bench.layout,
            "hold": bench.hold,
            "settle": bench.settle,
            "frames": bench.frames,
            "uncertainties": bench.uncertainties,
        }
        return cls(spec or bench.spec, bench.axes, strategy, **{**known, **settings})

    def stand_at(self, positions: Mapping[str, float]) -> None:
        """Tell where every axis stands (mm or rad by name), before the first action."""
        self.positions = dict(positions)

    def next_action(self) -> Action:
        """Return what to do now; the same until :meth:`observe` is told how it went."""
        if self.finish is not None:
            return self.finish
        if self._action is None:
            self._action = next(self._script)
        return self._action

    def observe(self, outcome: Outcome) -> None:
        """Tell how the last action went."""
        if self.finish is not None:
            raise UsageError("session: it is over; there is nothing left to observe.")
        action = self.next_action()
        if not isinstance(outcome, Seen if isinstance(action, Look) else (Moved, Refused)):
            raise UsageError(
                f"session: told {type(outcome).__name__} after a {type(action).__name__}."
            )
        try:
            self._action = self._script.send(outcome)
        except StopIteration as stop:
            self.finish = stop.value

    def stop(self, reason: str) -> Finish:
        """End now, where the axes stand; success is not claimed."""
        if self.finish is None:
            self._script.close()
            self.finish = Finish(Status.STOPPED, False, reason)
        return self.finish

    @property
    def elapsed(self) -> float:
        """Seconds on the bench's clock since the first look began."""
        return 0.0 if self._began is None else self._now - self._began

    def _run(self) -> _Script:
        first = yield from self._first_look()
        if first.in_spec:
            return Finish(Status.IN_SPEC, True, "the beam was in spec where the axes stood.")
        status, reason = yield from self._search(first)
        if status is Status.IN_SPEC:
            return Finish(status, True, reason)
        return (yield from self._return_to_best(status, reason))

    def _first_look(self) -> _Sight:
        if self._replay and not self._replay[0].in_spec:
            recorded = self._replay.pop(0)
            self._note(recorded)
            self.first = recorded
            return recorded
        first = yield from self._look("first")
        self.first = first
        return first

    def _problem(self, first: Observation) -> Problem:
        free = {a.name for a in self.free}
        return Problem(
            axes=self.free,
            start=first.positions,
            first=first,
            spec=self.spec,
            rng=self._rng,
            layout=self._layout,
            held={n: p for n, p in self.positions.items() if n not in free},
            uncertainties=self._uncertainties,
            memory=self._memory,
        )

    def _search(self, first: Observation) -> Generator[Action, Outcome, tuple[Status, str]]:
        problem = self._problem(first)
        proposals = self.strategy.propose(problem)
        answer: Observation | None = None
        try:
            while True:
                target, ending = self._ask(proposals, answer, problem)
                if target is None:
                    return Status.GIVEN_UP, ending
                if self.probes >= self.budget.probes - 1 or self.elapsed >= self.budget.seconds:
                    return Status.BUDGET, f"{self.probes} probes and {self.elapsed:.0f} s spent"
                answer = self._recorded(target)
                if answer is None or answer.in_spec:
                    if not (yield from self._go(target, getattr(self.strategy, "note", "probe"))):
                        return self._refusal()
                    answer = yield from self._look("probe")
                    answer = yield from self._look_closer(answer)
                    if answer.in_spec:
                        return Status.IN_SPEC, "verified by a look after the last move."
        finally:
            proposals.close()

    def _ask(
        self, proposals: _Proposals, answer: Observation | None, problem: Problem
    ) -> tuple[Vector | None, str]:
        """Return the strategy's next target inside the reach, or None and why it ended."""
        try:
            raw = next(proposals) if answer is None else proposals.send(answer)
        except StopIteration:
            return None, f"strategy {self.strategy.name} has nothing left to try"
        except AlignError as error:
            return None, f"strategy {self.strategy.name}: {error}"
        target = np.asarray(raw, dtype=np.float64)
        if target.shape != problem.start.shape or not np.all(np.isfinite(target)):
            raise UsageError(
                f"strategy {self.strategy.name}: proposed {raw!r}; {len(self.free)} finite "
                "positions are needed. Nothing was moved."
            )
        return problem.clip(target), ""

    def _recorded(self, target: Vector) -> Observation | None:
        """Return the recorded observation at ``target``, if that is what comes next."""
        if not self._replay:
            return None
        allowance = np.array([5 * a.arrival_tolerance + a.resolution for a in self.free])
        if np.any(np.abs(self._replay[0].positions - target) > allowance):
            self._replay.clear()
            return None
        observation = self._replay.pop(0)
        self._note(observation)
        return observation

    def _go(self, target: Vector, reason: str, returning: bool = False) -> _Part:
        """Move the free axes to ``target`` in steps that each axis allows; False if refused."""
        wanted = {
            a.name: float(t)
            for a, t in zip(self.free, target, strict=True)
            if abs(t - self.positions.get(a.name, math.inf)) > max(a.resolution / 2, 1e-12)
        }
        start = {n: self.positions.get(n, t) for n, t in wanted.items()}
        parts = max((strides(self.axes[n], start[n], t) for n, t in wanted.items()), default=1)
        for k in range(1, parts + 1):
            step = {n: start[n] + (t - start[n]) * k / parts for n, t in wanted.items()}
            if step and not (yield from self._step(step, reason, returning)):
                return False
        return True

    def _step(self, targets: dict[str, float], reason: str, returning: bool) -> _Part:
        legs = {
            n: approach_legs(self.axes[n], self.positions.get(n, t), t) for n, t in targets.items()
        }
        outcome = yield Move(self.moves + 1, targets, legs, reason or "probe", returning)
        if isinstance(outcome, Refused):
            self._refused = outcome
            self._now = outcome.at
            return False
        assert isinstance(outcome, Moved)
        self.moves += 1
        self.positions = dict(outcome.positions)
        self._now = outcome.ended
        self._settled = outcome.ended + self.settle
        return True

    def _refusal(self) -> tuple[Status, str]:
        assert self._refused is not None
        return Status.HELD if self._refused.held else Status.REFUSED, self._refused.reason

    def _look(self, reason: str, frames: int | None = None) -> _Sight:
        look = Look(self.probes + 1, self._settled, frames or self.frames, reason)
        outcome = yield look
        assert isinstance(outcome, Seen)
        self.positions = dict(outcome.positions)
        self._began = outcome.began if self._began is None else self._began
        self._now = outcome.ended
        observation = self._eye.observe(outcome, max(look.not_before, outcome.began))
        self._note(observation)
        return observation

    def _note(self, observation: Observation) -> None:
        self.probes += 1
        self.last = observation
        if self.best is None or observation.merit < self.best.merit:
            self.best = observation

    def _look_closer(self, seen: Observation) -> _Sight:
        """Look again with more frames where only the noise keeps the beam from being in spec."""
        if seen.verdict is None or seen.in_spec or self.probes >= self.budget.probes - 1:
            return seen
        open_terms = [t for t in seen.verdict.terms if not t.in_spec]
        if any(abs(t.deviation) > t.tolerance / 2 for t in open_terms):
            return seen
        return (yield from self._look("closer", 4 * self.frames))

    def _return_to_best(self, status: Status, reason: str) -> _Script:
        assert self.first is not None
        best = self.best if self.best is not None and self.best.ok else self.first
        if best is self.last and not self._replay:
            last, where = best, "stands at the best position seen"
        elif (yield from self._go(best.positions, "return to the best", returning=True)):
            last, where = (yield from self._look("verify")), "returned to the best position seen"
        else:
            where = f"could not return to the best position seen ({self._refusal()[1]})"
            last = yield from self._look("verify where it stands")
        if last.in_spec:
            return Finish(Status.IN_SPEC, True, f"{reason}; {where}, in spec, verified.")
        return Finish(status, False, f"{reason}; {where}, {compare(self.first, last)}.")


def _beam_measure() -> Measure:
    from autoalign.beam.measure import measure_beam  # noqa: PLC0415

    return measure_beam


def _beam_combine() -> Combine:
    from autoalign.beam.combine import combine  # noqa: PLC0415

    return combine
