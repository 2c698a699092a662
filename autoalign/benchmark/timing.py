"""Times of several calls, measured turn about on a machine that does other things as well.

Processor time of this process counts where arithmetic is measured, so that what else the machine
does counts little; every figure is a median with its quartiles. A ratio is taken round by round,
between calls that ran one after the other, before its median is.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Call", "Figure", "Section", "figure", "optional", "ratio", "take_turns"]

Call = Callable[[], Any]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured figure: the median of ``repeats``, its quartiles, and their unit."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    repeats: int


@dataclass(frozen=True, slots=True)
class Section:
    """What one part of the benchmark found; ``remarks`` say how, and what could not be measured."""

    title: str
    figures: tuple[Figure, ...]
    remarks: tuple[str, ...] = ()


def take_turns(
    calls: Mapping[str, Call],
    rounds: int,
    before: Mapping[str, Call] | None = None,
    clock: Callable[[], float] = time.process_time,
    slow: float = 0.2,
) -> dict[str, Floats]:
    """Return the seconds of each call, by name, round by round.

    Parameters
    ----------
    calls
        What is timed; each is called once beforehand, for nothing.
    rounds
        Times that each takes its turn; calls that take longer than ``slow`` s get a fifth of the
        rounds, at least two.
    before
        What is called before each of these calls, untimed.
    clock
        What tells the time, s.
    """
    ready = before or {}
    spent: dict[str, list[float]] = {name: [] for name in calls}
    few = max(rounds // 5, 2)
    for number in range(rounds + 1):
        for name, call in calls.items():
            if len(spent[name]) >= few and min(spent[name]) > slow:
                continue
            if name in ready:
                ready[name]()
            begin = clock()
            call()
            if number > 0:
                spent[name].append(clock() - begin)
    return {name: np.array(seconds) for name, seconds in spent.items()}


def figure(name: str, values: Sequence[float] | Floats, unit: str) -> Figure:
    """Return the median of ``values`` with its quartiles."""
    low, middle, high = (float(q) for q in np.quantile(values, (0.25, 0.5, 0.75)))
    return Figure(name, middle, low, high, unit, len(values))


def ratio(name: str, over: Floats, under: Floats) -> Figure:
    """Return ``over`` / ``under``, round by round as far as both go."""
    count = min(len(over), len(under))
    return figure(name, over[:count] / np.maximum(under[:count], 1e-9), "×")


def optional(name: str) -> Any:
    """Return a module, or None where it is not installed."""
    try:
        return import_module(name)
    except ImportError:
        return None
