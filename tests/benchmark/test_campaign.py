"""Campaigns: fair, resumable, and judged on the truth."""

from __future__ import annotations

import os
import signal
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from autoalign_simulators import benches
from filelock import FileLock

from autoalign.bench import Bench
from autoalign.benchmark.campaign import cases, run_campaign, run_case
from autoalign.benchmark.campaign_file import read_rows
from autoalign.benchmark.outcome import Case, Outcome
from autoalign.core.errors import UsageError
from autoalign.session import Budget
from autoalign.strategies.base import Strategy
from autoalign.strategies.model import Model
from autoalign.strategies.response_matrix import ResponseMatrix


def make_bench(kind: str, seed: int) -> Bench:
    """A simulated bench of the family."""
    bench: Bench = getattr(benches, kind)(seed=seed)
    return bench


def make_strategy(name: str) -> Strategy:
    """The one strategy of these tests."""
    assert name == "response-matrix"
    return ResponseMatrix()


@pytest.mark.slow
def test_a_campaign_goes_on_where_it_stopped(tmp_path: Path) -> None:
    """Cases in the file are not run again, a half-written last line is, and the order is kept."""
    path = tmp_path / "campaign.csv"
    wanted = cases(["response-matrix"], ["collimator"], range(3))
    settings = {"budget": Budget(40), "path": path}
    first = run_campaign(wanted[:2], make_bench, make_strategy, **settings)  # type: ignore[arg-type]
    with path.open("a") as file:
        file.write("response-matrix,collimator,2,Tr")
    ran: list[Outcome] = []
    both = run_campaign(wanted, make_bench, make_strategy, progress=ran.append, **settings)  # type: ignore[arg-type]
    assert [o.seed for o in ran] == [2]
    assert [o.case for o in both] == wanted
    assert both[:2] == first
    assert read_rows(path) == both


def test_two_campaigns_do_not_write_into_one_file(tmp_path: Path) -> None:
    """The second is told so and runs nothing; once the first has ended it may."""
    path = tmp_path / "campaign.csv"
    with FileLock(tmp_path / "campaign.lock"):
        with pytest.raises(UsageError, match="another comparison is writing here"):
            run_campaign([], make_bench, make_strategy, budget=Budget(40), path=path)
        assert not path.exists()
    assert run_campaign([], make_bench, make_strategy, budget=Budget(40), path=path) == []


@pytest.mark.slow
def test_outcome_is_judged_by_the_truth_not_by_the_claim() -> None:
    """The same seed gives the same outcome; the truth improves from first to last."""
    case = Case("response-matrix", "collimator", 1)
    one, two = (run_case(case, make_bench, make_strategy, Budget(40)) for _ in range(2))
    assert (one.measurements, one.merit_last, one.travel_mm) == (
        two.measurements,
        two.merit_last,
        two.travel_mm,
    )
    assert one.reached
    assert one.merit_last < 1 < one.merit_first
    assert one.travel_mm > 0
    assert one.travel_rad > 0


@pytest.mark.slow
def test_a_budget_too_small_is_an_honest_failure() -> None:
    """Two looks are not enough, and nobody claims they were."""
    outcome = run_case(
        Case("response-matrix", "collimator", 1), make_bench, make_strategy, Budget(2)
    )
    assert not outcome.claimed
    assert not outcome.reached


@pytest.mark.slow
def test_a_remembered_bench_counts_from_the_drift_on() -> None:
    """After a drift of a tenth the model, which remembers, needs one move; the start was judged
    after the drift, and both strategies meet the same one."""
    case = Case("model", "collimator", 3, 0.1)
    model = run_case(case, make_bench, lambda _: Model(), Budget(40))
    other = run_case(
        Case("response-matrix", "collimator", 3, 0.1), make_bench, make_strategy, Budget(40)
    )
    fresh = run_case(Case("model", "collimator", 3), make_bench, lambda _: Model(), Budget(40))
    assert model.reached
    assert other.reached
    assert model.measurements <= 2
    assert model.moves <= 1
    assert 1 < model.merit_first < 0.5 * fresh.merit_first
    assert (model.drift, model.case) == (0.1, case)
    assert model.diagnosis == ""


@pytest.mark.slow
def test_a_bench_that_cannot_drift_is_refused_by_name() -> None:
    """A simulated bench of a third party whose truth offers no drift says so."""

    def rigid(kind: str, seed: int) -> Bench:
        bench = make_bench(kind, seed)
        bench.truth = SimpleNamespace()
        return bench

    with pytest.raises(UsageError, match="'collimator' cannot drift"):
        run_case(Case("s", "collimator", 1, 0.1), rigid, lambda _: Model(), Budget(40))


def test_cases_with_and_without_drift_are_different() -> None:
    """Seed by seed, and with a drift the bench is called so."""
    wanted = cases(["s"], ["b"], [7], (0.0, 0.25))
    assert [c.where for c in wanted] == ["b", "b, drift 0.25"]
    assert len(set(wanted)) == 2


def make_moments(kind: str, seed: int) -> Bench:
    """A bench without pixels, so that many runs take little time."""
    bench: Bench = getattr(benches, kind)(seed=seed, fidelity="moments")
    return bench


def alike(outcomes: list[Outcome]) -> list[Outcome]:
    """Return outcomes without what depends on the computer's load."""
    return [replace(o, compute_seconds=0.0) for o in outcomes]


@pytest.mark.slow
def test_two_workers_and_a_cluster_give_the_numbers_of_one(tmp_path: Path) -> None:
    """Bit for bit, and every case once, also where the cluster loses a worker on the way."""
    distributed = pytest.importorskip("distributed", reason="dask (extra cluster) is not installed")
    wanted = cases(["response-matrix"], ["steering", "collimator"], range(3))
    spend = Budget(12)
    one = alike(run_campaign(wanted, make_moments, make_strategy, budget=spend))
    two = alike(run_campaign(wanted, make_moments, make_strategy, budget=spend, workers=2))
    assert two == one
    path = tmp_path / "campaign.csv"
    lost: list[str] = []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
    ) as cluster:

        def lose_one(_: Outcome) -> None:
            if not lost:
                worker = next(iter(cluster.workers.values()))
                os.kill(worker.pid, signal.SIGKILL)
                lost.append(worker.worker_address)

        spread = run_campaign(
            wanted, make_moments, make_strategy, budget=spend, path=path,
            cluster=cluster.scheduler_address, progress=lose_one,
        )  # fmt: skip
    assert lost
    assert alike(spread) == one
    kept = alike(read_rows(path))
    assert sorted(kept, key=lambda o: o.case) == sorted(one, key=lambda o: o.case)


def test_another_fidelity_does_not_share_a_file(tmp_path: Path) -> None:
    """Outcomes of frames and of moments are never mixed in one table."""
    path = tmp_path / "campaign.csv"
    wanted = cases(["response-matrix"], ["steering"], range(1))
    run_campaign(
        wanted, make_moments, make_strategy, budget=Budget(9), path=path, fidelity="moments"
    )
    with pytest.raises(UsageError, match="the fidelity 'moments'"):
        run_campaign(wanted, make_moments, make_strategy, budget=Budget(9), path=path)
