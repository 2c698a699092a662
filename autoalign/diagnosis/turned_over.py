"""What speaks against a measurement that meets the spec: a focus between the planes.

Widths at two planes are the same for a collimated beam and for one that goes through a focus
halfway between them. How wide the beam is at the first plane, and what the axes did before, tell
the two apart; the model puts both together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from autoalign.beam.profile import BeamProfile
from autoalign.core.errors import AlignError
from autoalign.optics.layout import Layout

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from autoalign.diagnosis.estimator import Knowledge

__all__ = ["objection"]


def objection(
    known: Callable[[], Knowledge],
    layout: Layout | None,
    positions: npt.NDArray[np.float64],
    profiles: Mapping[str, BeamProfile],
) -> str:
    """Return in words why a beam is not what the spec means, though it meets it; else "".

    ``known`` returns what is known of the bench, to add to; ``positions`` (mm or rad, axes) are
    where ``profiles``, by plane, were seen."""
    if layout is None or len(layout.planes) < 2:
        return ""
    try:
        know = known()
        if not know.learn(positions, profiles) or not know.turned(positions):
            return ""
    except AlignError:  # nothing is known of such a bench
        return ""
    order = sorted(layout.planes, key=lambda p: p.distance)
    return (
        f"the spec is met, but by a beam that goes through a focus between {order[0].name} and "
        f"{order[-1].name}, from all that is known of the bench; compare the width at a "
        "place between "
        "them, with a viewing card at alignment power"
    )
