"""The asyncio runner: the same session and the same conductor, with the hardware in threads."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import closing
from typing import Any

from autoalign.bench import Bench
from autoalign.clock import Clock, RealClock
from autoalign.conduct import Baton, Conductor, Event, Sleep, Step, StopFlag
from autoalign.journal import Journal
from autoalign.safety import MoveGuard
from autoalign.session import Finish, Stepper

__all__ = ["run"]


async def run(
    bench: Bench,
    session: Stepper,
    journal: Journal | None = None,
    *,
    guard: MoveGuard | None = None,
    progress: Callable[[Event], None] | None = None,
    stop: StopFlag | None = None,
) -> Finish:
    """Carry ``session`` out on ``bench`` and return how it ended; see :class:`Conductor`.

    Cancelling the task stops every stage; a call that hardware is in the middle of ends by itself
    in its thread, at the latest at its own deadline.
    """
    steps = Conductor(bench, session, journal, guard, progress, stop).steps()
    with closing(Baton(steps)) as baton:
        while (step := baton.next_step()) is not None:
            try:
                baton.answer(await _carry_out(step, bench.clock))
            except BaseException as error:  # noqa: BLE001 - the conductor stops all and re-raises
                baton.fail(error)
    assert baton.finish is not None
    return baton.finish


async def _carry_out(step: Step, clock: Clock) -> Any:
    if not isinstance(step, Sleep):
        return await asyncio.to_thread(step)
    if isinstance(clock, RealClock):
        return await asyncio.sleep(step.seconds)
    return await asyncio.to_thread(clock.sleep, step.seconds)
