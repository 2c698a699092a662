"""Screws of a simulated bench: the hidden part follows what the person says that they turned."""

from __future__ import annotations

from collections.abc import Mapping

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.interfaces import AxisStatus, Stage

__all__ = ["SimulatedScrews"]


class SimulatedScrews:
    """A stage whose axes a person turns, and the simulated parts behind them.

    The scale has no zero of its own: what the person reads first is where the hidden part is then,
    and from there on the part is as far away as the readings are. A turn takes the simulated time
    that the hidden axis needs for it.

    Parameters
    ----------
    asked
        The stage that asks.
    hidden
        The simulated stage with the same axes.
    clock
        The simulated world's time.
    """

    def __init__(self, asked: Stage, hidden: Stage, clock: Clock) -> None:
        self._asked, self._hidden, self._clock = asked, hidden, clock
        self._zero: dict[str, float] = {}

    @property
    def name(self) -> str:
        """Name of the stage on this bench."""
        return self._asked.name

    @property
    def axes(self) -> Mapping[str, Axis]:
        """The axes by name."""
        return self._asked.axes

    def identity(self) -> str:
        """Return what the asking stage says it is."""
        return self._asked.identity()

    def start_move(self, axis: str, target: float) -> None:
        """Ask for a turn to ``target`` (mm or rad); then turn the hidden part as far as was said.

        Raises
        ------
        TravelLimitError
            Where the hidden part cannot go there.
        MotionFaultError
            Where the person gives no usable answer; the hidden part has not moved then.
        """
        self.status(axis)
        self._asked.start_move(axis, target)
        said = self._asked.status(axis).position
        self._hidden.start_move(axis, said + self._zero[axis])
        while self._hidden.status(axis).moving:
            self._clock.sleep(0.05)

    def status(self, axis: str) -> AxisStatus:
        """Return what the person said last of ``axis``."""
        status = self._asked.status(axis)
        if axis not in self._zero:
            self._zero[axis] = self._hidden.status(axis).position - status.position
        return status

    def stop(self) -> None:
        """Stop both."""
        self._asked.stop()
        self._hidden.stop()

    def close(self) -> None:
        """Let go of both."""
        self._asked.close()
        self._hidden.close()
