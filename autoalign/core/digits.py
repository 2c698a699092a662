"""Numbers as people read them: one minus sign, one way of percent, as many digits as are known."""

from __future__ import annotations

import math

__all__ = ["concise", "fixed", "given", "number", "percent", "rounded", "signed"]

_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


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
    """Return ``value`` with ``digits`` significant digits and its sign always shown."""
    text = number(value, digits)
    return f"+{text}" if value > 0 else text


def fixed(value: float, places: int) -> str:
    """Return ``value`` with ``places`` decimals and its sign always shown, also that of zero."""
    text = rounded(value, places)
    return text if text.startswith("−") else f"+{text}"


def percent(part: float, digits: int = 2) -> str:
    """Return a part of 1 as a percentage: a blank before the sign (ISO 80000-1, from memory).

    ``digits`` are significant below 100 %; whole percent from there on.
    """
    return f"{number(100 * part, max(digits, 3) if abs(part) >= 0.995 else digits)} %"


def concise(value: float, uncertainty: float) -> str:
    """Return ``1.2345(67)``: the standard uncertainty in units of the last digit (JCGM 100, 7.2.2).

    Two digits of the uncertainty are shown.
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return f"{value:.6g}".replace("-", "−")
    places = max(1 - math.floor(math.log10(uncertainty)), 0)
    return f"{rounded(value, places)}({round(uncertainty * 10**places)})"
