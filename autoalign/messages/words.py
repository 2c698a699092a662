"""Numbers and names as people read them: units always said, as many digits as are known."""

from __future__ import annotations

import math

from autoalign.core.units import edge, edge_unit

__all__ = [
    "counted",
    "given",
    "number",
    "quantity",
    "rounded",
    "signed",
    "span_of_time",
    "stated",
    "term_label",
    "unit_label",
]

_LABELS = {
    "pointing_x": "pointing sideways (x)",
    "pointing_y": "pointing up/down (y)",
    "divergence": "divergence",
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

_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def term_label(name: str) -> str:
    """Return what a term is called in a report; a quantity of a plane is told in words."""
    plane, dot, quantity_name = name.rpartition(".")
    if dot and quantity_name in _AT_PLANE:
        return f"{_AT_PLANE[quantity_name]} at {plane}"
    return _LABELS.get(name, name)


def unit_label(unit: str) -> str:
    """Return an edge unit for a table or an axis; a plain number is called a ratio."""
    return {"1": "ratio", "um": "µm", "urad": "µrad", "deg": "°"}.get(unit, unit)


def number(value: float, digits: int = 3) -> str:
    """Return ``value`` with ``digits`` significant digits and a real minus sign."""
    if not math.isfinite(value):
        return "unknown" if math.isnan(value) else ("−∞" if value < 0 else "∞")
    if value == 0:
        return "0"
    power = math.floor(math.log10(abs(value)))
    if power < -5:
        return (
            f"{rounded(value / 10.0**power, digits - 1)} × 10{str(power).translate(_SUPERSCRIPT)}"
        )
    return rounded(value, max(digits - 1 - power, 0))


def rounded(value: float, places: int) -> str:
    """Return ``value`` with ``places`` decimals and a real minus sign."""
    if not math.isfinite(value):
        return number(value)
    text = f"{value:.{places}f}"
    return text.replace("-", "−") if float(text) else text.lstrip("-")


def given(value: float) -> str:
    """Return a number that somebody chose (a target, a tolerance, a distance), without padding.

    One that was calculated after all, and has no short form, gets three significant digits.
    """
    if value and not 1e-4 <= abs(value) < 1e6:
        return number(value)
    text = f"{round(value, 1):g}" if abs(value) >= 1000 else f"{value:.4g}"
    short = abs(float(text) - value) <= 1e-6 * abs(value)
    return text.replace("-", "−") if short else number(value)


def signed(value: float, digits: int = 3) -> str:
    """Return ``value`` with its sign always shown."""
    text = number(value, digits)
    return f"+{text}" if value > 0 else text


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


def stated(value: float, unit: str) -> str:
    """Return a chosen inner value at the edge, with its unit."""
    label = unit_label(edge_unit(unit))
    return given(edge(value, unit)) + ("" if label == "ratio" else f" {label}")


def counted(count: int, noun: str) -> str:
    """Return ``1 probe``, ``2 probes``."""
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
