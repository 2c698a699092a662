"""What the settings of every driver are made of: strict tables, and numbers with a unit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, WithJsonSchema

from autoalign.core.units import kind_name, parse_quantity, quantity

__all__ = ["Length", "Seconds", "Settings", "Travel"]


class Settings(BaseModel):
    """Strict: no guessing of types, no unknown keys."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


def _of(example: str, *inner: str) -> BeforeValidator:
    """Read a text in one of the ``inner`` units; a bare number has no unit and is refused."""
    return BeforeValidator(_reader(example, inner))


def _reader(example: str, inner: tuple[str, ...]) -> Callable[[Any], float]:
    def read(value: Any) -> float:
        if not isinstance(value, str):
            raise ValueError(
                f'{value!r} has no unit; write it as a text with one, as in "{example}"'
            )
        return quantity(value, *inner, example=example)

    return read


def _travel(value: Any) -> tuple[float, str]:
    """Read a length or an angle; return it in mm or rad, and which of the two."""
    if not isinstance(value, str):
        raise ValueError(f'{value!r} has no unit; write it as a text with one, as in "0.5 mm"')
    travel, kind = parse_quantity(value)
    if kind not in ("mm", "rad"):
        raise ValueError(f"{value!r} is {kind_name(kind)}; wanted is a length or an angle")
    if travel < 0:
        raise ValueError(
            f'{value!r} is not allowed; write it without its sign, and clockwise = "-" where a '
            "clockwise turn makes the position smaller"
        )
    if travel == 0:
        raise ValueError(f"{value!r} is not allowed; it must be larger than 0")
    return travel, kind


def _schema(example: str, kind: str = "") -> WithJsonSchema:
    """Return the schema of a quantity; ``kind`` says what it is, if the example's is too narrow."""
    name = kind or kind_name(parse_quantity(example)[1])
    return WithJsonSchema({"type": "string", "format": name, "examples": [example]})


Seconds = Annotated[float, _of("50 ms", "s"), _schema("50 ms")]
Length = Annotated[float, _of("5.5 um", "mm"), _schema("5.5 um")]
Travel = Annotated[
    tuple[float, str], BeforeValidator(_travel), _schema("0.5 mm", "a length or an angle")
]
"""How far an axis goes, larger than 0: mm or rad, and which of the two; it must suit the axis."""
