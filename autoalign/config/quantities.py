"""Field types of bench files: a string with a number and its unit, converted on reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

from pydantic import BeforeValidator, Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from autoalign.core.errors import UsageError
from autoalign.core.units import kind_name, parse_quantity, quantity

T = TypeVar("T")

__all__ = [
    "Angle",
    "AnyQuantity",
    "AxisAmount",
    "AxisSpeed",
    "CoreDiameter",
    "Distance",
    "Duration",
    "Length",
    "LongTime",
    "PositiveLength",
    "Quantity",
    "Ratio",
    "TermAmount",
    "Wavelength",
]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in its inner unit ("mm", "rad", "s", "1", "mm/s", "rad/s"), and as it was written."""

    value: float
    unit: str
    text: str


def read_quantity(value: Any) -> Quantity:
    """Validate a quantity of any kind."""
    if isinstance(value, Quantity):
        return value
    number, unit = _read(value, parse_quantity, "")
    return Quantity(number, unit, value.strip())


def _of(example: str, *inner: str) -> BeforeValidator:
    def read(value: Any) -> float:
        return _read(value, lambda text: quantity(text, *inner, example=example), example)

    return BeforeValidator(read)


def _read(value: Any, reader: Callable[[str], T], example: str) -> T:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise PydanticCustomError("quantity", "a number with its unit is needed, as a string")
    if not isinstance(value, str):
        unit = example.split(" ", 1)[1] if example else ""
        usual = f'"{value} {unit}"' if unit else f'"{value} mm", "{value} mrad" or "{value} %"'
        text = f"{value} has no unit; write for instance {usual}"
        raise PydanticCustomError("quantity", "{text}", {"text": text})
    try:
        return reader(value)
    except UsageError as error:
        text = str(error).rstrip(".")
        raise PydanticCustomError("quantity", "{text}", {"text": text}) from None


def _schema(example: str, kind: str = "") -> WithJsonSchema:
    """Return the schema of a quantity; ``kind`` says which units it takes, if not the example's."""
    return WithJsonSchema(
        {
            "type": "string",
            "format": kind or kind_name(parse_quantity(example)[1]),
            "pattern": r"^\s*[+\-−]?\s*[0-9.]+([eE][+-]?[0-9]+)?\s*[^0-9\s].*$",
            "examples": [example],
        }
    )


Length = Annotated[float, _of("6 mm", "mm"), _schema("6 mm")]
Distance = Annotated[float, _of("0.4 m", "mm"), _schema("0.4 m")]
Wavelength = Annotated[float, _of("660 nm", "mm"), Field(gt=0), _schema("660 nm")]
CoreDiameter = Annotated[float, _of("100 um", "mm"), Field(ge=0), _schema("100 um")]
Angle = Annotated[float, _of("35 deg", "rad"), _schema("35 deg")]
Duration = Annotated[float, _of("0.2 s", "s"), Field(ge=0), _schema("0.2 s")]
LongTime = Annotated[float, _of("30 min", "s"), Field(gt=0), _schema("30 min")]
Ratio = Annotated[float, _of("1.5 %", "1"), _schema("1.5 %")]
PositiveLength = Annotated[float, _of("6 mm", "mm"), Field(gt=0), _schema("6 mm")]
AnyQuantity = Annotated[
    Quantity, PlainValidator(read_quantity), _schema("0.1 mrad", "a number with its unit")
]
AxisAmount = Annotated[
    Quantity, PlainValidator(read_quantity), _schema("10 um", "a length or an angle")
]
AxisSpeed = Annotated[
    Quantity, PlainValidator(read_quantity), _schema("2 mm/s", "a speed, or a turning speed")
]
TermAmount = Annotated[
    Quantity,
    PlainValidator(read_quantity),
    _schema("0.1 mrad", "a number with the unit of the quantity"),
]
