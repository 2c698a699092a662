"""Axes that a person turns: the stage asks, the person turns and says what the scale reads."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

from pydantic import Field

from autoalign.core.axes import FINEST_TURN, Axis
from autoalign.core.cautions import AT_THE_SCREW
from autoalign.core.clock import Clock
from autoalign.core.errors import MotionFaultError, UsageError, unknown_name
from autoalign.core.hands import Ask, ask_at_terminal
from autoalign.core.interfaces import AxisStatus
from autoalign.core.units import EDGE_UNIT, kind_name, kind_of, quantity, to_edge
from autoalign_drivers.grammar import strict_decimal
from autoalign_drivers.unit_texts import Settings, Travel

__all__ = ["DRIVER", "HandAxis", "HandDriver", "HandSettings", "HandStage"]

_WIDTH = 80
"""Columns of what is said before the first question."""
_ATTEMPTS = 3
"""Number of answers that come no nearer, or cannot be understood, after which it gives up."""
_NEARER = 0.5
"""An answer comes nearer if it does by this part of the tolerance; so the asking ends."""
_ENOUGH = 1 / 36
"""Turns within which a person is not asked again. Common practice, from memory."""
_SHARE = 0.01
"""The same as a share of the travel, where neither screw nor resolution is known."""


class HandAxis(Settings):
    """How a person moves one axis."""

    hint: str = Field(default="", description="Where the screw is, or how to turn it.")
    per_turn: Travel | None = Field(default=None, description="Travel of one turn.")
    clockwise: Literal["+", "-"] = Field(
        default="+", description="Which way the position changes when turned clockwise."
    )


class HandSettings(Settings):
    """Axes that a person turns."""

    axes: dict[str, HandAxis] = Field(default_factory=dict, description="Axes by name.")


class HandStage:
    """A :class:`~autoalign.core.interfaces.Stage` whose motor is a person.

    A move asks for what a hand can set: targets are rounded to the axis' resolution, or to
    5° of its screw. If the axis is there already, within half of that or within the
    tolerance that the bench file gives, nobody is asked. It returns when the person has answered;
    an empty answer means "as asked", ``stop`` that it cannot be done. If the answer is further
    from the target than the axis' tolerance (by default 10° of its screw or two resolutions,
    whichever is more; a hundredth of the travel where neither is known; never less than the
    rounding and a hand leave), the rest is asked for, until three answers have come no nearer.
    The first question says what to mind before touching the bench. Nothing moves by itself. After a
    question to turn that got no usable answer ("stop", nobody there, a reading beyond the limits)
    it is not known where the axis is: its status says so until the axis is to be moved again, which
    begins with reading the scale, or the bench is opened anew.
    """

    def __init__(self, name: str, axes: Sequence[Axis], settings: HandSettings, ask: Ask) -> None:
        self._name = name
        given = {axis.name: axis for axis in axes}
        for axis_name, how in settings.axes.items():
            if axis_name not in given:
                raise unknown_name("axis", axis_name, given, f"stage {name}")
            self._check_turn(given[axis_name], how)
        self._axes = {n: _by_hand(axis, settings.axes.get(n)) for n, axis in given.items()}
        self._near = {
            n: max(a.tolerance or 0.0, _step(self._axes[n]) / 2) for n, a in given.items()
        }
        self._settings = settings
        self._ask = ask
        self._positions: dict[str, float] = {}
        self._unread: set[str] = set()
        self._cautioned = False

    def __repr__(self) -> str:
        return f"HandStage({self._name!r}, {list(self._axes)})"

    @property
    def name(self) -> str:
        """Name of the stage on this bench."""
        return self._name

    @property
    def axes(self) -> Mapping[str, Axis]:
        """The axes by name."""
        return self._axes

    def identity(self) -> str:
        """Return what stands for a controller: the hand-turned axes."""
        return f"by hand: {', '.join(self._axes)}"

    def start_move(self, axis: str, target: float) -> None:
        """Ask a person to bring ``axis`` to ``target`` (mm or rad) and to read the scale.

        Raises
        ------
        MotionFaultError
            Where the person cannot, nobody answers, or no answer can be understood.
        """
        known = self._axis(axis)
        known.check(target)
        goal = _settable(known, target)
        now = self._read(known)
        if abs(now - goal) <= self._near[axis] and self._arrived(known, target):
            return
        asked, idle, miss = 0, 0, abs(now - goal)
        while idle < _ATTEMPTS:
            now = self._positions[axis]
            question = f"{self._order(known, now, goal)} What does it read now (Enter: as asked)? "
            # From now on it may have been turned; only an answer tells where it is.
            del self._positions[axis]
            self._unread.add(axis)
            now = self._positions[axis] = self._answer(known, question, goal)
            self._unread.discard(axis)
            if self._arrived(known, target):
                return
            nearer = abs(now - goal) < miss - _NEARER * known.arrival_tolerance
            asked, idle = asked + 1, idle + (not nearer)
            miss = min(miss, abs(now - goal)) if nearer else miss
        raise MotionFaultError(
            f"stage {self._name}, axis {axis}: asked {asked} times for {known.said(goal)}, it "
            f"reads {known.said(now)}; nearer than {known.said(known.arrival_tolerance)} is "
            "wanted. If a hand cannot set it that well, give the axis a larger tolerance in the "
            "bench file."
        )

    def _arrived(self, axis: Axis, target: float) -> bool:
        return abs(self._positions[axis.name] - target) <= axis.arrival_tolerance

    def status(self, axis: str) -> AxisStatus:
        """Return the position as last said; asks for it the first time.

        The position is NaN, with a fault, where it was turned and not read since.
        """
        known = self._axis(axis)
        if axis in self._unread:
            return AxisStatus(
                math.nan,
                moving=False,
                homed=False,
                fault="nobody has said what its scale reads since it was to be turned. Read it, "
                "then open the bench again.",
            )
        return AxisStatus(self._read(known), moving=False)

    def _read(self, axis: Axis) -> float:
        """Return the position as last said; ask where it is not known."""
        if axis.name not in self._positions:
            bare = " (0 where it has none: it then counts from here)"
            hint = self._settings.axes.get(axis.name, HandAxis()).hint
            question = (
                f"{axis.name}{f' ({hint})' if hint else ''}: what does its scale read, in "
                f"{EDGE_UNIT[axis.unit]}{bare if axis.lower <= 0 <= axis.upper else ''}? "
            )
            self._positions[axis.name] = self._answer(axis, question, None)
            self._unread.discard(axis.name)
        return self._positions[axis.name]

    def stop(self) -> None:
        """Do nothing: no axis moves by itself."""

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""

    def _axis(self, name: str) -> Axis:
        if name not in self._axes:
            raise unknown_name("axis", name, self._axes, f"stage {self._name}")
        return self._axes[name]

    def _check_turn(self, axis: Axis, how: HandAxis) -> None:
        if how.per_turn is None:
            return
        travel, kind = how.per_turn
        if kind != axis.unit:
            raise UsageError(
                f"stage {self._name}, axis {axis.name}: per_turn is {kind_name(kind)}; this axis "
                f"moves in {EDGE_UNIT[axis.unit]}, so it must be {kind_name(axis.unit)}."
            )
        if travel > 10 * axis.travel:
            raise UsageError(
                f"stage {self._name}, axis {axis.name}: per_turn {axis.said(travel)} is "
                f"not a share of a travel of {axis.said(axis.travel)}; check its unit."
            )

    def _order(self, axis: Axis, now: float, target: float) -> str:
        unit = EDGE_UNIT[axis.unit]
        change = target - now
        how = axis.turning(change) or f"by {to_edge(change, unit):+.4g} {unit}"
        hint = self._settings.axes.get(axis.name, HandAxis()).hint
        return (
            f"{axis.name}{f' ({hint})' if hint else ''}: turn it {how}, from "
            f"{to_edge(now, unit):.6g} to {to_edge(target, unit):.6g} {unit} "
            f"(± {to_edge(axis.arrival_tolerance, unit):.2g} is near enough), with the beam "
            "blocked or at alignment power."
        )

    def _caution(self) -> str:
        """Return what is said before the first question alone."""
        if self._cautioned:
            return ""
        self._cautioned = True
        return f"{textwrap.fill(AT_THE_SCREW, _WIDTH)}\n"

    def _answer(self, axis: Axis, question: str, default: float | None) -> float:
        unit = EDGE_UNIT[axis.unit]
        complaint = ""
        for _ in range(_ATTEMPTS):
            try:
                said = self._ask(self._caution() + complaint + question).strip()
            except EOFError:
                raise MotionFaultError(
                    f"stage {self._name}, axis {axis.name}: nobody is there to answer. Run this "
                    "where a person can type."
                ) from None
            if said.lower() == "stop":
                raise MotionFaultError(
                    f"stage {self._name}, axis {axis.name}: the person said stop; the position is "
                    "as before or in between. Read it before going on."
                )
            if not said and default is not None:
                return default
            try:
                position = _position(said, unit)
                axis.check(position)
            except ValueError as error:
                complaint = f"{error} "
                continue
            return position
        raise MotionFaultError(
            f"stage {self._name}, axis {axis.name}: no answer could be understood in {_ATTEMPTS} "
            f'attempts. Answer with a number in {unit}, or with a unit, such as "1.25 {unit}".'
        )


def _by_hand(axis: Axis, how: HandAxis | None) -> Axis:
    """Return the axis as a hand drives it: with its screw, and with a hand's tolerance."""
    turn = how.per_turn[0] if how is not None and how.per_turn is not None else 0.0
    signed = turn if how is None or how.clockwise == "+" else -turn
    screw = replace(axis, per_turn=signed, by_hand=True)
    tolerance = axis.tolerance or max(_ENOUGH * turn, 2 * axis.resolution) or _SHARE * axis.travel
    # The target may lie half a step from where it is rounded to, the hand half a turn of 5° off.
    least = (_step(screw) + max(axis.resolution, _grid(screw))) / 2
    return replace(screw, tolerance=max(tolerance, least))


