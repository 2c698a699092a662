"""The trace of an aligned collimator, and how poses stack."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.core.errors import UnknownNameError, UsageError
from autoalign.optics.layout import Motion
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import IDENTITY_POSE, Pose, displacement, frame_along, place
from autoalign.optics.sources import aimed, cone
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.optics.trace import trace, trace_to_planes

OPTIC = OffAxisParaboloid(150, 35, 30)
LAYOUT = collimator_layout(OPTIC, 0.1, 0.12, 660e-6)


def test_an_aligned_section_collimates_exactly() -> None:
    """Every ray from the focus leaves along z, with one and the same optical path."""
    planes, out = trace_to_planes(LAYOUT, place(LAYOUT), cone(LAYOUT.light), clip=False)
    assert np.max(np.abs(out.l)) < 1e-14
    assert np.max(np.abs(out.m)) < 1e-14
    for x, y, path in planes.values():
        assert np.ptp(path) < 1e-11
        assert np.max(np.hypot(x, y)) > 15
    assert np.allclose(planes["far"][0], planes["near"][0], atol=1e-11)


def test_source_frame_has_z_along_the_chief_ray_and_x_against_sideways() -> None:
    """The documented signs: x = −e_t, y up, z along the chief ray, right-handed."""
    turn = place(LAYOUT)["source"].rotation
    assert np.allclose(turn[:, 0], -np.array(OPTIC.sideways))
    assert np.allclose(turn[:, 1], [0, 1, 0])
    assert np.allclose(turn[:, 2], OPTIC.chief_ray)
    assert np.linalg.det(turn) == pytest.approx(1)


def test_the_first_motion_is_the_outermost_stage() -> None:
    """T = M1 M2 M3 · nominal: the first motion carries the others."""
    positions = {"mirror.tip": 0.2, "mirror.tilt": -0.3, "mirror.clocking": 0.4}
    stack = IDENTITY_POSE
    for axis, amount in positions.items():
        stack = stack.compose(displacement(LAYOUT.motion(axis), amount))
    found = place(LAYOUT, positions)["mirror"]
    assert np.allclose(found.rotation, stack.rotation, atol=1e-14)
    assert np.allclose(found.position, stack.apply([0, 0, 0]), atol=1e-14)


def test_offsets_are_in_the_parts_own_frame_and_innermost() -> None:
    """T = motions · nominal · offset: 1 mm along the source's own z is along the chief ray."""
    along = Pose(np.eye(3), np.array([0.0, 0.0, 1.0]))
    found = place(LAYOUT, {"source.y": 0.5}, {"source": along})["source"].position
    expected = np.array(OPTIC.focus) + np.array(OPTIC.chief_ray) + np.array([0.0, 0.5, 0.0])
    assert np.allclose(found, expected, atol=1e-12)
    with pytest.raises(UnknownNameError, match="sourec"):
        place(LAYOUT, None, {"sourec": along})


def test_a_turn_keeps_its_pivot_and_is_right_handed() -> None:
    """The pivot stays; a quarter turn about z takes x to y."""
    motion = Motion("m.a", "m", "turn", (0.0, 0.0, 1.0), (3.0, 4.0, 5.0))
    pose = displacement(motion, np.pi / 2)
    assert np.allclose(pose.apply([3, 4, 5]), [3, 4, 5])
    assert np.allclose(pose.turn([1, 0, 0]), [0, 1, 0])
    back = pose.inverse().compose(pose)
    assert np.allclose(back.rotation, np.eye(3))
    assert np.allclose(back.position, 0)


def test_batches_equal_single_traces() -> None:
    """Forty variations in one call give what forty calls give."""
    shifts, tips = np.linspace(-1, 1, 7), np.linspace(-4e-3, 4e-3, 7)
    rays = cone(LAYOUT.light, 4, 8)
    many, _ = trace_to_planes(LAYOUT, place(LAYOUT, {"source.x": shifts, "mirror.tip": tips}), rays)
    for k in range(7):
        poses = place(LAYOUT, {"source.x": shifts[k], "mirror.tip": tips[k]})
        one, _ = trace_to_planes(LAYOUT, poses, rays)
        for a, b in zip(many["far"], one["far"], strict=True):
            assert np.allclose(a[k], b, rtol=0, atol=1e-11)


def test_chunks_change_nothing() -> None:
    """The result does not depend on the size of a chunk."""
    rays = cone(LAYOUT.light, 5, 9)
    poses = place(LAYOUT, {"source.x": 0.3, "mirror.tip": 1e-3})
    whole, pieces = trace(LAYOUT, poses, rays), trace(LAYOUT, poses, rays, chunk=7)
    for name in ("x", "y", "z", "l", "m", "n", "path", "weight", "alive"):
        assert np.array_equal(getattr(whole, name), getattr(pieces, name))


def test_complex_step_is_the_derivative() -> None:
    """A complex step agrees with central differences of the same trace."""
    rays = cone(LAYOUT.light, 3, 8)

    def far(value: complex) -> np.ndarray:
        planes, _ = trace_to_planes(LAYOUT, place(LAYOUT, {"mirror.tilt": value}), rays)
        return planes["far"][0]

    exact = far(1e-3 + 1e-40j).imag / 1e-40
    rough = (far(1e-3 + 1e-5) - far(1e-3 - 1e-5)) / 2e-5
    assert np.allclose(exact, rough, rtol=1e-7)


def test_aimed_and_cone_rays_carry_the_same_power_through_the_aperture() -> None:
    """Two ways to integrate the far field over an overfilled mirror agree."""
    poses = place(LAYOUT, {"source.x": 0.5, "mirror.tip": 2e-3})
    clipped = trace(LAYOUT, poses, cone(LAYOUT.light, 500, 1001, "even")).power.sum()
    exact = aimed(LAYOUT.light, LAYOUT.elements[0], poses).weight
    assert exact is not None
    assert exact.sum() == pytest.approx(clipped, abs=2e-4)


def test_unknown_axis_is_named() -> None:
    """The error names the axis, the nearest one and all others."""
    with pytest.raises(UnknownNameError, match=r"'source.q'.*source.x"):
        place(LAYOUT, {"source.q": 1.0})


def test_a_vertical_direction_has_no_frame() -> None:
    """A chief ray straight up leaves the x axis undefined, and says so."""
    with pytest.raises(UsageError, match="vertical"):
        frame_along((0, 1, 0))
