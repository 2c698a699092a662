"""The asyncio runner: the same session and the same conductor, with whatever takes time in threads.

Hardware, the evaluation of frames and the strategy's thinking all run in a worker thread, one after
the other; the event loop goes on meanwhile.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import closing, suppress
from typing import Any

from autoalign.bench import Bench
from autoalign.core.clock import RealClock
from autoalign.journal import Journal
from autoalign.run.execute import Baton, Call, Conductor, Event, Sleep, Step, StopFlag
from autoalign.run.guard import MoveGuard
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

    Cautions: motors start without warning and the beam swings; see :func:`autoalign.align` for what
    has to be done and said before. Nothing here is a safety function.

    A person who is asked to turn a screw, or whether hands are clear, answers in a thread; a task
    that is cancelled meanwhile ends once that question has been answered, with every motor at rest.

    Cancelling the task stops every stage at once, waits for the call that hardware is in the middle
    of (it ends by itself in its thread, at the latest at its own deadline), and stops every stage
    once more: what such a call had still to say must not have the last word.
    """
    steps = Conductor(bench, session, journal, guard, progress, stop).steps()
    with closing(Baton(steps)) as baton:
        while (step := baton.next_step()) is not None:
            try:
                baton.answer(await _carry_out(step, bench))
            except BaseException as error:  # noqa: BLE001 - the conductor stops all and re-raises
                baton.fail(error)
    assert baton.finish is not None
    return baton.finish


async def _carry_out(step: Step, bench: Bench) -> Any:
    if not isinstance(step, Sleep):
        return await _in_thread(step, bench)
    if isinstance(bench.clock, RealClock):
        return await asyncio.sleep(step.seconds)
    return await asyncio.to_thread(bench.clock.sleep, step.seconds)


async def _in_thread(call: Call, bench: Bench) -> Any:
    under_way = asyncio.ensure_future(asyncio.to_thread(call))
    try:
        return await asyncio.shield(under_way)
    except asyncio.CancelledError:
        while not under_way.done():
            # The conductor stops again, and says so where that fails; cancelling twice as well.
            with suppress(Exception):
                bench.stop()
            with suppress(asyncio.CancelledError):
                await asyncio.wait({under_way})
        under_way.exception()
        raise
