"""PNG, TIFF, BMP and what else the imaging library reads: grey as stored, or one colour."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from autoalign.core.errors import FrameError
from autoalign.core.frames import Pixels
from autoalign.pictures.pages import Channel, Page

__all__ = ["read_image"]

_CHANNELS = ("red", "green", "blue")
_WHITE_IS_ZERO, _PHOTOMETRIC = 0, 262


def read_image(path: Path, channel: Channel | None) -> Iterator[Page]:
    """Yield every page of an image file."""
    from PIL import Image, ImageSequence  # noqa: PLC0415 - only where a picture is read

    if path.suffix.lower() in (".tif", ".tiff"):
        from autoalign.pictures.packed_tiff import read_packed_tiff  # noqa: PLC0415

        packed = read_packed_tiff(path)
        if packed is not None:
            yield packed
            return
    with Image.open(path) as image:
        for page in ImageSequence.Iterator(image):
            notes = _what_the_reader_does(path, page)
            page.load()
            yield Page(_brightness(path, page, channel, notes), tuple(notes))


def _what_the_reader_does(path: Path, page: Any) -> list[str]:
    """Say what the imaging library does to the values of ``page``, before they are loaded."""
    notes = []
    stored = page.tile[0][3] if page.tile else ""
    kind = str(stored[0] if isinstance(stored, tuple) and stored else stored)
    if "gamma" in page.info:
        notes.append("gamma in the file was not applied")
    if page.format == "JPEG":
        notes.append("JPEG: values were rounded for the eye before they were saved; save PNG")
    if kind in ("L;2", "L;4"):
        notes.append(f"{kind[2]}-bit values were spread over 8 bits")
    if kind.startswith(("RGB;16", "RGBA;16", "RGBX;16")):
        notes.append("16-bit colours were cut to 8 bits; save the channel as 16-bit grey")
    if getattr(page, "tag_v2", {}).get(_PHOTOMETRIC) == _WHITE_IS_ZERO:
        if page.mode != "L":
            raise FrameError(f"{path}: 0 stands for white in this TIFF; save it with 0 as black.")
        notes.append("0 stands for white in this TIFF; brightness is 255 minus the stored value")
    return notes


def _brightness(path: Path, page: Any, channel: Channel | None, notes: list[str]) -> Pixels:
    """Return the pixels of a grey page, or of one channel of a colour page."""
    if page.mode in ("L", "F"):
        return np.asarray(page)
    if page.mode.startswith("I"):
        return _sixteen_bits(path, np.asarray(page), notes)
    if page.mode in ("RGB", "RGBA", "RGBX"):
        return _one_colour(path, np.asarray(page), channel, notes)
    raise FrameError(
        f"{path}: pixels of kind {page.mode!r} are no brightness. Save it as grey, 8 or 16 bits, "
        "or as RGB."
    )


def _sixteen_bits(path: Path, pixels: Pixels, notes: list[str]) -> Pixels:
    if pixels.dtype.kind == "u":
        return pixels.astype(np.uint16, copy=False)
    if pixels.min() < 0 or pixels.max() > np.iinfo(np.uint16).max:
        raise FrameError(
            f"{path}: values of 32-bit integers do not fit into 16 bits; save as float."
        )
    notes.append("32-bit integers were read as 16-bit ones; no value changed")
    return pixels.astype(np.uint16)


def _one_colour(path: Path, pixels: Pixels, channel: Channel | None, notes: list[str]) -> Pixels:
    if channel is not None:
        notes.append(f"channel {channel} alone was measured")
        return np.ascontiguousarray(pixels[..., _CHANNELS.index(channel)])
    if np.ptp(pixels[..., :3], axis=-1).max(initial=0) == 0:
        notes.append("three equal colour channels; one was measured")
        return np.ascontiguousarray(pixels[..., 0])
    raise FrameError(
        f"{path}: this is a colour picture, and colours are not mixed. Choose one: --channel red, "
        'green or blue; in a bench file colour = "red", "green" or "blue".'
    )
