"""A frame made ready to be measured: dark frame off, hot pixels filled, first level and noise."""

from __future__ import annotations

from dataclasses import dataclass

from autoalign.beam.frame.background import border_level
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.detection import first_noise
from autoalign.beam.frame.pixels import HotPixels, check_finite, fill, find_hot, subtract_dark
from autoalign.core.frames import Frame, Pixels

__all__ = ["Prepared"]


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
