"""The pixels of every page of a file, by what its name ends in."""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Literal

import numpy as np

from autoalign.core.errors import FrameError
from autoalign.core.frames import Pixels

__all__ = ["Channel", "Page", "read_pages"]

Channel = Literal["red", "green", "blue"]


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """Pixels as stored, notes of what was done, and what the file itself says of them.

    ``pitch`` mm, ``exposure`` s; None where the file does not say.
    """

    pixels: Pixels
    notes: tuple[str, ...] = field(default=())
    pitch: float | None = None
    bit_depth: int | None = None
    exposure: float | None = None
    plane: str = ""


def read_pages(path: Path, channel: Channel | None = None) -> Iterator[Page]:
    """Yield every page of a file, pixels as stored.

    Raises
    ------
    FrameError
        For a kind of pixels that is no brightness, and for colours without ``channel``.
    OSError, ValueError, …
        Whatever the reader of that kind of file raises for one that is missing, incomplete or
        broken.
    """
    suffix = path.suffix.lower()
    if suffix == ".npy":
        yield Page(_native(np.load(path, allow_pickle=False)))
    elif path.name.lower().endswith((".fits", ".fit", ".fits.gz", ".fit.gz")):
        yield from _fits(path)
    elif suffix == ".pgm":
        from autoalign.pictures.raw import read_pgm  # noqa: PLC0415

        yield read_pgm(path)
    elif suffix == ".raw":
        from autoalign.pictures.raw import read_raw  # noqa: PLC0415

        yield read_raw(path)
    else:
        from autoalign.pictures.images import read_image  # noqa: PLC0415

        yield from read_image(path, channel)


def _native(pixels: Pixels) -> Pixels:
    """Return the same values in this machine's byte order."""
    return pixels.astype(pixels.dtype.newbyteorder("="), copy=False)


def _fits(path: Path) -> Iterator[Page]:
    try:
        from astropy.io import fits  # noqa: PLC0415 - an extra
    except ImportError:
        raise FrameError(
            f"{path}: reading FITS needs the extra 'fits': pip install 'autoalign[fits]'."
        ) from None
    data = path.read_bytes()
    if path.suffix.lower() == ".gz":
        data = gzip.decompress(data)
    with fits.open(BytesIO(data)) as units:
        for unit in units:
            if not unit.is_image or unit.header.get("NAXIS", 0) == 0:
                continue
            scale, zero = unit.header.get("BSCALE", 1.0), unit.header.get("BZERO", 0.0)
            pixels = _native(np.asarray(unit.data))
            notes = []
            if scale != 1.0:
                notes.append(f"values are {scale:g} × stored + {zero:g}, as the file says (BSCALE)")
            if pixels.dtype not in (np.uint8, np.uint16, np.float32, np.float64):
                notes.append(f"{pixels.dtype} values were read as float64; no value changed")
                pixels = pixels.astype(np.float64)
            yield Page(pixels, tuple(notes))
