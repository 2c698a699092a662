"""The iteration of ISO 11146-1: the window follows the widths that it yields."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.background import (
    Background,
    border_plane,
    dark_noise,
    estimate_gain,
    quantisation_offset,
    ring_background,
)
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.detection import find_beam
from autoalign.beam.frame.lit_cells import Light
from autoalign.beam.frame.moments import (
    WINDOW_FACTOR,
    central_moments,
    moment_covariance,
    window_for,
)
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.frame.window import Window, powers
from autoalign.core.frames import Pixels

__all__ = [
    "CONVERGED",
    "NARROW_FACTOR",
    "NOISY",
    "Converged",
    "Settled",
    "coarse",
    "fine",
    "settle",
]

Floats = npt.NDArray[np.float64]

# Window, background and noise that agree with one another, and the covariance that follows.

NARROW_FACTOR = 2.0
"""Sides of the window in beam widths where noise keeps the standard's from settling: it cuts
0.05 % off the width of a Gaussian and lets in 70 % less noise."""

NOISY = 0.04
"""Relative standard uncertainty of a width from which the narrow window is taken."""


ENOUGH = 0.05
"""Change of the window, in standard uncertainties of a width, at which noise makes following it
further idle."""

SMALL = 3e-4
"""Change of the window, in its half sides, from which three times as much is idle: a change so
small barely alters which noise is inside. Over 150 noisy beams the moments then lay within 0.03
(rms) of their own standard uncertainties of those of a window followed to the end."""


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """The last round, noise of a dark pixel, gain, (10, 10) covariance, window in widths."""

    seen: Converged
    noise: float
    gain: float
    covariance: Floats
    factor: float

    @property
    def unsteady(self) -> float:
        """Relative standard uncertainty of the wider width; infinite where the beam was lost."""
        if self.seen.lost:
            return math.inf
        widest = float(self.seen.moments[2:4].max())
        variance = max(float(self.covariance[3, 3]), float(self.covariance[4, 4]), 0.0)
        return math.sqrt(variance) / widest / 2


def settle(
    ready: Prepared, start: Window, gain: float | None, background_uncertainty: float
) -> Settled:
    """Iterate with the standard's window and, where noise forbids that, with a narrower one."""
    wide = _settle(ready, start, gain, background_uncertainty, WINDOW_FACTOR)
    if wide.unsteady < NOISY:
        finished = _finish(ready, wide)
        if finished.seen.change < NOISY:
            return finished
    narrow = _settle(ready, start, gain, background_uncertainty, NARROW_FACTOR)
    if narrow.seen.lost:
        return _finish(ready, wide)
    return _finish(ready, narrow)


def _settle(
    ready: Prepared,
    start: Window,
    gain: float | None,
    background_uncertainty: float,
    factor: float,
) -> Settled:
    pixels, pitch, sigma = ready.pixels, ready.pitch, ready.sigma
    first = Background(ready.level)
    seen = coarse(pixels, pitch, ready.whole, start, first, sigma, ready.known, factor)
    ground, window = seen.background, seen.window
    noise = sigma if ground.ring is None else dark_noise(pixels, seen.grid, ground)
    if seen.lost:
        return Settled(seen, noise, gain or 0.0, np.zeros((10, 10)), factor)
    if gain is None:
        level = ground.around(window.x, window.y)[0]
        gain = estimate_gain(pixels, window, pitch, level, noise)
    rounding = quantisation_offset(noise) if ready.frame.pixels.dtype.kind == "u" else 0.0
    ground = replace(_with_noise(ground, noise, sigma), systematic=background_uncertainty)
    if ready.repeatable:
        ground = replace(ground, hidden=None)
    seen = replace(seen, background=ground)
    covariance = moment_covariance(
        seen.grid, window, seen.moments, seen.power, ground, noise, gain, rounding
    )
    return Settled(seen, noise, gain, covariance, factor)


def _finish(ready: Prepared, settled: Settled) -> Settled:
    """Iterate on the pixels until what is left of the change is small against the noise."""
    if settled.seen.lost:
        return settled
    idle = ENOUGH * settled.unsteady
    enough = max(CONVERGED, min(3 * idle, max(idle, SMALL)))
    seen = fine(ready.pixels, ready.pitch, settled.seen, settled.factor, settled.noise, enough)
    return replace(settled, seen=seen)


def _with_noise(ground: Background, noise: float, before: float) -> Background:
    """Return ``ground`` with its covariance for the noise as measured in its own ring."""
    if ground.covariance is None or before == 0:
        return ground
    return replace(ground, covariance=ground.covariance * (noise / before) ** 2)


GROWTH = 25
"""Rounds on the grid from the first window to one that contains the beam."""

ROUNDS = 12
"""Rounds on the grid with the background around the beam."""

FINE_ROUNDS = 30
"""Rounds on the pixels."""

AROUND = 1.5
"""Part of the frame that is examined closely, in windows of the standard."""

SMALLEST = 45
"""Half side in pixels that is examined closely at least, so that a small beam has enough
background around it."""

CLOSER = 3.0
"""Part of the frame that is examined instead, in first windows, where the cells are larger than
the beam."""

COARSE = 1e-2
"""Change of the window, in its half sides, that is small enough on the grid: the background around
the beam does not feel it, and the rounds on the pixels go on from there."""

CONVERGED = 1e-6
"""Change of the window, in its half sides, at which the iteration has converged at the latest."""


@dataclass(frozen=True, slots=True, eq=False)
class Converged:
    """What one round sees: moments (9,), their power, in which window, over which background."""

    grid: BinnedFrame
    background: Background
    window: Window
    moments: Floats
    power: float
    change: float

    @property
    def lost(self) -> bool:
        """Whether there is no light left in the window, or no width."""
        m = self.moments
        return not (self.power > 0 and m[2] > 0 and m[3] > 0 and m[2] * m[3] > m[4] ** 2)


