"""The camera's sensor after the linear model of EMVA 1288 (release 4.0, from memory).

Electrons arrive with a variance equal to their mean; dark current and read noise add; the gain
turns electrons into digital numbers, and rounding adds 1/12. Shot noise is drawn as a Gaussian of
the right variance: first and second moments are the model's, and a frame costs a third of what
Poisson numbers cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Sensor", "SensorMaps"]

Image = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Sensor:
    """What a sensor is like.

    Parameters
    ----------
    rows, columns
        Size, pixels.
    bits
        Bits of a pixel value; up to 8 are delivered as uint8, more as uint16.
    full_well
        Electrons at which a pixel saturates; the gain puts them at the top of the range.
    read_noise
        Standard deviation, electrons.
    dark_current
        Electrons per second and pixel.
    black_level
        Digital number of a dark pixel.
    response_spread, dark_spread
        Relative spread of the pixels' responses, and spread of their dark signal in digital
        numbers (PRNU and DSNU).
    hot_pixels
        Number of pixels with a dark current a few thousand times too large.
    noise
        False for a perfect sensor: no noise, but still whole numbers.
    new_hot_pixels
        Number of hot pixels that appear per minute.
    """

    rows: int = 512
    columns: int = 512
    bits: int = 12
    full_well: float = 10_500.0
    read_noise: float = 6.0
    dark_current: float = 10.0
    black_level: float = 32.0
    response_spread: float = 0.004
    dark_spread: float = 0.5
    hot_pixels: int = 5
    noise: bool = True
    new_hot_pixels: float = 0.0

    @property
    def top(self) -> int:
        """Largest pixel value."""
        return (1 << self.bits) - 1

    @property
    def gain(self) -> float:
        """Digital numbers per electron."""
        return (self.top - self.black_level) / self.full_well

    @property
    def kind(self) -> type[np.unsignedinteger[Any]]:
        """Type of the pixels."""
        return np.uint8 if self.bits <= 8 else np.uint16


class SensorMaps:
    """One sensor of its kind, with its fixed pattern.

    Parameters
    ----------
    sensor
        What it is like.
    rng
        Draws the fixed pattern.
    """

    def __init__(self, sensor: Sensor, rng: np.random.Generator) -> None:
        self.sensor = sensor
        shape = sensor.rows, sensor.columns
        unit = rng.standard_normal((2, *shape), dtype=np.float32)
        self.response = 1 + np.float32(sensor.response_spread) * unit[0]
        self.offset = np.float32(sensor.black_level) + np.float32(sensor.dark_spread) * unit[1]
        self.dark = np.full(shape, sensor.dark_current, np.float32)
        self._heat(rng, sensor.hot_pixels)
        self._rng, self._new = rng, 0

    def _heat(self, rng: np.random.Generator, count: int) -> None:
        """Let ``count`` more pixels become hot."""
        where = rng.integers(0, self.dark.size, count)
        self.dark.flat[where] += rng.uniform(3e4, 3e5, count).astype(np.float32)

    def grow_old(self, at: float) -> None:
        """Let the pixels become hot that are so by the time ``at``, s."""
        new = int(self.sensor.new_hot_pixels * max(at, 0.0) / 60)
        for _ in range(self._new, new):
            self._heat(self._rng, 1)
        self._new = max(self._new, new)

    def expose(
        self, rate: Image, exposure: float, rng: np.random.Generator
    ) -> npt.NDArray[np.unsignedinteger[Any]]:
        """Return the digital picture of ``rate`` electrons/s and pixel over ``exposure`` s."""
        sensor = self.sensor
        signal = rate * self.response
        signal += self.dark
        signal *= np.float32(exposure)
        if sensor.noise:
            shot = rng.standard_normal(signal.shape, dtype=np.float32)
            shot *= np.sqrt(signal + np.float32(sensor.read_noise**2))
            signal += shot
        signal *= np.float32(sensor.gain)
        signal += self.offset
        np.rint(signal, out=signal)
        np.clip(signal, 0, sensor.top, out=signal)
        return np.asarray(signal.astype(sensor.kind))
