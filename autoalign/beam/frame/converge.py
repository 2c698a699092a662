"""Window, background and noise that agree with one another, and the covariance that follows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.background import Background
from autoalign.beam.frame.covariance import moment_covariance
from autoalign.beam.frame.iterate import CONVERGED, Converged, coarse, fine
from autoalign.beam.frame.moments import WINDOW_FACTOR
from autoalign.beam.frame.noise import dark_noise, estimate_gain, quantisation_offset
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.frame.window import Window

__all__ = ["NARROW_FACTOR", "NOISY", "Settled", "settle"]

Floats = npt.NDArray[np.float64]

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