class _Pace:
    """How far to follow each new window: all the way, until noise makes it swing."""

    def __init__(self) -> None:
        self.part = 1.0
        self.before = np.inf

    def __call__(self, change: float) -> float:
        """Return the part of the way to go after a round that changed the window so much."""
        if change > 0.5 * self.before:
            self.part = max(0.7 * self.part, 0.1)
        self.before = change
        return self.part


def coarse(
    pixels: Pixels,
    pitch: tuple[float, float],
    whole: BinnedFrame,
    start: Window,
    first: Background,
    sigma: float,
    fixed: bool,
    factor: float,
) -> Converged:
    """Find window and background on block means: first the whole frame, then closer and closer.

    ``first`` is the background to begin with, kept throughout where ``fixed``.
    """
    shape = (pixels.shape[0], pixels.shape[1])
    seen = _rounds(whole, first, start, sigma, True, GROWTH, factor)
    grid = whole
    while seen.lost:
        closer = BinnedFrame.of(pixels, pitch, start.box(shape, pitch, CLOSER))
        if closer.block >= grid.block:
            break
        grid, start = closer, find_beam(closer, first.level, sigma).window
        seen = _rounds(grid, first, start, sigma, True, GROWTH, factor)
    if not fixed and _fills(seen.window, shape, pitch):
        farthest = ring_background(whole, seen.moments, sigma, tilt=False)
        tried = []
        for ground in (border_plane(whole, sigma), Background(farthest.level)):
            tried.append(_rounds(whole, ground, start, sigma, True, GROWTH, factor))
            if not _fills(tried[-1].window, shape, pitch):
                break
        seen = min(tried, key=lambda s: s.window.half_x * s.window.half_y)
    for _ in range(6):
        grow = max(AROUND * WINDOW_FACTOR / factor, SMALLEST * max(pitch) / seen.window.scale)
        box = seen.window.box(shape, pitch, grow)
        size = (box[1] - box[0]) * (box[3] - box[2])
        now = seen.grid.box
        grid = seen.grid
        if size < 0.5 * (now[1] - now[0]) * (now[3] - now[2]) and grid.block > 1:
            grid = BinnedFrame.of(pixels, pitch, box)
        elif fixed or seen.background.ring is not None:
            return seen
        if seen.lost:
            return seen
        level = seen.background if fixed else ring_background(grid, seen.moments, sigma)
        seen = _rounds(grid, level, seen.window, sigma, fixed, ROUNDS, factor)
    return seen


def fine(
    pixels: Pixels,
    pitch: tuple[float, float],
    seen: Converged,
    factor: float,
    sigma: float,
    converged: float = CONVERGED,
) -> Converged:
    """Iterate on the pixels themselves, over the background found before.

    Ends once a round changes the window by less than ``converged`` of its half sides.
    """
    background, window, pace = seen.background, seen.window, _Pace()
    light, sums = None, None
    for _ in range(0 if seen.lost else FINE_ROUNDS):
        if light is not None:
            sums = light.over(window)
        if light is None or sums is None:
            light = Light.of(pixels, pitch, seen.grid, background, window, sigma)
            sums = light.over(window)
        assert sums is not None
        moments = central_moments(sums, light.about)
        moments[2:4] -= np.square(pitch) / 12
        following = window_for(moments, pitch, window, factor)
        change = window.change(following)
        seen = Converged(seen.grid, background, window, moments, float(sums[0, 0]), change)
        if seen.lost or change < converged:
            return seen
        window = window.towards(following, pace(change))
    return seen


def _rounds(
    grid: BinnedFrame,
    background: Background,
    window: Window,
    sigma: float,
    fixed: bool,
    rounds: int,
    factor: float,
) -> Converged:
    least = (2 * grid.pitch[0], 2 * grid.pitch[1]) if grid.block > 1 else grid.pitch
    (seen, following), pace = _look(grid, background, window, least, factor), _Pace()
    for _ in range(rounds):
        if seen.lost or seen.change < COARSE:
            break
        window = seen.window.towards(following, pace(seen.change))
        if not fixed:
            background = ring_background(grid, seen.moments, sigma)
        now, after = _look(grid, background, window, least, factor)
        if now.lost:
            break
        seen, following = now, after
    return seen


def _look(
    grid: BinnedFrame,
    background: Background,
    window: Window,
    least: tuple[float, float],
    factor: float,
) -> tuple[Converged, Window]:
    """Return what ``window`` shows, and the window that follows from it."""
    part = grid.part(*grid.touched(window))
    light = part.mean - background.on(part)
    u = powers((part.x - window.x) / window.scale, 4)
    v = powers((part.y - window.y) / window.scale, 4)
    sums = part.weighted(window, light, u, v) * part.pixels_per_cell
    moments = central_moments(sums, window)
    moments[2:4] -= np.square(grid.pitch) / 12
    following = _limited(window_for(moments, least, factor=factor), grid)
    change = window.change(following)
    return Converged(grid, background, window, moments, float(sums[0, 0]), change), following


def _fills(window: Window, shape: tuple[int, int], pitch: tuple[float, float]) -> bool:
    """Tell whether the window is larger than the frame: a huge beam, or a background too low."""
    return window.half_x * window.half_y * 4 > shape[0] * shape[1] * pitch[0] * pitch[1]


def _limited(window: Window, grid: BinnedFrame) -> Window:
    """Keep a window that follows a wrong background from growing for ever."""
    size = 2 * max(len(grid.x) * grid.pitch[0], len(grid.y) * grid.pitch[1])
    if window.scale <= size:
        return window
    return replace(window, half_x=min(window.half_x, size), half_y=min(window.half_y, size))
