"""Profiles: the ISO 11146-1 conventions and the rotation of moments."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from autoalign.beam.profile import BeamProfile


def profile(
    points: np.ndarray, view: tuple[tuple[float, float], ...] = ((1, 0), (0, 1))
) -> BeamProfile:
    """The profile of a cloud of points."""
    mean = points.mean(axis=1)
    x, y = points - mean[:, None]
    central = [x * x, y * y, x * y, x**3, x * x * y, x * y * y, y**3]
    moments = np.array([*mean, *(c.mean() for c in central)])
    return BeamProfile(moments, np.eye(9) * 1e-6, 1.0, 0.0, 0.0, 0.0, 1.0, view=view)  # type: ignore[arg-type]


@given(st.floats(0, 2 * math.pi), st.integers(0, 1000))
def test_moments_turn_like_the_points(phi: float, seed: int) -> None:
    """Moments of turned points are the turned moments, up to third order."""
    points = np.random.default_rng(seed).gamma(2.0, size=(2, 40))
    c, s = math.cos(phi), math.sin(phi)
    view = ((c, -s), (s, c))
    turned = profile(np.array(view) @ points)
    np.testing.assert_allclose(
        profile(points, view).in_plane_axes().moments, turned.moments, atol=1e-9
    )


@pytest.mark.parametrize("degrees", [-44, -20, 0, 10, 44])
def test_azimuth_is_that_of_the_axis_closer_to_x(degrees: float) -> None:
    """ISO 11146-1 (from memory): the azimuth lies within ±45° of the laboratory x."""
    phi = math.radians(degrees)
    r = np.array([[math.cos(phi), -math.sin(phi)], [math.sin(phi), math.cos(phi)]])
    for wide in (np.diag([3.0, 1.0]), np.diag([1.0, 3.0])):
        points = r @ wide @ np.array([[1, -1, 0, 0], [0, 0, 1, -1.0]])
        seen = profile(points)
        assert seen.azimuth == pytest.approx(phi, abs=1e-12)
        assert seen.ellipticity == pytest.approx(1 / 3)
        assert seen.widths[0] == pytest.approx(4 * wide[0, 0] / math.sqrt(2))


def test_equal_variances_lie_at_45_degrees() -> None:
    """ISO 11146-1 (from memory): φ = sgn⟨xy⟩ · 45° where both variances are equal."""
    seen = profile(np.array([[1.0, -1.0], [1.0, -1.0]]))
    assert seen.azimuth == pytest.approx(math.pi / 4)
    assert seen.width_minor == pytest.approx(0.0, abs=1e-7)


def test_width_uncertainty_of_an_upright_beam_follows_from_its_derivative() -> None:
    """For d = 4√v: u(d) = 2 u(v)/√v (JCGM 100, 5.1.2, from memory)."""
    seen = profile(np.array([[3.0, -3, 0, 0], [0, 0, 1, -1.0]]))
    assert seen.u_width_major == pytest.approx(2 * 1e-3 / math.sqrt(4.5), rel=1e-4)
