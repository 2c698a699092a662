"""The one place where people's units meet the library's: mm, rad and s inside.

At the edges (bench files, command line, reports) lengths are mm, µm, nm or m, angles mrad, µrad,
deg or rad, times s, ms, min or h, always labelled.
"""

from __future__ import annotations

import math
import re

from autoalign.core.errors import UsageError, unknown_name

__all__ = [
    "EDGE_UNIT",
    "check_decimal_point",
    "concise",
    "edge",
    "edge_unit",
    "fixed",
    "from_edge",
    "given",
    "kind_name",
    "kind_of",
    "number",
    "parse_quantity",
    "percent",
    "quantity",
    "rounded",
    "signed",
    "to_edge",
]

# Numbers as people read them: one minus sign, one way of percent, as many digits as are known.

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
    "s": ("s", 1.0),
    "ms": ("s", 1e-3),
    "min": ("s", 60.0),
    "h": ("s", 3600.0),
}

_SPELLINGS = {"µ": "u", "μ": "u", "°": "deg"}
_QUANTITY = re.compile(r"\s*([+−-]?\s*(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*")

_COMMA = re.compile(r"\d,\d")

_ELSEWHERE = {
    "in": (25.4, "mm"), "inch": (25.4, "mm"), "inches": (25.4, "mm"), '"': (25.4, "mm"),
    "ft": (304.8, "mm"), "mil": (25.4, "um"), "thou": (25.4, "um"), "cm": (10.0, "mm"),
    "arcmin": (math.pi / 10.8, "mrad"), "arcsec": (math.pi / 0.648, "urad"),
}  # fmt: skip
"""Units that are understood, but not taken, with what one of them is."""

EDGE_UNIT = {"mm": "mm", "rad": "mrad", "1": "1", "s": "s"}
"""The unit in which a person is shown an inner unit, unless something else is asked for."""


def kind_of(unit: str) -> str:
    """Return the inner unit ("mm", "rad", "s" or "1") that ``unit`` converts to."""
    return _look_up(unit)[0]


def from_edge(value: float, unit: str) -> float:
    """Convert ``value`` given in ``unit`` to mm, rad or a plain number."""
    return value * _look_up(unit)[1]


def to_edge(value: float, unit: str) -> float:
    """Convert ``value`` in mm, rad or a plain number to ``unit``."""
    return value / _look_up(unit)[1]


def check_decimal_point(text: str) -> None:
    """Refuse a number with a decimal comma, also where several numbers stand between commas."""
    if _COMMA.search(text):
        raise UsageError(
            f"{text!r} has a comma between two digits; write the decimals after a point, thousands "
            "without a mark, and a blank after a comma between two numbers."
        )


_WAVES = re.compile(r"\s*(?:λ|lambda)\s*/\s*([1-9]\d*(?:\.\d+)?)\s*")


def parse_quantity(text: str, example: str = "") -> tuple[float, str]:
    """Read a number with its unit, for instance ``"0.1 mrad"``, ``"-6 mm"`` or ``"2 mm/s"``.

    Returns the value and its inner unit: "mm", "rad", "s", "1", "mm/s" or "rad/s". "µ" may stand
    for "u" and "°" for "deg"; ``"λ/14"`` is a part of the wavelength. A number without a unit is
    refused, because nobody knows what it means; ``example`` is what is written where it stands, and
    gives the unit that is proposed.
    """
    check_decimal_point(text)
    if waves := _WAVES.fullmatch(text):
        return 1 / float(waves[1]), "1"
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise UsageError(
            f'{text!r} is not a number with a unit; write for instance "{example or "0.1 mrad"}".'
        )
    number, unit = match.groups()
    if not unit:
        raise UsageError(
            f"{text!r} has no unit; write for instance {_proposed(text.strip(), example)}."
        )
    for given, meant in _SPELLINGS.items():
        unit = unit.replace(given, meant)
    base, slash, per = unit.partition("/")
    value = float(number.replace("−", "-").replace(" ", ""))
    if base.strip() in _ELSEWHERE:
        factor, known = _ELSEWHERE[base.strip()]
        raise UsageError(
            f"{text!r}: {base.strip()} is not read here; write "
            f'"{value * factor:.10g} {known}{slash}{per}".'
        )
    if slash and per.strip() != "s":
        raise UsageError(f"{text!r}: a rate is given per second, for instance 2 mm/s.")
    inner, factor = _look_up(base.strip())
    if not math.isfinite(value * factor):
        raise UsageError(f"{text!r} is beyond every number that can be computed with; check it.")
    return value * factor, f"{inner}/s" if slash else inner


def _proposed(number: str, example: str) -> str:
    """Return the number with the unit of ``example``, or with one of each kind."""
    if not example:
        return f'"{number} mm", "{number} mrad" or "{number} %", as it is meant'
    return f'"{number} {example.split(" ", 1)[1]}"'


_KIND_NAMES = {
    "mm": ("a length", "6 mm"),
    "rad": ("an angle", "0.1 mrad"),
    "s": ("a time", "0.2 s"),
    "1": ("a plain number", "1.5 %"),
    "mm/s": ("a speed", "2 mm/s"),
    "rad/s": ("a turning speed", "5 mrad/s"),
}


def quantity(text: str, *inner: str, example: str = "") -> float:
    """Read a number with its unit where one of the ``inner`` units is wanted; return it in that.

    ``example`` is what is usual there, for instance "5.5 um"; without it one of the first kind.

    Raises
    ------
    UsageError
        For a text that is no quantity, or one of another kind; the message gives an example.
    """
    usual = {inner[0]: example} if example else {}
    value, kind = parse_quantity(text, example or _KIND_NAMES[inner[0]][1])
    if kind not in inner:
        wanted = " or ".join(
            f'{_KIND_NAMES[i][0]} (for instance "{usual.get(i, _KIND_NAMES[i][1])}")' for i in inner
        )
        raise UsageError(f"{text!r} is {kind_name(kind)}; wanted is {wanted}.")
    return value


def kind_name(inner: str) -> str:
    """Return what a value in the inner unit ``inner`` is called, for instance "a length"."""
    return _KIND_NAMES[inner][0] if inner in _KIND_NAMES else f"a value in {inner}"


def _look_up(unit: str) -> tuple[str, float]:
    try:
        return _FACTORS[unit]
    except KeyError:
        raise unknown_name("unit", unit, _FACTORS) from None


def edge_unit(unit: str) -> str:
    """Return the unit in which a person is shown an inner ``unit`` (mm, rad, 1, s)."""
    return EDGE_UNIT.get(unit, unit)


def edge(value: float, unit: str) -> float:
    """Convert ``value`` from its inner ``unit`` to the one that a person is shown."""
    return to_edge(value, edge_unit(unit)) if unit in EDGE_UNIT else value
