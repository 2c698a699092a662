"""The session by itself: rules of a run, without hardware."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.core.axes import Axis
from autoalign.core.errors import MissingNeedError, TravelLimitError, UsageError
from autoalign.core.interfaces import Reading
from autoalign.run.guard import MoveGuard
from autoalign.session import (
    Budget,
    Exposed,
    Finish,
    Measure,
    Move,
    Moved,
    Purpose,
    Refused,
    Replayed,
    Session,
    Status,
)
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Need, Strategy

AXES = {
    "a.x": Axis("a.x", "mm", -5.0, 5.0, backlash=0.1),
    "b.y": Axis("b.y", "mm", -5.0, 5.0, max_step=1.0),
}
SPEC = Spec((QuantityTerm("meter.q", 1.0),))


class Scripted(Strategy):
    """Yields the given places and remembers what it was told."""

    name = "scripted"
    needs = frozenset({Need.MERIT})

    def __init__(self, *places):
        self.places, self.told = places, []

    def propose(self, problem):
        """Yield the places."""
        self.problem = problem
        for place in self.places:
            self.told.append((yield place))


def no_measure(frame, **_):
    """Stand in for the measurement of frames."""
    raise AssertionError("there are no frames here")


def session(strategy, **settings):
    """Return a session over AXES and SPEC."""
    return Session(SPEC, AXES, strategy, measure=no_measure, **settings)


def backlash(session, value, *, settle_bug=False, refuse=(), u=0.0):
    """Carry a session out on paper; return its actions. ``value(x, y)`` is what is read."""
    now, at, actions = 0.0, {"a.x": 0.0, "b.y": 0.0}, []
    while not isinstance(action := session.next_action(), Finish):
        actions.append(action)
        now += 1.0
        if isinstance(action, Move):
            if action.number in refuse:
                session.observe(Refused("too far", now))
                continue
            at = {**at, **action.targets}
            session.observe(Moved(at, now - 1, now))
        else:
            started = action.not_before - 0.01 if settle_bug else max(now, action.not_before)
            q = value(at["a.x"], at["b.y"])
            exposures = [] if q is None else [Reading({"q": q}, {"q": u}, started=started)]
            session.observe(Exposed(at, {"meter": exposures}, now, now + 0.1))
    return [*actions, action]


def kinds(actions):
    """Return the names of the actions' classes."""
    return [type(a).__name__ for a in actions]


def test_in_spec_at_the_start_needs_one_look_and_no_move():
    """A beam that is in spec is left alone."""
    s = session(Scripted((1, 1)))
    actions = backlash(s, lambda x, y: 0.5)
    assert kinds(actions) == ["Measure", "Finish"]
    assert actions[-1].in_spec
    assert (s.measurements, s.moves) == (1, 0)


def test_stops_at_spec_with_a_look_after_the_last_move():
    """Success is claimed only from a look that began after the last move had settled."""
    s = session(Scripted((1, 0), (2, 0), (3, 0)), settle=0.4)
    actions = backlash(s, lambda x, y: 5 * (2 - x))
    assert kinds(actions) == ["Measure", "Move", "Measure", "Move", "Measure", "Finish"]
    assert actions[-1] == Finish(Status.IN_SPEC, True, actions[-1].reason)
    assert actions[4].not_before == pytest.approx(4.0 + 0.4)


def test_returns_to_the_best_position_and_verifies_there():
    """Out of ideas: back to the best place, one more look, no success claimed."""
    s = session(Scripted((1, 0), (2, 0), (3, 0)))
    actions = backlash(s, lambda x, y: 3 + abs(x - 1))
    assert kinds(actions)[-3:] == ["Move", "Measure", "Finish"]
    assert actions[-3].targets == {"a.x": 1.0}
    assert not actions[-1].in_spec
    assert "returned to the best" in actions[-1].reason
    assert "better than 4 at the start" in actions[-1].reason


