"""``autoalign compare``: search strategies against each other on simulated benches."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from autoalign.cli.exits import Exit
from autoalign.cli.numbers import Amount, checked_measurements, checked_seed, split_list, whole
from autoalign.cli.output import (
    picture_file,
    print_facts,
    print_pairs,
    print_table,
    print_text,
    warn,
)
from autoalign.cli.progress import telling
from autoalign.core.units import given, rounded
from autoalign.messages.words import counted

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.benchmark.outcome import Outcome
    from autoalign.benchmark.statistics import Summary
    from autoalign.strategies.base import Strategy

__all__ = ["compare", "listed"]

Names = Annotated[tuple[str, ...], Parameter(negative="")]
"""Names separated by commas, or the option repeated for each."""


def compare(
    *,
    strategies: Names = ("model", "response-matrix"),
    benches: Names = ("collimator",),
    seeds: int = 20,
    first_seed: int = 0,
    drift: tuple[Amount, ...] = ("0",),
    budget: int = 200,
    workers: int = 1,
    output: Path = Path("campaign"),
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Compare search strategies on simulated benches, each with the same starts and noise.

    Success is judged by the simulated truth without noise at the final position, not by what a run
    claims. A run that does not succeed counts as infinitely many measurements. Each result is
    added to a CSV file as soon as it is known: run the same command again to continue after an
    interruption, or with further strategies, benches, seeds and drifts to add to the file. One
    folder holds one budget and one version of this program; anything else is refused, and nothing
    is lost.

    With "--drift 0.1", each bench is first aligned, and the strategy's calibration is kept. Then
    each axis drifts by up to a tenth of the range from which its misalignment was drawn. Only the
    measurements of the alignment after the drift are counted.

    Parameters
    ----------
    strategies
        Search strategies, separated by commas, or "all"; the option may be repeated. "autoalign
        plugins strategies" lists them.
    benches
        Simulated benches, separated by commas, or "all"; the option may be repeated. "autoalign
        plugins simulations" lists them.
    seeds
        Number of benches drawn of each kind, with consecutive seeds.
    first_seed
        First of these seeds.
    drift
        Drift of an aligned bench, as a fraction of the range from which misalignments are drawn:
        0 (a bench that is aligned for the first time) to 1. Separate several by commas: "0,0.1"
        compares both.
    budget
        Maximum number of measurements in a run, including the first and the final check.
    workers
        Number of processes to use.
    output
        Folder for campaign.csv (one line per run) and campaign.png.
    json
        Print the table as JSON.
    """
    from autoalign.benchmark.campaign import cases, run_campaign  # noqa: PLC0415 - heavy
    from autoalign.benchmark.campaign_picture import draw_campaign  # noqa: PLC0415
    from autoalign.session.actions import Budget  # noqa: PLC0415

    whole("--seeds", seeds, 1, 1_000_000)
    whole("--workers", workers, 1, max(64, os.cpu_count() or 1))
    checked_seed("--first-seed", first_seed)
    spend = Budget(checked_measurements(budget))
    chosen = listed("strategies", strategies, "compare")
    kinds = listed("simulations", benches, "compare")
    drifts = _drifts(drift)
    wanted = cases(chosen, kinds, range(first_seed, first_seed + seeds), drifts)
    picture_file("--output", output / "campaign.png")
    output.mkdir(parents=True, exist_ok=True)
    with telling() as tell:
        outcomes = run_campaign(
            wanted, _make_bench, _make_strategy, budget=spend,
            path=output / "campaign.csv", workers=workers, progress=_Counted(len(wanted), tell),
        )  # fmt: skip
    picture = draw_campaign(outcomes, output / "campaign.png")
    _print(outcomes, budget, {"Outcomes": output / "campaign.csv", "Picture": picture}, json)
    return Exit.IN_SPEC


def listed(group: str, asked: Iterable[str], command: str) -> list[str]:
    """Return the plug-ins that ``command`` is asked for, each known to exist and to load.

    Each text in ``asked`` is a name, several with commas between them, or "all".
    """
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.plugins import names, plugin  # noqa: PLC0415

    chosen: list[str] = []
    for name in split_list(asked):
        chosen += sound(group) if name == "all" else [name]
    chosen = list(dict.fromkeys(chosen))
    if not chosen:
        raise UsageError(f"{command}: no {group} given; available: {', '.join(names(group))}.")
    for name in chosen:
        plugin(group, name)
    return chosen


