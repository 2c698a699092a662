"""Measurements of an interrupted run, given to the same strategy in place of new ones."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from autoalign.session.actions import Purpose
from autoalign.strategies.base import Measurement, Vector

__all__ = ["Replay", "Replayed"]


@dataclass(frozen=True, slots=True, eq=False)
class Replayed:
    """One measurement of the run: what was measured, what it was for, and seconds into the run."""

    measurement: Measurement
    purpose: Purpose = Purpose.PROBE
    elapsed: float = 0.0


class Replay:
    """Gives the measurements of a record back, as long as the strategy asks for the same positions.

    ``elapsed`` is how many seconds the interrupted run had taken.
    """

    def __init__(self, measurements: Sequence[Replayed] = ()) -> None:
        self._left = list(measurements)
        self.elapsed = measurements[-1].elapsed if measurements else 0.0

    def first(self) -> Replayed | None:
        """Return the measurement with which the run began, or None where nothing was recorded."""
        return self._left.pop(0) if self._left else None

    def at(
        self, target: Vector, allowance: Vector, beside: Collection[Purpose]
    ) -> tuple[list[Replayed], bool]:
        """Return the measurements that answer a proposal of ``target``, and whether they do.

        A finer measurement at the same place belongs to the proposal; those whose purpose is
        ``beside`` it come along as well, wherever they were made. Where the record goes on with
        another place all that is left of it is returned: those measurements were spent, and answer
        nothing.
        """
        if not self._left:
            return [], False
        if np.any(np.abs(self._left[0].measurement.positions - target) > allowance):
            left, self._left = self._left, []
            return left, False
        taken = [self._left.pop(0)]
        while self._left and self._left[0].purpose in beside:
            taken.append(self._left.pop(0))
        return taken, True