def test_the_budget_counts_the_first_and_the_verifying_look():
    """Never more looks than allowed, the way back included."""
    s = session(Scripted(*[(0.1 * k, 0) for k in range(1, 40)]), budget=Budget(measurements=6))
    actions = backlash(s, lambda x, y: 5 + x)
    assert kinds(actions).count("Measure") == s.measurements == 6
    assert actions[-1].status is Status.BUDGET
    assert actions[-3].targets == {"a.x": 0.0}


def test_the_time_budget_ends_the_search_but_not_the_way_back():
    """After the time is up only the return to the best position is begun."""
    s = session(Scripted(*[(0.1 * k, 0) for k in range(1, 40)]), budget=Budget(seconds=7.0))
    actions = backlash(s, lambda x, y: 5 + x)
    assert actions[-1].status is Status.BUDGET
    assert 7.0 <= s.elapsed < 12.0
    assert actions[-3].targets == {"a.x": 0.0}


def test_a_look_that_fails_is_data():
    """An unmeasurable place reaches the strategy as an observation that is not ok."""
    strategy = Scripted((1, 0), (2, 0))
    actions = backlash(session(strategy), lambda x, y: None if x == 1 else 5 - x)
    assert [o.ok for o in strategy.told] == [False, True]
    assert strategy.told[0].merit == np.inf
    assert "not measured: meter.q" in strategy.told[0].failure
    assert kinds(actions)[-1] == "Finish"


def test_exposures_begun_before_settling_never_reach_a_decision():
    """Stale exposures make a look fail, however good they look."""
    strategy = Scripted((1, 0))
    s = session(strategy)
    actions = backlash(s, lambda x, y: 0.0, settle_bug=True)
    assert not actions[-1].in_spec
    assert "began after the axes had settled" in strategy.told[0].failure


def test_an_exposure_without_a_time_stamp_is_not_believed():
    """What cannot be shown to be fresh is not."""
    s = session(Scripted())
    s.observe(Exposed({"a.x": 0.0, "b.y": 0.0}, {"meter": [Reading({"q": 0.0})]}, 0.0, 1.0))
    assert s.first is not None
    assert not s.first.ok


def test_moves_go_over_the_legs_of_the_axis():
    """The last leg takes up the play, from the side that the axis names."""
    actions = backlash(session(Scripted((-1, 0))), lambda x, y: 5.0)
    assert actions[1].legs == {"a.x": (pytest.approx(-1.15), -1.0)}


def test_long_moves_go_in_steps_that_the_axis_allows():
    """No single move is longer than max_step; only the last place is looked at."""
    actions = backlash(session(Scripted((0, 2.5))), lambda x, y: 5.0)
    ends = [a.targets["b.y"] for a in actions if isinstance(a, Move)]
    assert ends[:3] == pytest.approx([2.5 / 3, 5 / 3, 2.5])
    assert kinds(actions)[:5] == ["Measure", "Move", "Move", "Move", "Measure"]


@pytest.mark.parametrize("limit", [-5.0, 5.0])
@pytest.mark.parametrize("here", [0.1, np.nextafter(5.0, 0.0), np.nextafter(-5.0, 0.0), 1 / 3])
def test_a_move_to_a_limit_ends_exactly_there(here, limit):
    """Wherever the axis reads back to stand, rounding never asks for a place beyond a limit."""
    s = session(Scripted((0, limit)))
    s.stand_at({"a.x": 0.0, "b.y": here})
    look = s.next_action()
    exposures = {"meter": [Reading({"q": 5.0}, {"q": 0.0}, started=1.0)]}
    s.observe(Exposed({"a.x": 0.0, "b.y": here}, exposures, 1.0, 1.1))
    assert isinstance(look, Measure)
    at = here
    while isinstance(move := s.next_action(), Move):
        at = move.targets["b.y"]
        assert -5.0 <= at <= 5.0
        s.observe(Moved({"a.x": 0.0, "b.y": at}, 2.0, 2.1))
    assert abs(at - limit) < 1e-12


def test_proposals_are_clipped_to_what_every_approach_can_reach():
    """Overshoot included, nothing is asked for outside the limits."""
    actions = backlash(session(Scripted((-9, 0))), lambda x, y: 5.0)
    assert actions[1].targets["a.x"] == pytest.approx(-5 + 0.15)
    assert min(actions[1].legs["a.x"]) >= -5


