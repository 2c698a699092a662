"""Statistics of campaigns, against worked values and their authors' definitions."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from autoalign.benchmark.outcome import Outcome
from autoalign.benchmark.statistics import (
    data_profile,
    expected_running_time,
    holm,
    median_interval,
    performance_profile,
    runtime_ecdf,
    sign_test,
    success_interval,
    summarise,
)

ROW = Outcome(
    "s", "b", 0, True, True, 4, 3, 2.0, 0.01, 1.0, 0.1, 30.0, 0.4, "in spec", "verified",
    40, math.inf, "0",
)  # fmt: skip


def test_expected_running_time() -> None:
    """All evaluations over the successes: N. Hansen et al., arXiv:1605.03560, from memory.

    Runs of 120, 340 and 95 that succeed and two of 500 that do not give 1555/3 = 518.33.
    """
    spent, success = [120, 340, 95, 500, 500], [True, True, True, False, False]
    assert expected_running_time(spent, success) == pytest.approx(518.33, abs=0.01)
    assert math.isinf(expected_running_time([10], [False]))


def test_failures_count_as_infinitely_many_looks() -> None:
    """Four of ten runs failing make the 95 % quantile infinite and leave the median finite."""
    rows = [replace(ROW, seed=k, measurements=4 + k, reached=k < 6) for k in range(10)]
    (summary,) = summarise(rows)
    assert summary.median == 8.5
    assert math.isinf(summary.p95)
    assert (summary.reached, summary.runs) == (6, 10)
    assert summary.false_in_spec == 4


def test_median_band_holds_the_median_of_many_seeds() -> None:
    """The band of the median covers the true median at least as often as it says."""
    rng = np.random.default_rng(1)
    hits = 0
    for _ in range(60):
        measurements = rng.geometric(0.2, 80)
        rows = [replace(ROW, seed=k, measurements=int(n)) for k, n in enumerate(measurements)]
        (summary,) = summarise(rows)
        assert summary.median_band is not None
        # The median of a geometric variable: ceil(-1/log2(1 - p)).
        hits += summary.median_band[0] <= math.ceil(-1 / math.log2(0.8)) <= summary.median_band[1]
    # Of 60 with 95 %, fewer than 54 are found in 1 of 100 cases.
    assert hits >= 54


@pytest.mark.parametrize(
    ("runs", "kth"),
    # Ranks of the 95 % interval of a median by the binomial distribution: W. J. Conover, Practical
    # Nonparametric Statistics, 3rd ed., section 3.2, from memory. Of 6 runs it is the whole range,
    # of 20 the 6th to the 15th.
    [(1, 0), (2, 0), (5, 0), (6, 1), (8, 1), (9, 2), (20, 6), (50, 18), (100, 40)],
)
def test_ranks_of_the_median_s_band(runs: int, kth: int) -> None:
    """Fewer than six runs cannot give 95 %: none is claimed."""
    expected = (float(kth), float(runs + 1 - kth)) if kth else None
    assert median_interval([float(k) for k in range(runs, 0, -1)]) == expected


def test_the_median_of_two_runs_lies_between_them() -> None:
    """7 and 8 looks: 7.5; one run that failed beside one that did not: no finite number."""
    rows = [replace(ROW, seed=k, measurements=7 + k) for k in range(2)]
    (summary,) = summarise(rows)
    assert (summary.median, summary.median_band) == (7.5, None)
    (half,) = summarise([rows[0], replace(rows[1], reached=False)])
    assert math.isinf(half.median)


def test_performance_profile_of_dolan_and_more() -> None:
    """At ratio 1 it is the part of problems where a solver is best; at infinity what it solves.

    E. D. Dolan and J. J. Moré, Math. Program. 91, 201 (2002), from memory; the numbers by hand.
    """
    cost = {"a": [1.0, 4.0, math.inf], "b": [2.0, 2.0, 10.0]}
    rho = performance_profile(cost, np.array([1.0, 2.0, 1e9]))
    np.testing.assert_allclose(rho["a"], [1 / 3, 2 / 3, 2 / 3])
    np.testing.assert_allclose(rho["b"], [2 / 3, 1.0, 1.0])


def test_data_profile_counts_in_simplex_gradients() -> None:
    """Budgets in units of n + 1 evaluations.

    J. J. Moré and S. M. Wild, SIAM J. Optim. 20, 172 (2009), from memory; the numbers by hand.
    """
    np.testing.assert_allclose(
        data_profile([7.0, 14.0, math.inf], 6, np.array([1.0, 2.0, 100.0])), [1 / 3, 2 / 3, 2 / 3]
    )
    np.testing.assert_allclose(runtime_ecdf([1.0, math.inf], np.array([0.0, 1.0])), [0.0, 0.5])


def test_wilson_interval_against_a_published_value() -> None:
    """Newcombe, Stat. Med. 17, 857 (1998), from memory: 81 of 263 gives 0.2553 to 0.3662."""
    low, high = success_interval(81, 263)
    assert (low, high) == (pytest.approx(0.2553, abs=1e-4), pytest.approx(0.3662, abs=1e-4))


def test_holm_adjusts_step_by_step() -> None:
    """0.01, 0.04, 0.03 become 0.03, 0.06, 0.06 (S. Holm, Scand. J. Stat. 6, 65, 1979, by hand)."""
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])


def test_sign_test_of_ten_wins() -> None:
    """Ten of ten: p = 2/2¹⁰; ties say nothing."""
    assert sign_test([1.0] * 10, [2.0] * 10) == pytest.approx(2 / 1024)
    assert sign_test([1.0], [1.0]) == 1.0
