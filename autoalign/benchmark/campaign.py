"""Campaigns: strategies × benches × drifts × seeds, parallel, resumable, common random numbers.

The same seed gives every strategy the same bench, the same start, the same drift and the same
camera noise.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from autoalign.bench import Bench
from autoalign.benchmark.campaign_file import append_rows, check_alike, read_rows
from autoalign.benchmark.outcome import Case, Outcome
from autoalign.benchmark.timed import Timed
from autoalign.core.errors import AlignError, UsageError
from autoalign.core.foreign import require_extra
from autoalign.run.compose import run
from autoalign.session import Budget, Move, Session
from autoalign.strategies.base import Strategy

__all__ = ["cases", "run_campaign", "run_case"]


def cases(
    strategies: Sequence[str],
    benches: Sequence[str],
    seeds: Iterable[int],
    drifts: Sequence[float] = (0.0,),
) -> list[Case]:
    """Return every combination, seed by seed, so that a campaign that is cut off is balanced."""
    return [Case(s, b, k, d) for k in seeds for b in benches for d in drifts for s in strategies]


def run_campaign(
    wanted: Sequence[Case],
    make_bench: Callable[[str, int], Bench],
    make_strategy: Callable[[str], Strategy],
    *,
    budget: Budget,
    path: Path | None = None,
    workers: int = 1,
    cluster: str | None = None,
    fidelity: str = "frames",
    progress: Callable[[Outcome], None] | None = None,
) -> list[Outcome]:
    """Run every case that ``path`` does not hold yet; return all outcomes in the order wanted.

    Parameters
    ----------
    make_bench, make_strategy
        Called in the worker; must be picklable (functions of a module).
    path
        CSV file that each outcome is added to once it is known; None keeps none.
    workers
        Processes; each computes with one BLAS thread.
    cluster
        Address of a Dask scheduler, whose workers take the place of processes here. A worker that
        is lost loses nothing: what it was at is run again, and every case is written once.
    fidelity
        What ``make_bench`` makes its benches with; kept with every outcome.

    Raises
    ------
    UsageError
        Where ``path`` is damaged, is no campaign, holds outcomes of another budget or of another
        version of the library, or is being written by another process; before anything is run, and
        the file is left as it is.
    """
    with nullcontext() if path is None else _alone(path), _spread(workers, cluster) as parallel:
        known = _known(path, budget, fidelity)
        todo = [c for c in wanted if c not in known]
        for outcome in parallel(
            _delayed(c, make_bench, make_strategy, budget, fidelity) for c in todo
        ):
            known[outcome.case] = outcome
            if path is not None:
                append_rows(path, [outcome])
            if progress is not None:
                progress(outcome)
    return [known[c] for c in wanted]


def _delayed(case: Case, *rest: Any) -> Any:
    from joblib import delayed  # noqa: PLC0415

    return delayed(run_case)(case, *rest)


@contextmanager
def _spread(workers: int, cluster: str | None) -> Iterator[Callable[..., Iterable[Outcome]]]:
    """Yield what runs calls and yields their results as they come.

    Raises
    ------
    UsageError
        Where no scheduler answers at ``cluster``, or what talks to one is not installed.
    """
    from joblib import Parallel, parallel_config  # noqa: PLC0415

    if cluster is None:
        yield Parallel(n_jobs=workers, return_as="generator_unordered")
        return
    require_extra("compare, --cluster,", "cluster", "distributed")
    from distributed import Client  # noqa: PLC0415

    try:
        client = Client(cluster, timeout=5)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"compare, --cluster {cluster}: no Dask scheduler answers there "
            f"({str(error).splitlines()[0]}). Start one, or check the address; nothing was run."
        ) from error
    with client, parallel_config(backend="dask", client=client):
        yield Parallel(n_jobs=-1, return_as="generator_unordered")


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Hold the campaign of ``path`` for this process; two would run and write every case twice."""
    from filelock import FileLock, Timeout  # noqa: PLC0415

    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with FileLock(path.with_suffix(".lock"), timeout=0):
            yield
    except Timeout as error:
        raise UsageError(
            f"{path}: another comparison is writing here. Wait for it, or name another folder; "
            "nothing was run."
        ) from error


