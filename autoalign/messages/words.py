"""Quantities and names as people read them: the unit is always said."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from autoalign.core.digits import given, number, rounded
from autoalign.core.units import edge, edge_unit

if TYPE_CHECKING:
    from autoalign.beam.standards.own_beam import OwnFigure

__all__ = [
    "counted",
    "own_figure",
    "quantity",
    "span_of_time",
    "stated",
    "term_label",
    "unit_label",
]

_LABELS = {
    "pointing_x": "pointing sideways (x)",
    "pointing_y": "pointing up/down (y)",
    "divergence": "divergence, near to far",
    "ellipticity": "ellipticity, far to near",
}


_AT_PLANE = {
    "x": "spot sideways (x)",
    "y": "spot up/down (y)",
    "xx": "width sideways (x)",
    "yy": "width up/down (y)",
    "xy": "slant (xy)",
    "skew_x": "skew sideways (x)",
    "skew_y": "skew up/down (y)",
    "power": "power",
}


def term_label(name: str) -> str:
    """Return what a term or a quantity of a plane is called in a report."""
    plane, dot, quantity_name = name.rpartition(".")
    if dot and quantity_name in _AT_PLANE:
        return f"{_AT_PLANE[quantity_name]} at {plane}"
    return _LABELS.get(name, name)


def unit_label(unit: str) -> str:
    """Return an edge unit for a table or an axis; a plain number is called a ratio."""
    return {"1": "ratio", "um": "µm", "urad": "µrad", "deg": "°"}.get(unit, unit)


def quantity(value: float, unit: str, uncertainty: float | None = None) -> str:
    """Return an inner value at the edge, with its unit and, where known, its standard uncertainty.

    The uncertainty is given to two significant digits and the value to the same place (GUM, JCGM
    100, 7.2.6, from memory).
    """
    shown, label = edge(value, unit), unit_label(edge_unit(unit))
    tail = "" if label == "ratio" else f" {label}"
    if uncertainty is None or not (math.isfinite(uncertainty) and uncertainty > 0):
        return f"{number(shown)}{tail}"
    u = edge(uncertainty, unit)
    places = max(1 - math.floor(math.log10(u)), 0)
    return f"{rounded(shown, places)} ± {rounded(u, places)}{tail}"


def own_figure(figure: OwnFigure) -> str:
    """Return a figure of the beam itself with its unit, or why there is none."""
    if figure.value is None:
        return figure.why
    return quantity(figure.value, figure.unit, figure.uncertainty)


def stated(value: float, unit: str) -> str:
    """Return a chosen inner value at the edge, with its unit."""
    label = unit_label(edge_unit(unit))
    return given(edge(value, unit)) + ("" if label == "ratio" else f" {label}")


def counted(count: int, noun: str) -> str:
    """Return ``1 move``, ``2 moves``."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def span_of_time(seconds: float) -> str:
    """Return a duration in words: ``42 s``, ``4 min 12 s``, ``2 h 05 min``."""
    if not math.isfinite(seconds):
        return "unknown"
    if seconds < 10:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
