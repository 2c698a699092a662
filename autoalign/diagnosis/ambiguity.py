"""Which axes together explain a measurement: groups that act alike, smallest sets that suffice."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt

__all__ = ["apart", "grouped", "smallest_sets"]

Floats = npt.NDArray[np.float64]
Some = tuple[int, ...]

CHI2_95 = (math.inf, 3.84, 5.99, 7.81, 9.49, 11.07, 12.59, 14.07, 15.51, 16.92)
"""95 % points of χ² by degrees of freedom (any table of it); without any it always holds."""


def grouped(together: npt.NDArray[np.bool_], among: Sequence[int]) -> Iterator[list[int]]:
    """Yield the connected groups of ``among`` under the relation ``together`` (axes, axes)."""
    left = list(among)
    while left:
        group = _connected(together, left)
        left = [k for k in left if k not in group]
        yield group


def _connected(together: npt.NDArray[np.bool_], among: list[int]) -> list[int]:
    group = {among[0]}
    while True:
        more = {k for k in among if any(together[k, j] for j in group)} | group
        if more == group:
            return sorted(group)
        group = more


def smallest_sets(group: Sequence[int], amounts: Floats, covariance: Floats) -> list[Some]:
    """Return the smallest subsets of ``group`` that, if off, let the rest of it be right.

    Most plausible first; the empty set alone where nothing of the group need be off. ``amounts``
    (axes,) and ``covariance`` (axes, axes) are what is known of all axes.
    """
    for size in range(len(group) + 1):
        fitting = []
        for off in combinations(group, size):
            locked = [k for k in group if k not in off]
            gap = amounts[locked]
            away = (
                float(gap @ np.linalg.solve(covariance[np.ix_(locked, locked)], gap))
                if locked
                else 0
            )
            if away < CHI2_95[min(len(locked), len(CHI2_95) - 1)]:
                fitting.append((away, off))
        if fitting:
            return [off for _, off in sorted(fitting)]
    return []


def apart(choices: Sequence[Some]) -> list[list[Some]]:
    """Split choices into independent ones, where they are one of these with one of those."""
    used = list(dict.fromkeys(k for choice in choices for k in choice))
    rivals = np.array([[not any({a, b} <= set(c) for c in choices) for b in used] for a in used])
    parts = [[used[k] for k in part] for part in grouped(rivals, range(len(used)))]
    one_of_each = all(len(choice) == len(parts) for choice in choices)
    if len(parts) < 2 or not one_of_each or math.prod(map(len, parts)) != len(choices):
        return [list(choices)]
    return [[(k,) for k in part] for part in parts]
