"""The state of a watch, and the one function that changes it: no I/O, no clock, no chance.

:func:`transition` is given the state and what happened, and returns the new state and what to do
about it. The service carries that out and reports what came of it as the next event. A watch is::

    watching ── something unexpected, a person at the bench, a device that fails ──► paused
    paused   ── the cause gone, and several measurements that agree ───────────────► watching
    any      ── motion that fails again and again, an outage that lasts, a defect ─► latched
    latched  ── a person clears the incident by its number ────────────────────────► paused
    any      ── asked to end ──────────────────────────────────────────────────────► ended

Nothing moves unless it is watching, and only after two measurements or more that agree.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from autoalign.core.axes import Axis
from autoalign.core.findings import Severity
from autoalign.messages.words import counted, term_label
from autoalign.spec.terms import Spec
from autoalign.watch.drift import SURPRISE, Drift, Outlook, noise_of
from autoalign.watch.events import (
    Began,
    Broke,
    Cleared,
    Command,
    Decision,
    Defect,
    End,
    Ending,
    Event,
    Failed,
    Held,
    Hold,
    Latch,
    Measured,
    Realign,
    Realigned,
    Release,
    Reopen,
    Reopened,
    Say,
    Step,
    Take,
    Tell,
    Trouble,
)
from autoalign.watch.policy import Policy, WatchMeasurement
from autoalign.watch.unexpected import unexpected

__all__ = ["Mode", "Rules", "WatchState", "explained", "transition"]

_HOUR, _DAY = 3600.0, 86400.0
_AGREE = 3.0
"""Standard deviations up to which a measurement agrees with those before it."""


class Mode(StrEnum):
    """What a watch is doing.

    Paused: nothing moves, measuring goes on, and it ends by itself once the cause is gone. Latched:
    nothing moves until a person clears the incident; the light is not switched. Ended: nobody
    watches any more.
    """

    WATCHING = "watching"
    PAUSED = "paused"
    LATCHED = "latched"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Rules:
    """What does not change while a watch runs."""

    policy: Policy
    axes: Mapping[str, Axis]
    spec: Spec
    frames: int = 1
    """Exposures for a measurement at least, whatever the noise."""


Outcome = tuple["WatchState", tuple[Command, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class WatchState:
    """Everything that a watch goes by.

    ``mode`` and, in words, its ``reason``, since ``since`` (s on the bench's clock); ``holding`` is
    why motion is paused, "" while it is not. ``drift`` is what is known of the beam; ``before`` the
    measurement before and ``first`` the one after the last move; ``steady`` those of a pause that
    agree. ``frames`` exposures for a measurement, and the ``noise`` of one of them in tolerances.
    ``rechecks`` and ``vetoed`` in a row. ``realigned`` tells when something was moved, ``broken``
    realignments in a row that broke off. ``trouble`` is a failure that still lasts, since
    ``trouble_since``, after so many ``tries``. ``measurements`` counts those that failed as well.
    ``doubts`` by record, and those ``settled``.
    """

    mode: Mode = Mode.WATCHING
    reason: str = ""
    since: float = 0.0
    holding: str = ""
    drift: Drift | None = None
    before: WatchMeasurement | None = None
    first: WatchMeasurement | None = None
    steady: tuple[WatchMeasurement, ...] = ()
    frames: int = 1
    noise: float = 0.0
    rechecks: int = 0
    vetoed: int = 0
    waits: int = 0
    realigned: tuple[float, ...] = ()
    broken: int = 0
    trouble: str = ""
    trouble_since: float = 0.0
    tries: int = 0
    doubts: Mapping[str, str] = field(default_factory=dict)
    settled: tuple[str, ...] = ()
    measurements: int = 0
    in_spec: int = 0
    realignments: int = 0
    realigned_in_spec: int = 0
    pauses: int = 0
    outages: int = 0

    @property
    def over(self) -> bool:
        """Whether nothing happens any more unless a person does something."""
        return self.mode in (Mode.LATCHED, Mode.ENDED)


def transition(rules: Rules, state: WatchState, event: Event) -> Outcome:  # noqa: PLR0911
    """Return the state after ``event``, and what to do; neither argument is changed.

    The commands are to be carried out in order. The last of them leads to the next event, unless
    the watch is latched or has ended.
    """
    match event:
        case Cleared():
            return _cleared(state, event)
        case Began():
            return _began(rules, state, event)
        case Defect():
            return _latched(state, event.time, event.why)
        case Ending():
            return _ended(state, event)
        case _ if state.over:
            return state, ()
        case Measured():
            return _measured(rules, state, event)
        case Failed():
            return _failed(rules, state, event)
        case Reopened():
            said = Decision(Step.HOLD, event.why)
            state = replace(state, steady=())
            return state, (Say(said), Take(0.0, state.frames))
        case Realigned():
            return _realigned(rules, state, event)
        case Broke():
            return _broke(rules, state, event)
        case Held():
            return _stood_still(rules, state, event)


def explained(state: WatchState, why: str, incident: str) -> WatchState:
    """Return a latched state with the number of its incident, and what else was found."""
    number = f" (incident {incident})" if incident else ""
    return replace(state, reason=f"{why}{number}", holding=why)


def _cleared(state: WatchState, event: Cleared) -> Outcome:
    if state.mode is not Mode.LATCHED:
        return state, ()
    why = f"incident {event.number} was cleared"
    fresh = replace(state, mode=Mode.PAUSED, holding=why, reason=why, since=event.time, broken=0)
    return replace(fresh, trouble="", tries=0, steady=(), first=None, before=None), ()


def _began(rules: Rules, state: WatchState, event: Began) -> Outcome:
    if state.mode is Mode.LATCHED:
        return state, (End(state.reason),)
    state = replace(state, first=state.first or event.left, doubts=dict(event.doubts))
    state = replace(state, trouble="", tries=0, steady=())
    if not event.doubts and not state.holding:
        state = _now(state, Mode.WATCHING, "begins", event.time)
        return state, (Take(0.0, state.frames),)
    why = state.holding or "; ".join(event.doubts.values())
    if event.doubts:
        why = f"{'; '.join(event.doubts.values())}; positions must be seen to be steady first"
    state, commands = _paused(rules, state, event.time, why)
    return state, (*commands[:-1], Take(0.0, state.frames))


def _measured(rules: Rules, state: WatchState, event: Measured) -> Outcome:
    now = event.seen
    state = replace(
        state,
        measurements=state.measurements + 1,
        in_spec=state.in_spec + now.measurement.in_spec,
        trouble="",
        tries=0,
    )
    state, told = _with_frames(rules, state, event)
    state, commands = _examined(rules, state, event)
    return state, (*told, *commands)


def _examined(rules: Rules, state: WatchState, event: Measured) -> Outcome:
    """See that nobody is at the bench and that nothing is odd before judging the beam."""
    now = event.seen
    if event.local:
        state = replace(state, steady=(), first=None, before=None)
        return _paused(rules, state, now.time, event.local)
    if state.holding:
        return _measured_paused(rules, state, event)
    odd = unexpected(rules.policy, rules.axes, state.before or state.first, now, state.first)
    if odd:
        state = replace(state, steady=(), first=None, before=None, drift=_unsettled(state))
        return _paused(rules, state, now.time, odd)
    return _judged(rules, state, event)


def _measured_paused(rules: Rules, state: WatchState, event: Measured) -> Outcome:
    """A measurement while paused: it counts if it agrees with those before it."""
    now, policy = event.seen, rules.policy
    before = state.steady[-1] if state.steady else state.first
    since = state.steady[0] if state.steady else None
    state = replace(state, first=None)
    odd = unexpected(policy, rules.axes, before, now, since)
    if odd:
        agree = (now,) if now.measurement.ok and before is not None else ()
        state = replace(state, steady=agree)
        return _still_paused(rules, state, now.time, f"still paused ({state.holding}); now: {odd}")
    state = replace(state, steady=(*state.steady, now), waits=0)
    if len(state.steady) < policy.steady:
        count = f"{len(state.steady)} of {policy.steady} steady measurements"
        return _still_paused(rules, state, now.time, f"still paused ({state.holding}); {count}")
    if _moved_lately(state, now.time, _DAY) >= policy.daily and not now.measurement.in_spec:
        state = replace(state, steady=state.steady[-policy.steady :])
        return _still_paused(rules, state, now.time, f"still paused ({state.holding})")
    state = replace(
        state,
        holding="",
        first=state.steady[0],
        before=state.steady[-1],
        steady=(),
        settled=(*state.settled, *state.doubts),
        doubts={},
        rechecks=0,
        drift=_unsettled(state),
    )
    state, commands = _judged(rules, state, event)
    return state, (() if state.holding else (Release(),)) + commands


def _judged(rules: Rules, state: WatchState, event: Measured) -> Outcome:
    """Decide by all measurements since the last move together."""
    now, policy, spec = event.seen, rules.policy, rules.spec
    verdict, parameters = now.measurement.verdict, now.measurement.parameters
    assert verdict is not None and parameters is not None  # noqa: PT018 - else it was unexpected
    first = state.first if state.first is not None and state.first.measurement.ok else now
    state = replace(state, before=now, first=first)
    vetoes = [f for f in verdict.findings if f.severity is Severity.VETO]
    if vetoes:
        return _doubtful(rules, state, now.time, "; ".join(map(str, vetoes)))
    drift = state.drift or Drift.begin(spec, parameters, now.time)
    drift, surprise = drift.learn(now.measurement, now.time)
    state = replace(state, drift=drift, vetoed=0)
    view = drift.outlook(spec, parameters, policy.ahead * policy.interval)
    evidence = _evidence(drift, view, event)
    agree = drift.seen >= 2 and surprise < _AGREE
    certain = view.probability >= policy.sure and agree
    open_question = view.probability >= policy.doubt and not certain
    words = _words(view, policy)
    if surprise > SURPRISE:
        words = f"the beam changed by more than noise and drift can explain; {words}"
    if open_question and agree and view.of_drift:
        waits, commands = _waits(rules, replace(state, rechecks=0), now.time, words, evidence)
        return waits, (*commands[:-1], Take(policy.interval / 4, state.frames))
    if open_question and (state.rechecks < policy.rechecks or not agree):
        state = replace(state, rechecks=state.rechecks + 1)
        state = _now(state, Mode.WATCHING, words, now.time)
        said = Decision(Step.CONFIRM, f"{words}; measuring again before anything moves")
        more = min(16 * state.frames, max(policy.most_frames, state.frames))
        return state, (Say(said, evidence), Take(policy.recheck, more))
    state = replace(state, rechecks=0)
    if certain:
        return _wanted(rules, state, event, words, evidence)
    in_spec = verdict.in_spec
    calm = f"in spec, merit {verdict.merit:.2f}" if in_spec else f"no reason to move: {words}"
    return _waits(rules, state, now.time, calm, evidence)


def _wanted(
    rules: Rules, state: WatchState, event: Measured, words: str, evidence: Mapping[str, Any]
) -> Outcome:
    """Realign, unless it is not the time for it."""
    policy, time = rules.policy, event.seen.time
    if event.quiet:
        waits = f"{words}; not realigned before {event.quiet}, when the quiet window ends"
        return _waits(rules, state, time, waits, evidence)
    if (count := _moved_lately(state, time, _DAY)) >= policy.daily:
        why = (
            f"{counted(count, 'realignment')} within 24 h did not keep the beam in spec; a person "
            "should check for the cause, with the beam blocked or at alignment power"
        )
        return _paused(rules, state, time, why)
    if (count := _moved_lately(state, time, _HOUR)) >= policy.hourly:
        waits = f"{words}; {counted(count, 'realignment')} within an hour, so the next one waits"
        return _waits(rules, state, time, waits, evidence)
    state = _now(state, Mode.WATCHING, words, time)
    said = Say(Decision(Step.REALIGN, words), evidence)
    return state, (said, Realign(words, state.frames))


def _doubtful(rules: Rules, state: WatchState, time: float, why: str) -> Outcome:
    """A measurement that must not be believed: take another, and pause where it stays so."""
    if state.vetoed:
        return _paused(rules, replace(state, vetoed=0), time, why)
    state = _now(replace(state, vetoed=1), Mode.WATCHING, why, time)
    said = Decision(Step.CONFIRM, f"{why}; measuring again")
    return state, (Say(said), Take(rules.policy.recheck, state.frames))


def _realigned(rules: Rules, state: WatchState, event: Realigned) -> Outcome:
    before = state.before.measurement.merit if state.before is not None else 0.0
    known = state.drift.after_move(before) if state.drift is not None else None
    state = replace(state, broken=0, rechecks=0, drift=known)
    if event.moves:
        recent = tuple(t for t in state.realigned if event.time - t < _DAY)
        state = replace(
            state, realigned=(*recent, event.time), first=event.left, before=event.left, steady=()
        )
    elif event.in_spec:
        return _waits(rules, state, event.time, f"nothing was moved: {event.why}", {})
    state = replace(state, realignments=state.realignments + 1)
    if not event.in_spec:
        why = f"a realignment did not reach the spec: {event.why}"
        return _paused(rules, replace(state, steady=()), event.time, why)
    state = replace(state, realigned_in_spec=state.realigned_in_spec + 1)
    return _waits(rules, state, event.time, f"realigned: {event.why}", {})


def _broke(rules: Rules, state: WatchState, event: Broke) -> Outcome:
    state = replace(
        state,
        realigned=(*state.realigned, event.time),
        broken=state.broken + 1,
        realignments=state.realignments + 1,
        drift=_unsettled(state),
        first=None,
        before=None,
        steady=(),
    )
    why = f"a realignment broke off: {event.why}"
    if event.kind is Trouble.STRANGER:
        return _latched(state, event.time, why)
    if state.broken >= rules.policy.broken:
        count = counted(state.broken, "realignment")
        return _latched(state, event.time, f"{count} in a row broke off, the last: {event.why}")
    state, commands = _paused(rules, state, event.time, why)
    if event.kind is Trouble.LINE:
        return state, (*commands[:-1], Reopen(_back_off(rules.policy, 0)))
    return state, commands


def _stood_still(rules: Rules, state: WatchState, event: Held) -> Outcome:
    """Go on only once positions are those of before, and the beam is steady."""
    state = replace(state, steady=(), first=state.before, drift=_unsettled(state))
    state, commands = _paused(rules, state, event.time, event.why)
    return state, (*commands[:-1], Take(0.0, state.frames))


def _failed(rules: Rules, state: WatchState, event: Failed) -> Outcome:
    """A device fails: however often it is asked meanwhile, it is one outage until it answers."""
    policy = rules.policy
    if not state.trouble:
        state = replace(
            state, trouble=event.why, trouble_since=event.time, tries=0, outages=state.outages + 1
        )
    state = replace(state, steady=(), tries=state.tries + 1, measurements=state.measurements + 1)
    lasted = event.time - state.trouble_since
    if event.kind is Trouble.STRANGER:
        return _latched(state, event.time, event.why)
    if lasted >= policy.outage:
        return _latched(state, event.time, f"no answer for {lasted / _HOUR:.1f} h: {event.why}")
    state, commands = _paused(rules, state, event.time, event.why)
    wait = _back_off(policy, state.tries - 1)
    again = Reopen(wait) if event.kind is Trouble.LINE else Take(wait, state.frames)
    return state, (*commands[:-1], again)


def _ended(state: WatchState, event: Ending) -> Outcome:
    if state.over:
        return state, ()
    paused = f", while paused: {state.holding}" if state.holding else ""
    state = _now(state, Mode.ENDED, f"ended {event.why}{paused}", event.time)
    return state, (End(state.reason),)


def _latched(state: WatchState, time: float, why: str) -> Outcome:
    if state.mode is Mode.LATCHED:
        return state, ()
    state = replace(_now(state, Mode.LATCHED, why, time), holding=why)
    return state, (Say(Decision(Step.LATCH, why)), Latch(why))


def _paused(rules: Rules, state: WatchState, time: float, why: str) -> Outcome:
    """Pause, or stay paused; nothing moves from here on."""
    if state.holding:
        return _still_paused(rules, state, time, why)
    state = replace(_now(state, Mode.PAUSED, why, time), holding=why, waits=0)
    state = replace(state, pauses=state.pauses + 1, rechecks=0)
    said = Say(Decision(Step.HOLD, why))
    return state, (Hold(why), said, Take(_back_off(rules.policy, 0), state.frames))


def _still_paused(rules: Rules, state: WatchState, time: float, why: str) -> Outcome:
    wait = rules.policy.recheck if state.steady else _back_off(rules.policy, state.waits)
    state = replace(_now(state, Mode.PAUSED, why, time), waits=min(state.waits + 1, 64))
    return state, (Hold(state.holding), Say(Decision(Step.HOLD, why)), Take(wait, state.frames))


def _waits(
    rules: Rules, state: WatchState, time: float, why: str, evidence: Mapping[str, Any]
) -> Outcome:
    if state.holding:
        return _still_paused(rules, state, time, why)
    state = _now(state, Mode.WATCHING, why, time)
    said = Say(Decision(Step.STAND, why), evidence)
    return state, (said, Take(rules.policy.interval, state.frames))


def _now(state: WatchState, mode: Mode, why: str, time: float) -> WatchState:
    since = state.since if mode is state.mode else time
    return replace(state, mode=mode, reason=why, since=since)


def _unsettled(state: WatchState) -> Drift | None:
    return None if state.drift is None else state.drift.without_level()


def _back_off(policy: Policy, tries: int) -> float:
    """Return the wait before the next try, s: doubled each time, up to the interval."""
    return float(min(policy.recheck * 2.0 ** min(tries, 32), max(policy.interval, policy.recheck)))


def _moved_lately(state: WatchState, time: float, within: float) -> int:
    return sum(time - t < within for t in state.realigned)


def _with_frames(
    rules: Rules, state: WatchState, event: Measured
) -> tuple[WatchState, tuple[Tell, ...]]:
    """Return the state with as many exposures as the noise needs; changed only if by much."""
    if event.seen.measurement.verdict is None:
        return state, ()
    noise = noise_of(event.seen.measurement, rules.spec, event.frames)
    wanted = rules.policy.frames_for(noise, rules.spec.guard)
    frames = max(min(wanted, rules.policy.most_frames), rules.frames)
    if state.noise > 0 and state.frames >= frames > state.frames / 3:
        return state, ()
    told = _noise_words(noise, wanted, frames)
    worth = wanted > rules.frames or state.noise > 0
    return replace(state, frames=frames, noise=noise), (Tell(told),) if worth else ()


def _noise_words(noise: float, wanted: int, frames: int) -> str:
    words = f"one exposure has a noise of {noise:.2g} tolerances of the worst term"
    if wanted <= frames:
        return f"{words}; {counted(frames, 'exposure')} are averaged for a measurement"
    return (
        f"{words}, too large for this spec: {wanted} exposures would have to be averaged to keep "
        f"the guard band within half the tolerance, and {frames} is the most allowed. Give it more "
        "light or a wider tolerance; until then the beam can be kept, but rarely shown, in spec"
    )


def _evidence(drift: Drift, view: Outlook, event: Measured) -> dict[str, Any]:
    return {
        "probability": view.probability,
        "term": view.term,
        "share": view.share,
        "sigma": view.sigma,
        "drift_per_hour": view.rate,
        "together": drift.seen,
        "frames": event.frames,
        "scatter": float(drift.scatter.max()),
    }


def _words(view: Outlook, policy: Policy) -> str:
    likely = min(max(round(100 * view.probability), 1), 99)
    when = "before the next measurement" if policy.ahead else "now"
    return (
        f"{term_label(view.term)} at {view.share:.2f} ± {view.sigma:.2f} of its tolerance, drift "
        f"{view.rate:.2g} tolerances an hour: out of spec {when} with a probability of {likely} %"
    )
