"""Where to begin: find the beam without knowing its size, place or strength."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.window import Window
from autoalign.core.frames import Pixels

__all__ = ["Start", "find_beam", "first_noise"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Start:
    """A first window, and the significance of the light in it, in standard deviations."""

    window: Window
    significance: float


def first_noise(pixels: Pixels) -> float:
    """Return the noise of one pixel where the frame is darkest or smoothest, in pixel values.

    From the differences of neighbours in short runs along some 32 rows: the quarter of the runs
    with the least scatter is taken to hold no structure, and to be what that quarter is in noise
    alone. At least the quantisation noise 1/√12.
    """
    rows, columns = pixels.shape
    floor = 1 / math.sqrt(12) if pixels.dtype.kind == "u" else 0.0
    if columns < 2:
        return floor
    # Differences of whole numbers up to 255 and the sums of their squares fit into short floats.
    kind = np.float32 if pixels.dtype == np.uint8 else np.float64
    lines: npt.NDArray[np.floating] = pixels[:: max(1, rows // 32)].astype(kind)
    steps = lines[:, 1:] - lines[:, :-1]
    run = min(32, steps.shape[1])
    count = steps.shape[1] // run
    steps = steps[:, : count * run].reshape(-1, run)
    scatter = np.einsum("ij,ij->i", steps, steps) / run
    quiet = np.partition(scatter, len(scatter) // 4)[len(scatter) // 4]
    return max(math.sqrt(float(quiet) / (2 * _lower_quartile(run))), floor)


def _lower_quartile(run: int) -> float:
    """Return the lower quartile of a mean of ``run`` squared differences of neighbours, over 1.

    As of chi-squared with 2/3 degrees of freedom each, for neighbours share a value (approximation
    of Wilson and Hilferty, from memory).
    """
    spread = 1 / (3 * run)
    return float(max(1 - spread - 0.6745 * math.sqrt(spread), 0.1) ** 3)


def find_beam(grid: BinnedFrame, level: float, sigma: float) -> Start:
    """Return the square of cells, of any size, whose light stands out most.

    Parameters
    ----------
    grid
        Block means of the whole frame.
    level, sigma
        Background and noise of one pixel, in pixel values.
    """
    cell = max(sigma / grid.block, 1e-12 * max(abs(level), 1e-300), 1e-300)
    light = grid.mean - level
    best = Start(Window(0.0, 0.0, grid.pitch[0], grid.pitch[1]), -math.inf)
    size = 1
    while True:
        row, column = np.unravel_index(int(np.argmax(light)), light.shape)
        significance = float(light[row, column]) / (cell * size)
        if significance > best.significance:
            best = Start(_square(grid, int(row), int(column), size), significance)
        if min(light.shape) < 2 or size >= 16:
            return best
        light = _halve(light)
        size *= 2


def _halve(light: Floats) -> Floats:
    rows, columns = (n // 2 * 2 for n in light.shape)
    even = light[:rows, :columns]
    pairs = even[0::2] + even[1::2]
    summed: Floats = pairs[:, 0::2] + pairs[:, 1::2]
    return summed


def _square(grid: BinnedFrame, row: int, column: int, size: int) -> Window:
    px, py = grid.pitch
    x = grid.x[0] + ((column + 0.5) * size - 0.5) * px
    y = grid.y[0] + ((row + 0.5) * size - 0.5) * py
    return Window(float(x), float(y), 1.5 * size * px, 1.5 * size * py)
