"""What an axis turned out to be, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

__all__ = ["SURELY", "TOLERANCE", "AxisVerdict", "Judgement"]

SURELY = 3.5
"""Standard uncertainties from which a scale or a cross-talk is no chance."""

TOLERANCE = 0.1
"""A scale or a cross-talk off by less is no fault."""


class AxisVerdict(StrEnum):
    """What an axis turned out to be."""

    WELL = "as expected"
    DEAD = "does not move"
    REVERSED = "runs backwards"
    EXCHANGED = "exchanged with another axis"
    SCALE = "moves too far or too little"
    STRANGE = "moves like no axis of the layout"
    UNSURE = "too small a step to tell"


@dataclass(frozen=True, slots=True)
class Judgement:
    """What one axis turned out to be against the model.

    ``cost`` of the best explanation; ``ratio`` of seen over expected motion with ``u_ratio``;
    ``limit``, how far off a scale must be for it not to be chance, and ``because``, what of the
    bench file that is unsure makes most of it; ``like``, the axis that it moves like; ``cross``, by
    axis, the part of its motion that shows as that axis', with its standard uncertainty;
    ``exchanged``, by axis, the cost of having been exchanged with it.
    """

    verdict: AxisVerdict
    cost: float
    ratio: float = math.nan
    u_ratio: float = math.nan
    like: str = ""
    cross: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    exchanged: Mapping[str, float] = field(default_factory=dict)
    limit: float = math.nan
    because: str = ""

    @property
    def dragged(self) -> dict[str, tuple[float, float]]:
        """The cross-talk that is no chance and too much."""
        return {
            a: (c, u) for a, (c, u) in self.cross.items() if abs(c) > max(TOLERANCE, SURELY * u)
        }
