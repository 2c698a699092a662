"""How a run is put together: the one place where a script meets bench, record and observers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from autoalign.bench import Bench
from autoalign.journal import Journal
from autoalign.run.blocking import run
from autoalign.run.execute import Event, StopFlag
from autoalign.run.guard import MoveGuard
from autoalign.run.observers import Observers
from autoalign.session import Finish, Stepper

__all__ = ["Run"]


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
