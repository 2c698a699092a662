"""Moves that a person asks for: with the guard, the record and the arrival check of every run."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.errors import (
    HardwareError,
    HeldError,
    MotionFaultError,
    MotionTimeoutError,
    TravelLimitError,
    UsageError,
    unknown_name,
)
from autoalign.journal import Journal, describe_bench
from autoalign.journal.describe import versions
from autoalign.run.arrival import allowed_time
from autoalign.run.compose import Run
from autoalign.run.execute import Event
from autoalign.run.guard import MoveGuard
from autoalign.run.observers import Observers
from autoalign.session import Finish, Move, Status
from autoalign.session.actions import Purpose
from autoalign.session.stepper import Script, Stepper

__all__ = ["Moves", "home_axes", "move_axes"]


@dataclass(frozen=True, slots=True)
class Moves:
    """Positions of all axes before and after, mm or rad by name."""

    before: Mapping[str, float]
    after: Mapping[str, float]


class _Asked(Stepper):
    """Goes where a person asked, and nowhere else."""

    def __init__(self, axes: Mapping[str, Axis], targets: Mapping[str, float], why: str) -> None:
        super().__init__(axes, 0.0, 1)
        self._targets, self._why = dict(targets), why

    def _run(self) -> Script:
        if (yield from self._go(self._targets, self._why, purpose=Purpose.ASKED)):
            return Finish(Status.MOVED, False, "moved as asked; nothing was measured.")
        status, why = self._refusal()
        return Finish(status, False, why)


def move_axes(
    bench: Bench,
    targets: Mapping[str, float],
    journal: str | Path,
    *,
    why: str = "asked for by hand",
    guard: MoveGuard | None = None,
    progress: Callable[[Event], None] | None = None,
) -> Moves:
    """Move axes to ``targets`` (mm or rad by name) and return where they were and are.

    Cautions: motors start without warning and the beam swings; see :func:`autoalign.align` for what
    has to be done and said before. Limits protect equipment and are no safety function.

    Every axis comes from its own side where it has backlash, in steps no longer than its longest,
    and the move is over once it is read back at rest at its target.

    Raises
    ------
    UsageError
        For an axis that is not on the bench.
    TravelLimitError
        Where a target is outside the limits; nothing was moved.
    HeldError
        Where the move was refused; nothing was moved beyond what the journal says.
    HardwareError
        Where an axis does not do as commanded; all were commanded to stop.
    """
    _known(bench, targets)
    for name, target in targets.items():
        low, high = bench.axes[name].reachable
        bench.axes[name].check(target)
        if not low <= target <= high:
            said = bench.axes[name].said
            raise TravelLimitError(
                f"axis {name}: {said(target)} can only be reached by going beyond a limit to take "
                f"up the backlash; allowed is {said(low)} to {said(high)}. Nothing was moved."
            )
    before = bench.positions()
    script = _Asked(bench.axes, targets, why)
    run = Run(bench, script, "move", 0, guard, progress)
    with _record(bench, Path(journal), "move") as record:
        run.start()
        finish = run.carry_out(record)
    after = dict(script.positions)
    moves = Moves(before, after)
    run.end(moves)
    if finish.status is not Status.MOVED:
        raise HeldError(f"{finish.reason}")
    return moves


def home_axes(
    bench: Bench, names: Sequence[str], journal: str | Path, *, within: float = 600.0
) -> Moves:
    """Send axes to their references, one after the other, and return where they were and are.

    Cautions: see :func:`move_axes`; the way to a reference leaves the limits out of account.

    Raises
    ------
    UsageError
        For an axis that is not on the bench, or whose stage cannot home it.
    HeldError
        Where an observer vetoes it.
    HardwareError
        Where an axis does not find its reference; all were commanded to stop.
    """
    _known(bench, dict.fromkeys(names, 0.0))
    for name in names:
        if bench.axes[name].by_hand or not hasattr(bench.stage_of(name), "home"):
            raise UsageError(
                f"axis {name}: its stage {bench.stage_of(name).name!r} cannot be sent home from "
                "here. Use the controller's own way. Nothing was moved."
            )
    before = {n: s.position for n, s in bench.statuses().items()}
    observers = Observers()
    with _record(bench, Path(journal), "home") as record:
        for name in names:
            move = Move(0, {name: before[name]}, {name: ()}, f"{name}: home")
            if why := observers.veto(bench, move):
                raise HeldError(why)
            record.note("home", f"{name} is sent to its reference", axis=name)
            try:
                _home(bench, name, within)
            except BaseException as error:
                try:
                    bench.bring_to_rest()
                except HardwareError as second:
                    error.add_note(f"stopping failed as well: {second}")
                record.note("home failed", f"{name}: {error}", axis=name)
                raise
        after = bench.positions()
        record.note("homed", "at their references", positions=after)
    return Moves(before, after)


def _home(bench: Bench, name: str, within: float) -> None:
    """Home one axis and wait until it is at rest there."""
    stage, clock, axis = bench.stage_of(name), bench.clock, bench.axes[name]
    deadline = clock.now() + max(within, 2 * allowed_time(axis, axis.travel))
    stage.home(name)  # type: ignore[attr-defined]
    while (status := stage.status(name)).moving:
        if status.fault:
            break
        if clock.now() > deadline:
            raise MotionTimeoutError(
                f"axis {name}: not at its reference after {deadline - clock.now() + within:.3g} s. "
                "It is being stopped."
            )
        clock.sleep(0.05)
    if status.fault or not status.homed:
        raise MotionFaultError(f"axis {name}: {status.fault or 'it did not find its reference'}")


def _known(bench: Bench, targets: Mapping[str, float]) -> None:
    if not targets:
        raise UsageError(f"name an axis: {', '.join(bench.axes)}. Nothing was moved.")
    for name in targets:
        if name not in bench.axes:
            raise unknown_name("axis", name, bench.axes, f"bench {bench.name}")


def _record(bench: Bench, path: Path, what: str) -> Journal:
    path.parent.mkdir(parents=True, exist_ok=True)
    described = {
        "bench": describe_bench(bench), "strategy": what, "seed": 0, "versions": versions(),
    }  # fmt: skip
    return Journal(path, bench.clock, described)
