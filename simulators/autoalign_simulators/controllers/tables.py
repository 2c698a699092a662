"""What a bench file says of the controllers that are unlike the plain one, as plain data.

Each table is for two axes, source.x and source.y, in counts or units of 0.1 µm or 1 µm; the port is
left out.
"""

from __future__ import annotations

from typing import Any

__all__ = ["AXIS", "BYTES", "COUNTS", "HEX", "PROMPT", "frame"]

HEX: dict[str, Any] = {
    "command_end": "\r",
    "reply_end": "\r\n",
    "address": "07",
    "checksum": {"kind": "xor", "after": "~"},
    "counts": {"radix": 16, "digits": 6, "width": 24},
    "identity": {"send": "{address} name", "reply": "(?P<address>[0-9]+) hex mover 0042"},
    "move": {"send": "{address} run {axis} {counts}", "reply": "(?P<address>[0-9]+) run"},
    "position": {
        "send": "{address} all",
        "reply": "(?P<address>[0-9]+) (?P<axis1>[0-9A-F]{6}) (?P<axis2>[0-9A-F]{6}) [0-9A-F]{2}",
    },
    "state": {
        "send": "{address} all",
        "reply": "(?P<address>[0-9]+) [0-9A-F]{6} [0-9A-F]{6} (?P<state>[0-9A-F]{2})",
    },
    "stop": {"send": "{address} rest {axis}", "reply": "(?P<address>[0-9]+) rest"},
    "errors": ["[0-9]+ no"],
    "axes": {
        name: {
            "channel": str(k + 1),
            "unit": "um",
            "per_count": 0.1,
            "bits": {"radix": 16, "moving": 1 << k, "homed": 4 << k, "faulty": 16 << k},
        }
        for k, name in enumerate(("source.x", "source.y"))
    },
}
PROMPT: dict[str, Any] = {
    "command_end": "\r",
    "reply_end": "\r\n",
    "echo": True,
    "prompt": "ready> ",
    "interval": "5 ms",
    "chatter": [r"\* [0-9]+ commands so far"],
    "identity": {"send": "tell name", "reply": "prompt mover 0042"},
    "prepare": [{"send": "motors on", "reply": "fine"}],
    "home": {"send": "seek {axis}", "reply": "fine"},
    "move": [
        {"send": "aim {axis} {value}", "reply": "fine"},
        {"send": "fire {axis}", "reply": "fine"},
    ],
    "position": {
        "send": "where {axis}",
        "reply": r"(?P<axis>[0-9]) sits at (?P<value>-?[0-9]+\.[0-9]{4})",
    },
    "state": {
        "send": "how {axis}",
        "reply": "(?P<axis>[0-9]) (?P<state>[a-z]+), (?P<homed>[a-z]+)",
    },
    "stop": {"send": "freeze", "reply": "fine"},
    "resting": ["rests"],
    "moving": ["rolls"],
    "faulty": ["hurts"],
    "homed": ["found"],
    "unhomed": ["lost"],
    "errors": [r"what\?.*"],
    "axes": {
        name: {"channel": str(k + 1), "unit": "um", "per_count": 1.0, "decimals": 4}
        for k, name in enumerate(("source.x", "source.y"))
    },
}

CRC = {"checksum": {"kind": "crc16"}}
HEAD: list[dict[str, Any]] = [{"bytes": "C5"}, {"length": "u8"}]
AXIS = {"name": "axis"}
COUNTS = {"name": "counts", "type": "i32", "order": "little"}


def frame(*fields: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the fields with head and checksum."""
    return [*HEAD, *fields, CRC]


BYTES: dict[str, Any] = {
    "identity": {
        "send": frame({"bytes": "10 00"}),
        "reply": frame({"bytes": "90 00 42 4D 00 42"}),
    },
    "move": {
        "send": frame({"bytes": "11"}, AXIS, COUNTS),
        "reply": frame({"bytes": "91"}, AXIS),
    },
    "position": {
        "send": frame({"bytes": "12"}, AXIS),
        "reply": frame({"bytes": "92"}, AXIS, COUNTS),
    },
    "state": {
        "send": frame({"bytes": "13"}, AXIS),
        "reply": frame({"bytes": "93"}, AXIS, {"name": "state"}),
    },
    "stop": {"send": frame({"bytes": "14 00"}), "reply": frame({"bytes": "94 00"})},
    "home": {"send": frame({"bytes": "15"}, AXIS), "reply": frame({"bytes": "95"}, AXIS)},
    "refusals": [frame({"bytes": "FF"}, {"skip": 1})],
    "bits": {"moving": 0x01, "homed": 0x02, "faulty": 0x80},
    "axes": {
        name: {"channel": str(k + 1), "unit": "um", "per_count": 0.1}
        for k, name in enumerate(("source.x", "source.y"))
    },
}
