"""The iteration of ISO 11146-1: the window follows the widths that it yields."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.background import Background, ring_background
from autoalign.beam.grid import Grid
from autoalign.beam.moments import central_moments, window_for
from autoalign.beam.window import Window, window_sums
from autoalign.frames import Pixels

__all__ = ["Seen", "coarse", "fine"]

Floats = npt.NDArray[np.float64]

GROWTH = 25
"""Rounds on the grid from the first window to one that contains the beam."""

ROUNDS = 12
"""Rounds with the background around the beam, on the grid and then on the pixels."""

COARSE = 1e-3
"""Change of the window, in its half sides, that is small enough on the grid."""

CONVERGED = 1e-6
"""Change of the window, in its half sides, at which the iteration has converged."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What one round sees: moments (9,), their power, in which window, over which background."""

    grid: Grid
    background: Background
    window: Window
    moments: Floats
    power: float
    change: float

    @property
    def converged(self) -> bool:
        """Whether the last round changed the window by less than :data:`CONVERGED`."""
        return self.change < CONVERGED

    @property
    def lost(self) -> bool:
        """Whether there is no light left in the window, or no width."""
        m = self.moments
        return not (self.power > 0 and m[2] > 0 and m[3] > 0 and m[2] * m[3] > m[4] ** 2)


def coarse(
    pixels: Pixels,
    pitch: tuple[float, float],
    whole: Grid,
    start: Window,
    first: Background,
    sigma: float,
    fixed: bool,
) -> Seen:
    """Find window and background on block means: first the whole frame, then closer and closer.

    ``first`` is the background to begin with, kept throughout where ``fixed``.
    """
    seen = _rounds(whole, first, start, sigma, True, GROWTH)
    shape = (pixels.shape[0], pixels.shape[1])
    for _ in range(6):
        box = seen.window.box(shape, pitch, grow=1.5)
        size = (box[1] - box[0]) * (box[3] - box[2])
        now = seen.grid.box
        if size < 0.5 * (now[1] - now[0]) * (now[3] - now[2]) and seen.grid.block > 1:
            grid = Grid.of(pixels, pitch, box)
        elif fixed or seen.background.ring is not None:
            return seen
        else:
            grid = seen.grid
        level = seen.background if fixed else ring_background(grid, seen.moments, sigma)
        seen = _rounds(grid, level, seen.window, sigma, fixed, ROUNDS)
    return seen


def fine(pixels: Pixels, pitch: tuple[float, float], seen: Seen) -> Seen:
    """Iterate on the pixels themselves, over the background found before."""
    background, window = seen.background, seen.window
    for _ in range(0 if seen.lost else ROUNDS):
        sums = window_sums(pixels, window, pitch, background.around(window.x, window.y))
        moments = central_moments(sums, window)
        moments[2:4] -= np.square(pitch) / 12
        following = window_for(moments, pitch)
        seen = replace(
            seen, window=window, moments=moments, power=float(sums[0, 0]),
            change=window.change(following),
        )  # fmt: skip
        if seen.lost or seen.converged:
            return seen
        window = following
    return seen


def _rounds(
    grid: Grid, background: Background, window: Window, sigma: float, fixed: bool, rounds: int
) -> Seen:
    least = (2 * grid.pitch[0], 2 * grid.pitch[1]) if grid.block > 1 else grid.pitch
    seen = _look(grid, background, window, least)
    for _ in range(rounds):
        if seen.lost or seen.change < COARSE:
            break
        window = _limited(window_for(seen.moments, least), grid)
        if not fixed:
            background = ring_background(grid, seen.moments, sigma)
        seen = _look(grid, background, window, least)
    return seen


def _look(grid: Grid, background: Background, window: Window, least: tuple[float, float]) -> Seen:
    light = grid.coverage(window) * (grid.mean - background.on(grid))
    sums = grid.sums(light, (window.x, window.y), window.scale, 3)
    moments = central_moments(sums, window)
    moments[2:4] -= np.square(grid.pitch) / 12
    change = window.change(_limited(window_for(moments, least), grid))
    return Seen(grid, background, window, moments, float(sums[0, 0]), change)


def _limited(window: Window, grid: Grid) -> Window:
    """Keep a window that follows a wrong background from growing for ever."""
    size = 2 * max(len(grid.x) * grid.pitch[0], len(grid.y) * grid.pitch[1])
    if window.scale <= size:
        return window
    return replace(window, half_x=min(window.half_x, size), half_y=min(window.half_y, size))
