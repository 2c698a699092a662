"""What a perfectly aligned section does exactly, whatever its angle."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign.optics.layout import Element, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Array, Pose, frame_along, place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import aimed, cone, disk_grid, emission, half_angle
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.optics.trace import reflect

ANGLES = (5.0, 35.0, 60.0, 90.0, 120.0)


def footprint(alpha: float, rays: Rays) -> Rays:
    """Rays from the aligned source (local frame) just after a ρ = 100 mm section."""
    layout = collimator_layout(OffAxisParaboloid(100, alpha), 0.0, 0.1, 660e-6)
    poses = place(layout)
    return reflect(rays.moved(poses["source"]), layout.elements[0].surface, poses["mirror"])


@pytest.mark.parametrize("alpha", ANGLES)
@pytest.mark.parametrize("psi", [0.02, 0.1, 0.3])
def test_a_cone_makes_an_exact_circle(alpha: float, psi: float) -> None:
    """A cone of half-angle ψ gives radius 2f sin ψ/(cos α + cos ψ) about 2f sin α/(same).

    Derived here; to 1e-9 relative.
    """
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    l, m = math.sin(psi) * np.cos(angle), math.sin(psi) * np.sin(angle)  # noqa: E741
    zero = np.zeros(60)
    edge = footprint(alpha, Rays(zero, zero, zero, l, m, zero + math.cos(psi), zero))
    optic = OffAxisParaboloid(100, alpha)
    below = math.cos(optic.off_axis_angle) + math.cos(psi)
    radius = 2 * optic.parent_focal_length * math.sin(psi) / below
    centre = 2 * optic.parent_focal_length * math.sin(optic.off_axis_angle) / below
    found = np.hypot(edge.x + optic.off_axis_distance - centre, edge.y)
    assert np.max(np.abs(found / radius - 1)) < 1e-9


@pytest.mark.parametrize("alpha", ANGLES)
@pytest.mark.parametrize("profile", ["multimode", "gaussian", "uniform"])
def test_centroid_at_h_and_round_second_moments(alpha: float, profile: str) -> None:
    """Any emission symmetric about the chief ray: centroid exactly at h, ellipticity exactly 1.

    Derived here; to 1e-9 relative. The irradiance is skewed all the same.
    """
    source = Source(0.0, 0.15, 660e-6, (0, 0, 0), (0, 0, 1), profile)  # type: ignore[arg-type]
    rays = footprint(alpha, cone(source, 24, 48, angle=min(half_angle(source), 0.25)))
    p = rays.power / rays.power.sum()
    x, y = p @ rays.x, p @ rays.y
    xx, yy, xy = p @ (rays.x - x) ** 2, p @ (rays.y - y) ** 2, p @ ((rays.x - x) * (rays.y - y))
    assert abs(x) < 1e-9 * 100
    assert abs(y) < 1e-9 * 100
    assert abs(xx / yy - 1) < 1e-9
    assert abs(xy / yy) < 1e-9
    skew = p @ (rays.x - x) ** 3 / xx**1.5
    assert abs(skew) > 0.05 * math.tan(math.radians(alpha / 2))


def irradiance(alpha: float, u: Array) -> Array:
    """Power per area at (u, 0) about (h, 0) for a source of unit radiant intensity, 1/mm²."""
    optic = OffAxisParaboloid(100, alpha, 1e-4)
    out = []
    for value in u:
        patch = OffAxisParaboloid.from_parent(
            optic.parent_focal_length, optic.off_axis_distance + value, 1e-4
        )
        source = Source(0.0, 0.99, 660e-6, optic.focus, optic.chief_ray, "uniform")
        shift = Pose(np.eye(3), np.array([value, 0.0, patch.sag - optic.sag]))
        poses = {"source": place_source(source), "patch": shift}
        weight = aimed(source, Element("patch", patch), poses, 1, 4).weight
        assert weight is not None
        out.append(weight.sum())
    return np.array(out)


def place_source(source: Source) -> Pose:
    """Pose of a source by itself."""
    return Pose(frame_along(source.direction), np.array(source.position))


def test_irradiance_falls_away_from_the_parent_axis() -> None:
    """I(+a)/I(−a) ≈ 1 − 4Ta/ρ; 0.671 at α 90°, a/ρ 0.1 (derived here)."""
    low, high = irradiance(90, np.array([-10.0, 10.0]))
    assert high / low == pytest.approx(0.671, abs=5e-4)
    low, high = irradiance(35, np.array([-0.1, 0.1]))
    assert high / low == pytest.approx(1 - 4 * math.tan(math.radians(17.5)) * 1e-3, abs=1e-6)


@pytest.mark.parametrize("alpha", [35.0, 90.0])
def test_clipping_moves_the_centroid(alpha: float) -> None:
    """A threshold or a clip breaks the invariant: the edge circle's centre is not the centroid."""
    optic = OffAxisParaboloid(100, alpha)
    psi = 0.1
    centre = 2 * optic.parent_focal_length * math.sin(optic.off_axis_angle)
    centre /= math.cos(optic.off_axis_angle) + math.cos(psi)
    assert centre - optic.off_axis_distance > 0.1
    mirror = Element("mirror", OffAxisParaboloid(100, alpha, 10))
    source = Source(0.0, 0.5, 660e-6, optic.focus, optic.chief_ray, "uniform")
    poses = {"source": place_source(source), "mirror": Pose(np.eye(3), np.zeros(3))}
    rays = aimed(source, mirror, poses)
    out = reflect(rays.moved(poses["source"]), mirror.surface, poses["mirror"])
    # I ≈ 1 − 2Tu/ρ over a disk of semi-diameter a has its centroid at −T a²/(2ρ).
    found = out.power @ out.x / out.power.sum()
    assert found == pytest.approx(-optic.slope * 5**2 / (2 * 100), rel=0.01)


