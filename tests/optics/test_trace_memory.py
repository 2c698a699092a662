"""Memory of a trace in chunks, and blocks behind the rays' columns."""

from __future__ import annotations

import tracemalloc

import numpy as np

from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Pose, place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import cone
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.optics.trace import trace_to_planes

LAYOUT = collimator_layout(OffAxisParaboloid(150, 35, 30), 0.1, 0.12, 660e-6)


def peak(rings: int, chunk: int) -> int:
    """Largest memory, bytes, that tracing in chunks takes beyond the rays it is given."""
    rays = cone(LAYOUT.light, rings, 200, "even")  # type: ignore[arg-type]
    poses = place(LAYOUT)
    total = np.zeros(3)
    tracemalloc.start()
    before, _ = tracemalloc.get_traced_memory()
    for part in rays.chunks(chunk):
        planes, out = trace_to_planes(LAYOUT, poses, part, chunk)
        x, y, _ = planes["far"]
        total += [out.power.sum(), out.power @ x, out.power @ y]
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert total[0] > 0.5
    return most - before


def test_memory_does_not_grow_with_the_number_of_rays() -> None:
    """Eight times the rays need the same memory beyond them; twice the chunk needs twice."""
    few, many = peak(100, 4096), peak(800, 4096)
    assert many < 1.1 * few
    assert many < 100 * 8 * 4096
    assert 1.5 < peak(800, 8192) / many < 2.5


def test_blocks_and_columns_are_the_same_rays() -> None:
    """Rays made from blocks, cut, moved and put together hold what their columns say."""
    rng = np.random.default_rng(8)
    points, directions = rng.normal(size=(2, 3, 50))
    rays = Rays.from_blocks(points, directions, np.zeros(50))
    parts = list(rays.chunks(7))
    assert [p.count for p in parts] == [7] * 7 + [1]
    for part in (parts[3], Rays.joined(parts)):
        p, d = part.blocks()
        assert np.array_equal(p, np.stack([part.x, part.y, part.z]))
        assert np.array_equal(d, np.stack([part.l, part.m, part.n]))
    turned = rays.reversed()
    assert np.array_equal(turned.blocks()[1], -directions)


def test_moving_real_rays_by_complex_and_batched_poses() -> None:
    """Shape and kind of number follow the pose; there and back again is where it was."""
    rng = np.random.default_rng(9)
    rotation = np.linalg.qr(rng.normal(size=(5, 3, 3)))[0]
    rays = Rays.from_vectors(rng.normal(size=(4, 3)), rng.normal(size=(4, 3)))
    pose = Pose(rotation, rng.normal(size=(5, 3)) + 1e-30j)
    moved = rays.moved(pose)
    assert moved.x.shape == (5, 4)
    assert moved.x.dtype == complex
    back = moved.moved(pose.inverse())
    assert np.allclose(back.points.real, rays.points, atol=1e-12)
    only_shift = rays.moved(Pose(np.eye(3), rng.normal(size=(5, 3))))
    assert only_shift.x.shape == (5, 4)
    assert rays.x.shape == (4,)
