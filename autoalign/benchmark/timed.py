"""The compute time of a strategy, measurement by measurement."""

from __future__ import annotations

import time
from collections.abc import Callable, Generator
from typing import Any

import numpy as np

from autoalign.strategies.base import Measurement, Problem, Strategy

__all__ = ["Timed"]


class Timed:
    """Times what ``strategy`` calculates in use; ``spent`` holds each measurement's time, s."""

    def __init__(self, strategy: Strategy, clock: Callable[[], float] = time.perf_counter) -> None:
        self.strategy = strategy
        self.spent: list[float] = []
        self._clock, self._propose = clock, strategy.propose
        strategy.propose = self._timed  # type: ignore[method-assign]

    @property
    def median(self) -> float:
        """Median time of a measurement, s; 0 where there was none."""
        return float(np.median(self.spent)) if self.spent else 0.0

    def _timed(self, problem: Problem) -> Generator[Any, Measurement, None]:
        search = self._propose(problem)
        seen: Measurement | None = None
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
