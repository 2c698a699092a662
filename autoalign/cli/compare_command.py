"""``autoalign compare``: search strategies against each other on simulated benches."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

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
    from autoalign.benchmark.statistics import Change, Summary
    from autoalign.strategies.base import Strategy

__all__ = ["compare", "listed"]

Names = Annotated[tuple[str, ...], Parameter(negative="")]
"""Names separated by commas, or the option repeated for each."""


def compare(
    *,
    strategies: Names = ("model", "response-matrix"),
    benches: Names = (),
    problems: Names = (),
    fidelity: Literal["moments", "frames"] = "moments",
    seeds: int = 20,
    first_seed: int = 0,
    drift: tuple[Amount, ...] = ("0",),
    budget: int = 200,
    workers: int = 1,
    cluster: str | None = None,
    against: Path | None = None,
    batch: int | None = None,
    device: Literal["cpu", "cupy", "jax"] = "cpu",
    output: Path = Path("campaign"),
    parquet: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Compare search strategies on simulated benches, each with the same starts and noise.

    Success is judged by the simulated truth without noise at the final position, not by what a run
    claims. A run that does not succeed counts as infinitely many measurements. Each result is
    added to a CSV file as soon as it is known: run the same command again to continue after an
    interruption, or with further strategies, benches, seeds and drifts to add to the file. One
    folder holds one budget, one fidelity and one version of this program; anything else is
    refused, and nothing is lost.

    With "--drift 0.1", each bench is first aligned, and the strategy's calibration is kept. Then
    each axis drifts by up to a tenth of the range from which its misalignment was drawn. Only the
    measurements of the alignment after the drift are counted.

    Parameters
    ----------
    strategies
        Search strategies, separated by commas, or "all"; the option may be repeated. "autoalign
        plugins strategies" lists them.
    benches
        What to run them on, separated by commas; the option may be repeated. A simulated bench
        ("autoalign plugins simulations" lists them, "all" takes every one), a problem of a set, as
        in "everyday-1/relay-dim", or a bench file whose hardware is simulated throughout. The
        collimator if neither this nor --problems is given.
    problems
        Sets of problems, separated by commas; the option may be repeated. "autoalign plugins
        problems" lists them.
    fidelity
        moments: cameras give the moments, noise and flags of their frames, and no pixel is
        computed; frames: cameras give frames, which takes many times as long.
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
        Number of processes to use. The results do not depend on it.
    cluster
        Address of a Dask scheduler whose workers do the runs, as in "tcp://head:8786"; needs the
        extra "cluster", and this program on every worker.
    against
        The campaign.csv or campaign.parquet of an earlier campaign: says what has become better or
        worse beyond chance on the seeds of both, and ends with exit code 1 if anything has become
        worse.
    batch
        Instead of all this: align this number of drawn collimators at once by the model strategy,
        in whole arrays and without pixels, for failure rates of one in 100,000. "--first-seed" is
        the seed, a trial takes at most 20 measurements, and nothing is written.
    device
        Where the batch runs: cpu, or an accelerator through cupy or jax (extra "gpu").
    output
        Folder for campaign.csv (one line per run), campaign.png and the page campaign.html.
    parquet
        Write campaign.parquet as well; needs the extra "parquet".
    json
        Print the tables as JSON.
    """
    from autoalign.benchmark.campaign import cases, run_campaign  # noqa: PLC0415 - heavy
    from autoalign.benchmark.campaign_file import read_campaign, write_parquet  # noqa: PLC0415
    from autoalign.benchmark.campaign_picture import draw_campaign  # noqa: PLC0415
    from autoalign.benchmark.page import write_page  # noqa: PLC0415
    from autoalign.benchmark.statistics import changes  # noqa: PLC0415
    from autoalign.core.foreign import require_extra  # noqa: PLC0415
    from autoalign.session.actions import Budget  # noqa: PLC0415

    if batch is not None:
        from autoalign.cli.batch_output import run_batch  # noqa: PLC0415 - heavy

        trials = whole("--batch", batch, 1, 100_000_000)
        kinds_of = split_list(benches)
        seed = checked_seed("--first-seed", first_seed)
        return run_batch(trials, device, kinds_of, seed, min(budget, 20), json)
    whole("--seeds", seeds, 1, 1_000_000)
    whole("--workers", workers, 1, max(64, os.cpu_count() or 1))
    checked_seed("--first-seed", first_seed)
    spend = Budget(checked_measurements(budget))
    chosen = listed("strategies", strategies, "compare")
    kinds = _kinds(benches, problems, fidelity)
    drifts = _drifts(drift)
    before = None if against is None else read_campaign(against)
    if parquet:
        require_extra("compare, --parquet,", "parquet", "pyarrow")
    wanted = cases(chosen, kinds, range(first_seed, first_seed + seeds), drifts)
    picture_file("--output", output / "campaign.png")
    output.mkdir(parents=True, exist_ok=True)
    with telling() as tell:
        outcomes = run_campaign(
            wanted, partial(_make_bench, fidelity=fidelity), _make_strategy, budget=spend,
            path=output / "campaign.csv", workers=workers, cluster=cluster, fidelity=fidelity,
            progress=_Counted(len(wanted), tell),
        )  # fmt: skip
    files = {"Outcomes": output / "campaign.csv"}
    if parquet:
        files["Parquet"] = write_parquet(output / "campaign.parquet", outcomes)
    found = None if before is None else changes(outcomes, before)
    files["Picture"] = draw_campaign(outcomes, output / "campaign.png")
    files["Page"] = write_page(outcomes, output / "campaign.html", found)
    _print(outcomes, budget, files, found, json)
    worse = found is not None and any(c.verdict == "worse" for c in found)
    return Exit.NOT_IN_SPEC if worse else Exit.IN_SPEC


