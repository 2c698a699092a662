"""Numbers and lists given as options, checked before anything is opened, moved or written."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

from cyclopts import Parameter

__all__ = [
    "Amount",
    "checked_measurements",
    "checked_seed",
    "listed_amounts",
    "option_length",
    "option_value",
    "split_list",
    "whole",
]

Amount = Annotated[str, Parameter(allow_leading_hyphen=True)]
"""A number with its unit; a leading minus is part of the number, not an option."""

_MOST_LOOKS = 1_000_000
"""More measurements than any run could take: a typing error."""


def whole(option: str, value: int, low: int, high: int | None = None, why: str = "") -> int:
    """Return ``value`` if it is from ``low`` to ``high``; None means no upper limit.

    Raises
    ------
    UsageError
        With the option, what was given, what is allowed and ``why``.
    """
    if value >= low and (high is None or value <= high):
        return value
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    allowed = f"of {low} or more" if high is None else f"from {low} to {high}"
    reason = f"; {why}" if why else ""
    raise UsageError(
        f"{option} {value}: give a whole number {allowed}{reason}. Nothing was started."
    )


def checked_measurements(value: int) -> int:
    """Return a budget of measurements that a run can be made with and could spend."""
    why = "the first measurement and the final check are included"
    return whole("--budget", value, 2, _MOST_LOOKS, why)


def checked_seed(option: str, value: int) -> int:
    """Return ``value`` if it is a valid seed of a random generator: 0 or larger."""
    return whole(option, value, 0)


_USUAL = {
    "--pitch": "5.5 um",
    "--wavelength": "633 nm",
    "--core": "100 um",
    "--near": "0.4 m",
    "--far": "2.4 m",
    "--distances": "0.4 m",
    "--angle": "35 deg",
    "--every": "10 min",
    "--placement": "0.5 mm",
}
"""Example value of an option that differs from the example of its kind."""


def option_value(option: str, text: str, inner: str, example: str = "") -> float:
    """Read a number with its unit; errors name the option.

    ``example`` gives the unit to propose where it is not the option's usual one.
    """
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.core.units import quantity  # noqa: PLC0415

    try:
        return quantity(text, inner, example=example or _USUAL.get(option, ""))
    except UsageError as error:
        raise UsageError(f"{option} {error}") from None


def split_list(asked: Iterable[str]) -> list[str]:
    """Return the names in ``asked``, each text with one or with several between commas, in order.

    "a,b" and the option given twice, with "a" and with "b", mean the same; each name counts once.
    """
    names = (name.strip() for text in asked for name in text.split(","))
    return [name for name in dict.fromkeys(names) if name]


def listed_amounts(option: str, text: str) -> list[str]:
    """Split an option's list at its commas; refuse decimal commas."""
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.core.units import check_decimal_point  # noqa: PLC0415

    try:
        check_decimal_point(text)
    except UsageError as error:
        raise UsageError(f"{option} {error}") from None
    return text.split(",")


_RANGES = {
    "focal_length": ("1 mm", "100 m"),
    "aperture": ("0.01 mm", "100 m"),
    "core": ("0 mm", "1 m"),
    "wavelength": ("10 nm", "10 mm"),
    "near": ("0.1 mm", "100000 m"),
    "far": ("0.1 mm", "100000 m"),
    "distances": ("0.1 mm", "100000 m"),
}
"""Lengths that a bench can have; anything else is a wrong unit."""


def option_length(name: str, text: str) -> float:
    """Return the length that an option states, mm, if a bench can have it."""
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.core.units import quantity  # noqa: PLC0415

    option = f"--{name.replace('_', '-')}"
    length = option_value(option, text, "mm")
    low, high = _RANGES[name]
    if not quantity(low, "mm") <= length <= quantity(high, "mm"):
        raise UsageError(f"{option} {text!r}: must be from {low} to {high}; check the unit.")
    return length
