"""Statistics of campaigns, against worked values and their authors' definitions."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from autoalign.benchmark.outcome import Outcome
from autoalign.benchmark.statistics import (
    changes,
    data_profile,
    expected_running_time,
    fixed_budgets,
    holm,
    median_interval,
    performance_profile,
    ranking,
    restarted_ecdf,
    running_time_band,
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
        data_profile([7.0, 14.0, math.inf], [6, 6, 6], np.array([1.0, 2.0, 100.0])),
        [1 / 3, 2 / 3, 2 / 3],
    )
    np.testing.assert_allclose(runtime_ecdf([1.0, math.inf], np.array([0.0, 1.0])), [0.0, 0.5])


def test_wilson_interval_against_a_published_value() -> None:
    """Newcombe, Stat. Med. 17, 857 (1998), from memory: 81 of 263 gives 0.2553 to 0.3662."""
    low, high = success_interval(81, 263)
    assert (low, high) == (pytest.approx(0.2553, abs=1e-4), pytest.approx(0.3662, abs=1e-4))


def test_holm_adjusts_step_by_step() -> None:
    """0.01, 0.04, 0.03 become 0.03, 0.06, 0.06 (S. Holm, Scand. J. Stat. 6, 65, 1979, by hand)."""
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])


def test_sign_test_against_a_published_example() -> None:
    """S. Siegel, Nonparametric Statistics (1956), sign test, from memory: 3 of 14 pairs, 17 in all.

    The one-tailed probability is 0.029; ours has two tails.
    """
    first = [1.0] * 11 + [3.0] * 3 + [2.0] * 3
    assert sign_test(first, [2.0] * 17) == pytest.approx(2 * 0.029, abs=0.001)


def test_the_band_of_the_running_time_against_every_resample() -> None:
    """With three runs all 27 resamples can be listed; their quantiles are the band's."""
    spent, success = [4.0, 9.0, 30.0], [True, True, False]
    times = []
    for pick in itertools.product(range(3), repeat=3):
        wins = sum(success[k] for k in pick)
        times.append(sum(spent[k] for k in pick) / wins if wins else math.inf)
    expected = np.quantile(times, [0.025, 0.975], method="inverted_cdf")
    assert running_time_band(spent, success, draws=20_000) == pytest.approx(tuple(expected))
    assert math.isinf(running_time_band(spent, success)[1])
    assert running_time_band([5.0] * 9, [True] * 9) == (5.0, 5.0)


def test_the_band_holds_the_running_time_as_often_as_it_says() -> None:
    """Of 200 campaigns with 60 runs each at least 180 hold the true value."""
    rng = np.random.default_rng(3)
    # Runs succeed with 0.8 after 10 to 19 measurements and fail after 30: (0.8·14.5 + 6)/0.8.
    true, hits = (0.8 * 14.5 + 0.2 * 30) / 0.8, 0
    for _ in range(200):
        success = rng.uniform(size=60) < 0.8
        spent = np.where(success, rng.integers(10, 20, 60), 30)
        low, high = running_time_band(spent.tolist(), success.tolist(), draws=400)
        hits += low <= true <= high
    assert hits >= 180


def test_failed_runs_start_again_until_one_succeeds() -> None:
    """Half of the runs fail after 10: 5 measurements with ½, 15 with ¼, 25 with ⅛ and so on."""
    at = np.array([4.0, 5.0, 14.0, 15.0, 25.0, 1e9])
    found = restarted_ecdf([5.0, 10.0], [True, False], at, draws=40_000)
    np.testing.assert_allclose(found, [0, 0.5, 0.5, 0.75, 0.875, 1], atol=0.01)
    np.testing.assert_array_equal(restarted_ecdf([5.0], [False], at), np.zeros(6))


def test_runs_within_a_budget_are_counted_once_in_spec() -> None:
    """A failed run is in no budget, however few measurements it took."""
    rows = [replace(ROW, seed=k, measurements=n, reached=n != 4) for k, n in enumerate((3, 4, 12))]
    assert fixed_budgets(rows, (3, 10, 50)) == {("b", "s"): [1, 1, 2]}


def test_strategies_that_chance_cannot_tell_apart_share_a_rank() -> None:
    """Two that differ on 12 of 12 seeds have two ranks, two that win six times each one."""
    seeds = range(12)
    best = dict.fromkeys(seeds, 3.0)
    even = {k: 3.0 + (0.5 if k % 2 else -0.5) for k in seeds}
    worst = dict.fromkeys(seeds, math.inf)
    assert ranking({"worst": worst, "best": best, "even": even}) == {
        "best": 1, "even": 1, "worst": 3,
    }  # fmt: skip
    assert ranking({"alone": best}) == {"alone": 1}


def test_a_change_is_found_on_the_seeds_of_both_and_after_holm() -> None:
    """Eight of eight worse is beyond chance alone (p 0.008), and beside nine equals no longer."""
    before = [replace(ROW, seed=k, measurements=4) for k in range(9)]
    now = [replace(ROW, seed=k, measurements=5) for k in range(1, 12)]
    (change,) = changes(now, before)
    assert (change.verdict, change.better, change.worse, change.same) == ("worse", 0, 8, 0)
    assert change.p == pytest.approx(2 / 2**8)
    others = [replace(r, strategy=f"s{n}") for n in range(9) for r in before]
    many = changes([*now, *others], [*before, *others])
    assert many[0].p == pytest.approx(10 * 2 / 2**8)
    assert {c.verdict for c in many} == {"no difference"}
    (better,) = changes(before, [replace(r, reached=False) for r in before])
    assert better.verdict == "better"


def test_sign_test_of_ten_wins() -> None:
    """Ten of ten: p = 2/2¹⁰; ties say nothing."""
    assert sign_test([1.0] * 10, [2.0] * 10) == pytest.approx(2 / 1024)
    assert sign_test([1.0], [1.0]) == 1.0