def _kinds(benches: Iterable[str], problems: Iterable[str], fidelity: str) -> list[str]:
    """Return what to run on, each known to exist."""
    from autoalign.benchmark.problems import check_problem, problems_of  # noqa: PLC0415

    asked, kinds = split_list(benches), []
    sets = split_list(problems)
    if not asked and not sets:
        kinds = listed("simulations", benches, "compare") if tuple(benches) else ["collimator"]
    for name in asked:
        kinds += sound("simulations") if name == "all" else [name]
    for name in sets:
        kinds += problems_of(name)
    kinds = list(dict.fromkeys(kinds))
    for name in kinds:
        check_problem(name, fidelity)
    return kinds


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


def _make_bench(kind: str, seed: int, fidelity: str) -> Bench:
    from autoalign.benchmark.problems import make_problem  # noqa: PLC0415

    return make_problem(kind, seed, fidelity)


@lru_cache
def _strategy_of(name: str) -> Callable[[], Strategy]:
    from autoalign.plugins import plugin  # noqa: PLC0415

    make: Callable[[], Strategy] = plugin("strategies", name)
    return make


def _make_strategy(name: str) -> Strategy:
    return _strategy_of(name)()


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


def _print(
    outcomes: Sequence[Outcome],
    budget: int,
    files: dict[str, Path],
    found: Sequence[Change] | None,
    json: bool,
) -> None:
    from autoalign.benchmark.conclusion import conclusions, explained  # noqa: PLC0415
    from autoalign.benchmark.statistics import summarise  # noqa: PLC0415

    rows = summarise(outcomes)
    if json:
        facts: dict[str, object] = {"summaries": [{**asdict(r), "budget": budget} for r in rows]}
        if found is not None:
            facts["against"] = [asdict(c) for c in found]
        print_facts(facts)
        return
    print_table(
        ("bench", "rank", "strategy", "measurements, median (95 % interval)", "95 % of runs",
         "in spec", "expected (95 % interval)", "false “in spec”", "worse than start",
         "faults reported", "bench time", "compute time per measurement"),
        [_row(r) for r in rows],
    )  # fmt: skip
    for sentence in (*conclusions(outcomes), *explained(outcomes)):
        print_text()
        print_text(sentence)
    if found is not None:
        print_text()
        print_table(
            ("bench", "strategy", "now", "better", "worse", "same", "p (Holm)"),
            [
                (c.bench, c.strategy, c.verdict, str(c.better), str(c.worse), str(c.same),
                 rounded(c.p, 4))
                for c in found
            ],
        )  # fmt: skip
    print_text()
    print_pairs([(name, str(path)) for name, path in files.items()], indent="")


def _row(r: Summary) -> tuple[str, ...]:
    from autoalign.benchmark.conclusion import percent_band  # noqa: PLC0415

    band = "–".join(map(_count, r.median_band)) if r.median_band else "too few runs"
    return (
        r.bench,
        str(r.rank),
        r.strategy,
        f"{_count(r.median)} ({band})",
        _count(r.p95),
        f"{r.reached}/{r.runs} ({percent_band(r.success_band, r.runs)})",
        f"{_mean(r.expected)} ({_mean(r.expected_band[0])}–{_mean(r.expected_band[1])})",
        str(r.false_in_spec),
        str(r.worse_than_start),
        str(r.faults_reported),
        f"{rounded(r.bench_seconds, 1)} s",
        f"{rounded(1e3 * r.compute_seconds, 1)} ms",
    )


def _mean(measurements: float) -> str:
    return rounded(measurements, 1) if math.isfinite(measurements) else "∞"


def _count(measurements: float) -> str:
    return given(measurements) if math.isfinite(measurements) else "∞"
