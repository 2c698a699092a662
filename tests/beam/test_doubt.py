"""What is no beam though a window settles on it: uneven light under hot pixels side by side."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.profile import Use

ROWS, COLUMNS = np.mgrid[:512, :512]
CLUSTERS = {
    "across": ((300, 100), (301, 101)), "beside": ((300, 100), (300, 101)),
    "three": ((300, 100), (300, 101), (301, 101)),
    "four": ((300, 100), (300, 101), (301, 101), (301, 100)),
}  # fmt: skip


@pytest.mark.parametrize("slope", [(0.0, 0.0), (-11.5, 0.0), (-11.5, 10.4), (-23.0, 20.0)])
@pytest.mark.parametrize("cluster", CLUSTERS)
def test_hot_pixels_side_by_side_are_no_beam_whatever_the_background(rng, cluster, slope):
    """No width, no light to fit: uneven light made a beam of 17 mm (rms) of two of them."""
    u, v = COLUMNS / 512 - 0.5, ROWS / 512 - 0.5
    pixels = 141 + slope[0] * u + slope[1] * v + rng.normal(0, 6.7, u.shape)
    for place in CLUSTERS[cluster]:
        pixels[place] = 4095
    profile = measure_beam(Frame(np.rint(pixels).astype(np.uint16), pitch=0.125, bit_depth=12))
    assert profile.use in (Use.POSITION, Use.DIRECTION, Use.NOTHING)
    assert profile.power <= 3 * profile.power_uncertainty
    assert profile.moments[2:5] == pytest.approx(np.zeros(3))


@pytest.mark.parametrize("size", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("peak", [20, 200, 2000])
def test_a_wide_beam_is_believed_however_faint_it_is(lamp, rng, size, peak):
    """A disk of light up to nine tenths of the frame, on uneven light, with one hot pixel pair."""
    light = peak * lamp.sampled(lamp.ellipse(128 * size, 128 * size), (256, 256), (127.6, 128.3), 4)
    pixels = 100 + light + 3 * np.linspace(0, 1, 256) + rng.normal(0, 3, light.shape)
    pixels[20, 20] = pixels[21, 21] = min(4095, 40 * peak)
    profile = measure_beam(Frame(np.rint(pixels).astype(np.uint16), bit_depth=12))
    assert profile.moments[2:4] == pytest.approx((32 * 2 * size) ** 2 * np.ones(2), rel=0.25)
