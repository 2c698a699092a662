"""What every strategy must do. Authors of strategies subclass :class:`StrategyConformance`."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Generator, Sequence
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
import pytest

from autoalign.beam.parameters import BeamParameters
from autoalign.core.axes import Axis
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Cause, Measurement, Need, Problem, Strategy

__all__ = ["MadeUpBench", "StrategyConformance"]

Floats = npt.NDArray[np.float64]


def _global_chance() -> tuple[Any, ...]:
    """Return the state of the generators that nobody should use."""
    state = np.random.get_state(legacy=False)["state"]  # noqa: NPY002
    return random.getstate(), state["key"].tobytes(), state["pos"]


class MadeUpBench:
    """A bench of numbers: residuals A u + b u² of the distance u from the best place.

    Its axes differ in unit, size and zero; positions are read back to a step, never quite as asked.

    Parameters
    ----------
    count
        Number of axes.
    blind
        Whether nothing can be measured at u (n,), in fiftieths of each travel.
    beyond
        How far the best place is outside the reach of the first axis, in the same measure.
    """

    def __init__(
        self,
        count: int = 2,
        blind: Callable[[Floats], bool] = lambda _: False,
        beyond: float = 0.0,
    ) -> None:
        rng = np.random.default_rng(2)
        sizes, zeros = 10.0 ** -(3.0 * (np.arange(count) % 2)), 30.0 * np.arange(count)
        self._step = 1e-4 * sizes
        self._sizes, self._blind = sizes, blind
        self.axes = tuple(
            Axis(f"part{k}.move", "rad" if k % 2 else "mm", (z - 25) * s, (z + 25) * s)
            for k, (z, s) in enumerate(zip(zeros, sizes, strict=True))
        )
        self.start: Floats = zeros * sizes
        best = rng.uniform(8, 14, count) * rng.choice([-1, 1], count)
        best[0] = 25 + beyond if beyond else best[0]
        self._best: Floats = self.start + best * sizes
        self._matrix = 4 * (
            np.eye(count + 1, count) + 0.2 * rng.standard_normal((count + 1, count))
        )
        self.spec = Spec(tuple(QuantityTerm(f"q{k}", 1.0) for k in range(count + 1)))

    def observe(self, positions: Sequence[float] | Floats) -> Measurement:
        """Return what is measured at ``positions`` (n,), clipped to the reach."""
        lower = np.array([a.reachable[0] for a in self.axes])
        upper = np.array([a.reachable[1] for a in self.axes])
        asked = np.clip(np.asarray(positions, dtype=np.float64), lower, upper)
        place = np.clip(np.floor(asked / self._step) * self._step, lower, upper)
        u = (place - self._best) / self._sizes
        if self._blind(u):
            return Measurement(place, {}, findings=(Cause.UNMEASURED.found("far", "no light"),))
        values = self._matrix @ u + 0.01 * (self._matrix @ u / 4) ** 2
        names = tuple(t.name for t in self.spec.terms)
        parameters = BeamParameters(names, values, np.diag(np.full(len(names), 1e-4)), {})
        return Measurement(place, {}, parameters, self.spec.evaluate(parameters), noise=0.01)

    def problem(self, seed: int, measurements: int) -> Problem:
        """Return the problem that a strategy is given."""
        start = self.observe(self.start)
        return Problem(
            self.axes,
            start.positions,
            start,
            self.spec,
            np.random.default_rng(seed),
            locked={},
            measurements=measurements,
        )


class StrategyConformance:
    """Tests that every :class:`~autoalign.strategies.base.Strategy` passes; run by pytest.

    Subclass it under a name that begins with ``Test`` and say how to make a strategy::

        class TestMyStrategy(StrategyConformance):
            def make_strategy(self):
                return MyStrategy()

    =======================  ===============================================================
    member                   override to…
    =======================  ===============================================================
    :meth:`make_strategy`    make a fresh strategy
    :meth:`make_bench`       give it another bench, for instance one with a layout
    :attr:`budget`           allow more or fewer measurements
    :attr:`gain`             ask for more: the least ratio of best to first merit
    =======================  ===============================================================
    """

    budget: ClassVar[int] = 60
    gain: ClassVar[float] = 0.9

    def make_strategy(self) -> Strategy:
        """Return a fresh strategy."""
        raise NotImplementedError(
            f"{type(self).__name__}: say in make_strategy how to make a strategy."
        )

    def make_bench(
        self,
        count: int = 2,
        blind: Callable[[Floats], bool] = lambda _: False,
        beyond: float = 0.0,
    ) -> Any:
        """Return a fresh bench; see :class:`MadeUpBench` for what it needs to have."""
        return MadeUpBench(count, blind, beyond)

    @pytest.fixture
    def strategy(self) -> Strategy:
        """Return the strategy of this test."""
        return self.make_strategy()

    def test_is_a_strategy(self, strategy: Strategy) -> None:
        """It has every member of the protocol, a name that can be typed, and known needs."""
        assert isinstance(strategy, Strategy)
        assert strategy.name
        assert strategy.name == "".join(strategy.name.lower().split())
        assert isinstance(strategy.needs, frozenset)
        assert all(isinstance(need, Need) for need in strategy.needs)

    def test_yields_a_position_for_every_axis(self, strategy: Strategy) -> None:
        """A generator of vectors (n,) of finite numbers, for one axis and for several."""
        for count in (2, 1, 3):
            bench = self.make_bench(count)
            proposals = strategy.propose(bench.problem(1, self.budget))
            assert isinstance(proposals, Generator)
            asked, _ = self.drive(proposals, bench)
            assert asked, "no position was proposed"
            for position in asked:
                assert position.shape == (count,)
                assert np.isfinite(position).all()

    def test_gets_better(self, strategy: Strategy) -> None:
        """On an easy bench the best measurement is better than the first."""
        bench = self.make_bench()
        problem = bench.problem(1, self.budget)
        first = problem.first.merit
        _, seen = self.drive(strategy.propose(problem), bench)
        assert min((s.merit for s in seen), default=first) < self.gain * first

    def test_the_same_seed_asks_for_the_same_positions(self, strategy: Strategy) -> None:
        """``problem.rng`` is the only source of chance, and leaves every other one alone."""
        bench = self.make_bench()
        runs = []
        for other, chosen in ((1, strategy), (2, self.make_strategy())):
            random.seed(other)
            np.random.seed(other)  # noqa: NPY002 - the one that a strategy must not use
            before = _global_chance()
            runs.append(self.drive(chosen.propose(bench.problem(7, self.budget)), bench)[0])
            assert _global_chance() == before, "chance was taken from a global generator"
        assert len(runs[0]) == len(runs[1])
        assert all(np.array_equal(a, b) for a, b in zip(*runs, strict=True))

    def test_a_second_run_begins_afresh(self, strategy: Strategy) -> None:
        """What it has seen on one bench is not carried into the next run by itself."""
        bench = self.make_bench()
        first, again = (
            self.drive(strategy.propose(bench.problem(7, self.budget)), bench)[0] for _ in range(2)
        )
        assert len(first) == len(again)
        assert all(np.array_equal(a, b) for a, b in zip(first, again, strict=True))

    def test_leaves_alone_what_it_is_given_and_has_given(self, strategy: Strategy) -> None:
        """Neither the problem, nor a measurement, nor a position yielded earlier is changed."""
        bench = self.make_bench()
        problem = bench.problem(1, self.budget)
        kept: list[tuple[Any, Floats]] = [(problem.start, problem.start.copy())]

        def keep(yielded: Any, seen: Measurement) -> None:
            arrays = [yielded, seen.positions]
            if seen.verdict is not None:
                arrays.append(seen.verdict.residuals)
            kept.extend((array, np.array(array, dtype=np.float64)) for array in arrays)

        self.drive(strategy.propose(problem), bench, keep)
        assert all(np.array_equal(np.asarray(array), copy) for array, copy in kept)

    @pytest.mark.parametrize("share", [0.5, 1.0])
    def test_measurements_that_fail_are_data(self, strategy: Strategy, share: float) -> None:
        """Nothing seen in half of the reach, the start included, or anywhere, is no error."""
        bench = self.make_bench(blind=lambda u: abs(u[0]) > 2.0 or share == 1.0)
        asked, _ = self.drive(strategy.propose(bench.problem(1, self.budget)), bench)
        assert all(np.isfinite(position).all() for position in asked)

    def test_light_that_is_lost_again_is_data(self, strategy: Strategy) -> None:
        """Places without light among others with light are no error."""
        bench = self.make_bench(blind=lambda u: np.abs(u).max() > 16.0)
        problem = bench.problem(1, self.budget)
        assert problem.first.ok
        asked, _ = self.drive(strategy.propose(problem), bench)
        assert all(np.isfinite(position).all() for position in asked)

    def test_a_best_place_out_of_reach_is_no_error(self, strategy: Strategy) -> None:
        """It goes on or ends; the bench clips what it asks for."""
        bench = self.make_bench(beyond=10.0)
        asked, seen = self.drive(strategy.propose(bench.problem(1, self.budget)), bench)
        assert all(np.isfinite(position).all() for position in asked)
        assert not any(s.in_spec for s in seen)

    def test_may_be_ended_at_any_time(self, strategy: Strategy) -> None:
        """Before the first position, after it and later; nothing runs on."""
        before = set(threading.enumerate())
        for steps in (0, 1, 5):
            bench = self.make_bench()
            proposals = strategy.propose(bench.problem(1, self.budget))
            self.drive(proposals, bench, budget=steps)
            assert set(threading.enumerate()) == before

    def drive(
        self,
        proposals: Generator[Any, Measurement, None],
        bench: Any,
        follow: Callable[[Any, Measurement], None] = lambda *_: None,
        budget: int | None = None,
    ) -> tuple[list[Floats], list[Measurement]]:
        """Do what a session does; return what was asked for and what was measured there."""
        asked: list[Floats] = []
        seen: list[Measurement] = []
        try:
            answer: Measurement | None = None
            for _ in range(self.budget if budget is None else budget):
                try:
                    yielded = next(proposals) if answer is None else proposals.send(answer)
                except StopIteration:
                    break
                position = np.array(yielded, dtype=np.float64)
                asked.append(position)
                if position.shape != (len(bench.axes),) or not np.isfinite(position).all():
                    break
                answer = bench.observe(position)
                seen.append(answer)
                follow(yielded, answer)
                if answer.in_spec:
                    break
        finally:
            proposals.close()
        return asked, seen
