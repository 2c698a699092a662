"""A motion controller behind Modbus registers: the frames are the standard's, made from a table.

Frames and functions are those of the "Modbus Application Protocol Specification V1.1b3" (functions
3, 4, 6 and 16), "Modbus over Serial Line V1.02" and "Modbus Messaging on TCP/IP V1.0b", from
memory. What stands in which register is the bench file's.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, Self

from pydantic import Field, model_validator

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.errors import UsageError
from autoalign_drivers.binary import BinarySettings, BinaryStage
from autoalign_drivers.line_ascii import LineAsciiDriver
from autoalign_drivers.line_settings import AxesSettings
from autoalign_drivers.talking import Conversation
from autoalign_drivers.unit_texts import Settings

__all__ = ["DRIVER", "ModbusDriver", "ModbusSettings", "Register", "Write"]

_READ = {"holding": 3, "input": 4}
_WORDS = {"u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2}
_CRC = {
    "checksum": {"kind": "crc16", "polynomial": 0x8005, "initial": 0xFFFF, "reflected": True},
    "order": "little",
}
Kind = Literal["u16", "i16", "u32", "i32", "f32"]


class Register(Settings):
    """A register, or two in a row with the high word first; counted from 0."""

    address: int = Field(ge=0, le=0xFFFF, description="Address of the first register, from 0.")
    per_channel: int = Field(
        default=0, ge=0, le=1000, description="What is added for each channel of an axis."
    )
    table: Literal["holding", "input"] = Field(
        default="holding", description="Which registers: holding (function 3) or input (4)."
    )
    type: Kind = Field(default="u16", description="How the number is written.")


class Known(Register):
    """A register that tells who is there."""

    equals: int = Field(description="What must stand in it, or nothing else is sent.")


class Write(Settings):
    """A number that is written to a register, or to two in a row."""

    address: int = Field(ge=0, le=0xFFFF, description="Address of the first register, from 0.")
    per_channel: int = Field(
        default=0, ge=0, le=1000, description="What is added for each channel of an axis."
    )
    type: Kind = Field(default="u16", description="How the number is written.")
    value: int | Literal["counts", "value"] = Field(
        description="The number, or the target of a move as counts or as a decimal value."
    )


class ModbusSettings(AxesSettings):
    """A motion controller behind Modbus registers, over TCP or a serial line (RTU).

    ``channel`` of an axis is a number; with ``per_channel`` it chooses the axis' registers.
    """

    framing: Literal["tcp", "rtu"] = Field(
        description="Frames: tcp for Modbus TCP, rtu for a serial line or a bridge to one."
    )
    device: int = Field(ge=0, le=247, description="Number of the device on its line.")
    identity: Known = Field(description="Register that tells who is there.")
    position: Register = Field(description="Where an axis is.")
    state: Register = Field(description="What an axis does; 'bits' say what its bits mean.")
    prepare: list[Write] = Field(
        default_factory=list,
        description="Written once after the identity was found right; nothing may move by it.",
    )
    move: list[Write] = Field(
        min_length=1,
        description="Written for an absolute move, which must end by itself; the last one starts "
        "it.",
    )
    stop: Write = Field(
        description="Stops all axes; with per_channel it is written for every axis."
    )
    home: Write | None = Field(default=None, description="Sends an axis to its reference.")

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        self.frames()
        return self

    def frames(self) -> BinarySettings:
        """Return the same as frames of bytes."""
        decimal = any(w.value == "value" for w in self.move) or self.position.type == "f32"
        keys: dict[str, Any] = {
            name: getattr(self, name)
            for name in AxesSettings.model_fields
            if name in self.model_fields_set or name == "axes"
        }
        known = self.identity
        wanted = known.equals.to_bytes(2 * _WORDS[known.type], "big", signed=known.equals < 0)
        keys |= {
            "identity": self._read(known, {"bytes": wanted.hex()}),
            "position": self._read(self.position, {"name": "value" if decimal else "counts"}),
            "state": self._read(self.state, {"name": "state"}),
            "prepare": [self._write(w) for w in self.prepare],
            "move": [self._write(w) for w in self.move],
            "stop": self._write(self.stop),
            "home": None if self.home is None else self._write(self.home),
            "refusals": [
                self._frame({"bytes": f"{0x80 + f:02X}"}, {"skip": 1}) for f in (3, 4, 6, 16)
            ],
        }
        return BinarySettings.model_validate(keys)

    def _frame(self, *fields: dict[str, Any]) -> list[dict[str, Any]]:
        body = [{"bytes": f"{self.device:02X}"}, *fields]
        if self.framing == "rtu":
            return [*body, _CRC]
        return [{"bytes": "00 01 00 00"}, {"length": "u16"}, *body]

    def _read(self, register: Register, number: dict[str, Any]) -> dict[str, Any]:
        words, function = _WORDS[register.type], _READ[register.table]
        number = number if "bytes" in number else {**number, "type": register.type}
        return {
            "send": self._frame(
                {"bytes": f"{function:02X}"}, _address(register), {"bytes": f"{words:04X}"}
            ),
            "reply": self._frame({"bytes": f"{function:02X} {2 * words:02X}"}, number),
        }

    def _write(self, write: Write) -> dict[str, Any]:
        words = _WORDS[write.type]
        if isinstance(write.value, int):
            data = write.value.to_bytes(2 * words, "big", signed=write.value < 0)
            number: dict[str, Any] = {"bytes": data.hex()}
        else:
            number = {"name": write.value, "type": write.type}
        if words == 1:
            # The answer repeats the command; a target in it is checked.
            same = self._frame({"bytes": "06"}, _address(write), number)
            return {"send": same, "reply": same}
        head = [{"bytes": "10"}, _address(write), {"bytes": f"{words:04X}"}]
        size = {"bytes": f"{2 * words:02X}"}
        return {"send": self._frame(*head, size, number), "reply": self._frame(*head)}


def _address(at: Register | Write) -> dict[str, Any]:
    if at.per_channel == 0:
        return {"bytes": f"{at.address:04X}"}
    return {"name": "axis", "type": "u16", "base": at.address, "times": at.per_channel}


class ModbusDriver(LineAsciiDriver):
    """A controller behind Modbus registers (TCP or RTU), from a bench file's table."""

    settings = ModbusSettings
    stage = BinaryStage

    def build(self, name: str, axes: Sequence[Axis], settings: Any, clock: Clock) -> BinaryStage:
        """Open the port, make sure of the controller's identity, and return the stage."""
        if not isinstance(settings, ModbusSettings):
            raise UsageError(f"stage {name}: settings must be ModbusSettings.")
        return BinaryStage(name, axes, settings.frames(), clock)

    def talk(self, name: str, axes: Sequence[Axis], settings: Any, clock: Clock) -> Conversation:
        """Open the port for a conversation by hand; nothing is sent before it is asked for."""
        return super().talk(name, axes, settings.frames(), clock)


DRIVER = ModbusDriver()
"""Entry point ``modbus`` of the group ``autoalign.stages``."""
