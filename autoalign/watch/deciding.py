"""What to do after a measurement: pure decisions on what was measured, no I/O.

Wait, recheck to be sure, realign, or pause. While paused nothing moves and measuring goes on; a
pause ends by itself once its cause has been gone, and the picture steady, for several measurements.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.core.axes import Axis
from autoalign.spec.terms import TermValue, Verdict
from autoalign.watch.policy import Decision, Policy, Step, WatchMeasurement
from autoalign.watch.trend import trend
from autoalign.watch.unexpected import unexpected

__all__ = ["WatchHistory", "decide", "moved"]


@dataclass(slots=True, eq=False)
class WatchHistory:
    """What the decisions keep: measurements since the last move, pauses and realignments.

    ``guard`` is the spec's guard band in standard uncertainties; ``first`` the first measurement
    since the last move, that of the realignment itself where there was one; at the start it is
    where an earlier watch left the axes.
    """

    axes: Mapping[str, Axis]
    guard: float = 1.645
    seen: list[WatchMeasurement] = field(default_factory=list)
    steady: list[WatchMeasurement] = field(default_factory=list)
    first: WatchMeasurement | None = None
    holding: str = ""
    doubtful: bool = False
    realigned: list[float] = field(default_factory=list)


def decide(policy: Policy, past: WatchHistory, now: WatchMeasurement) -> Decision:
    """Decide after ``now`` and keep it in ``past``."""
    if past.holding:
        return _on_hold(policy, past, now)
    before = past.seen[-1] if past.seen else past.first
    odd = unexpected(policy, past.axes, before, now, past.first)
    if odd:
        past.holding, past.steady, past.first = odd, [], None
        return Decision(Step.HOLD, odd)
    if past.first is None or not past.first.measurement.ok:
        past.first = now
    past.seen = [*past.seen, now][-policy.history :]
    return _drifting(policy, past, now)


def moved(past: WatchHistory, at: float, left: WatchMeasurement | None = None) -> None:
    """Note that a realignment was carried out at ``at``, s: what was measured before is over.

    ``left`` is how it left the bench; the next measurement is compared with that.
    """
    past.seen, past.steady, past.first, past.doubtful = [], [], left, False
    past.realigned.append(at)


def _drifting(policy: Policy, past: WatchHistory, now: WatchMeasurement) -> Decision:
    verdict = now.measurement.verdict
    assert verdict is not None
    if not verdict.in_spec:
        reason = _shortfall(verdict)
    else:
        ahead = policy.ahead * policy.interval
        if np.all(trend(past.seen, ahead) <= _limits(verdict, past.guard)):
            past.doubtful = False
            return Decision(Step.STAND, f"in spec, merit {verdict.merit:.2f}")
        reason = f"the drift leaves the spec within {ahead:.0f} s"
    if not past.doubtful:
        past.doubtful = True
        return Decision(Step.CONFIRM, f"{reason}; measuring again before anything moves")
    recent = [t for t in past.realigned if now.time - t < policy.per]
    if len(recent) >= policy.realignments:
        past.holding = (
            f"{len(recent)} realignments within {policy.per:.0f} s did not keep the beam in spec; "
            "a person should check for the cause, with the beam blocked or at alignment power"
        )
        return Decision(Step.HOLD, past.holding)
    return Decision(Step.REALIGN, reason)


def _on_hold(policy: Policy, past: WatchHistory, now: WatchMeasurement) -> Decision:
    worn_out = [t for t in past.realigned if now.time - t < policy.per]
    before, past.first = (past.steady[-1] if past.steady else past.first), None
    odd = unexpected(policy, past.axes, before, now, past.steady[0] if past.steady else None)
    if odd:
        past.steady = [now] if now.measurement.ok and before is not None else []
        return Decision(Step.HOLD, f"still paused ({past.holding}); now: {odd}")
    past.steady = [*past.steady, now]
    if len(past.steady) < policy.steady:
        count = f"{len(past.steady)} of {policy.steady} steady measurements"
        return Decision(Step.HOLD, f"still paused ({past.holding}); {count}")
    if len(worn_out) >= policy.realignments and not now.measurement.in_spec:
        return Decision(Step.HOLD, f"still paused ({past.holding})")
    past.seen, past.first, past.steady = list(past.steady), past.steady[0], []
    past.holding, past.doubtful = "", False
    return _drifting(policy, past, now)


def _limits(verdict: Verdict, guard: float) -> npt.NDArray[np.float64]:
    """(n,) by component: 1 less the guard band of its own term as it is now, in tolerances."""
    limits = [1 - guard * t.uncertainty / t.tolerance for t in verdict.terms]
    return np.repeat(limits, [t.components.size for t in verdict.terms])


def _shortfall(verdict: Verdict) -> str:
    worst = max((t for t in verdict.terms if not t.in_spec), key=_share)
    if _share(worst) > 1:
        return f"{worst.name} is off by {_share(worst):.2f} times its tolerance"
    return (
        f"{worst.name} is at {_share(worst):.2f} of its tolerance, too close to the limit for its "
        "uncertainty"
    )


def _share(term: TermValue) -> float:
    return abs(term.deviation) / term.tolerance
