"""The misalignment that a measurement shows, in terms of the bench's own axes: what to move."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from autoalign.core.axes import Axis
from autoalign.core.units import edge, edge_unit, number, percent, rounded
from autoalign.diagnosis.misalignment import AxisReading, Misalignment, Share
from autoalign.messages.words import unit_label

__all__ = ["advice_words"]

MATTERS = 0.5
"""Tolerances that a correction must gain to be mentioned."""
STRANGE = 10.0
"""Misfit, in standard deviations of χ², from which the layout itself is in doubt."""
MOST = 3
"""Alternatives that are listed for axes that cannot be distinguished."""


def advice_words(
    found: Misalignment,
    axes: Mapping[str, Axis],
    positions: Mapping[str, float] | None,
    aberrations: Callable[[str, float], str] | None = None,
) -> tuple[str, ...]:
    """Return what to move, most important first; what is aligned; and what cannot be determined.

    Parameters
    ----------
    found
        The misalignment.
    axes
        By name.
    positions
        Of the axes, mm or rad; None where nobody knows them, as of pictures.
    aberrations
        Returns in words the aberrations of an axis that is misaligned by so much (mm or rad).
    """
    off = [r for r in found.axes if r.sure and r.effect >= MATTERS]
    off.sort(key=lambda r: -r.effect)
    shares = [s for s in found.shares if max(r.effect for r in s.choices[0]) >= MATTERS]
    here = dict.fromkeys(axes) if positions is None else positions
    moves = [_move(r, axes[r.axis], here[r.axis], aberrations) for r in off]
    moves += [_either(s, axes) for s in shares]
    return (*_doubt(found), *(moves or [_nothing(found)]), *_outlook(found, bool(moves)),
            *_right(found, axes), *_untold(found, axes))  # fmt: skip


def _nothing(found: Misalignment) -> str:
    """Return why no axis is to be moved: all are aligned, or nothing is known of them."""
    unknown = [r.axis for r in found.axes if not r.told]
    if len(unknown) == len(found.axes):
        return "No axis can be named: these frames do not determine the position of any of them."
    rest = f"; nothing is known of {_listed(unknown)}" if unknown else ""
    return (
        "As far as these frames show, no axis is misaligned by more than half a tolerance of the "
        f"spec{rest}."
    )


def _doubt(found: Misalignment) -> Iterator[str]:
    if found.excess > STRANGE:
        yield (
            "Caution: the measurement does not agree with the bench file. Check the distances, the "
            "pixel sizes, the mirror's data and how the cameras are mounted before relying on what "
            "follows."
        )


def _move(
    reading: AxisReading,
    axis: Axis,
    here: float | None,
    aberrations: Callable[[str, float], str] | None,
) -> str:
    unit = axis.unit
    target = (here or 0.0) - reading.amount
    places = _places(reading.u, unit)
    label = unit_label(edge_unit(unit))
    goal = "" if here is None else f", to {rounded(edge(target, unit), places)} {label}"
    sure = "over 99 %" if reading.confidence > 0.99 else percent(reading.confidence)
    optical = aberrations(reading.axis, reading.amount) if aberrations is not None else ""
    text = (
        f"{reading.axis}: move by {_amount(reading, unit)}{_screw(reading, axis)}{goal} ({sure} "
        "sure of the direction"
        f"{f'; causes {optical}' if optical else ''})."
    )
    low, high = axis.reachable
    if here is None or low <= target <= high:
        return text
    return (
        f"{text} This is beyond its limits, {number(edge(low, unit))} to "
        f"{number(edge(high, unit))} {label}: with all motors at rest, first place the part closer "
        "by hand."
    )


def _either(share: Share, axes: Mapping[str, Axis]) -> str:
    told = [" and ".join(_by(r, axes) for r in choice) for choice in share.choices[:MOST]]
    if len(told) == 1:
        right = [a for a in share.axes if a not in {r.axis for r in share.choices[0]}]
        return f"Move {told[0]}, if {_listed(right)} {'is' if len(right) == 1 else 'are'} aligned."
    rest = len(share.choices) - len(told)
    more = f" ({rest} more alternatives are as likely)" if rest else ""
    return (
        f"Either move {', or '.join(told)}{more}: one of them is enough; these frames cannot show "
        "which is misaligned."
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
            "After these moves the beam is in spec with a probability of "
            f"{percent(found.chance)}; measure again to confirm."
        )
    else:
        yield "After moves this large, measure again and correct."


def _right(found: Misalignment, axes: Mapping[str, Axis]) -> Iterator[str]:
    shared = {a for s in found.shares for a in s.axes}
    fine = [
        f"{r.axis} (within {_within(r.u, axes[r.axis].unit)})"
        for r in found.axes
        if r.told and r.axis not in shared and not (r.sure and r.effect >= MATTERS)
    ]
    if fine:
        yield f"Aligned, as far as these frames show: {', '.join(fine)}."


def _untold(found: Misalignment, axes: Mapping[str, Axis]) -> Iterator[str]:
    said = [set(s.axes) for s in found.shares]
    for group in found.alike:
        if any(set(group) <= axes_said for axes_said in said):
            continue
        if len(group) == 1:
            u = found[group[0]].u
            yield (
                f"Cannot be determined: {group[0]}, beyond what the bench file states of it "
                f"(± {_within(u, axes[group[0]].unit)})."
            )
        else:
            yield (
                f"Cannot be distinguished: {_listed(group)}. Misalignments of these that cancel "
                "each other do not show in these frames."
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
