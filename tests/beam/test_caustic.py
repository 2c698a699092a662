"""Caustic, M², focus divergence and stability against closed forms and propagated noise."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from autoalign.beam.profile import BeamProfile
from autoalign.beam.standards.caustic import (
    caustics,
    fit_caustic,
    focus_divergence,
    general_astigmatism,
    pointing_stability,
)
from autoalign.core.errors import UsageError

WAVELENGTH = 660e-6
WAIST, M2, PLACE = 0.5, 1.3, 120.0
RAYLEIGH = math.pi * WAIST**2 / (4 * M2 * WAVELENGTH)
PLANES = PLACE + RAYLEIGH * np.array([-3, -2.5, -2.1, -0.8, -0.3, 0.0, 0.4, 0.9, 2.2, 2.7, 3.1])


def widths(z, waist=WAIST, m2=M2, place=PLACE):
    """Return d(z) of a beam, mm."""
    rayleigh = math.pi * waist**2 / (4 * m2 * WAVELENGTH)
    return waist * np.sqrt(1 + ((z - place) / rayleigh) ** 2)


def profile(dx, dy, turn, u=1e-4):
    """Return a profile of widths ``dx`` and ``dy`` (mm) turned by ``turn``."""
    c, s = math.cos(turn), math.sin(turn)
    axes = np.array([[c, -s], [s, c]])
    m = axes @ np.diag([(dx / 4) ** 2, (dy / 4) ** 2]) @ axes.T
    second = np.array([m[0, 0], m[1, 1], m[0, 1]])
    covariance = np.diag(
        [1e-8, 1e-8, *(2 * u * (second[:2].sum() / 2)) ** 2 * np.ones(3)] + 4 * [0]
    )
    moments = np.array([0.0, 0.0, *second, 0.0, 0.0, 0.0, 0.0])
    return BeamProfile(moments, covariance, 1.0, 0.0, 0.0, 0.0, 1.0)


def test_a_caustic_without_noise_is_recovered():
    """All five results come back; eleven well-placed planes raise no complaint."""
    fit = fit_caustic(PLANES, widths(PLANES), np.full(11, 1e-3), WAVELENGTH)
    assert fit["waist_position"] == pytest.approx(PLACE, rel=1e-9)
    assert fit["waist"] == pytest.approx(WAIST, rel=1e-9)
    assert fit["m2"] == pytest.approx(M2, rel=1e-9)
    assert fit["rayleigh_length"] == pytest.approx(RAYLEIGH, rel=1e-9)
    # Θ = 4 M² λ / (π d0): ISO 11146-1, from memory.
    assert fit["divergence"] == pytest.approx(4 * M2 * WAVELENGTH / (math.pi * WAIST), rel=1e-9)
    assert fit.complaints == ()


def test_single_mode_collimation():
    """A collimated single-mode beam of 1.92 mm diverges by 0.22 mrad half angle at 660 nm.

    D = 2 f NA at f 12 mm, NA 0.08, and half-angle 2 λ/(π D): B. E. A. Saleh and M. C. Teich,
    Fundamentals of Photonics, 2nd ed., section 3.1, from memory.
    """
    diameter = 2 * 12 * 0.08
    z = np.linspace(-12000, 12000, 13)
    fit = fit_caustic(z, widths(z, diameter, 1.0, 0.0), np.full(13, 1e-3), WAVELENGTH)
    assert fit["divergence"] / 2 * 1e3 == pytest.approx(0.22, abs=0.005)


def test_covariance_is_that_of_repeated_fits(rng):
    """Stated uncertainties of all five results are the scatter over 600 noisy caustics."""
    d, u = widths(PLANES), np.full(11, 2e-3)
    fits = [fit_caustic(PLANES, d + u * rng.normal(size=11), u, WAVELENGTH) for _ in range(600)]
    scatter = np.std([f.values for f in fits], axis=0)
    # A fit is widened where its own χ² exceeds 1, never narrowed: the mean variance is larger.
    stated = np.sqrt(np.median([np.diag(f.covariance) for f in fits], axis=0))
    assert stated == pytest.approx(scatter, rel=0.15)


def test_complaints_about_the_planes():
    """Too few planes, and none far away, are complained of."""
    z = PLACE + RAYLEIGH * np.linspace(-0.9, 0.9, 6)
    fit = fit_caustic(z, widths(z), np.full(6, 1e-4), WAVELENGTH)
    assert len(fit.complaints) == 2
    assert "6 planes" in fit.complaints[0]
    assert "0 of 6 planes beyond two Rayleigh lengths" in fit.complaints[1]


def test_impossible_widths_are_refused():
    """Widths that grow with a bend the wrong way have no waist."""
    z = np.linspace(0, 9, 10)
    with pytest.raises(UsageError, match="no waist"):
        fit_caustic(z, np.sqrt(1 + z), np.full(10, 1e-3), WAVELENGTH)
    with pytest.raises(UsageError, match="3 planes"):
        fit_caustic(z[:3], z[:3] + 1, np.full(3, 1e-3), WAVELENGTH)


def test_simple_astigmatism_gives_both_directions():
    """A turned beam with two waists at different places: both caustics along its own axes."""
    z = np.linspace(-2200, 2500, 15)
    profiles = [
        profile(widths(d), widths(d, 0.6, 1.5, 300.0), 0.3) for d in z
    ]  # fmt: skip
    first, second, azimuth = caustics(profiles, list(z), WAVELENGTH)
    assert azimuth == pytest.approx(0.3, abs=1e-6)
    assert first["m2"] == pytest.approx(M2, rel=1e-6)
    assert second["m2"] == pytest.approx(1.5, rel=1e-6)
    assert second["waist_position"] == pytest.approx(300.0, rel=1e-6)


def test_general_astigmatism_is_refused():
    """Axes that turn along the beam are named instead of an M²."""
    z = np.linspace(-2000, 2000, 12)
    profiles = [profile(2 * widths(d), widths(d), 0.3 * d / 2000) for d in z]
    assert general_astigmatism(profiles)
    assert not general_astigmatism([replace(p) for p in profiles[:1]])
    with pytest.raises(UsageError, match="general astigmatism"):
        caustics(profiles, list(z), WAVELENGTH)


def test_focus_divergence():
    """Θ = d/f in the focus of a lens, with the uncertainty of f."""
    angles, u = focus_divergence(profile(0.05, 0.1, 0.0), 200.0, 2.0)
    assert angles == pytest.approx((0.05 / 200, 0.1 / 200))
    assert u[0] == pytest.approx(np.hypot(0.01 * angles[0], 0.1e-4 / 200), rel=0.2)
    with pytest.raises(UsageError, match="focal length"):
        focus_divergence(profile(0.05, 0.1, 0.0), 0.0)


def test_pointing_stability(rng):
    """Scatter of 3 and 1 along axes turned by 0.5: raw s, 4 s, 2√2 s."""
    c, s = math.cos(0.5), math.sin(0.5)
    points = rng.normal(size=(4000, 2)) * [3, 1] @ np.array([[c, s], [-s, c]])
    found = pointing_stability(points)
    assert (found.s_major, found.s_minor) == pytest.approx((3, 1), rel=0.04)
    assert found.azimuth == pytest.approx(0.5, abs=0.02)
    assert found.positional == (4 * found.s_major, 4 * found.s_minor)
    assert found.overall == pytest.approx(2 * math.sqrt(2 * 10), rel=0.04)
    with pytest.raises(UsageError, match="needed"):
        pointing_stability(points[:2])


def hermite(order, x, w):
    """Return the intensity of a Hermite–Gauss mode of waist radius ``w`` at ``x``."""
    basis = np.polynomial.hermite.Hermite.basis(order)
    return (basis(math.sqrt(2) * x / w) * np.exp(-((x / w) ** 2))) ** 2


@pytest.mark.parametrize("order", [0, 1, 2, 3])
def test_hermite_gauss_modes(lamp, order):
    """M² of HG_m0 is 2m + 1, measured on frames along its caustic.

    W. H. Carter, Appl. Opt. 19, 1027 (1980), from memory.
    """
    from autoalign import Frame, measure_beam  # noqa: PLC0415

    z = np.array([-3, -2.5, -2.2, -0.9, -0.5, 0.0, 0.5, 0.9, 2.2, 2.5, 3.0])
    wavelength, waist, pitch = 1e-3, 0.25, 0.02
    rayleigh = math.pi * waist**2 / wavelength
    profiles = []
    for t in z:
        w = waist * math.sqrt(1 + t * t) / pitch
        light = lamp.integrated(
            lambda x, y, w=w: hermite(order, x, w) * np.exp(-2 * (y / w) ** 2),
            (280, 480), (240.3, 140.2), np.polynomial.legendre.leggauss(2),
        )  # fmt: skip
        profiles.append(measure_beam(Frame(200 * light / light.max(), pitch=pitch)))
    along, across, _ = caustics(profiles, list(rayleigh * z), wavelength)
    expected = (2 * order + 1, 1.0)
    assert (along["m2"], across["m2"]) == pytest.approx(expected, rel=0.01)
