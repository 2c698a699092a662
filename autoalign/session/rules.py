"""What a session checks and says: needs, strides, and how the end compares with the start."""

from __future__ import annotations

import math
from collections.abc import Sequence

from autoalign.axes import Axis
from autoalign.errors import MissingNeedError
from autoalign.merit import Spec
from autoalign.optics.layout import Layout
from autoalign.search.base import Need, Observation, Strategy

__all__ = ["check_needs", "compare", "strides"]


def check_needs(
    strategy: Strategy, spec: Spec | None, layout: Layout | None, free: Sequence[Axis]
) -> Spec:
    """Return ``spec``; raise :class:`MissingNeedError` where the bench lacks what is needed."""
    lacks = []
    if spec is None:
        lacks.append("a spec (nothing says what the beam must meet)")
    if Need.LAYOUT in strategy.needs and layout is None:
        lacks.append("a layout (the nominal geometry of the bench)")
    if not free:
        lacks.append("an axis that may move (all of them are held)")
    if spec is None or lacks:
        raise MissingNeedError(
            f"strategy {strategy.name} needs {' and '.join(lacks)}, which this bench does not "
            "give; nothing was moved."
        )
    return spec


def strides(axis: Axis, start: float, target: float) -> int:
    """Return in how many equal strides ``axis`` may go from ``start`` to ``target``."""
    if axis.max_step is None:
        return 1
    return max(1, math.ceil(abs(target - start) / axis.max_step - 1e-9))


def compare(first: Observation, last: Observation) -> str:
    """Return in words what the last look is worth against the first."""
    if not last.ok:
        return f"where the beam could not be judged ({last.failure})"
    if not first.ok:
        return f"merit {last.merit:.3g}; at the start it could not be judged"
    if last.merit == first.merit:
        return f"merit {last.merit:.3g}, as at the start"
    word = "better" if last.merit < first.merit else "worse"
    return f"merit {last.merit:.3g}, {word} than {first.merit:.3g} at the start"
