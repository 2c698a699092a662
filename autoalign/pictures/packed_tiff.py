"""TIFF with 10, 12 or 14 bits a pixel, packed without gaps.

Rows begin on whole bytes and bits come highest first, whatever the file's byte order (TIFF revision
6.0, sections 7 and 8, from memory: FillOrder 1).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import FrameError
from autoalign.pictures.pages import Page

__all__ = ["read_packed_tiff"]

_DEPTHS = (10, 12, 14)
_WIDTH, _LENGTH, _BITS, _COMPRESSION, _PHOTOMETRIC, _FILL = 256, 257, 258, 259, 262, 266
_OFFSETS, _SAMPLES, _COUNTS = 273, 277, 279


def read_packed_tiff(path: Path) -> Page | None:
    """Return the first page of a TIFF with packed pixels; None for any other TIFF.

    Raises
    ------
    FrameError
        For packed pixels that are compressed, in colour, tiled, or with 0 for white.
    """
    from PIL.TiffImagePlugin import ImageFileDirectory_v2  # noqa: PLC0415

    with path.open("rb") as file:
        tags: Any = ImageFileDirectory_v2(file.read(8))
        file.seek(tags.next)
        tags.load(file)
        bits = tags.get(_BITS, (1,))[0]
        if bits not in _DEPTHS:
            return None
        plain = {_COMPRESSION: 1, _PHOTOMETRIC: 1, _SAMPLES: 1, _FILL: 1}
        if _OFFSETS not in tags or any(tags.get(k, v) != v for k, v in plain.items()):
            raise FrameError(
                f"{path}: {bits}-bit pixels are read from grey, uncompressed strips with 0 for "
                "black; save it so, or with 16 bits a pixel."
            )
        data = bytearray()
        for offset, count in zip(tags[_OFFSETS], tags[_COUNTS], strict=True):
            file.seek(offset)
            data += file.read(count)
        if tags.next:
            raise FrameError(f"{path}: several pages of packed pixels; save one page a file.")
    pixels = _unpacked(path, np.frombuffer(data, np.uint8), tags[_LENGTH], tags[_WIDTH], bits)
    return Page(pixels, (f"{bits}-bit pixels were unpacked to 16 bits",), bit_depth=bits)


def _unpacked(
    path: Path, data: npt.NDArray[np.uint8], rows: int, columns: int, bits: int
) -> npt.NDArray[np.uint16]:
    stride = -(-columns * bits // 8)
    if data.size < rows * stride:
        raise FrameError(f"{path}: {data.size} bytes of pixels; {rows * stride} are needed.")
    lines = data[: rows * stride].reshape(rows, stride)
    places = np.unpackbits(lines, axis=1)[:, : columns * bits].reshape(rows, columns, bits)
    out = np.zeros((rows, columns), np.uint16)
    for k in range(bits):
        out = out << np.uint16(1) | places[..., k]
    return out
