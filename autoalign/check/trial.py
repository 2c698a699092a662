"""What is done with one axis: a tiny step first, then one small step each way, and back.

Every step is fixed beforehand and never made larger because too little was seen. With the step h
along the axis' approach direction the places are, in this order and each gone to straight::

    start → tiny → −h → 0 "before" → +h "there" → 0 "again" → −h "beyond" → 0 "back" → start

"tiny" is h/5 beyond the stated backlash, inwards. "before" and "back" are reached from the same
side with the backlash taken up, "again" from the other: the difference at the same reading is the
backlash (the two-direction approach of ISO 230-2, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field

from autoalign.core.axes import Axis
from autoalign.session import ScanMeasurement, Waypoint

__all__ = ["PLACES", "Trial", "step_size", "try_axis"]

LARGEST = 0.02
"""No step of the check is larger than this part of the travel."""

PLACES = ("before", "there", "again", "beyond", "back")
"""Where what is measured counts."""

TINY = 0.2
"""The first step of an axis, in units of its step, after the stated backlash."""

SETTLING = 8
"""Exposures taken one after another from the arrival on."""


@dataclass(slots=True, eq=False)
class Trial:
    """One axis tried.

    ``step`` h with its sign, mm or rad; ``centre`` the reading called 0 above; ``reach`` the
    furthest from the start; ``sights`` by place; ``arrival`` what was measured from the arrival on
    at "there"; ``home`` what was measured back at the start; ``stopped`` why the trial was broken
    off.
    """

    axis: Axis
    step: float
    centre: float
    start: float
    sights: dict[str, ScanMeasurement] = field(default_factory=dict)
    arrival: ScanMeasurement | None = None
    home: ScanMeasurement | None = None
    stopped: str = ""

    @property
    def whole(self) -> bool:
        """Whether every place was seen."""
        return all(p in self.sights for p in PLACES)

    @property
    def reach(self) -> float:
        """Furthest distance from the start that was commanded, mm or rad."""
        h, off = abs(self.step), abs(self.centre - self.start)
        whole = bool(self.sights.keys() & set(PLACES)) or not self.stopped
        return off + h if whole else tiny_step(self.axis, h)


def step_size(axis: Axis, telling: float | None) -> float:
    """Return how large a step may be, mm or rad, without sign.

    ``telling`` is the step that should show clearly, from a model; None without one. The step also
    exceeds the stated backlash threefold, so that a backlash that is up to three times larger
    shows. It is never more than a fiftieth of the travel.
    """
    wanted = axis.travel / 2000 if telling is None else abs(telling)
    size = max(wanted, 3 * axis.backlash, 4 * axis.resolution)
    return min(size, LARGEST * axis.travel, axis.max_step or axis.travel)


def tiny_step(axis: Axis, size: float) -> float:
    """Return the very first step, mm or rad: what is left of it after the backlash is a fifth."""
    return min(max(TINY * size, axis.resolution) + axis.backlash, size)


def try_axis(
    axis: Axis, start: float, size: float, watch: Callable[[str, ScanMeasurement], str]
) -> Generator[Waypoint, ScanMeasurement, Trial]:
    """Yield the waypoints of one axis; ``watch`` is given each and says why to stop, or ""."""
    step = size * axis.approach
    centre = min(max(start, axis.lower + size), axis.upper - size)
    trial = Trial(axis, step, centre, start)
    inwards = 1.0 if start < (axis.lower + axis.upper) / 2 else -1.0
    for place, target in (
        ("tiny", start + inwards * tiny_step(axis, size)),
        ("", centre - step),
        ("before", centre),
        ("there", centre + step),
        ("again", centre),
        ("beyond", centre - step),
        ("back", centre),
    ):
        to = {axis.name: target}
        if place == "there":
            trial.arrival = yield Waypoint(
                to, f"{axis.name}: arriving", True, SETTLING, at_once=True
            )
        sight = yield Waypoint(
            to, f"{axis.name}: {place or 'turning point'}", True, None if place else 0
        )
        if not place:
            continue
        trial.sights[place] = sight
        trial.stopped = watch(place, sight)
        if trial.stopped:
            break
    back = f"{axis.name}: back to the start"
    trial.home = yield Waypoint({axis.name: start}, back, returning=True)
    return trial