def _grid(axis: Axis) -> float:
    """Return how far the finest turn of the screw moves the axis; 0 where that is not known."""
    return abs(axis.per_turn) * FINEST_TURN / 360


def _step(axis: Axis) -> float:
    """Return what targets are rounded to; 0 for not at all."""
    return axis.resolution or _grid(axis)


def _settable(axis: Axis, target: float) -> float:
    """Return the place next to ``target`` that a hand can set and the limits allow."""
    step = _step(axis)
    rounded = round(target / step) * step if step else target
    return rounded if axis.lower <= rounded <= axis.upper else target


def _position(said: str, unit: str) -> float:
    """Return mm or rad for an answer that is a number in ``unit`` or carries a unit."""
    inner = kind_of(unit)
    if "," in said:
        raise ValueError(f"{said!r} has a comma; write the decimals after a point.")
    try:
        strict_decimal(said)
    except ValueError:
        return quantity(said, inner)
    return quantity(f"{said} {unit}", inner)


class HandDriver:
    """Axes that a person turns; ``ask`` puts the questions, by default at the terminal."""

    settings = HandSettings

    def __init__(self, ask: Ask = ask_at_terminal) -> None:
        self._ask = ask

    def build(self, name: str, axes: Sequence[Axis], settings: Any, clock: Clock) -> HandStage:
        """Return the stage; nothing is asked yet. Time plays no part: a person takes their own."""
        if not isinstance(settings, HandSettings):
            raise UsageError(f"stage {name}: settings must be HandSettings.")
        return HandStage(name, axes, settings, self._ask)


DRIVER = HandDriver()
"""Entry point ``hand`` of the group ``autoalign.stages``."""
