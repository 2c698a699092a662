"""Widths, centroid and azimuth of synthetic beams against their closed forms.

d_σ: Gaussian 2w; disk 2a; annulus 2a √(1 + ε²); ellipse 2a × 2b; square 2L/√3; super-Gaussian
2w √(2Γ(2/n)/Γ(1/n)) 2^(−1/2n) from d_σ = 4σ (ISO 11146-1, from
memory); the integrals are worked out here.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import gamma

from autoalign import Frame, measure_beam
from autoalign.beam.frame.moments import central_moments
from autoalign.beam.frame.window import Window, window_sums

SHAPE = (300, 400)
CENTRE = (203.31, 151.72)
ORIENTATIONS = np.radians(-45 + 7.5 + 7.5 * np.arange(12))


def check(pixels, centre, major, minor, azimuth=None, scale=200.0):
    """Check widths to 0.1 %, centroid to 0.01 px, azimuth to 0.1°."""
    p = measure_beam(Frame(pixels * scale))
    assert p.width_major == pytest.approx(major, rel=1e-3)
    assert p.width_minor == pytest.approx(minor, rel=1e-3)
    assert np.hypot(*np.subtract(p.centroid, centre)) < 0.01
    if azimuth is not None:
        turn = (math.degrees(p.azimuth - azimuth) + 45) % 90 - 45
        assert abs(turn) < 0.1
    return p


@pytest.mark.parametrize("w", [4.0, 12.0, 50.0])
def test_gaussian(lamp, w):
    """A Gaussian of 8 to 100 pixels measures 2w; the 3 d window takes 7.5e-8 off its variance."""
    p = check(lamp.gaussian(SHAPE, CENTRE, w, w), CENTRE, 2 * w, 2 * w)
    # 3-width window: 7.5e-8 of the variance lost (derived here from the normal distribution).
    assert p.width_major / (2 * w) - 1 == pytest.approx(-3.75e-8, abs=6e-8)


@pytest.mark.slow
def test_gaussian_of_2000_pixels(lamp):
    """A beam 2000 × 1400 pixels wide on 6 Mpx is measured like a small one."""
    shape, centre = (1200, 1700), (850.3, 600.7)
    check(lamp.gaussian(shape, centre, 250, 175), centre, 500, 350)
    shape, centre = (4600, 6200), (3100.3, 2300.7)
    check(lamp.gaussian(shape, centre, 1000, 700).astype(np.float32), centre, 2000, 1400)


@pytest.mark.parametrize("turn", ORIENTATIONS)
def test_turned_gaussian(lamp, turn):
    """Twelve orientations of an elliptical Gaussian."""
    pixels = lamp.gaussian((170, 180), (92.3, 83.7), 22, 14, turn)
    check(pixels, (92.3, 83.7), 44, 28, turn)


@pytest.mark.parametrize("turn", ORIENTATIONS)
def test_turned_ellipse(lamp, turn):
    """Twelve orientations of a uniform ellipse."""
    pixels = lamp.sampled(lamp.ellipse(40, 26, turn), (170, 180), (92.3, 83.7), 12)
    check(pixels, (92.3, 83.7), 80, 52, turn)


@pytest.mark.parametrize("radius", [4.0, 20.0, 90.0, 135.0])
def test_disk(lamp, radius):
    """A top-hat from 8 pixels to nine tenths of the frame's height."""
    shape, centre, count = (SHAPE, CENTRE, 10) if radius > 10 else ((60, 70), (33.3, 31.7), 64)
    pixels = lamp.sampled(lamp.ellipse(radius, radius), shape, centre, count)
    check(pixels, centre, 2 * radius, 2 * radius)


