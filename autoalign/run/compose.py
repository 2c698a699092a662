"""How a run is put together: the one place where a script meets bench, record and observers."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

from autoalign.bench import Bench
from autoalign.core.clock import Clock
from autoalign.journal import Journal
from autoalign.run.execute import Baton, Conductor, Event, Sleep, Step, StopFlag
from autoalign.run.guard import MoveGuard
from autoalign.run.observers import Observers
from autoalign.session import Finish, Move, Stepper

__all__ = ["Run", "run"]

# The blocking runner: a session on a bench, from the first measurement to the verdict.


def run(
    bench: Bench,
    session: Stepper,
    journal: Journal | None = None,
    *,
    guard: MoveGuard | None = None,
    progress: Callable[[Event], None] | None = None,
    stop: StopFlag | None = None,
    veto: Callable[[Move], str] | None = None,
) -> Finish:
    """Carry ``session`` out on ``bench`` and return how it ended; see :class:`Conductor`.

    Cautions: motors start without warning and the beam swings; see :func:`autoalign.align` for what
    has to be done and said before. Nothing here is a safety function.

    Whatever is raised meanwhile, Ctrl-C included, first stops every stage and is recorded.
    """
    steps = Conductor(bench, session, journal, guard, progress, stop, veto=veto).steps()
    with closing(Baton(steps)) as baton:
        while (step := baton.next_step()) is not None:
            try:
                baton.answer(_carry_out(step, bench.clock))
            except BaseException as error:  # noqa: BLE001 - the conductor stops all and re-raises
                baton.fail(error)
    assert baton.finish is not None
    return baton.finish


def _carry_out(step: Step, clock: Clock) -> Any:
    return clock.sleep(step.seconds) if isinstance(step, Sleep) else step()


@dataclass(slots=True)
class Run:
    """One script on one bench: alignment, watch, check or measurement.

    Whatever the script, observers hear of its start, of every move and measurement, of its end or
    of what broke it off, and may veto a move before it is made.

    Parameters
    ----------
    bench, script
        What is carried out, and on what.
    name, seed
        What observers are told of it: the strategy, or what else moves the bench.
    guard, progress, stop
        See :class:`~autoalign.run.execute.Conductor`.
    observers
        Who follows; all that are installed where not given.
    """

    bench: Bench
    script: Stepper
    name: str
    seed: int = 0
    guard: MoveGuard | None = None
    progress: Callable[[Event], None] | None = None
    stop: StopFlag | None = None
    observers: Observers = field(default_factory=Observers)

    def start(self) -> None:
        """Tell observers that the run begins; before anything has moved."""
        self.observers.tell("start_run", bench=self.bench, strategy=self.name, seed=self.seed)

    def carry_out(self, journal: Journal | None = None) -> Finish:
        """Carry the script out and return how it ended; record it in ``journal``."""
        with self.observers.told_of_failure(self.bench):
            return run(
                self.bench,
                self.script,
                journal,
                guard=self.guard,
                progress=self.observers.following(self.bench, self.progress),
                stop=self.stop,
                veto=lambda move: self.observers.veto(self.bench, move),
            )

    def end(self, result: Any) -> None:
        """Tell observers the result."""
        self.observers.tell("end_run", bench=self.bench, result=result)
