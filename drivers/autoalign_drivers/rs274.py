"""A motion controller that takes lines of RS-274.

Built in is what the standard has: G21 and G90 (millimetres, absolute), G1 with F, or G0, and one
line acknowledged before the next is sent (RS-274/NGC: Kramer, Proctor, Messina, "The NIST
RS274NGC Interpreter, Version 3", NISTIR 6556, sections 3.3, 3.5 and 3.8, from memory). The standard
does not say how a controller acknowledges a line, reports where it is, is stopped, or says who it
is; that is the bench file's, as for ``line-ascii``.
"""

from __future__ import annotations

from pydantic import Field, field_validator

from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError
from autoalign.core.units import from_edge
from autoalign_drivers.line_ascii import LineAsciiDriver
from autoalign_drivers.line_settings import ChannelSettings, MotionSettings
from autoalign_drivers.port_settings import LineEnd, Pattern, Query

__all__ = ["DRIVER", "Rs274Driver", "Rs274Settings"]

_LETTERS = "XYZABC"
"""X, Y and Z are shifts, A, B and C turns about them (NISTIR 6556, 2.1.2.1, from memory)."""
_SLOWEST = 1e-6
"""Last decimal with which F is written."""


class Rs274Settings(MotionSettings):
    """A motion controller that takes lines of RS-274.

    ``channel`` of an axis is its letter; ``per_count`` is what 1 mm (X, Y, Z) or 1° (A, B, C) of
    the controller does to the axis. The controller must report positions in the coordinates and
    units in which it is commanded after G21 and G90: one that does not is found out at the first
    move, which ends away from its target. An axis with a ``speed`` moves at it (G1), one without
    at the controller's own (G0).
    """

    command_end: LineEnd = Field(default="\n", description="End of a command line.")
    acknowledgement: Pattern = Field(
        description="Regular expression for the line by which a line of RS-274 is acknowledged; "
        "it means that the line was understood, not that anything has arrived."
    )
    stop: Query = Field(
        description="Stops all axes and discards what is queued. It must be obeyed at once: not "
        "after the lines before it, and not as a pause after which the motion goes on."
    )

    @field_validator("axes")
    @classmethod
    def _channels_are_letters(cls, axes: dict[str, ChannelSettings]) -> dict[str, ChannelSettings]:
        for name, entry in axes.items():
            if len(entry.channel) != 1 or entry.channel not in _LETTERS:
                raise ValueError(
                    f"axis {name} has the channel {entry.channel!r}; axes of RS-274 are "
                    f"{', '.join(_LETTERS)}"
                )
        return axes

    @property
    def whole(self) -> bool:
        """Targets are decimal numbers, in mm or degrees."""
        return False

    def preparation(self) -> tuple[Query, ...]:
        """Return what sets millimetres and absolute distances.

        It has a line of its own because F of the same line would be taken in the units before, and
        comes before every move because a restart or a pendant may have changed either.
        """
        return (Query(send="G21 G90", reply=self.acknowledgement),)

    def move_of(self, axis: Axis) -> tuple[Query, ...]:
        """Return a move at the axis' speed, or at the controller's own where it has none."""
        if axis.speed is None:
            return (Query(send="G0 {axis}{value}", reply=self.acknowledgement),)
        entry = self.axes[axis.name]
        feed = 60 * axis.speed / abs(from_edge(entry.per_count, entry.unit))
        if feed < _SLOWEST:
            raise UsageError(
                f"axis {axis.name}: its speed is less than F can say; correct speed or per_count."
            )
        return (Query(send=f"G1 {{axis}}{{value}} F{feed:.6f}", reply=self.acknowledgement),)


class Rs274Driver(LineAsciiDriver):
    """A controller that takes moves as lines of RS-274, from a bench file's table."""

    settings = Rs274Settings


DRIVER = Rs274Driver()
"""Entry point ``rs274`` of the group ``autoalign.stages``."""
