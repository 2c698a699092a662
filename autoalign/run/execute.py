"""Carries a session out on a bench, written once for blocking and asyncio callers.

:meth:`Conductor.steps` is a generator of :class:`Call` (do this and send me the result) and
:class:`Sleep`. It never blocks by itself, except to stop the stages when something went wrong: the
session's own thinking is handed over as a call as well, since a fit may take seconds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.errors import (
    AlignError,
    DetectorError,
    HeldError,
    MotionFaultError,
    TravelBudgetError,
    TravelLimitError,
)
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Exposure
from autoalign.journal import Journal, Thumbnail
from autoalign.journal.thumbnails import make_thumbnail
from autoalign.run.arrival import MoveTracker, allowed_time, check_fit
from autoalign.run.guard import MoveGuard
from autoalign.session import (
    Action,
    Exposed,
    Finish,
    Measure,
    Move,
    Moved,
    Refused,
    Stepper,
)
from autoalign.strategies.base import Measurement

__all__ = ["Baton", "Call", "Conductor", "Event", "Sleep", "Step", "StopFlag"]


@dataclass(frozen=True, slots=True)
class Call:
    """Call ``function`` (it may block) and send the result."""

    function: Callable[..., Any]
    arguments: tuple[Any, ...] = ()

    def __call__(self) -> Any:
        """Carry it out."""
        return self.function(*self.arguments)


@dataclass(frozen=True, slots=True)
class Sleep:
    """Let ``seconds`` of the bench's clock pass."""

    seconds: float


Step = Call | Sleep
_Steps = Generator[Step, Any, Any]


class Baton:
    """Hands a conductor's steps to a runner one by one, and back what became of them.

    ``finish`` is there once :meth:`next_step` has returned None. Closing it early counts as an
    interruption: the stages are stopped and the record is closed.
    """

    def __init__(self, steps: Generator[Step, Any, Finish]) -> None:
        self.finish: Finish | None = None
        self._steps = steps
        self._answer: Any = None
        self._error: BaseException | None = None

    def next_step(self) -> Step | None:
        """Return what to do now, or None at the end; raise what ended it."""
        try:
            if self._error is not None:
                return self._steps.throw(self._error)
            return self._steps.send(self._answer)
        except StopIteration as end:
            self.finish = end.value
            return None

    def answer(self, result: Any) -> None:
        """Tell the result of the last step."""
        self._answer, self._error = result, None

    def fail(self, error: BaseException) -> None:
        """Tell what the last step raised."""
        self._error = error

    def close(self) -> None:
        """End the steps wherever they are."""
        self._steps.close()


