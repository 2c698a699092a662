"""A strategy whose own thinking is timed, probe by probe."""

from __future__ import annotations

import time
from collections.abc import Callable, Generator
from typing import Any

import numpy as np

from autoalign.strategies.base import Observation, Problem, Strategy

__all__ = ["Timed"]


class Timed:
    """Stands for ``strategy`` in a session; ``spent`` is its own time of each probe, s.

    What a strategy may offer beyond proposals (``note``, ``diagnosis``, ``memory``, ``conclude``)
    is the strategy's own.
    """

    def __init__(self, strategy: Strategy, clock: Callable[[], float] = time.perf_counter) -> None:
        self.strategy = strategy
        self.name, self.needs = strategy.name, strategy.needs
        self.spent: list[float] = []
        self._clock = clock

    @property
    def median(self) -> float:
        """Median time of a probe, s; 0 where there was none."""
        return float(np.median(self.spent)) if self.spent else 0.0

    def __getattr__(self, name: str) -> Any:
        return getattr(self.__dict__["strategy"], name)

    def propose(self, problem: Problem) -> Generator[Any, Observation, None]:
        """Pass on what the strategy proposes; see :class:`~autoalign.strategies.base.Strategy`."""
        search = self.strategy.propose(problem)
        seen: Observation | None = None
        while True:
            begin = self._clock()
            try:
                positions = search.send(seen) if seen is not None else next(search)
            except StopIteration:
                return
            self.spent.append(self._clock() - begin)
            try:
                seen = yield positions
            except GeneratorExit:
                search.close()
                raise
