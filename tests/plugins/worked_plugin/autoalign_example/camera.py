"""A detector driver: a camera that always sees the same round spot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from autoalign.core.clock import Clock
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
        self.closed = False

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Frame]:
        """Return ``count`` pictures."""
        x = np.arange(self._width) - (self._width - 1) / 2
        spot = 200 * np.exp(-2 * (x[:, None] ** 2 + x**2) / (self._width / 6) ** 2)
        start = max(self._clock.now(), not_before)
        frame = Frame(spot.astype(np.uint8), 0.1, started=start, ended=start, plane=self.plane)
        return [frame] * count

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
