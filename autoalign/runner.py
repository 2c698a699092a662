"""The blocking runner: a session on a bench, from the first look to the verdict."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from autoalign.bench import Bench
from autoalign.clock import Clock
from autoalign.conduct import Conductor, Event, Sleep, Step, StopFlag
from autoalign.journal import Journal
from autoalign.safety import MoveGuard
from autoalign.session import Finish, Session

__all__ = ["run"]


def run(
    bench: Bench,
    session: Session,
    journal: Journal | None = None,
    *,
    guard: MoveGuard | None = None,
    progress: Callable[[Event], None] | None = None,
    stop: StopFlag | None = None,
) -> Finish:
    """Carry ``session`` out on ``bench`` and return how it ended; see :class:`Conductor`.

    Whatever is raised meanwhile, Ctrl-C included, first stops every stage and is recorded.
    """
    steps = Conductor(bench, session, journal, guard, progress, stop).steps()

    answer: Any = None
    failed: BaseException | None = None
    try:
        while True:
            try:
                step = steps.send(answer) if failed is None else steps.throw(failed)
            except StopIteration as end:
                finish: Finish = end.value
                return finish
            try:
                answer, failed = _carry_out(step, bench.clock), None
            except BaseException as error:  # noqa: BLE001 - the conductor stops the stages, re-raises
                failed = error
    finally:
        steps.close()


def _carry_out(step: Step, clock: Clock) -> Any:
    return clock.sleep(step.seconds) if isinstance(step, Sleep) else step()
