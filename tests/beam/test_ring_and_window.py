"""Pixels that are in the window and in the ring of the background count once, with both effects."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.beam.frame.background import ring_background
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.moments import central_moments, moment_covariance
from autoalign.beam.frame.window import Window, window_sums

PITCH, SIGMA = (0.02, 0.02), 1.5
WINDOW = Window(0.31, 0.25, 0.27, 0.22)
"""Three widths and more of the beam, so that the ring begins well inside."""


def light(slope):
    """Return a Gaussian of 8 × 7 pixels on a sloping background, 26 × 32."""
    y, x = np.mgrid[:26, :32].astype(float)
    beam = 150 * np.exp(-2 * ((x - 15.5) / 4) ** 2 - 2 * ((y - 12.5) / 3.5) ** 2)
    return beam + 20 + slope * (x + 0.5 * y)


def measured(pixels, ring_of, tilt):
    """Return power and moments (10,) of ``pixels``, over the background of their own ring."""
    background = ring_background(BinnedFrame.of(pixels, PITCH), ring_of, SIGMA, tilt=tilt)
    sums = window_sums(pixels, WINDOW, PITCH, background.around(WINDOW.x, WINDOW.y))
    return np.concatenate([[sums[0, 0]], central_moments(sums, WINDOW)]), background


@pytest.mark.parametrize(("slope", "tilt"), [(0.0, False), (0.4, True)])
def test_the_covariance_is_that_of_one_more_count_in_every_pixel(slope, tilt):
    """Σ over all pixels of σ² times the squared effect of one, its way through the ring included.

    Derived here (JCGM 100, 5.1.2): differences of the whole measurement, pixel by pixel. Without
    what ring and window share, variances of power and widths are more than twice as large.
    """
    pixels = light(slope)
    shape = np.array([0.31, 0.25, (4 * 0.02 / 2) ** 2, (3.5 * 0.02 / 2) ** 2, 0, 0, 0, 0, 0])
    value, background = measured(pixels, shape, tilt)
    assert background.tilted is tilt
    assert (
        np.count_nonzero(background.ring & (BinnedFrame.of(pixels, PITCH).coverage(WINDOW) > 0))
        > 200
    )
    effects = []
    for k in range(pixels.size):
        more = pixels.copy()
        more.flat[k] += 1e-4
        effects.append((measured(more, shape, tilt)[0] - value) / 1e-4)
    exact = SIGMA**2 * np.transpose(effects) @ np.array(effects)
    stated = moment_covariance(
        BinnedFrame.of(pixels, PITCH), WINDOW, value[1:], value[0], background, SIGMA, 0.0
    )
    scale = np.sqrt(np.outer(np.diag(exact), np.diag(exact)))
    assert np.max(np.abs(stated - exact) / scale) < 1e-3
