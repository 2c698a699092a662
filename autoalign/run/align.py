"""One call from a bench to a verdict."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from autoalign.beam.combine import stated
from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.errors import JournalError, UsageError
from autoalign.journal import Journal, describe_bench, read_to_resume
from autoalign.journal.describe import versions
from autoalign.messages.serialise import result_facts, write_facts
from autoalign.model.wavefront_forecast import WavefrontEstimate
from autoalign.plugins import plugin
from autoalign.run.calibration_file import CalibrationFile
from autoalign.run.compose import Run
from autoalign.run.execute import Event, StopFlag
from autoalign.run.guard import MoveGuard
from autoalign.session import Budget, Finish, Replayed, Session, Status
from autoalign.spec.terms import Spec, Verdict
from autoalign.strategies.base import Measurement, Strategy

__all__ = ["AlignmentResult", "EarlierRun", "align", "past_run"]

# Going on with an interrupted run: what its record gives, and whether it is the same run.


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


@dataclass(frozen=True, slots=True, eq=False)
class AlignmentResult:
    """How an alignment ended.

    Parameters
    ----------
    in_spec
        Whether the last measurement, after the last move if any, found every term in spec.
    status, reason
        How it ended, in a word and in a sentence.
    measurements, moves, seconds
        Measurements (the first and the final check included), moves, time on the bench's clock.
    before, after
        First and last measurement.
    positions
        Where every axis is, mm or rad by name.
    strategy, seed
        What searched, and the seed of its chance.
    journal
        The record of the run, or None.
    calibration
        What the strategy would like to know next time, or None.
    remarks
        In words: what the bench counts as exact, and what became of its memory.
    axes
        Every axis of the bench by name.
    """

    in_spec: bool
    status: Status
    reason: str
    measurements: int
    moves: int
    seconds: float
    before: Measurement | None = field(repr=False)
    after: Measurement | None = field(repr=False)
    positions: Mapping[str, float]
    strategy: str
    seed: int
    journal: Path | None = None
    calibration: Any = field(default=None, repr=False)
    remarks: tuple[str, ...] = ()
    axes: Mapping[str, Axis] = field(default_factory=dict, repr=False)

    @property
    def first_verdict(self) -> Verdict | None:
        """The verdict of the first measurement; None where the spec could not be judged."""
        return self.before.verdict if self.before is not None else None

    @property
    def verdict(self) -> Verdict | None:
        """The verdict of the last measurement; None where the spec could not be judged."""
        return self.after.verdict if self.after is not None else None

    @property
    def uncertainty(self) -> dict[str, float]:
        """Standard uncertainty of every term of the last verdict, by name, in the term's unit."""
        return {t.name: t.uncertainty for t in self.verdict.terms} if self.verdict else {}

    @property
    def wavefront(self) -> WavefrontEstimate | None:
        """What is known of the wavefront at the end: ``rms`` and ``upper`` (95 %) in waves,
        ``strehl``. None where the beam does not meet the spec, or the bench has no layout."""
        return self.after.wavefront if self.after is not None else None

    def save(self, path: str | Path) -> Path:
        """Write the result as JSON, as ``--json`` prints it, and return where."""
        return write_facts(path, result_facts(self))

    def report(self, path: str | Path) -> Path:
        """Write the report of the run as one HTML file and return where."""
        if self.journal is None:
            raise JournalError(
                "no report without a record of the run; give align(…, journal='run.db')."
            )
        from autoalign.report import write_report  # noqa: PLC0415

        path = Path(path)
        write_report(self.journal, path)
        return path


