"""What a campaign says: medians with their failures, expected running time, profiles, paired tests.

Every figure counts unsuccessful runs: leaving them out would reward a search for giving up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.benchmark.outcome import Outcome

__all__ = [
    "BUDGETS",
    "Change",
    "Summary",
    "changes",
    "costs_by_bench",
    "data_profile",
    "expected_running_time",
    "fixed_budgets",
    "holm",
    "median_interval",
    "performance_profile",
    "ranking",
    "restarted_ecdf",
    "running_time_band",
    "runtime_ecdf",
    "sign_test",
    "success_interval",
    "summarise",
]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Summary:
    """One strategy on one bench: a row of the table that ``autoalign compare`` prints.

    ``median`` and ``p95`` are quantiles of the measurements to spec over all runs, an unsuccessful
    run counting as infinitely many; ``median_band`` is the interval of :func:`median_interval`.
    ``expected_band`` is that of :func:`running_time_band`, ``rank`` that of :func:`ranking`.
    ``bench`` names the drift too, if there was one. ``false_in_spec`` counts the runs that claimed
    to be in spec and were not, ``faults_reported`` those that ended by reporting a fault.
    ``compute_seconds`` are those of a measurement.
    """

    strategy: str
    bench: str
    runs: int
    reached: int
    success_band: tuple[float, float]
    median: float
    median_band: tuple[float, float] | None
    p95: float
    expected: float
    expected_band: tuple[float, float]
    rank: int
    false_in_spec: int
    worse_than_start: int
    faults_reported: int
    bench_seconds: float
    compute_seconds: float
    travel_mm: float
    travel_rad: float


def summarise(outcomes: Sequence[Outcome]) -> list[Summary]:
    """Return one summary for each (bench, strategy), best median first within a bench."""
    groups: dict[tuple[str, str], list[Outcome]] = {}
    for o in outcomes:
        groups.setdefault((o.case.where, o.strategy), []).append(o)
    ranks = {bench: ranking(costs) for bench, costs in costs_by_bench(outcomes).items()}
    rows = [_summary(k[1], k[0], g, ranks[k[0]][k[1]]) for k, g in groups.items()]
    return sorted(rows, key=lambda r: (r.bench, r.rank, r.median, r.p95, -r.reached, r.strategy))


def costs_by_bench(outcomes: Sequence[Outcome]) -> dict[str, dict[str, dict[int, float]]]:
    """Return the measurements to spec by bench, strategy and seed; infinite without success."""
    found: dict[str, dict[str, dict[int, float]]] = {}
    for o in outcomes:
        found.setdefault(o.case.where, {}).setdefault(o.strategy, {})[o.seed] = o.cost
    return found


def _summary(strategy: str, bench: str, group: Sequence[Outcome], rank: int) -> Summary:
    measurements = sorted(o.cost for o in group)
    reached = int(np.isfinite(measurements).sum())
    spent, success = [o.measurements for o in group], [o.reached for o in group]
    return Summary(
        strategy, bench, len(group), reached, success_interval(reached, len(group)),
        (measurements[(len(measurements) - 1) // 2] + measurements[len(measurements) // 2]) / 2,
        median_interval(measurements),
        # A member of the sample, so that infinity is allowed.
        float(np.quantile(measurements, 0.95, method="inverted_cdf")),
        expected_running_time(spent, success),
        running_time_band(spent, success),
        rank,
        sum(o.claimed and not o.reached for o in group),
        sum(o.merit_last > o.merit_first for o in group),
        sum(bool(o.diagnosis) for o in group),
        float(np.median([o.bench_seconds for o in group])),
        float(np.median([o.compute_seconds for o in group])),
        float(np.median([o.travel_mm for o in group])),
        float(np.median([o.travel_rad for o in group])),
    )  # fmt: skip


def median_interval(measurements: Sequence[float]) -> tuple[float, float] | None:
    """Return the 95 % interval of the median by order statistics; None where there are too few.

    The median lies between the k-th smallest and the k-th largest of n with a probability of at
    least 1 − 2·B(k − 1; n, ½), B the binomial distribution (H. A. David and H. N. Nagaraja, Order
    Statistics, from memory). Even the whole range holds it with less than 95 % for n < 6.
    """
    ordered, n = sorted(measurements), len(measurements)
    outside, cut = 0.0, 0
    while True:
        outside += 2 * math.comb(n, cut) / 2**n
        if outside > 0.05:
            break
        cut += 1
    return (ordered[cut - 1], ordered[n - cut]) if cut else None


def expected_running_time(spent: Sequence[float], success: Sequence[bool]) -> float:
    """Return evaluations spent in all runs over successes (Hansen et al., arXiv:1603.08785)."""
    wins = sum(success)
    return float(sum(spent)) / wins if wins else math.inf


def running_time_band(
    spent: Sequence[float], success: Sequence[bool], draws: int = 2000, seed: int = 0
) -> tuple[float, float]:
    """Return the 95 % interval of the expected running time, from resampled runs.

    Percentile bootstrap (B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, chapter
    13, from memory). Infinite above where more than one sample in 40 has no success.
    """
    rng = np.random.default_rng([seed, len(spent)])
    pick = rng.integers(0, len(spent), (draws, len(spent)))
    total = np.asarray(spent, float)[pick].sum(1)
    wins = np.asarray(success, bool)[pick].sum(1)
    with np.errstate(divide="ignore"):
        times = np.where(wins > 0, total / wins, math.inf)
    low, high = np.quantile(times, [0.025, 0.975], method="inverted_cdf")
    return float(low), float(high)


def restarted_ecdf(
    spent: Sequence[float], success: Sequence[bool], at: Floats, draws: int = 1000, seed: int = 0
) -> Floats:
    """Return the part of searches in spec within ``at`` measurements, if failures start again.

    Runs are drawn with replacement until one succeeds, and what all of them spent counts (Hansen
    et al., arXiv:1603.08785, simulated restarts, from memory). Zero where no run succeeded.
    """
    if not any(success):
        return np.zeros(len(at))
    rng = np.random.default_rng([seed, len(spent)])
    cost, good = np.asarray(spent, float), np.asarray(success, bool)
    total, open_ = np.zeros(draws), np.ones(draws, bool)
    while open_.any():
        pick = rng.integers(0, len(cost), draws)
        total[open_] += cost[pick][open_]
        open_ &= ~good[pick]
    return runtime_ecdf(total.tolist(), at)


BUDGETS = (3, 5, 10, 20, 50, 100, 200)
"""Budgets, in measurements, at which :func:`fixed_budgets` counts."""


def fixed_budgets(
    outcomes: Sequence[Outcome], budgets: Sequence[int] = BUDGETS
) -> dict[tuple[str, str], list[int]]:
    """Return how many runs were in spec within each budget, by bench and strategy."""
    found: dict[tuple[str, str], list[int]] = {}
    for o in outcomes:
        row = found.setdefault((o.case.where, o.strategy), [0] * len(budgets))
        for k, budget in enumerate(budgets):
            row[k] += o.cost <= budget
    return found


def ranking(costs: Mapping[str, Mapping[int, float]], level: float = 0.05) -> dict[str, int]:
    """Return the rank of each strategy on one bench: 1 + the number of those plainly better.

    Better is what needs fewer measurements on the seeds that both have, by a sign test at ``level``
    after Holm's correction over all pairs. So what chance cannot tell apart shares a rank.
    """
    names = list(costs)
    pairs = [(a, b) for k, a in enumerate(names) for b in names[k + 1 :]]
    tests = [_paired(costs[a], costs[b]) for a, b in pairs]
    adjusted = holm([p for p, _, _ in tests])
    ranks = dict.fromkeys(names, 1)
    for (a, b), (_, less, more), p in zip(pairs, tests, adjusted, strict=True):
        if p < level:
            ranks[b if less > more else a] += 1
    return ranks


@dataclass(frozen=True, slots=True)
class Change:
    """One strategy on one bench, now against an earlier campaign on the same seeds.

    ``better``, ``worse`` and ``same`` count seeds; ``p`` is that of the sign test after Holm's
    correction over all changes; ``verdict`` is "better", "worse" or "no difference".
    """

    bench: str
    strategy: str
    better: int
    worse: int
    same: int
    p: float
    verdict: str


def changes(now: Sequence[Outcome], before: Sequence[Outcome], level: float = 0.05) -> list[Change]:
    """Return what became better or worse, beyond chance, for every bench and strategy of both."""
    new, old = costs_by_bench(now), costs_by_bench(before)
    both = [(b, s) for b in new for s in new[b] if s in old.get(b, {})]
    tests = [_paired(new[b][s], old[b][s]) for b, s in both]
    adjusted = holm([p for p, _, _ in tests])
    rows = []
    for (b, s), (_, less, more), p in zip(both, tests, adjusted, strict=True):
        shared = len(new[b][s].keys() & old[b][s].keys())
        verdict = "no difference" if p >= level else "better" if less > more else "worse"
        rows.append(Change(b, s, less, more, shared - less - more, p, verdict))
    return rows


def _paired(first: Mapping[int, float], second: Mapping[int, float]) -> tuple[float, int, int]:
    """Return the sign test's p on shared seeds, and how often ``first`` was less and more."""
    shared = sorted(first.keys() & second.keys())
    a, b = [first[k] for k in shared], [second[k] for k in shared]
    less = sum(x < y for x, y in zip(a, b, strict=True))
    more = sum(x > y for x, y in zip(a, b, strict=True))
    return sign_test(a, b), less, more


