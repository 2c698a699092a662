"""``autoalign compare``: strategies against each other on simulated benches."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from autoalign.cli.exits import Exit
from autoalign.cli.numbers import Amount, checked_looks, checked_seed, whole
from autoalign.cli.output import note, print_facts, print_pairs, print_table, print_text
from autoalign.cli.outputs import picture_file

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.benchmark.outcome import Outcome
    from autoalign.benchmark.statistics import Summary
    from autoalign.strategies.base import Strategy

__all__ = ["compare", "listed"]


def compare(
    *,
    strategies: Annotated[str, Parameter(name=["--strategies"])] = "model,response-matrix",
    benches: str = "collimator",
    seeds: int = 20,
    first_seed: int = 0,
    drift: Amount = "0",
    budget: int = 200,
    workers: int = 1,
    output: Path = Path("campaign"),
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Compare strategies on simulated benches, each on the same benches, starts and noise.

    Success is judged by the simulated truth without noise at the last position, not by what a run
    claims. A run that does not get there counts as infinitely many looks. Every outcome is added
    to a CSV file as soon as it is known: the same command goes on where it was interrupted, and
    further strategies, benches, seeds and drifts are added to it. One folder holds one budget and
    one version of this program; another is refused, and nothing is lost.

    With "--drift 0.1" every bench is aligned first, and what the strategy remembers of it is kept.
    Then each axis drifts by up to a tenth of the range from which its misalignment was drawn. Only
    the looks of the alignment after that are counted.

    Parameters
    ----------
    strategies
        Names, separated by commas, or "all". "autoalign plugins strategies" lists them.
    benches
        Families of simulated benches, separated by commas, or "all".
    seeds
        How many benches are drawn of each family, from seeds that follow one another.
    first_seed
        The first of these seeds.
    drift
        By how much an aligned bench drifts, as a part of the range from which misalignments are
        drawn: 0 (a bench that is aligned for the first time) to 1. Several are separated by
        commas: "0,0.1" compares both.
    budget
        Looks that one run may spend, the first and the verifying one included.
    workers
        Processes at work at once.
    output
        Folder for campaign.csv (one line for each run) and campaign.png.
    json
        Print the table as JSON.
    """
    from autoalign.benchmark.campaign import cases, run_campaign  # noqa: PLC0415 - heavy
    from autoalign.benchmark.campaign_picture import draw_campaign  # noqa: PLC0415
    from autoalign.session.actions import Budget  # noqa: PLC0415

    whole("--seeds", seeds, 1, 1_000_000)
    whole("--workers", workers, 1, max(64, os.cpu_count() or 1))
    checked_seed("--first-seed", first_seed)
    spend = Budget(checked_looks(budget))
    chosen = listed("strategies", strategies, "compare")
    families = listed("simulations", benches, "compare")
    drifts = _drifts(drift)
    wanted = cases(chosen, families, range(first_seed, first_seed + seeds), drifts)
    picture_file("--output", output / "campaign.png")
    output.mkdir(parents=True, exist_ok=True)
    outcomes = run_campaign(
        wanted, _make_bench, _make_strategy, budget=spend,
        path=output / "campaign.csv", workers=workers, progress=_tell,
    )  # fmt: skip
    picture = draw_campaign(outcomes, output / "campaign.png")
    _print(outcomes, budget, {"Outcomes": output / "campaign.csv", "Picture": picture}, json)
    return Exit.IN_SPEC


def listed(group: str, asked: str, command: str) -> list[str]:
    """Return the plug-ins that ``command`` is asked for, each known to exist and to load."""
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.plugins import names, plugin  # noqa: PLC0415

    chosen = list(names(group)) if asked == "all" else [n.strip() for n in asked.split(",")]
    chosen = [n for n in dict.fromkeys(chosen) if n]
    if not chosen:
        raise UsageError(f"{command}: no {group} given; known: {', '.join(names(group))}.")
    for name in chosen:
        plugin(group, name)
    return chosen


def _drifts(asked: str) -> list[float]:
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    try:
        parts = [float(n) for n in asked.split(",")]
    except ValueError:
        parts = []
    if not parts or not all(0 <= p <= 1 for p in parts):
        raise UsageError(
            f"compare, --drift: {asked!r}; numbers from 0 (first time) to 1 (the whole range of "
            "the start) are needed, separated by commas. Example: --drift 0,0.1"
        )
    return list(dict.fromkeys(parts))


def _make_bench(family: str, seed: int) -> Bench:
    from autoalign.plugins import plugin  # noqa: PLC0415

    bench: Bench = plugin("simulations", family)(seed).bench()
    return bench


def _make_strategy(name: str) -> Strategy:
    from autoalign.plugins import plugin  # noqa: PLC0415

    strategy: Strategy = plugin("strategies", name)()
    return strategy


def _tell(outcome: Outcome) -> None:
    state = "in spec" if outcome.reached else f"not in spec ({outcome.status})"
    note(
        f"{outcome.case.where}, seed {outcome.seed}, {outcome.strategy}: "
        f"{outcome.probes} looks, {state}, "
        f"merit {outcome.merit_first:.3g} to {outcome.merit_last:.3g}"
    )


def _print(outcomes: Sequence[Outcome], budget: int, files: dict[str, Path], json: bool) -> None:
    from autoalign.benchmark.statistics import summarise  # noqa: PLC0415

    rows = summarise(outcomes)
    if json:
        print_facts([{**asdict(r), "budget": budget} for r in rows])
        return
    print_table(
        ("bench", "strategy", "looks, median (95 % band)", "95 %", "in spec", "expected looks",
         "false claims", "worse than start", "accusations", "bench time", "own time a look"),
        [_row(r) for r in rows],
    )  # fmt: skip
    print_text()
    print_text(
        f"Every run could spend {budget} looks. "
        "Median and 95 % count an unsuccessful run as infinitely many looks; the median of an even "
        "number of runs is the mean of the two in the middle. Its 95 % band goes by order "
        "statistics; fewer than 6 runs give none. 95 %: so many of these runs needed no more. "
        "Expected looks: all "
        "looks of all runs over the successes. In spec, with Wilson's 95 % interval: by the "
        "simulated truth. Accusations: runs that end with something said to be wrong with the "
        "bench. Own time is this computer's, under whatever else it was doing."
    )
    print_text()
    print_pairs([(name, str(path)) for name, path in files.items()], indent="")


def _row(r: Summary) -> tuple[str, ...]:
    low, high = (f"{100 * edge:.0f}" for edge in r.success_band)
    band = "–".join(map(_count, r.median_band)) if r.median_band else "too few runs"
    return (
        r.bench,
        r.strategy,
        f"{_count(r.median)} ({band})",
        _count(r.p95),
        f"{r.reached}/{r.runs} ({low}–{high} %)",
        f"{r.expected:.1f}" if math.isfinite(r.expected) else "∞",
        str(r.falsely_claimed),
        str(r.worse_than_start),
        str(r.accusations),
        f"{r.bench_seconds:.1f} s",
        f"{1e3 * r.own_seconds:.1f} ms",
    )


def _count(looks: float) -> str:
    return f"{looks:g}" if math.isfinite(looks) else "∞"
