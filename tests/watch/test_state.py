"""What a watch decides, on made-up measurements."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from autoalign.beam.profile import Use
from autoalign.core.errors import UsageError
from autoalign.watch.events import (
    Began,
    Broke,
    Cleared,
    Command,
    Defect,
    Ending,
    Failed,
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
from autoalign.watch.policy import Policy, Quiet, WatchMeasurement
from autoalign.watch.state import Mode, Rules, WatchState, transition


def began(rules: Rules) -> WatchState:
    """A watch that has just begun."""
    return transition(rules, WatchState(), Began(0.0))[0]


def steps(rules: Rules, seen: Iterable[WatchMeasurement], state: WatchState | None = None) -> list:
    """What is decided after each of ``seen``."""
    state = state or began(rules)
    decided = []
    for measurement in seen:
        state, commands = transition(rules, state, Measured(measurement))
        decided.append(said(commands))
    return decided


def said(commands: Iterable[Command]) -> Step:
    """The decision among ``commands``."""
    return next(c.decision.step for c in commands if isinstance(c, Say))


def test_in_spec_stands(rules, made) -> None:
    """Nothing moves while the beam is in spec."""
    assert steps(rules, (made(600.0 * k, 0.3) for k in range(5))) == [Step.STAND] * 5


def test_out_of_spec_is_confirmed_before_anything_moves(rules, made) -> None:
    """One measurement never moves an axis; two that agree do."""
    found = steps(rules, [made(0, 0.2), made(600, 1.5), made(605, 1.5)])
    assert found == [Step.STAND, Step.CONFIRM, Step.REALIGN]


def test_a_passing_outlier_moves_nothing(rules, made) -> None:
    """If the measurement after it is fine again, nothing happens."""
    found = steps(rules, [made(0, 0.2), made(600, 1.5), made(605, 0.2), made(610, 0.2)])
    assert Step.REALIGN not in found
    assert found[-1] is Step.STAND


def test_a_drift_out_of_spec_is_met_before_it_gets_there(rules, made) -> None:
    """A drift of 0.1 tolerances a measurement is met at 0.9, before the spec is left."""
    found = steps(rules, (made(600.0 * k, 0.1 * k) for k in range(11)))
    assert Step.REALIGN in found
    assert found.index(Step.REALIGN) in (9, 10)


@pytest.mark.parametrize("noise", [0.05, 0.3, 0.6])
def test_noise_on_a_bench_at_rest_moves_nothing(rules, made, noise: float) -> None:
    """18 realignments in 3 days were once made at 0.3, 17 of them needless; now none in 3 days."""
    rng = np.random.default_rng(int(100 * noise))
    state, commands, time = began(rules), (Take(0.0, 1),), 0.0
    realigned = paused = 0
    while time < 3 * 86400:
        take = commands[-1]
        assert isinstance(take, Take)
        time += take.after + 0.1
        u = noise / np.sqrt(take.frames)
        seen = made(time, 0.3 + u * rng.normal(), noise=u)
        state, commands = transition(rules, state, Measured(seen, take.frames))
        realigned += any(isinstance(c, Realign) for c in commands)
        paused += state.mode is Mode.PAUSED
    assert (realigned, paused) == (0, 0)


def test_more_exposures_are_averaged_where_one_is_too_noisy(rules, made) -> None:
    """At 0.6 tolerances four do, and a person is told."""
    state, commands = transition(rules, began(rules), Measured(made(0, 0.1, noise=0.6)))
    told = [c.words for c in commands if isinstance(c, Tell)]
    assert state.frames == 4
    assert told == [
        "one exposure has a noise of 0.6 tolerances of the worst term; 4 exposures are averaged "
        "for a measurement"
    ]


def test_noise_too_large_for_the_spec_is_said_with_how_many_exposures_would_do(rules, made) -> None:
    """At 5 tolerances 271 would, and 64 are allowed."""
    state, commands = transition(rules, began(rules), Measured(made(0, 0.1, noise=5.0)))
    words = next(c.words for c in commands if isinstance(c, Tell))
    assert "too large for this spec: 271 exposures" in words
    assert state.frames == 64


@pytest.mark.parametrize(
    ("odd", "words"),
    [
        ({"residual": None, "use": Use.NOTHING}, "no light at any plane"),
        ({"residual": 0.2, "power": 1e5}, "10 % without a move: check the source"),
        ({"residual": 0.2, "position": 0.05}, "without a command: moved by hand"),
        ({"residual": 9.0}, "jumped by 8.8 tolerances without a move"),
        ({"residual": None}, "could not be judged"),
    ],
)
def test_the_unexpected_pauses_and_says_what(rules, made, odd, words: str) -> None:
    """Darkness, a source fault, a hand on the bench, a knock: pause, with the finding in words."""
    state, _ = transition(rules, began(rules), Measured(made(0, 0.2)))
    state, commands = transition(rules, state, Measured(made(600, **odd)))
    assert state.mode is Mode.PAUSED
    assert words in state.reason
    assert isinstance(commands[0], Hold)


def test_a_pause_ends_by_itself_only_after_steady_measurements(rules, made) -> None:
    """Light that comes back must be seen three times, and steady, before the watch goes on."""
    dark = made(600, None, use=Use.NOTHING)
    found = steps(
        rules,
        [made(0, 0.2), dark, made(605, 0.2), dark, made(615, 0.2), made(620, 0.2), made(625, 0.2)],
    )
    assert found == [Step.STAND, *[Step.HOLD] * 5, Step.STAND]


def test_a_long_pause_is_measured_less_and_less_often(rules, made) -> None:
    """A shutter that stays closed for a day does not cost ten thousand measurements."""
    state, waits = began(rules), []
    for k in range(12):
        dark = made(600.0 * k, None, use=Use.NOTHING)
        state, commands = transition(rules, state, Measured(dark))
        waits.append(commands[-1].after)
    assert waits[:3] == [5.0, 5.0, 10.0]
    assert waits[-1] == 600.0


def test_after_a_knock_it_realigns_once_things_are_steady(rules, made) -> None:
    """A mount moved by hand: pause, see it steady, confirm, realign; never chase in real time."""
    found = steps(
        rules, [made(0, 0.2), made(600, 9.0), *(made(605 + 5 * k, 9.0) for k in range(4))]
    )
    assert found == [Step.STAND, *[Step.HOLD] * 3, Step.CONFIRM, Step.REALIGN]


def test_a_person_at_the_bench_pauses_until_they_are_gone(rules, made) -> None:
    """Whatever they turn meanwhile is not chased; afterwards all must be steady."""
    state, _ = transition(rules, began(rules), Measured(made(0, 0.2)))
    for k in range(3):
        mine = Measured(made(600 + 5 * k, 3.0 * k, position=0.1 * k), local="Kim has the bench")
        state, commands = transition(rules, state, mine)
        assert state.mode is Mode.PAUSED
        assert not any(isinstance(c, Realign) for c in commands)
    found = steps(rules, (made(700 + 5 * k, 0.2, position=0.2) for k in range(3)), state)
    assert found == [Step.HOLD, Step.HOLD, Step.STAND]


def certain(rules: Rules, made, at: float, state: WatchState, quiet: str = ""):
    """The outcome of two measurements at ``at`` that are out of spec."""
    for k in range(3):
        event = Measured(made(at + 5 * k, 1.5), quiet=quiet)
        state, commands = transition(rules, state, event)
        if said(commands) is not Step.CONFIRM:
            return state, commands
    raise AssertionError("still open")


def test_nothing_is_realigned_in_a_quiet_window(rules, made) -> None:
    """It waits, goes on measuring, and says until when."""
    state, commands = certain(rules, made, 0.0, began(rules), quiet="07:00")
    assert said(commands) is Step.STAND
    assert "not realigned before 07:00" in state.reason


def test_a_quiet_window_may_pass_midnight() -> None:
    """Both ends are local times of day."""
    night = Quiet.read("22:00-06:30")
    assert night.until(datetime(2030, 1, 1, 23, tzinfo=UTC)) == datetime(
        2030, 1, 2, 6, 30, tzinfo=UTC
    )
    assert night.until(datetime(2030, 1, 2, 5, tzinfo=UTC)) == datetime(
        2030, 1, 2, 6, 30, tzinfo=UTC
    )
    assert night.until(datetime(2030, 1, 2, 12, tzinfo=UTC)) is None
    with pytest.raises(UsageError, match='for instance "08:00-18:30"'):
        Quiet.read("at night")


def test_realignments_within_an_hour_are_limited_and_the_next_one_waits(made, rules) -> None:
    """The limit of an hour is no pause."""
    few = replace(rules, policy=replace(rules.policy, hourly=1))
    state, commands = certain(few, made, 0.0, began(few))
    assert isinstance(commands[-1], Realign)
    state, _ = transition(few, state, Realigned(20.0, True, 1, "well", made(20, 0.1)))
    state, commands = certain(few, made, 600.0, state)
    assert said(commands) is Step.STAND
    state, commands = certain(few, made, 4000.0, state)
    assert isinstance(commands[-1], Realign)


def test_realigning_that_does_not_help_ends_in_a_pause(rules, made) -> None:
    """After the allowed number of a day a person is asked for; it goes on once back in spec."""
    few = replace(rules, policy=replace(rules.policy, daily=2, hourly=9))
    state = began(few)
    for k in range(2):
        state, commands = certain(few, made, 100.0 * k, state)
        assert isinstance(commands[-1], Realign)
        after = made(100 * k + 20, 0.1)
        state, _ = transition(few, state, Realigned(100.0 * k + 20, True, 1, "well", after))
    state, _ = certain(few, made, 300.0, state)
    assert state.mode is Mode.PAUSED
    assert "a person should check" in state.reason
    assert steps(few, (made(310 + 5 * k, 1.5) for k in range(8)), state) == [Step.HOLD] * 8
    assert steps(few, (made(400 + 5 * k, 0.2) for k in range(5)), state)[-1] is Step.STAND


def test_a_realignment_that_moved_nothing_counts_as_none(rules, made) -> None:
    """Its own first measurement found the beam in spec."""
    state, commands = certain(rules, made, 0.0, began(rules))
    before = state.realignments
    state, commands = transition(rules, state, Realigned(20.0, True, 0, "in spec", made(20, 0.9)))
    assert (before, state.realignments, state.realigned) == (0, 0, ())
    assert said(commands) is Step.STAND


def test_what_follows_a_realignment_is_held_against_how_it_left_the_bench(rules, made) -> None:
    """A knock, a hand or a changed source between a realignment and the next measurement."""
    for odd, words in (
        ({"residual": 66.0}, "jumped"),
        ({"residual": 0.1, "position": 0.05}, "is 0.05 mm from where it was left"),
        ({"residual": 0.1, "power": 1e5}, "changed to 10 %"),
    ):
        state, _ = transition(rules, began(rules), Realigned(9.0, True, 1, "well", made(9, 0.1)))
        state, _ = transition(rules, state, Measured(made(600, **odd)))
        assert state.mode is Mode.PAUSED
        assert words in state.reason


def test_a_source_that_fades_slowly_is_seen_however_long_ago_the_move_was(rules, made) -> None:
    """Power that falls by 3 % from one measurement to the next pauses once it is halved."""
    found = steps(rules, (made(600.0 * k, 0.2, power=1e6 * 0.97**k) for k in range(25)))
    assert found[:23] == [Step.STAND] * 23
    assert found[23] is Step.HOLD


def test_an_axis_that_creeps_by_small_steps_is_seen(rules, made) -> None:
    """Twice 4 µm, each within the 7 µm that readings may differ by, are 8 µm without a command."""
    found = steps(rules, (made(600.0 * k, 0.2, position=0.004 * k) for k in range(3)))
    assert found == [Step.STAND, Step.STAND, Step.HOLD]


def test_a_fading_source_does_not_end_a_pause(rules, made) -> None:
    """Measurements of a pause are steady only if they agree with the first of them too."""
    fading = (made(600 + 5.0 * k, 0.2, power=1e5 / 1.5**k) for k in range(12))
    assert steps(rules, [made(0, 0.2), *fading])[1:] == [Step.HOLD] * 12


def test_an_outage_is_one_event_however_often_the_line_is_tried(rules, made) -> None:
    """A controller silent for some seconds once ended the watch: 3 failures counted 3 times."""
    state, _ = transition(rules, began(rules), Measured(made(0, 0.2)))
    waits = []
    for k in range(8):
        state, commands = transition(rules, state, Failed(600.0 + 9 * k, "silent", Trouble.LINE))
        assert isinstance(commands[-1], Reopen)
        waits.append(commands[-1].after)
    assert waits[:4] == [5.0, 10.0, 20.0, 40.0]
    assert (state.outages, state.mode) == (1, Mode.PAUSED)
    state, commands = transition(rules, state, Reopened(700.0))
    assert commands[-1] == Take(0.0, state.frames)
    found = steps(rules, (made(705 + 5 * k, 0.2) for k in range(3)), state)
    assert found == [Step.HOLD, Step.HOLD, Step.STAND]


def test_an_outage_that_lasts_latches(rules) -> None:
    """A person has to look after a device that does not answer for a day."""
    state, _ = transition(rules, began(rules), Failed(0.0, "no frame"))
    state, commands = transition(rules, state, Failed(86400.0, "no frame"))
    assert isinstance(commands[-1], Latch)
    assert "no answer for 24.0 h: no frame" in state.reason


def test_a_stranger_on_the_line_latches_at_once(rules) -> None:
    """Nothing is sent to a device that is not the one of the bench."""
    state, _ = transition(rules, began(rules), Failed(0.0, "who?", Trouble.STRANGER))
    assert state.mode is Mode.LATCHED


def test_realignments_that_break_off_again_and_again_latch(rules, made) -> None:
    """An axis that stalls is not driven for ever."""
    state = began(rules)
    for k in range(3):
        state, _ = transition(rules, state, Broke(100.0 * k, "axis x: stalled"))
    assert state.mode is Mode.LATCHED
    assert "3 realignments in a row broke off, the last: axis x: stalled" in state.reason


def test_a_latched_watch_ignores_everything_but_its_clearing(rules, made) -> None:
    """And begins paused after that."""
    latched, _ = transition(rules, began(rules), Defect(5.0, "a defect"))
    for event in (Measured(made(9, 0.1)), Failed(9.0, "x"), Reopened(9.0), Ending(9.0, "x")):
        assert transition(rules, latched, event) == (latched, ())
    state, _ = transition(rules, latched, Cleared(10.0, "7"))
    assert (state.mode, state.holding) == (Mode.PAUSED, "incident 7 was cleared")


def test_doubts_at_the_start_pause_until_all_was_seen_steady(rules, made) -> None:
    """They are settled then, and by nothing else."""
    doubts = {"realign-0001.db": "an earlier realignment was cut off"}
    state, commands = transition(rules, WatchState(), Began(0.0, None, doubts))
    assert isinstance(commands[0], Hold)
    released = []
    for k in range(3):
        state, commands = transition(rules, state, Measured(made(5.0 * k, 0.2)))
        released.append(any(isinstance(c, Release) for c in commands))
    assert released == [False, False, True]
    assert state.settled == ("realign-0001.db",)


def test_impossible_policies_are_refused() -> None:
    """Numbers that cannot be are named."""
    with pytest.raises(UsageError, match="interval must be larger than 0"):
        Policy(interval=0.0)
    with pytest.raises(UsageError, match="hourly must be 1 or more"):
        Policy(hourly=0)
    with pytest.raises(UsageError, match="doubt above 0 and at most sure"):
        Policy(sure=0.01)
