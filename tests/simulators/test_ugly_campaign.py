"""The model strategy on the collimator in every kind of ugly light, judged by the exact truth."""

from __future__ import annotations

import logging
from statistics import median

import pytest
from autoalign_simulators import benches
from autoalign_simulators.ugly_light import KINDS

from autoalign.bench import Bench
from autoalign.benchmark.campaign import cases, run_case
from autoalign.benchmark.outcome import Outcome
from autoalign.session import Budget
from autoalign.strategies.model import Model

LOG = logging.getLogger("autoalign.campaign")
"""Figures as measured; shown with ``--log-cli-level=INFO``."""

pytestmark = [pytest.mark.campaign, pytest.mark.timeout(3600)]

SEEDS = range(4)
BUDGET = Budget(30)


def make_bench(light: str, seed: int) -> Bench:
    """A collimator in ``light``; "even" for none of it."""
    return benches.collimator(seed=seed, light="" if light == "even" else light)


def table(light: str, outcomes: list[Outcome]) -> str:
    """Return a line of the table: counts, and tolerances off at the start and at the end."""
    truly, claimed = (sum(getattr(o, k) for o in outcomes) for k in ("reached", "claimed"))
    false = sum(o.claimed and not o.reached for o in outcomes)
    first, last = ([getattr(o, k) for o in outcomes] for k in ("merit_first", "merit_last"))
    ends = " ".join(f"{m:.2g}" for m in last)
    return (
        f"{light:13s} truly in spec {truly} of {len(outcomes)}, claimed {claimed}, false {false}, "
        f"measurements {' '.join(str(o.measurements) for o in outcomes)}, "
        f"tolerances off {median(first):.0f} at the start, {ends} at the end"
    )


@pytest.mark.parametrize("light", ["even", *KINDS])
def test_alignment_in_ugly_light(light: str) -> None:
    """No run claims what is not true, and in even light every run ends in spec."""
    outcomes = [
        run_case(case, make_bench, lambda _: Model(), BUDGET)
        for case in cases(["model"], [light], SEEDS)
    ]
    LOG.info("%s", table(light, outcomes))
    for o in outcomes:
        LOG.info("  seed %d: %s; %s", o.seed, o.status, o.reason)
    assert not any(o.claimed and not o.reached for o in outcomes)
    if light == "even":
        assert all(o.reached for o in outcomes)
