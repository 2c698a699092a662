"""Between an axis' position (mm or rad) and the number that a controller understands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from autoalign.core.axes import Axis
from autoalign.core.errors import ReplyError, UsageError, unknown_name
from autoalign.core.units import from_edge, kind_of
from autoalign_drivers.grammar import strict_decimal, strict_integer
from autoalign_drivers.line_settings import ChannelSettings

__all__ = ["Channel", "channels_of"]


@dataclass(frozen=True, slots=True)
class Channel:
    """An axis and its place on the controller; ``per_count`` and ``offset`` in mm or rad."""

    axis: Axis
    number: str
    per_count: float
    offset: float
    decimals: int
    whole: bool

    @property
    def grain(self) -> float:
        """Half of the smallest step of a target, mm or rad: a count, or the last decimal."""
        return abs(self.per_count) * (1.0 if self.whole else 10.0**-self.decimals) / 2

    def values(self, target: float) -> dict[str, str]:
        """Return the places of a command for ``target``; none of them leaves the limits."""
        number = (target - self.offset) / self.per_count
        return {
            "axis": self.number,
            "counts": str(int(self._inside(number, 0))),
            "value": f"{self._inside(number, self.decimals):f}",
        }

    def _inside(self, number: float, decimals: int) -> Decimal:
        """Return ``number`` rounded, the other way where that would be beyond a limit."""
        exact, step = Decimal(number), Decimal(1).scaleb(-decimals)
        rounded = exact.quantize(step)
        # What floating point makes of a number that stands for the limit itself is not beyond it.
        slack = 1e-9 * abs(self.per_count) * float(step)
        reached = self._position(float(rounded))
        if self.axis.lower - slack <= reached <= self.axis.upper + slack:
            return rounded
        return exact.quantize(step, ROUND_FLOOR if rounded > exact else ROUND_CEILING)

    def read(self, found: Mapping[str, str], where: str) -> float:
        """Return the position in an answer, mm or rad. Raises :class:`ReplyError`."""
        try:
            if "counts" in found:
                return self._position(strict_integer(found["counts"]))
            return self._position(strict_decimal(found.get("value") or found[self.number]))
        except KeyError:
            raise ReplyError(
                f"{where}: axis {self.axis.name}: the answer says nothing of {self.number!r}. "
                "Check how many axes the controller has."
            ) from None
        except ValueError as error:
            raise ReplyError(
                f"{where}: axis {self.axis.name}: {error}. Correct the reply pattern in the bench "
                "file so that its group holds the number alone."
            ) from None

    def _position(self, number: float) -> float:
        return number * self.per_count + self.offset


def channels_of(
    who: str,
    axes: Mapping[str, Axis],
    settings: Mapping[str, ChannelSettings],
    *,
    whole: bool = True,
) -> dict[str, Channel]:
    """Match the bench's axes with the driver's table; ``whole`` where targets are whole counts.

    Raises
    ------
    UsageError
        For an axis without an entry, an entry without an axis, or a unit of the wrong kind.
    """
    for name in settings:
        if name not in axes:
            raise unknown_name("axis", name, axes, f"{who}, axes of the driver")
    channels: dict[str, Channel] = {}
    for name, axis in axes.items():
        if name not in settings:
            raise unknown_name("channel for the axis", name, settings, who)
        entry = settings[name]
        if kind_of(entry.unit) != axis.unit:
            raise UsageError(
                f"{who}, axis {name}: per_count is in {entry.unit}, the axis in {axis.unit}; give "
                f"a unit that converts to {axis.unit}."
            )
        size, offset = (from_edge(v, entry.unit) for v in (entry.per_count, entry.offset))
        channels[name] = Channel(axis, entry.channel, size, offset, entry.decimals, whole)
    return channels