@pytest.mark.parametrize(
    ("start", "legs"),
    [
        (-5.0, (-5.0,)),
        (-4.9, (-5.0, -4.9)),
        (-4.5, (-4.65, -4.5)),
        (-5.0 - 5e-6, (-5.0,)),
        (5.0 + 5e-6, (5.0,)),
    ],
)
def test_an_axis_that_was_parked_at_a_limit_is_brought_home(start, legs):
    """Going back never needs room beyond a limit; a start that reads past it by noise is the limit.

    Play 0.1 mm, so the overshoot is 0.15 mm; the tolerance is 1e-5 mm.
    """
    s = session(Scripted((0.0, 0.0)))
    actions, at = [], start
    s.stand_at({"a.x": start, "b.y": 0.0})
    guard = MoveGuard(AXES)
    for now in range(1, 99):
        actions.append(s.next_action())
        if isinstance(actions[-1], Finish):
            break
        if isinstance(actions[-1], Move):
            guard.check(actions[-1], {"a.x": at, "b.y": 0.0})
            at = actions[-1].targets["a.x"]
            s.observe(Moved({"a.x": at, "b.y": 0.0}, now, now + 0.1))
        else:
            seen = {"meter": [Reading({"q": 9.0 + abs(at - start)}, {"q": 0.0}, started=now)]}
            s.observe(Exposed({"a.x": at, "b.y": 0.0}, seen, now, now + 0.1))
    home = [a for a in actions if isinstance(a, Move)][-1]
    assert home.returning
    assert home.legs["a.x"] == pytest.approx(legs)
    assert "returned to the start" in actions[-1].reason


def test_a_start_far_beyond_a_limit_is_not_called_reached():
    """Only a reading within the tolerance is taken for the limit; all else stays refused."""
    s = session(Scripted((0.0, 0.0)))
    s.stand_at({"a.x": -5.1, "b.y": 0.0})
    s.observe(Exposed({"a.x": -5.1, "b.y": 0.0}, {}, 1.0, 1.1))
    s.observe(Moved({"a.x": 0.0, "b.y": 0.0}, 2.0, 2.1))
    s.observe(Exposed({"a.x": 0.0, "b.y": 0.0}, {}, 3.0, 3.1))
    home = s.next_action()
    assert home.targets["a.x"] == -5.1
    with pytest.raises(TravelLimitError):
        MoveGuard(AXES).check(home, {"a.x": 0.0, "b.y": 0.0})


def test_a_held_part_never_moves():
    """Move the source or the mirror, not both."""
    strategy = Scripted((1,))
    actions = backlash(session(strategy, locked=("b",)), lambda x, y: 5.0)
    assert all(set(a.targets) == {"a.x"} for a in actions if isinstance(a, Move))
    assert strategy.problem.locked == {"b.y": 0.0}


def test_a_refused_move_ends_the_search_and_is_told():
    """The guard's refusal is no crash: the run ends at the best place it can verify."""
    s = session(Scripted((1, 0), (2, 0)))
    actions = backlash(s, lambda x, y: 5 - x, refuse=(2,))
    assert actions[-1].status is Status.REFUSED
    assert "too far" in actions[-1].reason


def test_a_way_back_that_is_refused_is_told():
    """It looks where it stands, and does not say that it returned."""
    s = session(Scripted((1, 0), (2, 0)))
    actions = backlash(s, lambda x, y: 5 + x, refuse=(3,))
    assert kinds(actions)[-3:] == ["Move", "Measure", "Finish"]
    assert actions[-3].returning
    assert "could not return to the start (too far)" in actions[-1].reason
    assert "worse than 5 at the start" in actions[-1].reason


