"""The watch as a state machine: whatever happens in whatever order, the rules hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from autoalign.beam.profile import Use
from autoalign.watch.drift import Drift
from autoalign.watch.events import (
    Began,
    Broke,
    Cleared,
    Defect,
    End,
    Ending,
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
    Take,
    Trouble,
)
from autoalign.watch.state import Mode, Rules, WatchState, transition

WHAT = st.sampled_from(
    ["fine", "fine", "out", "out", "dark", "hand", "knock", "local", "quiet", "silent", "line",
     "stranger", "reopened", "realigned", "nothing moved", "not reached", "broke", "begin",
     "clear", "end", "defect", "held"]
)  # fmt: skip


def event(what: str, time: float, made, noise: float):  # noqa: PLR0911, PLR0912 - a table in words
    """Make up what happens."""
    match what:
        case "fine":
            return Measured(made(time, 0.2, noise=noise))
        case "out":
            return Measured(made(time, 1.6, noise=noise))
        case "dark":
            return Measured(made(time, None, use=Use.NOTHING))
        case "hand":
            return Measured(made(time, 0.2, position=0.3))
        case "knock":
            return Measured(made(time, 30.0))
        case "local":
            return Measured(made(time, 1.6), local="Kim has the bench")
        case "quiet":
            return Measured(made(time, 1.6, noise=noise), quiet="07:00")
        case "silent":
            return Failed(time, "no frame")
        case "line":
            return Failed(time, "no answer", Trouble.LINE)
        case "stranger":
            return Failed(time, "who?", Trouble.STRANGER)
        case "reopened":
            return Reopened(time)
        case "realigned":
            return Realigned(time, True, 2, "well", made(time, 0.1))
        case "nothing moved":
            return Realigned(time, True, 0, "in spec")
        case "not reached":
            return Realigned(time, False, 2, "not in spec", made(time, 1.6))
        case "broke":
            return Broke(time, "stalled")
        case "begin":
            return Began(time)
        case "clear":
            return Cleared(time, "7")
        case "held":
            return Held(time, "the process stood still")
        case "end":
            return Ending(time, "on request")
    return Defect(time, "a defect")


def alike(a: object, b: object) -> bool:
    """Whether two states, or parts of them, are equal, arrays included."""
    if isinstance(a, WatchState | Drift) and type(a) is type(b):
        return all(alike(getattr(a, f.name), getattr(b, f.name)) for f in fields(a))
    if isinstance(a, np.ndarray):
        return np.array_equal(a, np.asarray(b))
    return a is b or a == b


@settings(max_examples=150)
@given(
    happened=st.lists(st.tuples(WHAT, st.sampled_from([1.0, 5.0, 600.0, 3601.0])), max_size=40),
    noise=st.sampled_from([1e-3, 0.3, 0.6]),
)
def test_the_rules_hold_whatever_happens(rules: Rules, made, happened, noise: float) -> None:
    """Nothing moves but while watching, after two measurements that agree, within the budgets."""
    state, time = WatchState(), 0.0
    agreeing, moved = 0, []
    for what, wait in happened:
        time += wait
        now = event(what, time, made, noise)
        kept = {f.name: getattr(state, f.name) for f in fields(state)}
        new, commands = transition(rules, state, now)
        again, same = transition(rules, state, now)
        assert alike(new, again), "the same twice gives the same"
        assert [type(c) for c in commands] == [type(c) for c in same]
        assert all(getattr(state, n) is v for n, v in kept.items()), "the old state is untouched"
        check_commands(state, new, commands, now)
        if any(isinstance(c, Realign) for c in commands):
            recent = [t for t in moved if time - t < 3600]
            assert len(recent) < rules.policy.hourly
            assert new.drift is not None
            assert new.drift.seen >= 2
        if isinstance(now, Realigned) and now.moves and not state.over:
            moved.append(time)
        if isinstance(now, Broke) and not state.over:
            moved.append(time)
        agreeing = agreeing + 1 if isinstance(now, Measured) and not now.local else 0
        if state.holding and not new.holding:
            assert agreeing >= rules.policy.steady
        if state.mode is Mode.LATCHED and new.mode is not Mode.LATCHED:
            assert what == "clear"
        check_counters(state, new)
        state = new


def check_commands(old: WatchState, new: WatchState, commands: tuple, now: object) -> None:
    """Look at what is commanded."""
    kinds = [type(c) for c in commands]
    leading = [k for k in kinds if k in (Take, Realign, Reopen)]
    if new.over or old.over:
        assert leading == [] or isinstance(now, Began)
        assert Realign not in kinds
    else:
        assert isinstance(now, Cleared) or len(leading) == 1
        assert not leading or kinds[-1] is leading[0]
    if Realign in kinds:
        assert new.mode is Mode.WATCHING
        assert not new.holding
        assert isinstance(now, Measured)
        assert not now.local
        assert not now.quiet
    if old.mode is Mode.WATCHING and new.mode is Mode.PAUSED:
        assert Hold in kinds
    if old.mode is Mode.PAUSED and new.mode is Mode.WATCHING and isinstance(now, Measured):
        assert Release in kinds
    if old.mode is not Mode.LATCHED and new.mode is Mode.LATCHED:
        assert Latch in kinds
    if old.mode is not Mode.ENDED and new.mode is Mode.ENDED:
        assert End in kinds
    assert not new.holding or new.mode is not Mode.WATCHING


def check_counters(old: WatchState, new: WatchState) -> None:
    """Nothing that was counted is forgotten."""
    counted: Mapping[str, int] = {
        n: getattr(new, n) - getattr(old, n)
        for n in (
            "measurements",
            "in_spec",
            "realignments",
            "realigned_in_spec",
            "pauses",
            "outages",
        )
    }
    assert all(step in (0, 1) for step in counted.values())
