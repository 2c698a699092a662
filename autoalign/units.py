"""The one place where people's units meet the library's: mm and rad inside.

At the edges (bench files, command line, reports) lengths are mm, µm, nm or m and angles mrad,
µrad, deg or rad, always labelled.
"""

from __future__ import annotations

import math

from autoalign.errors import unknown_name

__all__ = ["EDGE_UNIT", "from_edge", "kind_of", "to_edge"]

_FACTORS: dict[str, tuple[str, float]] = {
    "m": ("mm", 1e3),
    "mm": ("mm", 1.0),
    "um": ("mm", 1e-3),
    "nm": ("mm", 1e-6),
    "rad": ("rad", 1.0),
    "mrad": ("rad", 1e-3),
    "urad": ("rad", 1e-6),
    "deg": ("rad", math.pi / 180.0),
    "1": ("1", 1.0),
    "%": ("1", 0.01),
}

EDGE_UNIT = {"mm": "mm", "rad": "mrad", "1": "1"}
"""The unit in which a person is shown an inner unit, unless something else is asked for."""


def kind_of(unit: str) -> str:
    """Return the inner unit ("mm", "rad" or "1") that ``unit`` converts to."""
    return _look_up(unit)[0]


def from_edge(value: float, unit: str) -> float:
    """Convert ``value`` given in ``unit`` to mm, rad or a plain number."""
    return value * _look_up(unit)[1]


def to_edge(value: float, unit: str) -> float:
    """Convert ``value`` in mm, rad or a plain number to ``unit``."""
    return value / _look_up(unit)[1]


def _look_up(unit: str) -> tuple[str, float]:
    try:
        return _FACTORS[unit]
    except KeyError:
        raise unknown_name("unit", unit, _FACTORS) from None
