"""Pixels made fit for measuring: dark frame taken off, hot pixels filled in, nothing undefined."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import FrameError
from autoalign.core.frames import Frame, Pixels

__all__ = ["HotPixels", "check_finite", "fill", "find_hot", "subtract_dark"]

Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

_ROUND = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]).T
"""Rows and columns of the eight neighbours."""

LARGEST = 1e30
"""Pixel values beyond this would overflow in sums of their moments."""


@dataclass(frozen=True, slots=True, eq=False)
class HotPixels:
    """Rows and columns of pixels that stand alone far above all their neighbours."""

    rows: Ints
    columns: Ints

    def __len__(self) -> int:
        return len(self.rows)


def check_finite(frame: Frame) -> None:
    """Raise FrameError where a pixel is not a number, infinite, or too large to be summed."""
    pixels = frame.pixels
    if pixels.dtype.kind != "f":
        return
    low, high = float(pixels.min()), float(pixels.max())
    if low > -LARGEST and high < LARGEST:
        return
    bad = ~(np.abs(pixels) < LARGEST)
    rows, columns = np.nonzero(bad)
    where = f"frame of plane {frame.plane!r}" if frame.plane else "frame"
    kinds = "NaN, infinite" if not np.isfinite(pixels).all() else f"beyond ±{LARGEST:g}"
    raise FrameError(
        f"{where}: {len(rows)} of {pixels.size} pixels are {kinds} or too large; the first is at "
        f"row {rows[0]}, column {columns[0]}, value {pixels[rows[0], columns[0]]}. Replace them, "
        "or name them in a hot-pixel map."
    )


def subtract_dark(frame: Frame, dark: Frame | None) -> Pixels:
    """Return the frame's pixels less the dark frame's, as floats; without a dark frame as given."""
    if dark is None:
        return frame.pixels
    if dark.pixels.shape != frame.pixels.shape:
        raise FrameError(
            f"dark frame has shape {dark.pixels.shape}, the frame {frame.pixels.shape}; both must "
            "come from the same camera with the same region of interest."
        )
    depths = (dark.bit_depth or dark.pixels.dtype, frame.bit_depth or frame.pixels.dtype)
    if depths[0] != depths[1] and {dark.pixels.dtype.kind, frame.pixels.dtype.kind} == {"u"}:
        raise FrameError(
            f"dark frame has pixels of {depths[0]} bits or kind, the frame of {depths[1]}; both "
            "must come from the same camera in the same mode."
        )
    check_finite(dark)
    kind = np.float64 if frame.pixels.dtype == np.float64 else np.float32
    difference: Pixels = np.subtract(frame.pixels, dark.pixels, dtype=kind)
    return difference


def find_hot(pixels: Pixels, level: float, sigma: float, tops: Pixels | None = None) -> HotPixels:
    """Return pixels that stand alone: 8 sigma above ``level``, twice as high as all neighbours.

    They also exceed the neighbours' mean by eight times their scatter, so that the photon noise of
    a faint region is not taken for hot pixels.

    A spot so narrow that its own neighbours stay below half of its peak (1/e² diameter under
    3.4 pixels) may be a hot pixel. ``tops`` (rows,): the highest pixel of each row.
    """
    rows, columns = pixels.shape
    none = np.zeros(0, dtype=np.intp)
    if rows < 3 or columns < 3:
        return HotPixels(none, none)
    tops = pixels.max(axis=1) if tops is None else tops
    highest = float(tops.max())
    least = level + max(8 * sigma, 1e-6 * (highest - level))
    bright = np.flatnonzero(tops > least)
    if not len(bright):
        return HotPixels(none, none)
    first, end = int(bright[0]), int(bright[-1]) + 1
    # The higher of two pixels below one another has both pairs beside it as neighbours; the first
    # and the last of all pairs get their only neighbour on the other side as well.
    pairs = np.maximum(pixels[first : end - 1 : 2], pixels[first + 1 : end : 2]).ravel()
    odd = pixels[end - 1] if (end - first) % 2 else pairs[:0]
    line = np.concatenate([pairs, odd])
    line = np.concatenate([line[1:2], line, line[-2:-1]])
    pair, column = np.divmod(np.flatnonzero(_lone(line, level, least)), columns)
    upper = first + 2 * pair
    lower = np.minimum(upper + 1, rows - 1)
    row = np.where(pixels[upper, column] >= pixels[lower, column], upper, lower)
    return _confirmed(pixels, row, column, level, sigma)


def _lone(line: Pixels, level: float, least: float) -> Bools:
    """Tell pixels above ``least`` and twice as high over ``level`` as left and right of them.

    In the pixels' own type: (v − L) > 2 (n − L) as v/2 + L/2 > n, rounded in favour of the pixel.
    """
    middle = line[1:-1]
    half: Pixels
    if line.dtype.kind == "u":
        top = np.iinfo(line.dtype).max
        half = middle >> 1
        half += line.dtype.type(min(max(int(level / 2) + 1, 0), top // 2))
        least = min(max(int(least), 0), top)
    else:
        half = 0.5 * middle
        half += line.dtype.type(0.5 * level)
    lone: Bools = half >= np.maximum(line[:-2], line[2:])
    lone &= middle > line.dtype.type(least)
    return lone


def _confirmed(pixels: Pixels, row: Ints, column: Ints, level: float, sigma: float) -> HotPixels:
    """Keep those that stand out from all eight neighbours, and more than these scatter."""
    if not len(row):
        return HotPixels(row, column)
    around = _around(pixels, row, column).astype(np.float64)
    value = pixels[row, column]
    alone = value - level > 2 * (around.max(axis=1) - level)
    alone &= value - around.mean(axis=1) > 8 * np.maximum(around.std(axis=1), sigma)
    return HotPixels(row[alone], column[alone])


def fill(pixels: Pixels, hot: HotPixels) -> Pixels:
    """Return a copy with the hot pixels replaced by the mean of the eight around them."""
    filled = pixels.copy()
    value = _around(pixels, hot.rows, hot.columns).mean(axis=1, dtype=np.float64)
    filled[hot.rows, hot.columns] = np.rint(value) if pixels.dtype.kind == "u" else value
    return filled


def _around(pixels: Pixels, row: Ints, column: Ints) -> Pixels:
    """Return the eight pixels around each, (n, 8); beyond the frame those of the other side."""
    places = []
    for at, step, count in zip((row, column), _ROUND, pixels.shape, strict=True):
        place = np.abs(at[:, None] + step)
        places.append(np.where(place > count - 1, 2 * (count - 1) - place, place))
    around: Pixels = pixels[places[0], places[1]]
    return around
