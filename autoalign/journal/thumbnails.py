"""Frames small enough to keep with every measurement, and where they lie in millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO

import numpy as np

from autoalign.core.frames import Frame, View

__all__ = ["Thumbnail", "make_thumbnail"]


@dataclass(frozen=True, slots=True)
class Thumbnail:
    """A reduced frame.

    ``png`` holds 8-bit grey; pixel value v stands for ``black`` + v/255 · (``white`` − ``black``)
    of the frame. ``pitch`` (mm of one thumbnail pixel, x and y) and ``origin`` (column, row of the
    plane's zero, from the centre of the first pixel) place it, ``view`` is the frame's own.
    """

    plane: str
    png: bytes
    pitch: tuple[float, float]
    origin: tuple[float, float]
    black: float
    white: float
    view: View


def make_thumbnail(frame: Frame, side: int = 192) -> Thumbnail:
    """Return ``frame`` averaged over square blocks so that no side is longer than ``side``."""
    from PIL import Image  # noqa: PLC0415

    factor = max(1, -(-max(frame.pixels.shape) // side))
    pixels = _blocks(frame.pixels, factor)
    finite = pixels[np.isfinite(pixels)]
    black = float(finite.min()) if finite.size else 0.0
    white = float(finite.max()) if finite.size else 0.0
    grey = (np.nan_to_num(pixels, nan=black, posinf=white, neginf=black) - black) * (
        255 / (white - black) if white > black else 0.0
    )
    buffer = BytesIO()
    Image.fromarray(np.round(grey).astype(np.uint8)).save(buffer, "PNG", compress_level=3)
    x, y = ((o - (factor - 1) / 2) / factor for o in frame.origin)
    pitch = (frame.pitch_x * factor, frame.pitch_y * factor)
    return Thumbnail(frame.plane, buffer.getvalue(), pitch, (x, y), black, white, frame.view)


def _blocks(
    pixels: np.ndarray[tuple[int, ...], np.dtype[np.generic]], factor: int
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Return block means; what does not fill a block at the far edges is left out."""
    rows, columns = (max(1, n // factor) for n in pixels.shape)
    height, width = (min(factor, n) for n in pixels.shape)
    cut = pixels[: rows * height, : columns * width].astype(np.float64)
    mean: np.ndarray[tuple[int, ...], np.dtype[np.float64]] = cut.reshape(
        rows, height, columns, width
    ).mean(axis=(1, 3))
    return mean
