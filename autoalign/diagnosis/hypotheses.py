"""What may be wrong with a bench: one list of hypotheses, for whoever has evidence to weigh.

A hypothesis is a transform with a prior: how commands really reach the axes (``wiring``), or how
what the cameras show has to be turned or exchanged before it is what there is. Evidence gives each
a χ² (of measurements fitted by the model, or of the steps of a check); :attr:`Hypothesis.cost` is
added, and the smallest sum is believed. So a single cause that explains everything wins over
several that together explain the same.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from autoalign.core.axes import Axis
from autoalign.core.findings import Finding, Severity
from autoalign.core.frames import View

__all__ = [
    "ACCUSED",
    "AS_STATED",
    "STILL",
    "SURELY",
    "TOLERANCE",
    "TURNS",
    "AxisVerdict",
    "Hypothesis",
    "Judgement",
    "of_axes",
    "of_cameras",
]

# What an axis turned out to be, and how sure that is.

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


Floats = npt.NDArray[np.float64]

ACCUSED = 30.0
"""What one fault costs, in χ²: it must explain this much more than "all as stated" does; odds of
e^15 against chance, since a sound bench is far likelier and a false name costs a person's hour."""

STILL: View = ((1.0, 0.0), (0.0, 1.0))

TURNS: Mapping[str, View] = {
    "camera-mirrored-left-right": ((-1.0, 0.0), (0.0, 1.0)),
    "camera-mirrored-top-bottom": ((1.0, 0.0), (0.0, -1.0)),
    "camera-upside-down": ((-1.0, 0.0), (0.0, -1.0)),
    "camera-turned-left": ((0.0, -1.0), (1.0, 0.0)),
    "camera-turned-right": ((0.0, 1.0), (-1.0, 0.0)),
    "camera-mirrored-diagonal": ((0.0, 1.0), (1.0, 0.0)),
    "camera-mirrored-antidiagonal": ((0.0, -1.0), (-1.0, 0.0)),
}
"""Every way in which what a camera shows may be turned or mirrored by right angles, against what
its bench file says: the matrix that makes of what is measured what there is."""


@dataclass(frozen=True, slots=True, eq=False)
class Hypothesis:
    """One thing that may be wrong.

    Parameters
    ----------
    codes
        Code of the finding, and the names that it is about; several where several cameras are
        wrong each in its own way.
    cost
        Its prior, in χ².
    wiring
        (axes, axes): column j says which axes a command to axis j really drives; None where the
        axes are as stated.
    turns
        By stated plane, the (2, 2) matrix from what is measured to what there is, in plane axes.
    exchanged
        The two planes whose cameras are exchanged, or None.
    """

    codes: tuple[tuple[str, tuple[str, ...]], ...] = ()
    cost: float = ACCUSED
    wiring: Floats | None = None
    turns: Mapping[str, View] = field(default_factory=dict)
    exchanged: tuple[str, str] | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The hypothesis as findings."""
        return tuple(
            Finding(code, ", ".join(names), severity=Severity.FAULT) for code, names in self.codes
        )

    def place(self, plane: str) -> str:
        """Return the plane whose frames come under the name ``plane``."""
        if self.exchanged is None or plane not in self.exchanged:
            return plane
        a, b = self.exchanged
        return b if plane == a else a


AS_STATED = Hypothesis(cost=0.0)
"""Everything as the bench file has it."""


def of_axes(axes: Sequence[Axis]) -> Iterator[Hypothesis]:
    """Yield every single wire that may be wrong: reversed, exchanged with another, or dead."""
    size = len(axes)
    for k, axis in enumerate(axes):
        wiring = np.eye(size)
        wiring[k, k] = -1.0
        yield Hypothesis((("axis-reversed", (axis.name,)),), wiring=wiring)
    for (k, one), (j, other) in itertools.combinations(enumerate(axes), 2):
        if one.unit == other.unit:
            wiring = np.eye(size)
            wiring[[k, j]] = wiring[[j, k]]
            yield Hypothesis((("axis-exchanged", (one.name, other.name)),), wiring=wiring)
    for k, axis in enumerate(axes):
        wiring = np.eye(size)
        wiring[k, k] = 0.0
        yield Hypothesis((("axis-dead", (axis.name,)),), wiring=wiring)


def of_cameras(planes: Sequence[str]) -> Iterator[Hypothesis]:
    """Yield what may be wrong with the cameras, likelier first: two exchanged, one hung wrongly,
    all hung wrongly alike (one cause: a convention), two hung wrongly each in its own way."""
    for a, b in itertools.combinations(planes, 2):
        yield Hypothesis((("cameras-exchanged", (a, b)),), exchanged=(a, b))
    for code, turn in TURNS.items():
        for plane in planes:
            yield Hypothesis(((code, (plane,)),), turns={plane: turn})
    if len(planes) < 2:
        return
    for code, turn in TURNS.items():
        yield Hypothesis(((code, tuple(planes)),), turns=dict.fromkeys(planes, turn))
    for a, b in itertools.combinations(planes, 2):
        for one, other in itertools.permutations(TURNS, 2):
            yield Hypothesis(
                ((one, (a,)), (other, (b,))),
                2 * ACCUSED,
                turns={a: TURNS[one], b: TURNS[other]},
            )
