"""A beam in spec but close to a limit: who is asked for one more correction, and how often."""

from __future__ import annotations

from collections.abc import Generator

import pytest

from autoalign.core.axes import Axis
from autoalign.core.interfaces import Reading
from autoalign.session import Budget, Exposed, Finish, Measure, Moved, Session, Status
from autoalign.session.rules import CENTRINGS, RISK, near_limit
from autoalign.spec.terms import QuantityTerm, Spec, Verdict
from autoalign.strategies.base import Measurement, Need, Problem, Strategy

AXES = {"a.x": Axis("a.x", "mm", -5.0, 5.0)}
SPEC = Spec((QuantityTerm("meter.q", 1.0),))


class Script(Strategy):
    """Goes to the given places."""

    name = "script"
    needs = frozenset({Need.MERIT})

    def __init__(self, *places: float, centres: bool) -> None:
        self.places, self.centres = places, centres

    def propose(self, problem: Problem) -> Generator[list[float], Measurement, None]:
        """Yield the places."""
        for place in self.places:
            yield [place]


def aligned(strategy: Script, u: float, budget: int = 20) -> tuple[Session, Finish]:
    """Carry a session out that starts at 5; what is read is where the axis stands, ± ``u``."""
    session = Session(SPEC, AXES, strategy, budget=Budget(budget))
    now, at = 0.0, 5.0
    while not isinstance(action := session.next_action(), Finish):
        now += 1.0
        if isinstance(action, Measure):
            reading = Reading({"q": at}, {"q": u}, started=now)
            session.observe(Exposed({"a.x": at}, {"meter": [reading]}, now, now + 0.1))
        else:
            at = action.targets["a.x"]
            session.observe(Moved({"a.x": at}, now - 1, now))
    return session, action


def verdict(value: float, u: float) -> Verdict:
    """What a look with this reading is worth."""
    session, _ = aligned(Script(value, centres=False), u)
    assert session.last is not None
    assert session.last.verdict is not None
    return session.last.verdict


@pytest.mark.parametrize(("value", "near"), [(0.0, False), (0.6, False), (0.75, True)])
def test_near_means_a_risk_of_a_fifth_of_a_per_cent(value: float, near: bool) -> None:
    """With u = 0.1 the limit lies 4 and 2.5 u away: risks of 3e-5 and 0.62 % (normal table)."""
    assert 3.2e-5 < RISK < 0.0062
    assert near_limit(verdict(value, 0.1)) is near


def test_an_uncertainty_that_no_move_mends_is_no_reason_to_move() -> None:
    """u = 0.45 leaves a risk of 2.6 % in the very middle; 0.15 off it is hardly more."""
    assert not near_limit(verdict(0.15, 0.45))


def test_a_strategy_that_aims_at_the_middle_is_asked_once_more() -> None:
    """In spec at 0.8 ± 0.1 is not enough for it; the next look, in the middle, ends the search."""
    session, finish = aligned(Script(0.8, 0.05, centres=True), 0.1)
    assert session.measurements == 3
    assert session.positions["a.x"] == pytest.approx(0.05)
    assert finish.status is Status.IN_SPEC


def test_other_strategies_stop_in_spec() -> None:
    """Their next position may be anywhere."""
    session, finish = aligned(Script(0.8, 0.05, centres=False), 0.1)
    assert session.measurements == 2
    assert session.positions["a.x"] == pytest.approx(0.8)
    assert finish.status is Status.IN_SPEC


def test_corrections_near_the_limit_are_few() -> None:
    """If they do not help, a look in spec is taken for what it is."""
    session, finish = aligned(Script(*[0.8] * 9, centres=True), 0.1)
    assert session.measurements == 2 + CENTRINGS
    assert finish.status is Status.IN_SPEC


def test_a_spent_budget_takes_what_is_in_spec() -> None:
    """With one look left, which a way back would need, there is no further correction."""
    session, finish = aligned(Script(0.8, 0.05, centres=True), 0.1, budget=3)
    assert session.positions["a.x"] == pytest.approx(0.8)
    assert finish.status is Status.IN_SPEC


def test_a_correction_that_goes_wrong_is_taken_back() -> None:
    """Out of spec and nothing left to try: back to where it was in spec, verified there."""
    session, finish = aligned(Script(0.8, 3.0, centres=True), 0.1)
    assert session.positions["a.x"] == pytest.approx(0.8)
    assert finish.in_spec
