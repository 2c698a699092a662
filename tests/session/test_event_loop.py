"""The event loop goes on while a session thinks, whatever of it takes long."""

from __future__ import annotations

import asyncio
import threading

import pytest

from autoalign.journal import Journal
from autoalign.run import aio
from autoalign.session import Session
from autoalign.strategies.response_matrix import ResponseMatrix

BEATS = 5


class Heart:
    """Counts how often the loop comes round while somebody thinks; a thought ends after some."""

    def __init__(self) -> None:
        self.loop: asyncio.AbstractEventLoop | None = None
        self.thoughts = 0
        self.missed = 0

    def think(self) -> None:
        """Think until the loop has come round; where it is the loop that thinks it never does."""
        self.thoughts += 1
        assert self.loop is not None
        came_round = threading.Event()
        asyncio.run_coroutine_threadsafe(self._beat(came_round), self.loop)
        self.missed += not came_round.wait(0.5 if self.missed else 10.0)

    async def _beat(self, came_round: threading.Event) -> None:
        for _ in range(BEATS):
            await asyncio.sleep(0)
        came_round.set()


class Slow(ResponseMatrix):
    """A strategy that thinks for a while before each proposal, and once more at the end."""

    __slots__ = ("heart",)

    def propose(self, problem):
        """Yield what the matrix does."""
        inner = super().propose(problem)
        seen = None
        while True:
            self.heart.think()
            try:
                seen = yield (inner.send(seen) if seen is not None else next(inner))
            except StopIteration:
                return

    def conclude(self, seen):
        """Learn from the last look."""
        self.heart.think()


@pytest.mark.parametrize("slow", ["strategy", "evaluation", "pictures"])
def test_the_loop_comes_round_while_a_session_thinks(make_bench, tmp_path, monkeypatch, slow):
    """Fits and evaluations blocked it for up to 1.3 s."""
    heart, bench = Heart(), make_bench(noise=0.05, seed=4)
    strategy, settings = ResponseMatrix(), {}
    if slow == "strategy":
        strategy = Slow()
        strategy.heart = heart
    elif slow == "evaluation":
        from autoalign.beam.combine import combine  # noqa: PLC0415

        def slow_combine(*args, **kwargs):
            heart.think()
            return combine(*args, **kwargs)

        settings = {"combine": slow_combine}
    else:
        monkeypatch.setattr("autoalign.run.execute._pictures", lambda seen: heart.think() or [])
    session = Session.for_bench(bench, strategy, **settings)

    async def scenario():
        heart.loop = asyncio.get_running_loop()
        with Journal(tmp_path / "run.db", bench.clock, {}) as journal:
            return await aio.run(bench, session, journal)

    assert asyncio.run(scenario()).in_spec
    assert heart.thoughts > 2
    assert heart.missed == 0
