"""Raw pixels with a sidecar: a file of nothing but pixels, and a JSON file that says what they are.

``beam.raw`` goes with ``beam.json``::

    {"shape": [1024, 1280], "type": "uint16", "byte_order": "little", "bit_depth": 12,
     "offset": 0, "pitch_mm": 0.0055, "exposure_s": 0.002, "plane": "far"}

``type`` is uint8, uint16, float32, float64 or packed12 (two 12-bit pixels in three bytes: the first
one's low byte, a byte of which it has the lower half, the second one's high byte). ``shape`` and
``type`` must be there; everything else may be left out.
"""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import FrameError
from autoalign.pictures.pages import Page

__all__ = ["read_pgm", "read_raw"]

# PGM as written: values are not stretched to the type's range, as imaging libraries do.
#
# The format: "P5" (bytes, two for values above 255, high byte first) or "P2" (text), then width,
# height and largest value, with comments from "#" to the end of the line.

_GAP = rb"(?:\s|#[^\r\n]*[\r\n])+"
_HEADER = re.compile(rb"(P[25])" + _GAP + rb"(\d+)" + _GAP + rb"(\d+)" + _GAP + rb"(\d+)\s")


def read_pgm(path: Path) -> Page:
    """Return the one page of a PGM file; its largest value gives the bits where it is 2ⁿ − 1.

    Raises
    ------
    FrameError
        For another kind of file under that name, or one that is too short.
    """
    data = path.read_bytes()
    header = _HEADER.match(data)
    if header is None:
        raise FrameError(f"{path}: this is no PGM (P2 or P5).")
    columns, rows, top = (int(header[k]) for k in (2, 3, 4))
    if not 0 < top < 2**16:
        raise FrameError(f"{path}: largest value {top}; 1 to 65535 is allowed.")
    stored = np.dtype("u1" if top < 256 else ">u2")
    body = data[header.end() :]
    if header[1] == b"P2":
        numbers = np.array(re.sub(rb"#[^\r\n]*", b"", body).split()[: rows * columns], dtype=float)
        pixels = numbers.astype(stored.newbyteorder("="))
    else:
        pixels = np.frombuffer(body[: rows * columns * stored.itemsize], stored)
        pixels = pixels.astype(stored.newbyteorder("="))
    if pixels.size != rows * columns:
        raise FrameError(f"{path}: {pixels.size} of {rows * columns} pixels are there.")
    if pixels.size and int(pixels.max()) > top:
        raise FrameError(f"{path}: values go up to {pixels.max()}, its head says {top}.")
    bits = top.bit_length()
    if top == 2**bits - 1:
        return Page(pixels.reshape(rows, columns), bit_depth=bits)
    note = f"the largest value that the file allows, {top}, is not taken for saturation"
    return Page(pixels.reshape(rows, columns), (note,))


_TYPES = {"uint8": "u1", "uint16": "u2", "float32": "f4", "float64": "f8"}
_KEYS = (
    "shape", "type", "byte_order", "bit_depth", "offset", "pitch_mm", "exposure_s", "plane",
)  # fmt: skip


def read_raw(path: Path) -> Page:
    """Return the one page in ``path``, described by the sidecar beside it; no value is changed.

    Raises
    ------
    FrameError
        Without a sidecar, with one that cannot be understood, or with a file of another length.
    """
    facts = _sidecar(path)
    shape = _shape(path, facts)
    data = path.read_bytes()[_number(path, facts, "offset", 0) :]
    if facts.get("type") == "packed12":
        pixels, bits = _packed12(path, data, shape), 12
        notes: tuple[str, ...] = ("12-bit pixels were unpacked to 16 bits",)
    else:
        pixels, bits = _plain(path, data, shape, facts), _number(path, facts, "bit_depth", 0)
        notes = ()
    return Page(
        pixels,
        notes,
        pitch=_positive(path, facts, "pitch_mm"),
        bit_depth=bits or None,
        exposure=_positive(path, facts, "exposure_s"),
        plane=str(facts.get("plane", "")),
    )


def _sidecar(path: Path) -> dict[str, Any]:
    beside = path.with_suffix(".json")
    try:
        facts = json.loads(beside.read_text(encoding="utf-8"))
    except OSError:
        raise FrameError(f"{path}: raw pixels need a sidecar {beside.name} beside them.") from None
    except ValueError as error:
        raise FrameError(f"{beside}: this is not JSON ({error}).") from None
    if not isinstance(facts, dict):
        raise FrameError(f"{beside}: an object with keys {', '.join(_KEYS)} is needed.")
    unknown = sorted(set(facts) - set(_KEYS))
    if unknown:
        raise FrameError(f"{beside}: unknown keys {', '.join(unknown)}; known: {', '.join(_KEYS)}.")
    return facts


def _shape(path: Path, facts: dict[str, Any]) -> tuple[int, int]:
    shape = facts.get("shape")
    whole = isinstance(shape, list) and all(type(n) is int and n > 0 for n in shape)
    if not (isinstance(shape, list) and whole and len(shape) == 2):
        raise FrameError(f"{path}: shape {shape!r} in the sidecar; [rows, columns] is needed.")
    return shape[0], shape[1]


def _number(path: Path, facts: dict[str, Any], key: str, default: int) -> int:
    value = facts.get(key, default)
    if not (type(value) is int and value >= 0):
        raise FrameError(
            f"{path}: {key} {value!r} in the sidecar must be a whole number from 0 on."
        )
    return value


def _positive(path: Path, facts: dict[str, Any], key: str) -> float | None:
    value = facts.get(key)
    if value is None:
        return None
    if type(value) not in (int, float) or not (math.isfinite(value) and value > 0):
        raise FrameError(f"{path}: {key} {value!r} in the sidecar must be a number above 0.")
    return float(value)


def _plain(
    path: Path, data: bytes, shape: tuple[int, int], facts: dict[str, Any]
) -> npt.NDArray[Any]:
    kind, order = facts.get("type"), facts.get("byte_order", "little")
    if kind not in _TYPES or order not in ("little", "big"):
        raise FrameError(
            f"{path}: type {kind!r}, byte order {order!r} in the sidecar; allowed are "
            f"{', '.join(_TYPES)} or packed12, little or big."
        )
    stored = np.dtype(("<" if order == "little" else ">") + _TYPES[kind])
    _check_length(path, data, shape[0] * shape[1] * stored.itemsize)
    return np.frombuffer(data, stored).reshape(shape).astype(stored.newbyteorder("="))


def _packed12(path: Path, data: bytes, shape: tuple[int, int]) -> npt.NDArray[np.uint16]:
    count = shape[0] * shape[1]
    _check_length(path, data, math.ceil(count / 2) * 3)
    triples = np.frombuffer(data, np.uint8).reshape(-1, 3).astype(np.uint16)
    pixels = np.empty((len(triples), 2), np.uint16)
    pixels[:, 0] = triples[:, 0] | (triples[:, 1] & 0x0F) << 8
    pixels[:, 1] = triples[:, 1] >> 4 | triples[:, 2] << 4
    return pixels.ravel()[:count].reshape(shape)


def _check_length(path: Path, data: bytes, needed: int) -> None:
    if len(data) != needed:
        raise FrameError(
            f"{path}: {len(data)} bytes of pixels, but the sidecar's shape and type need {needed}."
        )
