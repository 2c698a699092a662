"""Geometry of the section against the relations of conic sections."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign.core.errors import UsageError
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout

ANGLES = (1.0, 5.0, 15.0, 30.0, 35.0, 45.0, 60.0, 90.0, 120.0, 170.0)


@pytest.mark.parametrize("alpha", ANGLES)
def test_focal_lengths_distance_sag_and_slope(alpha: float) -> None:
    """The ways to write ρ, h, f, sag and slope agree.

    The parabola is r = 2f/(1 + cos α) about its focus and z = h²/4f about its vertex: D. J.
    Schroeder, Astronomical Optics, 2nd ed., chapter 3 (conic sections), from memory.
    """
    optic = OffAxisParaboloid(100, alpha)
    f, h, b = optic.parent_focal_length, optic.off_axis_distance, math.radians(alpha) / 2
    near = pytest.approx
    assert 2 * f / (1 + math.cos(2 * b)) == near(100, rel=1e-12)
    assert f / math.cos(b) ** 2 == near(100, rel=1e-12)
    assert f + h * h / (4 * f) == near(100, rel=1e-12)
    assert 2 * f * math.tan(b) == near(h, rel=1e-12)
    assert optic.sag == near(h * h / (4 * f), rel=1e-9)
    assert optic.slope == near(h / (2 * f), rel=1e-12)


@pytest.mark.parametrize("alpha", ANGLES)
def test_a_parent_and_a_distance_name_the_section(alpha: float) -> None:
    """From f and h alone come back the angle and the reflected focal length."""
    optic = OffAxisParaboloid(100, alpha, 5.0)
    again = OffAxisParaboloid.from_parent(
        optic.parent_focal_length, optic.off_axis_distance, optic.clear_aperture
    )
    assert again.off_axis_angle_deg == pytest.approx(alpha, rel=1e-12)
    assert again.reflected_focal_length == pytest.approx(100, rel=1e-12)
    assert again.clear_aperture == 5.0


@pytest.mark.parametrize("alpha", ANGLES)
def test_local_radii_are_the_curvatures_of_the_surface(alpha: float) -> None:
    """R_t and R_s follow from the second derivatives of the parent at the mirror's centre.

    And R_t cos b/2 = R_s/(2 cos b) = ρ: no astigmatism (G. R. Lemaître, Astronomical Optics and
    Elasticity Theory, eqs. 7.31–7.33, read in excerpt).
    """
    optic = OffAxisParaboloid(100, alpha)
    f, slope, b = optic.parent_focal_length, optic.slope, optic.incidence
    # Meridian curvature of z = r²/4f, and the distance along the normal to the axis.
    assert optic.radius_tangential == pytest.approx((1 + slope**2) ** 1.5 * 2 * f, rel=1e-12)
    assert optic.radius_sagittal == pytest.approx(2 * f * math.hypot(1, slope), rel=1e-12)
    assert optic.radius_tangential * math.cos(b) / 2 == pytest.approx(100, rel=1e-12)
    assert optic.radius_sagittal / (2 * math.cos(b)) == pytest.approx(100, rel=1e-12)


@pytest.mark.parametrize("alpha", ANGLES[:-1])
def test_mirror_centred_closed_form_lies_on_the_parent(alpha: float) -> None:
    """4f z/c = (c x − s z)² + y² about the centre is the parent, to 2e-11 mm.

    Published equivalents: K. A. Goldberg, J. Synchrotron Rad. 29(4), 2022; M. Sanchez del Rio and
    K. Goldberg, arXiv:2406.04079.
    """
    optic = OffAxisParaboloid(100, alpha)
    f, h = optic.parent_focal_length, optic.off_axis_distance
    c, s = math.cos(optic.incidence), math.sin(optic.incidence)
    x, y = np.meshgrid(np.linspace(-10, 10, 21), np.linspace(-10, 10, 21))
    # c² x² + y² = z (4f/c + 2 c s x) − s² z², the root at the vertex
    linear = 4 * f / c + 2 * c * s * x
    square = c * c * x * x + y * y
    z = 2 * square / (linear + np.sqrt(linear**2 - 4 * s * s * square))
    # tangent (c, 0, s) and normal (−s, 0, c) in the parent's frame
    px, pz = h + c * x - s * z, optic.sag + s * x + c * z
    assert np.max(np.abs(pz - (px**2 + y**2) / (4 * f))) < 2e-11


# f = ρ(1 + cos α)/2 and h = ρ sin α worked out by hand: derived here from the same parabola.
@pytest.mark.parametrize(
    ("alpha", "f", "h"),
    [
        (15, 98.296291, 25.881905),
        (30, 93.301270, 50),
        (45, 85.355339, 70.710678),
        (60, 75, 86.602540),
        (90, 50, 100),
        (120, 25, 86.602540),
    ],
)
def test_table_of_sections(alpha: float, f: float, h: float) -> None:
    """Parent focal length and off-axis distance for ρ = 100 mm."""
    optic = OffAxisParaboloid(100, alpha)
    assert optic.parent_focal_length == pytest.approx(f, abs=5e-7)
    assert optic.off_axis_distance == pytest.approx(h, abs=5e-7)


@pytest.mark.common_practice
def test_the_source_sits_four_holes_away() -> None:
    """A 90° section of 101.6 mm reflected focal length, holes 25.4 mm apart: four holes."""
    optic = OffAxisParaboloid(101.6, 90, 25.4)
    layout = collimator_layout(optic, 0.05, 0.1, 660e-6)
    x, y, z = layout.light.position
    assert abs(x) / 25.4 == pytest.approx(4, abs=1e-12)
    assert (y, z) == pytest.approx((0, 0), abs=1e-12)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((0, 35, 30), "reflected focal length 0 mm"),
        ((150, 180, 30), "off-axis angle 180°"),
        ((150, 0, 30), "off-axis angle 0°"),
        ((150, 35, -1), "clear aperture -1 mm"),
        ((float("nan"), 35, 30), "reflected focal length nan"),
    ],
)
def test_impossible_sections_are_refused(values: tuple[float, float, float], message: str) -> None:
    """The error says which value is wrong and what is allowed."""
    with pytest.raises(UsageError, match=message):
        OffAxisParaboloid(*values)


def test_impossible_parents_are_refused() -> None:
    """A parent needs a focal length and a distance above 0."""
    with pytest.raises(UsageError, match="must both be larger"):
        OffAxisParaboloid.from_parent(100, 0)


@pytest.mark.parametrize(
    ("rho", "angle", "most"),
    # At 90° the rim nearer the axis is 90° from the chief ray where it lies on the axis: D = 2h.
    # At 35° it is so at x = 2f·tan(−27.5°): D = 2(h + 2f·tan 27.5°).
    [(101.6, 90.0, 203.2), (150.0, 35.0, 456.1701)],
)
def test_an_aperture_beyond_90_degrees_of_the_chief_ray_is_refused(
    rho: float, angle: float, most: float
) -> None:
    """No source shines backwards; light would be taken to come from there."""
    OffAxisParaboloid(rho, angle, most - 0.01)
    with pytest.raises(UsageError, match="where a source sends no light"):
        OffAxisParaboloid(rho, angle, most + 0.01)
