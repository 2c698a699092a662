"""What speaks against a look that meets the spec: a beam that is not what the numbers say.

Widths at two planes are the same for a collimated beam and for one that goes through a focus
halfway between them. How wide the beam is at the first plane, and what the axes did before, tell
the two apart; the twin puts both together.
"""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING

from autoalign.errors import AlignError
from autoalign.search.base import Observation, Problem, Strategy

if TYPE_CHECKING:
    from autoalign.twin.knowledge import Knowledge

__all__ = ["objection"]


def objection(strategy: Strategy | None, problem: Problem, seen: Observation) -> str:
    """Return in words why ``seen`` is not what the spec means, though it meets it; else "".

    ``strategy`` is None where it has not begun yet."""
    if problem.layout is None or len(problem.layout.planes) < 2:
        return ""
    try:
        know = _knowledge(strategy, problem)
        if not know.learn(seen.positions, seen.profiles) or not know.turned(seen.positions):
            return ""
    except AlignError:  # nothing is known of such a bench
        return ""
    order = sorted(problem.layout.planes, key=lambda p: p.distance)
    return (
        f"the spec is met, but by a beam that goes through a focus between {order[0].name} and "
        f"{order[-1].name}, by all that is known of the bench; a sheet of paper between them shows "
        "it"
    )


def _knowledge(strategy: Strategy | None, problem: Problem) -> Knowledge:
    """Return what the strategy knows of the bench, to add to; else what the bench file says."""
    from autoalign.twin.knowledge import Knowledge  # noqa: PLC0415 - heavy

    known = getattr(strategy, "knowledge", None)
    if isinstance(known, Knowledge) and known.fit is not None:
        return copy.copy(known)
    assert problem.layout is not None
    return Knowledge(
        problem.layout, problem.axes, problem.spec, problem.uncertainties, problem.memory
    )
