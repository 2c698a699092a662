"""The standard's divergence and ellipticity, and the aberrations by their names."""

from __future__ import annotations

import math

import pytest

from autoalign.beam.standards.own_beam import OWN_DIVERGENCE, own_beam
from autoalign.messages.words import own_figure
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout, focuser_layout
from autoalign.report.aberrations import aberration_words, aberrations

OPTIC = OffAxisParaboloid(150.0, 35.0, 30.0)
LAYOUT = collimator_layout(OPTIC, 0.0, 0.02, 660e-6, emission="uniform")
RADIUS = 150.0 * 0.02


def test_a_source_too_close_is_defocus():
    """W = l r²/(2ρ²), so Z4 = l a²/(4√3 ρ²) (defocus of a displaced source; Noll 1976 for Z4)."""
    found = aberrations(LAYOUT, {"source.z": 0.5})
    expected = 0.5 * RADIUS**2 / (4 * math.sqrt(3) * 150.0**2) / 660e-6
    assert found["defocus"] == pytest.approx(expected, rel=0.02)
    assert abs(found["astigmatism 0°"]) < 0.05 * expected
    assert aberration_words(LAYOUT, "source.z", 0.5).startswith(f"defocus {expected:.2g}"[:10])


def test_a_source_moved_sideways_is_astigmatism_of_its_direction():
    """W = T t r² cos 2φ/(2ρ²), T = tan(α/2): Z6 = T t a²/(2√6 ρ²); out of plane it is at 45°.

    The astigmatism of a displaced source; derived here as a wavefront.
    """
    slope = math.tan(math.radians(17.5))
    expected = slope * 0.5 * RADIUS**2 / (2 * math.sqrt(6) * 150.0**2) / 660e-6
    inside, outside = (aberrations(LAYOUT, {f"source.{k}": 0.5}) for k in "xy")
    assert abs(inside["astigmatism 0°"]) == pytest.approx(expected, rel=0.05)
    assert abs(outside["astigmatism 45°"]) == pytest.approx(expected, rel=0.05)
    assert abs(inside["astigmatism 45°"]) < 0.05 * expected


def test_an_aligned_mirror_and_a_focus_have_nothing_to_say():
    """A paraboloid images its focus without aberration; a converging beam is left out."""
    assert max(map(abs, aberrations(LAYOUT, {}).values())) < 1e-4
    assert aberration_words(LAYOUT, "source.z", 0.0) == ""
    focuser = focuser_layout(OPTIC, 10.0, 660e-6)
    assert aberrations(focuser, {}) == {}


def test_two_planes_cannot_give_the_asymptotic_angle(make_gaussian):
    """The reason is said, the design's angle stands beside, and each plane has its ellipticity."""
    profiles = {p: make_gaussian(widths=(4, 3), plane=p)[1] for p in ("near", "far")}
    own = own_beam(profiles, {"near": 400.0, "far": 2400.0}, 660e-6, by_design=3.94e-3)
    words = {f.name: own_figure(f) for f in own}
    assert words[OWN_DIVERGENCE] == "not known: 2 usable planes, at least 4 are needed"
    assert words["the same by design, from the source's size"] == "3.94 mrad"
    assert own[-1].value == pytest.approx(0.75, rel=1e-3)


def test_five_planes_give_the_asymptotic_angle(make_gaussian):
    """d² = d0² + Θ²(z − z0)² in both directions (ISO 11146-1): Θ comes back."""
    theta, waist = 4e-3, 1.0
    z = {f"p{k}": 200.0 * k for k in range(-2, 5)}
    profiles = {}
    for plane, where in z.items():
        d = math.hypot(waist, theta * where)
        profiles[plane] = make_gaussian(widths=(d, d), plane=plane)[1]
    first, second = own_beam(profiles, z, 660e-6)[:2]
    assert first.name == f"{OWN_DIVERGENCE}, sideways (x)"
    for figure in (first, second):
        assert figure.value == pytest.approx(theta, rel=0.02)
        assert 0 < figure.uncertainty < 0.1 * theta
