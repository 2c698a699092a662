"""Axis functions made from objects of lab-control frameworks, recognised by what they can do.

What such an object states of itself is taken over: its unit, its limits, and whether a move failed.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from autoalign.adapters.functions import AxisFunctions
from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError
from autoalign.core.units import from_edge, kind_of

__all__ = ["from_parameter", "from_positioner"]

_SPELLINGS = {
    "µm": "um", "μm": "um", "micron": "um", "microns": "um", "micrometer": "um",
    "millimeter": "mm", "millimetre": "mm", "meter": "m", "metre": "m",
    "°": "deg", "degree": "deg", "degrees": "deg", "radian": "rad", "radians": "rad",
    "µrad": "urad", "μrad": "urad",
}  # fmt: skip


def from_positioner(positioner: Any, axis: Axis, unit: str = "") -> AxisFunctions:
    """Return the functions of an object with ``set(x)``, ``position`` and ``stop()``.

    Positioners of event-driven frameworks have this interface: ``set`` returns a status with
    ``done``, and ``exception`` or ``success`` where a move failed. The unit is the one that the
    object states (``egu``), ``unit`` where it states none. Its ``limits`` narrow those of the axis;
    None, and a pair of equal numbers, mean that it has none.

    Raises
    ------
    UsageError
        Where the object lacks one of these, states a unit that is not ``unit`` or does not suit the
        axis, or its limits leave no travel.
    """
    _needs(positioner, ("set", "position"), axis.name)
    unit = _unit(axis, getattr(positioner, "egu", None), unit)
    narrowed = _narrowed(axis, getattr(positioner, "limits", None), unit)
    stop = getattr(positioner, "stop", None)
    return AxisFunctions(
        narrowed, positioner.set, lambda: float(positioner.position), unit, None, stop
    )


def from_parameter(parameter: Any, axis: Axis, unit: str = "") -> AxisFunctions:
    """Return functions of a parameter: a call with a number sets and blocks, a bare call reads.

    The unit is the one that the object states (``unit``), that of the argument where it states
    none. The numbers that it takes (``vals`` with ``min_value`` and ``max_value``) narrow the
    limits of the axis.

    Raises
    ------
    UsageError
        Where the object cannot be called, states a unit that is not ``unit`` or does not suit the
        axis, or its limits leave no travel.
    """
    if not callable(parameter):
        raise UsageError(f"axis {axis.name}: {parameter!r} is no parameter; it cannot be called.")
    unit = _unit(axis, getattr(parameter, "unit", None), unit)
    vals = getattr(parameter, "vals", None)
    limits = (
        getattr(vals, "min_value", -math.inf),
        getattr(vals, "max_value", math.inf),
    )
    narrowed = _narrowed(axis, limits, unit)
    return AxisFunctions(narrowed, lambda x: parameter(float(x)), lambda: float(parameter()), unit)


def _unit(axis: Axis, stated: Any, given: str) -> str:
    """Return the unit that counts: the one stated by the object, or the one given."""
    said = stated.strip() if isinstance(stated, str) else ""
    known = _SPELLINGS.get(said, said)
    if not known:
        return given
    try:
        suits = kind_of(known) == axis.unit
    except UsageError:
        if given:
            return given
        suits = False
    if not suits:
        raise UsageError(
            f"axis {axis.name}: the object states its unit as {said!r}, which is no unit for an "
            f"axis in {axis.unit}. Correct it there, or, where it is no unit of length or angle, "
            "say which one it stands for (unit=)."
        )
    if (
        given
        and kind_of(given) == axis.unit
        and not math.isclose(from_edge(1.0, given), from_edge(1.0, known))
    ):
        raise UsageError(
            f"axis {axis.name}: the object states its unit as {said!r}, and unit={given!r} was "
            "given. Leave it out, or correct what the object states."
        )
    return known


def _needs(thing: Any, names: tuple[str, ...], axis: str) -> None:
    missing = [n for n in names if not hasattr(thing, n)]
    if missing:
        raise UsageError(
            f"axis {axis}: {type(thing).__name__} is no positioner; it lacks {', '.join(missing)}."
        )


def _narrowed(axis: Axis, given: Any, unit: str) -> Axis:
    """Return ``axis`` with its limits narrowed to those ``given`` in ``unit``."""
    if given is None or given[0] == given[1]:
        return axis
    ends = (float(v) if v is not None else None for v in given)
    first, second = (from_edge(v, unit or axis.unit) if v is not None else None for v in ends)
    low = -math.inf if first is None else first
    high = math.inf if second is None else second
    low, high = min(low, high), max(low, high)
    lower, upper = max(axis.lower, low), min(axis.upper, high)
    if not lower < upper:
        raise UsageError(
            f"axis {axis.name}: its limits {axis.said(axis.lower)} to {axis.said(axis.upper)} and "
            f"those of the object, {axis.said(low)} to {axis.said(high)}, leave no travel."
        )
    return replace(axis, lower=lower, upper=upper)