class StopFlag(Protocol):
    """Something that says whether to stop, for instance a ``threading.Event``."""

    def is_set(self) -> bool:
        """Whether to stop."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """What a progress callback is given after every action.

    ``measurement`` and ``exposures`` are there after a measurement; ``measurements``, ``moves`` and
    ``elapsed`` (s) so far; ``refused`` for a move that was not made.
    """

    action: Action
    measurements: int
    moves: int
    elapsed: float
    positions: Mapping[str, float]
    measurement: Measurement | None = None
    exposures: Mapping[str, Sequence[Exposure]] | None = None
    refused: bool = False


class _Stopped(Exception):  # noqa: N818
    """The stop flag was seen."""


class Conductor:
    """Takes one session over one bench.

    Axes that a person turns (:attr:`~autoalign.core.axes.Axis.by_hand`) go before the motors of a
    move and alone, one question at a time, with every motor seen at rest before each; they have no
    deadline. After the last answer, and before a motor starts in this move or a later one, the
    person at the bench (``bench.hands``) has to say that hands are clear; deadlines of motors begin
    after that. No motor moves between a question and its answer.

    Parameters
    ----------
    bench, session
        What to align, and how.
    journal
        Open journal, or None to keep no record. It is the caller's to close.
    guard
        The last check before motion; one with its own defaults where not given.
    progress
        Called with an :class:`Event` after every action.
    stop
        Read between any two steps; once set, everything is stopped.
    veto
        Asked before every move: why it must not be made, or "". It is then refused, as by a guard
        on hold.
    patience
        A detector may fail in this many measurements in a row; one more is an error.
    """

    def __init__(
        self,
        bench: Bench,
        session: Stepper,
        journal: Journal | None = None,
        guard: MoveGuard | None = None,
        progress: Callable[[Event], None] | None = None,
        stop: StopFlag | None = None,
        patience: int = 3,
        veto: Callable[[Move], str] | None = None,
    ) -> None:
        self.bench, self.session, self.journal = bench, session, journal
        self._veto = veto
        self.guard = guard or MoveGuard(bench.axes)
        self._progress, self._stop, self._patience = progress, stop, patience
        self._silent: dict[str, int] = {}

    def steps(self) -> Generator[Step, Any, Finish]:
        """Carry the session out; whatever ends it early stops every stage and is recorded."""
        try:
            self.session.stand_at((yield from self._rest()))
            while not isinstance(action := (yield Call(self.session.next_action)), Finish):
                self._check_stop()
                yield from self._act(action)
        except _Stopped:
            try:
                self._stop_all()
            except Exception as error:
                self._close_with(error)
                raise
            action = self.session.stop(f"stopped on request; {self._stand_where_stopped()}.")
        except BaseException as error:
            self._stop_all(error)
            self._close_with(error)
            raise
        if self.journal is not None:
            yield Call(self.journal.finish, (action,))
        self._tell(action)
        return action

    def _act(self, action: Measure | Move) -> _Steps:
        if isinstance(action, Move):
            outcome = yield from self._move(action)
            yield Call(self.session.observe, (outcome,))
            self._tell(action, refused=isinstance(outcome, Refused))
            return
        seen = yield from self._look(action)
        yield Call(self.session.observe, (seen,))
        measurement = self.session.last
        assert measurement is not None
        if self.journal is not None:
            pictures = yield Call(_pictures, (seen,))
            known = (action, seen.positions, measurement, pictures, self.session.elapsed)
            yield Call(self.journal.look, known)
        self._tell(action, measurement, seen.exposures)

    def _look(self, look: Measure) -> _Steps:
        clock = self.bench.clock
        wait = look.not_before - clock.now()
        if math.isfinite(wait) and wait > 0:
            yield Sleep(wait)
        positions = yield from self._rest()
        self._check_undisturbed(positions)
        began = clock.now()
        exposures: dict[str, Sequence[Exposure]] = {}
        failures: dict[str, str] = {}
        for name, detector in self.bench.detectors.items():
            self._check_stop()
            now = clock.now()
            request = (look.frames, max(now, look.not_before), now + 30.0 + 5.0 * look.frames)
            try:
                exposures[name] = yield Call(detector.acquire, request)
                self._silent[name] = 0
            except DetectorError as error:
                failures[name] = str(error)
                self._silent[name] = self._silent.get(name, 0) + 1
                if self._silent[name] > self._patience:
                    raise
        return Exposed(positions, exposures, began, clock.now(), failures)

    def _rest(self) -> _Steps:
        """Wait until every axis is at rest, whoever set it going; return where they are.

        Motors come first: a person is asked for the reading of a scale only once all of them have
        been seen at rest.

        Raises
        ------
        MotionFaultError
            On a fault, on an axis that is not homed, and on a motor that does not come to rest.
        """
        positions = yield from self._motors_rest()
        while self.bench.hand_axes:
            statuses = yield from self._statuses(self.bench.hand_axes)
            if not any(s.moving for s in statuses.values()):
                positions |= {n: s.position for n, s in statuses.items()}
                break
            # Somebody is still being asked, since before this began; they take their time.
            self.bench.hands.clear = False
            yield Sleep(0.05)
            self._check_stop()
        return {n: positions[n] for n in self.bench.axes}

    def _motors_rest(self) -> _Steps:
        """Wait until every motor is at rest, whoever set it going; return where they are."""
        clock, motors = self.bench.clock, self.bench.motors
        longest = max((allowed_time(a, a.travel) for a in motors.values()), default=0.0)
        deadline = clock.now() + longest
        while True:
            statuses = yield from self._statuses(motors)
            moving = [n for n, s in statuses.items() if s.moving]
            if not moving:
                return {n: s.position for n, s in statuses.items()}
            if clock.now() > deadline:
                raise MotionFaultError(
                    f"axis {', '.join(moving)}: moving already, and not set going here; not at "
                    f"rest after {longest:.3g} s. It is being stopped. Find out who moves it, then "
                    "start again."
                )
            yield Sleep(0.05)
            self._check_stop()

    def _statuses(self, names: Iterable[str]) -> _Steps:
        statuses = yield Call(self.bench.statuses, (list(names),))
        for name, status in statuses.items():
            check_fit(self.bench.axes[name], status)
        return statuses

    def _move(self, move: Move) -> _Steps:
        clock, before = self.bench.clock, self.session.positions
        began = clock.now()
        try:
            travel = self.guard.check(move, before)
            if self._veto is not None and (why := (yield Call(self._veto, (move,)))):
                raise HeldError(why)
        except (TravelLimitError, TravelBudgetError, HeldError) as error:
            if self.journal is not None:
                yield Call(self.journal.note, ("refused", str(error)))
            return Refused(str(error), began, held=isinstance(error, HeldError))
        self._check_undisturbed((yield from self._rest()))
        intent = 0
        if self.journal is not None:
            intent = yield Call(self.journal.intent, (move, before))
        self.guard.spend(travel)
        try:
            if move.cut_short:
                yield from self._cut_short(move, before)
            else:
                yield from self._drive(move, before)
            positions = yield Call(self.bench.positions)
        except BaseException as error:
            self._stop_all(error)
            self._record_broken(intent, error)
            raise
        if self.journal is not None:
            yield Call(self.journal.outcome, (intent, "done", positions))
        return Moved(positions, began, clock.now())

    def _drive(self, move: Move, before: Mapping[str, float]) -> _Steps:
        """Carry ``move`` out: what a person turns first and alone, then the motors at once."""
        by_hand = self.bench.hand_axes
        motors = {n: legs for n, legs in move.legs.items() if n not in by_hand}
        for name in [n for n in move.legs if n in by_hand]:
            here = before[name]
            for target in move.legs[name]:
                here = yield from self._turn(name, here, target)
        if motors:
            if by_hand:
                yield from self._clear_hands()
            yield from self._drive_motors(motors, before)

    def _cut_short(self, move: Move, before: Mapping[str, float]) -> _Steps:
        """Start ``move`` and stop every stage once a fifth of it is done, or it is over."""
        clock = self.bench.clock
        ((name, legs),) = move.legs.items()
        if self.bench.hand_axes:
            yield from self._clear_hands()
        tracker = MoveTracker(self.bench.axes[name], before[name], list(legs), clock.now())
        yield self._start(tracker)
        enough = 0.2 * abs(tracker.target - before[name])
        while True:
            self._check_stop()
            status = yield Call(self.bench.stage_of(name).status, (name,))
            over = tracker.look(status, clock.now())
            if over or abs(status.position - before[name]) >= enough:
                break
            yield Sleep(0.01)
        yield Call(self.bench.bring_to_rest)

    def _turn(self, name: str, here: float, target: float) -> _Steps:
        """Have a person turn one axis to ``target``, with every motor at rest; return where it is.

        It may take as long as it takes.
        """
        self._check_undisturbed((yield from self._motors_rest()))
        self._check_stop()
        self.bench.hands.clear = False
        clock = self.bench.clock
        journey = MoveTracker(self.bench.axes[name], here, [target], clock.now())
        yield self._start(journey)
        while True:
            self._check_stop()
            status = yield Call(self.bench.stage_of(name).status, (name,))
            if journey.look(status, clock.now()):
                return journey.position
            yield Sleep(journey.pause)

    def _clear_hands(self) -> _Steps:
        """Wait until the person says that hands are clear, and see that nothing changed."""
        if self.bench.hands.clear:
            return
        self._check_undisturbed((yield from self._motors_rest()))
        yield Call(self.bench.hands.confirm_clear)
        if self.journal is not None:
            yield Call(self.journal.note, ("hands clear", "hands are clear: motors may start"))
        self._check_stop()
        self.guard.check_latch()
        self._check_undisturbed((yield from self._motors_rest()))

    def _drive_motors(
        self, legs_of: Mapping[str, Sequence[float]], before: Mapping[str, float]
    ) -> _Steps:
        clock = self.bench.clock
        under_way = [
            MoveTracker(self.bench.axes[n], before[n], list(legs), clock.now())
            for n, legs in legs_of.items()
        ]
        for journey in under_way:
            self._check_stop()
            yield Call(self.guard.check_interlock)
            yield self._start(journey)
        while under_way:
            yield Sleep(min(j.pause for j in under_way))
            self._check_stop()
            yield Call(self.guard.check_interlock)
            for journey in list(under_way):
                stage = self.bench.stage_of(journey.axis.name)
                status = yield Call(stage.status, (journey.axis.name,))
                if journey.look(status, clock.now()):
                    if journey.advance(clock.now()):
                        yield self._start(journey)
                    else:
                        under_way.remove(journey)

    def _start(self, journey: MoveTracker) -> Call:
        name = journey.axis.name
        return Call(self.bench.stage_of(name).start_move, (name, journey.target))

    def _check_stop(self) -> None:
        if self._stop is not None and self._stop.is_set():
            raise _Stopped

    def _check_undisturbed(self, positions: Mapping[str, float]) -> None:
        """Raise if one of ``positions`` is not where its axis was left."""
        for name, left in self.session.positions.items():
            if name not in positions:
                continue
            axis: Axis = self.bench.axes[name]
            allowed = 5 * axis.arrival_tolerance + axis.resolution
            if abs(positions[name] - left) > allowed:
                raise MotionFaultError(
                    f"axis {name}: left at {axis.said(left)}, now at "
                    f"{axis.said(positions[name])}, and nobody here moved it. Nothing more was "
                    "moved; find out who did (hand pad, another program, lost homing), then start "
                    "again."
                )

    def _stop_all(self, cause: BaseException | None = None) -> None:
        try:
            self.bench.bring_to_rest()
        except Exception as error:
            if cause is None:
                raise
            cause.add_note(f"stopping failed as well: {error}")

    def _stand_where_stopped(self) -> str:
        """Tell the session where the axes came to rest; return that, or why not, in words."""
        try:
            self.session.stand_at(self.bench.positions())
        except Exception as error:  # noqa: BLE001 - a driver's error takes nothing from the stop
            return f"where the axes came to rest cannot be read ({_words(error)})"
        return "every motor was seen at rest, and the positions are as read after the stop"

    def _record_broken(self, intent: int, error: BaseException) -> None:
        if self.journal is None:
            return
        status = "failed" if isinstance(error, AlignError) else "stopped"
        try:
            positions = self.bench.positions()
        except Exception:  # noqa: BLE001 - whatever a driver raises, the intent gets its outcome
            positions = {}
        try:
            self.journal.outcome(intent, status, positions, _words(error))
        except AlignError as second:
            error.add_note(str(second))

    def _close_with(self, error: BaseException) -> None:
        finish = self.session.stop(_words(error))
        if self.journal is None:
            return
        try:
            self.journal.finish(finish, error=type(error).__name__)
        except AlignError as second:
            error.add_note(str(second))

    def _tell(
        self,
        action: Action,
        measurement: Measurement | None = None,
        exposures: Mapping[str, Sequence[Exposure]] | None = None,
        *,
        refused: bool = False,
    ) -> None:
        if self._progress is None:
            return
        s = self.session
        so_far = s.measurements, s.moves, s.elapsed, s.positions
        self._progress(Event(action, *so_far, measurement, exposures, refused))


def _pictures(seen: Exposed) -> list[Thumbnail]:
    return [
        make_thumbnail(e[-1]) for e in seen.exposures.values() if e and isinstance(e[-1], Frame)
    ]


def _words(error: BaseException) -> str:
    text = str(error)
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
