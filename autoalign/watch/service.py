"""Keeps a bench aligned: measures on a schedule, realigns when needed, pauses on the unexpected."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from autoalign.bench import Bench
from autoalign.core.errors import AlignError, DetectorError, HeldError, UsageError
from autoalign.core.interfaces import Reading
from autoalign.journal import Journal, describe_bench
from autoalign.run.calibration_file import CalibrationFile
from autoalign.run.compose import Run
from autoalign.run.execute import Event, StopFlag
from autoalign.run.guard import Latch, MoveGuard
from autoalign.run.observers import Observers
from autoalign.session import Budget, Measure, Purpose, Recent, Session, Status
from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.watch.deciding import WatchHistory, decide, moved
from autoalign.watch.earlier import Left, doubts, read_left, set_damaged_aside, write_left
from autoalign.watch.incident import (
    Incident,
    check_cleared,
    forget_room,
    keep_incident,
    keep_room,
    set_aside,
)
from autoalign.watch.policy import Decision, Policy, Step, WatchMeasurement
from autoalign.watch.status import WatchState, WatchStatus, write_status

__all__ = ["Watch", "WatchSummary"]

_FAILURES = 3
"""Number of measurements or realignments in a row that may fail before the bench is latched."""


@dataclass(slots=True)
class WatchSummary:
    """What a watch has done: measurements, realignments (and how many ended in spec), pauses.

    ``state`` is the one that the status file gives; ``paused`` tells whether it ended while paused.
    """

    measurements: int = 0
    in_spec: int = 0
    realignments: int = 0
    realigned_in_spec: int = 0
    holds: int = 0
    state: WatchState = WatchState.WATCHING
    paused: bool = False
    reason: str = ""
    status: WatchStatus | None = field(default=None, repr=False)
    decisions: list[tuple[float, Decision]] = field(default_factory=list, repr=False)


class Watch:
    """The unattended service, in the foreground of whoever calls :meth:`run`.

    Cautions: motors start without warning while it runs, at night as well, and the beam swings. Put
    a notice at the door and a name to call, close covers, block what passes the edge of the optic.
    A person in the beam's way is not detected, and the light is never switched off, not when the
    bench is latched either. Local rules, the laser safety officer and licensed practice decide;
    pauses and latches are not a safety function.

    No axis that a person turns may be free: nobody is there to be asked. Where one is locked, its
    scale is read at the start, and ``bench.hands`` is asked then whether hands are clear.

    Parameters
    ----------
    bench
        What to keep aligned.
    make_strategy
        Gives a new strategy for each realignment.
    folder
        Where journals go: ``watch.db``, one ``realign-….db`` each, ``status.json``. One watch at a
        time may use it.
    policy, budget, guard
        How to behave, what one realignment may spend, and the last check before motion; its travel
        budget counts anew for every realignment.
    calibration
        What is remembered of the bench, or the file of it; kept up to date from each realignment
        that ends in spec. With ``fresh`` what the file holds is not used.
    follow
        Called with the time (s) and every decision.
    stop
        Read between any two steps; once set, the watch ends in an orderly way.
    cleared
        Number of the incident for which an earlier watch latched the bench, given by a person
        who has checked it.

    Raises
    ------
    UsageError
        For a bench without a spec, or with a free axis that a person turns.
    """

    def __init__(
        self,
        bench: Bench,
        make_strategy: Callable[[], Strategy],
        folder: Path,
        *,
        policy: Policy | None = None,
        budget: Budget | None = None,
        guard: MoveGuard | None = None,
        calibration: Any = None,
        fresh: bool = False,
        follow: Callable[[float, Decision], None] | None = None,
        stop: StopFlag | None = None,
        cleared: str = "",
    ) -> None:
        if bench.spec is None:
            raise UsageError(f"watch of {bench.name}: the bench has no spec to keep.")
        if turned := [n for n, a in bench.free_axes.items() if a.by_hand]:
            raise UsageError(
                f"watch of {bench.name}: {', '.join(turned)} {'is' if len(turned) == 1 else 'are'} "
                "turned by hand, and nobody is there to be asked while it runs. Lock them (locked "
                f"= [{', '.join(repr(n) for n in turned)}] under [bench] in the bench file), or "
                "align with a person at the bench instead."
            )
        self.bench, self.make_strategy, self.folder = bench, make_strategy, Path(folder)
        self.policy, self.budget = policy or Policy(), budget or Budget()
        self.guard = guard or MoveGuard(bench.axes)
        self.calibration = CalibrationFile(bench, calibration, fresh=fresh)
        self.follow, self.stop, self.cleared = follow, stop, cleared
        self.past = WatchHistory(bench.axes, bench.spec.guard)
        self.summary = WatchSummary()
        self._broken_looks = self._broken_realignments = 0
        self._recent = Recent()
        self._observers = Observers()
        self._last: WatchMeasurement | None = None
        self._left = Left()
        self._doubts: dict[str, str] = {}

    def run(self, *, measurements: int | None = None) -> WatchSummary:
        """Watch until ended, latched, or after ``measurements``; return what was done.

        Raises
        ------
        HeldError
            Where another watch uses the folder, a person has not yet cleared why an earlier one
            latched the bench, or has not said that hands are clear of one with locked hand axes.
        """
        from filelock import FileLock, Timeout  # noqa: PLC0415

        self.folder.mkdir(parents=True, exist_ok=True)
        try:
            with FileLock(self.folder / "watch.lock", timeout=0):
                incident = check_cleared(self.folder, self.cleared)
                self._left = read_left(self.folder)
                self._clear_hands()
                keep_room(self.folder, self.bench.clock.wall())
                try:
                    with self._journal() as journal:
                        self._clear(incident)
                        self._watch(journal, measurements)
                finally:
                    forget_room(self.folder)
        except Timeout as error:
            raise HeldError(
                f"{self.folder}: another watch is at work here. End that one first, or name "
                "another folder and another bench."
            ) from error
        return self.summary

    def _watch(self, journal: Journal, measurements: int | None) -> None:
        told = self._observers.tell
        told("start_run", bench=self.bench, strategy="watch", seed=0)
        try:
            self._rounds(journal, measurements)
            told("end_run", bench=self.bench, result=self.summary)
        except KeyboardInterrupt:
            self._status("interrupted", 0.0, ended=True)
            raise
        except Exception as error:
            # Whatever it is: nobody watches now, so nothing may move until somebody has checked.
            self._make_safe(f"the watch broke off: {type(error).__name__}: {error}")
            with suppress(OSError):
                self._status(self.summary.reason, 0.0, ended=True)
            raise

    def _rounds(self, journal: Journal, measurements: int | None) -> None:
        self._after_earlier(journal)
        wait = 0.0
        while measurements is None or self.summary.measurements < measurements:
            if not self._wait(wait) or self.guard.latch is Latch.SAFE:
                break
            decision = self._look_and_decide(journal)
            self._say(journal, decision)
            if decision.step is Step.REALIGN:
                decision = self._realign(journal, decision)
                self._say(journal, decision)
            wait = self._pause(decision)
            self._status(decision.reason, wait)
        self._end()

    def _end(self) -> None:
        """Say the same in the summary and in the status file."""
        if self.guard.latch is not Latch.SAFE:
            asked = "on request" if self._stopped() else "after the measurements asked for"
            self.summary.paused = self.guard.latch is Latch.HOLD
            why = f", while paused: {self.guard.why}" if self.summary.paused else ""
            self.summary.reason = f"ended {asked}{why}"
        self._status(self.summary.reason, 0.0, ended=True)

    def _look_and_decide(self, journal: Journal) -> Decision:
        self.summary.measurements += 1
        try:
            sighting = self._look(journal)
        except AlignError as error:
            if self._stopped():
                return Decision(Step.STAND, "stopped during a measurement")
            self._broken_looks += 1
            return self._broken(f"{type(error).__name__}: {error}", self._broken_looks)
        self._broken_looks = 0
        decision = decide(self.policy, self.past, sighting)
        self._last = sighting
        self.summary.in_spec += sighting.measurement.in_spec
        if decision.step is Step.HOLD:
            self._hold(decision.reason)
            return decision
        if self.guard.latch is Latch.HOLD:
            self.guard.release()
            self._left.settled += self._doubts
            self._doubts = {}
        self._leave(sighting.positions)
        return decision

    def _look(self, journal: Journal) -> WatchMeasurement:
        session = Session.for_bench(
            self.bench, _Standing(), rng=np.random.default_rng(0), recent=self._recent
        )
        told: list[Event] = []
        self._run(session, told.append).carry_out()
        if session.last is None:
            raise HeldError("stopped before the measurement.")
        if not session.last.ok and not session.last.profiles and not self._all_read(told[0]):
            raise DetectorError(f"no detector gave anything of use: {session.last.failure}")
        look = Measure(self.summary.measurements, 0.0, session.frames, "watch", Purpose.WATCH)
        journal.look(look, session.positions, session.last)
        return WatchMeasurement(self.bench.clock.now(), session.last, dict(session.positions))

    def _run(self, session: Session, progress: Callable[[Event], None] | None = None) -> Run:
        """Compose one part of the watch; all parts have the same observers."""
        return Run(
            self.bench, session, "watch", self.summary.realignments, self.guard, progress,
            self.stop, self._observers,
        )  # fmt: skip

    def _all_read(self, event: Event) -> bool:
        """Whether every detector gave numbers: where these do not do, none is broken."""
        given = event.exposures or {}
        read = (e and all(isinstance(r, Reading) for r in e) for e in given.values())
        return given.keys() == self.bench.detectors.keys() and all(read)

    def _realign(self, journal: Journal, why: Decision) -> Decision:
        self.summary.realignments += 1
        path = self._free(f"realign-{self.summary.realignments:04d}")
        self.guard.travelled = dict.fromkeys(self.guard.axes, 0.0)
        strategy = self.make_strategy()
        session = Session.for_bench(
            self.bench, strategy, budget=self.budget, calibration=self.calibration.data,
            rng=np.random.default_rng(self.summary.realignments), recent=self._recent,
        )  # fmt: skip
        record = {**self._described(strategy.name), "reason": why.reason}
        try:
            with Journal(path, self.bench.clock, record) as own:
                finish = self._run(session).carry_out(own)
            positions = self.bench.positions()
        except AlignError as error:
            moved(self.past, self.bench.clock.now())
            self._broken_realignments += 1
            reason = f"realignment broke off: {type(error).__name__}: {error}"
            return self._broken(reason, self._broken_realignments)
        self._leave(positions)
        if finish.status is Status.STOPPED:
            return Decision(Step.STAND, "stopped during a realignment, which is not finished")
        now = self.bench.clock.now()
        moved(
            self.past, now, WatchMeasurement(now, session.last, positions) if session.last else None
        )
        self._broken_realignments = 0
        remark = self.calibration.unused(strategy)
        ending = f"{finish.reason} ({remark.rstrip('.')})" if remark else finish.reason
        journal.note("realigned", ending, file=path.name, in_spec=finish.in_spec)
        if finish.in_spec:
            self.summary.realigned_in_spec += 1
            self.calibration.keep(strategy.calibration)
            return Decision(Step.STAND, f"realigned: {ending}")
        self.past.holding = f"a realignment did not reach the spec: {ending}"
        self._hold(self.past.holding)
        return Decision(Step.HOLD, self.past.holding)

    def _hold(self, reason: str) -> None:
        if self.guard.latch is Latch.RUN:
            self.summary.holds += 1
            self.guard.hold(reason)
        self.summary.reason = reason

    def _broken(self, reason: str, times: int) -> Decision:
        """A device misbehaved: pause; after several in a row latch, which needs a person."""
        self.past.holding = self.past.holding or reason
        self._hold(reason)
        if times >= _FAILURES:
            self._make_safe(f"{times} failures in a row, the last: {reason}")
        return Decision(Step.HOLD, self.summary.reason)

    def _make_safe(self, why: str) -> None:
        self.guard.make_safe(why)
        self.summary.reason, self.summary.state = why, WatchState.LATCHED
        try:
            self.bench.bring_to_rest()
        except Exception as error:  # noqa: BLE001 - whatever it is, it must be said
            self.summary.reason += f"; stopping failed as well: {error}"
        try:
            incident = keep_incident(self.folder, self.summary.reason, self.bench.clock.wall())
        except (OSError, AlignError) as error:
            self.summary.reason += f"; this could not be written down: {error}"
        else:
            self.summary.reason += f" (incident {incident.number})"

    def _clear(self, incident: Incident | None) -> None:
        """After a person cleared why the bench was latched: count anew, let it move again."""
        if incident is None:
            return
        set_aside(self.folder, incident)
        self._broken_looks = self._broken_realignments = 0
        if self.guard.latch is Latch.SAFE:
            self.guard.clear_safe(f"whoever cleared incident {incident.number}")

    def _clear_hands(self) -> None:
        """Have the scales of locked axes read while somebody is there, and hands clear after."""
        if self.bench.hand_axes:
            self.bench.statuses()
            self.bench.hands.confirm_clear()

    def _after_earlier(self, journal: Journal) -> None:
        """Compare the first measurement with where the axes were left; in doubt start paused."""
        self.past.first = self.past.first or self._left.sighting(self.bench.clock.now())
        for words in set_damaged_aside(self.folder):
            journal.note("incident", words)
        self._doubts = doubts(self.folder, self._left.settled)
        if self._doubts:
            self._wait_for_steady("; ".join(self._doubts.values()), journal)

    def _leave(self, positions: Mapping[str, float]) -> None:
        """Keep for the next watch where the axes are as far as this one knows."""
        self._left.positions = dict(positions)
        write_left(self.folder, self._left)

    def _wait_for_steady(self, why: str, journal: Journal) -> None:
        self.past.holding = f"{why}; positions must be seen to be steady first"
        self._hold(self.past.holding)
        journal.note("paused at the start", self.past.holding)

    def _pause(self, decision: Decision) -> float:
        quick = decision.step in (Step.CONFIRM, Step.HOLD)
        return self.policy.recheck if quick else self.policy.interval

    def _wait(self, seconds: float) -> bool:
        """Let time pass in slices, so that a stop is obeyed soon; False once asked to end."""
        end = self.bench.clock.now() + seconds
        while (left := end - self.bench.clock.now()) > 0 and not self._stopped():
            self.bench.clock.sleep(min(left, 1.0))
        return not self._stopped()

    def _stopped(self) -> bool:
        return self.stop is not None and self.stop.is_set()

    def _say(self, journal: Journal, decision: Decision) -> None:
        now = self.bench.clock.now()
        self.summary.decisions.append((now, decision))
        del self.summary.decisions[:-1000]
        journal.note("decision", decision.reason, step=decision.step.value)
        if self.follow is not None:
            self.follow(now, decision)

    def _status(self, reason: str, wait: float, *, ended: bool = False) -> None:
        seen = self._last.measurement if self._last else None
        verdict = seen.verdict if seen else None
        self.summary.state = _state(self.guard.latch, ended)
        status = WatchStatus(
            self.bench.name, self.summary.state.value, reason,
            self.bench.clock.wall().isoformat(timespec="seconds"),
            bool(verdict and verdict.in_spec), verdict.merit if verdict else None,
            self.summary.measurements, self.summary.in_spec, self.summary.realignments,
            self.summary.realigned_in_spec, self.summary.holds, wait,
        )  # fmt: skip
        self.summary.status = status
        write_status(self.folder / "status.json", status)

    def _journal(self) -> Journal:
        return Journal(self._free("watch"), self.bench.clock, self._described("watch"))

    def _described(self, strategy: str) -> dict[str, Any]:
        return {"bench": describe_bench(self.bench), "strategy": strategy, "seed": 0}

    def _free(self, stem: str) -> Path:
        """Return a file name in the folder that no earlier record has."""
        path, k = self.folder / f"{stem}.db", 1
        while path.exists():
            k += 1
            path = self.folder / f"{stem}-{k}.db"
        return path


def _state(latch: Latch, ended: bool) -> WatchState:
    if latch is Latch.SAFE:
        return WatchState.LATCHED
    return WatchState.ENDED if ended else WatchState(latch.value)


class _Standing(Strategy):
    """The strategy of a measurement that moves nothing."""

    name = "watch"
    needs: frozenset[Need] = frozenset()

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield nothing."""
        yield from ()