def align(
    bench: Bench,
    spec: Spec | None = None,
    strategy: str | Strategy | None = None,
    *,
    budget: Budget | int | None = None,
    journal: str | Path | None = None,
    resume: bool = False,
    seed: int = 0,
    locked: Sequence[str] | None = None,
    calibration: Any = None,
    fresh: bool = False,
    best_effort: bool = False,
    guard: MoveGuard | None = None,
    progress: Callable[[Event], None] | None = None,
    stop: StopFlag | None = None,
) -> AlignmentResult:
    """Align ``bench`` and say how it went.

    Cautions: motors start without warning and the beam swings. Block the beam or dim it to
    alignment power; wear eyewear for its wavelength; take off watches and rings; block what passes
    the edge of the optic. A person in the beam's way is not detected, and the light is never
    switched off. Local rules, the laser safety officer and licensed practice decide; nothing here
    is a safety function. Telling the people at the bench before this is called is the caller's;
    :func:`autoalign.core.cautions.before_motion` has the words. Axes that a person turns go first,
    with every motor at rest, and ``bench.hands`` is asked before motors start again.

    Parameters
    ----------
    bench
        What to align.
    spec
        What the beam must meet; the bench's own where not given.
    strategy
        Name or object; where not given "model" for a bench with a layout, else "without-model".
    budget
        Measurements and seconds, or just measurements; with ``resume`` that of the interrupted run
        where not given. What that run spent counts.
    journal
        File for the record of the run; it must not exist, except with ``resume``.
    resume
        Go on with the interrupted run in ``journal``: its measurements are not repeated.
    seed
        Seed of the strategy's chance; with ``resume`` that of the interrupted run.
    locked
        Parts or axes that are locked; the bench's own where not given.
    calibration
        What a strategy remembered of this bench; or a file, read at the start and written after a
        run that was verified to be in spec, see
        :class:`~autoalign.run.calibration_file.CalibrationFile`.
    fresh
        Do not use the calibration in the file.
    best_effort
        Align even where some term can never be shown to be in spec, because what is stated of the
        bench is too uncertain; else nothing is moved then. Such a run ends not in spec.
    guard, progress, stop
        See :class:`~autoalign.run.execute.Conductor`.

    Raises
    ------
    AlignError
        For a request that cannot be carried out, and for hardware that misbehaves. Not being able
        to reach the spec is no error.
    """
    chosen = _strategy(strategy, bench)
    replay: Sequence[Replayed] = ()
    if resume:
        past = past_run(journal, bench, chosen.name, spec, locked)
        replay, seed, locked = past.measurements, past.seed, past.locked
        budget = budget or past.budget
    kept = CalibrationFile(bench, calibration, fresh=fresh)
    settings = _settings(bench, budget, seed, locked, kept.data)
    settings |= {"replay": replay, "best_effort": best_effort}
    session = Session.for_bench(bench, chosen, spec=spec, **settings)
    run = Run(bench, session, chosen.name, seed, guard, progress, stop)
    run.start()
    if journal is None:
        finish = run.carry_out()
        kept.unused(session.strategy)
    else:
        with _journal(bench, journal, session, seed, spec, resume) as record:
            for remark in kept.remarks:
                record.note("calibration", remark)
            finish = run.carry_out(record)
            if unused := kept.unused(session.strategy):
                record.note("calibration", unused)
    if finish.in_spec:
        kept.keep(session.strategy.calibration)
    remarks = (*kept.remarks, *_taken_as_exact(bench, session))
    result = replace(_result(session, finish, seed, journal), remarks=remarks)
    run.end(result)
    return result


def _strategy(strategy: str | Strategy | None, bench: Bench) -> Strategy:
    if strategy is None:
        strategy = "model" if bench.layout is not None else "without-model"
    if isinstance(strategy, str):
        named: Strategy = plugin("strategies", strategy)()
        return named
    a_class = isinstance(strategy, type)
    if a_class or not isinstance(strategy, Strategy):
        what = "a class" if a_class else "an object"
        name = getattr(strategy, "__name__", type(strategy).__name__)
        raise UsageError(
            f"strategy {name!r} is {what} that cannot search; give the name of one, or an object "
            "of a subclass of autoalign.Strategy (of a class, an instance of it)."
        )
    return strategy


def _taken_as_exact(bench: Bench, session: Session) -> list[str]:
    """Return a remark where frames were taken and nothing is said of how well they are scaled."""
    planes = {p: 1.0 for look in (session.first, session.last) if look for p in look.profiles}
    known = stated(bench.uncertainties, planes)
    if not planes or any([*known["u_pitch"].values(), *known["u_distance"].values()]):
        return []
    return [
        f"bench {bench.name} states no uncertainty of pixel pitch and plane distances: they count "
        "as exact, and widths and divergences are only as good as these. State them, for instance "
        'uncertainties = {"pitch": 0.01, "distance": 0.005}, relative.'
    ]


def _settings(
    bench: Bench,
    budget: Budget | int | None,
    seed: int,
    locked: Sequence[str] | None,
    calibration: Any,
) -> dict[str, Any]:
    return {
        "budget": budget if budget is None or isinstance(budget, Budget) else Budget(budget),
        "rng": np.random.default_rng(seed),
        "locked": bench.locked if locked is None else tuple(locked),
        "calibration": calibration,
    }


def _journal(
    bench: Bench,
    path: str | Path,
    session: Session,
    seed: int,
    spec: Spec | None,
    resume: bool,
) -> Journal:
    if resume:
        journal = Journal(path, bench.clock, resume=True)
        for intent in journal.open_intents:
            journal.outcome(intent, "unknown", {}, "the run was interrupted during this move")
        journal.note("resumed", f"{len(journal.open_intents)} moves with unknown outcome")
        return journal
    described = describe_bench(bench)
    return Journal(
        path,
        bench.clock,
        {
            "bench": described,
            "strategy": session.strategy.name,
            "seed": seed,
            "budget": {
                "measurements": session.budget.measurements,
                "seconds": session.budget.seconds,
            },
            "locked": sorted(set(bench.axes) - {a.name for a in session.free}),
            "spec_given": repr(spec) if spec is not None else None,
            "versions": versions(),
        },
    )


def _result(
    session: Session, finish: Finish, seed: int, journal: str | Path | None
) -> AlignmentResult:
    return AlignmentResult(
        in_spec=finish.in_spec,
        status=finish.status,
        reason=finish.reason,
        measurements=session.measurements,
        moves=session.moves,
        seconds=session.elapsed,
        before=session.first,
        after=session.last,
        positions=session.positions,
        strategy=session.strategy.name,
        seed=seed,
        journal=None if journal is None else Path(journal),
        calibration=session.strategy.calibration,
        axes=session.axes,
    )
