"""Edge ellipse of flat-topped beams, and ISO 13694 values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.edge import edge_ellipse, irradiance_distribution
from autoalign.beam.outline import outline_flags
from autoalign.beam.polar import RAYS, REACH, STEPS, Polar
from autoalign.beam.profile import Use
from autoalign.errors import UsageError


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
    polar = Polar(light, np.arange(RAYS) * 0.1, t, wide, 0.0, light[0], 0.0)
    assert outline_flags(polar, 1.0) == []


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
