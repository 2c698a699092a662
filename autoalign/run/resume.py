"""Going on with an interrupted run: what its record gives, and whether it is the same run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from autoalign.bench import Bench
from autoalign.core.errors import UsageError
from autoalign.journal import describe_bench, read_to_resume
from autoalign.session import Budget, Replayed
from autoalign.spec.terms import Spec

__all__ = ["EarlierRun", "past_run"]


@dataclass(frozen=True, slots=True, eq=False)
class EarlierRun:
    """What an interrupted run leaves to the one that goes on with it."""

    measurements: tuple[Replayed, ...]
    seed: int
    budget: Budget
    locked: tuple[str, ...]


def past_run(
    journal: str | Path | None,
    bench: Bench,
    strategy: str,
    spec: Spec | None,
    locked: Sequence[str] | None,
) -> EarlierRun:
    """Return what the record in ``journal`` leaves.

    Raises
    ------
    JournalError
        Where it cannot be read, or records in it are damaged.
    UsageError
        Where there is no record, or it is of another strategy, bench, spec or set of axes: what
        was seen there would not be what this run means.
    """
    if journal is None:
        raise UsageError("resume needs the journal of the run to go on with.")
    record = read_to_resume(journal)
    run = record.run
    if run.get("strategy") != strategy:
        raise UsageError(
            f"journal {record.path}: it is a run of {run.get('strategy')!r}, not of {strategy!r}; "
            "go on with the same strategy, or start a new journal."
        )
    if lacking := sorted({"bench", "budget", "locked", "seed"} - run.keys()):
        raise UsageError(
            f"journal {record.path}: it is not that of an alignment, which says its "
            f"{', '.join(lacking)}; start a new journal."
        )
    recorded = tuple(run["locked"])
    other = _difference(run, bench, spec)
    if locked is not None and sorted(_locked(bench, locked)) != sorted(recorded):
        other = f"its locked axes are {', '.join(recorded) or 'none'}"
    if other:
        raise UsageError(
            f"journal {record.path}: it is no earlier part of this run ({other}); go on as it "
            "began, or start a new journal."
        )
    budget = run["budget"]
    seconds = float(budget["seconds"])
    return EarlierRun(
        record.replay, int(run["seed"]), Budget(budget["measurements"], seconds), recorded
    )


def _difference(run: Mapping[str, Any], bench: Bench, spec: Spec | None) -> str:
    """Return in words what tells the recorded bench from ``bench``; "" for the same one."""
    then, now = run["bench"], describe_bench(bench)
    if words := _other_bench(then, now):
        return words
    for what in ("axes", "detectors", "layout"):
        if then[what] != now[what]:
            return f"the bench has changed: {what}"
    given = None if spec is None else repr(spec)
    if run.get("spec_given") != given or (given is None and then["spec"] != now["spec"]):
        return "its spec is another one"
    return ""


def _other_bench(then: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """Return in words why the recorded run was made with other hardware, else "".

    What a stage says it is counts where it said so both times.
    """
    if then["name"] != now["name"]:
        return f"its bench is called {then['name']!r}, this one {now['name']!r}"
    if then["simulated"] != now["simulated"]:
        return f"its bench is {_kind(then)}, this one {_kind(now)}"
    for stage in sorted({*then["stages"], *now["stages"]}):
        said, says = then["stages"].get(stage), now["stages"].get(stage)
        if said is None or says is None:
            return f"stage {stage} is on one of the two benches only"
        was, now_is = said["identity"], says["identity"]
        if was and now_is and was != now_is:
            return f"its stage {stage} said it is {was!r}, this one says {now_is!r}"
    return ""


def _kind(described: Mapping[str, Any]) -> str:
    return "simulated" if described["simulated"] else "real"


def _locked(bench: Bench, locked: Sequence[str]) -> list[str]:
    return [n for n, a in bench.axes.items() if n in locked or a.part in locked]
