"""What stands in the light's way at a mirror: its edge, chips, dust, a post."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Blemish", "Blemishes", "Post", "covered"]

Floats = npt.NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class Blemish:
    """A round chip or grain of dust at ``x``, ``y``, mm, of ``radius`` mm."""

    x: float
    y: float
    radius: float
    opacity: float = 1.0


@dataclass(frozen=True, slots=True)
class Post:
    """A straight obstruction of ``width`` mm, its middle line ``offset`` mm from the centre.

    ``azimuth``, rad, is the direction across the post.
    """

    offset: float
    width: float
    azimuth: float = 0.0


@dataclass(frozen=True, slots=True)
class Blemishes:
    """Chips (hard), dust (soft) and a post on or before one mirror."""

    chips: tuple[Blemish, ...] = ()
    dust: tuple[Blemish, ...] = ()
    post: Post | None = None

    @classmethod
    def draw(
        cls, rng: np.random.Generator, radius: float, chips: int = 2, dust: int = 6
    ) -> Blemishes:
        """Draw ``chips`` at the edge of a mirror of ``radius`` mm and ``dust`` all over it."""
        angle = rng.uniform(0, 2 * math.pi, chips)
        size = rng.uniform(0.03, 0.08, chips) * radius
        edge = [
            Blemish(radius * math.cos(a), radius * math.sin(a), float(s))
            for a, s in zip(angle, size, strict=True)
        ]
        where = rng.uniform(-0.7, 0.7, (dust, 2)) * radius
        grain = rng.uniform(0.01, 0.03, dust) * radius
        depth = rng.uniform(0.3, 0.9, dust)
        grains = [
            Blemish(float(x), float(y), float(s), float(o))
            for (x, y), s, o in zip(where, grain, depth, strict=True)
        ]
        return cls(tuple(edge), tuple(grains))

    def transmission(self, x: Floats, y: Floats, soft: float) -> Floats | float:
        """Return what is let through at ``x``, ``y``, mm: 0 to 1, or plain 1 without blemishes.

        ``soft`` is the width, mm, over which a hard edge is averaged (one pixel, in a picture).
        """
        passed: Floats | float = 1.0
        for chip in self.chips:
            distance = np.hypot(x - chip.x, y - chip.y)
            passed = passed * (1 - chip.opacity * covered(chip.radius - distance, soft))
        for grain in self.dust:
            square = ((x - grain.x) ** 2 + (y - grain.y) ** 2) / grain.radius**2
            passed = passed * (1 - grain.opacity * np.exp(-square))
        if self.post is not None:
            across = x * math.cos(self.post.azimuth) + y * math.sin(self.post.azimuth)
            inside = self.post.width / 2 - np.abs(across - self.post.offset)
            passed = passed * (1 - covered(inside, soft))
        return passed


def covered(inside: Floats, soft: float) -> Floats:
    """Return the part of a pixel of width ``soft`` on the inner side of an edge.

    ``inside`` is the signed distance of its centre from the edge, positive inside; same unit.
    """
    return np.asarray(np.clip(inside / soft + 0.5, 0.0, 1.0))
