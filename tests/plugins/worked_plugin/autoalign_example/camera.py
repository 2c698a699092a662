"""A detector driver: a camera that always sees the same round spot, with noise."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from autoalign.core.clock import Clock
from autoalign.core.errors import DetectorError
from autoalign.core.frames import Frame


class Settings(BaseModel):
    """The driver's own keys."""

    model_config = ConfigDict(extra="forbid")

    width: int = Field(default=64, ge=8)


class ExampleCamera:
    """A picture of a spot."""

    def __init__(self, name: str, plane: str, width: int, clock: Clock) -> None:
        self.name, self.plane = name, plane
        self._width, self._clock = width, clock
        self._rng = np.random.default_rng(0)
        self.closed = False

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Frame]:
        """Return ``count`` pictures."""
        return [self._one(not_before, deadline) for _ in range(count)]

    def _one(self, not_before: float, deadline: float) -> Frame:
        begin = max(self._clock.now(), not_before)
        if begin > deadline:
            raise DetectorError(f"detector {self.name}: no picture before the deadline.")
        self._clock.sleep(max(0.0, begin - self._clock.now()))
        x = np.arange(self._width) - (self._width - 1) / 2
        spot = 200 * np.exp(-2 * (x[:, None] ** 2 + x**2) / (self._width / 6) ** 2)
        pixels = (spot + self._rng.integers(0, 3, spot.shape)).astype(np.uint8)
        return Frame(pixels, 0.1, started=begin, ended=self._clock.now(), plane=self.plane)

    def close(self) -> None:
        """Let go."""
        self.closed = True


class Driver:
    """Example camera that always sees the same spot."""

    settings = Settings

    def build(self, name: str, plane: str, settings: Any, clock: Clock) -> ExampleCamera:
        """Return the camera."""
        return ExampleCamera(name, plane, settings.width, clock)


DRIVER = Driver()
