"""Commands and answers in bytes: described field by field, packed and taken apart."""

from __future__ import annotations

import dataclasses
import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from autoalign_drivers.checksums import Checksum
from autoalign_drivers.grammar import Grammar
from autoalign_drivers.phrases import PLACES, Phrase
from autoalign_drivers.templates import Template
from autoalign_drivers.unit_texts import Settings

__all__ = ["BinaryPhrase", "BinaryQuery", "FieldSettings", "Frame"]

_SIZES = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u24": 3, "i24": 3, "u32": 4, "i32": 4,
          "f32": 4, "f64": 8}  # fmt: skip
Kind = Literal["u8", "i8", "u16", "i16", "u24", "i24", "u32", "i32", "f32", "f64"]
Name = Literal["axis", "counts", "value", "state", "address"]


def _hex(text: str) -> str:
    try:
        bytes.fromhex(text)
    except ValueError:
        raise ValueError(f"{text!r} is not bytes in hexadecimal, such as '02 1F'") from None
    return text


class FieldSettings(Settings):
    """One part of a command or an answer: exactly one of bytes, name, length, checksum or skip."""

    bytes: Annotated[str, AfterValidator(_hex)] | None = Field(
        default=None, description="Fixed bytes, in hexadecimal."
    )
    name: Name | None = Field(
        default=None, description="What the number says: axis, counts, value, state or address."
    )
    type: Kind = Field(
        default="u8",
        description="How a number is written: u unsigned, i two's complement, f IEEE 754 floating "
        "point, and its bits.",
    )
    order: Literal["big", "little"] = Field(
        default="big", description="Which byte comes first: the highest (big) or the lowest."
    )
    base: int = Field(
        default=0, description="A number n is written as base + n × times, for instance an address."
    )
    times: int = Field(default=1, ge=1, description="Factor of a number; see base.")
    length: Kind | None = Field(
        default=None, description="Number of the bytes after this field, and its type."
    )
    plus: int = Field(
        default=0, ge=-64, le=64, description="What a length counts beyond the bytes after it."
    )
    checksum: Checksum | None = Field(
        default=None, description="Checksum of all bytes before this field."
    )
    without: int = Field(
        default=0, ge=0, le=64, description="Bytes at the beginning that a checksum leaves out."
    )
    skip: int | None = Field(
        default=None, ge=1, le=4096, description="Bytes of an answer that mean nothing here."
    )

    @model_validator(mode="after")
    def _is_one_thing(self) -> Self:
        given = [k for k in ("bytes", "name", "length", "checksum", "skip")
                 if getattr(self, k) is not None]  # fmt: skip
        if len(given) != 1:
            raise ValueError(
                "a field is exactly one of bytes, name, length, checksum or skip; given "
                f"{'are ' + ', '.join(given) if given else 'is none'}"
            )
        return self

    @property
    def size(self) -> int:
        """Number of its bytes."""
        if self.bytes is not None:
            return len(bytes.fromhex(self.bytes))
        if self.skip is not None:
            return self.skip
        if self.checksum is not None:
            return self.checksum.size
        return _SIZES[self.length or self.type]


class BinaryQuery(Settings):
    """A command and the answer to it, field by field."""

    send: list[FieldSettings] = Field(min_length=1, description="The command, field by field.")
    reply: list[FieldSettings] | None = Field(
        default=None, description="The whole answer; none: no answer comes."
    )


class Frame:
    """The fields of a command or an answer, in order."""

    def __init__(self, fields: Sequence[FieldSettings]) -> None:
        self.fields = tuple(fields)
        self.size = sum(f.size for f in fields)
        self.names = frozenset(f.name for f in fields if f.name is not None)

    def pack(self, values: Mapping[str, str]) -> bytes:
        """Return the bytes with ``values`` by name.

        Raises
        ------
        ValueError
            For a number that its type cannot hold.
        """
        data = b""
        for position, field in enumerate(self.fields):
            if field.bytes is not None:
                data += bytes.fromhex(field.bytes)
            elif field.name is not None:
                number = _number(values[field.name], field) * field.times + field.base
                data += _pack(number, field.type, field.order)
            elif field.length is not None:
                data += _pack(self._after(position) + field.plus, field.length, field.order)
            elif field.checksum is not None:
                made = field.checksum.of(data[field.without :])
                data += made.to_bytes(field.checksum.size, field.order)
        return data

    def read(self, data: bytes) -> dict[str, str] | None:
        """Return the numbers by name, or None where ``data`` is something else."""
        found: dict[str, str] = {}
        place = 0
        if len(data) != self.size:
            return None
        for position, field in enumerate(self.fields):
            part = data[place : place + field.size]
            if not self._fits(position, field, part, data[:place]):
                return None
            if field.name is not None:
                number = _unpack(part, field.type, field.order) - field.base
                if not math.isfinite(number) or (number % field.times and field.times > 1):
                    return None
                found[field.name] = _text(number // field.times if field.times > 1 else number)
            place += field.size
        return found

    def _fits(self, position: int, field: FieldSettings, part: bytes, before: bytes) -> bool:
        if field.bytes is not None:
            return part == bytes.fromhex(field.bytes)
        if field.length is not None:
            stated = _unpack(part, field.length, field.order)
            return bool(stated == self._after(position) + field.plus)
        if field.checksum is not None:
            made = field.checksum.of(before[field.without :])
            return part == made.to_bytes(field.checksum.size, field.order)
        return True

    def _after(self, position: int) -> int:
        return sum(f.size for f in self.fields[position + 1 :])


@dataclass(frozen=True, slots=True)
class BinaryPhrase(Phrase):
    """A command of bytes and its answer; ``reply`` is None where none comes."""

    command: Frame = dataclasses.field(default_factory=lambda: Frame(()))
    reply: Frame | None = None

    @classmethod
    def of_query(cls, query: BinaryQuery) -> BinaryPhrase:
        """Compile a query of the settings."""
        command = Frame(query.send)
        places = Template("".join(f"{{{n}}}" for n in sorted(command.names & PLACES)), PLACES)
        reply = None if query.reply is None else Frame(query.reply)
        grammar = None if reply is None else Grammar(".*")
        return cls(places, grammar, None, True, command, reply)


def _number(text: str, field: FieldSettings) -> float | int:
    try:
        return float(text) if field.type.startswith("f") else int(text)
    except ValueError:
        raise ValueError(f"{field.name} {text!r} is not a number that {field.type} holds") from None


def _pack(number: float, kind: Kind, order: Literal["big", "little"]) -> bytes:
    size = _SIZES[kind]
    if kind.startswith("f"):
        return struct.pack((">" if order == "big" else "<") + ("f" if size == 4 else "d"), number)
    try:
        return int(number).to_bytes(size, order, signed=kind.startswith("i"))
    except OverflowError:
        raise ValueError(f"{number} does not fit into {kind}") from None


def _unpack(part: bytes, kind: Kind, order: Literal["big", "little"]) -> Any:
    if kind.startswith("f"):
        letter = "f" if len(part) == 4 else "d"
        return struct.unpack((">" if order == "big" else "<") + letter, part)[0]
    return int.from_bytes(part, order, signed=kind.startswith("i"))


def _text(number: float | int) -> str:
    return str(number) if isinstance(number, int) else f"{number:.9f}"
