"""Field types for numbers with a unit, written as in the rest of a bench file."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from autoalign.units import quantity

__all__ = ["Length", "Seconds", "Travel"]


def _of(*inner: str) -> BeforeValidator:
    """Read a text in one of the ``inner`` units; a bare number has no unit and is refused."""
    return BeforeValidator(_reader(inner))


def _reader(inner: tuple[str, ...]) -> Callable[[Any], float]:
    def read(value: Any) -> float:
        if not isinstance(value, str):
            raise ValueError(f"{value!r} has no unit; write it as a text with one")
        return quantity(value, *inner)

    return read


def _schema(example: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "examples": [example]})


Seconds = Annotated[float, _of("s"), _schema("50 ms")]
Length = Annotated[float, _of("mm"), _schema("5.5 um")]
Travel = Annotated[float, _of("mm", "rad"), _schema("0.5 mm")]
