"""Synthetic light integrated over pixels, from closed forms."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import erf

Floats = npt.NDArray[np.float64]


def gaussian(
    shape: tuple[int, int], centre: tuple[float, float], wx: float, wy: float, turn: float = 0.0
) -> Floats:
    """Return exp(−2u²/wx² − 2v²/wy²) integrated over pixels; lengths in pixels, turn in rad.

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

    return integrated(light, shape, centre, np.polynomial.legendre.leggauss(4))


def sampled(
    inside: Callable[[Floats, Floats], Floats],
    shape: tuple[int, int],
    centre: tuple[float, float],
    count: int = 16,
) -> Floats:
    """Return ``inside(x, y)`` averaged over ``count`` × ``count`` points a pixel."""
    points = (np.arange(count) + 0.5) / count * 2 - 1
    return integrated(inside, shape, centre, (points, np.full(count, 2 / count)))


def integrated(
    light: Callable[[Floats, Floats], Floats],
    shape: tuple[int, int],
    centre: tuple[float, float],
    rule: tuple[Floats, Floats],
) -> Floats:
    """Integrate ``light`` over pixels with a one-dimensional rule on (−1, 1) in x and y."""
    x = np.arange(shape[1])[None, :] - centre[0]
    y = np.arange(shape[0])[:, None] - centre[1]
    total = np.zeros(shape)
    for px, wx in zip(*rule, strict=True):
        for py, wy in zip(*rule, strict=True):
            total += wx * wy / 4 * light(x + px / 2, y + py / 2)
    return total


@pytest.fixture
def rng() -> np.random.Generator:
    """Return a generator with a fixed seed."""
    return np.random.default_rng(20240229)
