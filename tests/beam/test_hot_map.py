"""Pixels that are known to be bad: filled in, whatever they hold."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign import Frame, FrameError, measure_beam
from autoalign.beam.frame.pixels import find_hot
from autoalign.beam.frame.preprocess import without_bad_pixels


def test_a_plane_is_continued_exactly():
    """Lone pixels of a plane get the plane's own value: the mean of what surrounds them."""
    y, x = np.mgrid[:20, :30]
    plane = (3.0 * x + 2.0 * y).astype(np.float32)
    bad = np.zeros(plane.shape, bool)
    bad[5, 7] = bad[12, 20] = True
    spoilt = np.where(bad, np.nan, plane).astype(np.float32)
    np.testing.assert_allclose(without_bad_pixels(Frame(spoilt), bad).pixels, plane)


def test_a_cluster_through_the_beam_does_no_harm(lamp, rng):
    """A dead column and a burnt corner: the profile is that of the whole frame to its doubt."""
    pixels = lamp.camera(lamp.gaussian((160, 170), (83.4, 78.7), 14, 11), rng)
    whole = measure_beam(Frame(pixels))
    bad = np.zeros(pixels.shape, bool)
    bad[:, 90:92] = bad[:20, :20] = True
    spoilt = np.where(bad, pixels.max(), pixels).astype(pixels.dtype)
    worse = measure_beam(Frame(spoilt))
    mended = measure_beam(Frame(spoilt), hot_map=bad)
    u = np.sqrt(np.diag(whole.covariance))
    assert np.all(np.abs(mended.moments - whole.moments)[:5] < 4 * u[:5])
    assert np.any(np.abs(worse.moments - whole.moments)[:5] > 20 * u[:5])


def test_the_same_pixels_are_bad_in_the_dark_frame(lamp, rng):
    """NaN there as well is no obstacle."""
    light = lamp.camera(lamp.gaussian((80, 90), (45.0, 40.0), 9, 9), rng).astype(np.float32)
    dark = np.full(light.shape, 8.0, np.float32)
    bad = np.zeros(light.shape, bool)
    bad[3, 4] = True
    light[3, 4] = dark[3, 4] = np.nan
    assert measure_beam(Frame(light), dark=Frame(dark), hot_map=bad).power > 0
    with pytest.raises(FrameError, match="hot-pixel map"):
        measure_beam(Frame(light), dark=Frame(dark))


def test_maps_that_cannot_be():
    """Another shape, another kind, or nothing left."""
    frame = Frame(np.zeros((8, 9), np.uint8))
    for bad, words in (
        (np.zeros((8, 8), bool), "has shape"),
        (np.zeros((8, 9)), "float64"),
        (np.ones((8, 9), bool), "no good pixel"),
    ):
        with pytest.raises(FrameError, match=words):
            measure_beam(frame, hot_map=bad)


def test_a_dark_frame_of_another_mode_is_refused():
    """8 bits taken off 12 leave nonsense: said, not done."""
    frame = Frame(np.zeros((8, 9), np.uint16), bit_depth=12)
    for dark in (np.zeros((8, 9), np.uint8), np.zeros((8, 9), np.uint16)):
        with pytest.raises(FrameError, match="same mode"):
            measure_beam(frame, dark=Frame(dark))


@pytest.mark.parametrize("rows", [40, 41])
def test_hot_pixels_of_the_outermost_rows_and_columns_are_found(rng, rows):
    """In any row of a pair and at every side of the frame, as those in its middle."""
    for place in ((0, 0), (0, 49), (rows - 1, 0), (rows - 1, 49), (7, 0), (8, 49), (20, 20)):
        pixels = rng.normal(10, 1, (rows, 50))
        pixels[place] = 90
        hot = find_hot(pixels, 10.0, 1.0)
        assert list(zip(hot.rows, hot.columns, strict=True)) == [place]
