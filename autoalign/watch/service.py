"""Keeps a bench aligned: carries out what the state of the watch commands, and reports back.

Every decision is made by :func:`~autoalign.watch.state.transition`. What is here measures, moves,
waits, opens lines again, writes the record and the status, and nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from autoalign.bench import Bench
from autoalign.core.clock import Clock, RealClock
from autoalign.core.errors import (
    AlignError,
    DetectorError,
    HardwareError,
    HeldError,
    JournalError,
    LinkError,
    UsageError,
    WrongDeviceError,
)
from autoalign.core.interfaces import Reading
from autoalign.journal import Journal, describe_bench
from autoalign.messages.serialise import status_facts
from autoalign.messages.words import span_of_time
from autoalign.run.calibration_file import CalibrationFile
from autoalign.run.compose import Run
from autoalign.run.execute import Event, StopFlag
from autoalign.run.guard import Latch as Bolt
from autoalign.run.guard import MoveGuard
from autoalign.run.observers import Observers
from autoalign.session import Budget, Measure, Purpose, Recent, Session, Status
from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.watch import events
from autoalign.watch.earlier import (
    Left,
    Tidy,
    doubts,
    read_left,
    set_damaged_aside,
    tidy,
    write_left,
)
from autoalign.watch.events import Decision, Trouble
from autoalign.watch.incident import (
    Incident,
    check_cleared,
    forget_room,
    keep_incident,
    keep_room,
    set_aside,
)
from autoalign.watch.notify import tell_manager
from autoalign.watch.policy import Policy, WatchMeasurement
from autoalign.watch.state import Mode, Rules, WatchState, explained, transition
from autoalign.watch.status import STATUS, WatchStatus, this_process, write_status

__all__ = ["Watch", "WatchSummary"]

_BELIEVE = 60.0
"""Seconds for which a sign of life is believed, beyond the time that its step may take."""
_STANDSTILL = 30.0
"""Seconds by which a wait may be late before nothing is known of that time any more."""
_JOURNAL_DAYS = 1.0
"""Days after which the record goes on in a new file."""


@dataclass(frozen=True, slots=True)
class WatchSummary:
    """What a watch has done: measurements, realignments (and how many ended in spec), pauses.

    ``state`` is the one that the status file gives; ``paused`` tells whether it ended while paused.
    """

    measurements: int = 0
    in_spec: int = 0
    realignments: int = 0
    realigned_in_spec: int = 0
    pauses: int = 0
    state: Mode = Mode.WATCHING
    paused: bool = False
    reason: str = ""
    incident: str = ""
    status: WatchStatus | None = field(default=None, repr=False)


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
        Called with the time of day (UTC) and every decision.
    remark
        Called with what a person should know besides: noise too large for the spec, records that
        were removed.
    stop
        Read between any two steps; once set, the watch ends in an orderly way.
    cleared
        Number of the incident for which an earlier watch latched the bench, given by a person
        who has checked it.
    reopen
        Closes what a broken line leaves of the bench, opens it anew and returns it. Where not
        given, devices are asked again on the line that they have.
    local
        Says who has the bench, "" where nobody has: asked before every measurement and every move.
        By default a file called ``local`` in the folder says so, with what is written in it.
    keep
        How long records are kept, and how much of them.
    notify
        Called with the facts of the status whenever the state changes; must return at once.
    host
        The computer's own time, for signs of life; another one in tests.
    look, beat
        Seconds between two looks at the stop flag, and between two signs of life.

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
        follow: Callable[[datetime, Decision], None] | None = None,
        remark: Callable[[str], None] | None = None,
        stop: StopFlag | None = None,
        cleared: str = "",
        reopen: Callable[[Bench], Bench] | None = None,
        local: Callable[[], str] | None = None,
        keep: Tidy | None = None,
        notify: Callable[[Mapping[str, Any]], None] | None = None,
        host: Clock | None = None,
        look: float = 1.0,
        beat: float = 10.0,
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
        self.follow, self.remark, self.stop, self.cleared = follow, remark, stop, cleared
        self.reopen, self.keep, self.notify = reopen, keep or Tidy(), notify
        self._notified: Mode | None = None
        self.local = local or self._local_file
        self.rules = Rules(self.policy, bench.axes, bench.spec, bench.frames)
        self.state = WatchState(frames=bench.frames)
        self.incident = ""
        self._host, self._look, self._beat_every = host or RealClock(), look, beat
        self._status: WatchStatus | None = None
        self._beaten = -math.inf
        self._recent = Recent()
        self._observers = Observers()
        self._last: WatchMeasurement | None = None
        self._left = Left()
        self._identities: dict[str, str] = {}
        self._opened = 0.0
        self._kept: tuple[dict[str, float], tuple[str, ...]] = ({}, ())

    @property
    def summary(self) -> WatchSummary:
        """What was done so far."""
        now = self.state
        return WatchSummary(
            now.measurements, now.in_spec, now.realignments, now.realigned_in_spec, now.pauses,
            now.mode, bool(now.holding) and now.mode is not Mode.LATCHED, now.reason,
            self.incident, self._status,
        )  # fmt: skip

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
        lock = self.folder / "watch.lock"
        if lock.is_symlink():
            raise HeldError(f"{lock}: it is a link, which no watch makes. Remove it, then start.")
        try:
            with FileLock(lock, timeout=0):
                incident = check_cleared(self.folder, self.cleared)
                self._left = read_left(self.folder)
                self._clear_hands()
                self._identities = {n: d.identity() for n, d in self.bench.stages.items()}
                keep_room(self.folder, self.bench.clock.wall())
                try:
                    self._watch(incident, measurements)
                finally:
                    forget_room(self.folder)
        except Timeout as error:
            raise HeldError(
                f"{self.folder}: another watch is at work here. End that one first, or name "
                "another folder and another bench."
            ) from error
        return self.summary

    def _watch(self, incident: Incident | None, measurements: int | None) -> None:
        self._journal = self._new_journal()
        try:
            self._clear(incident)
            told = self._observers.tell
            told("start_run", bench=self.bench, strategy="watch", seed=0)
            self._rounds(measurements)
            told("end_run", bench=self.bench, result=self.summary)
        except KeyboardInterrupt:
            self._go(events.Ending(self._now(), "by an interruption"))
            self._write_status(0.0)
            raise
        except Exception as error:
            # Whatever it is: nobody watches now, so nothing may move until somebody has checked.
            why = f"the watch broke off: {type(error).__name__}: {error}"
            self.state, _ = transition(self.rules, self.state, events.Defect(self._now(), why))
            self._latch(self.state.reason)
            with suppress(OSError):
                self._write_status(0.0)
            raise
        finally:
            self._journal.close()

    def _rounds(self, measurements: int | None) -> None:
        event: events.Event | None = self._began()
        while event is not None:
            try:
                event = self._carry_out(self._go(event), measurements)
            except OSError as error:
                if isinstance(error, HardwareError):
                    raise
                event = self._without_record(error, measurements)
        self._write_status(0.0)

    def _without_record(self, error: OSError, measurements: int | None) -> events.Event:
        """Pause while nothing can be written; go on in a new record once there is room again.

        Nothing moves without a record, so nothing is lost by waiting; after an outage that lasts
        the bench is latched, with the incident for which room was kept.
        """
        why = f"no record can be written: {error}"
        failed = events.Failed(self._now(), why)
        while True:
            self.state, commands = transition(self.rules, self.state, failed)
            for command in commands:
                if isinstance(command, events.Hold):
                    self.guard.hold(command.why)
                if isinstance(command, events.Latch):
                    self._latch(command.why)
            take = commands[-1]
            enough = measurements is not None and self.state.measurements >= measurements
            if not isinstance(take, events.Take) or enough or self._stopped():
                asked = "on request" if self._stopped() else "after the measurements asked for"
                return events.Ending(self._now(), asked)
            self._wait(take.after)
            with suppress(OSError):
                self._journal.close()
            try:
                self._journal = self._new_journal()
                self._journal.note("record", f"goes on here; {why}")
                self._write_status(0.0)
            except OSError as again:
                failed = events.Failed(self._now(), f"no record can be written: {again}")
            else:
                return events.Reopened(self._now(), "there is room for records again")

    def _began(self) -> events.Began:
        """Compare the first measurement with where the axes were left; in doubt start paused."""
        for words in set_damaged_aside(self.folder):
            self._journal.note("incident", words)
        found = doubts(self.folder, self._left.settled)
        now = self._now()
        return events.Began(now, self._left.sighting(now), found)

    def _go(self, event: events.Event) -> tuple[events.Command, ...]:
        """Let the state take ``event``; keep for the next watch what it has to know."""
        self.state, commands = transition(self.rules, self.state, event)
        settled = [*self._left.settled, *self.state.settled]
        self._left.settled = list(dict.fromkeys(settled))
        if isinstance(event, events.Measured) and not self.state.holding:
            self._leave(event.seen.positions)
        return commands

    def _carry_out(
        self, commands: tuple[events.Command, ...], measurements: int | None
    ) -> events.Event | None:
        """Carry ``commands`` out; return what came of the last one."""
        for command in commands:
            match command:
                case events.Say(decision, evidence):
                    self._say(decision, evidence)
                case events.Tell(words):
                    self._journal.note("noise", words)
                    if self.remark is not None:
                        self.remark(words)
                case events.Hold(why):
                    self.guard.hold(why)
                case events.Release():
                    self.guard.release()
                case events.Latch(why):
                    self._latch(why)
                case events.Take(after, frames):
                    return self._next(after, measurements) or self._measure(frames)
                case events.Realign(reason, frames):
                    return self._realign(reason, frames)
                case events.Reopen(after):
                    return self._next(after, measurements) or self._reopen()
        return None

    def _next(self, after: float, measurements: int | None) -> events.Event | None:
        """Wait; return the end where it is time for it, and where time itself was interrupted."""
        enough = measurements is not None and self.state.measurements >= measurements
        if not enough:
            self._beat(after, due=True)
            self._housekeeping()
            if held := self._wait(after):
                return events.Held(self._now(), held)
        if self._stopped():
            return events.Ending(self._now(), "on request")
        return events.Ending(self._now(), "after the measurements asked for") if enough else None

    # Measuring ---------------------------------------------------------------------------------

    def _measure(self, frames: int) -> events.Event:
        try:
            self._last = self._take(frames)
        except JournalError:
            raise
        except AlignError as error:
            if self._stopped():
                return events.Ending(self._now(), "on request")
            return events.Failed(self._now(), f"{type(error).__name__}: {error}", _kind(error))
        wall = self.bench.clock.wall().astimezone()
        ends = [end for w in self.policy.quiet if (end := w.until(wall)) is not None]
        quiet = f"{max(ends):%H:%M}" if ends else ""
        return events.Measured(
            self._last, frames, self.local() or self.guard.interlock_open(), quiet
        )

    def _take(self, frames: int) -> WatchMeasurement:
        known = self.state.drift
        # Whether the beam goes through a focus is asked once after each move: a beam that drifts
        # cannot begin to without leaving its spec, and the answer takes a fit of the whole bench.
        asked = known is not None and known.seen > 0
        session = Session.for_bench(
            self.bench, _Standing(), rng=np.random.default_rng(0), recent=self._recent,
            frames=frames, **({"layout": None} if asked else {}),
        )  # fmt: skip
        told: list[Event] = []
        self._run(session, told.append).carry_out()
        if session.last is None:
            raise HeldError("stopped before the measurement.")
        if not session.last.ok and not session.last.profiles and not self._all_read(told[0]):
            raise DetectorError(f"no detector gave anything of use: {session.last.failure}")
        number = self.state.measurements + 1
        look = Measure(number, 0.0, session.frames, "watch", Purpose.WATCH)
        self._journal.look(look, session.positions, session.last)
        return WatchMeasurement(self._now(), session.last, dict(session.positions))

    def _run(self, session: Session, progress: Callable[[Event], None] | None = None) -> Run:
        """Compose one part of the watch; all parts have the same observers."""

        def alive(event: Event) -> None:
            self._beat(0.0)
            if progress is not None:
                progress(event)

        return Run(
            self.bench, session, "watch", self.state.realignments, self.guard, alive,
            self.stop, self._observers,
        )  # fmt: skip

    def _all_read(self, event: Event) -> bool:
        """Whether every detector gave numbers: where these do not do, none is broken."""
        given = event.exposures or {}
        read = (e and all(isinstance(r, Reading) for r in e) for e in given.values())
        return given.keys() == self.bench.detectors.keys() and all(read)

    # Moving ------------------------------------------------------------------------------------

    def _realign(self, reason: str, frames: int) -> events.Event:
        if who := self.local() or self.guard.interlock_open():
            return events.Realigned(self._now(), True, 0, who)
        path = self._free("realign", numbered=True)
        self.guard.travelled = dict.fromkeys(self.guard.axes, 0.0)
        strategy = self.make_strategy()
        session = Session.for_bench(
            self.bench, strategy, budget=self.budget, calibration=self.calibration.data,
            rng=np.random.default_rng(self.state.realignments + 1), recent=self._recent,
            frames=frames,
        )  # fmt: skip
        record = {**self._described(strategy.name), "reason": reason}
        try:
            with Journal(path, self.bench.clock, record) as own:
                finish = self._run(session).carry_out(own)
            positions = self.bench.positions()
        except HeldError as error:
            return events.Realigned(self._now(), False, max(session.moves, 1), str(error))
        except AlignError as error:
            return events.Broke(self._now(), f"{type(error).__name__}: {error}", _kind(error))
        self._leave(positions)
        now = self._now()
        if finish.status is Status.STOPPED:
            return events.Ending(now, "on request, during a realignment, which is not finished")
        remark = self.calibration.unused(strategy)
        ending = f"{finish.reason} ({remark.rstrip('.')})" if remark else finish.reason
        self._journal.note("realigned", ending, file=path.name, in_spec=finish.in_spec)
        if finish.in_spec and session.moves:
            self.calibration.keep(strategy.calibration)
        left = WatchMeasurement(now, session.last, positions) if session.last else None
        return events.Realigned(now, finish.in_spec, session.moves, ending, left)

    def _latch(self, why: str) -> None:
        self.guard.make_safe(why)
        try:
            self.bench.bring_to_rest()
        except Exception as error:  # noqa: BLE001 - whatever it is, it must be said
            why += f"; stopping failed as well: {error}"
        try:
            self.incident = keep_incident(self.folder, why, self.bench.clock.wall()).number
        except (OSError, AlignError) as error:
            why += f"; this could not be written down: {error}"
        self.state = explained(self.state, why, self.incident)

    def _clear(self, incident: Incident | None) -> None:
        """After a person cleared why the bench was latched: count anew, let it move again."""
        if incident is None:
            return
        set_aside(self.folder, incident)
        self.incident = ""
        self._go(events.Cleared(self._now(), incident.number))
        if self.guard.latch is Bolt.SAFE:
            self.guard.clear_safe(f"whoever cleared incident {incident.number}")

    # Lines and people --------------------------------------------------------------------------

    def _reopen(self) -> events.Event:
        """Open every line again; only the devices that were there before are gone on with."""
        try:
            if self.reopen is not None:
                self.bench = self.reopen(self.bench)
            found = {n: d.identity() for n, d in self.bench.stages.items()}
            self.bench.stop()
        except AlignError as error:
            return events.Failed(self._now(), f"{type(error).__name__}: {error}", _kind(error))
        changed = [n for n, known in self._identities.items() if found.get(n) != known]
        if changed:
            name = changed[0]
            why = (
                f"controller {name} says it is {found.get(name)!r}, and was "
                f"{self._identities[name]!r} when the watch began: nothing is sent to it. Check "
                "the cables, with the beam blocked or at alignment power"
            )
            return events.Failed(self._now(), why, Trouble.STRANGER)
        self._recent = Recent()
        return events.Reopened(self._now())

    def _local_file(self) -> str:
        """Return who has the bench by the file in the folder."""
        path = self.folder / "local"
        if not path.exists():
            return ""
        try:
            who = path.read_text(encoding="utf-8", errors="replace")[:80].strip()
        except OSError:
            who = ""
        return f"a person has the bench ({who or path.name}); remove {path} to hand it back"

    def _clear_hands(self) -> None:
        """Have the scales of locked axes read while somebody is there, and hands clear after."""
        if self.bench.hand_axes:
            self.bench.statuses()
            self.bench.hands.confirm_clear()

    # Time --------------------------------------------------------------------------------------

    def _now(self) -> float:
        return self.bench.clock.now()

    def _wait(self, seconds: float) -> str:
        """Let time pass in slices, so that a stop is obeyed soon.

        Returned is why nothing is known of a part of it, "" as a rule: a slice that took far longer
        than it should (the process was held), or a time of day that ran ahead of the clock (the
        computer slept, or its clock was set). A time of day that was set back is only recorded.
        """
        clock = self.bench.clock
        end = self._now() + seconds
        while (left := end - self._now()) > 0 and not self._stopped():
            began, day = clock.now(), clock.wall()
            part = min(left, self._look)
            clock.sleep(part)
            late = clock.now() - began - part
            ahead = (clock.wall() - day).total_seconds() - (clock.now() - began)
            self._beat(left)
            if late > _STANDSTILL:
                return f"the process was held up for {span_of_time(late)}"
            if ahead > _STANDSTILL:
                return (
                    f"the computer slept, or its clock was set, by {span_of_time(ahead)}: nothing "
                    "is known of that time"
                )
            if ahead < -_STANDSTILL:
                self._journal.note("clock", f"the time of day was set back by {-ahead:.0f} s")
        return ""

    def _stopped(self) -> bool:
        return self.stop is not None and self.stop.is_set()

    def _beat(self, wait: float, due: bool = False) -> None:
        """Give a sign of life, if the last one was some time ago or one is ``due``."""
        if math.isfinite(self._beat_every) and (
            due or self._host.now() - self._beaten >= self._beat_every
        ):
            self._write_status(max(wait, 0.0))

    # Records -----------------------------------------------------------------------------------

    def _say(self, decision: Decision, evidence: Mapping[str, Any]) -> None:
        self._journal.note(
            "decision", decision.reason, step=decision.step.value, state=self.state.mode.value,
            **({"evidence": evidence} if evidence else {}),
        )  # fmt: skip
        if self.follow is not None:
            self.follow(self.bench.clock.wall(), decision)

    def _write_status(self, wait: float) -> None:
        now = self.state
        verdict = self._last.measurement.verdict if self._last else None
        known = now.mode is Mode.WATCHING and verdict is not None
        beat = self._host.wall().astimezone(UTC)
        self._beaten = self._host.now()
        self._status = WatchStatus(
            self.bench.name, now.mode.value, now.reason,
            self.bench.clock.wall().isoformat(timespec="seconds"),
            verdict.in_spec if known and verdict else None,
            verdict.merit if known and verdict else None,
            now.measurements, now.in_spec, now.realignments, now.realigned_in_spec, now.pauses,
            wait, self.incident or None, now.outages, now.frames, now.noise,
            beat.isoformat(timespec="seconds"),
            (beat + timedelta(seconds=_BELIEVE + 5.0 * now.frames)).isoformat(timespec="seconds"),
            **this_process(),
        )  # fmt: skip
        write_status(self.folder / STATUS, self._status)
        tell_manager(f"READY=1\nWATCHDOG=1\nSTATUS={now.mode}: {now.reason}"[:500])
        if self.notify is not None and now.mode is not self._notified:
            self.notify(status_facts(self._status))
        self._notified = now.mode

    def _leave(self, positions: Mapping[str, float]) -> None:
        """Keep for the next watch where the axes are as far as this one knows."""
        self._left.positions = dict(positions)
        now = dict(positions), tuple(self._left.settled)
        if now != self._kept:
            write_left(self.folder, self._left)
            self._kept = now

    def _housekeeping(self) -> None:
        """Once a day go on in a new file, and remove records that are too old or too many."""
        if self._now() - self._opened < 86400.0 * _JOURNAL_DAYS:
            return
        self._journal.close()
        self._journal = self._new_journal()
        gone = tidy(self.folder, self.keep, self._host.wall(), self._journal.path)
        if gone:
            self._journal.note("removed", f"{len(gone)} old records", files=gone)

    def _new_journal(self) -> Journal:
        self._opened = self._now()
        return Journal(self._free("watch"), self.bench.clock, self._described("watch"))

    def _described(self, strategy: str) -> dict[str, Any]:
        return {"bench": describe_bench(self.bench), "strategy": strategy, "seed": 0}

    def _free(self, stem: str, numbered: bool = False) -> Path:
        """Return a file name in the folder that no earlier record has."""
        taken = [
            int(number)
            for path in self.folder.glob(f"*{stem}-*.db")
            if (number := path.stem.rpartition("-")[2]).isdecimal()
        ]
        if numbered:
            return self.folder / f"{stem}-{max(taken, default=0) + 1:04d}.db"
        plain = self.folder / f"{stem}.db"
        free = not taken and not plain.exists()
        return plain if free else self.folder / f"{stem}-{max(taken, default=1) + 1}.db"


def _kind(error: AlignError) -> Trouble:
    if isinstance(error, WrongDeviceError):
        return Trouble.STRANGER
    return Trouble.LINE if isinstance(error, LinkError) else Trouble.DEVICE


class _Standing(Strategy):
    """The strategy of a measurement that moves nothing."""

    name = "watch"
    needs: frozenset[Need] = frozenset()

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield nothing."""
        yield from ()