def runtime_ecdf(measurements: Sequence[float], at: Floats) -> Floats:
    """Return the part of runs that needed at most ``at`` measurements; failures are infinite."""
    return np.asarray(np.mean(np.asarray(measurements)[:, None] <= at[None, :], axis=0))


def performance_profile(cost: Mapping[str, Sequence[float]], ratio: Floats) -> dict[str, Floats]:
    """Return ρ_s(τ), the part of problems solved within τ of the best.

    Dolan and Moré, Math. Program. 91, 201 (2002). ``cost`` holds one value for each problem in the
    same order, infinite where not solved.
    """
    table = np.array(list(cost.values()), dtype=float)
    best = table.min(axis=0)
    solvable = np.isfinite(best)
    relative = np.full_like(table, math.inf)
    relative[:, solvable] = table[:, solvable] / best[solvable]
    return {s: runtime_ecdf(list(r), ratio) for s, r in zip(cost, relative, strict=True)}


def data_profile(cost: Sequence[float], axes: Sequence[int], budgets: Floats) -> Floats:
    """Return d_s(κ), the part solved in κ (n + 1) evaluations (Moré, Wild, SIAM J. Optim. 2009).

    ``axes`` gives n of each problem.
    """
    return runtime_ecdf([c / (n + 1) for c, n in zip(cost, axes, strict=True)], budgets)