def sound(group: str) -> list[str]:
    """Return the plug-ins of ``group`` that can be used; says which cannot, and why."""
    from autoalign.plugins import catalogue  # noqa: PLC0415

    found = catalogue(group)
    for info in found:
        if info.broken:
            warn(f"Left out: {info.problem}")
    return [info.name for info in found if not info.broken]


def _drifts(asked: Sequence[str]) -> list[float]:
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    try:
        parts = [float(n) for n in split_list(asked)]
    except ValueError:
        parts = []
    if not parts or not all(0 <= p <= 1 for p in parts):
        raise UsageError(
            f"compare, --drift: {','.join(asked)!r}; give numbers from 0 (first alignment) to 1 "
            "(the full range of starting misalignments), separated by commas. Example: --drift "
            "0,0.1"
        )
    return list(dict.fromkeys(parts))


def _make_bench(kind: str, seed: int) -> Bench:
    from autoalign.plugins import plugin  # noqa: PLC0415

    bench: Bench = plugin("simulations", kind)(seed).bench()
    return bench


def _make_strategy(name: str) -> Strategy:
    from autoalign.plugins import plugin  # noqa: PLC0415

    strategy: Strategy = plugin("strategies", name)()
    return strategy


class _Counted:
    """Says which run has just ended, how, and how many have."""

    def __init__(self, wanted: int, tell: Callable[[str], None]) -> None:
        self._wanted, self._tell, self._done = wanted, tell, 0

    def __call__(self, outcome: Outcome) -> None:
        self._done += 1
        state = "in spec" if outcome.reached else f"not in spec ({outcome.status})"
        self._tell(
            f"Run {self._done} of at most {self._wanted}: {outcome.case.where}, seed "
            f"{outcome.seed}, {outcome.strategy}: "
            f"{counted(outcome.measurements, 'measurement')}, {state}"
        )


def _print(outcomes: Sequence[Outcome], budget: int, files: dict[str, Path], json: bool) -> None:
    from autoalign.benchmark.statistics import summarise  # noqa: PLC0415

    rows = summarise(outcomes)
    if json:
        print_facts([{**asdict(r), "budget": budget} for r in rows])
        return
    print_table(
        ("bench", "strategy", "measurements, median (95 % interval)", "95 % of runs", "in spec",
         "expected", "false “in spec”", "worse than start", "faults reported", "bench time",
         "compute time per measurement"),
        [_row(r) for r in rows],
    )  # fmt: skip
    print_text()
    print_text(
        f"Each run could use up to {budget} measurements. Median and 95 % of runs: number of "
        "measurements until in spec; a run that did not succeed counts as infinitely many. 95 % "
        "of runs needed at most this many. The interval of the median is from order statistics "
        "and needs at least 6 runs. Expected: all measurements of all runs divided by the number "
        "of successes. In spec: by the simulated truth, with Wilson's 95 % interval. False “in "
        "spec”: runs that claimed to be in spec and were not. Faults reported: runs that ended by "
        "reporting a fault of the bench. Compute time is that of this computer, including "
        "whatever else it was doing."
    )
    print_text()
    print_pairs([(name, str(path)) for name, path in files.items()], indent="")


def _row(r: Summary) -> tuple[str, ...]:
    low, high = r.success_band
    band = "–".join(map(_count, r.median_band)) if r.median_band else "too few runs"
    return (
        r.bench,
        r.strategy,
        f"{_count(r.median)} ({band})",
        _count(r.p95),
        f"{r.reached}/{r.runs} ({rounded(100 * low, 0)}–{rounded(100 * high, 0)} %)",
        rounded(r.expected, 1),
        str(r.false_in_spec),
        str(r.worse_than_start),
        str(r.faults_reported),
        f"{rounded(r.bench_seconds, 1)} s",
        f"{rounded(1e3 * r.compute_seconds, 1)} ms",
    )


def _count(measurements: float) -> str:
    return given(measurements) if math.isfinite(measurements) else "∞"
