"""PGM as written: values are not stretched to the type's range, as imaging libraries do.

The format: "P5" (bytes, two for values above 255, high byte first) or "P2" (text), then width,
height and largest value, with comments from "#" to the end of the line.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from autoalign.core.errors import FrameError
from autoalign.pictures.pages import Page

__all__ = ["read_pgm"]

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