@pytest.mark.parametrize("ratio", [0.3, 0.6, 0.9])
def test_annulus(lamp, ratio):
    """A ring of light, thick and thin."""
    outer, inner = lamp.ellipse(60, 60), lamp.ellipse(60 * ratio, 60 * ratio)
    pixels = lamp.sampled(lambda x, y: outer(x, y) - inner(x, y), SHAPE, CENTRE, 10)
    width = 120 * math.sqrt(1 + ratio**2)
    check(pixels, CENTRE, width, width)


def test_square(lamp):
    """A square of side L measures 2L/√3."""

    def light(x, y):
        return ((np.abs(x) <= 40) & (np.abs(y) <= 40)).astype(float)

    pixels = lamp.sampled(light, SHAPE, CENTRE, 50)
    check(pixels, CENTRE, 160 / math.sqrt(3), 160 / math.sqrt(3))


@pytest.mark.parametrize("n", [2, 3, 5])
def test_super_gaussian(lamp, n):
    """exp(−2 (r/w)^2n) by its gamma functions."""
    pixels = lamp.sampled(
        lambda x, y: np.exp(-2 * ((x * x + y * y) / 50**2) ** n), SHAPE, CENTRE, 4
    )
    width = 100 * math.sqrt(2 * gamma(2 / n) / gamma(1 / n)) * 2 ** (-1 / (2 * n))
    check(pixels, CENTRE, width, width)


def test_off_centre_to_the_edge(lamp):
    """A beam whose window just fits into the corner of a large frame."""
    pixels = lamp.gaussian((900, 1100), (31.4, 862.2), 10, 10)
    check(pixels, (31.4, 862.2), 20, 20)


def test_pitch_origin_and_integers(lamp):
    """Anisotropic pitch, an origin and 16-bit pixels: lengths come out in mm from the origin."""
    light = lamp.gaussian(SHAPE, CENTRE, 30, 20)
    pixels = np.rint(60000 * light).astype(np.uint16)
    p = measure_beam(Frame(pixels, pitch=(0.01, 0.02), origin=(200.0, 150.0)))
    assert p.widths == pytest.approx((0.6, 0.8), rel=1e-3)
    assert p.centroid == pytest.approx((0.0331, 0.0344), abs=1e-4)


def test_third_moments(lamp):
    """The skewness of an exponential decay along x is 2 (any text on statistics)."""

    def light(x, y):
        return np.where(x > -12, np.exp(-(x + 12) / 12), 0) * np.exp(-2 * y**2 / 15**2)

    pixels = lamp.sampled(light, (200, 400), (100.0, 100.0), 8)
    p = measure_beam(Frame(1000 * pixels))
    # The 3 d window ends 6 σ behind the centroid: the tail beyond takes a few per cent.
    tail = np.arange(0, 7.0, 1e-4) - 1
    weight = np.exp(-(tail + 1))
    mean = np.average(tail, weights=weight)
    second = np.average((tail - mean) ** 2, weights=weight)
    expected = np.average((tail - mean) ** 3, weights=weight) / second**1.5
    assert p.skewness[0] == pytest.approx(expected, rel=0.03)
    assert abs(p.skewness[1]) < 1e-3


def test_an_offset_inflates_as_known(lamp):
    """A constant offset inflates d by known amounts; measuring takes it off."""
    pixels = lamp.gaussian((400, 400), (200.2, 199.7), 40, 40)
    window = Window(200.2, 199.7, 120.0, 120.0)
    for offset, inflation in ((1e-4, 0.0125), (1e-3, 0.116), (1e-2, 0.75)):
        sums = window_sums(pixels + offset * pixels.max(), window, (1.0, 1.0), (0.0, 0.0, 0.0))
        second = central_moments(sums, window)[2]
        # Worked out for a fixed 3-width window: 1.25, 11.6 and 75 %.
        assert 4 * np.sqrt(second) / 80 - 1 == pytest.approx(inflation, rel=0.01)
    with_offset, without = measure_beam(Frame(pixels + 0.1)), measure_beam(Frame(pixels))
    assert with_offset.width_x == pytest.approx(without.width_x, rel=1e-6)
