"""The window's weights: area, smoothness, and sums against the plain definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autoalign.beam.frame.moments import window_for
from autoalign.beam.frame.window import Window, coverage, window_sums

angles = st.floats(-0.8, 0.8)


def plain(pixels, window, pitch, background):
    """Return the sums by their definition on the whole frame."""
    x = (np.arange(pixels.shape[1]) * pitch[0])[None, :]
    y = (np.arange(pixels.shape[0]) * pitch[1])[:, None]
    u, v = (x - window.x) / window.scale, (y - window.y) / window.scale
    level, sx, sy = background
    light = pixels - level - sx * (x - window.x) - sy * (y - window.y)
    light = light * coverage(window, x, y, pitch)
    return np.array([[np.sum(light * u**p * v**q) for q in range(4)] for p in range(4)])


@settings(max_examples=40, deadline=None)
@given(azimuth=angles, x=st.floats(-5, 45), y=st.floats(-5, 35), slope=st.floats(-0.5, 0.5))
def test_sums_are_those_of_the_definition(azimuth, x, y, slope):
    """Row by row, cut and chunked, gives what the dense formula gives, also beside the frame."""
    rng = np.random.default_rng(1)
    pixels = rng.normal(10, 3, (60, 70))
    window = Window(x, y, 14.0, 9.0, azimuth)
    pitch, background = (0.6, 0.5), (3.0, slope, -slope)
    expected = plain(pixels, window, pitch, background)
    assert np.allclose(window_sums(pixels, window, pitch, background), expected, atol=1e-8)


@settings(max_examples=60, deadline=None)
@given(azimuth=angles, x=st.floats(25, 35), y=st.floats(25, 35))
def test_coverage_adds_up_to_the_area(azimuth, x, y):
    """The covered parts of all cells add up to the rectangle's area, however it lies."""
    window = Window(x, y, 12.3, 7.7, azimuth)
    grid = np.arange(60.0)
    area = coverage(window, grid[None, :], grid[:, None], (1.0, 1.0)).sum()
    assert area == pytest.approx(4 * 12.3 * 7.7, abs=0.3)


def test_a_turn_by_nothing_is_no_turn():
    """A window turned by a hair gives the sums of the upright one: no jump between the two ways."""
    pixels = np.random.default_rng(2).normal(10, 3, (60, 70))
    upright = window_sums(pixels, Window(33, 28, 14.2, 9.3, 0.0), (1, 1), (2.0, 0, 0))
    turned = window_sums(pixels, Window(33, 28, 14.2, 9.3, 1e-9), (1, 1), (2.0, 0, 0))
    assert np.allclose(upright, turned, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize(("ratio", "turned"), [(0.86, True), (0.88, False)])
def test_the_window_follows_the_axes_of_beams_that_are_not_circular(ratio, turned):
    """Below an ellipticity of 0.87 the sides lie along the principal axes (ISO 11146-1, memory)."""
    c, s = np.cos(0.3), np.sin(0.3)
    long, short = 4.0, 4.0 * ratio**2
    xx, yy, xy = c * c * long + s * s * short, s * s * long + c * c * short, c * s * (long - short)
    window = window_for(np.array([7.0, 8.0, xx, yy, xy, 0, 0, 0, 0]), (0.1, 0.1))
    assert window.azimuth == pytest.approx(0.3 if turned else 0.0)
    half = (12.0, 12.0 * ratio) if turned else (6 * np.sqrt(xx), 6 * np.sqrt(yy))
    assert (window.half_x, window.half_y) == pytest.approx(half)
