"""What a check of a frame is: how it is named, what it examines, and what a finding costs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

from autoalign.beam.checks.context import Context
from autoalign.beam.checks.thresholds import Thresholds
from autoalign.beam.profile import Flag, FlagKind, Use

__all__ = ["Evidence", "FrameCheck", "always"]


class Evidence(NamedTuple):
    """What a check has found, in words and numbers, and how much of it."""

    words: str
    amount: float = 0.0


Cost = Callable[[float, Thresholds], Use]
"""From how much was found to what the frame is still good for."""


@dataclass(frozen=True, slots=True)
class FrameCheck:
    """One thing that may be wrong with a frame.

    Parameters
    ----------
    kind
        Name of the flag.
    evidence
        Returns what it has found; None where there is nothing.
    cost
        What the frame is then still good for.
    shares
        What is computed once per frame in the context, for this check and others that name it.
    """

    kind: FlagKind
    evidence: Callable[[Context], Evidence | None]
    cost: Cost
    shares: tuple[Callable[[Context], Any], ...] = ()

    def __call__(self, context: Context) -> Flag | None:
        """Return the flag, or None."""
        found = self.evidence(context)
        if found is None:
            return None
        return Flag(self.kind, found.words, self.cost(found.amount, context.thresholds))


def always(use: Use) -> Cost:
    """Return the cost of a finding that leaves the frame good for ``use``, however large it is."""
    return lambda amount, limits: use
