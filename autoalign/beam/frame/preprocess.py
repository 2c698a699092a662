"""A frame made ready to be measured: dark frame off, hot pixels filled, first level and noise."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.background import border_level
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.detection import first_noise
from autoalign.beam.frame.pixels import HotPixels, check_finite, fill, find_hot, subtract_dark
from autoalign.core.errors import FrameError
from autoalign.core.frames import Frame, Pixels

__all__ = ["Prepared", "without_bad_pixels"]

# Pixels that are known to be of no use, filled in from their neighbours before all else.

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

_ROUND = [(i, j) for i in (0, 1, 2) for j in (0, 1, 2) if (i, j) != (1, 1)]


def without_bad_pixels(frame: Frame, bad: npt.NDArray[np.bool_]) -> Frame:
    """Return ``frame`` with every pixel that is True in ``bad`` (rows, columns) filled in.

    Each takes the mean of the good ones among its eight neighbours; clusters are filled from their
    rim inwards. Whatever such a pixel holds, NaN included, plays no part.

    Raises
    ------
    FrameError
        For a map of another shape or kind, or one that leaves no good pixel.
    """
    pixels = frame.pixels
    if bad.shape != pixels.shape or bad.dtype != np.bool_:
        raise FrameError(
            f"hot-pixel map has shape {bad.shape} and type {bad.dtype}, the frame {pixels.shape}; "
            "it needs one bool for every pixel of the frame."
        )
    if bad.all():
        raise FrameError("hot-pixel map: it leaves no good pixel.")
    if not bad.any():
        return frame
    filled = _filled(pixels.astype(np.float64), bad.copy())
    whole = np.rint(filled) if pixels.dtype.kind == "u" else filled
    return replace(frame, pixels=whole.astype(pixels.dtype))


def _filled(values: Floats, bad: Bools) -> Floats:
    while bad.any():
        rows, columns = np.nonzero(bad)
        good = np.pad(~bad, 1)
        around = np.pad(np.where(bad, 0.0, values), 1)
        count = sum(good[rows + i, columns + j].astype(np.intp) for i, j in _ROUND)
        total = sum(around[rows + i, columns + j] for i, j in _ROUND)
        known = np.asarray(count) > 0
        rows, columns = rows[known], columns[known]
        values[rows, columns] = np.asarray(total)[known] / np.asarray(count)[known]
        bad[rows, columns] = False
    return values


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """The frame as given, and what every later step works on.

    ``pixels`` without dark frame and hot pixels; ``whole`` their block means; ``level`` and
    ``sigma`` a first background and noise of one pixel; ``known`` whether the level was given;
    ``tops`` (rows,) the highest value in each row of the frame as given; ``repeatable`` whether
    uncertainties are those of frames of nearly the same beam.
    """

    frame: Frame
    pixels: Pixels
    whole: BinnedFrame
    level: float
    sigma: float
    known: bool
    hot: HotPixels
    tops: Pixels
    repeatable: bool = False

    @property
    def pitch(self) -> tuple[float, float]:
        """Size of a pixel, mm."""
        return self.frame.pitch_x, self.frame.pitch_y

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.pixels.shape[0], self.pixels.shape[1]

    @property
    def origin(self) -> tuple[float, float]:
        """The plane's zero, mm from the centre of the first pixel."""
        return self.frame.origin[0] * self.frame.pitch_x, self.frame.origin[1] * self.frame.pitch_y

    @classmethod
    def of(
        cls,
        frame: Frame,
        dark: Frame | None,
        background: float | None,
        repeatable: bool = False,
    ) -> Prepared:
        """Prepare ``frame``; raises FrameError for pixels that are not finite."""
        check_finite(frame)
        pixels = subtract_dark(frame, dark)
        pitch = (frame.pitch_x, frame.pitch_y)
        sigma = first_noise(pixels)
        whole = BinnedFrame.of(pixels, pitch)
        level = border_level(whole) if background is None else background
        tops: Pixels = frame.pixels.max(axis=1)
        hot = find_hot(pixels, level, sigma, tops if dark is None else None)
        if len(hot):
            pixels = fill(pixels, hot)
            whole = BinnedFrame.of(pixels, pitch)
            level = border_level(whole) if background is None else background
        known = background is not None
        return cls(frame, pixels, whole, level, sigma, known, hot, tops, repeatable)
