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
    "Summary",
    "data_profile",
    "expected_running_time",
    "holm",
    "median_interval",
    "performance_profile",
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
    rows = [_summary(k[1], k[0], g) for k, g in groups.items()]
    return sorted(rows, key=lambda r: (r.bench, r.median, r.p95, -r.reached, r.strategy))


def _summary(strategy: str, bench: str, group: Sequence[Outcome]) -> Summary:
    measurements = sorted(o.measurements if o.reached else math.inf for o in group)
    reached = int(np.isfinite(measurements).sum())
    return Summary(
        strategy, bench, len(group), reached, success_interval(reached, len(group)),
        (measurements[(len(measurements) - 1) // 2] + measurements[len(measurements) // 2]) / 2,
        median_interval(measurements),
        # A member of the sample, so that infinity is allowed.
        float(np.quantile(measurements, 0.95, method="inverted_cdf")),
        expected_running_time([o.measurements for o in group], [o.reached for o in group]),
        sum(o.claimed and not o.reached for o in group),
        sum(o.merit_last > o.merit_first for o in group),
        sum(bool(o.diagnosis) for o in group),
        float(np.median([o.bench_seconds for o in group])),
        float(np.median([o.own_seconds for o in group])),
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


def data_profile(cost: Sequence[float], axes: int, budgets: Floats) -> Floats:
    """Return d_s(κ), the part solved in κ (n + 1) evaluations (Moré, Wild, SIAM J. Optim. 2009)."""
    return runtime_ecdf([c / (axes + 1) for c in cost], budgets)


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
