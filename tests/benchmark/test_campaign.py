"""Campaigns: fair, resumable, and judged on the truth."""

from __future__ import annotations

from pathlib import Path

import pytest
from autoalign_simulators import benches

from autoalign.bench import Bench
from autoalign.benchmark.campaign import cases, run_campaign, run_case
from autoalign.benchmark.outcome import Case, Outcome, read_rows
from autoalign.errors import UsageError
from autoalign.search.base import Strategy
from autoalign.search.response_matrix import ResponseMatrix
from autoalign.session import Budget


def make_bench(family: str, seed: int) -> Bench:
    """A simulated bench of the family."""
    bench: Bench = getattr(benches, family)(seed=seed)
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


@pytest.mark.slow
def test_outcome_is_judged_by_the_truth_not_by_the_claim() -> None:
    """The same seed gives the same outcome; the truth improves from first to last."""
    case = Case("response-matrix", "collimator", 1)
    one, two = (run_case(case, make_bench, make_strategy, Budget(40)) for _ in range(2))
    assert (one.probes, one.merit_last, one.travel_mm) == (
        two.probes,
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


def test_half_a_line_is_left_out(tmp_path: Path) -> None:
    """A line that was cut off by a crash is not read."""
    path = tmp_path / "campaign.csv"
    header = ",".join(Outcome.__dataclass_fields__)
    row = "s,b,0,True,True,4,3,2.0,0.01,1.0,0.1,30.0,0.4,in spec,verified"
    path.write_text(f"{header}\n{row}\ns,b,1,True,Tr")
    assert [o.seed for o in read_rows(path)] == [0]


def test_a_file_that_is_no_campaign_is_refused(tmp_path: Path) -> None:
    """Somebody else's CSV file is named with the columns that it lacks."""
    path = tmp_path / "other.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(UsageError, match="columns missing: strategy"):
        read_rows(path)
