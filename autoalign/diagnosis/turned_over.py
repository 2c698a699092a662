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
from autoalign.core.findings import Finding, Severity
from autoalign.optics.layout import Layout

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from autoalign.diagnosis.estimator import Knowledge

__all__ = ["through_focus"]


def through_focus(
    known: Callable[[], Knowledge],
    layout: Layout | None,
    positions: npt.NDArray[np.float64],
    profiles: Mapping[str, BeamProfile],
) -> Finding | None:
    """Return the veto of a beam that is not what the spec means, though it meets it; else None.

    ``known`` returns what is known of the bench, to add to; ``positions`` (mm or rad, axes) are
    where ``profiles``, by plane, were measured."""
    if layout is None or len(layout.planes) < 2:
        return None
    try:
        know = known()
        if not know.learn(positions, profiles) or not know.turned(positions):
            return None
    except AlignError:  # nothing is known of such a bench
        return None
    order = sorted(layout.planes, key=lambda p: p.distance)
    names = f"{order[0].name}, {order[-1].name}"
    return Finding("through-focus", names, severity=Severity.VETO)
