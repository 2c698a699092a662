"""Edge ellipse of flat-topped beams, and ISO 13694 values."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.checks.clipping import spot_at_edge
from autoalign.beam.checks.context import RAYS, REACH, STEPS, Polar, resolved
from autoalign.beam.checks.thresholds import THRESHOLDS
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.profile import Use
from autoalign.beam.standards.flat_top import edge_ellipse, irradiance_distribution
from autoalign.core.errors import UsageError


@pytest.mark.parametrize("turn", [0.0, 0.4, 1.2])
def test_edge_of_an_ellipse(lamp, turn):
    """Centre to 0.02 px, diameters to 0.1 px of 88 × 64, azimuth to 0.2°."""
    pixels = 150 * lamp.sampled(lamp.ellipse(44, 32, turn), (160, 170), (83.4, 78.7), 12)
    frame = Frame(pixels)
    edge = edge_ellipse(frame, measure_beam(frame))
    assert edge.centre == pytest.approx((83.4, 78.7), abs=0.02)
    assert edge.diameters == pytest.approx((88, 64), abs=0.1)
    assert math.degrees(edge.azimuth - turn) == pytest.approx(0, abs=0.2)
    assert edge.residual < 0.1


def test_edge_with_uneven_light_and_a_nick(lamp, rng):
    """The edge's centre stays although the centroid moves, and a nick does not pull it."""
    disk = lamp.ellipse(40, 40)

    def light(x, y):
        bite = np.hypot(x - 40, y) > 8
        return disk(x, y) * (1 + 0.3 * x / 40) * bite

    pixels = lamp.camera(lamp.sampled(light, (140, 150), (74.3, 69.8), 8), rng, peak=120)
    frame = Frame(pixels, pitch=0.1)
    p = measure_beam(frame)
    edge = edge_ellipse(frame, p)
    assert abs(p.centroid[0] - 7.43) > 0.1
    assert edge.centre == pytest.approx((7.43, 6.98), abs=0.03)
    assert edge.diameters == pytest.approx((8.0, 8.0), abs=0.06)
    assert edge.rays < 180


def test_edge_needs_an_edge(lamp):
    """Half a beam has no ellipse, and a dark frame neither."""
    pixels = 150 * lamp.sampled(lamp.ellipse(40, 40), (160, 170), (-10.0, -10.0), 4)
    with pytest.raises(UsageError, match="rays from the centroid"):
        edge_ellipse(Frame(pixels), measure_beam(Frame(pixels)))
    dark = Frame(np.zeros((30, 30), np.uint8))
    with pytest.raises(UsageError, match="no beam"):
        edge_ellipse(dark, measure_beam(dark))


@pytest.mark.parametrize("level", [0.3, 0.5, 0.8])
def test_gaussian_distribution(lamp, level):
    """F = (1 − η)/L, U = √((1 + η)L/(2(1 − η)) − 1), L = ln 1/η (ISO 13694, from memory)."""
    frame = Frame(200 * lamp.gaussian((500, 500), (250.2, 249.6), 90, 90))
    found = irradiance_distribution(frame, measure_beam(frame), level)
    log = math.log(1 / level)
    assert found.flatness == pytest.approx((1 - level) / log, rel=2e-3)
    uniformity = math.sqrt((1 + level) * log / (2 * (1 - level)) - 1)
    assert found.uniformity == pytest.approx(uniformity, rel=2e-3)
    assert found.edge_steepness == pytest.approx(0.954243, abs=2e-3)
    assert found.area == pytest.approx(math.pi * 90**2 / 2 * log, rel=2e-3)


def test_top_hat_distribution(lamp):
    """A top-hat: flatness 1, uniformity 0, edge steepness that of one pixel's blur."""
    frame = Frame(200 * lamp.sampled(lamp.ellipse(60, 60), (200, 200), (99.6, 100.3), 8))
    found = irradiance_distribution(frame, measure_beam(frame))
    assert found.flatness > 0.99
    assert found.uniformity < 0.05
    assert found.edge_steepness < 0.04
    with pytest.raises(UsageError, match="clip level"):
        irradiance_distribution(frame, measure_beam(frame), 1.0)


def test_rays_without_light_have_no_outline():
    """A bright speck whose rays are dark in the median: no ring, edge or nick, and no error."""
    light = np.zeros((RAYS, STEPS))
    t = (np.arange(STEPS) + 0.5) * (REACH / STEPS)
    wide = np.full(RAYS, 100.0)
    polar = Polar(light, np.arange(RAYS) * 0.1, t, wide, 0.0, light[0], 0.0, light == 0)
    assert not resolved(polar, 1.0, THRESHOLDS)


@pytest.mark.parametrize("slope", [0.0, 4.0, 8.0])
def test_a_sliver_of_a_beam_in_a_corner_says_which_way_and_no_more(rng, slope):
    """Four columns of a beam, with the background rising towards them: no width, no position."""
    y, x = np.mgrid[:512, :512]
    light = 2900 * np.exp(-((x - 525.0) ** 2 + (y + 8.0) ** 2) / (2 * 7.0**2))
    pixels = np.rint(50 + slope * x / 511 + light + rng.normal(0, 3.5, x.shape)).astype(np.uint16)
    profile = measure_beam(Frame(pixels, pitch=0.164))
    assert profile.use is Use.DIRECTION
    assert "clipped by the sensor" in profile.flags
    assert profile.centroid[0] > 0.8 * 512 * 0.164
    assert profile.centroid[1] < 0.5 * 512 * 0.164


@pytest.mark.parametrize(
    ("part", "use"),
    [(0.002, Use.ALL), (0.012, Use.ALL), (0.035, Use.ALL), (0.1, Use.ALL),
     (0.4, Use.DIRECTION)],
)  # fmt: skip
def test_how_much_light_at_the_edge_leaves_what_of_a_beam(lamp, rng, part, use):
    """Up to 20 % of the peak all moments, as uncertain as they are, then only the side."""
    away = 40 * math.sqrt(math.log(1 / part) / 2)
    light = lamp.gaussian((400, 400), (399.5 - away, 200), 40, 40)
    profile = measure_beam(Frame(lamp.camera(light, rng, 3000, 0.1, 3.0, 50.0, 12)))
    assert profile.use is use
    assert ("clipped by the sensor" in profile.flags) is (part > 0.005)
    if use is Use.ALL:
        gap = profile.moments[:4] - [399.5 - away, 200, 400, 400]
        assert np.all(np.abs(gap) < 4 * np.sqrt(np.diag(profile.covariance)[:4]))


def test_noise_at_the_edge_is_no_light_there(rng):
    """A frame in which no width settles is not called cut off because its noisiest cell is."""
    grid = BinnedFrame.of(rng.normal(100.0, 5.0, (300, 300)), (1.0, 1.0))
    rows, columns = grid.mean.shape
    for row, column in ((0, columns // 2), (rows // 2, columns - 1), (rows - 1, 0)):
        for cells, found in ((6.0, False), (14.0, True)):
            mean = grid.mean.copy()
            mean[row, column] = 100 + cells * 5.0 / grid.block
            assert (spot_at_edge(replace(grid, mean=mean), 5.0) is not None) is found
    mean = grid.mean.copy()
    mean[rows // 2, columns // 2] = 200
    assert spot_at_edge(replace(grid, mean=mean), 5.0) is None
