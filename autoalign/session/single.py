"""One measurement where the axes are, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from autoalign.core.axes import Axis
from autoalign.optics.layout import Layout
from autoalign.session.actions import Exposed, Finish, Measure, Purpose, Status
from autoalign.session.evaluate import Evaluator, refused_through_focus
from autoalign.session.stepper import Script, Stepper

if TYPE_CHECKING:
    from autoalign.diagnosis.estimator import Knowledge

__all__ = ["SingleMeasurement"]


class SingleMeasurement(Stepper):
    """Measures once, by the very evaluation and vetoes of an alignment.

    Parameters
    ----------
    axes, settle, frames
        See :class:`.stepper.Stepper`.
    evaluator
        Makes a measurement of what was exposed.
    layout, known
        The bench on paper, or None, and what is known of it.
    """

    def __init__(
        self,
        axes: Mapping[str, Axis],
        settle: float,
        frames: int,
        evaluator: Evaluator,
        layout: Layout | None,
        known: Callable[[], Knowledge],
    ) -> None:
        super().__init__(axes, settle, frames)
        self.exposed: Exposed | None = None
        self._evaluator, self._layout, self._known = evaluator, layout, known

    def _run(self) -> Script:
        exposed = yield Measure(1, -math.inf, self.frames, Purpose.FIRST.words, Purpose.FIRST)
        assert isinstance(exposed, Exposed)
        self.exposed, self.positions = exposed, dict(exposed.positions)
        self._began, self._now = exposed.began, exposed.ended
        seen = self._evaluator.evaluate(exposed, exposed.began)
        self.measurements, self.last = 1, refused_through_focus(seen, self._known, self._layout)
        status = Status.IN_SPEC if self.last.in_spec else Status.GIVEN_UP
        return Finish(status, self.last.in_spec, "measured; nothing was moved.")
