"""The misalignment that a look shows, in the words of the bench's own axes: what to move."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from autoalign.core.axes import Axis
from autoalign.core.units import edge, edge_unit
from autoalign.diagnosis.misalignment import AxisReading, Misalignment, Share
from autoalign.messages.words import number, rounded, unit_label

__all__ = ["advice_words"]

MATTERS = 0.5
"""Tolerances that a correction must gain to be worth a word."""
STRANGE = 10.0
"""Misfit, in standard deviations of χ², from which the layout itself is in doubt."""
MOST = 3
"""Choices that are told of axes that cannot be told apart."""


def advice_words(
    found: Misalignment, axes: Mapping[str, Axis], positions: Mapping[str, float]
) -> tuple[str, ...]:
    """Return what to move, surest first; what is right; and what cannot be told.

    ``positions`` are where the axes stand, mm or rad.
    """
    off = [r for r in found.axes if r.sure and r.effect >= MATTERS]
    off.sort(key=lambda r: -r.effect)
    shares = [s for s in found.shares if max(r.effect for r in s.choices[0]) >= MATTERS]
    moves = [_move(r, axes[r.axis], positions[r.axis]) for r in off]
    moves += [_either(s, axes) for s in shares]
    return (*_doubt(found), *(moves or [_NOTHING]), *_outlook(found, bool(moves)),
            *_right(found, axes), *_untold(found, axes))  # fmt: skip


_NOTHING = (
    "No axis stands off by more than half a tolerance of the spec, as far as these frames tell."
)


def _doubt(found: Misalignment) -> Iterator[str]:
    if found.excess > STRANGE:
        yield (
            "Caution: what is seen does not fit the bench file. Check distances, pixel sizes, the "
            "mirror's data and how the cameras are mounted before believing what follows."
        )


def _move(reading: AxisReading, axis: Axis, here: float) -> str:
    unit = axis.unit
    target = here - reading.amount
    places = _places(reading.u, unit)
    label = unit_label(edge_unit(unit))
    sure = "over 99" if reading.confidence > 0.99 else f"{reading.confidence * 100:.0f}"
    text = (
        f"{reading.axis}: move it by {_amount(reading, unit)}{_screw(reading, axis)}, to "
        f"{rounded(edge(target, unit), places)} {label} ({sure} % sure of the direction)."
    )
    low, high = axis.reachable
    if low <= target <= high:
        return text
    return (
        f"{text} That is beyond its limits, {number(edge(low, unit))} to "
        f"{number(edge(high, unit))} {label}: bring the part closer by hand first."
    )


def _either(share: Share, axes: Mapping[str, Axis]) -> str:
    told = [" and ".join(_by(r, axes) for r in choice) for choice in share.choices[:MOST]]
    if len(told) == 1:
        right = [a for a in share.axes if a not in {r.axis for r in share.choices[0]}]
        return f"Move {told[0]}, if {_listed(right)} {'is' if len(right) == 1 else 'are'} right."
    rest = len(share.choices) - len(told)
    more = f" ({rest} more ways are as likely)" if rest else ""
    return (
        f"Either move {', or '.join(told)}{more}: one of them is enough; these frames cannot tell "
        "which stands off."
    )


def _by(reading: AxisReading, axes: Mapping[str, Axis]) -> str:
    axis = axes[reading.axis]
    return f"{reading.axis} by {_amount(reading, axis.unit)}{_screw(reading, axis)}"


def _screw(reading: AxisReading, axis: Axis) -> str:
    turning = axis.turning(-reading.amount)
    return f" ({turning})" if turning else ""


def _outlook(found: Misalignment, moves: bool) -> Iterator[str]:
    if not moves:
        return
    if found.chance > 0.1:
        yield (
            f"After these moves the beam is in spec with a probability of {found.chance * 100:.0f} "
            "%; look again to know."
        )
    else:
        yield "Such large moves do not end exactly: look again afterwards, and correct."


def _right(found: Misalignment, axes: Mapping[str, Axis]) -> Iterator[str]:
    shared = {a for s in found.shares for a in s.axes}
    fine = [
        f"{r.axis} (within {_within(r.u, axes[r.axis].unit)})"
        for r in found.axes
        if r.told and r.axis not in shared and not (r.sure and r.effect >= MATTERS)
    ]
    if fine:
        yield f"Right as far as these frames tell: {', '.join(fine)}."


def _untold(found: Misalignment, axes: Mapping[str, Axis]) -> Iterator[str]:
    said = [set(s.axes) for s in found.shares]
    for group in found.alike:
        if any(set(group) <= axes_said for axes_said in said):
            continue
        if len(group) == 1:
            u = found[group[0]].u
            yield (
                f"Cannot be told: how far {group[0]} is off, beyond what is known beforehand "
                f"(± {_within(u, axes[group[0]].unit)})."
            )
        else:
            yield (
                f"Cannot be told apart: {_listed(group)}. Errors of theirs that cancel each other "
                "do not show in these frames."
            )


def _listed(names: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _amount(reading: AxisReading, unit: str) -> str:
    """The move with its 95 % interval."""
    places = _places(reading.u, unit)
    value = rounded(edge(-reading.amount, unit), places)
    plus = "+" if reading.amount < 0 else ""
    return f"{plus}{value} ± {_within(reading.u, unit)}"


def _within(u: float, unit: str) -> str:
    return f"{rounded(edge(1.96 * u, unit), _places(u, unit))} {unit_label(edge_unit(unit))}"


def _places(u: float, unit: str) -> int:
    """Decimals that show a 95 % interval with two digits."""
    wide = edge(1.96 * u, unit)
    return next((p for p in range(6) if wide * 10**p >= 9.95), 6)
