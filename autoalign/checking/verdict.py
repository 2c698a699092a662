"""What an axis turned out to be."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["AxisVerdict"]


class AxisVerdict(StrEnum):
    """What an axis turned out to be."""

    WELL = "as expected"
    DEAD = "does not move"
    REVERSED = "runs backwards"
    EXCHANGED = "exchanged with another axis"
    SCALE = "moves too far or too little"
    STRANGE = "moves like no axis of the layout"
    UNSURE = "too small a step to tell"
