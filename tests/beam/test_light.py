"""Sums by pixels in the beam and by cells in the dark, against those by pixels throughout."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.beam.frame.background import Background
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.lit_cells import Light
from autoalign.beam.frame.moments import central_moments
from autoalign.beam.frame.window import Window, window_sums

PITCH = (0.6, 0.5)
SHAPE = (407, 503)


def beam(lamp, turn=0.0, centre=(250.3, 200.8)):
    """Return a beam of 40 by 30 pixels (1/e² radius) on a slope, without noise."""
    y, x = np.ogrid[: SHAPE[0], : SHAPE[1]]
    return 150 * lamp.gaussian(SHAPE, centre, 40, 30, turn) + 8 + 0.01 * x - 0.02 * y


def slope():
    """Return the background of :func:`beam`."""
    return Background(8.0, (0.01 / PITCH[0], -0.02 / PITCH[1]))


def both(pixels, grid, background, window, following, sigma=0.3):
    """Return the moments over ``following`` by :class:`Light`, and pixel by pixel."""
    light = Light.of(pixels, PITCH, grid, background, window, sigma)
    sums = light.over(following)
    assert sums is not None
    level = background.around(following.x, following.y)
    plain = window_sums(pixels, following, PITCH, level)
    return light, central_moments(sums, light.about), central_moments(plain, following)


@pytest.mark.parametrize("turn", [0.0, 0.5])
@pytest.mark.parametrize("kind", [np.float64, np.uint16])
def test_following_windows_need_no_other_pixels(lamp, turn, kind):
    """Half a percent larger, a pixel aside: the pixels' moments, to a tenth of what noise does."""
    scale = 1 if kind is np.float64 else 100
    pixels = (scale * beam(lamp, turn)).astype(kind)
    ground = slope()
    background = replace(
        ground, level=scale * ground.level - 0.5 * (scale > 1),
        slope=(scale * ground.slope[0], scale * ground.slope[1]),
    )  # fmt: skip
    window = Window(250.3 * 0.6, 200.8 * 0.5, 72.0, 45.0, turn)
    following = Window(window.x + 0.4, window.y - 0.3, 72.3, 45.2, turn)
    grid = BinnedFrame.of(pixels, PITCH)
    light, found, expected = both(pixels, grid, background, window, following, 0.3 * scale)
    assert grid.block > 1
    assert not light.edge_lit
    assert found[:2] == pytest.approx(expected[:2], abs=1e-3)
    assert found[2:4] == pytest.approx(expected[2:4], rel=2.5e-4)


def test_light_at_the_edge_is_summed_pixel_by_pixel(lamp):
    """A window that cuts the beam gives what the pixels give, to rounding."""
    pixels = beam(lamp, 0.5)
    window = Window(250.3 * 0.6, 200.8 * 0.5, 20.0, 12.0, 0.5)
    following = replace(window, half_x=22.0)
    light, found, expected = both(pixels, BinnedFrame.of(pixels, PITCH), slope(), window, following)
    assert light.edge_lit
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_pixels_that_belong_to_no_cell_count(lamp):
    """A beam at the right and lower end of the sensor, where the cells leave some pixels over."""
    centre = (SHAPE[1] - 60.0, SHAPE[0] - 50.0)
    pixels = beam(lamp, 0.0, centre) + 5.0
    grid = BinnedFrame.of(pixels, PITCH)
    assert grid.box[1] < SHAPE[0]
    assert grid.box[3] < SHAPE[1]
    window = Window(centre[0] * PITCH[0], centre[1] * PITCH[1], 72.0, 45.0)
    light = Light.of(pixels, PITCH, grid, slope(), window, 100.0)
    sums = light.over(window)
    plain = window_sums(pixels, window, PITCH, slope().around(window.x, window.y))
    assert sums is not None
    assert sums[0, 0] == pytest.approx(plain[0, 0], rel=1e-4)


def test_a_window_that_leaves_the_cells_is_refused(lamp):
    """Light beyond the cells would be lost: new cells are needed, and taken."""
    pixels = beam(lamp)
    window = Window(250.3 * 0.6, 200.8 * 0.5, 72.0, 45.0)
    small = BinnedFrame.of(pixels, PITCH, (150, 250, 200, 300))
    light = Light.of(pixels, PITCH, small, slope(), window, 0.3)
    assert light.over(window) is not None
    assert light.over(replace(window, half_x=120.0)) is None


def test_dark_rows_between_two_beams_do_not_break_the_sums(lamp):
    """A beam and its ghost well above it: more dark rows between them than are summed at a time."""
    pixels = 150 * lamp.gaussian(SHAPE, (250.3, 80.0), 20, 12, 0.0) + 8.0
    pixels += 100 * lamp.gaussian(SHAPE, (250.3, 330.0), 20, 12, 0.0)
    window = Window(250.3 * 0.6, 200.0 * 0.5, 100.0, 95.0)
    grid = BinnedFrame.of(pixels, PITCH)
    light, found, expected = both(pixels, grid, Background(8.0, (0.0, 0.0)), window, window)
    assert not light.edge_lit
    assert found[:2] == pytest.approx(expected[:2], abs=1e-3)
    assert found[2:4] == pytest.approx(expected[2:4], rel=1e-3)
