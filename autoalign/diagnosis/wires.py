"""Which wire may be wrong: suspicions that can be tried against what was seen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.core.axes import Axis

__all__ = ["Suspect", "suspects"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Suspect:
    """One thing that may be wrong: ``kind``, the axes, ``words``, and the ``wiring`` (axes, axes).

    Column j of ``wiring`` says which axes a command to axis j really drives.
    """

    kind: str
    axes: tuple[str, ...]
    words: str
    wiring: Floats


def suspects(axes: Sequence[Axis]) -> Iterator[Suspect]:
    """Yield every single wire that may be wrong: reversed, dead, or exchanged with another."""
    size = len(axes)
    for k, axis in enumerate(axes):
        wiring = np.eye(size)
        wiring[k, k] = -1.0
        yield Suspect("reversed", (axis.name,), f"axis {axis.name} runs backwards", wiring)
    for k, axis in enumerate(axes):
        for j in range(k + 1, size):
            if axis.unit == axes[j].unit:
                wiring = np.eye(size)
                wiring[[k, j]] = wiring[[j, k]]
                names = (axis.name, axes[j].name)
                words = f"axes {names[0]} and {names[1]} are exchanged"
                yield Suspect("exchanged", names, words, wiring)
    for k, axis in enumerate(axes):
        wiring = np.eye(size)
        wiring[k, k] = 0.0
        yield Suspect("dead", (axis.name,), f"axis {axis.name} does not move", wiring)