@pytest.mark.parametrize(
    ("gain", "place"), [(0.1, "the start"), (2.0, "the best position measured")]
)
def test_what_is_better_by_noise_alone_is_not_better(gain, place):
    """Nothing found: the axes go home, not to the luckiest of all looks."""
    s = session(Scripted((1, 0), (2, 0)))
    actions = backlash(s, lambda x, y: 5 - gain * (x == 1), u=0.3)
    assert f"returned to {place}" in actions[-1].reason
    assert s.positions["a.x"] == (0.0 if place == "the start" else 1.0)


@pytest.mark.parametrize("distrusts", [False, True])
def test_what_drifts_into_spec_is_not_claimed_on_the_word_of_cameras_nobody_trusts(distrusts):
    """Back at the start the numbers meet the spec: that counts as long as they are believed."""
    strategy, values = Scripted((1, 0)), iter([9.0, 9.5, 0.1])
    strategy.distrusts = distrusts
    s = session(strategy)
    backlash(s, lambda _x, _y: next(values), u=0.1)
    assert s.last.in_spec
    assert s.finish.in_spec is not distrusts


def test_only_noise_in_the_way_is_met_with_a_closer_look():
    """Well within tolerance but too uncertain: the same place again, with more frames."""
    s = session(Scripted((1, 0)), frames=2)
    first = s.next_action()
    assert isinstance(first, Measure)
    s.observe(
        Exposed({"a.x": 0, "b.y": 0}, {"meter": [Reading({"q": 9.0}, started=0.0)]}, 0.0, 0.1)
    )
    s.observe(Moved({"a.x": 1.0, "b.y": 0.0}, 0.1, 1.0))
    at = {"a.x": 1.0, "b.y": 0.0}
    s.observe(Exposed(at, {"meter": [Reading({"q": 0.1}, {"q": 0.7}, started=2.0)]}, 2.0, 2.1))
    closer = s.next_action()
    assert isinstance(closer, Measure)
    # 0.7 of a tolerance is brought down to 0.15 by (0.7/0.15)² = 21.8 times as many.
    assert (closer.frames, closer.purpose) == (44, Purpose.CLOSER)
    s.observe(Exposed(at, {"meter": [Reading({"q": 0.1}, {"q": 0.1}, started=3.0)]}, 3.0, 3.1))
    assert s.finish is not None
    assert s.finish.in_spec


@pytest.mark.parametrize("value", [2.0, 2.2])
def test_more_frames_are_for_beams_that_may_be_inside_alone(value):
    """Up to 3 × 0.7 tolerances it may all be noise; beyond, the strategy goes on."""
    s = session(Scripted((1, 0), (2, 0)))
    assert isinstance(s.next_action(), Measure)
    s.observe(
        Exposed({"a.x": 0, "b.y": 0}, {"meter": [Reading({"q": 9.0}, started=0.0)]}, 0.0, 0.1)
    )
    s.observe(Moved({"a.x": 1.0, "b.y": 0.0}, 0.1, 1.0))
    at = {"a.x": 1.0, "b.y": 0.0}
    s.observe(Exposed(at, {"meter": [Reading({"q": value}, {"q": 0.7}, started=2.0)]}, 2.0, 2.1))
    assert isinstance(s.next_action(), Measure if value < 2.1 else Move)


def test_a_strategy_without_what_it_needs_is_refused_by_name():
    """The missing thing and the strategy are both named."""

    class NeedsLayout(Scripted):
        name = "needs-layout"
        needs = frozenset({Need.LAYOUT})

    with pytest.raises(MissingNeedError, match="needs-layout needs a layout"):
        session(NeedsLayout())
    with pytest.raises(MissingNeedError, match="an axis that may move"):
        session(Scripted(), locked=("a", "b"))
    with pytest.raises(MissingNeedError, match="a spec"):
        Session(None, AXES, Scripted(), measure=no_measure)


@pytest.mark.parametrize("place", [(1.0,), (np.nan, 0.0), (1.0, np.inf)])
def test_a_proposal_that_is_no_position_is_the_strategys_failure(place):
    """NaN never reaches an axis, and the run ends in order, as failed."""
    actions = backlash(session(Scripted(place)), lambda x, y: 5.0)
    assert actions[-1].status is Status.FAILED
    assert "finite positions are needed" in actions[-1].reason
    assert not any(isinstance(action, Move) for action in actions)


