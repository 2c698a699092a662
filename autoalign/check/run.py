"""One call from a bench to what is wrong with its wiring."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from autoalign.bench import Bench
from autoalign.check.inspection import Inspection
from autoalign.check.result import CheckResult
from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError, unknown_name
from autoalign.core.findings import Finding, Severity
from autoalign.journal import Journal, describe_bench
from autoalign.journal.describe import versions
from autoalign.run.compose import Run
from autoalign.run.execute import Event, StopFlag
from autoalign.run.guard import MoveGuard
from autoalign.session import Finish, Scan, ScanMeasurement, Status
from autoalign.strategies.base import Measurement

__all__ = ["check_bench"]


def check_bench(
    bench: Bench,
    *,
    axes: Sequence[str] | None = None,
    journal: str | Path | None = None,
    guard: MoveGuard | None = None,
    progress: Callable[[Event], None] | None = None,
    stop: StopFlag | None = None,
) -> CheckResult:
    """Try STOP on every controller, move each axis alone by tiny steps, and say what is wrong.

    Cautions: motors start without warning and the beam moves a little; see :func:`autoalign.align`
    for what has to be done and said before. Nothing here is a safety function.

    Whatever is found, every axis is at the end where it was, as read back. With a layout what
    is seen is compared with what the model expects; without one it is still said what moves, how
    much backlash there is and how well it repeats.

    Parameters
    ----------
    bench
        What to check; it needs no spec.
    axes
        Names of the axes to try; all that are not locked where not given.
    journal
        File for the record; it must not exist.
    guard, progress, stop
        See :class:`~autoalign.run.execute.Conductor`.

    Raises
    ------
    AlignError
        For a request that cannot be carried out, and for hardware that misbehaves.
    """
    inspection = Inspection(bench, _chosen(bench, axes))
    tour = Scan(bench.axes, inspection.guide, settle=bench.settle, frames=bench.frames)
    with ExitStack() as stack:
        record = None
        if journal is not None:
            record = stack.enter_context(_journal(bench, Path(journal)))
        run = Run(bench, tour, "check", 0, guard, progress, stop)
        run.start()
        finish = run.carry_out(record)
        result = _result(bench, inspection, tour, finish, journal)
        if record is not None:
            for axis in result.axes:
                record.note(
                    "axis", str(axis.said), axis=axis.axis.name,
                    findings=[str(f) for f in axis.findings],
                )  # fmt: skip
            for finding in (*result.stops, *result.findings):
                record.note("finding", str(finding))
        run.end(result)
    return result


def _chosen(bench: Bench, axes: Sequence[str] | None) -> list[Axis]:
    if axes is None:
        chosen = list(bench.free_axes.values())
    else:
        for name in axes:
            if name not in bench.axes:
                raise unknown_name("axis", name, bench.axes, f"check of {bench.name}")
        chosen = [bench.axes[name] for name in axes]
    if not chosen:
        raise UsageError(f"check of {bench.name}: every axis is locked; there is nothing to try.")
    return chosen


def _journal(bench: Bench, path: Path) -> Journal:
    path.parent.mkdir(parents=True, exist_ok=True)
    described = {
        "bench": describe_bench(bench),
        "strategy": "check",
        "seed": 0,
        "versions": versions(),
    }
    return Journal(path, bench.clock, described)


def _measured(bench: Bench, first: ScanMeasurement | None) -> Measurement | None:
    """Judge what the first measurement showed, as an alignment would."""
    from autoalign.run.measure_bench import judged  # noqa: PLC0415 - heavy

    if first is None:
        return None
    numbers = {name: values[0] for name, values in first.readings.items()}
    return judged(bench, first.positions, first.profiles, numbers)


def _result(
    bench: Bench,
    inspection: Inspection,
    tour: Scan,
    finish: Finish,
    journal: str | Path | None,
) -> CheckResult:
    reports, planes = inspection.conclude() if inspection.first is not None else ((), ())
    findings = [f for p in planes for f in p.findings]
    findings += [f for r in reports for f in r.findings]
    findings += [f for f in inspection.stops if f.severity is Severity.FAULT]
    if finish.status is not Status.BACK:
        findings.append(Finding("ended-early", details={"why": finish.reason}))
    elif not tour.home:
        findings.append(Finding("not-back", severity=Severity.FAULT))
    return CheckResult(
        axes=reports,
        planes=planes,
        findings=tuple(findings),
        home=tour.home,
        start=dict(tour.start),
        end=dict(tour.positions),
        shift=_shift(tour.first, tour.closing),
        modelled=inspection.expectation is not None,
        measurement=_measured(bench, tour.first),
        status=finish.status,
        reason=finish.reason,
        measurements=tour.measurements,
        moves=tour.moves,
        seconds=tour.elapsed,
        journal=None if journal is None else Path(journal),
        stops=tuple(inspection.stops),
    )


def _shift(first: ScanMeasurement | None, last: ScanMeasurement | None) -> dict[str, float]:
    """Return by plane how far the centroid is from where it was, mm."""
    if first is None or last is None:
        return {}
    before, after = first.profiles, last.profiles
    return {
        p: float(np.hypot(*np.subtract(after[p].centroid, before[p].centroid)))
        for p in before
        if p in after
    }