@pytest.mark.parametrize("alpha", [10.0, 60.0, 90.0, 120.0])
def test_gaussian_skew_loss(alpha: float) -> None:
    """Power lost from the fundamental Gaussian by the skew is (1/8)(w tan b/ρ)².

    J. A. Murphy, Int. J. Infrared Millim. Waves 8, 1165 (1987), from memory; the exact overlap
    gives 0.1246–0.1270 for the coefficient.
    """
    theta = 0.01
    optic = OffAxisParaboloid(100, alpha)
    source = Source(0.0, math.sin(theta), 660e-6, (0, 0, 0), (0, 0, 1), "gaussian")
    rays = footprint(alpha, cone(source, 60, 48, angle=min(4 * theta, 1.0)))
    w = 100 * math.tan(theta)
    # Both fields live on the same rays: dA = dΩ · dA/dΩ, and power = I dΩ.
    power = rays.power / rays.power.sum()
    q = ((rays.x + optic.off_axis_distance) ** 2 + rays.y**2) / (4 * optic.parent_focal_length**2)
    area_per_solid_angle = (optic.parent_focal_length * (1 + q)) ** 2
    intensity = emission(source, np.asarray(_sine_squared(60, 48, min(4 * theta, 1.0))))
    solid_angle = power / intensity
    gauss = np.exp(-((rays.x**2 + rays.y**2) / w**2))
    field = np.sqrt(intensity / area_per_solid_angle)
    area = solid_angle * area_per_solid_angle
    overlap = np.sum(area * gauss * field) ** 2
    loss = 1 - overlap / (np.sum(area * gauss**2) * np.sum(area * field**2))
    coefficient = loss / (w * optic.slope / 100) ** 2
    assert 0.124 < coefficient < 0.128


def _sine_squared(rings: int, spokes: int, angle: float) -> Array:
    u, v, _ = disk_grid(rings, spokes)
    return np.asarray((u * u + v * v) * math.sin(angle) ** 2)


@pytest.mark.parametrize("alpha", ANGLES)
def test_flux_is_conserved(alpha: float) -> None:
    """Integrated over the source's cone and over the mirror's face, the power is the same.

    To 1e-6, without clipping: the mirror is the exact circle that the cone fills.
    """
    source = Source(0.0, 0.12, 660e-6, (0, 0, 0), (0, 0, 1), "gaussian")
    whole = OffAxisParaboloid(100, alpha)
    f, psi = whole.parent_focal_length, half_angle(source)
    below = math.cos(whole.off_axis_angle) + math.cos(psi)
    centre, radius = 2 * f * math.sin(whole.off_axis_angle) / below, 2 * f * math.sin(psi) / below
    mirror = OffAxisParaboloid.from_parent(f, centre, 2 * radius)
    frame = collimator_layout(whole, 0.0, 0.12, 660e-6)
    shift = np.array([centre - whole.off_axis_distance, 0.0, mirror.sag - whole.sag])
    poses = {"source": place(frame)["source"], "mirror": Pose(np.eye(3), shift)}
    over_face = aimed(source, Element("mirror", mirror), poses, 24, 48).weight
    over_cone = cone(source, 24, 48).weight
    assert over_face is not None
    assert over_cone is not None
    assert over_cone.sum() == pytest.approx(1, abs=1e-6)
    assert over_face.sum() == pytest.approx(1, abs=1e-6)