def success_interval(reached: int, runs: int) -> tuple[float, float]:
    """Return Wilson's 95 % interval of a success rate."""
    if runs == 0:
        return 0.0, 1.0
    z, p = 1.959964, reached / runs
    centre = (p + z * z / (2 * runs)) / (1 + z * z / runs)
    half = z * math.sqrt(p * (1 - p) / runs + z * z / (4 * runs * runs)) / (1 + z * z / runs)
    return max(0.0, centre - half), min(1.0, centre + half)


def sign_test(first: Sequence[float], second: Sequence[float]) -> float:
    """Return the two-sided p-value that paired runs differ in either direction; ties drop out."""
    from scipy.stats import binomtest  # noqa: PLC0415

    less = sum(a < b for a, b in zip(first, second, strict=True))
    more = sum(a > b for a, b in zip(first, second, strict=True))
    return float(binomtest(less, less + more).pvalue) if less + more else 1.0


def holm(p_values: Sequence[float]) -> list[float]:
    """Return p-values adjusted for being many (Holm, Scand. J. Stat. 6, 65, 1979; from memory)."""
    order = np.argsort(p_values)
    adjusted, running = [0.0] * len(p_values), 0.0
    for rank, k in enumerate(order):
        running = max(running, min(1.0, (len(p_values) - rank) * p_values[k]))
        adjusted[int(k)] = running
    return adjusted
