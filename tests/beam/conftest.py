"""Synthetic light integrated over pixels, from closed forms, and a camera to look at it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import erf

Floats = npt.NDArray[np.float64]
Light = Callable[[Floats, Floats], Floats]
Pair = tuple[float, float]


class Lamp:
    """Makes light on pixels. Lengths in pixels, angles in rad."""

    @staticmethod
    def gaussian(shape: tuple[int, int], centre: Pair, wx: float, wy: float, turn=0.0) -> Floats:
        """Return exp(−2u²/wx² − 2v²/wy²) integrated over pixels.

        Upright ones from the error function; turned ones by a 4 × 4 Gauss–Legendre rule per pixel.
        """
        if turn == 0.0:
            along = []
            for count, middle, w in ((shape[1], centre[0], wx), (shape[0], centre[1], wy)):
                edges = np.arange(count + 1) - 0.5 - middle
                along.append(np.diff(erf(np.sqrt(2) * edges / w)) * w * np.sqrt(np.pi / 8))
            return np.outer(along[1], along[0])

        def light(x: Floats, y: Floats) -> Floats:
            u = x * np.cos(turn) + y * np.sin(turn)
            v = y * np.cos(turn) - x * np.sin(turn)
            return np.exp(-2 * (u / wx) ** 2 - 2 * (v / wy) ** 2)

        return Lamp.integrated(light, shape, centre, np.polynomial.legendre.leggauss(4))

    @staticmethod
    def sampled(light: Light, shape: tuple[int, int], centre: Pair, count: int = 16) -> Floats:
        """Return ``light(x, y)`` averaged over ``count`` × ``count`` points a pixel."""
        points = (np.arange(count) + 0.5) / count * 2 - 1
        return Lamp.integrated(light, shape, centre, (points, np.full(count, 2 / count)))

    @staticmethod
    def integrated(
        light: Light, shape: tuple[int, int], centre: Pair, rule: tuple[Floats, Floats]
    ) -> Floats:
        """Integrate ``light`` over pixels with a one-dimensional rule on (−1, 1) in x and y."""
        x = np.arange(shape[1])[None, :] - centre[0]
        y = np.arange(shape[0])[:, None] - centre[1]
        total = np.zeros(shape)
        for px, wx in zip(*rule, strict=True):
            for py, wy in zip(*rule, strict=True):
                total += wx * wy / 4 * light(x + px / 2, y + py / 2)
        return total

    @staticmethod
    def ellipse(a: float, b: float, turn: float = 0.0) -> Light:
        """Return the light of a uniform ellipse of semi-axes ``a`` and ``b``."""

        def light(x: Floats, y: Floats) -> Floats:
            u = x * np.cos(turn) + y * np.sin(turn)
            v = y * np.cos(turn) - x * np.sin(turn)
            return ((u / a) ** 2 + (v / b) ** 2 <= 1).astype(float)

        return light

    @staticmethod
    def camera(
        light: Floats,
        rng: np.random.Generator,
        peak: float = 160.0,
        gain: float = 0.1,
        read: float = 1.2,
        level: float = 8.3,
        bits: int = 8,
    ) -> npt.NDArray[np.uint8 | np.uint16]:
        """Return what a camera makes of ``light`` (1 at its peak): photons, read, rounding.

        ``gain`` in pixel values per photoelectron, ``read`` and ``level`` in pixel values.
        """
        photons = rng.poisson(np.maximum(light, 0.0) * peak / gain)
        values = photons * gain + level + rng.normal(0.0, read, light.shape)
        kind = np.uint8 if bits <= 8 else np.uint16
        return np.rint(values).clip(0, 2**bits - 1).astype(kind)


@pytest.fixture
def lamp() -> type[Lamp]:
    """Return the maker of light."""
    return Lamp


@pytest.fixture
def rng() -> np.random.Generator:
    """Return a generator with a fixed seed."""
    return np.random.default_rng(20240229)
