"""The suite of strategies passes a right strategy and fails every planted wrong one."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Generator
from typing import Any

import numpy as np
import pytest

from autoalign.strategies.base import Measurement, Need, Problem, Strategy
from autoalign.testing import StrategyConformance

Steps = Generator[Any, Measurement, None]


class Right(Strategy):
    """Tries places around the best one so far, ever closer."""

    name = "right"
    needs = frozenset({Need.MERIT})

    def propose(self, problem: Problem) -> Steps:
        """Yield places."""
        yield from self.around(problem, 20 * problem.scale)

    def around(self, problem: Problem, reach: Any) -> Steps:
        """Yield places within ``reach`` of the best."""
        best, least = problem.start.copy(), problem.first.merit
        while True:
            place = best + reach * self.chance(problem)
            seen = yield problem.clip(place)
            if seen.ok and seen.merit < least:
                best, least = seen.positions.copy(), seen.merit
            else:
                reach = 0.9 * reach

    def chance(self, problem: Problem) -> Any:
        """Return numbers of chance, one for each axis."""
        return problem.rng.uniform(-1, 1, len(problem.axes))


class NoName(Right):
    """Is called nothing."""

    name = ""


class NameWithBlanks(Right):
    """Cannot be typed without quotes."""

    name = "Not Right"


class NeedsWords(Right):
    """Says in words what it needs."""

    needs = frozenset({"merit"})  # type: ignore[assignment]


class NoGenerator(Right):
    """Returns all places at once."""

    def propose(self, problem: Problem) -> Steps:
        """Return a list."""
        return [problem.start] * 3  # type: ignore[return-value]


class OneAxisShort(Right):
    """Forgets the last axis."""

    def propose(self, problem: Problem) -> Steps:
        """Leave it out."""
        while True:
            yield problem.start[:-1]


class ByName(Right):
    """Yields one number for the first axis."""

    def propose(self, problem: Problem) -> Steps:
        """Yield a number."""
        while True:
            yield problem.start[0]


class TwoAxesAssumed(Right):
    """Knows benches of two axes alone."""

    def propose(self, problem: Problem) -> Steps:
        """Assume them."""
        _, second = problem.axes[:2]
        assert second
        yield from super().propose(problem)


class NoNumber(Right):
    """Divides by a difference of nothing."""

    def propose(self, problem: Problem) -> Steps:
        """Yield no number."""
        yield problem.start + np.nan


class NothingToSay(Right):
    """Ends before it has proposed anything."""

    def propose(self, problem: Problem) -> Steps:
        """End."""
        yield from ()


class NeverMoves(Right):
    """Stays where it is."""

    def propose(self, problem: Problem) -> Steps:
        """Stay."""
        while True:
            yield problem.start


class Uphill(Right):
    """Takes the worst for the best."""

    def around(self, problem: Problem, reach: Any) -> Steps:
        """Go away from the best place, step by step."""
        place, most = problem.start.copy(), problem.first.merit
        while True:
            seen = yield problem.clip(place + 0.01 * reach * self.chance(problem))
            if seen.ok and seen.merit > most:
                place, most = seen.positions.copy(), seen.merit


class GlobalChance(Right):
    """Takes its chance from numpy's own generator."""

    def chance(self, problem: Problem) -> Any:
        """Take it."""
        return np.random.uniform(-1, 1, len(problem.axes))  # noqa: NPY002


class OtherGlobalChance(Right):
    """Takes its chance from Python's own generator."""

    def chance(self, problem: Problem) -> Any:
        """Take it."""
        return np.array([random.uniform(-1, 1) for _ in problem.axes])


class SeedsTheWorld(Right):
    """Seeds the global generator, so that it repeats itself, and everybody else too."""

    def chance(self, problem: Problem) -> Any:
        """Seed."""
        np.random.seed(int(problem.rng.integers(1000)))  # noqa: NPY002
        return np.random.uniform(-1, 1, len(problem.axes))  # noqa: NPY002


class OwnChance(Right):
    """Makes a generator of its own, without a seed."""

    def chance(self, problem: Problem) -> Any:
        """Make it."""
        return np.random.default_rng().uniform(-1, 1, len(problem.axes))


class Remembers(Right):
    """Begins a second run where the first has ended."""

    def __init__(self) -> None:
        self.best: Any = None

    def propose(self, problem: Problem) -> Steps:
        """Go on from there."""
        if self.best is not None:
            yield self.best
        steps = super().propose(problem)
        place = next(steps)
        while True:
            seen = yield place
            self.best = seen.positions
            place = steps.send(seen)


class MovesTheStart(Right):
    """Works in the array that it was given."""

    def around(self, problem: Problem, reach: Any) -> Steps:
        """Change it."""
        while True:
            place = problem.start
            place += 0.1 * reach * self.chance(problem)
            yield place.copy()


class MovesAnObservation(Right):
    """Works in the array of positions that it was told."""

    def propose(self, problem: Problem) -> Steps:
        """Change it."""
        steps = super().propose(problem)
        place = next(steps)
        while True:
            seen = yield place
            place = steps.send(seen)
            seen.positions[0] = place[0]


class OneArrayForAll(Right):
    """Yields one array over and over, with other numbers in it."""

    def propose(self, problem: Problem) -> Steps:
        """Fill it."""
        steps, array = super().propose(problem), problem.start.copy()
        array[:] = next(steps)
        while True:
            seen = yield array
            array[:] = steps.send(seen)


