"""The one place where optimisers that call back become strategies that yield.

The optimiser runs in a thread of its own, and only one of the two sides runs at any time: while it
waits for a value the session goes on, while the session waits for a position it computes. Closing
the generator unwinds the optimiser and joins its thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator
from queue import SimpleQueue
from typing import Any

from autoalign.strategies.base import Measurement, Vector

__all__ = ["Ask", "as_generator"]

Ask = Callable[[Vector], Measurement]
"""What an optimiser is given: measures at positions (n,) and returns what is measured there."""


class _Abandoned(BaseException):
    """Unwinds an optimiser whose answers nobody waits for any more."""


class _Worker:
    """One optimiser in its thread. ``requests`` carries positions, then at last how it ended."""

    def __init__(self, solve: Callable[[Ask], Any]) -> None:
        self.requests: SimpleQueue[Vector | BaseException | None] = SimpleQueue()
        self._answers: SimpleQueue[Measurement | None] = SimpleQueue()
        self._solve = solve
        self._abandoned = False
        self._thread = threading.Thread(target=self._run, name="optimiser", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def answer(self, measurement: Measurement) -> None:
        self._answers.put(measurement)

    def abandon(self) -> None:
        """Unwind the optimiser where it is, and wait until its thread has ended."""
        self._abandoned = True
        self._answers.put(None)
        self._thread.join()

    def _ask(self, position: Vector) -> Measurement:
        if self._abandoned:
            raise _Abandoned
        self.requests.put(position)
        answer = self._answers.get()
        if answer is None:
            raise _Abandoned
        return answer

    def _run(self) -> None:
        ending: BaseException | None = None
        try:
            self._solve(self._ask)
        except _Abandoned:
            pass
        except BaseException as error:  # noqa: BLE001 - raised again where the generator is driven
            ending = error
        self.requests.put(ending)


def as_generator(solve: Callable[[Ask], Any]) -> Generator[Vector, Measurement, None]:
    """Return a generator of the positions that ``solve`` asks for.

    ``solve(ask)`` is run once; what it returns is left aside, what it raises comes out of the
    generator. It must not catch ``BaseException`` and go on without asking.
    """
    worker = _Worker(solve)
    worker.start()
    try:
        while True:
            request = worker.requests.get()
            if request is None:
                return
            if isinstance(request, BaseException):
                raise request
            measurement = yield request
            worker.answer(measurement)
    finally:
        worker.abandon()
