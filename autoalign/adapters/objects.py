"""Axis functions made from objects of lab-control frameworks, recognised by what they can do."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from autoalign.adapters.functions import AxisFunctions
from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError
from autoalign.core.units import from_edge

__all__ = ["from_parameter", "from_positioner"]


def from_positioner(positioner: Any, axis: Axis, unit: str = "") -> AxisFunctions:
    """Return the functions of an object with ``set(x)``, ``position`` and ``stop()``.

    Positioners of event-driven frameworks have this interface: ``set`` returns a status with
    ``done``. Its ``limits`` narrow those of the
    axis; None, and a pair of equal numbers, mean that it has none.

    Raises
    ------
    UsageError
        Where the object lacks one of these, or its limits leave no travel.
    """
    _needs(positioner, ("set", "position"), axis.name)
    low, high = _limits(getattr(positioner, "limits", None), unit or axis.unit)
    narrowed = _narrowed(axis, low, high)
    stop = getattr(positioner, "stop", None)
    return AxisFunctions(
        narrowed, positioner.set, lambda: float(positioner.position), unit, None, stop
    )


def from_parameter(parameter: Any, axis: Axis, unit: str = "") -> AxisFunctions:
    """Return functions of a parameter: a call with a number sets and blocks, a bare call reads.

    Raises
    ------
    UsageError
        Where the object cannot be called.
    """
    if not callable(parameter):
        raise UsageError(f"axis {axis.name}: {parameter!r} is no parameter; it cannot be called.")
    return AxisFunctions(axis, lambda x: parameter(float(x)), lambda: float(parameter()), unit)


def _needs(thing: Any, names: tuple[str, ...], axis: str) -> None:
    missing = [n for n in names if not hasattr(thing, n)]
    if missing:
        raise UsageError(
            f"axis {axis}: {type(thing).__name__} is no positioner; it lacks {', '.join(missing)}."
        )


def _limits(given: Any, unit: str) -> tuple[float, float]:
    if given is None or given[0] == given[1]:
        return -math.inf, math.inf
    low, high = sorted(from_edge(float(v), unit) for v in given)
    return low, high


def _narrowed(axis: Axis, low: float, high: float) -> Axis:
    lower, upper = max(axis.lower, low), min(axis.upper, high)
    if lower >= upper:
        raise UsageError(
            f"axis {axis.name}: its limits {axis.said(axis.lower)} to {axis.said(axis.upper)} and "
            f"those of the positioner, {axis.said(low)} to {axis.said(high)}, leave no travel."
        )
    return replace(axis, lower=lower, upper=upper)