class NeedsAFirstVerdict(Right):
    """Reads the first verdict, whether there is one or not."""

    def propose(self, problem: Problem) -> Steps:
        """Read it."""
        assert problem.first.verdict is not None
        yield from super().propose(problem)


class NeedsEveryVerdict(Right):
    """Reads every later verdict, whether there is one or not."""

    def propose(self, problem: Problem) -> Steps:
        """Read it."""
        steps = super().propose(problem)
        place = next(steps)
        while True:
            seen = yield place
            assert problem.first.verdict is None or seen.verdict is not None
            place = steps.send(seen)


class NoNumberInTheDark(Right):
    """Counts with an infinite merit."""

    def around(self, problem: Problem, reach: Any) -> Steps:
        """Weigh with it."""
        seen = problem.first
        while True:
            weight = seen.merit - problem.first.merit
            with np.errstate(invalid="ignore"):
                place = problem.start + (reach + 0 * weight) * self.chance(problem)
            seen = yield place


class InSpecExpected(Right):
    """Fails where the best place is at a limit."""

    def propose(self, problem: Problem) -> Steps:
        """Insist on a place inside."""
        steps = super().propose(problem)
        place = next(steps)
        while True:
            seen = yield place
            assert (seen.positions < problem.upper).all()
            place = steps.send(seen)


class SwallowsTheEnd(Right):
    """Goes on when it is ended."""

    def propose(self, problem: Problem) -> Steps:
        """Go on, once."""
        try:
            yield from super().propose(problem)
        except GeneratorExit:
            yield problem.start


class LeavesAThread(Right):
    """Has a thread that outlives it."""

    threads: list[threading.Event]

    def __init__(self) -> None:
        LeavesAThread.threads = getattr(LeavesAThread, "threads", [])

    def propose(self, problem: Problem) -> Steps:
        """Start it."""
        end = threading.Event()
        self.threads.append(end)
        threading.Thread(target=end.wait, daemon=True).start()
        yield from super().propose(problem)


PLANTED: list[tuple[type[Right], str]] = [
    (NoName, "test_is_a_strategy"),
    (NameWithBlanks, "test_is_a_strategy"),
    (NeedsWords, "test_is_a_strategy"),
    (NoGenerator, "test_yields_a_position_for_every_axis"),
    (OneAxisShort, "test_yields_a_position_for_every_axis"),
    (ByName, "test_yields_a_position_for_every_axis"),
    (TwoAxesAssumed, "test_yields_a_position_for_every_axis"),
    (NoNumber, "test_yields_a_position_for_every_axis"),
    (NothingToSay, "test_yields_a_position_for_every_axis"),
    (NeverMoves, "test_gets_better"),
    (Uphill, "test_gets_better"),
    (GlobalChance, "test_the_same_seed_asks_for_the_same_positions"),
    (OtherGlobalChance, "test_the_same_seed_asks_for_the_same_positions"),
    (SeedsTheWorld, "test_the_same_seed_asks_for_the_same_positions"),
    (OwnChance, "test_the_same_seed_asks_for_the_same_positions"),
    (Remembers, "test_a_second_run_begins_afresh"),
    (MovesTheStart, "test_leaves_alone_what_it_is_given_and_has_given"),
    (MovesAnObservation, "test_leaves_alone_what_it_is_given_and_has_given"),
    (OneArrayForAll, "test_leaves_alone_what_it_is_given_and_has_given"),
    (NeedsAFirstVerdict, "test_measurements_that_fail_are_data"),
    (NeedsEveryVerdict, "test_light_that_is_lost_again_is_data"),
    (NoNumberInTheDark, "test_light_that_is_lost_again_is_data"),
    (InSpecExpected, "test_a_best_place_out_of_reach_is_no_error"),
    (SwallowsTheEnd, "test_may_be_ended_at_any_time"),
    (LeavesAThread, "test_may_be_ended_at_any_time"),
]

Failing = Callable[[Callable[[], Any], str], set[str]]


def suite_of(kind: type[Right]) -> Callable[[], StrategyConformance]:
    """Return a maker of the suite for one kind of strategy."""

    class Suite(StrategyConformance):
        def make_strategy(self) -> Strategy:
            return kind()

    return Suite


def test_a_right_strategy_passes_as_the_planted_ones_are_run(failing: Failing) -> None:
    """What runs the suite on planted strategies finds nothing wrong with a right one."""
    assert failing(suite_of(Right), "strategy") == set()


@pytest.mark.parametrize(("kind", "test"), PLANTED, ids=lambda v: getattr(v, "__name__", v))
def test_each_planted_strategy_fails_the_test_that_is_there_for_it(
    failing: Failing, kind: type[Right], test: str
) -> None:
    """Whatever else it fails as well."""
    try:
        assert test in failing(suite_of(kind), "strategy")
    finally:
        for end in getattr(LeavesAThread, "threads", []):
            end.set()


def test_no_test_of_the_suite_is_idle() -> None:
    """Each test of the suite is the one that a planted strategy is there for."""
    tests = {n for n in dir(StrategyConformance) if n.startswith("test_")}
    assert tests == {test for _, test in PLANTED}
