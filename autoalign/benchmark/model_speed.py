"""A strategy's own computing per measurement, apart from cameras, motors and measuring."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np

from autoalign.bench import Bench
from autoalign.benchmark.timed import Timed
from autoalign.benchmark.timing import Section, figure
from autoalign.run.compose import run
from autoalign.session import Budget, Session
from autoalign.strategies.base import Strategy

__all__ = ["measure_thinking"]


def measure_thinking(
    make_bench: Callable[[int], Bench],
    make_strategy: Callable[[], Strategy],
    seeds: Sequence[int] = range(8),
    budget: int = 12,
) -> Section:
    """Measure the strategy's processor time per measurement, over whole alignments."""
    first: list[float] = []
    later: list[float] = []
    measurements, name = [], ""
    for seed in seeds:
        with make_bench(seed) as bench:
            timed = Timed(make_strategy(), time.process_time)
            rng = np.random.default_rng(seed)
            session = Session.for_bench(bench, timed.strategy, budget=Budget(budget), rng=rng)
            run(bench, session)
            first += timed.spent[:1]
            later += timed.spent[1:]
            measurements.append(session.measurements)
            name = timed.strategy.name
    found = [figure("after the first measurement", 1e3 * np.array(first), "ms")]
    if later:
        found.append(figure("after a later measurement", 1e3 * np.array(later), "ms"))
    middle = int(np.median(measurements))
    remark = f"Over {len(measurements)} alignments of {middle} measurements each (median)."
    return Section(
        f"Compute time of the strategy {name!r} per measurement", tuple(found), (remark,)
    )