def _known(path: Path | None, budget: Budget, fidelity: str) -> dict[Case, Outcome]:
    """Return the outcomes that are there already, all of this budget and this version."""
    if path is None or not path.exists():
        return {}
    rows = read_rows(path)
    check_alike(path, rows, _settings(budget, fidelity))
    return {o.case: o for o in rows}


def _settings(budget: Budget, fidelity: str) -> dict[str, Any]:
    """Return what all outcomes of a campaign share."""
    return {
        "budget": budget.measurements, "budget_seconds": budget.seconds,
        "version": version("autoalign"), "fidelity": fidelity,
    }  # fmt: skip


def run_case(
    case: Case,
    make_bench: Callable[[str, int], Bench],
    make_strategy: Callable[[str], Strategy],
    budget: Budget,
    fidelity: str = "frames",
) -> Outcome:
    """Align one simulated bench and judge the end by its noise-free truth.

    Raises
    ------
    UsageError
        Where the case has a drift and the simulated bench cannot drift.
    """
    from threadpoolctl import threadpool_limits  # noqa: PLC0415

    with threadpool_limits(1), make_bench(case.bench, case.seed) as bench:
        calibration = _remembered(case, bench, make_strategy(case.strategy), budget)
        timed = Timed(make_strategy(case.strategy))
        start = bench.clock.now()
        first = bench.truth.verdict(bench.spec).merit
        session = Session.for_bench(
            bench, timed.strategy, budget=budget, rng=_rng(case), calibration=calibration
        )
        walked = _Walked(bench)
        try:
            finish = run(bench, session, progress=walked.follow)
            claimed, status, reason = finish.in_spec, finish.status.value, finish.reason
        except AlignError as error:
            claimed, status, reason = False, type(error).__name__, str(error).splitlines()[0]
        last = bench.truth.verdict(bench.spec)
        reached = bool(bench.truth.in_spec(bench.spec))
        return Outcome(
            case.strategy, case.bench, case.seed, claimed, reached, session.measurements,
            session.moves, bench.clock.now() - start, timed.median, walked.total("mm"),
            walked.total("rad"), float(first), float(last.merit), status, reason,
            **_settings(budget, fidelity), drift=case.drift,
            diagnosis="; ".join(map(str, timed.strategy.findings)), axes=len(bench.free_axes),
        )  # fmt: skip


def _remembered(case: Case, bench: Bench, strategy: Strategy, budget: Budget) -> Any:
    """Align a bench that is to drift, let it drift; return what the strategy would have saved."""
    if not case.drift:
        return None
    if not hasattr(bench.truth, "shift"):
        raise UsageError(
            f"compare: the simulated bench {case.bench!r} cannot drift (its truth has no shift); "
            "give --drift 0, or another bench."
        )
    with suppress(AlignError):  # it is aligned again from where it stands, as a person would
        run(bench, Session.for_bench(bench, strategy, budget=budget, rng=_rng(case)))
    bench.truth.shift(case.drift, np.random.default_rng([case.seed, 0xD21F7]))
    return json.loads(json.dumps(strategy.calibration))


def _rng(case: Case) -> np.random.Generator:
    """Chance for the search, the same for every strategy and independent of the bench's own."""
    return np.random.default_rng([case.seed, 0x5EED])


class _Walked:
    """Adds up how far the axes have gone."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._last = bench.positions()
        self._sum = {"mm": 0.0, "rad": 0.0}

    def follow(self, event: Any) -> None:
        if isinstance(event.action, Move):
            for name, axis in self.bench.axes.items():
                here = event.positions.get(name, self._last[name])
                self._sum[axis.unit] += abs(here - self._last[name])
                self._last[name] = here

    def total(self, unit: str) -> float:
        return self._sum[unit]
