"""Reading a picture file as pixels, without scaling, gamma or guessing."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
from PIL import Image

from autoalign.errors import FrameError
from autoalign.frames import Pixels

__all__ = ["Colour", "read_picture"]

Colour = Literal["red", "green", "blue"]

_GREY = {"L": np.uint8, "I;16": np.uint16, "I;16L": np.uint16, "I;16B": np.uint16, "F": np.float32}
_COLOURS = {"RGB", "RGBA", "RGBX"}


def read_picture(path: Path, colour: Colour | None = None) -> Pixels:
    """Return the pixels of ``path``, (rows, columns), as stored.

    Raises
    ------
    FrameError
        For colours without ``colour``, and for kinds of pixels that are no brightness.
    OSError
        For a file that is missing, incomplete, or no picture.
    """
    with Image.open(path) as image:
        image.load()
        if image.mode in _GREY:
            return np.array(image).astype(_GREY[image.mode], copy=False)
        if image.mode == "I":
            return _narrowed(np.array(image), path)
        if image.mode in _COLOURS and colour is not None:
            return np.ascontiguousarray(
                np.array(image)[..., ("red", "green", "blue").index(colour)]
            )
        mode = image.mode
    if mode in _COLOURS:
        raise FrameError(
            f'picture {path}: it is in colour. Choose one with colour = "red", "green" or '
            '"blue"; colours are never mixed.'
        )
    raise FrameError(
        f"picture {path}: pixels of kind {mode!r} are no brightness. Save 8 or 16 bit grey levels, "
        "for instance as PNG or TIFF."
    )


def _narrowed(pixels: Pixels, path: Path) -> Pixels:
    """Return 32-bit whole numbers as 16-bit ones where nothing is lost."""
    if pixels.min() < 0 or pixels.max() > np.iinfo(np.uint16).max:
        raise FrameError(
            f"picture {path}: values do not fit into 16 bits. Save 16 bit grey levels."
        )
    return pixels.astype(np.uint16)