@pytest.mark.parametrize("error", [SystemExit(3), ZeroDivisionError("a bug")], ids=repr)
def test_a_strategy_that_breaks_or_exits_ends_the_run_as_failed_and_back_at_the_best(error):
    """``sys.exit`` of a plug-in stops no program: the axes go back to where it was better."""

    class Breaking(Scripted):
        def propose(self, problem):
            """Yield one place that is worse, then break."""
            yield (1, 0)
            raise error

    actions = backlash(session(Breaking()), lambda x, y: 5 + x)
    assert actions[-1].status is Status.FAILED
    assert type(error).__name__ in actions[-1].reason
    moves = [action for action in actions if isinstance(action, Move)]
    assert moves[0].targets != moves[-1].targets
    assert set(moves[-1].targets.values()) == {0.0}


def test_a_strategy_that_refuses_with_a_diagnosis_is_heard():
    """What a strategy raises on purpose ends the search, and its words are in the reason."""

    class Refusing(Scripted):
        def propose(self, problem):
            """Yield one place, then refuse."""
            yield (1, 0)
            raise UsageError("two axes are swapped")

    actions = backlash(session(Refusing()), lambda x, y: 5 + x)
    assert "two axes are swapped" in actions[-1].reason
    assert actions[-3].targets == {"a.x": 0.0}


def test_a_replayed_run_goes_on_where_the_record_ends():
    """What was seen before is not looked at again, but it counts."""
    strategy = Scripted((1, 0), (2, 0), (3, 0))
    backlash(session(strategy), lambda x, y: 5 * (3 - x))
    past = session(Scripted())
    backlash(past, lambda x, y: 15.0)
    seen = [past.first, *strategy.told[:2]]
    again = session(Scripted((1, 0), (2, 0), (3, 0)), replay=[Replayed(o) for o in seen])
    again.stand_at({"a.x": 2.0, "b.y": 0.0})
    actions = backlash(again, lambda x, y: 5 * (3 - x))
    assert kinds(actions) == ["Move", "Measure", "Finish"]
    assert actions[0].targets == {"a.x": 3.0}
    assert again.measurements == 4


def test_the_session_says_when_it_is_told_the_wrong_thing():
    """An outcome that does not fit the action is refused."""
    s = session(Scripted())
    with pytest.raises(UsageError, match="given Moved after a Measure"):
        s.observe(Moved({}, 0.0, 1.0))
    s.stop("enough")
    assert s.next_action() == Finish(Status.STOPPED, False, "enough")
    with pytest.raises(UsageError, match="it has ended"):
        s.observe(Refused("x", 0.0))


@pytest.mark.parametrize("positions", [{"a.x": 1.7, "b.y": 0.0}, {"b.y": 0.0}])
def test_moved_is_not_believed_with_an_axis_off_its_target(positions):
    """An axis 0.7 mm away from where it was sent passed as moved once; the action stays open."""
    s = session(Scripted([1.0, 0.0]))
    s.stand_at({"a.x": 0.0, "b.y": 0.0})
    look = s.next_action()
    exposures = {"meter": [Reading({"q": 9.0}, started=look.not_before)]}
    s.observe(Exposed({"a.x": 0.0, "b.y": 0.0}, exposures, 0.0, 0.1))
    move = s.next_action()
    with pytest.raises(UsageError, match=r"axis a\.x is at .*and 1 mm was asked for"):
        s.observe(Moved(positions, 0.1, 1.0))
    assert s.next_action() is move
    s.observe(Moved({"a.x": 1.0, "b.y": 0.0}, 0.1, 1.0))
    assert s.positions["a.x"] == 1.0


def test_budgets_that_make_no_sense_are_refused():
    """Two looks are the least: a start and a verification."""
    with pytest.raises(UsageError, match="need 2"):
        Budget(measurements=1)
    with pytest.raises(UsageError, match="larger than 0"):
        Budget(seconds=0.0)
