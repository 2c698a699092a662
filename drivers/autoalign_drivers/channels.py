"""Between an axis' position (mm or rad) and the number that a controller understands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from autoalign.core.axes import Axis
from autoalign.core.errors import ReplyError, UsageError, unknown_name
from autoalign.core.units import from_edge, kind_of
from autoalign_drivers.grammar import strict_decimal, strict_hexadecimal, strict_integer
from autoalign_drivers.line_settings import Bits, ChannelSettings, Counts, own_group

__all__ = ["Channel", "channels_of", "read_counts", "written"]


@dataclass(frozen=True, slots=True)
class Channel:
    """An axis and its place on the controller; ``per_count`` and ``offset`` in mm or rad."""

    axis: Axis
    number: str
    per_count: float
    offset: float
    decimals: int
    whole: bool
    counts: Counts = field(default_factory=Counts)
    bits: Bits | None = None

    @property
    def grain(self) -> float:
        """Half of the smallest step of a target, mm or rad: a count, or the last decimal."""
        return abs(self.per_count) * (1.0 if self.whole else 10.0**-self.decimals) / 2

    def values(self, target: float) -> dict[str, str]:
        """Return the places of a command for ``target``; none of them leaves the limits."""
        number = (target - self.offset) / self.per_count
        return {
            "axis": self.number,
            "counts": written(int(self._inside(number, 0)), self.counts),
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
                return self._position(read_counts(found["counts"], self.counts))
            text = found.get("value") or found[own_group(self.number, found) or self.number]
            if self.counts.radix != 10:
                return self._position(read_counts(text, self.counts))
            return self._position(strict_decimal(text))
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


def written(number: int, counts: Counts) -> str:
    """Return ``number`` as a command says it."""
    value = number % (1 << counts.width) if counts.width is not None else number
    sign = "-" if value < 0 else "+" if counts.plus else ""
    return f"{sign}{abs(value):0{counts.digits}{'X' if counts.radix == 16 else 'd'}}"


def read_counts(text: str, counts: Counts) -> int:
    """Return the whole number that an answer says.

    Raises
    ------
    ValueError
        Where it is none, or none of so many bits.
    """
    value = strict_hexadecimal(text) if counts.radix == 16 else strict_integer(text)
    if counts.width is None:
        return value
    span = 1 << counts.width
    if not 0 <= value < span:
        raise ValueError(f"{text!r} is not a number of {counts.width} bits")
    return value - span if value >= span // 2 else value


def channels_of(
    who: str,
    axes: Mapping[str, Axis],
    settings: Mapping[str, ChannelSettings],
    *,
    whole: bool = True,
    counts: Counts | None = None,
    bits: Bits | None = None,
) -> dict[str, Channel]:
    """Match the bench's axes with the driver's table; ``whole`` where targets are whole counts.

    ``bits`` are those of every axis that has none of its own.

    Raises
    ------
    UsageError
        For an axis without an entry, an entry without an axis, a unit of the wrong kind, or limits
        that cannot be said in so many bits.
    """
    counts = counts or Counts()
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
        channels[name] = Channel(
            axis, entry.channel, size, offset, entry.decimals, whole, counts, entry.bits or bits
        )
        if counts.width is not None:
            most = max(abs((end - offset) / size) for end in (axis.lower, axis.upper))
            if most >= 1 << (counts.width - 1):
                raise UsageError(
                    f"{who}, axis {name}: its limits are up to {most:.0f} counts from the "
                    f"controller's zero, which {counts.width} bits cannot say; correct per_count, "
                    "width or the limits."
                )
    return channels
