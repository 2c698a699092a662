"""Checksums of commands and answers: sum, exclusive or, and the 16-bit cyclic ones."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from autoalign_drivers.unit_texts import Settings

__all__ = ["Checksum", "LineChecksum"]


class Checksum(Settings):
    """How a checksum is computed from the bytes before it."""

    kind: Literal["sum", "xor", "crc16"] = Field(
        description="How it is made: sum (of all bytes), xor (exclusive or of all bytes), or crc16 "
        "(cyclic redundancy check of 16 bits)."
    )
    bits: Literal[8, 16] = Field(default=8, description="Width of a sum; xor has 8, crc16 has 16.")
    complement: bool = Field(
        default=False, description="Whether a sum is sent as its two's complement."
    )
    polynomial: int = Field(
        default=0x1021, gt=0, le=0xFFFF, description="Generator of crc16, highest bit left out."
    )
    initial: int = Field(default=0xFFFF, ge=0, le=0xFFFF, description="Start value of crc16.")
    reflected: bool = Field(
        default=False, description="Whether crc16 takes the lowest bit of each byte first."
    )
    final: int = Field(
        default=0, ge=0, le=0xFFFF, description="What crc16 is combined with at the end (xor)."
    )

    @property
    def size(self) -> int:
        """Bytes of the checksum."""
        return 2 if self.kind == "crc16" or (self.kind == "sum" and self.bits == 16) else 1

    def of(self, data: bytes) -> int:
        """Return the checksum of ``data``."""
        if self.kind == "sum":
            total = sum(data)
            return (-total if self.complement else total) % (1 << 8 * self.size)
        if self.kind == "xor":
            found = 0
            for byte in data:
                found ^= byte
            return found
        return self._cyclic(data)

    def _cyclic(self, data: bytes) -> int:
        """Return the remainder by the rule of R. Williams' parametrised model, from memory."""
        value = self.initial
        for byte in data:
            octet = int(f"{byte:08b}"[::-1], 2) if self.reflected else byte
            value ^= octet << 8
            for _ in range(8):
                value = (value << 1) ^ (self.polynomial if value & 0x8000 else 0)
                value &= 0xFFFF
        if self.reflected:
            value = int(f"{value:016b}"[::-1], 2)
        return value ^ self.final


class LineChecksum(Checksum):
    """A checksum written as hexadecimal digits at the end of every command and answer."""

    after: str = Field(
        default="",
        max_length=4,
        description='What stands between the text and its checksum, for instance "*"; it is not '
        "part of the sum.",
    )

    def add(self, line: str) -> str:
        """Return ``line`` with its checksum."""
        return f"{line}{self.after}{self.of(line.encode('ascii')):0{2 * self.size}X}"

    def take(self, line: str) -> str | None:
        """Return ``line`` without its checksum, or None where that is wrong or missing."""
        end = len(line) - 2 * self.size - len(self.after)
        body, rest = line[: max(end, 0)], line[max(end, 0) :]
        whole = end >= 0 and line.isascii() and rest.startswith(self.after)
        return body if whole and self.add(body) == body + rest.upper() else None
