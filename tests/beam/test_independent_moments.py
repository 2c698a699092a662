"""Moments against three general-purpose libraries on the same pixels."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.frame.moments import central_moments
from autoalign.beam.frame.window import Window, window_sums


@pytest.fixture
def pixels(rng):
    """Return 8-bit pixels of an uneven blob over noise."""
    x, y = np.meshgrid(np.arange(160.0), np.arange(120.0))
    light = 150 * np.exp(-(((x - 70) / 20) ** 2) - ((y - 55 - 0.2 * x) / 15) ** 2)
    return np.rint(light + 30 * (x > 80) * np.exp(-(((y - 60) / 20) ** 2)) + rng.normal(
        10, 1.5, x.shape
    )).clip(0, 255).astype(np.uint8)  # fmt: skip


@pytest.fixture
def ours(pixels):
    """Return our moments over the whole frame, nothing taken off."""
    window = Window(79.5, 59.5, 80.0, 60.0)
    sums = window_sums(pixels, window, (1.0, 1.0), (0.0, 0.0, 0.0))
    return sums[0, 0], central_moments(sums, window)


def test_opencv(pixels, ours):
    """All ten moments up to the third order are OpenCV's to rounding."""
    cv2 = pytest.importorskip("cv2")
    m = cv2.moments(pixels)
    power, moments = ours
    assert power == pytest.approx(m["m00"], rel=1e-13)
    assert moments[:2] == pytest.approx([m["m10"] / m["m00"], m["m01"] / m["m00"]], rel=1e-12)
    names = ("mu20", "mu02", "mu11", "mu30", "mu21", "mu12", "mu03")
    assert moments[2:] == pytest.approx([m[n] / m["m00"] for n in names], rel=1e-10)


def test_scikit_image(pixels, ours):
    """All ten moments up to the third order are scikit-image's to rounding."""
    measure = pytest.importorskip("skimage.measure")
    power, moments = ours
    mu = measure.moments_central(pixels.astype(float), order=3)
    order = ((0, 2), (2, 0), (1, 1), (0, 3), (1, 2), (2, 1), (3, 0))  # (row, column) powers
    assert power == pytest.approx(mu[0, 0], rel=1e-13)
    assert moments[2:] == pytest.approx([mu[k] / mu[0, 0] for k in order], rel=1e-10)


def test_photutils(pixels, ours):
    """Centroid and covariance are photutils' to rounding."""
    morphology = pytest.importorskip("photutils.morphology")
    _, moments = ours
    source = morphology.data_properties(pixels.astype(float))
    assert moments[:2] == pytest.approx(np.ravel(source.centroid), rel=1e-12)
    covariance = np.asarray(source.covariance)
    found = [covariance[0, 0], covariance[1, 1], covariance[0, 1]]
    assert moments[2:5] == pytest.approx(found, rel=1e-10)


def test_the_whole_measurement_on_a_disk(lamp):
    """With nothing but a disk in the frame, the measured widths are those of scikit-image."""
    measure = pytest.importorskip("skimage.measure")
    pixels = 100 * lamp.sampled(lamp.ellipse(30, 22, 0.3), (150, 160), (80.3, 74.6), 8)
    p = measure_beam(Frame(pixels))
    mu = measure.moments_central(pixels, order=2)
    second = np.array([mu[0, 2], mu[2, 0], mu[1, 1]]) / mu[0, 0]
    # Ours has the pixel's own variance 1/12 taken off.
    assert p.moments[2:5] == pytest.approx(second - np.array([1, 1, 0]) / 12, rel=1e-6)
