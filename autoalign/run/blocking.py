"""The blocking runner: a session on a bench, from the first measurement to the verdict."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from typing import Any

from autoalign.bench import Bench
from autoalign.core.clock import Clock
from autoalign.journal import Journal
from autoalign.run.execute import Baton, Conductor, Event, Sleep, Step, StopFlag
from autoalign.run.guard import MoveGuard
from autoalign.session import Finish, Move, Stepper

__all__ = ["run"]


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
