"""A strategy's own thinking per look, apart from cameras, motors and measuring."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np

from autoalign.bench import Bench
from autoalign.benchmark.timed import Timed
from autoalign.benchmark.timing import Section, figure
from autoalign.run.blocking import run
from autoalign.session import Budget, Session
from autoalign.strategies.base import Strategy

__all__ = ["measure_thinking"]


def measure_thinking(
    make_bench: Callable[[int], Bench],
    make_strategy: Callable[[], Strategy],
    seeds: Sequence[int] = range(8),
    probes: int = 12,
) -> Section:
    """Measure the strategy's processor time for each look, over whole alignments from ``seeds``."""
    first: list[float] = []
    later: list[float] = []
    looks, name = [], ""
    for seed in seeds:
        with make_bench(seed) as bench:
            timed = Timed(make_strategy(), time.process_time)
            rng = np.random.default_rng(seed)
            session = Session.for_bench(bench, timed.strategy, budget=Budget(probes), rng=rng)
            run(bench, session)
            first += timed.spent[:1]
            later += timed.spent[1:]
            looks.append(session.probes)
            name = timed.strategy.name
    found = [figure("after the first look", 1e3 * np.array(first), "ms")]
    if later:
        found.append(figure("after a later look", 1e3 * np.array(later), "ms"))
    remark = f"Over {len(looks)} alignments of {int(np.median(looks))} looks each (median)."
    return Section(f"Own time of the strategy {name!r} per look", tuple(found), (remark,))
