"""Speckle: the pattern that coherent light makes of a rough screen or of a fibre's modes."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from autoalign_simulators.pixelmap import PixelMap

__all__ = ["Speckle"]

Image = npt.NDArray[np.float32]

_FINE = 4
"""Samples along a grain."""

_ROOM = 4
"""Widths of the beam after which the pattern repeats."""


class Speckle:
    """A fully developed pattern that belongs to the beam.

    The intensity of a field that many paths add up to by chance: exponentially distributed, with a
    contrast of 1 (J. W. Goodman, Speckle Phenomena in Optics, section 3.2, from memory). Its grains
    lie at fixed places of the beam, in units of its width, so that they move and grow with it.

    Parameters
    ----------
    grains
        Grains across the beam's width d_σ.
    rng
        Draws the pattern.
    """

    def __init__(self, grains: float, rng: np.random.Generator) -> None:
        size = int(np.ceil(_ROOM * grains * _FINE))
        self._scale = size / _ROOM
        frequency = np.hypot(*np.meshgrid(*[np.fft.fftfreq(size)] * 2))
        pupil = frequency <= 0.5 / _FINE  # its image has grains of 1/(2 · cut-off)
        field = rng.standard_normal((2, size, size))
        spectrum = np.fft.fft2(field[0] + 1j * field[1]) * pupil
        intensity = np.abs(np.fft.ifft2(spectrum)) ** 2
        self._pattern = (intensity / intensity.mean()).astype(np.float32)

    def on(self, shape: tuple[int, int], pixels: PixelMap, middle: Any, covariance: Any) -> Image:
        """Return the factor (rows, columns) on a beam with these moments, in pixels."""
        width = 4 * np.sqrt(np.trace(covariance) / 2)
        turned = np.array(pixels.matrix) / np.sqrt(pixels.area)
        row, column = np.indices(shape, np.float32)
        dc, dr = (column - middle[0]) / width, (row - middle[1]) / width
        at = np.stack(
            [turned[1, 0] * dc + turned[1, 1] * dr, turned[0, 0] * dc + turned[0, 1] * dr]
        )
        return np.asarray(
            map_coordinates(self._pattern, at * self._scale, order=1, mode="grid-wrap")
        )
