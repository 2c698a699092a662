"""What a campaign says in plain sentences, for the terminal and for the page."""

from __future__ import annotations

import math
from collections.abc import Sequence

from autoalign.benchmark.outcome import Outcome
from autoalign.benchmark.statistics import Summary, costs_by_bench, summarise
from autoalign.core.units import given, rounded
from autoalign.messages.words import counted

__all__ = ["conclusions", "explained", "percent_band"]


def conclusions(outcomes: Sequence[Outcome]) -> list[str]:
    """Return one sentence for each bench: what to take there, and how far the others are off."""
    benches: dict[str, list[Summary]] = {}
    for row in summarise(outcomes):
        benches.setdefault(row.bench, []).append(row)
    return [_conclusion(bench, rows) for bench, rows in benches.items()]


def explained(outcomes: Sequence[Outcome]) -> list[str]:
    """Return how the figures were made and are to be read."""
    budgets = " or ".join(str(b) for b in sorted({o.budget for o in outcomes}))
    seeds = sorted({o.seed for o in outcomes})
    tests = sum(len(s) * (len(s) - 1) // 2 for s in costs_by_bench(outcomes).values())
    given_by = " and ".join(sorted({o.fidelity for o in outcomes}))
    return [
        f"Each run could use up to {budgets} measurements. Median and 95 % of runs: number of "
        "measurements until in spec; a run that did not succeed counts as infinitely many. 95 % "
        "of runs needed at most this many. The interval of the median is from order statistics "
        "and needs at least 6 runs. Expected: all measurements of all runs divided by the number "
        "of successes; its interval is from 2000 resamplings of the runs. In spec: by the "
        "simulated truth, with Wilson's 95 % interval. False “in spec”: runs that claimed to be "
        "in spec and were not. Faults reported: runs that ended by reporting a fault of the "
        "bench. Compute time is that of this computer, including whatever else it was doing.",
        "Rank: 1 plus the number of strategies that needed fewer measurements on the same seeds, "
        "by a two-sided sign test at 5 % after Holm's correction over all pairs of a bench "
        f"({counted(tests, 'test')} on all benches together). Strategies that chance cannot tell "
        "apart share a rank.",
        f"Seeds {seeds[0]} to {seeds[-1]}, {counted(len(seeds), 'seed')}; cameras gave {given_by}.",
    ]


def percent_band(band: tuple[float, float], runs: int) -> str:
    """Return an interval of a share in per cent, with as many digits as ``runs`` can tell."""
    places = 0 if runs < 400 else 1 if runs < 40_000 else 3
    low, high = (rounded(100 * v, places) for v in band)
    return f"{low}–{high}\N{NO-BREAK SPACE}%"


def _conclusion(bench: str, rows: Sequence[Summary]) -> str:
    best = rows[0]
    if not best.reached:
        return f"On {bench}, no strategy came into spec in {counted(best.runs, 'run')}."
    text = (
        f"On {bench}, take {best.strategy}: "
        f"{_median(best)}, {best.reached} of {best.runs} runs in spec "
        f"({percent_band(best.success_band, best.runs)})."
    )
    tied = [r.strategy for r in rows[1:] if r.rank == best.rank]
    if tied:
        text += f" {best.runs} runs do not show that it is better than {_listed(tied)}."
    for row in rows[1:]:
        if row.rank > best.rank:
            text += f" {_others(row, best)}"
    return text


def _others(row: Summary, best: Summary) -> str:
    if not math.isfinite(row.expected):
        return f"{row.strategy} never came into spec."
    times = rounded(row.expected / best.expected, 1)
    return f"{row.strategy} needs {times} times as many measurements for each success."


def _median(row: Summary) -> str:
    if math.isfinite(row.median):
        return f"{given(row.median)} measurements (median)"
    return "more than half of the runs failed"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
