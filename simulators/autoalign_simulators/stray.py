"""Light on a screen that is not the beam: the room, scatter, a window's ghost."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from autoalign_simulators.pixelmap import PixelMap

__all__ = ["Stray"]

Image = npt.NDArray[np.float32]


@dataclass(slots=True)
class Stray:
    """What a camera sees beside the beam.

    Parameters
    ----------
    ambient
        Room light, electrons per second and pixel.
    gradient
        Its relative change over the picture, along columns and rows.
    ghost
        Part of the beam in a window's ghost.
    ghost_angle
        Direction of the ghost against the beam, along the plane's x and y, rad.
    scatter
        Part of the beam that mirror and screen scatter evenly over a wide field.
    scatter_width
        1/e radius of that field, in pixels.
    """

    ambient: float = 0.0
    gradient: tuple[float, float] = (0.0, 0.0)
    ghost: float = 0.0
    ghost_angle: tuple[float, float] = (6e-3, 4e-3)
    scatter: float = 0.0
    scatter_width: float = 200.0

    @property
    def version(self) -> float:
        """A number that changes with the settings."""
        return float(hash((
            self.ambient, self.gradient, self.ghost, self.ghost_angle, self.scatter,
            self.scatter_width,
        )))  # fmt: skip

    def added(self, beam: Image, distance: float, pixels: PixelMap) -> Image:
        """Return ``beam`` with everything else, electrons per second and pixel.

        ``distance`` from the window to the screen, mm.
        """
        seen = beam
        if self.ghost:
            x, y = pixels.to_plane(0.0, 0.0)
            c, r = pixels.to_pixels(
                x + self.ghost_angle[0] * distance, y + self.ghost_angle[1] * distance
            )
            seen = seen + np.float32(self.ghost) * _shifted(beam, round(c), round(r))
        if self.scatter:
            seen = seen + self._halo(beam)
        if self.ambient:
            seen = seen + _room(beam.shape, self.ambient, self.gradient)
        return seen

    def _halo(self, beam: Image) -> Image:
        """Gaussian about the beam's centroid that holds ``scatter`` of its power."""
        down, across = beam.sum(axis=1), beam.sum(axis=0)
        total = float(down.sum())
        if total <= 0:
            return np.zeros_like(beam)
        falls = []
        for line in (down, across):
            x = np.arange(len(line), dtype=np.float32)
            falls.append(np.exp(-(((x - float(line @ x) / total) / self.scatter_width) ** 2)))
        level = np.float32(self.scatter * total / (np.pi * self.scatter_width**2))
        return np.asarray(level * falls[0][:, None] * falls[1], np.float32)


@lru_cache(maxsize=16)
def _room(shape: tuple[int, int], level: float, gradient: tuple[float, float]) -> Image:
    """Room light on a screen, brighter to one side."""
    rows, columns = (np.linspace(-0.5, 0.5, n, dtype=np.float32) for n in shape)
    slope = 1 + gradient[1] * rows[:, None] + gradient[0] * columns
    return np.asarray(np.float32(level) * np.maximum(slope, 0), np.float32)


def _shifted(image: Image, across: int, down: int) -> Image:
    """Return ``image`` moved by whole pixels, dark where nothing comes in."""
    out = np.zeros_like(image)
    rows, columns = image.shape
    if abs(across) >= columns or abs(down) >= rows:
        return out
    to_r, from_r = (
        slice(max(down, 0), rows + min(down, 0)),
        slice(max(-down, 0), rows - max(down, 0)),
    )
    to_c = slice(max(across, 0), columns + min(across, 0))
    from_c = slice(max(-across, 0), columns - max(across, 0))
    out[to_r, to_c] = image[from_r, from_c]
    return out
