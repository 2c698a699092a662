"""Modbus registers as an axis: frames of the standard, from a table of registers."""

from __future__ import annotations

from typing import Any

import pytest
from autoalign_drivers.binary_frames import Frame
from autoalign_drivers.modbus import DRIVER, ModbusSettings
from autoalign_simulators.links import serve
from pydantic import ValidationError

from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import MotionFaultError, WrongDeviceError

AXES = (
    Axis("a.x", "mm", -5.0, 5.0, resolution=1e-3),
    Axis("a.y", "mm", -5.0, 5.0, resolution=1e-3),
)
TABLE: dict[str, Any] = {
    "port": "/dev/made-up",
    "framing": "rtu",
    "device": 17,
    "identity": {"address": 0, "equals": 0x0BEE},
    "position": {"address": 0x10, "per_channel": 2, "type": "i32", "table": "input"},
    "state": {"address": 0x20, "per_channel": 1},
    "move": [
        {"address": 0x30, "per_channel": 2, "type": "i32", "value": "counts"},
        {"address": 0x40, "per_channel": 1, "value": 1},
    ],
    "stop": {"address": 0x50, "value": 1},
    "bits": {"moving": 1},
    "axes": {
        "a.x": {"channel": "0", "unit": "um", "per_count": 1.0},
        "a.y": {"channel": "1", "unit": "um", "per_count": 1.0},
    },
}


class Registers:
    """A device that keeps registers, in RTU framing; what is written to start moves at once."""

    hung_up = False

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.words: dict[int, int] = {0: 0x0BEE}
        self.refuse = False
        self._heard, self._out = b"", b""

    def feed(self, data: bytes) -> None:
        """Carry out each frame that is whole."""
        self._heard += data
        while len(self._heard) >= 8:
            long = self._heard[1] == 16
            size = 9 + self._heard[6] if long else 8
            frame, self._heard = self._heard[:size], self._heard[size:]
            if crc(frame) == 0:
                body = self._answer(frame)
                self._out += body + crc(body).to_bytes(2, "little")

    def take(self) -> bytes:
        """Return what is to be said."""
        out, self._out = self._out, b""
        return out

    def due(self) -> float | None:
        """Everything is said at once."""
        return None

    def _answer(self, frame: bytes) -> bytes:
        function, at = frame[1], int.from_bytes(frame[2:4], "big")
        if self.refuse and function in (6, 16):
            return bytes((frame[0], function + 0x80, 2))
        if function in (3, 4):
            count = int.from_bytes(frame[4:6], "big")
            words = [self.words.get(at + k, 0) for k in range(count)]
            data = b"".join(w.to_bytes(2, "big") for w in words)
            return frame[:2] + bytes((len(data),)) + data
        data = frame[7:-2] if function == 16 else frame[4:6]
        for k in range(0, len(data), 2):
            self.words[at + k // 2] = int.from_bytes(data[k : k + 2], "big")
        if 0x40 <= at < 0x50:
            for k in (0, 1):
                self.words[0x10 + 2 * (at - 0x40) + k] = self.words[0x30 + 2 * (at - 0x40) + k]
        return frame[:6]


def crc(data: bytes) -> int:
    """Return the CRC of Modbus, by its shift register."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value


def test_frames_of_the_standard() -> None:
    """A read of holding registers as in the specification's example: unit 17, 0x006B, 3 words.

    The request 11 03 00 6B 00 03 has the CRC 76 87 (low byte first), from memory.
    """
    settings = ModbusSettings.model_validate(
        {**TABLE, "position": {"address": 0x6B, "per_channel": 2, "type": "i32"}}
    )
    sent = Frame(settings.frames().position.send).pack({"axis": "0"})
    assert sent[:6] == bytes.fromhex("11 03 00 6B 00 02")
    assert crc(bytes.fromhex("11 03 00 6B 00 03")).to_bytes(2, "little") == b"\x76\x87"
    assert crc(sent) == 0
    tcp = ModbusSettings.model_validate({**TABLE, "framing": "tcp"}).frames()
    (target, start) = tcp.move
    assert Frame(target.send).pack({"axis": "1", "counts": "-2"}) == bytes.fromhex(
        "00 01 00 00 00 0B 11 10 00 32 00 02 04 FF FF FF FE"
    )
    assert Frame(start.send).pack({"axis": "1"}) == bytes.fromhex(
        "00 01 00 00 00 06 11 06 00 41 00 01"
    )


def test_an_axis_behind_registers() -> None:
    """Targets, positions and states go through the registers of each axis."""
    device = Registers()
    link = serve(device, "loop")
    settings = ModbusSettings.model_validate({**TABLE, "port": link.port})
    stage = DRIVER.build("plc", AXES, settings, device.clock)
    try:
        stage.start_move("a.y", -1.5)
        assert stage.wait("a.y").position == pytest.approx(-1.5)
        assert stage.status("a.x").position == 0.0
        device.words[0x20] = 1
        assert stage.status("a.x").moving
        stage.stop()
        assert device.words[0x50] == 1
        device.words[0x20] = 0
        device.refuse = True
        with pytest.raises(MotionFaultError, match="refused with 11 90 02"):
            stage.start_move("a.x", 1.0)
        device.refuse = False
    finally:
        stage.close()
    device.words[0] = 7
    with pytest.raises(WrongDeviceError):
        DRIVER.build("plc", AXES, settings, device.clock)
    link.close()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"move": [{"address": 1, "value": 1}]}, "needs fields called axis, and counts"),
        ({"move": [{"address": 1, "type": "i32", "value": "counts"}]}, "called axis"),
        ({"stop": {"address": 70000, "value": 1}}, "less than or equal to 65535"),
        ({"framing": "ascii"}, "'tcp' or 'rtu'"),
        ({"bits": None}, "say what the bits"),
    ],
)
def test_mistakes_of_the_table(changes: dict[str, Any], words: str) -> None:
    """Each is refused at load."""
    with pytest.raises(ValidationError, match=words):
        ModbusSettings.model_validate({**TABLE, **changes})
