"""What every exact trace must keep: reversal, mirror images, linear limits, figure error."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autoalign.core.errors import UsageError
from autoalign.optics.layout import Beam, Flat, Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import IDENTITY_POSE, Array, Pose, place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import aimed, bundle, cone, disk_grid, face_points
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.optics.trace import reflect, to_plane, trace, trace_to_planes

LAYOUT = collimator_layout(OffAxisParaboloid(150, 35, 30), 0.1, 0.12, 660e-6)
RAYS = cone(LAYOUT.light, 6, 12)  # type: ignore[arg-type]

misalignments = st.fixed_dictionaries(
    {
        "source.x": st.floats(-2, 2),
        "source.y": st.floats(-2, 2),
        "source.z": st.floats(-3, 3),
        "mirror.tip": st.floats(-0.01, 0.01),
        "mirror.tilt": st.floats(-0.01, 0.01),
        "mirror.clocking": st.floats(-0.02, 0.02),
    }
)


@pytest.mark.slow
@given(st.floats(5, 120), st.floats(30, 500), misalignments)
@settings(deadline=None, max_examples=100)
def test_light_runs_back_to_its_source(
    alpha: float, rho: float, positions: dict[str, float]
) -> None:
    """Turned round behind the mirror, every ray passes its source again, to 1e-9 mm."""
    layout = collimator_layout(OffAxisParaboloid(rho, alpha, 10), 0.0, 0.1, 660e-6)
    poses = place(layout, positions)
    rays = cone(layout.light, 3, 6, angle=0.1)  # type: ignore[arg-type]
    there = trace(layout, poses, rays)
    far = Pose(np.eye(3), np.array([0.0, 0.0, 1000.0]))
    x, y, path = to_plane(there, far)
    turned = Rays(x, y, np.full_like(x, 1000.0), -there.l, -there.m, -there.n, -path)
    back = reflect(turned, layout.elements[0].surface, poses["mirror"])
    found = to_plane(back, poses["source"])
    assert all(np.max(np.abs(value)) < 1e-9 for value in found)


@given(misalignments)
@settings(deadline=None, max_examples=50)
def test_a_mirror_image_of_the_misalignment_gives_a_mirror_image(
    positions: dict[str, float],
) -> None:
    """Reflected in the plane of incidence, y changes sign and x and path do not."""
    image = {
        axis: -value if axis in ("source.y", "mirror.tip", "mirror.clocking") else value
        for axis, value in positions.items()
    }
    mirrored = Rays(RAYS.x, -RAYS.y, RAYS.z, RAYS.l, -RAYS.m, RAYS.n, RAYS.path)
    a, _ = trace_to_planes(LAYOUT, place(LAYOUT, positions), RAYS)
    b, _ = trace_to_planes(LAYOUT, place(LAYOUT, image), mirrored)
    for name in ("near", "far"):
        assert np.allclose(a[name][0], b[name][0], atol=1e-10)
        assert np.allclose(a[name][1], -b[name][1], atol=1e-10)
        assert np.allclose(a[name][2], b[name][2], atol=1e-10)


@pytest.mark.parametrize("axis", [m.axis for m in LAYOUT.motions])
def test_small_moves_are_linear(axis: str) -> None:
    """Halving a small move halves its effect, with a remainder that falls as its square."""
    size = 1e-2 if axis.startswith("source") else 1e-4
    still, _ = trace_to_planes(LAYOUT, place(LAYOUT), RAYS)

    def moved(amount: float) -> Array:
        planes, _ = trace_to_planes(LAYOUT, place(LAYOUT, {axis: amount}), RAYS)
        return np.stack(planes["far"][:2]) - np.stack(still["far"][:2])

    step, half = moved(size), moved(size / 2)
    curvature = np.max(np.abs(step - 2 * half))
    finer = np.max(np.abs(half - 2 * moved(size / 4)))
    assert np.max(np.abs(step)) > 1e-6
    assert curvature < 1e-2 * np.max(np.abs(step))
    assert finer == pytest.approx(curvature / 4, rel=0.05)


def ripple(x: Array, y: Array) -> tuple[Array, Array, Array]:
    """A 100 nm ripple of 7 mm period, with its slopes."""
    k, a = 2 * np.pi / 7, 1e-4
    return (
        a * np.sin(k * x) * np.cos(k * y),
        a * k * np.cos(k * x) * np.cos(k * y),
        -a * k * np.sin(k * x) * np.sin(k * y),
    )


@pytest.mark.parametrize("surface", [OffAxisParaboloid(150, 35, 30), Flat(30.0)])
def test_rays_meet_the_figured_surface_and_obey_the_law_of_reflection(
    surface: OffAxisParaboloid | Flat,
) -> None:
    """With figure error: the point lies on the surface, the two rays mirror about its normal."""
    u, v, _ = disk_grid(6, 12)
    start = np.stack([u * 10, v * 10, np.full_like(u, 60.0)], axis=-1)
    rays = Rays.from_vectors(start, np.broadcast_to([0.0, 0.0, -1.0], start.shape))
    out = reflect(rays, surface, IDENTITY_POSE, ripple)
    f, h = (
        (math.inf, 0.0)
        if isinstance(surface, Flat)
        else (surface.parent_focal_length, surface.off_axis_distance)
    )
    error, ex, ey = ripple(out.x, out.y)
    assert np.max(np.abs(out.z - error - (out.x**2 + 2 * h * out.x + out.y**2) / (4 * f))) < 1e-12
    normal = np.stack([(out.x + h) / (2 * f) + ex, out.y / (2 * f) + ey, -np.ones_like(u)], axis=-1)
    change = out.directions - rays.directions
    assert np.max(np.abs(np.cross(change, normal))) < 1e-12
    assert np.allclose(np.sum(out.directions**2, axis=-1), 1, atol=1e-14)
    assert np.allclose(out.path, 60 - out.z, atol=1e-12)


def test_a_figure_error_shifts_the_path_by_twice_its_height_at_normal_incidence() -> None:
    """W = 2 cos(i) · height, to first order.

    The path between reflections from two parallel planes: E. Hecht, Optics, 4th ed., section 9.4.1,
    from memory.
    """
    optic = OffAxisParaboloid(150, 35, 30)
    layout = collimator_layout(optic, 0.0, 0.05, 660e-6)
    poses = place(layout)
    rays = cone(layout.light, 4, 8, angle=0.05)  # type: ignore[arg-type]
    flat, _ = trace_to_planes(layout, poses, rays)

    def bump(x: Array, y: Array) -> tuple[Array, Array, Array]:
        return np.full_like(x, 1e-5), np.zeros_like(x), np.zeros_like(x)

    bumped, out = trace_to_planes(layout, poses, rays, figures={"mirror": bump})
    slope = np.hypot((out.x + optic.off_axis_distance), out.y) / (2 * optic.parent_focal_length)
    # Height is along the parent axis: across the surface it is cos b of that, and cos i = cos b.
    expected = -2e-5 / (1 + slope**2)
    assert np.allclose(bumped["near"][2] - flat["near"][2], expected, rtol=1e-4)


def test_a_ray_that_misses_is_not_a_number_and_not_alive() -> None:
    """Light along the axis, away from the mirror, never meets it."""
    optic = OffAxisParaboloid(150, 35, 30)
    away = Rays.from_vectors(np.array([[0.0, 0.0, 10.0]]), np.array([[0.0, 0.0, 1.0]]))
    out = reflect(away, optic, IDENTITY_POSE, clip=True)
    assert not np.isfinite(out.x[0])
    assert out.alive is not None
    assert not out.alive[0]
    assert out.power.sum() == 0


def test_chunk_must_hold_a_ray() -> None:
    """A chunk of no rays is refused."""
    with pytest.raises(UsageError, match="chunk 0"):
        trace(LAYOUT, place(LAYOUT), RAYS, chunk=0)


def test_face_points_stand_for_a_uniform_disk() -> None:
    """Second moment of a uniform face is d²/16 per direction; one point for a point source."""
    x, y, w = face_points(LAYOUT.light)  # type: ignore[arg-type]
    assert w.sum() == pytest.approx(1)
    assert [w @ x**2, w @ y**2] == pytest.approx([0.1**2 / 16] * 2)
    assert w @ x**4 == pytest.approx((0.1 / 2) ** 4 / 8)


def beams(layout: Layout, positions: dict[str, float]) -> dict[str, tuple[float, ...]]:
    """Centroid x, y and widths d_x, d_y at every plane of a beam that overfills its mirror."""
    poses = place(layout, positions)
    rays = aimed(layout.light, layout.elements[0], poses)  # type: ignore[arg-type]
    planes, _ = trace_to_planes(layout, poses, rays)
    p = rays.power / rays.power.sum()
    found = {}
    for name, (x, y, _) in planes.items():
        cx, cy = p @ x, p @ y
        found[name] = (cx, cy, 4 * (p @ (x - cx) ** 2) ** 0.5, 4 * (p @ (y - cy) ** 2) ** 0.5)
    return found


INCH = collimator_layout(OffAxisParaboloid(101.6, 90, 25.4), 0.0, 0.4, 660e-6)


@pytest.mark.common_practice
def test_an_overfilled_aperture_gives_a_beam_of_its_own_size() -> None:
    """A 25.4 mm aperture overfilled by the source: a beam 25.4 mm across, near and far."""
    poses = place(INCH)
    planes, out = trace_to_planes(INCH, poses, cone(INCH.light, 60, 240, "even", angle=0.2))  # type: ignore[arg-type]
    assert out.alive is not None
    for x, y, _ in planes.values():
        assert np.ptp(x[out.alive]) == pytest.approx(25.4, abs=0.4)
        assert np.ptp(y[out.alive]) == pytest.approx(25.4, abs=0.4)


@pytest.mark.common_practice
def test_too_close_is_large_and_too_far_is_small_on_the_far_screen() -> None:
    """Source towards the mirror: the far spot grows; away from it: it shrinks."""
    aligned = beams(INCH, {})["far"][2]
    assert beams(INCH, {"source.z": 0.5})["far"][2] > aligned + 1
    assert beams(INCH, {"source.z": -0.5})["far"][2] < aligned - 1


@pytest.mark.common_practice
def test_sideways_is_oblong_one_way_and_the_other_and_round_between() -> None:
    """A source displaced to one side makes the far spot wide, to the other side tall."""
    one, none, other = (beams(INCH, {"source.x": t})["far"] for t in (0.3, 0.0, -0.3))
    assert one[2] / one[3] > 1.05
    assert other[2] / other[3] < 0.95
    assert none[2] / none[3] == pytest.approx(1, abs=0.01)


@pytest.mark.common_practice
def test_a_wrong_roll_changes_the_height_between_the_screens() -> None:
    """Clocking tilts the beam up or down; the near and the far spot differ in height."""
    found = beams(INCH, {"mirror.clocking": 0.01})
    assert abs(found["far"][1] - found["near"][1]) > 10
    assert abs(found["far"][0] - found["near"][0]) < 1


def test_a_bundle_has_its_power_and_its_width() -> None:
    """A Gaussian bundle holds its power to a millionth and d_σ is its 1/e² diameter."""
    gauss = bundle(Beam(10.0, 660e-6, (0, 0, 0), (0, 0, 1)))
    assert gauss.power.sum() == pytest.approx(1, abs=2e-6)
    assert 4 * math.sqrt(gauss.power @ gauss.x**2) == pytest.approx(10, rel=1e-4)
    flat = bundle(Beam(10.0, 660e-6, (0, 0, 0), (0, 0, 1), profile="uniform"))
    assert 4 * math.sqrt(flat.power @ flat.x**2) == pytest.approx(10, rel=1e-9)
