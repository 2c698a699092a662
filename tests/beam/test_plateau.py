"""Saturation is told from the frame alone where nobody said how many bits the camera delivers."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.profile import FlagKind, Use

SHAPE = (150, 180)


def taken(light, rng, noise=4.0, gain=0.4, level=60.0, cut=4095, dtype=np.uint16):
    """Return what a camera that cuts off at ``cut`` makes of ``light``, with photon noise."""
    pixels = rng.poisson(light / gain) * gain + rng.normal(level, noise, light.shape)
    pixels = np.minimum(pixels, cut)
    return Frame((np.rint(pixels).clip(0) if dtype != np.float32 else pixels).astype(dtype))


def beam(peak, power=2, width=40.0):
    """Return ``peak`` exp(−2 (r/width)^power); a power of 0 is an even disk."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    r = np.hypot(x - 90.3, y - 74.6) / width
    return peak * (np.exp(-2 * r**power) if power else (r < 1).astype(float))


@pytest.mark.parametrize("power", [2, 8, 0])
@pytest.mark.parametrize("over", [1.01, 1.05, 2.0])
def test_a_plateau_is_saturation_without_being_told(rng, power, over):
    """12 of 16 bits, 10 of 16, less than 8 bits, and an averaged frame, cut by 1 to 50 %."""
    for cut, noise, gain, kind in (
        (4095, 4.0, 0.4, np.uint16),
        (1023, 1.0, 0.1, np.uint16),
        (200, 0.8, 0.03, np.uint8),
        (3000, 4.0, 0.4, np.float32),
    ):
        frame = taken(beam(cut * over, power), rng, noise, gain, cut=cut, dtype=kind)
        profile = measure_beam(frame)
        flag = profile.flags[FlagKind.SATURATED]
        assert f"share the highest value, {cut}" in flag.evidence
        assert flag.use is Use.ALL
        assert 0 < abs(flag.shift[2]) < np.sqrt(profile.covariance[2, 2]) * 1.001


def test_a_camera_with_a_black_dark_is_told_by_its_full_range(rng):
    """Without any noise only a level of 2ⁿ − 1 is taken for the end of a range."""
    clipped = np.minimum(np.rint(beam(6000)), 4095).astype(np.uint16)
    assert FlagKind.SATURATED in measure_beam(Frame(clipped)).flags
    for disk in (beam(4000.0, 0), beam(1.0, 0)):
        kind = np.uint16 if disk.max() > 1 else np.float64
        assert FlagKind.SATURATED not in measure_beam(Frame(disk.astype(kind))).flags


@pytest.mark.parametrize("peak", [5, 12, 40, 160, 4000])
@pytest.mark.parametrize("power", [2, 8, 0])
def test_maxima_shared_by_chance_are_no_plateau(rng, peak, power):
    """Faint frames of 8 bits, where dozens of pixels share the highest value, and bright ones."""
    for noise, gain in ((0.3, 0.0), (0.5, 0.03), (1.2, 0.2)):
        light = beam(float(peak), power)
        frame = taken(
            light, rng, noise, gain or 1e-6, 8.3, np.inf, np.uint8 if peak < 200 else np.uint16
        )
        assert FlagKind.SATURATED not in measure_beam(frame).flags


def test_a_hot_pixel_or_row_or_a_flat_dark_frame_is_no_plateau(rng):
    """A plateau is a patch inside the light."""
    frame = taken(beam(3000), rng)
    for where in ((70, 88), (100, slice(None))):
        pixels = frame.pixels.copy()
        pixels[where] = 4000
        assert FlagKind.SATURATED not in measure_beam(Frame(pixels)).flags
    for flat in (np.full(SHAPE, 4095, np.uint16), np.zeros(SHAPE, np.uint16)):
        assert FlagKind.SATURATED not in measure_beam(Frame(flat)).flags
